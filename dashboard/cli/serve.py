"""The two programs that run beside ingest: the watch and the dashboard."""

import signal
from typing import Annotated

import typer

from analytics.alarms.routes import read_routes
from analytics.pipeline.workers import workers
from dashboard.cli.options import DEFAULT_DATABASE, Dask, Database, start_logging, stopping
from ingest import metrics
from ingest.database import open_database, reachable
from ingest.environment import WATCH_METRICS_PORT

app = typer.Typer()


@app.command(epilog="Example: tallow dashboard --port 8050")
def dashboard(
    port: Annotated[int, typer.Option(min=1, max=65535, help="port to listen on")] = 8050,
    host: Annotated[str, typer.Option(help="address to listen on; loopback unless told otherwise")] = "127.0.0.1",
    plain_http: Annotated[
        bool,
        typer.Option("--plain-http", help="other machines may reach it without HTTPS: passwords then travel readable"),
    ] = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Serve the dashboard."""
    from dashboard.web.app import serve

    engine = open_database(database)
    _stop_by_exit()
    serve(
        engine, host, port, plain_http=plain_http, ready=lambda: print(f"Dashboard: http://{host}:{port}", flush=True)
    )


def _stop_by_exit() -> None:
    def leave(*_: object) -> None:
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)


@app.command("watch", epilog="Example: tallow watch --every 30")
def watch(
    every: Annotated[float, typer.Option(min=0.1, help="look for news every so many seconds")] = 10,
    metrics_port: Annotated[
        int | None,
        typer.Option(
            envvar=WATCH_METRICS_PORT.name, min=1, max=65535, help="answer /metrics and /health there, on loopback"
        ),
    ] = None,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Go on analysing what is new, raise and clear alarms, and deliver alerts, until stopped."""
    from analytics.pipeline.watch import Watch

    start_logging()
    stop = stopping()
    engine = open_database(database)
    with reachable(engine), engine.connect() as connection:
        read_routes(connection)  # without the key that opens their addresses nothing could be told: that is said now
    with workers(dask=dask) as pool:
        watching = Watch(engine, pool, every, stop)
        stop_serving = metrics.serve(watching.answers(), "127.0.0.1", metrics_port) if metrics_port else lambda: None
        try:
            watching.run()
        finally:
            stop_serving()
