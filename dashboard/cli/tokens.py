"""The commands about tokens that let programs in."""

from typing import Annotated

import typer

from dashboard import access_tokens, change_log, formatting
from dashboard.cli.options import DEFAULT_DATABASE, Database
from ingest.database import open_existing, reachable, writing
from ingest.times import now_us

app = typer.Typer(rich_markup_mode=None)
token = typer.Typer(help="Tokens that let programs in: add, list, revoke.", no_args_is_help=True)
app.add_typer(token, name="token")


@token.command("add", epilog="Example: tallow token add 'R. Tarvolen' --for 'workshop planner' --scope record")
def add(
    person: Annotated[str, typer.Argument(metavar="PERSON", help="for whom the program acts")],
    label: Annotated[str, typer.Option("--for", help="what the token is for")],
    scope: Annotated[str, typer.Option(help=f"one of: {', '.join(access_tokens.SCOPES)}")] = "read",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Make a token, and print it this once."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        text = access_tokens.add(connection, person, label, scope, now_us())
        change_log.log_change(connection, "command line", f"token for {label} added ({person}, {scope})", now_us())
    print(text)


@token.command("list", epilog="Example: tallow token list")
def list_tokens(database: Database = DEFAULT_DATABASE) -> None:
    """List the tokens, what each may do and when it was used last."""
    engine = open_existing(database)
    with reachable(engine), engine.connect() as connection:
        found = access_tokens.tokens(connection)
    for one in found:
        used = "never used" if one.used_us is None else f"used {formatting.moment(one.used_us, 'UTC', with_zone=True)}"
        print(f"{one.id}  {one.label}: {one.scope}, for {one.person}, {used}")
    if not found:
        print("There are no tokens.")


@token.command("revoke", epilog="Example: tallow token revoke 3")
def revoke(number: Annotated[int, typer.Argument(metavar="NUMBER")], database: Database = DEFAULT_DATABASE) -> None:
    """Let a token in no more."""
    engine = open_existing(database)
    with reachable(engine), writing(engine) as connection:
        access_tokens.revoke(connection, number)
        change_log.log_change(connection, "command line", f"token {number} revoked", now_us())
    print(f"Token {number} lets nobody in any more.")
