"""What a finding is, the kinds there are, and how stretches of evidence become findings."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from ingest.times import rfc3339

Severity = Literal["act_now", "plan", "note"]


# What kinds have in common, for whoever is told of one group only.
Group = Literal["refill", "lines", "pump", "readings"]
GROUPS: Final[tuple[Group, ...]] = ("refill", "lines", "pump", "readings")


@dataclass(frozen=True)
class Check:
    """One step of finding out: what to look at, and what each outcome means."""

    look: str
    means: str


@dataclass(frozen=True)
class Kind:
    """A kind of finding: its name for people, what was seen, what most likely causes it, what a technician checks and in which
    order, what to take along, and how many minutes it takes as a rule (common practice, no source)."""

    title: str
    group: Group
    severity: Severity
    meaning: str
    cause: str
    checks: tuple[Check, ...]
    take: tuple[str, ...]
    minutes: int


KINDS: Final[Mapping[str, Kind]] = {
    "starved_pump": Kind(
        "Pump starved",
        "pump",
        "act_now",
        "Pressure is lost on all channels together.",
        "There is air in the pump, mostly because the reservoir ran empty; more rarely the main line is off.",
        (
            Check(
                "Look at the grease in the reservoir, not only at the reading.",
                "Empty or hollow in the middle: fill it. Full: look for air or a stiff grease at the pump's inlet.",
            ),
            Check(
                "Open one outlet at the pump and run a cycle by the test button.",
                "Grease with bubbles: bleed until it comes without. Nothing at all: the pump turns idle, or its inlet is shut by cold"
                " grease.",
            ),
            Check(
                "Close up, and run two more cycles.",
                "Pressure is back on every channel: it is mended; record that it was bled. Still nothing: follow the main line.",
            ),
        ),
        (
            "grease as on the set-up sheet",
            "filling pump with the fitting of this reservoir",
            "spanners for the pump outlets",
            "rags",
        ),
        45,
    ),
    "missed_cycles": Kind(
        "Cycles missed",
        "pump",
        "act_now",
        "The ignition was on, but the pump did not run when its timer should have started it.",
        "A fuse, a plug or the supply; a motor or timer that has failed; or somebody switched the system off.",
        (
            Check(
                "Press the test button.",
                "The pump runs: the timer does not start it; go to its setting and its ignition wire. It does not: go to the supply.",
            ),
            Check(
                "Measure the voltage at the pump's plug while it should run.",
                "None: fuse, plug or wire. About nominal: the motor. Well below nominal: a bad earth or a corroded plug.",
            ),
            Check("Look at the wires to pump and timer.", "Chafed or green: renew them, and tie them up."),
            Check("Ask whoever drives it.", "Switched off on purpose: find out why before it is switched on again."),
        ),
        ("multimeter", "fuses of the size on the pump's plate", "contact cleaner, terminals and crimping tool"),
        40,
    ),
    "low_level": Kind(
        "Reservoir low",
        "refill",
        "act_now",
        "The grease is at or below the low mark.",
        "It was used up and nobody filled it, or grease is lost; soon the pump draws air, and the lines must then be bled.",
        (
            Check(
                "Wipe the filling fitting clean, then fill to the full mark with the grease on the set-up sheet.",
                "Filled: record the litres. It takes much more or less than the reading said: the level sensor is to be checked.",
            ),
            Check(
                "Run a cycle by the test button and look at the pressures.",
                "As before: done. Low on all channels: air came in; bleed the outlets.",
            ),
        ),
        ("grease as on the set-up sheet", "filling pump with the fitting of this reservoir", "rags"),
        20,
    ),
    "open_line": Kind(
        "Line open",
        "lines",
        "act_now",
        "The pressure of one channel is less than half of what it should be, while the others are sound.",
        "The tube is broken, pulled off or chafed through, or its pumping element is worn or stuck.",
        (
            Check(
                "Follow the line from the pump to the point.",
                "Fresh grease on the way: the leak is there. None, and the point is dry: go to the element.",
            ),
            Check(
                "Take the line off at the pump and run a cycle.",
                "Grease comes out in full: the line leaks further on. Little or none: the element is worn or stuck.",
            ),
            Check(
                "Renew tube or fitting, fill the tube with grease before connecting it, and run a cycle.",
                "Pressure is back: record the line as replaced; ten cycles prove it.",
            ),
        ),
        (
            "tube of the line's bore and length",
            "fittings for both ends",
            "hand gun with grease to fill the tube",
            "cable ties",
        ),
        45,
    ),
    "blocked_line": Kind(
        "Line blocked",
        "lines",
        "plan",
        "The pressure of one channel is far above what its own past and the weather explain, or stands at relief.",
        "Dirt or hardened grease, a crushed or kinked tube, a plugged fitting or a seized joint.",
        (
            Check(
                "Open the line at the point and run a cycle.",
                "Grease comes out: the point itself is blocked; clean or renew the fitting, work the joint free. None: go on.",
            ),
            Check(
                "Open the line at the pump or the divider and run a cycle.",
                "Grease comes out: the tube is blocked, kinked or crushed; renew it. None: the outlet is blocked.",
            ),
            Check(
                "Behind a divider: isolate its outlets one at a time.",
                "It moves again and pressure falls: that outlet, or what is behind it, is the blocked one.",
            ),
            Check(
                "Grease the point by hand until the line works.",
                "It takes grease: record it. It takes none: the joint is seized, for a qualified person to judge.",
            ),
        ),
        (
            "tube of the line's bore and length",
            "fittings for both ends",
            "hand gun with grease",
            "wire brush and solvent for fittings",
        ),
        60,
    ),
    "reservoir_loss": Kind(
        "Grease lost",
        "pump",
        "plan",
        "More grease leaves the reservoir than the cycles account for.",
        "A leak at the reservoir or the pump, a relief valve that does not shut, or a line broken close to the pump.",
        (
            Check(
                "Look for grease at the reservoir, its seal, the pump outlets and the relief valve.",
                "Grease at the valve: it opens too early or a line is blocked. At a seal or outlet: renew it.",
            ),
            Check(
                "Follow the first half metre of every line.",
                "Grease on the frame: a line is broken before its element. Nothing: compare the doses with the set-up sheet.",
            ),
        ),
        ("seal kit of the pump", "fittings for the outlets", "rags, to see fresh grease come"),
        45,
    ),
    "under_delivery": Kind(
        "Too little delivered",
        "pump",
        "plan",
        "Less grease leaves the reservoir than the cycles account for.",
        "Worn or starved pumping elements, a cavity in the grease, or doses that are set smaller than the sheet says.",
        (
            Check(
                "Measure what one outlet delivers in ten cycles, and compare with the call-out sheet.",
                "About as the sheet says: measure another one. Much less: the element is worn, or set smaller.",
            ),
            Check(
                "Look at the grease and at the follower plate.",
                "A hole down to the pump: stir it down, and ask whether the grease is too stiff for the weather.",
            ),
        ),
        ("measuring cup or scales", "spare pumping element", "spanners for the pump outlets"),
        60,
    ),
    "incomplete_cycles": Kind(
        "Cycles incomplete",
        "pump",
        "plan",
        "Cycles ran, but were not confirmed, were cut short, or the main line did not vent afterwards.",
        "A divider that does not move, a confirmation switch that has failed, a pump that is cut off early, or a vent valve that"
        " sticks.",
        (
            Check(
                "Watch a cycle at the divider.",
                "The indicator moves: the switch or its wire has failed. It does not: look for a blocked outlet or air.",
            ),
            Check(
                "Time the pump.",
                "It stops early: the timer's setting or the supply. It runs its full time: go on.",
            ),
            Check(
                "On injector systems, read the main line's pressure when the pump has stopped.",
                "It stays up: the vent valve sticks, or the grease is too stiff in the cold.",
            ),
        ),
        ("watch", "multimeter", "gauge for the main line", "confirmation switch of the divider's type"),
        45,
    ),
    "timer_mismatch": Kind(
        "Timer differs",
        "pump",
        "plan",
        "Cycles come at another interval than the one on the set-up sheet.",
        "Somebody set the timer otherwise, or the sheet was never brought up to date.",
        (
            Check(
                "Read the timer's setting and compare it with the set-up sheet.",
                "The timer is wrong: set it, and record it. The sheet is wrong: register the vehicle anew.",
            ),
        ),
        ("set-up sheet of this vehicle",),
        15,
    ),
    "overfill": Kind(
        "Overfilled",
        "refill",
        "note",
        "The grease stands above the full mark.",
        "Too much was filled in; it comes out at the vent, or passes the follower plate.",
        (
            Check(
                "Look at the vent and at the follower plate.",
                "Clean: leave it; it goes down with the cycles. Grease there: wipe it off, and stop at the mark next time.",
            ),
        ),
        ("rags",),
        10,
    ),
    "level_sensor": Kind(
        "Level sensor",
        "readings",
        "plan",
        "The level reading is stuck, missing or impossible; refill dates rest on counted cycles until it is mended.",
        "A plug or wire, or the sensor itself; a follower plate that is caught.",
        (
            Check(
                "Compare the reading with the grease in the reservoir.",
                "They agree: the reading was right after all; write it down. They do not: go on.",
            ),
            Check(
                "Look at plug and wire, and move them while somebody watches the reading.",
                "It jumps: renew the plug. It does not: renew the sensor, and record it.",
            ),
        ),
        ("level sensor of this reservoir", "contact cleaner", "multimeter"),
        30,
    ),
    "pressure_sensor": Kind(
        "Pressure sensor",
        "readings",
        "plan",
        "A pressure reading is stuck, missing or impossible; nobody watches these lines until it is mended.",
        "A plug or wire, or the sensor itself.",
        (
            Check(
                "Put a gauge on the line and run a cycle.",
                "The gauge shows pressure and the reading does not: the sensor. Neither does: the line, see there.",
            ),
            Check("Look at plug and wire.", "Loose or green: clean it. Sound: renew the sensor, and record it."),
        ),
        ("pressure sensor of this range", "gauge with the line's thread", "contact cleaner"),
        30,
    ),
    "silent": Kind(
        "Silent",
        "readings",
        "plan",
        "Nothing was heard for longer than this vehicle's ordinary stops explain.",
        "The vehicle is laid up or out of coverage, or its controller has no supply.",
        (
            Check(
                "Ask where the vehicle is and whether it is in use.",
                "Laid up: record it, and nobody is called again. In use: go on.",
            ),
            Check(
                "Look at the controller's supply, its antenna and its SIM.",
                "No light: the supply. A light, but nothing sent: antenna, SIM or coverage.",
            ),
        ),
        ("multimeter", "fuses", "spare antenna"),
        30,
    ),
}

CAUTION: Final = (
    "Before you reach in: engine off, key out, battery isolated, wheels chocked, pressure let down."
    " Never feel for a leak by hand."
)
CAUTIONS: Final = (
    "Stop the engine, take the key, isolate the battery, set the parking brake and chock the wheels before reaching"
    " under or between; follow your site's lockout procedure and the vehicle maker's instructions.",
    "Let the pressure down before opening a line. Never feel for a leak by hand: grease injected through the skin is a"
    " surgical emergency even when it looks harmless. Go to hospital at once and take the grease's safety data sheet along.",
    "Where a check needs a cycle to run: supply on for that only, everybody clear of the open end and of moving joints, the grease"
    " caught in a container and never by hand; isolate and let the pressure down again before you touch anything.",
    "Wear eye protection and gloves, support raised vehicles, keep clear of articulating joints, and catch waste grease"
    " and dispose of it by local rules.",
    "This program advises; the qualified technician, local law and the maker's manual decide. A vehicle with a braking or"
    " steering joint that may be dry is for a qualified person to judge before it goes back on the road.",
)

SEVERITIES: Final[tuple[Severity, ...]] = ("act_now", "plan", "note")


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


def from_row(row: Any) -> Finding:
    """A row of the table as a finding."""
    return Finding(
        row["kind"], row["channel"], tuple(row["lines"]), row["began_us"], row["detected_us"], row["ended_us"],
        row["severity"], row["summary"], row["evidence"],
    )  # fmt: skip


def severity_rank(severity: Severity) -> int:
    """0 for what cannot wait, more for what can."""
    return SEVERITIES.index(severity)


def urgency(finding: Finding) -> tuple[int, int, int]:
    """A key that puts what needs somebody first: by severity, then by the order of the kinds, then the longest lasting."""
    return severity_rank(finding.severity), list(KINDS).index(finding.kind), finding.began_us


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
