"""Every table, once. Times are microseconds since 1970 UTC (`_us`); units are in the column names.

Messages of all kinds share one table, because one counter numbers them all: (vehicle, boot, seq) names a message.
"""

from ingest.schema.account import greased, greased_kind, greased_week, model_check, verdict, wear
from ingest.schema.alarms import alarm, calendar_token, closing, depot, outbox, push_browser, route, transition
from ingest.schema.base import metadata
from ingest.schema.greases import cold_week, grease
from ingest.schema.hand import hand_due
from ingest.schema.people import access_token, app_secret, attempt, change_log, person, saved_view
from ingest.schema.prices import dry_point, hourly_rate, price
from ingest.schema.recording import (
    channel_list,
    message,
    name_range,
    quarantine,
    recorder_stats,
    refusal,
    thinned,
    vehicle,
)
from ingest.schema.results import (
    analysis,
    archive,
    asked,
    backtest,
    checkpoint,
    claim,
    depot_day,
    finding,
    supply,
    vehicle_summary,
)
from ingest.schema.setups import hand_point, line, registry_revision, remark, setup, work
from ingest.schema.telematics import stood, telematics

__all__ = [
    "access_token",
    "alarm",
    "analysis",
    "app_secret",
    "archive",
    "asked",
    "attempt",
    "backtest",
    "calendar_token",
    "change_log",
    "channel_list",
    "checkpoint",
    "claim",
    "closing",
    "cold_week",
    "depot",
    "depot_day",
    "dry_point",
    "finding",
    "grease",
    "greased",
    "greased_kind",
    "greased_week",
    "hand_due",
    "hand_point",
    "hourly_rate",
    "line",
    "message",
    "metadata",
    "model_check",
    "name_range",
    "outbox",
    "person",
    "price",
    "push_browser",
    "quarantine",
    "recorder_stats",
    "refusal",
    "registry_revision",
    "remark",
    "route",
    "saved_view",
    "setup",
    "stood",
    "supply",
    "telematics",
    "thinned",
    "transition",
    "vehicle",
    "vehicle_summary",
    "verdict",
    "wear",
    "work",
]
