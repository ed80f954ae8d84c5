"""What a finding is, the kinds there are, and how stretches of evidence become findings."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from ingest.store import rfc3339

Severity = Literal["act_now", "plan", "note"]


@dataclass(frozen=True)
class Kind:
    """A kind of finding: its name for people, what it means, and what a technician checks, in order."""

    title: str
    meaning: str
    severity: Severity
    checks: tuple[str, ...]


KINDS: Final[Mapping[str, Kind]] = {
    "starved_pump": Kind(
        "Pump starved",
        "Pressure is lost on all channels together: there is air in the pump, or the reservoir is empty.",
        "act_now",
        (
            "Look at the level in the reservoir, not only at the reading.",
            "Fill it with the grease on the set-up sheet, then bleed the pump outlets until grease comes without air.",
            "Run a cycle by the test button and see that pressure comes back on every channel.",
        ),
    ),
    "missed_cycles": Kind(
        "Cycles missed",
        "The ignition was on, but the pump did not run when its timer should have started it.",
        "act_now",
        (
            "Press the test button: does the pump run at all?",
            "Check the fuse and the supply voltage at the pump while it should run.",
            "Check plugs and wires to the pump and the timer for corrosion and chafing.",
            "Ask whether somebody switched the system off.",
        ),
    ),
    "low_level": Kind(
        "Reservoir low",
        "The grease is at or below the low mark; soon the pump draws air, and the lines must then be bled.",
        "act_now",
        ("Wipe the filling fitting clean, then fill to the full mark with the grease on the set-up sheet.",),
    ),
    "open_line": Kind(
        "Line open",
        "A line is broken, off or leaking: its pressure is less than half of what it should be.",
        "act_now",
        (
            "Follow the line from the pump to the point and look for fresh grease, chafing and loose fittings.",
            "Renew the tube or fitting, fill the tube with grease before connecting it, and run a cycle.",
            "If the line is whole, its pumping element may be worn or stuck.",
        ),
    ),
    "blocked_line": Kind(
        "Line blocked",
        "A line carries no grease, or hardly any: its pressure is far above what it should be.",
        "plan",
        (
            "Open the line at the point: if grease comes out there in the next cycle, the point itself is blocked.",
            "If not, open it at the pump or divider: the tube is blocked, kinked or crushed.",
            "Behind a divider, isolate the outlets one at a time until it moves again.",
            "Grease the point by hand until the line works.",
        ),
    ),
    "reservoir_loss": Kind(
        "Grease lost",
        "More grease leaves the reservoir than the cycles account for.",
        "plan",
        (
            "Look for grease at the reservoir, the pump outlets and the relief valve.",
            "Check for a line broken close to the pump.",
        ),
    ),
    "under_delivery": Kind(
        "Too little delivered",
        "Less grease leaves the reservoir than the cycles account for.",
        "plan",
        (
            "Measure what one element or outlet delivers in a cycle and compare with the call-out sheet.",
            "Check the pumping elements for wear, and the follower or grease for cavities.",
        ),
    ),
    "incomplete_cycles": Kind(
        "Cycles incomplete",
        "Cycles ran, but were not confirmed, were cut short, or the main line did not vent afterwards.",
        "plan",
        (
            "Watch a cycle: does the indicator on the divider move, and does the pump run its full time?",
            "Check the confirmation switch and its wire; on injector systems check the vent valve.",
        ),
    ),
    "timer_mismatch": Kind(
        "Timer differs",
        "Cycles come at another interval than the one on the set-up sheet.",
        "plan",
        ("Read the timer's setting and compare it with the set-up sheet; correct whichever is wrong.",),
    ),
    "overfill": Kind(
        "Overfilled",
        "The grease stands above the full mark; it comes out at the vent, or passes the follower plate.",
        "note",
        ("Look at the vent and at the follower plate; wipe off what came out, and stop at the mark next time.",),
    ),
    "level_sensor": Kind(
        "Level sensor",
        "The level reading is stuck, missing or impossible; refill dates rest on counted cycles until it is mended.",
        "plan",
        ("Compare the reading with the reservoir; check the sensor's plug and wire.",),
    ),
    "pressure_sensor": Kind(
        "Pressure sensor",
        "A pressure reading is stuck, missing or impossible; nobody watches these lines until it is mended.",
        "plan",
        ("Check the sensor's plug and wire; put a gauge on the line and compare.",),
    ),
    "silent": Kind(
        "Silent",
        "Nothing was heard for longer than this vehicle's ordinary stops explain.",
        "plan",
        (
            "Ask where the vehicle is and whether it is in use.",
            "If it is, check the controller's supply, its antenna and its SIM or radio coverage.",
        ),
    ),
}

CAUTIONS: Final = (
    "Stop the engine, take the key, isolate the battery, set the parking brake and chock the wheels before reaching"
    " under or between; follow your site's lockout procedure and the vehicle maker's instructions.",
    "Let the pressure down before opening a line. Never feel for a leak by hand: grease injected through the skin is a"
    " surgical emergency even when it looks harmless. Go to hospital at once and take the grease's safety data sheet along.",
    "Wear eye protection and gloves, support raised vehicles, keep clear of articulating joints, and catch waste grease"
    " and dispose of it by local rules.",
    "This program advises; the qualified technician, local law and the maker's manual decide. A vehicle with a braking or"
    " steering joint that may be dry is for a qualified person to judge before it goes back on the road.",
)

_SEVERITIES: Final[tuple[Severity, ...]] = ("act_now", "plan", "note")


@dataclass(frozen=True)
class Finding:
    """One stretch of trouble. Times are microseconds since 1970 UTC; `ended_us` is None while it lasts."""

    kind: str
    channel: str | None
    lines: tuple[int, ...]
    began_us: int
    detected_us: int
    ended_us: int | None
    severity: Severity
    summary: str
    evidence: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def open(self) -> bool:
        """Whether it lasts."""
        return self.ended_us is None

    def overlaps(self, other: "Finding", slack_us: int = 0) -> bool:
        """Whether two findings share a moment, give or take `slack_us`."""
        mine = self.ended_us if self.ended_us is not None else 1 << 62
        theirs = other.ended_us if other.ended_us is not None else 1 << 62
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
            "evidence": dict(self.evidence),
        }


def urgency(finding: Finding) -> tuple[int, int, int]:
    """A key that puts what needs somebody first: by severity, then by the order of the kinds, then the longest lasting."""
    return _SEVERITIES.index(finding.severity), list(KINDS).index(finding.kind), finding.began_us


@dataclass
class Stretch:
    """Evidence of one kind on one channel while it is being gathered."""

    kind: str
    channel: str | None
    began_us: int
    detected_us: int
    ended_us: int | None = None
    evidence: dict[str, float | None] = field(default_factory=dict)


def joined(stretches: list[Stretch], pause_us: int) -> list[Stretch]:
    """Stretches of one kind and channel, those that pause for less than `pause_us` made one; oldest first.

    The first keeps its beginning and its time of detection, so that a later stretch changes nothing that was said.
    """
    done: list[Stretch] = []
    for stretch in sorted(stretches, key=lambda s: (s.began_us, s.detected_us)):
        last = done[-1] if done else None
        if last is not None and (last.ended_us is None or stretch.began_us - last.ended_us < pause_us):
            ended = None if last.ended_us is None or stretch.ended_us is None else max(last.ended_us, stretch.ended_us)
            done[-1] = replace(last, ended_us=ended, evidence={**last.evidence, **stretch.evidence})
        else:
            done.append(stretch)
    return done
