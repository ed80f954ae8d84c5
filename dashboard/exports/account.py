"""Whether every point got its grease, as rows of text for files, as objects for other programs, and in sentences."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd
from sqlalchemy import Engine

from dashboard.exports import prices as money
from dashboard.queries import account
from dashboard.queries.account import WorstPoints
from dashboard.queries.scope import Scope

MEANING = (
    "A dose is planned for each interval of ignition time, for each point. It surely arrived where the pressure of its line or the"
    " confirmation of its divider shows it; it surely did not where the pump never ran, ran short or pumped air, or where the line was"
    " open or at relief. Everything else is not proven, and is never counted as good. Of a point greased by hand a dose is"
    " planned for each interval; it surely arrived where somebody recorded the greasing in time, surely did not where nobody did, and is"
    " not proven before its first record or where no meter tells."
)


def percent(row: Any) -> str:
    """94.2 %, at most 97.1 %: what surely arrived, and what it is if all that is not proven did."""
    if row["at_most_pct"] - row["arrived_pct"] < 0.05:
        return f"{row['arrived_pct']:.1f} %"
    return f"{row['arrived_pct']:.1f} %, at most {row['at_most_pct']:.1f} %"


def headline(row: Any) -> str:
    """The figure of a month in words."""
    if row["at_most_pct"] - row["arrived_pct"] < 0.05:
        return f"{row['arrived_pct']:.1f} % surely arrived"
    return f"{row['arrived_pct']:.1f} % surely arrived, at most {row['at_most_pct']:.1f} %"


def doses(row: Any) -> str:
    """What it is made of."""
    return (
        f"Of {row['planned']:,.0f} planned doses of {counted(row['vehicles'], 'vehicle')} {row['arrived']:,.0f} surely arrived,"
        f" {row['failed']:,.0f} surely did not, {row['not_proven']:,.0f} are not proven."
    )


def counted(number: int, what: str) -> str:
    """1 vehicle, 2 vehicles."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def points(one: WorstPoints) -> str:
    """Which of a vehicle's points: line 5, kingpin upper right; all 14 lines; 3 of 14 lines."""
    if one.by_hand:
        numbers, named = ", ".join(map(str, one.by_hand)), ", ".join(one.points) or "no longer on the list"
        return f"hand point{'s' * (len(one.by_hand) > 1)} {numbers}, {named}"
    if len(one.lines) == 1:
        return f"line {one.lines[0]}, {one.points[0] if one.points else 'no longer on the line list'}"
    if len(one.lines) == one.of_lines:
        return f"all {one.of_lines} lines"
    return f"{len(one.lines)} of {one.of_lines} lines: {', '.join(map(str, one.lines))}"


def limits(row: Any) -> str:
    """How far it may lie from another month or group without a reason; nothing of one vehicle."""
    if pd.isna(row["low_pct"]) or pd.isna(row["high_pct"]):
        return "not known"
    return f"{row['low_pct']:.1f} to {row['high_pct']:.1f} %"


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
