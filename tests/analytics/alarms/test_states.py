"""The states of an alarm: every way that the standard has, by hand and by a machine that tries them in any order.

Source of states and transitions: IEC 62682 and ANSI/ISA-18.2 as told by public implementations (names and the plain transitions
are theirs; that an alarm comes back from hiding into the state of its cause, and that what came and went in hiding needs no
acknowledgement, is from memory).
"""

from typing import Any

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from analytics.alarms.states import Condition, State, Transition, after
from ingest.errors import Problem

DAY_US = 86_400_000_000


def step(condition: Condition, event: Any, why: str = "why", until_us: int | None = None, at_us: int = 0) -> Condition:
    """The condition after one event."""
    return after(condition, Transition(event, at_us, "R. Tarvolen", why, until_us))


@pytest.mark.parametrize(
    ("way", "state"),
    [
        ("occur", "unacknowledged"),
        ("occur acknowledge", "acknowledged"),
        ("occur clear", "returned"),
        ("occur acknowledge clear", "normal"),
        ("occur clear acknowledge", "normal"),
        ("occur clear occur", "unacknowledged"),
        ("occur acknowledge clear occur", "unacknowledged"),
        ("occur acknowledge realarm", "unacknowledged"),
        ("occur shelve", "shelved"),
        ("occur shelve unshelve", "unacknowledged"),
        ("occur acknowledge shelve unshelve", "acknowledged"),
        ("occur shelve clear unshelve", "normal"),
        ("occur clear shelve unshelve", "returned"),
        ("occur suppress unsuppress", "unacknowledged"),
        ("occur suppress clear", "suppressed"),
        ("occur suppress clear unsuppress", "normal"),
        ("occur take_out", "out_of_service"),
        ("occur take_out clear occur put_back", "unacknowledged"),
        ("occur shelve suppress", "suppressed"),
        ("occur shelve suppress unsuppress", "shelved"),
        ("occur shelve take_out put_back", "shelved"),
    ],
)
def test_the_ways_of_the_standard(way: str, state: State) -> None:
    """Event by event from normal."""
    condition = Condition()
    for event in way.split():
        condition = step(condition, event, until_us=DAY_US if event == "shelve" else None)
    assert condition.state == state


@pytest.mark.parametrize(
    ("way", "event", "said"),
    [
        ("", "acknowledge", "it is normal"),
        ("", "clear", "it is not active"),
        ("", "shelve", "it is normal"),
        ("occur", "occur", "it is active already"),
        ("occur acknowledge", "acknowledge", "it is acknowledged"),
        ("occur suppress", "acknowledge", "it is suppressed by design"),
        ("occur", "unshelve", "it is not shelved"),
        ("occur", "put_back", "it is not out of service"),
        ("occur clear", "realarm", "it is not active"),
    ],
)
def test_what_cannot_be_says_so(way: str, event: str, said: str) -> None:
    """No event where there is no way for it."""
    condition = Condition()
    for one in way.split():
        condition = step(condition, one)
    with pytest.raises(Problem, match=said):
        step(condition, event, until_us=DAY_US)


@pytest.mark.parametrize(
    ("why", "until_us"), [("", DAY_US), ("  ", DAY_US), ("why", None), ("why", 0), ("why", 91 * DAY_US)]
)
def test_a_shelf_has_a_reason_and_an_end(why: str, until_us: int | None) -> None:
    """Nothing is put away for good, or without a word."""
    with pytest.raises(Problem, match="say"):
        step(step(Condition(), "occur"), "shelve", why, until_us)


class Model:
    """The standard's picture, drawn another way: which of its plain states lies below what hides it."""

    def __init__(self) -> None:
        self.below: State = "normal"
        self.shelved = self.out = False
        self.reason: str | None = None

    @property
    def state(self) -> State:
        """What is seen."""
        return (
            "out_of_service" if self.out else "suppressed" if self.reason else "shelved" if self.shelved else self.below
        )


class Alarm(RuleBasedStateMachine):
    """Any event in any order: those that the picture has lead where it says, all others are refused and change nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.condition, self.model = Condition(), Model()

    def go(self, event: Any, *, allowed: bool, why: str = "why") -> bool:
        """Try an event; whether it went."""
        before = self.condition
        try:
            self.condition = step(before, event, why, 5 * DAY_US if event == "shelve" else None, DAY_US)
        except Problem:
            assert not allowed, event
            assert self.condition == before
            return False
        assert allowed, event
        return True

    @rule()
    def occur(self) -> None:
        """What is wrong comes, or comes back."""
        if self.go("occur", allowed=self.model.below in ("normal", "returned")):
            self.model.below = "unacknowledged"

    @rule()
    def clear(self) -> None:
        """It is over."""
        hidden = self.model.state in ("out_of_service", "suppressed", "shelved")
        if self.go("clear", allowed=self.model.below in ("unacknowledged", "acknowledged")):
            self.model.below = "normal" if hidden or self.model.below == "acknowledged" else "returned"

    @rule()
    def realarm(self) -> None:
        """It has become worse."""
        if self.go("realarm", allowed=self.model.below in ("unacknowledged", "acknowledged")):
            self.model.below = "unacknowledged"

    @rule()
    def acknowledge(self) -> None:
        """Somebody takes note."""
        if self.go("acknowledge", allowed=self.model.state in ("unacknowledged", "returned")):
            self.model.below = "acknowledged" if self.model.below == "unacknowledged" else "normal"

    @rule()
    def shelve(self) -> None:
        """Somebody puts it away until later."""
        if self.go("shelve", allowed=self.model.state in ("unacknowledged", "acknowledged", "returned", "shelved")):
            self.model.shelved = True

    @rule()
    def unshelve(self) -> None:
        """The time is up."""
        if self.go("unshelve", allowed=self.model.shelved):
            self.model.shelved = False

    @rule(why=st.sampled_from(["laid up", "follows from another"]))
    def suppress(self, why: str) -> None:
        """The program hides it."""
        if self.go("suppress", allowed=self.model.reason != why, why=why):
            self.model.reason = why

    @rule()
    def unsuppress(self) -> None:
        """Nothing hides it any more."""
        if self.go("unsuppress", allowed=self.model.reason is not None):
            self.model.reason = None

    @rule()
    def take_out(self) -> None:
        """Out of service."""
        if self.go("take_out", allowed=not self.model.out and self.model.state != "normal"):
            self.model.out = True

    @precondition(lambda self: self.model.out)
    @rule()
    def put_back(self) -> None:
        """Back into service."""
        if self.go("put_back", allowed=True):
            self.model.out = False

    @invariant()
    def they_agree(self) -> None:
        """The state is the one that the picture shows."""
        assert self.condition.state == self.model.state


TestAlarm = Alarm.TestCase
TestAlarm.settings = hypothesis_settings(max_examples=200, stateful_step_count=30, deadline=None)
