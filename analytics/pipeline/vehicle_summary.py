"""How a vehicle stands, as lists show it: what it needs, why, and what to take along."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from analytics.findings import Finding, urgency
from analytics.planning.usage import use_l_a_day
from analytics.vehicle.refill import Refill
from ingest.setups import Setup

NEEDS: Final = ("act_now", "plan", "note", "none")
_SHOWN: Final = 3


@dataclass(frozen=True)
class Detail:
    """What a list says of a vehicle: its worst open findings (kind, severity, sentence) and how many there are, its refill, cycles done
    and expected in its last seven days, and the condition of each line in call-out order with its bundle."""

    findings: tuple[tuple[str, str, str], ...]
    open: int
    refill: dict[str, Any]
    week: tuple[int, int]
    strip: tuple[tuple[int, str, str], ...]


def need_of(findings: Sequence[Finding], refill_state: str | None) -> str:
    """What a vehicle needs, from its open findings and its refill."""
    severities = {f.severity for f in findings}
    if "act_now" in severities or refill_state == "due":
        return "act_now"
    if "plan" in severities or refill_state == "soon":
        return "plan"
    return "note" if severities else "none"


def standing(
    setup: Setup, findings: Sequence[Finding], refill: Refill, days: Sequence[dict[str, Any]],
    lines: Sequence[dict[str, Any]], dry_h: float | None,
) -> dict[str, Any]:  # fmt: skip
    """What is kept of it, by column of the table."""
    open_ = sorted((f for f in findings if f.open), key=urgency)
    last = days[-7:]
    done = sum(day["done"] + day["incomplete"] + day["lost"] for day in last)
    condition = {line["line"]: line["condition"] for line in lines}
    detail = Detail(
        tuple((f.kind, f.severity, f.summary) for f in open_[:_SHOWN]),
        len(open_),
        refill.as_json(setup.fleet, setup.vehicle),
        (done, done + sum(day["missed"] for day in last)),
        tuple((line.line, line.bundle, condition.get(line.line, "unwatched")) for line in setup.lines),
    )
    return {
        "need": NEEDS.index(need_of(open_, refill.state)),
        "rank": urgency(open_[0])[1] if open_ else 99,
        "dry_h": (dry_h or 0.0) if open_ else 0.0,
        "level_pct": refill.level_pct,
        "due_early_us": refill.due_early_us,
        "use_l_a_day": use_l_a_day(detail.refill),
        "watched_days": float(len(days)),
        "watched_h": float(sum(day["ignition_h"] for day in days)),
        "detail": asdict(detail),
    }
