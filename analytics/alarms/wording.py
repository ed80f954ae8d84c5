"""Alerts and digests in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from analytics.findings import CAUTIONS
from analytics.kinds import Kind, Severity, severity_rank
from ingest.environment import SITE
from ingest.setups import Setup
from ingest.times import rfc3339

_SHOWN_IN_DIGEST: Final = 40


CRITICAL: Final = (
    "Steering or braking: a point may be dry. A qualified person judges that before the vehicle goes back on the road."
)
SEVERITY_WORDS: Final = {"act_now": "Act now", "plan": "Plan", "note": "Note"}


@dataclass(frozen=True)
class Told:
    """What is to be told of an alarm: its number, which of its transitions this is, and what it says."""

    number: int
    transition: int
    event: str
    state: str
    kind: Kind
    name: str
    channel: str | None
    lines: tuple[int, ...]
    severity: Severity
    summary: str
    since_us: int
    critical_points: int = 0  # that may be dry because of it

    @property
    def stands(self) -> bool:
        """Whether it still asks for something to be done."""
        return self.state in ("unacknowledged", "acknowledged")


def alert(setup: Setup, told: Told, site: str) -> tuple[str, str]:
    """(title, text) of one alarm: which vehicle, whether steering or braking may suffer, what and how sure, what to take along, by when,
    and where to read on."""
    title = f"{SEVERITY_WORDS[told.severity]}: {setup.unit} ({setup.vehicle}), {setup.depot}: {told.kind.title.lower()}"
    take = told.kind.to_take(setup.grease_and_grade)
    by = {"act_now": "today", "plan": "at the next visit", "note": "when somebody is at the vehicle anyway"}[
        told.severity
    ]
    return title, "\n".join(
        [
            *([CRITICAL] if _critical(setup, told) else []),
            told.summary,
            f"By when: {by}.",
            f"Take along: {'; '.join(take)}.",
            *CAUTIONS,
            f"Alarm {told.number}: {address_of(setup, site)}",
        ]
    )


def address_of(setup: Setup, site: str) -> str:
    """Where a vehicle's page is."""
    return f"{site}/vehicle/{quote(setup.fleet)}/{quote(setup.vehicle)}"


@dataclass(frozen=True)
class ByHand:
    """How many points greased by hand are due at a depot, and on how many of those steering or braking depends."""

    due: int = 0
    critical: int = 0

    def told(self, depot: str, site: str) -> list[str]:
        """In one line; nothing where none is due."""
        if not self.due:
            return []
        warned = f", steering or braking depends on {self.critical} of them" if self.critical else ""
        one = "point greased by hand is" if self.due == 1 else "points greased by hand are"
        return [f"{self.due} {one} due{warned}: {site}/points?depot={quote(depot)}"]


def digest(depot: str, rows: Sequence[tuple[Setup, Told]], site: str, by_hand: ByHand = ByHand()) -> tuple[str, str]:
    """(title, text) of what stands at a depot, most urgent first; what is over is no work any more, and told of in one line, and so is how
    much is to be greased by hand."""
    standing = [row for row in rows if row[1].stands]
    counts = {s: sum(told.severity == s for _, told in standing) for s in SEVERITY_WORDS}
    said = ", ".join(f"{number} {SEVERITY_WORDS[s].lower()}" for s, number in counts.items() if number)
    ordered = sorted(
        standing, key=lambda row: (severity_rank(row[1].severity), not _critical(*row), row[0].vehicle, row[1].number)
    )
    shown = [
        f"{SEVERITY_WORDS[told.severity]}{' · steering or braking' if _critical(setup, told) else ''}"
        f" · {setup.unit} ({setup.vehicle}) · {told.kind.title}: {told.summary}"
        f"{' (not acknowledged)' if told.state == 'unacknowledged' else ''}"
        for setup, told in ordered[:_SHOWN_IN_DIGEST]
    ]
    if len(ordered) > _SHOWN_IN_DIGEST:
        shown.append(f"and {len(ordered) - _SHOWN_IN_DIGEST} more.")
    over = [f"{setup.unit} ({setup.vehicle}): {told.kind.title.lower()}" for setup, told in rows if not told.stands]
    if over:
        more = f", and {len(over) - _SHOWN_IN_DIGEST} more" if len(over) > _SHOWN_IN_DIGEST else ""
        shown.append(f"Over, nothing to do ({len(over)}): {'; '.join(over[:_SHOWN_IN_DIGEST])}{more}.")
    said = said or (f"{by_hand.due} to grease by hand" if by_hand.due else "nothing stands")
    return f"{depot} today: {said}", "\n\n".join(
        [*shown, *by_hand.told(depot, site), "\n".join(CAUTIONS), f"All alarms: {site}/alarms?depot={quote(depot)}"]
    )


def bundle(rows: Sequence[tuple[str, Mapping[str, Any]]], site: str) -> tuple[str, str]:
    """(title, text) of several alerts, each (title, detail), in one message: what is to be acted on now and is critical first."""
    urgent = sum(told.get("severity") == "act_now" for _, told in rows)
    ordered = sorted(
        rows, key=lambda row: (severity_rank(row[1].get("severity", "note")), not row[1].get("critical", False))
    )
    shown = [title for title, _ in ordered[:_SHOWN_IN_DIGEST]]
    if len(ordered) > _SHOWN_IN_DIGEST:
        shown.append(f"and {len(ordered) - _SHOWN_IN_DIGEST} more.")
    return f"{len(rows)} alerts, {urgent} to act on now", "\n".join(
        [*shown, "", *CAUTIONS, f"All alarms: {site}/alarms"]
    )


def _critical(setup: Setup, told: Told) -> bool:
    """Whether a point that steering or braking depends on may be dry: by what was found, or of one of its lines."""
    return told.critical_points > 0 or any(line.critical and line.line in told.lines for line in setup.lines)


def detail(setup: Setup, told: Told, now_us: int) -> dict[str, Any]:
    """The same for programs."""
    return {
        "alarm": told.number,
        "transition": told.transition,
        "fleet": setup.fleet,
        "vehicle": setup.vehicle,
        "unit": setup.unit,
        "depot": setup.depot,
        "kind": told.name,
        "channel": told.channel,
        "lines": list(told.lines),
        "severity": told.severity,
        "critical": _critical(setup, told),
        "event": told.event,
        "state": told.state,
        "summary": told.summary,
        "since": rfc3339(told.since_us) if told.since_us else None,
        "at": rfc3339(now_us),
    }


def site() -> str:
    """Where the dashboard is for those who are told."""
    return SITE.value.rstrip("/")
