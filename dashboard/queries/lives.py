"""How long things last and what to have in stock, of what whoever asks may see: parts, their failures and lives as tables."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Engine, and_, func, select

from analytics.account.lives import DIMENSIONS, FAILURES, Comparison, Curve, compare, curve, same_age
from analytics.account.parts import DAYS, Course, Need, chances, grease_needs, needs, rates_of
from analytics.account.points import point_kind
from analytics.kinds import LINE_FAULTS
from dashboard import accounts
from dashboard.queries.patterns import latest_setups
from dashboard.queries.scope import Scope, visible
from ingest import schema
from ingest.times import DAY_US, instant
from ingest.work_records import read_work

PUMP: Final = "pump"  # where others have a kind of point
MIXED: Final = "several kinds"  # what a channel that watches lines of several kinds has
_NEW_DAYS: Final = 30  # a vehicle heard so soon after its fitting was watched from the beginning
_MONTHS: Final = 12
_KEPT: Final = 16  # answers
_TEN_MINUTES_US: Final = 600_000_000


@dataclass(frozen=True)
class Lives:
    """`parts`: one row for each part and each way in which it may fail (see `parts.chances`); `cells`: failures and line ignition hours
    by what can be compared; `lives`: one row from fitting or repair to failure or today."""

    parts: pd.DataFrame
    cells: pd.DataFrame
    lives: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Lasting:
    """All that is told: how long things last by group of a dimension, what fails more often, and what to have by depot."""

    failures: dict[str, int]
    curves: dict[str, list[Curve]]
    more_often: list[Comparison]
    same_age: list[Comparison]
    needs: list[Need]
    vehicles: int


def lasting(
    engine: Engine,
    scope: Scope,
    now_us: int,
    by: str = "point",
    days: float = DAYS,
    kinds: Sequence[str] = tuple(FAILURES),
) -> Lasting:
    """Everything, for the parts of a scope; what it rests on is all that whoever asks may see. Lives are told of these kinds only. It is
    worked out anew every ten minutes at most: a large fleet takes seconds."""
    me = accounts.current_person.get()
    rights = me.role is not None, tuple(me.fleets), tuple(me.depots)
    return _lasting(engine, rights, scope, by, days, tuple(kinds), now_us // _TEN_MINUTES_US)


@lru_cache(_KEPT)
def _lasting(
    engine: Engine,
    _rights: tuple[Any, ...],
    scope: Scope,
    by: str,
    days: float,
    kinds: tuple[str, ...],
    ten_minutes: int,
) -> Lasting:
    """The same; `_rights` says for whom it holds."""
    now_us = ten_minutes * _TEN_MINUTES_US
    with engine.connect() as connection:
        told = read_lives(connection, now_us)
        courses = _grease(connection, scope, now_us)
    parts = told.parts[~told.parts["sold"]]
    for name, value in scope._asdict().items():
        parts = parts[parts[name] == value] if value else parts
    rates = rates_of(told.cells, told.lives)
    asked = needs(chances(parts, rates, days)) if len(parts) else []
    by_kind = {what: told.lives[told.lives["what"] == what] for what in kinds}
    return Lasting(
        failures={what: int(told.cells["failures"][told.cells["what"] == what].sum()) for what in FAILURES},
        curves={what: _curves(mine, by) for what, mine in by_kind.items()},
        more_often=[one for what in FAILURES for one in compare(told.cells[told.cells["what"] == what], what)],
        same_age=[one for what, mine in by_kind.items() if len(mine) for one in same_age(mine, by, what)],
        needs=sorted([*asked, *grease_needs(courses, days)], key=lambda one: (one.depot, one.unit == "l", one.part)),
        vehicles=int(parts["vehicle_id"].nunique()),
    )


def _curves(lives: pd.DataFrame, by: str) -> list[Curve]:
    """Of all, and of each group of which enough failed, most failures first."""
    if lives.empty:
        return []
    found = [curve(lives), *(curve(mine, str(name)) for name, mine in lives.groupby(by))]
    known = [one for one in found if one is not None]
    return sorted(known, key=lambda one: -one.failures) if len(known) != 2 else known[:1]


def read_lives(connection: Connection, now_us: int) -> Lives:
    """The tables, of all vehicles that whoever asks may see."""
    vehicles = _vehicles(connection)
    parts = _with_trends(_parts(connection, vehicles), connection, now_us)
    failed = _failures(connection, vehicles)
    keys = list(zip(parts["vehicle_id"], parts["channel"], parts["what"], strict=True))
    failures = [failed.get(key, ()) for key in keys]
    open_ = np.fromiter((len(mine) > 0 and bool(np.isnan(mine[-1][1])) for mine in failures), bool, len(failures))
    parts = parts.assign(failures=[len(mine) for mine in failures], fails_now=open_)
    cells = parts.assign(hours=parts["hours"] * parts["lines"])
    cells = cells.groupby(["what", "vehicle_id", *DIMENSIONS])[["failures", "hours"]].sum().reset_index()
    renewed = _relined(connection, vehicles)
    age_h, alone = (parts["entry_h"] + parts["hours"]).to_numpy(float, copy=True), (parts["lines"] == 1).to_numpy()
    place, spans = [], []
    spelled = np.fromiter(
        (bool(mine) or key[0] in renewed for key, mine in zip(keys, failures, strict=True)), bool, len(keys)
    )
    entry_h, hours = parts["entry_h"].to_numpy(float), parts["hours"].to_numpy(float)
    for at in np.flatnonzero(spelled & alone).tolist():
        mine = list(_spells(entry_h[at], hours[at], failures[at], renewed.get(keys[at][0], ())))
        place += [at] * len(mine)
        spans += mine
        age_h[at] = mine[-1][1] if mine and not mine[-1][2] else np.nan
    whole = np.flatnonzero(~spelled & alone & np.isfinite(entry_h))
    told = np.array(spans, float).reshape(-1, 3)
    lives = parts.take(np.r_[whole, np.array(place, int)]).assign(
        entry_h=np.r_[entry_h[whole], told[:, 0]], exit_h=np.r_[(entry_h + hours)[whole], told[:, 1]],
        failed=np.r_[np.zeros(len(whole), int), told[:, 2].astype(int)],
    )  # fmt: skip
    return Lives(parts.assign(age_h=age_h), cells, lives[lives["exit_h"] > lives["entry_h"]])


def _spells(
    age: float, hours: float, failures: Iterable[tuple[float, float]], renewed_h: Iterable[float]
) -> Iterable[tuple[float, float, int]]:
    """A part's lives (entry, exit, failed): from its fitting, then from each repair or re-lining on, over so many hours of watch."""
    since = 0.0
    ends = [(began, ended, 1) for began, ended in failures] + [(at, at, 0) for at in renewed_h]
    for began, ended, failed in sorted(ends):
        if began >= since and not np.isnan(age):
            yield age, age + began - since, failed
        if np.isnan(ended):
            return  # it lasts
        since, age = max(since, ended), 0.0
    yield age, age + hours - since, 0


def _vehicles(connection: Connection) -> pd.DataFrame:
    """Each watched vehicle with its latest set-up, what was watched of it, and its age in ignition hours when that began."""
    who, analysis, latest, setup = schema.vehicle_summary, schema.analysis, latest_setups(), schema.setup
    asked = (
        select(
            who.c.vehicle_id, who.c.fleet, who.c.depot, who.c.vehicle_class, who.c.sold, who.c.watched_days, who.c.watched_h,
            analysis.c.as_of_us, setup.c.id.label("setup_id"), setup.c.feed, setup.c.level, setup.c.grease, setup.c.commissioned,
        )
        .join(analysis, analysis.c.vehicle_id == who.c.vehicle_id)
        .join(latest, and_(latest.c.vehicle_id == who.c.vehicle_id, latest.c.number == 1))
        .join(setup, setup.c.id == latest.c.id)
        .where(who.c.watched_h > 0, who.c.watched_days > 0, *visible(who))
    )  # fmt: skip
    told = pd.DataFrame(connection.execute(asked).mappings().all(), columns=[c.name for c in asked.selected_columns])
    pace = told["watched_h"] / told["watched_days"]
    before = [
        np.nan if day is None else (instant(int(at - days * DAY_US)).date() - day).days
        for day, at, days in zip(told["commissioned"], told["as_of_us"], told["watched_days"], strict=True)
    ]
    days = np.array(before, float)
    # At its own pace, which nobody watched then; what was fitted later than it was heard was registered late.
    entry_h = np.where(days <= _NEW_DAYS, 0.0, days * pace)
    return told.assign(pace_h=pace, entry_h=entry_h, hours=told["watched_h"], sold=told["sold"].astype(bool))


def _parts(connection: Connection, vehicles: pd.DataFrame) -> pd.DataFrame:
    """Channels with what they watch, for each way in which lines fail; and pumps."""
    line, latest, who = schema.line, latest_setups(), schema.vehicle_summary
    rows = connection.execute(
        select(latest.c.vehicle_id, line.c.channel, line.c.point, line.c.length_m, line.c.bore_mm)
        .join(line, line.c.setup_id == latest.c.id)
        .join(who, who.c.vehicle_id == latest.c.vehicle_id)
        .where(latest.c.number == 1, line.c.channel.is_not(None), *visible(who))
    ).all()
    lines = pd.DataFrame(rows, columns=["vehicle_id", "channel", "point", "length_m", "bore_mm"])
    lines["point"] = [point_kind(point) for point in lines["point"]]
    by = lines.groupby(["vehicle_id", "channel"])
    watched = by.agg(
        point=("point", "first"), kinds=("point", "nunique"), lines=("point", "size"), length_m=("length_m", "mean"),
        bore_mm=("bore_mm", "first"),
    ).reset_index()  # fmt: skip
    watched["point"] = watched["point"].where(watched["kinds"] == 1, MIXED)
    pumps = vehicles[["vehicle_id"]].assign(channel="", point=PUMP, lines=1, length_m=0.0, bore_mm=0.0)
    level = vehicles["level"] == "percent"
    told = [watched.assign(what=what) for what in LINE_FAULTS]
    told += [pumps.assign(what="missed_cycles"), pumps[level].assign(what="under_delivery")]
    return pd.concat(told, ignore_index=True).merge(vehicles.drop(columns=["watched_h", "setup_id"]), on="vehicle_id")


Part = tuple[int, str, str]  # vehicle, channel (empty: the pump), kind of finding


def _failures(connection: Connection, vehicles: pd.DataFrame) -> dict[Part, list[tuple[float, float]]]:
    """Findings that tell of a failure, by part, in order: ignition hours of watch when each began and when it was over (NaN: it lasts).
    Where somebody went there and found nothing wrong, nothing failed."""
    finding, verdict = schema.finding, schema.verdict
    false = (
        select(verdict.c.work_key)
        .where(verdict.c.vehicle_id == finding.c.vehicle_id, verdict.c.kind == finding.c.kind, verdict.c.found == "nothing",
               func.coalesce(verdict.c.channel, "") == func.coalesce(finding.c.channel, ""), verdict.c.began_us == finding.c.began_us)
        .exists()
    )  # fmt: skip
    asked = select(
        finding.c.vehicle_id,
        finding.c.channel,
        finding.c.kind,
        finding.c.began_us,
        finding.c.ended_us,
        finding.c.watched_h,
    ).where(finding.c.kind.in_(list(FAILURES)), finding.c.watched_h.is_not(None), ~false)
    now = {row["vehicle_id"]: row for row in vehicles[["vehicle_id", "hours", "as_of_us"]].to_dict("records")}
    found = defaultdict[Part, list[tuple[float, float]]](list)
    for id_, channel, kind, began_us, ended_us, began_h in connection.execute(asked.order_by(finding.c.began_us)):
        one = now.get(id_)
        if one is None:
            continue
        ended_h = np.nan
        if ended_us is not None:  # hours are not kept of it: they lie between those at its beginning and today's
            part = min((ended_us - began_us) / max(one["as_of_us"] - began_us, 1), 1.0)
            ended_h = began_h + max(one["hours"] - began_h, 0.0) * part
        found[id_, channel or "", kind].append((began_h, ended_h))
    return found


def _relined(connection: Connection, vehicles: pd.DataFrame) -> dict[int, tuple[float, ...]]:
    """Vehicles that were fitted anew: ignition hours of watch at each time."""
    work = schema.work
    ids = connection.execute(
        select(work.c.vehicle_id).where(work.c.detail["kind"].as_string() == "relined").distinct()
    ).scalars()
    columns = ["vehicle_id", "as_of_us", "watched_days", "hours"]
    known = {row["vehicle_id"]: row for row in vehicles[columns].to_dict("records")}
    found = defaultdict[int, list[float]](list)
    for id_, records in read_work(connection, [id_ for id_ in ids if id_ in known]).items():
        one = known[id_]
        began_us = one["as_of_us"] - one["watched_days"] * DAY_US
        for record in records:
            if record.kind == "relined" and record.at_us > began_us:
                found[id_].append(float(one["hours"] * (record.at_us - began_us) / (one["as_of_us"] - began_us)))
    return {id_: tuple(hours) for id_, hours in found.items()}


def _with_trends(parts: pd.DataFrame, connection: Connection, now_us: int) -> pd.DataFrame:
    """Parts with the days until a trend of theirs passes its limit."""
    wear = schema.wear
    worn: dict[tuple[int, str, str], tuple[float, float]] = {}
    for row in connection.execute(select(wear).where(wear.c.worsens).order_by(wear.c.expected_us.desc())):
        what = _leads_to(row.what, row.percent)
        if what is not None and row.expected_us is not None:
            days = tuple(max(0.0, (at_us - now_us) / DAY_US) for at_us in (row.expected_us, row.early_us))
            worn[row.vehicle_id, row.channel, what] = (days[0], days[1])
    keys = zip(parts["vehicle_id"], parts["channel"], parts["what"], strict=True)
    told = np.array([worn.get(key, (np.nan, np.nan)) for key in keys], float).reshape(-1, 2)
    return parts.assign(worn_days=told[:, 0], worn_early_days=told[:, 1])


def _leads_to(what: str, percent: float) -> str | None:
    """The kind of finding that a trend leads to; None where no part fails by it."""
    if what == "pressure":
        return "blocked_line" if percent > 0 else "open_line"
    if what == "rest":
        return "blocked_line"
    return "under_delivery" if what == "dose" and percent < 0 else None


def _grease(connection: Connection, scope: Scope, now_us: int) -> list[Course]:
    """Grease by depot: litres a day at the present pace, and whole months so far."""
    who, supply = schema.vehicle_summary, schema.supply
    chosen = [~who.c.sold, *visible(who)] + [who.c[name] == value for name, value in scope._asdict().items() if value]
    pace = connection.execute(
        select(who.c.depot, who.c.grease, func.sum(who.c.use_l_a_day))
        .where(who.c.use_l_a_day > 0, *chosen)
        .group_by(who.c.depot, who.c.grease)
    ).all()
    months = connection.execute(
        select(supply.c.depot, supply.c.grease, supply.c.month, func.sum(supply.c.used_l))
        .join(who, who.c.vehicle_id == supply.c.vehicle_id)
        .where(supply.c.month < f"{instant(now_us):%Y-%m}", *chosen)
        .group_by(supply.c.depot, supply.c.grease, supply.c.month)
        .order_by(supply.c.month)
    )
    used = defaultdict[tuple[str, str], list[float]](list)
    for depot, grease, _, litres in months:
        used[depot, grease].append(litres)
    return [
        Course(depot=depot, grease=grease or "grease not named", litres_a_day=litres, months_l=tuple(used[depot, grease][1:][-_MONTHS:]))
        for depot, grease, litres in pace
    ]  # fmt: skip
