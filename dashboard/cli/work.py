"""The command about work on vehicles: recording it, and listing what is recorded."""

import secrets
from typing import Annotated, Any

import typer
from sqlalchemy import Connection, Engine, select

from dashboard import formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database, moment
from ingest import registry, schema, work, work_records
from ingest.database import open_existing, reachable, writing
from ingest.errors import Problem
from ingest.setups import Vehicle
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)


@app.command("work", epilog="Example: tallow work HS-102 line_mended --line 5 --by 'R. Tarvolen' --note 'tube renewed'")
def record_work(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="VEHICLE, or FLEET/VEHICLE")] = "",
    kind: Annotated[
        str | None,
        typer.Argument(metavar="KIND", help=f"one of: {', '.join(work.KINDS)}; without it, the records are listed"),
    ] = None,
    at: Annotated[str | None, typer.Option(help="when it was done, RFC 3339; now by default")] = None,
    by: Annotated[str, typer.Option(help="who did it")] = "",
    line: Annotated[list[int] | None, typer.Option(help="number on the line list; repeat for several")] = None,
    channel: Annotated[
        str | None, typer.Option(help="pressure sensor that was replaced; else the level sensor")
    ] = None,
    litres: Annotated[float | None, typer.Option(help="litres of grease filled in")] = None,
    to_pct: Annotated[float | None, typer.Option(help="level after filling, percent; 100 is the full mark")] = None,
    above_full: Annotated[bool, typer.Option("--above-full", help="it was filled above the full mark")] = False,
    grease: Annotated[str | None, typer.Option(help="which grease")] = None,
    interval_min: Annotated[float | None, typer.Option(help="interval that the timer was set to")] = None,
    run_s: Annotated[float | None, typer.Option(help="run time that the timer was set to")] = None,
    depot: Annotated[str | None, typer.Option(help="depot that the vehicle moved to")] = None,
    point: Annotated[
        list[int] | None, typer.Option(help="number of a point greased by hand; repeat for several")
    ] = None,
    engine_h: Annotated[float | None, typer.Option(help="hours that the hour meter shows")] = None,
    odometer_km: Annotated[float | None, typer.Option(help="kilometres that the odometer shows")] = None,
    new_meter: Annotated[bool, typer.Option("--new-meter", help="the meter was replaced or put to zero")] = False,
    note: Annotated[str, typer.Option(help="anything else")] = "",
    result: Annotated[
        str | None, typer.Option("--found", help=f"what was found about a finding: {', '.join(work.FOUND)}")
    ] = None,
    about: Annotated[
        str, typer.Option(help="which finding it was about: its kind, or kind:channel; the latest of that kind")
    ] = "",
    cause: Annotated[str | None, typer.Option(help="what else was wrong")] = None,
    corrects: Annotated[str | None, typer.Option(metavar="KEY", help="record that this one replaces")] = None,
    withdraw: Annotated[str | None, typer.Option(metavar="KEY", help="withdraw a record that was wrong")] = None,
    away: Annotated[
        bool, typer.Option("--away", help="without VEHICLE: list those that are laid up, in the workshop or sold")
    ] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Record work on a vehicle's system, or list it."""
    engine = open_existing(database)
    if away and not vehicle:
        _print_away(engine)
        return
    if not vehicle or away:
        raise Problem("name one vehicle, or none with --away")
    said: dict[str, Any] = {
        "kind": kind, "lines": line, "channel": channel, "litres": litres, "to_pct": to_pct, "grease": grease,
        "interval_min": interval_min, "run_s": run_s, "depot": depot, "corrects": corrects, "note": note,
        "points": point, "engine_h": engine_h, "odometer_km": odometer_km, "new_meter": new_meter or None,
        "found": result, "cause": cause, "by": by, "at_us": now_us() if at is None else moment(at),
    }  # fmt: skip
    _keep(engine, vehicle, said, about, withdraw, above_full=above_full)


def _keep(
    engine: Engine, vehicle: str, said: dict[str, Any], about: str, withdraw: str | None, *, above_full: bool
) -> None:
    """Record what was said, or list what is recorded where no kind was."""
    with reachable(engine), writing(engine) as connection:
        found = registry.find(connection, vehicle)
        if said["kind"] is None and withdraw is None:
            _print_work(work_records.read_records(connection, found.id).get(found.id, ()))
            return
        said["about"] = _finding(connection, found.id, about) if about else None
        if withdraw is not None:
            kept = {name: said[name] for name in ("note", "by", "at_us")}
            said = _withdrawal(connection, found.id, vehicle, withdraw) | kept
        if not said["by"]:
            raise Problem("say who did it with --by")
        record = work.work_of(said | {"key": secrets.token_hex(6)})
        work_records.record(connection, found.id, found.setups, record, now_us(), above_full=above_full)
        warned = _not_proven_to_mix(connection, found, record.key)
        moved = "" if record.kind != "moved" or record.withdrawn else registry.find(connection, vehicle).newest.timezone
    print(f"{record.title}, {vehicle}: recorded as {record.key}." if not withdraw else f"Record {withdraw} withdrawn.")
    if warned:
        print(f"Warning: {warned}")
    if moved:
        print(f"Its days and hours are those of {moved} from then on.")


def _withdrawal(connection: Connection, vehicle_id: int, vehicle: str, key: str) -> dict[str, Any]:
    """What is said of a record that was wrong. Raises Problem where there is none."""
    wrong = [w for w, _, _ in work_records.read_records(connection, vehicle_id).get(vehicle_id, ()) if w.key == key]
    if not wrong:
        raise Problem(f"{vehicle} has no record {key!r}; tallow work {vehicle} lists them")
    return {"kind": wrong[0].kind, "corrects": key, "withdrawn": True}


def _not_proven_to_mix(connection: Connection, vehicle: Vehicle, key: str) -> str:
    """What is to be said of the greases that a fill brings together; nothing where they are proven to mix."""
    from dashboard.queries.greases import mixed  # here, since it loads what the analysis does

    done = work_records.read_work(connection, vehicle.id).get(vehicle.id, ())
    return mixed(connection, vehicle.setups, done).get(key, "")


def _finding(connection: Connection, vehicle_id: int, about: str) -> dict[str, Any]:
    """The latest finding of a vehicle by its kind, and its channel where one is named. Raises Problem where there is none."""
    kind, _, channel = about.partition(":")
    table = schema.finding
    chosen = [
        table.c.vehicle_id == vehicle_id,
        table.c.kind == kind,
        *([table.c.channel == channel] if channel else []),
    ]
    row = connection.execute(
        select(table.c.kind, table.c.channel, table.c.began_us)
        .where(*chosen)
        .order_by(table.c.began_us.desc())
        .limit(1)
    ).one_or_none()
    if row is None:
        raise Problem(f"this vehicle has no finding {about!r}; tallow findings lists them")
    return {"kind": row.kind, "channel": row.channel, "began_us": row.began_us}


def _print_away(engine: Engine) -> None:
    from dashboard.queries.work import away  # here, since recording needs no list

    with reachable(engine):
        found = away(engine)
    for one in found:
        since = formatting.moment(one.work.at_us, one.timezone, with_zone=True)
        print(f"{one.fleet}/{one.vehicle}  {one.unit}, {one.depot}: {one.work.title}, {since} ({one.work.by})")
    if found:
        print("In use after all: tallow work VEHICLE back --by NAME")
    else:
        print("No vehicle is laid up, in the workshop or sold.")


def _print_work(records: tuple[tuple[work.Work, int, bool], ...]) -> None:
    for one, _, stands in records:
        what = "withdraws a record" if one.withdrawn else "; ".join([one.title, *formatting.work_details(one)])
        mark = f", corrects {one.corrects}" if one.corrects else ""
        when, gone = formatting.moment(one.at_us, "UTC", with_zone=True), "" if stands else "  no longer stands"
        print(f"{one.key}  {when}  {what} ({one.by}{mark}){gone}")
    if not records:
        print("No work is recorded.")
