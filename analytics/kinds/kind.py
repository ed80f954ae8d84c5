"""What a kind of finding is."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

from ingest.languages import inside, later, tr, translated
from ingest.languages.saying import Said, number
from ingest.setups import Setup

Severity = Literal["act_now", "plan", "note"]
SEVERITIES: Final[tuple[Severity, ...]] = ("act_now", "plan", "note")
# What kinds have in common, for whoever is told of one group only.
Group = Literal["refill", "lines", "pump", "readings"]
GROUPS: Final[tuple[Group, ...]] = ("refill", "lines", "pump", "readings")
Evidence = Mapping[str, Any]  # numbers with units in their names


class Facts(NamedTuple):
    """What a sentence is made of: the evidence, where it was seen in words as they begin a sentence and as they stand in one, and the
    set-up in force then."""

    evidence: Evidence
    where: Said
    where_inside: Said
    setup: Setup


REFILL_DUE: Final = "refill_due"


# Said in each step that needs it: a list of cautions elsewhere is not read with a spanner in hand.
CLEAR: Final = later(
    "Everybody stays clear of open ends and moving joints while the battery is connected for that; isolate it again, and let the"
    " pressure down, before you touch anything."
)
UNDER_PRESSURE: Final = later("It may hold relief pressure: loosen it slowly, shielded, at the pump end first.")
WATCH_THE_LEVEL: Final = later(
    "Isolate first, and watch the level while you fill: with a blocked vent a power gun can burst a reservoir."
)
FILLING_PUMP: Final = later("filling pump with the fitting of this reservoir")
INSIDE: Final = later("Isolate first: a paddle may start, and a follower plate is sprung.")


@dataclass(frozen=True)
class Check:
    """One step of finding out: what to look at, what each outcome means, and the cautions that belong to it."""

    look: str = translated()
    means: str = translated()
    hurts: tuple[str, ...] = translated(())


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of finding. `importance` orders kinds of one severity: what comes first has the smaller number. Programs find the names in
    `evidence` with each finding of it, null where that is not known.

    For people, in the language of whoever reads: `title`, what was seen (`meaning`), its most likely `cause`, what a
    technician `checks` in which order, what to
    `take` along (and whether the reservoir's grease, `fills`), and how many `minutes` it takes as a rule (common practice, no
    source). `sentence` says one finding; None only for the refill, whose sentence tells a forecast.

    For the analysis: whether it concerns one pressure channel, whether grease fails to arrive while it lasts (`dries`), kinds that
    it only `follows_from` while they last on the same vehicle, codes of the controller's own faults that speak of it.

    For alarms: kinds that it `hides` while it is active, hours for which it has to last before it is an alarm and to be over before
    it is none, kinds of work that answer it, the likeliest first, and whether cycles after that work prove it.
    """

    importance: int
    evidence: tuple[str, ...] = ()
    title: str = translated()
    group: Group
    severity: Severity
    meaning: str = translated()
    cause: str = translated()
    checks: tuple[Check, ...]
    take: tuple[str, ...] = translated()
    fills: bool
    minutes: int
    of_a_channel: bool
    dries: bool
    follows_from: tuple[str, ...]
    hides: tuple[str, ...]
    on_delay_h: float
    off_delay_h: float
    answered_by: tuple[str, ...]
    proven_by_cycles: bool
    controller_codes: tuple[str, ...]
    sentence: Callable[[Facts], Said] | None

    @property
    def inside(self) -> str:
        """The title as it stands inside a sentence."""
        return inside(self.title)

    def to_take(self, grease: str = "") -> tuple[str, ...]:
        """What to take along, the grease by its name where it is known."""
        return (grease or tr("grease as on the set-up sheet"), *self.take) if self.fills else self.take


def as_ratio(value: float) -> dict[str, Any]:
    """A ratio for the place of a sentence: 1.8, 0.45."""
    return number(value, 1 if value >= 1 else 2)


def severity_rank(severity: Severity) -> int:
    """0 for what cannot wait, more for what can."""
    return SEVERITIES.index(severity)
