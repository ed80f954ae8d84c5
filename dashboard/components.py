"""Pieces that more than one page shows."""

from collections.abc import Callable, Collection, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from analytics.alarms import wording
from analytics.findings import CAUTION, ENGLISH_DECIDES
from analytics.kinds import Check, Kind
from dashboard import accounts, formatting
from ingest.languages import ENGLISH, cldr, language, tr


def need(name: str) -> html.Span:
    """A need as word, shape and colour."""
    return html.Span(
        [
            html.Span(className=f"shape shape-{name}", **{"aria-hidden": "true"}),
            formatting.NEED_WORDS[name],
        ],
        className=f"need need-{name}",
    )


def severity(name: str, *, lasts: bool) -> html.Span:
    """How urgent something is while it lasts; afterwards that it is over."""
    return need(name) if lasts else html.Span(tr("Over"), className="need need-over")


def one_or_all(every: str, names: Sequence[str]) -> list[dict[str, str]]:
    """What may be chosen where one of several is wanted, or all: "All depots", and each."""
    return [{"value": "", "label": every}, *({"value": name, "label": name} for name in names)]


def who(id_: str, label: str) -> dmc.TextInput:
    """Who does something: who is signed in; else it is asked for, and remembered on the device."""
    name = accounts.current_person.get().name
    if name:
        return dmc.TextInput(id=id_, label=label, value=name, readOnly=True)
    return dmc.TextInput(id=id_, label=label, persistence=True, persistence_type="local", debounce=True)


def level_bar(level_pct: float | None, low_mark_pct: float) -> html.Div:
    """The reservoir as a bar with its low mark: one element, since a list has many."""
    if level_pct is None:
        return html.Div(className="level-bar level-unknown", role="img", **{"aria-label": tr("level not known")})
    state = "low" if level_pct <= low_mark_pct else "near" if level_pct <= low_mark_pct + 10 else "fine"
    return html.Div(
        className=f"level-bar level-{state}",
        style={"--level": f"{min(max(level_pct, 0), 100):.0f}%", "--mark": f"{low_mark_pct:.0f}%"},
        role="img",
        **{
            "aria-label": tr(
                "level {level_pct} percent, low mark {low_mark_pct} percent",
                level_pct=cldr.decimal(level_pct, 0),
                low_mark_pct=cldr.decimal(low_mark_pct, 0),
            )
        },
    )


def cautions() -> html.Details:
    """The cautions, in plain sight and short; all of them one click away, and on paper in full."""
    return html.Details(
        [
            html.Summary(tr(CAUTION)),
            html.Ul([html.Li(text) for text in wording.cautions()]),
        ],
        className="cautions",
        **{"data-keep": "cautions"},
    )


def caution() -> html.P:
    """The cautions in short, where there is room for no more."""
    decides = [] if language() == ENGLISH else [" ", tr(ENGLISH_DECIDES)]
    return html.P([tr(CAUTION), *decides], className="cautions")


def cautions_in_full() -> html.Ul:
    """All of them, unfolded: for what is printed."""
    return html.Ul([html.Li(text) for text in wording.cautions()], className="cautions cautions-full")


def guidance(kind: Kind, key: str, grease: str | None = None, *, opened: bool = False) -> html.Details:
    """The steps to take, each with what its outcome means; what is seen, what most likely causes it, and what to take along, the grease by
    its name where it is known."""
    steps = [html.Li([*_step(check), html.Div(check.means, className="dim")]) for check in kind.checks]
    take = kind.to_take() if grease is None else kind.to_take(grease)
    facts = [(tr("Seen"), kind.meaning), (tr("Most likely"), kind.cause), (tr("Take along"), f"{'; '.join(take)}.")]
    return html.Details(
        [
            html.Summary(
                [
                    tr("What to check, in this order"),
                    " ",
                    html.Span(tr("(about {minutes} min as a rule)", minutes=kind.minutes), className="dim"),
                ]
            ),
            html.Ol(steps, className="steps-to-take"),
            html.Dl([part for name, text in facts for part in (html.Dt(name), html.Dd(text))], className="facts"),
        ],
        className="guidance",
        open=opened,
        **{"data-keep": key},
    )


def _step(check: Check) -> list[Any]:
    """A step, and in it, set apart, what in it can hurt."""
    hurts = check.hurts
    sign = html.Span(className="shape shape-plan", **{"aria-hidden": "true"})
    warned = html.Div([sign, html.Span([tr("Warning:"), " ", " ".join(hurts)])], className="hurts")
    return [html.Strong(check.look), *([warned] if hurts else [])]


def chart() -> dict[str, Any]:
    """What every chart is shown with: no bar of tools, and dates and numbers as the reader's language writes them."""
    name = language()
    config: dict[str, Any] = {"displayModeBar": False}
    if name != ENGLISH:
        config |= {"locale": name, "locales": {name: {"format": cldr.for_charts(name)}}}
    return {"config": config, "responsive": True}


def disclosure(summary: html.Summary, inside: Sequence[Any] | Any, class_name: str = "") -> html.Details:
    """What opens below a button and shuts with a press elsewhere: the browser's own, which the keyboard and screen readers know."""
    return html.Details([summary, html.Div(inside, className="panel")], className=f"menu {class_name}")


def page_menu(items: Sequence[tuple[str, Any]]) -> html.Details:
    """What else may be done with a page or card, at its corner: (text, id of the item)."""
    dots = html.Span(className="icon icon-dots", **{"aria-hidden": "true"})
    return disclosure(
        html.Summary([dots, html.Span(tr("Save"), className="unseen")], className="head-button"),
        [html.Button(text, id=id_, type="button", className="item") for text, id_ in items],
    )


def tabs(id_: str, label: str, links: Sequence[tuple[str, int | None, str, bool]]) -> html.Nav:
    """Parts of a page that each have an address: (title, how many, address, whether it is shown)."""
    return html.Nav(tab_links(links), id=id_, className="tabs", **{"aria-label": label})


def tab_links(links: Sequence[tuple[str, int | None, str, bool]]) -> list[dmc.Anchor]:
    """The links of it."""
    return [
        dmc.Anchor(
            [title, *([html.Span(str(number), className="tab-count")] if number is not None else [])],
            href=href, underline="never", inherit=True, c="inherit", **({"aria-current": "page"} if here else {}),
        )
        for title, number, href, here in links
    ]  # fmt: skip


def page_head(title: str, menu: Sequence[tuple[str, str]], *beside: Any) -> html.Div:
    """A page's heading, with what is done with the page as a whole at its corner."""
    return html.Div(
        [html.H1(title), html.Div([*beside, page_menu(menu)], className="page-menu")], className="page-head"
    )


def paging(page: int, page_rows: int, found: int, address: Callable[[int], str]) -> list[Any]:
    """Which part of a list is shown, and the ways to the part before and after; nothing where all of it is."""
    if found <= page_rows:
        return []
    first = (page - 1) * page_rows
    last = min(first + page_rows, found)
    before = [dcc.Link(tr("Previous"), href=address(page - 1))] if page > 1 else []
    after = [dcc.Link(tr("Next"), href=address(page + 1))] if last < found else []
    text = html.Span(tr("{first} to {last} of {found}", first=first + 1, last=last, found=found))
    return [html.Nav([text, *before, *after], className="steps", **{"aria-label": tr("Pages of the list")})]


def first_steps() -> html.Section:
    """What to do where no vehicle is registered yet."""
    steps = (
        (
            tr("Register the vehicles and their line lists"),
            tr("Two tables: who they are, and which line ends at which point."),
            "/set-up",
            tr("Set-up"),
        ),
        (
            tr("Let the controllers publish"),
            tr("tallow ingest records what comes to your broker."),
            "/data",
            tr("What comes in"),
        ),
        (
            tr("Say who is told"),
            tr("tallow watch raises alarms and sends them where you say."),
            "/set-up",
            tr("Routes"),
        ),
    )
    items = [
        html.Li([html.Strong(what), html.Div(how, className="dim"), dcc.Link(name, href=href)])
        for what, how, href, name in steps
    ]
    return html.Section(
        [
            html.H2(tr("No vehicles yet")),
            html.Ol(items, className="first-steps"),
            html.P(
                tr("By hand: tallow register DIR. After an upgrade: tallow analyse. To look around first: tallow demo.")
            ),
        ],
        className="card",
    )


def section(title: str, children: Sequence[Any] | Any, note: str = "") -> dmc.Paper:
    """A titled part of a page, with a sentence that says what it shows."""
    head = [html.H2(title)] + ([html.P(note, className="dim")] if note else [])
    return dmc.Paper(
        [*head, *(children if isinstance(children, list) else [children])], p="md", withBorder=True, mb="md"
    )


def table(heads: Sequence[str], rows: Sequence[Any], class_name: str, numbers: Collection[int] = ()) -> html.Table:
    """Rows below their heads; `numbers` are the columns of figures, which stand at the right as in `row`. Each cell of a plain table
    carries its head, since a phone shows the cells of a row one below the other."""
    head = [html.Th(text, scope="col", className="num" if n in numbers else "") for n, text in enumerate(heads)]
    if class_name.startswith("plain"):
        for line in rows:
            for text, cell in zip(heads, line.children if isinstance(line.children, list) else (), strict=False):
                setattr(cell, "data-head", text)
    return html.Table([html.Thead(html.Tr(head)), html.Tbody(list(rows))], className=class_name)


def row(cells: Sequence[Any], numbers: Collection[int] = ()) -> html.Tr:
    """One of them."""
    return html.Tr([html.Td(told, className="num" if n in numbers else "") for n, told in enumerate(cells)])


def pending() -> html.P:
    """What stands where a page's body is still being made: an empty page looks as if there were nothing to tell."""
    return html.P(tr("One moment: this is being worked out."), className="dim")
