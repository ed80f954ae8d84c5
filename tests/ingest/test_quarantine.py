"""What could not be recorded is kept, counted, shown, and released when it can be read."""

import json
import random
import tracemalloc

import pytest
from sqlalchemy import Engine, select, update

from ingest import database, quarantine, recorder, schema
from ingest.errors import Problem
from ingest.messages import KINDS, Arrival, Decoded, Rejected, decode, source_of, topic
from ingest.recorder import Recorder
from tests.helpers.messages import COMMON, CYCLE, level


def test_it_is_counted_by_reason(engine: Engine) -> None:
    """Most frequent first; the count stays when the oldest go."""
    Recorder(engine, "a").record([Arrival("lube/1/f/v/level", b"{", None)] * 3 + [Arrival("x", b"", None)])
    Recorder(engine, "b").record([Arrival("lube/1/f/v/level", b"{", None)])
    with engine.connect() as connection:
        assert quarantine.counts(connection) == [("json", 4, 4), ("topic", 1, 1)]
        newest, *_ = quarantine.show(connection, "topic", 10)
        assert quarantine.one(connection, newest.id).topic == "x"
        with pytest.raises(Problem, match="nothing numbered 99"):
            quarantine.one(connection, 99)


def test_it_is_bounded(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest go first."""
    monkeypatch.setattr(recorder, "QUARANTINE_ROWS", 10)
    one = Recorder(engine, "a")
    for n in range(25):
        one.record([Arrival(f"bad/{n}", b"", None)])
    with engine.connect() as connection:
        held = quarantine.show(connection, None, 100)
        assert [h.topic for h in held] == [f"bad/{n}" for n in range(24, 14, -1)]
        assert quarantine.counts(connection) == [("topic", 25, 10)]


def test_one_vehicle_drives_nobody_elses_out(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever it publishes below its own topic: what another sent before it still waits to be looked at, or released."""
    monkeypatch.setattr(recorder, "QUARANTINE_ROWS", 20)
    one = Recorder(engine, "a")
    one.record([Arrival("lube/1/f/quiet/level", b"{", n) for n in range(3)])
    for n in range(25):
        rubbish = ("lube/1/f/loud/level", f"lube/1/f/loud/{n}", f"lube/1/f/loud/{n}/more", "lube/1/f/loud")
        one.record([Arrival(where, b"", n) for where in rubbish])
    one.record([Arrival(f"pump.csv:{n}", b"", None, Rejected("row")) for n in range(2)])
    with engine.connect() as connection:
        held = quarantine.show(connection, None, 100)
    assert len(held) == 20
    assert [h.received_us for h in held if "quiet" in h.topic] == [2, 1, 0]
    assert [h.topic for h in held[:2]] == ["pump.csv:1", "pump.csv:0"]
    assert [h.id for h in held] == sorted((h.id for h in held), reverse=True)


@pytest.mark.parametrize(
    ("topic_", "source"),
    [
        ("lube/1/f/v/level", "lube/1/f/v"), ("lube/1/f/v/x/y", "lube/1/f/v"), ("lube/1/f/v", "lube/1/f/v"), ("day 1.csv:17", "day 1.csv"),
        ("spBv1.0/yard/DDATA/node/pump", "spBv1.0/yard/node"), ("spBv1.0/yard/NBIRTH/node", "spBv1.0/yard/node"), ("x", "x"), ("", ""),
    ],
)  # fmt: skip
def test_whose_a_topic_is(topic_: str, source: str) -> None:
    """Whatever it is."""
    assert source_of(topic_) == source


def test_what_can_be_read_now_is_released(engine: Engine) -> None:
    """As after an update; the rest stays, and a second release changes nothing."""
    Recorder(engine, "a").record(
        [level(1), Arrival("lube/1/f/v/level", b"{", None), Arrival("lube/1/f/v/level", b"}", 5)]
    )
    with database.writing(engine) as connection:  # what an older version could not read
        table = schema.quarantine
        connection.execute(update(table).where(table.c.payload == b"}").values(payload=level(2).payload))
    assert quarantine.release(engine).recorded["level"] == 1
    assert quarantine.release(engine).recorded.total() == 0
    with engine.connect() as connection:
        assert (
            connection.execute(select(schema.message.c.received_us).where(schema.message.c.seq == 2)).scalar_one() == 5
        )
        assert [h.payload for h in quarantine.show(connection, None, 9)] == [b"{"]


@pytest.mark.parametrize(
    "number", [pytest.param(20_000, id="short"), pytest.param(1_000_000, id="long", marks=pytest.mark.long)]
)
def test_nothing_raises_and_nothing_grows(number: int) -> None:
    """Valid messages with bytes changed, cut, doubled and spliced; the same memory after as before."""
    dice = random.Random(3)
    whole = [json.dumps(p).encode() for p in (CYCLE, COMMON | {"level_pct": 3}, {"online": True})]
    odd = [b"\x00", b"\xff", b"[", b"{", b'"', b"1e999", b"NaN", b"-", b"\\u0000", b"null", b"9" * 30, b"\xed\xa0\x80"]
    kinds = sorted(KINDS)

    def one() -> Decoded | Rejected:
        data = bytearray(dice.choice(whole))
        for _ in range(dice.randrange(4)):
            at = dice.randrange(len(data) + 1)
            match dice.randrange(4):
                case 0:
                    data[at : at + dice.randrange(9)] = dice.choice(odd)
                case 1:
                    del data[at:]
                case 2:
                    data[at:at] = data[: dice.randrange(20)]
                case _:
                    data[at : at + 1] = bytes([dice.randrange(256)])
        return decode(Arrival(topic("f", "v", dice.choice(kinds)), bytes(data), None))

    seen = {type(one()) for _ in range(5_000)}
    assert seen == {Decoded, Rejected}
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(number):
        one()
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert grown < 100_000
