"""The newest results of each vehicle: who makes them, and how they are kept."""

import time
import traceback
from collections.abc import Callable, Collection, Generator, Iterator
from dataclasses import asdict, dataclass
from typing import Final
from uuid import uuid4
from zoneinfo import ZoneInfo

import structlog
from sqlalchemy import Connection, Engine, bindparam, update
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError

from analytics.pipeline import checkpoints, depot_days, vehicle_summary
from analytics.pipeline.account import (
    keep_checks,
    keep_cold_weeks,
    keep_dry_points,
    keep_greased,
    keep_hand,
    keep_trends,
    more,
    of_vehicle,
    without,
)
from analytics.pipeline.claims import BATCH, LEASE_US, Claims, claim_vehicles, release, release_left, vehicles_wanting
from analytics.pipeline.kept import program
from analytics.pipeline.tasks import Outcome, Task, check_kept, outcome_of, registered, tasks_of
from analytics.pipeline.workers import Lost, Workers, within
from ingest import schema
from ingest.database import address, writing
from ingest.languages.saying import in_json, parts_of
from ingest.times import instant

log = structlog.get_logger("tallow.results")

# Of a processor, for a vehicle: 400 days of 24 channels take one, 30,000 random cycles of 60 channels two minutes.
LONGEST_S: Final = 300.0
_OLD_A_BATCH: Final = 50  # of those without news, so that neither keeps the other waiting
_LOOK_AGAIN_S: Final = 0.5
_PATIENCE: Final = int(
    1.25 * LEASE_US / 1e6 / _LOOK_AGAIN_S
)  # looks at what others have claimed: the dead are found out
_ANALYSED_ANEW: Final = update(schema.analysis).where(schema.analysis.c.vehicle_id == bindparam("vehicle"))


@dataclass(frozen=True)
class Wanting:
    """Which vehicles want an analysis: those with news, and in a whole pass up to `most_old` of those whose results are older than
    `stale_us`."""

    stale_us: int
    most_old: int | None = None


def renew(
    engine: Engine, clock: Callable[[], int], pool: Workers, progress: Callable[[int, int], None], wanting: Wanting | None = None
) -> Generator[Outcome, None, None]:  # fmt: skip
    """Analyse vehicles as of what `clock` says, and keep the results, each vehicle's as a whole: all of them, or those that are
    `wanting`.

    Several may do so at once: a vehicle is claimed before it is analysed, and results are kept only by whoever has its claim
    then, so that none is done twice at a time and no newer result is overwritten. A vehicle whose analysis fails keeps its
    claim for a while, so that it holds nobody up; and whoever asks for all leaves to others what they do not let go of.
    """
    began_us = clock()
    release_left(engine)
    with engine.connect() as connection:
        check_kept(connection, began_us)
        left = registered(connection) if wanting is None else []
    who, begun, number, aged, waited = uuid4().hex, 0, 0, 0, 0
    while True:
        if wanting is None:
            chosen, old = left[:BATCH], set[int]()
        else:
            most_old = _OLD_A_BATCH if wanting.most_old is None else min(_OLD_A_BATCH, wanting.most_old - aged)
            with engine.connect() as connection:
                chosen, old = vehicles_wanting(connection, began_us, wanting.stale_us, most_old)
        if not chosen:
            if number:
                depot_days.keep(engine, began_us)
            return
        mine = claim_vehicles(engine, chosen, who)
        begun += len(mine)
        aged += len(old & mine)
        left = [*left[BATCH:], *(id_ for id_ in left[:BATCH] if id_ not in mine)]
        if not mine:  # somebody else is at them
            waited += 1
            if waited > _PATIENCE:
                log.warning("left to whoever has claimed them", vehicles=len(chosen))
                return
            time.sleep(_LOOK_AGAIN_S)
            continue
        for outcome in _kept(engine, clock(), pool, mine, who):
            number += 1
            progress(number, begun + len(left))
            yield outcome


def _kept(engine: Engine, as_of_us: int, pool: Workers, mine: Collection[int], who: str) -> Iterator[Outcome]:
    """The outcomes of claimed vehicles, each kept and its claim let go of."""
    with Claims(engine, mine, who) as claims:
        with engine.connect() as connection:
            # What comes from now on is news again: the time was taken before.
            tasks = tasks_of(connection, address(engine), as_of_us, mine)
        while tasks:
            done = 0
            try:
                for task, outcome in zip(tasks, pool.map(_outcome_or_error, tasks), strict=True):
                    done += 1
                    if isinstance(outcome, str):
                        claims.drop(task.vehicle.id)
                        _failed(task, outcome)
                        continue
                    kept = _keep_or_error(engine, outcome, who)
                    claims.drop(task.vehicle.id)
                    if isinstance(kept, str):
                        _failed(task, kept)
                    elif kept:
                        yield outcome
            except Lost as problem:
                _failed(tasks[done], str(problem))
                claims.drop(tasks[done].vehicle.id)
                done += 1
            tasks = tasks[done:]


def _failed(task: Task, error: str) -> None:
    log.error("an analysis failed; tried again later", vehicle=f"{task.vehicle.fleet}/{task.vehicle.name}", error=error)


def _outcome_or_error(task: Task) -> Outcome | str:
    try:
        with within(LONGEST_S):
            return outcome_of(task)
    except DBAPIError:
        raise  # that is the database's matter, not the vehicle's
    except Exception:  # noqa: BLE001  # whatever it is, it is one vehicle's
        return traceback.format_exc()


def _keep_or_error(engine: Engine, outcome: Outcome, who: str) -> bool | str:
    """Whether a result was kept, which it is not where somebody else has claimed its vehicle; or why it cannot be."""
    try:
        with writing(engine) as connection:
            kept = release(connection, outcome.vehicle_id, who)
            if kept:
                keep(connection, outcome)
        return kept
    except (DataError, IntegrityError):  # what no column holds is that vehicle's matter
        return traceback.format_exc()
    except DBAPIError:
        raise
    except Exception:  # noqa: BLE001  # a value that no column holds, for instance
        return traceback.format_exc()


def keep(connection: Connection, outcome: Outcome) -> None:
    """Make this the newest result of its vehicle, as a whole."""
    analysis, finding, vehicle = schema.analysis, schema.finding, {"vehicle": outcome.vehicle_id}
    made = {
        "as_of_us": outcome.as_of_us,
        "revision": outcome.revision,
        "next_us": outcome.next_us,
        "due_early_us": outcome.refill.due_early_us,
        "refill": outcome.refill.to_row(),
        "notes": [in_json(note) for note in outcome.notes],
        "filled_us": outcome.filled_us,
        "commissioning": outcome.commissioning,
        "alarms_due_us": 0,
        "fleet_revision": outcome.fleet_revision,
        "made_by": program(),
        "fills": [asdict(fill) for fill in outcome.fills],
    }
    if outcome.trends is not None:
        made["trends_us"] = outcome.as_of_us
    if not connection.execute(_ANALYSED_ANEW, vehicle | made).rowcount:
        connection.execute(more(analysis), made | {"vehicle_id": outcome.vehicle_id})
    vehicle_summary.put_result(connection, outcome)
    connection.execute(without(finding), vehicle)
    if outcome.findings:
        connection.execute(
            more(finding),
            [
                {
                    "vehicle_id": outcome.vehicle_id,
                    "kind": f.kind,
                    "channel": f.channel,
                    "lines": list(f.lines),
                    "began_us": f.began_us,
                    "detected_us": f.detected_us,
                    "ended_us": f.ended_us,
                    "severity": f.severity,
                    "summary": f.summary,
                    "said": parts_of(f.summary),
                    "evidence": dict(f.evidence),
                    **_watched(outcome, f.began_us),
                }
                for f in outcome.findings
            ],
        )
    _keep_amounts(connection, outcome)
    keep_greased(connection, outcome.vehicle_id, outcome.setup, outcome.greased, outcome.greased_since)
    keep_dry_points(connection, outcome.vehicle_id, outcome.setup, outcome.lines)
    keep_cold_weeks(connection, outcome.vehicle_id, outcome.lows_c)
    keep_hand(connection, outcome.vehicle_id, outcome.hand)
    keep_trends(connection, outcome.vehicle_id, outcome.trends, outcome.as_of_us)
    keep_checks(connection, outcome.vehicle_id, outcome.checks, outcome.as_of_us)
    if outcome.checkpoints is not None:
        checkpoints.keep(connection, outcome.vehicle_id, outcome.checkpoints)


def _watched(outcome: Outcome, at_us: int) -> dict[str, float]:
    """For how many days and ignition hours a vehicle had been watched at a time; the hours of a day lie spread over it."""
    at = instant(at_us).astimezone(ZoneInfo(outcome.setup.timezone))
    day, part = at.date(), (at.hour + at.minute / 60) / 24
    whole = [one.ignition_h for one in outcome.days if one.day < day]
    begun = sum(one.ignition_h for one in outcome.days if one.day == day)
    return {"watched_days": len(whole) + part, "watched_h": float(sum(whole) + part * begun)}


def _keep_amounts(connection: Connection, outcome: Outcome) -> None:
    """Months that are as they were are not written again: most are."""
    table, key = schema.supply, ("month", "depot", "grease")
    names = [column.name for column in table.columns if column.name != "vehicle_id"]
    vehicle = {"vehicle": outcome.vehicle_id}
    held = {tuple(row)[1:] for row in connection.execute(of_vehicle(table), vehicle)}
    wanted = {
        tuple(
            round(value, 3) if isinstance(value, float) else value for value in (getattr(one, name) for name in names)
        )
        for one in outcome.amounts
    }
    gone = [vehicle | {f"its_{name}": value for name, value in zip(key, row, strict=False)} for row in held - wanted]
    if gone:
        connection.execute(without(table, *key), gone)
    new = [dict(zip(names, row, strict=True)) | {"vehicle_id": outcome.vehicle_id} for row in wanted - held]
    if new:
        connection.execute(more(table), new)
