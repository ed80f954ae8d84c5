"""What a finding is, and how episodes of evidence become findings."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from analytics.kinds import FINDING_KINDS, Severity, kind_rank, severity_rank
from ingest.languages import later, saying
from ingest.times import FOREVER_US, rfc3339

CAUTION: Final = later(
    "Before you reach in: engine off, key out, battery isolated, wheels chocked, pressure let down. Never feel for a leak by hand;"
    " grease under the skin: go to hospital at once. The pump may start by itself at the next ignition-on."
)
# Said with the cautions in every language but English.
ENGLISH_DECIDES: Final = later(
    "Where this translation and the English text differ, the English text decides; local rules and qualified people come before both."
)
FILL_STEP: Final = later(
    "Filling: isolate first, wipe the fitting clean, watch the level while you fill and stop at the full mark; with a blocked vent a"
    " power gun can burst a reservoir."
)
CAUTIONS: Final = (
    later(
        "Stop the engine, take the key, isolate the battery, set the parking brake and chock the wheels before reaching"
        " under or between; follow your site's lockout procedure and the vehicle maker's instructions. The pump may start by itself at the"
        " next ignition-on."
    ),
    later(
        "Lower or block raised bodies, arms and buckets; set the articulation lock; support raised vehicles; keep clear of articulating"
        " joints."
    ),
    later(
        "Let the pressure down before opening a line. Never feel for a leak by hand: grease injected through the skin is a"
        " surgical emergency even when it looks harmless. Go to hospital at once and take the grease's safety data sheet along."
    ),
    later(
        "Where a check needs a cycle to run: supply on for that only, everybody clear of the open end and of moving joints, the grease"
        " caught in a container and never by hand; isolate and let the pressure down again before you touch anything."
    ),
    later("Wear eye protection and gloves; catch waste grease and dispose of it by local rules."),
    later(
        "This program advises; the qualified technician, local law and the maker's manual decide. A vehicle with a braking or"
        " steering joint that may be dry is for a qualified person to judge before it goes back on the road."
    ),
)


@dataclass(frozen=True)
class Finding:
    """One episode of trouble. Times are microseconds since 1970 UTC; `ended_us` is None while it lasts."""

    kind: str
    channel: str | None
    lines: tuple[int, ...]
    began_us: int
    detected_us: int
    ended_us: int | None
    severity: Severity
    summary: str
    evidence: Mapping[str, Any] = field(
        default_factory=dict
    )  # numbers with units in their names; `code` of a controller

    @property
    def open(self) -> bool:
        """Whether it lasts."""
        return self.ended_us is None

    @property
    def perhaps(self) -> bool:
        """Whether only lines like it tell it of a line whose own past does not: then nothing is sure of the time before."""
        return "ratio_to_lines_alike" in self.evidence

    def overlaps(self, other: "Finding", slack_us: int = 0) -> bool:
        """Whether two findings share a moment, give or take `slack_us`."""
        mine = self.ended_us if self.ended_us is not None else FOREVER_US
        theirs = other.ended_us if other.ended_us is not None else FOREVER_US
        return self.began_us <= theirs + slack_us and other.began_us <= mine + slack_us

    def as_json(self, fleet: str, vehicle: str) -> dict[str, Any]:
        """The finding as `tallow findings --json` prints it."""
        return {
            "fleet": fleet,
            "vehicle": vehicle,
            "kind": self.kind,
            "channel": self.channel,
            "lines": list(self.lines),
            "began_at": rfc3339(self.began_us),
            "detected_at": rfc3339(self.detected_us),
            "ended_at": None if self.ended_us is None else rfc3339(self.ended_us),
            "severity": self.severity,
            "summary": self.summary,
            "evidence": dict.fromkeys(FINDING_KINDS[self.kind].evidence) | dict(self.evidence),
        }


def from_row(row: Any) -> Finding:
    """A row of the table as a finding."""
    return Finding(
        row["kind"], row["channel"], tuple(row["lines"]), row["began_us"], row["detected_us"], row["ended_us"],
        row["severity"], saying.kept(row["summary"], row["said"]), row["evidence"],
    )  # fmt: skip


def urgency(finding: Finding) -> tuple[int, bool, float, int, int]:
    """A key that puts what needs somebody first: by severity; then points that steering or braking depends on and that may be dry;
    then the longest without grease; then the order of the kinds, then the longest lasting."""
    waited_h = finding.evidence.get("hours_since_grease") or 0.0
    critical = bool(finding.evidence.get("critical_points"))
    return severity_rank(finding.severity), not critical, -waited_h, kind_rank(finding.kind), finding.began_us


@dataclass
class Episode:
    """Evidence of one kind on one channel while it is being gathered."""

    kind: str
    channel: str | None
    began_us: int
    detected_us: int
    ended_us: int | None = None
    evidence: dict[str, Any] = field(default_factory=dict)


def joined(episodes: list[Episode], pause_us: int) -> list[Episode]:
    """Stretches of one kind and channel, those that pause for less than `pause_us` made one; oldest first.

    The first keeps its beginning and its time of detection, so that a later episode changes nothing that was said.
    """
    done: list[Episode] = []
    for episode in sorted(episodes, key=lambda s: (s.began_us, s.detected_us)):
        last = done[-1] if done else None
        if last is not None and (last.ended_us is None or episode.began_us - last.ended_us < pause_us):
            ended = None if last.ended_us is None or episode.ended_us is None else max(last.ended_us, episode.ended_us)
            done[-1] = replace(last, ended_us=ended, evidence={**last.evidence, **episode.evidence})
        else:
            done.append(episode)
    return done
