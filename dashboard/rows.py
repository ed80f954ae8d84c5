"""A vehicle in a line: what several pages show of it."""

from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote

from dash import dcc, html

from analytics.kinds import FINDING_KINDS, SEVERITIES
from analytics.pipeline.vehicle_summary import FindingShown
from analytics.vehicle.line_conditions import LineCondition, LineState
from dashboard import components, formatting, refill_window
from dashboard.exports.hand import hand_due, hand_undated
from dashboard.queries.fleet import FleetRow, heard_long_ago
from dashboard.tokens import LINE_MARKS
from ingest import times
from ingest.languages import cldr, later, tr, trn
from ingest.languages.saying import told as told_in

CRITICAL: Final = later(
    "Steering or braking may be dry: for a qualified person to judge before it goes back on the road."
)
_PLAIN = " =:/'-"


CRITICAL_IN_SHORT: Final = later("Steering or braking may be dry")  # where the row's group says it in full


def group(need: str | None, is_critical: bool, columns: int) -> html.Tr:
    """A row above those that have a need in common (None: what they told of is over), and whether steering or braking may be dry: said
    once."""
    text = [html.Strong(tr("Over"))] if need is None else [mark(need), html.Strong(formatting.NEED_WORDS[need])]
    text += [html.Span(tr(CRITICAL), className="warns")] if is_critical else []
    return html.Tr(html.Th(text, colSpan=columns, scope="colgroup"), className="group-row")


def link(r: FleetRow) -> dcc.Link:
    """To its page, by the name that people use."""
    return dcc.Link(r.unit, href=f"/vehicle/{r.fleet}/{r.vehicle}", className="unit")


def mark(need: str) -> html.Span:
    """A need as a shape in its colour; the word is beside it or said to who cannot see it."""
    return html.Span(className=f"mark shape-{need} mark-{need}", role="img", title=formatting.NEED_WORDS[need],
                     **{"aria-label": formatting.NEED_WORDS[need]})  # fmt: skip


def cause(found: FindingShown) -> list[Any]:
    """What is wrong in a few words: kind, where, for how long its points are dry."""
    told = [told_in(found.where)] if found.where else []
    if found.dry_h is not None and found.dry_h >= 1 and FINDING_KINDS[found.kind].dries:
        hours = cldr.decimal(found.dry_h, 0)
        dry = tr("at least {hours} h dry", hours=hours) if found.at_least else tr("{hours} h dry", hours=hours)
        told.append(dry.replace(" ", "\u00a0"))
    return [html.Strong(FINDING_KINDS[found.kind].title), *(f" · {text}" for text in told)]


def without_findings(r: FleetRow) -> str:
    """What is said of a vehicle of which nothing is wrong so far."""
    refill = r.detail.refill if r.detail else None
    if refill is not None and refill.state in ("soon", "due"):
        return tr("Refill now.") if refill.state == "due" else tr("Refill soon.")
    due, undated = r.detail.hand if r.detail else (0, 0)
    if due:
        return hand_due(due)
    if undated and r.need == "not_proven":
        return hand_undated(undated)
    if not r.controller:
        return tr("No controller: its points are greased by hand.")
    if r.heard_us is None:
        return tr("Nothing was ever heard from it: nobody knows how it is.")
    if r.detail is None:
        return tr("Not analysed yet.")
    if r.need == "unheard":
        return tr("Nothing was heard from it of which the time can be right: nobody knows how it is.")
    if r.need != "not_proven":
        return tr("Nothing to do.")
    lines = r.detail.lines
    unproven = sum(line.state == "not_proven" for line in lines)
    if unproven == len(lines):
        return tr("Nothing is known to be wrong, but no line is proven.")
    return tr(
        "Nothing is known to be wrong, but {unproven} of {count} lines are not proven.",
        unproven=unproven,
        count=len(lines),
    )


def critical_hand(r: FleetRow) -> list[Any]:
    """The points greased by hand that are due and that steering or braking depends on; nothing where there are none."""
    points = r.detail.critical_hand if r.detail else ()
    if not points:
        return []
    told = f"{tr('Grease by hand:')} {', '.join(points)} ({tr('steering or braking')})"
    return [html.Div(told, className="warns small")]


def critical(r: FleetRow) -> bool:
    """Whether a point that steering or braking depends on may be dry."""
    return any(found.critical for found in r.detail.findings) if r.detail else False


def reason(r: FleetRow) -> list[Any]:
    """Why somebody is needed, worst first; whatever may leave steering or brakes dry is said unfolded."""
    findings = r.detail.findings if r.detail else ()
    if not findings:
        return [html.Div(without_findings(r), className="cause"), *critical_hand(r)]
    warning = [html.Div(tr(CRITICAL), className="warns")] if critical(r) else []
    return [html.Div(cause(findings[0]), className="cause"), *warning, *critical_hand(r)]


def strip(lines: Sequence[LineCondition]) -> Any:
    """The lines in the order of the line list, bundle by bundle: a mark each, taller where something is wrong with it, hatched where
    nothing is proven. One picture, since a page holds a thousand lines."""
    if not lines:
        return html.Div(tr("not known yet"), className="dim")
    drawn: dict[LineState, list[str]] = {}
    x, last = 4, lines[0].bundle
    for line in lines:
        x += 7 if line.bundle != last else 0
        last = line.bundle
        drawn.setdefault(line.state, []).append(f"M{x} 20v-{LINE_MARKS[line.state].height}")
        x += 7
    paths = ""
    for state, moves in drawn.items():
        drawn_as = LINE_MARKS[state]
        hatch = " stroke-dasharray='2 2'" if drawn_as.hatched else ""
        paths += f"<path stroke='{drawn_as.colour}' stroke-width='{drawn_as.width}'{hatch} d='{''.join(moves)}'/>"
    # Where there is less room only the width shrinks: a mark that somebody needs to see keeps its height.
    size = f"viewBox='0 0 {x} 20' width='{x}' height='20' preserveAspectRatio='none'"
    picture = f"<svg xmlns='http://www.w3.org/2000/svg' {size}>{paths}</svg>"
    told = lines_in_words(lines)
    return html.Img(
        src=f"data:image/svg+xml,{quote(picture, safe=_PLAIN)}", alt=told, title=told, className="strip", height=20
    )  # fmt: skip


def lines_in_words(lines: Sequence[LineCondition]) -> str:
    """How many lines there are, which are in trouble, and of how many nothing is proven."""
    wrong = [x for x in lines if x.state in SEVERITIES and x.condition in FINDING_KINDS]
    every = len(wrong) == len(lines) > 1 and len({x.condition for x in wrong}) == 1
    if every:
        return tr(
            "all {count} lines: {condition}", count=len(lines), condition=FINDING_KINDS[wrong[0].condition].inside
        )
    parts = [
        tr("line {line}: {condition}", line=x.line, condition=FINDING_KINDS[x.condition].inside) for x in wrong[:4]
    ]
    parts += [tr("{count} more in trouble", count=len(wrong) - 4)] if len(wrong) > 4 else []
    unproven = sum(x.state == "not_proven" for x in lines)
    if unproven:
        parts.append(tr("all not proven") if unproven == len(lines) else tr("{count} not proven", count=unproven))
    return trn("{n} line", "{n} lines", len(lines)) + (f": {', '.join(parts)}" if parts else "")


def level(r: FleetRow) -> html.Div:
    """The reservoir as a bar with its low mark, and how much goes in."""
    refill = r.detail.refill if r.detail else None
    if not r.controller:
        return html.Div(html.Span(tr("no reservoir"), className="dim"), className="level")
    if refill is None or refill.level_pct is None:
        return html.Div(
            [components.level_bar(None, r.low_mark_pct), html.Span(tr("not known"), className="dim")], className="level"
        )
    room = refill.litres_to_full
    take = (
        ""
        if room is None
        else tr("needs {litres} of NLGI {nlgi}", litres=formatting.litres(room), nlgi=r.nlgi)
        if room >= 0.05
        else tr("full")
    )
    level_pct = cldr.decimal(refill.level_pct, 0)
    told = tr("about {level} %", level=level_pct) if refill.basis else f"{level_pct} %"
    old = heard_long_ago(r.heard_us, times.now_us())
    since: list[Any] = []
    if old and r.heard_us is not None:
        since = [
            html.Div(tr("on {day}", day=formatting.day(formatting.local(r.heard_us, r.timezone))), className="small")
        ]
        take = tr("no news since; {take}", take=take)
    elif room is not None and room >= 0.05:
        told += f" · {formatting.litres(room)}"
    return html.Div(
        [components.level_bar(refill.level_pct, r.low_mark_pct), html.Div([told, *since], className="dim" if old else "")],
        className="level", title=f"{told_in(refill.basis)}; {take}" if refill.basis else take,
    )  # fmt: skip


def refill_words(r: FleetRow) -> str:
    """When it is to be filled."""
    refill = r.detail.refill if r.detail else None
    if not r.controller:
        return tr("greased by hand")
    if refill is None:
        return tr("not known yet")
    if refill.state == "due":
        return tr("now")
    if refill.due_early_us is None or refill.due_expected_us is None:
        return told_in(refill.reason) if refill.reason else tr("not known yet")
    return refill_window.days_ahead(refill, r.timezone)


def to_take(rows: Sequence[FleetRow]) -> list[str]:
    """What to take along for these vehicles: litres of each grease first, then the rest, each once."""
    litres: dict[str, float] = {}
    things: dict[str, None] = {}
    for r in rows:
        if r.detail is None:
            continue
        kinds = [FINDING_KINDS[found.kind] for found in r.detail.findings]
        refill = r.detail.refill
        fills = refill.state in ("soon", "due") or any(kind.fills for kind in kinds)
        if fills and refill.litres_to_full is not None:
            litres[r.nlgi] = litres.get(r.nlgi, 0.0) + refill.litres_to_full
        things |= dict.fromkeys(thing for kind in kinds for thing in kind.take)
    return [
        tr("{litres} of NLGI {nlgi}", litres=formatting.litres(amount), nlgi=nlgi)
        for nlgi, amount in sorted(litres.items())
    ] + list(things)
