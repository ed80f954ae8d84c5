"""An edge node that means harm: texts that are none, births without end, topics without end, names that move a terminal's cursor."""

from pathlib import Path

import pytest
from sqlalchemy import Engine

from ingest.formats.sparkplug import payload as read
from ingest.formats.sparkplug import sessions as read_sessions
from ingest.formats.sparkplug.host import Host
from ingest.formats.sparkplug.sessions import Sessions
from tests.conftest import Mosquitto, wait_until
from tests.ingest.formats.test_sparkplug import (
    INT16,
    MAPPING,
    STRING,
    UINT64,
    T,
    bd,
    born,
    connect,
    edge_node,
    engine,
    metric,
    number,
    payload,
    plan,
    say,
    sessions,
    sized,
    wrong,
)
from tests.ingest.test_listener import listening

__all__ = ["engine", "sessions"]

NO_TEXT = sized(2, sized(1, b"\xff\xfe") + number(4, UINT64) + number(11, 1))


def test_a_text_that_is_none_ends_nothing(mosquitto: Mosquitto, engine: Engine, tmp_path: Path) -> None:
    """It came again after each start, since the broker keeps it: what others send was recorded by nobody any more."""
    host = Host(plan(MAPPING, tmp_path))
    with edge_node(mosquitto.port) as (client, _), listening(mosquitto.port, engine, form=host) as listener:
        for kind, told in (
            ("NBIRTH", payload(bd(0), seq=0)),
            ("DBIRTH", payload(NO_TEXT, seq=1)),
            ("DBIRTH", born(seq=2)),
            ("DDATA", payload(NO_TEXT, metric("", UINT64, 42, T + 60_000, alias=1, told="a"), seq=3)),
        ):
            where = f"spBv1.0/quarry/{kind}/gate" + ("/Pump 7" if kind[0] == "D" else "")
            client.publish(where, told, qos=1)
        wait_until(lambda: listener.tally.recorded["cycle"] == 1)
        assert listener.tally.rejected == 2


def test_a_value_that_is_no_text_is_refused(tmp_path: Path) -> None:
    """In the field of a text; bytes are not written as if somebody had said so."""
    boots = MAPPING.replace('"Lube/Cycles"', '"Lube/Cycles"\nboot = "Boot"', 1)
    to = Sessions(plan(boots, tmp_path))
    say(to, "NBIRTH", payload(bd(0), seq=0))
    birth = payload(metric("Boot", STRING, "A"), metric("Lube/Cycles", UINT64, 1), metric("Lube/Run", INT16, 2), seq=1)
    assert wrong(say(to, "DBIRTH", birth)) == []
    spoilt = payload(metric("Boot", STRING, "ABC"), seq=2).replace(b"ABC", b"\xff\xfe\xfd")
    assert wrong(say(to, "DDATA", spoilt)) == ["a text in the payload is not UTF-8"]


def test_births_are_bounded(sessions: Sessions, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the metrics that those of a node, and of all, tell of: 1,000 devices with births of 1 MB were 11 GB. What is over it is told
    and forgotten; others go on."""
    monkeypatch.setattr(read_sessions, "MOST_METRICS_OF_NODE", 50)
    monkeypatch.setattr(read_sessions, "MOST_METRICS", 60)

    def birth(many: int, seq: int) -> bytes:
        return payload(*(metric(f"m{n}", INT16, 1) for n in range(many)), seq=seq)

    def other(kind: str, told: bytes) -> list[str]:
        where = f"spBv1.0/quarry/{kind}/second" + ("/Pump 8" if kind[0] == "D" else "")
        return wrong(sessions.arrivals(where, told, 1_000_000 * T, 0.0))

    assert wrong(connect(sessions)) == []
    of_node, of_all = (f"the births of {whose} tell of more than" for whose in ("its edge node", "all edge nodes"))
    for seq in range(2, 12):
        assert wrong(say(sessions, "DBIRTH", birth(44, seq), "Pump 8"))[0].startswith(of_node)
    assert wrong(say(sessions, "DDATA", payload(metric("Lube/Level", 9, 54.0, T + 1), seq=12))) == []
    assert wrong(say(sessions, "DBIRTH", birth(40, 13), "Pump 8")) == []
    assert other("NBIRTH", payload(bd(0), seq=0)) == []
    assert other("DBIRTH", birth(20, 1))[0].startswith(of_all)
    assert wrong(say(sessions, "DDEATH", payload(seq=14), "Pump 8")) == []
    assert other("DBIRTH", birth(20, 2)) == []


def test_devices_that_come_and_go_are_forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each new one takes the place of one that died, not of one that is there."""
    monkeypatch.setattr(read_sessions, "MOST_DEVICES", 3)
    own_names = MAPPING.replace(', values = { "Pump 7" = "L7", "Pump 8" = "L8" }', "")
    to = Sessions(plan(own_names, tmp_path))
    say(to, "NBIRTH", payload(bd(0), seq=0))
    assert wrong(say(to, "DBIRTH", born(seq=1), "stays")) == []
    for n in range(40):
        assert wrong(say(to, "DBIRTH", born(seq=2 + 2 * n), f"goes-{n}")) == []
        assert wrong(say(to, "DDEATH", payload(seq=3 + 2 * n), f"goes-{n}")) == []
    (node,) = to._nodes.values()
    assert len(node.vehicles) == 7
    assert "stays" in node.vehicles
    assert wrong(say(to, "DDATA", payload(metric("Lube/Level", 9, 54.0, T + 1), seq=82), "stays")) == []


def test_topics_are_bounded() -> None:
    """65,536 of those that were read are remembered, and one may have 65,535 bytes."""
    long = "spBv1.0/quarry/DDATA/gate/" + "x" * 2_000
    with pytest.raises(read.Unreadable, match="longer than 1,024"):
        read.address_of(long)
    assert read.address_of(long[:1_024]) is not None


def test_names_of_metrics_are_shown_as_text(sessions: Sessions) -> None:
    """Not as what a terminal would do, and their beginning only."""
    say(sessions, "NBIRTH", payload(bd(0), metric("a\n\x1b[2J\u202e", INT16, 1), metric("b" * 500, INT16, 1), seq=0))
    assert sessions.shown_unknown() == (
        rf"""Metrics that the mapping does not name: 'a\n\x1b[2J\u202e', "{"b" * 100}"."""
    )
