"""The commands about who came in, and about the key that secrets are encrypted by."""

from pathlib import Path
from typing import Annotated, Any

import typer

from analytics.alarms import routes
from dashboard import accounts, change_log, formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, moment, print_json
from ingest import telematics
from ingest.database import open_existing, reachable, writing
from ingest.environment import SECRETS_KEY_FILE
from ingest.errors import Problem
from ingest.sealing import make_key
from ingest.times import now_us, rfc3339

app = typer.Typer(rich_markup_mode=None)


@app.command("audit", epilog="Example: tallow audit --event refused --event locked_out")
def audit(
    event: Annotated[
        list[str] | None, typer.Option(help=f"of this kind only: {', '.join(change_log.EVENTS)}; repeat for several")
    ] = None,
    since: Annotated[str | None, typer.Option(help="not before this RFC 3339 time")] = None,
    number: Annotated[int, typer.Option(min=1, help="the latest so many")] = 100,
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Print who signed in, failed to, left, and changed what, oldest first."""
    unknown = sorted(set(event or ()) - set(change_log.EVENTS))
    if unknown:
        raise Problem(f"event {unknown[0]!r} is none of: {', '.join(change_log.EVENTS)}")
    wanted = tuple(one for one in change_log.EVENTS if not event or one in event)
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = change_log.entries(connection, number, wanted, 0 if since is None else moment(since))
    if as_json:
        print_json([_object(row) for row in reversed(found)])
        return
    for row in reversed(found):
        origin = f" from {row.origin}" if row.origin else ""
        at = formatting.moment(row.at_us, "UTC", with_zone=True)
        print(change_log.plain(f"{at}  {row.event:<13}  {row.who}{origin}: {row.what}"))
    if not found:
        of_kind = f" of the kind {' or '.join(event)}" if event else ""
        print(f"Nothing{of_kind} is in the log{'' if since is None else f' since {since}'}.")


def _object(row: Any) -> dict[str, Any]:
    at = {"at": rfc3339(row.at_us), "event": row.event}
    return at | {name: getattr(row, name) or None for name in ("who", "what", "origin")}


@app.command("seal", epilog="Example: tallow seal --new-key /etc/tallow/secrets.key")
def seal(
    new_key: Annotated[
        Path | None, typer.Option(help="only make a file with a new key there, readable by its owner only")
    ] = None,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Encrypt the secrets in the database by a key from a file: the session key, second factors, addresses of routes."""
    if new_key is not None:
        make_key(new_key)
        print(f"{new_key} holds a new key: name it in {SECRETS_KEY_FILE.name}, keep a copy apart, and run: tallow seal")
        return
    if not SECRETS_KEY_FILE.value:
        raise Problem(f"no key is named; set {SECRETS_KEY_FILE.name}")
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("PRAGMA secure_delete = ON")
        done = accounts.seal_secrets(connection) + routes.seal_addresses(connection)
        done += telematics.seal_headers(connection)
        change_log.log_change(connection, "command line", f"{done} secrets encrypted anew", now_us())
    print(f"{done} secrets are encrypted by the first key in {SECRETS_KEY_FILE.value}.")
