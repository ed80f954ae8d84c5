"""The table of how well the pressure model fits, for the fleet and for a vehicle."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from dash import dcc, html

from analytics.vehicle.model_check import Check
from dashboard import components
from dashboard.exports import model
from dashboard.queries.model import Fit
from ingest.languages import begun, later, tr, trn

TITLE: Final = later("Does the pressure model fit?")
_IN_PLAIN_SIGHT: Final = 8


def of_fleet(fit: Fit) -> Any:
    """The channels worth a look, the worst first."""
    if not fit.checked and not fit.unknown:
        return components.section(
            tr(TITLE), html.P(tr("Not worked out yet: the watch or tallow analyse does so once a day."), className="dim"),
            tr(model.MEANING)
        )  # fmt: skip
    counts = tr("Not known yet of any of {unknown} channels: they have too few sound readings.", unknown=fit.unknown)
    if fit.checked:
        counts = tr(
            "{remarked} of {checked} channels are worth a look: beyond a limit, and more so than the rest of the fleet. About"
            " 5 % of those named are so by chance.",
            remarked=fit.remarked,
            checked=fit.checked,
        )
    if fit.checked and fit.unknown:
        counts += " " + trn(
            "Of {n} more it is not known: it has too few sound readings.",
            "Of {n} more it is not known: they have too few sound readings.",
            fit.unknown,
        )
    shared = ", ".join(f"{tr(model.WORDS[name])} ({number})" for name, number in fit.shared.items() if number)
    rows = [
        html.Tr(
            [html.Td(html.Span([dcc.Link(unit, href=f"/vehicle/{fleet}/{vehicle}#wear"), f" ({depot})"])), *_cells(one)]
        )
        for fleet, vehicle, unit, depot, one in fit.worst
    ]
    shown: list[Any] = [html.P(counts), *_to_do(one[4] for one in fit.worst)]
    if rows:
        shown.append(_table((tr("Vehicle"),), rows[:_IN_PLAIN_SIGHT]))
    if shared:
        same = tr(
            "Beyond a limit, but as many others are: {what}. That is how this fleet's sensors and grease are, and no channel's own.",
            what=shared,
        )
        shown.append(html.P(same, className="dim"))
    if len(rows) > _IN_PLAIN_SIGHT:
        more = fit.remarked - _IN_PLAIN_SIGHT
        folded = [
            html.Summary(tr("{number} more, less far off", number=more)),
            _table((tr("Vehicle"),), rows[_IN_PLAIN_SIGHT:]),
        ]
        shown.append(html.Details(folded, **{"data-keep": "data-model"}))
    return components.section(tr(TITLE), shown, tr(model.MEANING))


def of_vehicle(checks: Sequence[Check]) -> Any:
    """What is beyond a limit in the open, all channels of a vehicle one click away; what stands out of the fleet is told on *Data*."""
    if not checks:
        return None
    remarked = [one for one in checks if one.remarks]
    known = sum(one.worst is not None for one in checks)
    told = (
        tr("{count} of {known} channels are beyond a limit", count=len(remarked), known=known)
        if known
        else tr("Not known yet")
    )
    table = _table((), [html.Tr(_cells(one)) for one in checks])
    folded = html.Details(
        [html.Summary(tr("{told}; all {number}", told=told, number=len(checks))), table],
        **{"data-keep": "vehicle-model"},
    )
    return components.section(tr(TITLE), [*_to_do(remarked), folded], tr(model.MEANING))


def _to_do(checks: Iterable[Check]) -> list[Any]:
    """What to do, once for each remark, with how many channels it is of."""
    counted = Counter(name for one in checks for name in one.remarks)
    items = [
        html.Li([html.Strong(f"{begun(tr(model.WORDS[name]))} ({number}): "), tr(model.TO_DO[name])])
        for name, number in counted.most_common()
    ]
    return [html.Ul(items)] if items else []


def _table(first: tuple[str, ...], rows: Sequence[html.Tr]) -> html.Div:
    heads = (*first, tr("Channel"), tr("What is wrong"), *model.heads())
    return html.Div(components.table(heads, rows, "plain-wrap"), className="wide")


def _cells(one: Check) -> list[html.Td]:
    texts = model.where(one), model.what(one), model.spread(one), model.outside(one), model.memory(one), model.lean(one)
    return [html.Td(text) for text in texts]
