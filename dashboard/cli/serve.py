"""The two programs that run beside ingest: the watch and the dashboard."""

import signal
from typing import Annotated

import typer

from dashboard.cli.options import DEFAULT_DATABASE, Dask, Database, start_logging, stopping
from ingest.database import open_database, reachable
from ingest.environment import WATCH_METRICS_PORT

app = typer.Typer(rich_markup_mode=None)


@app.command(epilog="Example: tallow dashboard --port 8050")
def dashboard(
    port: Annotated[int, typer.Option(min=1, max=65535, help="port to listen on")] = 8050,
    host: Annotated[
        str, typer.Option(help="address to listen on; by default only this machine can connect")
    ] = "127.0.0.1",
    plain_http: Annotated[
        bool,
        typer.Option(
            "--plain-http", help="let other machines connect without HTTPS; passwords then travel unencrypted"
        ),
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
    every: Annotated[
        float,
        typer.Option(min=0.1, help="seconds between two looks for news; 10 beyond ten thousand vehicles"),
    ] = 1,
    metrics_port: Annotated[
        int | None,
        typer.Option(
            envvar=WATCH_METRICS_PORT.name, min=1, max=65535, help="answer /metrics and /health there, on loopback"
        ),
    ] = None,
    dask: Dask = "",
    database: Database = DEFAULT_DATABASE,
) -> None:
    """Keep findings and alarms up to date and deliver alerts, until stopped."""
    from analytics.alarms import transports
    from analytics.alarms.routes import read_routes
    from analytics.pipeline.watch import Watch
    from analytics.pipeline.workers import workers
    from dashboard.exports.monthly import post_reports
    from ingest import metrics

    start_logging()
    stop = stopping()
    engine = open_database(database)
    with reachable(engine), engine.connect() as connection:
        read_routes(connection)  # without the key that opens their addresses nothing could be told: that is said now
    with workers(dask=dask, beside=transports.NEEDED) as pool:
        watching = Watch(engine, pool, every, stop, post_reports)
        stop_serving = metrics.serve(watching.answers(), "127.0.0.1", metrics_port) if metrics_port else lambda: None
        try:
            watching.run()
        finally:
            stop_serving()
