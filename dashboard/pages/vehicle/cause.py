"""What is wrong with a vehicle: the sentence, the evidence as a picture beside it, and the steps to take."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import dcc, html

from analytics.account.found import sentence
from analytics.alarms import wording
from analytics.findings import FILL_STEP, Finding
from analytics.kinds import FINDING_KINDS
from analytics.vehicle import data_notes
from analytics.vehicle.analysis import Result
from analytics.vehicle.line_conditions import WAITS_INTERVALS, line_conditions
from dashboard import components, formatting
from dashboard.exports.hand import hand_due, hand_undated
from dashboard.figures.vehicle_evidence import evidence
from dashboard.queries.found import of_kind
from dashboard.queries.hand import of_result
from dashboard.web.database import engine
from ingest import times
from ingest.languages import cldr, tr
from ingest.times import DAY_US

_HANDED_OVER_US: Final = 30 * DAY_US  # so long a handover that is over is spoken of


def cause(result: Result, open_: list[Finding]) -> list[Any]:
    """Everything that is wrong, worst first, with cautions before it; what is odd about the data; how commissioning stands."""
    setup, now = result.history.setup, result.history.as_of_us
    wrong: list[Any] = [_finding(f, result, first=k == 0) for k, f in enumerate(open_)]
    waiting, by_hand = _waiting(result), _by_hand(result)
    if waiting:
        wrong.append(html.P(waiting))
    out: list[Any] = []
    if wrong:
        out += [components.section(tr("What is wrong"), [components.cautions(), *wrong, *by_hand]), _on_paper()]
    else:
        out.append(components.section(tr("What is wrong"), [*by_hand, html.P(_nothing(result))]))
    handed = result.handover
    if handed is not None and (handed.ended_us is None or now - handed.ended_us < _HANDED_OVER_US):
        sheet = dcc.Link(tr("The handover sheet"), href=f"/handover/{setup.fleet}/{setup.vehicle}")
        out.append(components.section(tr("Commissioning"), html.P([formatting.handover(handed), " ", sheet])))
    notes = data_notes.notes(result)
    if notes:
        said = [html.Li(formatting.in_my_units(note)) for note in notes]
        out.append(components.section(tr("About the data"), html.Ul(said, className="records")))
    return out


def _on_paper() -> html.Div:
    """The cautions in full, for whoever takes the page along printed."""
    return html.Div(
        [html.H2(tr("Cautions")), html.Ul([html.Li(text) for text in wording.cautions()])],
        className="on-paper cautions-full",
    )


def _by_hand(result: Result) -> list[html.P]:
    """How many points greased by hand are due, whether steering or braking depends on some, and of how many nobody knows."""
    found = of_result(result)
    due = [one for one in found if one.state == "due"]
    undated, critical = sum(one.state == "unknown" for one in found), sum(one.critical for one in due)
    said = [html.P(hand_due(len(due)))] if due else []
    if critical:
        warned = tr("Steering or braking depends on {number} of those that are due.", number=critical)
        said.append(html.P(warned, className="warns"))
    return [*said, html.P(hand_undated(undated))] if undated else said


def _nothing(result: Result) -> str:
    """What is said where no finding is open: what nobody knows is never well."""
    if not result.history.setup.controller:
        return tr("No controller: nothing is measured here. When its points are due stands under Hand points.")
    if not len(result.history.heard_us):
        return tr("Nothing was ever heard from this vehicle: nobody knows how it is.")
    if result.pressures.channels and not result.pressures.learned.any():
        return tr("Nothing is known to be wrong so far; the first cycles are still being learned from.")
    lines = line_conditions(result)
    unproven = sum(line.state not in ("sound", "note") for line in lines)
    points_due = any(one.state == "due" for one in of_result(result))
    said = [tr("Nothing else is known to be wrong") if points_due else tr("Nothing is known to be wrong")]
    if result.refill.state in ("soon", "due"):
        said.append(tr("the reservoir is to be filled"))
    if unproven:
        every = unproven == len(lines)
        said.append(
            tr("nothing proves its lines")
            if every
            else tr("nothing proves {unproven} of its {all} lines", unproven=unproven, all=len(lines))
        )
    return f"{'; '.join(said)}."


def _finding(found: Finding, result: Result, *, first: bool) -> html.Article:
    """One finding."""
    kind, setup = FINDING_KINDS[found.kind], result.history.setup
    shown = evidence(found, result)
    words = [
        html.Div(
            [components.severity(found.severity, lasts=True), html.H3(kind.title),
             html.Span(tr("since {moment}", moment=formatting.moment(found.began_us, setup.timezone)), className="dim")],
            className="finding-head",
        ),
        html.P(formatting.in_my_units(found.summary)),
    ]  # fmt: skip
    so_far = of_kind(engine(), found.kind)
    if so_far is not None:
        words.append(html.P(sentence(so_far), className="dim small"))
    picture = []
    if shown is not None:
        picture = [
            html.Figure(
                [html.Img(src=shown.picture, alt=shown.said), html.Figcaption(shown.said)], className="vehicle-evidence"
            )
        ]
    return html.Article(
        [
            html.Div([html.Div(words), *picture], className="vehicle-finding-top"),
            components.guidance(kind, f"steps {found.kind} {found.channel}", setup.grease_and_grade, opened=first),
        ],
        className=f"finding finding-{found.severity}",
    )


def _waiting(result: Result) -> str:
    """Who has waited longest for grease, where it is longer than the timer explains; empty where nobody has."""
    setup = result.history.setup
    since = result.hours_since_grease
    long = {n: h for n, h in since.items() if h is not None and h > WAITS_INTERVALS * setup.interval_min / 60}
    if not long:
        return ""
    points = {line.line: line.point for line in setup.lines}
    line, hours = max(long.items(), key=lambda item: item[1])
    more = (
        ""
        if len(long) == 1
        else tr("; {count} of {all} lines wait longer than the timer explains", count=len(long), all=len(since))
    )
    return tr(
        "Longest without grease: line {line} ({point}), {hours} ignition hours{more}.",
        line=line,
        point=points[line],
        hours=cldr.decimal(hours, 0),
        more=more,
    )


def refill_steps(result: Result, *, warned: bool) -> list[Any]:
    """How to fill, where a fill is due; with cautions where none stand on the page yet."""
    if result.refill.state not in ("soon", "due"):
        return []
    return [*([] if warned else [components.cautions(), _on_paper()]), html.P(tr(FILL_STEP), className="dim")]


def past(result: Result) -> Any:
    """Findings that are over, the latest first, and whether the repair held."""
    zone = result.history.setup.timezone
    over = sorted((f for f in result.findings if not f.open), key=lambda f: -(f.ended_us or 0))
    rows = []
    for f in over[:20]:
        held = html.Span(
            [html.Span(className="shape shape-none", **{"aria-hidden": "true"}), " ", tr("repair held")],
            className="proven",
        )
        rows.append(
            html.Li(
                [html.Strong(FINDING_KINDS[f.kind].title), html.Span(f" {formatting.stretch(f.began_us, f.ended_us or 0, zone)} ",
                className="dim"),
                 *([held] if "cycles_since_repair" in f.evidence else []), html.Div(formatting.in_my_units(f.summary))]
            )
        )  # fmt: skip
    return components.section(
        tr("Past findings"), html.Ul(rows, className="plain-list") if rows else html.P(tr("None."), className="dim")
    )


def unknown(name: str | None) -> html.Div:
    """What is said where there is no such vehicle, or none that whoever asks may see."""
    text = [
        tr("No vehicle of this name is registered: {name}.", name=name),
        " ",
        dcc.Link(tr("Back to the fleet"), href="/fleet"),
    ]
    return html.Div([html.H1(tr("Unknown vehicle")), html.P(text)], className="card")


def unanalysed(problem: str, looked_us: int | None) -> html.Div:
    """What is said of a vehicle whose analysis fails: of when what lists show is, and that nothing newer is known."""
    held = (
        tr("What lists show of it was found {ago}.", ago=formatting.ago(looked_us, times.now_us()))
        if looked_us is not None
        else tr("Nothing is known of it.")
    )
    text = [
        f"{problem}.",
        " ",
        held,
        " ",
        tr("Look at the vehicle itself: whether it is sound now, nobody knows."),
    ]
    return html.Div(
        [
            dmc.Alert(text, title=tr("This vehicle cannot be analysed"), color="red"),
            dcc.Link(tr("Back to the fleet"), href="/"),
        ]
    )
