"""A fleet's data as pandas tables, for people who ask their own questions.

    from analytics import frames
    story = frames.vehicle("sqlite:///tallow.db", "FLEET/VEHICLE", timezone="Europe/Oslo")
    story.pressures.query("channel == 'p05'").plot(x="at", y="residual")

These names, columns and units stay as they are from version to version; columns may be added. Times are in the zone asked for. What
is not known is missing (NaN, NaT, None), never zero. All of it reads, nothing writes; whoever can read the database sees all of it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import BigInteger, Connection, Double, Table, select

from analytics import findings as found
from analytics.pipeline import tasks
from analytics.pipeline.backtest import cases_of
from analytics.pipeline.workers import workers
from analytics.refills import Refill
from analytics.vehicle import daily
from analytics.vehicle.analysis import Result
from analytics.vehicle.doses import Doses, doses
from ingest import registry, schema
from ingest.arrays import Messages
from ingest.database import address, open_existing, reachable
from ingest.setups import NO_SYSTEM, Line, Setup, Vehicle
from ingest.times import now_us, read_time
from ingest.totals import default_as_of_us

_WHO: Final = ("fleet", "vehicle")
_FINDING: Final = "kind channel lines began_at detected_at ended_at severity summary evidence".split()
_REFILL: Final = (
    "as_of", "level_pct", "low_mark_pct", "due_early", "due_expected", "due_late", "litres_to_full", "cm3_per_cycle",
    "cycles_per_day", "state", "reason",
)  # fmt: skip
_DOSES: Final = ("planned", "arrived", "failed")
_FILL: Final = "at detected_at from_pct to_pct litres".split()
_TIMES: Final = ("at", "as_of", "began_at", "detected_at", "ended_at", "due_early", "due_expected", "due_late")


@dataclass(frozen=True)
class Readings:
    """What a vehicle's controller said, as recorded: by its own clock, in no order, one row a message.

    `cycles`: at, boot, seq, received_at, engine_h, cycle_no, run_s, manual, complete, temp_c, supply_v.
    `pressures`: at, boot, seq, channel, peak_kpa, rest_kpa; one row a reading. `levels`: at, boot, seq, level_pct, temp_c, tilt_deg.
    `faults`: at, boot, seq, code, active, channel, value. `ignition`: at, boot, seq, engine_h, on.
    """

    cycles: pd.DataFrame
    pressures: pd.DataFrame
    levels: pd.DataFrame
    faults: pd.DataFrame
    ignition: pd.DataFrame


@dataclass(frozen=True)
class VehicleFrames:
    """What the analysis makes of one vehicle, in order of corrected time.

    `cycles`: at, cycle_no, run_s, manual, complete, temp_c, supply_v, ignition_h (hours since an arbitrary start), level_pct (as
    followed, at that cycle), starved (the pump drew air). `pressures`: at, channel, peak_kpa, expected_kpa, residual (natural
    logarithm of peak over expected; missing while nothing is learned). `levels`: at, level_pct, temp_c. `fills`, `findings`:
    as the command line prints them. `days`: a row a day, counts of cycles and hours. `doses`: day (local), line, point, planned,
    arrived (surely), failed (surely), not_proven; a row for each day and line of which a dose was planned.
    """

    cycles: pd.DataFrame
    pressures: pd.DataFrame
    levels: pd.DataFrame
    fills: pd.DataFrame
    findings: pd.DataFrame
    days: pd.DataFrame
    doses: pd.DataFrame


@dataclass(frozen=True)
class FleetFrames:
    """All vehicles with the newest results kept: `vehicles` and `lines` by the registry's columns, `findings` and `refills` as the
    command line prints them, `account` doses by month and depot (planned, arrived, failed, not_proven of all lines and hand points), each
    with fleet and vehicle. `hand_points`: number, point, every, unit (h, km, d), grams, strokes, grease, critical, greased_at, since (in
    that unit), hours_since (ignition), read_at, from_at, due_at, reason. `wear`: what, channel (missing: the pump), lines, hours, percent
    in 1,000 hours with percent_low and percent_high (95 %), changed_percent, baseline, latest, early_at, expected_at, worsens."""

    vehicles: pd.DataFrame
    lines: pd.DataFrame
    findings: pd.DataFrame
    refills: pd.DataFrame
    account: pd.DataFrame
    hand_points: pd.DataFrame
    wear: pd.DataFrame


def vehicle(url: str, name: str, *, as_of: str | None = None, timezone: str = "UTC") -> VehicleFrames:
    """The tables of one vehicle, called VEHICLE or FLEET/VEHICLE, as of now or of an RFC 3339 time. Raises
    `ingest.errors.Problem`, also where there is no such database or vehicle, ValueError for no time, and KeyError for no zone."""
    engine = open_existing(url)
    at_us = now_us() if as_of is None else read_time(as_of)
    with reachable(engine), engine.connect() as connection:
        one = registry.find(connection, name)
        (task,) = tasks.tasks_of(connection, address(engine), at_us, [one.id])
        (result,) = tasks.analysed(connection, one, [at_us], task.past, task.work)
    return of_result(result, timezone)


def of_result(result: Result, timezone: str = "UTC") -> VehicleFrames:
    """The tables of an analysis that was made already."""
    history, cycles, pressures = result.history, result.history.cycles, result.pressures
    setup = history.setup
    heard = [name for name in pressures.channels if name in cycles.channels]
    ratio = np.asarray(pressures.ratio, np.float64)[:, [pressures.channels.index(name) for name in heard]]
    peak = np.asarray(cycles.peak_kpa, np.float64)[:, [cycles.channels.index(name) for name in heard]]
    at, (rows, channels) = times(cycles.at_us, timezone), np.nonzero(~np.isnan(peak))
    fills = [fill.as_json(*_named(setup)) for fill in result.fills]
    told = [one.as_json(*_named(setup)) for one in result.findings]
    return VehicleFrames(
        cycles=pd.DataFrame(
            {
                "at": at,
                "cycle_no": cycles.cycle_no,
                "run_s": cycles.run_s,
                "manual": _yes_no(cycles.manual),
                "complete": _yes_no(cycles.complete),
                "temp_c": cycles.temp_c,
                "supply_v": cycles.supply_v,
                "ignition_h": history.cycle_h,
                "level_pct": result.reservoir.level_at_cycle_pct[: len(cycles)],
                "starved": pressures.starved,
            }
        ),
        pressures=pd.DataFrame(
            {
                "at": at[rows],
                "channel": pd.Categorical.from_codes(channels, pd.Index(heard)),
                "peak_kpa": peak[rows, channels],
                "expected_kpa": peak[rows, channels] / ratio[rows, channels],
                "residual": np.log(ratio[rows, channels]),
            }
        ),
        levels=pd.DataFrame(
            {
                "at": times(history.levels.at_us, timezone),
                "level_pct": history.levels.level_pct,
                "temp_c": history.levels.temp_c,
            }
        ),
        fills=_table(fills, _FILL, timezone),
        findings=_table(told, _FINDING, timezone),
        days=pd.DataFrame([vars(day) for day in daily.days(result)]),
        doses=_doses(doses(result)),
    )


def _doses(told: Doses | None) -> pd.DataFrame:
    due = [] if told is None else [(told, int(day), int(line)) for day, line in np.argwhere(told.planned > 0)]
    table = pd.DataFrame(
        [
            (all_.first + timedelta(days=day), all_.lines[k].line, all_.lines[k].point, *(
                float(values[day, k]) for values in (all_.planned, all_.arrived, all_.failed)
            ))
            for all_, day, k in due
        ],
        columns=["day", "line", "point", *_DOSES],
    )  # fmt: skip
    return table.assign(day=pd.to_datetime(table["day"]), not_proven=_not_proven(table))


def _not_proven(table: pd.DataFrame) -> pd.Series:
    return (table["planned"] - table["arrived"] - table["failed"]).clip(lower=0.0).round(1)


def refill_dates(url: str, weeks: int = 12, timezone: str = "UTC") -> pd.DataFrame:
    """How the refill dates of so many past weeks held, each as said by what had arrived by then: a row a date.

    vehicle, as_of; `days` until the low mark was reached, or where not `reached` for how long it has not been by now; the three points
    said (`early_days`, `expected_days`, `late_days`), and those of three yardsticks: `nominal_` by the doses of the line list,
    `straight_` by a line through the latest readings, `structural_` by a structural time series (missing where it has too little).
    Works vehicles out side by side; takes minutes for a fleet. Raises `ingest.errors.Problem`.
    """
    engine = open_existing(url)
    with reachable(engine), engine.connect() as connection:
        at_us = default_as_of_us(connection)
    with reachable(engine), workers() as pool:
        cases = cases_of(engine, at_us, weeks, pool, lambda done, of: None)
    return pd.DataFrame(
        {
            "vehicle": pd.array([one.vehicle for one in cases], "str"),
            "as_of": times(np.array([one.as_of_us for one in cases], np.int64), timezone),
            "days": np.array([one.days for one in cases], np.float64),
            "reached": np.array([one.reached for one in cases], np.bool_),
        }
        | {
            f"{prefix}{point}_days": np.array([np.nan if told is None else told[k] for told in points], np.float64)
            for prefix, points in (
                ("", [one.said for one in cases]), ("nominal_", [one.nominal for one in cases]),
                ("straight_", [one.straight for one in cases]), ("structural_", [one.structural for one in cases]),
            )
            for k, point in enumerate(("early", "expected", "late"))
        }
    )  # fmt: skip


def readings(messages: Messages, timezone: str = "UTC") -> Readings:
    """What was recorded of one vehicle (`ingest.reading.read_messages`) as tables, without any analysis."""
    cycles, levels, faults, switched = messages.cycles, messages.levels, messages.faults, messages.ignitions
    common = _common(cycles, timezone)
    rows, channels = np.nonzero(~(np.isnan(cycles.peak_kpa) & np.isnan(cycles.rest_kpa)))
    return Readings(
        cycles=pd.DataFrame(
            common
            | {
                "received_at": times(cycles.received_us, timezone),
                "engine_h": cycles.engine_h,
                "cycle_no": cycles.cycle_no,
                "run_s": cycles.run_s,
                "manual": _yes_no(cycles.manual),
                "complete": _yes_no(cycles.complete),
                "temp_c": cycles.temp_c,
                "supply_v": cycles.supply_v,
            }
        ),
        pressures=pd.DataFrame(
            {name: values[rows] for name, values in common.items()}
            | {
                "channel": pd.Categorical.from_codes(channels, pd.Index(cycles.channels)),
                "peak_kpa": cycles.peak_kpa[rows, channels],
                "rest_kpa": cycles.rest_kpa[rows, channels],
            }
        ),
        levels=pd.DataFrame(
            _common(levels, timezone)
            | {"level_pct": levels.level_pct, "temp_c": levels.temp_c, "tilt_deg": levels.tilt_deg}
        ),
        faults=pd.DataFrame(
            _common(faults, timezone)
            | {
                "code": pd.array(list(faults.code), "str"),
                "active": _yes_no(faults.active),
                "channel": pd.array(list(faults.channel), "str"),
                "value": faults.value,
            }
        ),
        ignition=pd.DataFrame(
            _common(switched, timezone) | {"engine_h": switched.engine_h, "on": _yes_no(switched.on)}
        ),
    )


def fleet(url: str, timezone: str = "UTC") -> FleetFrames:
    """The tables of all registered vehicles. Raises `ingest.errors.Problem`, and KeyError for no zone."""
    engine = open_existing(url)
    with reachable(engine), engine.connect() as connection:
        return of_fleet(connection, registry.read_vehicles(connection), timezone)


def of_fleet(connection: Connection, chosen: Sequence[Vehicle], timezone: str = "UTC") -> FleetFrames:
    """The tables of some vehicles, at most 500 of them at a time: a database takes so many parameters only."""
    at_us, ids = now_us(), [one.id for one in chosen]
    setups = {one.id: one.in_force(at_us) for one in chosen}
    finding, analysis = schema.finding, schema.analysis
    rows = connection.execute(
        select(finding).where(finding.c.vehicle_id.in_(ids)).order_by(finding.c.vehicle_id, finding.c.began_us)
    )
    told = [found.from_row(row).as_json(*_named(setups[row["vehicle_id"]])) for row in rows.mappings()]
    kept = connection.execute(
        select(analysis.c.vehicle_id, analysis.c.refill)
        .where(analysis.c.vehicle_id.in_(ids))
        .order_by(analysis.c.vehicle_id)
    )
    due = [Refill.from_row(row.refill).as_json(*_named(setups[row.vehicle_id])) for row in kept]
    return FleetFrames(
        vehicles=_vehicles(setups.values(), timezone),
        lines=pd.concat(
            [
                _of_structs(Line, setup.lines, {}, timezone=timezone).assign(fleet=setup.fleet, vehicle=setup.vehicle)
                for setup in setups.values()
            ]
            or [_of_structs(Line, [], {}, timezone=timezone)],
            ignore_index=True,
        ),
        findings=_table(told, [*_WHO, *_FINDING], timezone),
        refills=_table(due, [*_WHO, *_REFILL], timezone),
        account=_account(connection, setups),
        hand_points=_kept(connection, schema.hand_due, setups, timezone),
        wear=_kept(connection, schema.wear, setups, timezone).assign(channel=lambda told: told["channel"].mask(told["channel"] == "")),
    )  # fmt: skip


def _kept(connection: Connection, table: Table, setups: Mapping[int, Setup], timezone: str) -> pd.DataFrame:
    """What is kept of some vehicles, with whose it is in place of a number, and times as times."""
    names = [column.name for column in table.columns if column.name != "vehicle_id"]
    rows = connection.execute(
        select(table.c.vehicle_id, *(table.c[name] for name in names))
        .where(table.c.vehicle_id.in_(setups))
        .order_by(*table.primary_key.columns)
    )
    told = pd.DataFrame([(*_named(setups[row.vehicle_id]), *row[1:]) for row in rows], columns=[*_WHO, *names])
    for name in names:
        if isinstance(table.c[name].type, BigInteger):
            known = [-1 if us is None or us != us else int(us) for us in told[name]]
            told[name] = times(np.array(known, np.int64), timezone)
        elif isinstance(table.c[name].type, Double):
            told[name] = told[name].astype(np.float64)
    said = {
        name: "as_of" if name == "as_of_us" else f"{name.removesuffix('_us')}_at"
        for name in names
        if name.endswith("_us")
    }
    return told.rename(columns=said)


def _account(connection: Connection, setups: Mapping[int, Setup]) -> pd.DataFrame:
    table = schema.greased
    rows = connection.execute(
        select(table.c.vehicle_id, table.c.month, table.c.depot, *(table.c[name] for name in _DOSES))
        .where(table.c.vehicle_id.in_(setups))
        .order_by(table.c.vehicle_id, table.c.month, table.c.depot)
    )
    told = pd.DataFrame(
        [(*_named(setups[row.vehicle_id]), *row[1:]) for row in rows], columns=[*_WHO, "month", "depot", *_DOSES]
    )
    return told.assign(not_proven=_not_proven(told))


def times(at_us: NDArray[np.int64], timezone: str) -> pd.DatetimeIndex:
    """Microseconds since 1970 UTC as local times; missing where negative ones stand for what is not known."""
    known = np.where(at_us < 0, np.iinfo(np.int64).min, at_us).astype("datetime64[us]")
    return pd.DatetimeIndex(known, tz="UTC").tz_convert(timezone)


def _common(rows: Any, timezone: str) -> dict[str, Any]:
    return {"at": times(rows.at_us, timezone), "boot": pd.array(rows.boot, "str"), "seq": rows.seq}


def _yes_no(values: NDArray[np.float64]) -> Any:
    """1, 0 and NaN as true, false and missing."""
    return pd.arrays.BooleanArray(np.nan_to_num(values) == 1, np.isnan(values))


def _named(setup: Setup) -> tuple[str, str]:
    return setup.fleet, setup.vehicle


def _table(rows: Sequence[dict[str, Any]], columns: Sequence[str], timezone: str) -> pd.DataFrame:
    """Rows as printed, of these columns, with times as times."""
    table = pd.DataFrame([{name: row[name] for name in columns} for row in rows], columns=list(columns))
    for name in set(columns) & set(_TIMES):
        table[name] = pd.to_datetime(table[name], utc=True, format="ISO8601").dt.as_unit("us").dt.tz_convert(timezone)
    return table


def _vehicles(setups: Iterable[Setup], timezone: str) -> pd.DataFrame:
    """Set-ups as a table; of a vehicle without a system nothing stands where one is described."""
    drop = "lines", "hand_points", "registered_us"
    table = _of_structs(Setup, setups, {"class": "vehicle_class"}, drop=drop, timezone=timezone)
    system = list(NO_SYSTEM)
    table[system] = table[system].where(table["controller"].astype(bool))
    return table


def _of_structs(
    shape: type, rows: Iterable[Any], renamed: dict[str, str], *, drop: tuple[str, ...] = (), timezone: str
) -> pd.DataFrame:
    """Structures as a table, a column a field."""
    fields: tuple[str, ...] = getattr(shape, "__struct_fields__")  # noqa: B009
    names = {field: field for field in fields if field not in drop} | {field: name for name, field in renamed.items()}
    table = pd.DataFrame(
        [{name: getattr(row, field) for field, name in names.items()} for row in rows], columns=list(names.values())
    )
    if "valid_from_us" in table:
        table["valid_from"] = times(table.pop("valid_from_us").fillna(-1).to_numpy(np.int64), timezone)
    return table
