"""Whether every point got its grease, as rows of text for files, as objects for other programs, and in sentences."""

from __future__ import annotations

from dataclasses import asdict
from math import isnan
from typing import TYPE_CHECKING, Any

from dashboard.exports import prices as money
from dashboard.line_numbers import line_numbers
from dashboard.queries import account
from dashboard.queries.account import WorstPoints
from dashboard.queries.scope import Scope
from ingest.languages import cldr, later, tr, trn

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from sqlalchemy import Engine

MEANING = later(
    "A dose is planned for each interval of ignition time, for each point. It surely arrived where the pressure of its line or the"
    " confirmation of its divider shows it; it surely did not where the pump never ran, ran short or pumped air, or where the line was"
    " open or at relief. Everything else is not proven, and is never counted as good. Of a point greased by hand a dose is"
    " planned for each interval; it surely arrived where somebody recorded the greasing in time, surely did not where nobody did, and is"
    " not proven before its first record or where no meter tells."
)


def percent(row: Any) -> str:
    """94.2 %, at most 97.1 %: what surely arrived, and what it is if all that is not proven did."""
    arrived, most = cldr.floored(row["arrived_pct"], 1), cldr.floored(row["at_most_pct"], 1)
    if row["at_most_pct"] - row["arrived_pct"] < 0.05:
        return f"{arrived} %"
    return tr("{arrived} %, at most {most} %", arrived=arrived, most=most)


def headline(row: Any) -> str:
    """The figure of a month in words."""
    arrived, most = cldr.floored(row["arrived_pct"], 1), cldr.floored(row["at_most_pct"], 1)
    if row["at_most_pct"] - row["arrived_pct"] < 0.05:
        return tr("{arrived} % surely arrived", arrived=arrived)
    return tr("{arrived} % surely arrived, at most {most} %", arrived=arrived, most=most)


def doses(row: Any) -> str:
    """What it is made of."""
    return tr(
        "Of {planned} planned doses of {vehicles} {arrived} surely arrived, {failed} surely did not, {unproven} are not proven.",
        planned=cldr.grouped(row["planned"]), vehicles=vehicles(int(row["vehicles"])), arrived=cldr.grouped(row["arrived"]),
        failed=cldr.grouped(row["failed"]), unproven=cldr.grouped(row["not_proven"]),
    )  # fmt: skip


def vehicles(number: int) -> str:
    """1 vehicle, 2 vehicles."""
    return trn("{n} vehicle", "{n} vehicles", number)


def points(one: WorstPoints) -> str:
    """Which of a vehicle's points: line 5, kingpin upper right; all 14 lines; 3 of 14 lines."""
    if one.by_hand:
        numbers, named = ", ".join(map(str, one.by_hand)), ", ".join(one.points) or tr("no longer on the list")
        return trn(
            "hand point {points}, {names}",
            "hand points {points}, {names}",
            len(one.by_hand),
            points=numbers,
            names=named,
        )
    if len(one.lines) == 1:
        point = one.points[0] if one.points else tr("no longer on the line list")
        return tr("line {line}, {point}", line=one.lines[0], point=point)
    if len(one.lines) == one.of_lines:
        return tr("all {number} lines", number=one.of_lines)
    numbers = line_numbers(one.lines)
    return tr("{number} of {all} lines: {lines}", number=len(one.lines), all=one.of_lines, lines=numbers)


def limits(row: Any) -> str:
    """How far it may lie from another month or group without a reason; nothing of one vehicle."""
    if isnan(row["low_pct"]) or isnan(row["high_pct"]):
        return tr("not known")
    return tr("{low} to {high} %", low=cldr.floored(row["low_pct"], 1), high=cldr.decimal(row["high_pct"], 1))


def group_table(told: pd.DataFrame, month: str) -> list[dict[str, str]]:
    """A roll-up as rows of text."""
    return [
        {"month": month} | {name: "" if value is None else str(value) for name, value in row.items()}
        for row in account.rows_of(told)
    ]


def worst_table(points: Sequence[WorstPoints], month: str, currency: str | None = None) -> list[dict[str, str]]:
    """The worst points as rows of text; with money at risk now where there is a currency."""
    return [
        {
            "month": month, "fleet": one.fleet, "vehicle": one.vehicle, "unit": one.unit, "depot": one.depot,
            "lines": " ".join(map(str, one.of_system)), "hand_points": " ".join(map(str, one.by_hand)), "points": "; ".join(one.points),
            "critical": "yes" if one.critical else "no", "planned": f"{one.planned:g}",
            "arrived": f"{one.arrived:g}", "not_arrived": f"{one.failed:g}", "not_arrived_pct": f"{one.failed_pct:.2f}",
            "days_with_doses_that_did_not": str(one.failed_days),
        }
        | ({} if currency is None else {"money_at_risk": money.at_risk(one.at_risk, currency)})
        for one in points
    ]  # fmt: skip


def as_object(engine: Engine, month: str, scope: Scope) -> dict[str, Any]:
    """All of a month for other programs."""
    return {
        "month": month,
        "fleet": scope.fleet or None,
        "depot": scope.depot or None,
        "months": account.rows_of(account.by_month(engine, scope, month)),
        "weeks": account.rows_of(account.by_week(engine, scope)),
        **{f"by_{group}": account.rows_of(account.by_group(engine, month, group, scope)) for group in account.GROUPS},
        "vehicles_without_doses": account.without_doses(engine, month, scope),
        "worst_points": [
            {name: list(value) if isinstance(value, tuple) else value for name, value in asdict(one).items()
             if name not in ("vehicle_id", "at_risk")}
            | {"lines": one.of_system, "hand_points": one.by_hand}
            | {"failed_pct": round(one.failed_pct, 2), "arrived_pct": round(one.arrived_pct, 2)}
            for one in account.worst_points(engine, month, scope)
        ],
    }  # fmt: skip
