"""The states of an alarm and the ways between them, after IEC 62682 and ANSI/ISA-18.2.

What is wrong may come and go (`active`), and somebody may have taken note of it (`acknowledged`); from these two follow the four
plain states. Three things take an alarm out of sight, each for a reason of its own: a person shelves it until a time, the
program suppresses it by design, a person takes it out of service for maintenance. It then comes back to the state that what is
wrong has by then.
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

from ingest.errors import Problem
from ingest.languages import Words, later

State = Literal["normal", "unacknowledged", "acknowledged", "returned", "shelved", "suppressed", "out_of_service"]
Event = Literal[
    "occur", "clear", "realarm", "acknowledge", "shelve", "unshelve", "suppress", "unsuppress", "take_out", "put_back"
]

HIDDEN: Final[tuple[State, ...]] = ("shelved", "suppressed", "out_of_service")
BY_PERSONS: Final[tuple[Event, ...]] = ("acknowledge", "shelve", "unshelve", "take_out", "put_back")
LONGEST_SHELF_DAYS: Final = 90


@dataclass(frozen=True)
class Condition:
    """What an alarm's state follows from; a new alarm begins with nothing wrong."""

    active: bool = False
    acknowledged: bool = True
    shelved_until_us: int | None = None
    suppressed_why: str | None = None
    out_of_service: bool = False

    @property
    def state(self) -> State:
        """The state by the standard; "returned" is returned to normal, unacknowledged."""
        if self.out_of_service:
            return "out_of_service"
        if self.suppressed_why is not None:
            return "suppressed"
        if self.shelved_until_us is not None:
            return "shelved"
        if self.active:
            return "acknowledged" if self.acknowledged else "unacknowledged"
        return "normal" if self.acknowledged else "returned"


@dataclass(frozen=True)
class Transition:
    """What happened to an alarm: when, by whom and why; `until_us` where it is shelved."""

    event: Event
    at_us: int
    who: str
    why: str = ""
    until_us: int | None = None


def after(condition: Condition, transition: Transition) -> Condition:
    """The condition that a transition leads to. Raises Problem where there is no such way."""
    event, state = transition.event, condition.state
    if event == "occur":
        _only(not condition.active, "it is active already")
        return replace(condition, active=True, acknowledged=False)
    if event == "clear":
        _only(condition.active, "it is not active")
        # Nobody is asked to take note of what came and went out of sight.
        return replace(condition, active=False, acknowledged=condition.acknowledged or state in HIDDEN)
    if event == "realarm":
        _only(condition.active, "it is not active")
        return replace(condition, acknowledged=False)
    if event == "acknowledge":
        _only(state in ("unacknowledged", "returned"), f"it is {words(state)}")
        return replace(condition, acknowledged=True)
    if event == "shelve":
        _only(state not in ("normal", "suppressed", "out_of_service"), f"it is {words(state)}")
        _only(bool(transition.why.strip()), "say why")
        _only(
            transition.until_us is not None
            and transition.at_us < transition.until_us <= transition.at_us + LONGEST_SHELF_DAYS * 86_400_000_000,
            f"say until when: a time to come, within {LONGEST_SHELF_DAYS} days",
        )
        return replace(condition, shelved_until_us=transition.until_us)
    if event == "unshelve":
        _only(condition.shelved_until_us is not None, "it is not shelved")
        return replace(condition, shelved_until_us=None)
    if event == "suppress":
        _only(bool(transition.why), "say why")
        _only(condition.suppressed_why != transition.why, "it is suppressed for that reason already")
        return replace(condition, suppressed_why=transition.why)
    if event == "unsuppress":
        _only(condition.suppressed_why is not None, "it is not suppressed")
        return replace(condition, suppressed_why=None)
    if event == "take_out":
        _only(not condition.out_of_service and state != "normal", f"it is {words(state)}")
        _only(bool(transition.why.strip()), "say why")
        return replace(condition, out_of_service=True)
    _only(condition.out_of_service, "it is not out of service")
    return replace(condition, out_of_service=False)


def words(state: State) -> str:
    """A state as people say it."""
    return _WORDS[state]


_WORDS: Final = Words({
    "normal": later("normal"), "unacknowledged": later("unacknowledged"), "acknowledged": later("acknowledged"),
    "returned": later("back to normal but not acknowledged"), "shelved": later("shelved"), "suppressed": later("suppressed by design"),
    "out_of_service": later("out of service"),
})  # fmt: skip


def _only(allowed: bool, otherwise: str) -> None:
    if not allowed:
        raise Problem(otherwise)
