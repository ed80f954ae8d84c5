"""From publications of edge nodes to messages: births say what metrics are, data says what they are worth now.

A message is made of what stands when its metric is reported. Data cannot be read without the births before it: it goes to quarantine,
and births are asked for. A message's number is made of its metric's time and value, not of the Sparkplug sequence, and its boot is
not the session's: the same report has the same name however often it comes, after a rebirth, a restart or a replay of
its log as well, and a vehicle that connects anew is no new controller. Cycles are made of data only: a count that a birth tells is no
cycle that ran then. That cycles were lost shows in the next count.

Numbers of sections are those of the Sparkplug 3.0.0 specification.
"""

from collections import Counter
from dataclasses import dataclass, field
from typing import Final, cast

from ingest.formats.sparkplug.mapping import DEVICE, GROUP, NODE, Plan
from ingest.formats.sparkplug.payload import (
    BD_SEQ,
    OWN_METRICS,
    Address,
    Read,
    Unreadable,
    Value,
    address_of,
    payload_of,
    reader_of,
    rebirth_of,
)
from ingest.formats.sparkplug.schema_pb2 import Metric, Payload
from ingest.formats.translate import Wrong
from ingest.messages import Arrival, Rejected, topic

MOST_NODES: Final = 100_000
MOST_DEVICES: Final = 1_000  # of a node
_MOST_NAMES: Final = 1_000  # of metrics that are told to be unknown
_TOLD: Final = 20
_ASK_EVERY_S: Final = 30.0  # a node that does not answer
_REPEATED: Final = 8  # a number so few back has come already


@dataclass(slots=True)
class _Known:
    """A metric that a birth told of and the mapping reads."""

    name: str
    read: Read


@dataclass(slots=True)
class _Births:
    """What the metrics of a node or device are; None for one that the mapping does not read."""

    by_name: dict[str, _Known | None] = field(default_factory=dict)
    by_alias: dict[int, _Known | None] = field(default_factory=dict)


@dataclass(slots=True)
class _Vehicle:
    """What a vehicle's metrics are worth: now, and in the course of what is told late."""

    fleet: str
    name: str
    now: dict[str, Value | None] = field(default_factory=dict)
    at_ms: dict[str, int] = field(default_factory=dict)
    past: dict[str, Value | None] = field(default_factory=dict)


@dataclass(slots=True)
class _Node:
    """An edge node's session."""

    bd_seq: int | None = None
    expected: int | None = None  # the number of its next message
    missing: set[int] = field(default_factory=set)
    births: dict[str, _Births] = field(default_factory=dict)  # by device, "" for the node itself
    vehicles: dict[str, _Vehicle] = field(default_factory=dict)  # likewise
    troubled_s: float | None = None  # since when messages are missing
    doubted: bool = False  # something may have come that was not heard
    unborn: bool = False  # data came without its birth
    asked_s: float | None = None


class Sessions:
    """Reads what edge nodes publish. `unknown` counts metrics by name that the mapping does not read, as births tell of them."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._troubled: set[tuple[str, str]] = set()
        self.unknown = Counter[str]()

    def interrupted(self) -> None:
        """The connection began anew, or another file: where a node's next number does not follow, its births are of before."""
        for node in self._nodes.values():
            node.doubted = True

    def shown_unknown(self) -> str:
        """The metrics that the mapping does not name, in words."""
        if not self.unknown:
            return ""
        first = [f'"{name}"' for name, _ in self.unknown.most_common(_TOLD)]
        more = f" and {len(self.unknown) - len(first):,} more" if len(self.unknown) > len(first) else ""
        return f"Metrics that the mapping does not name: {', '.join(first)}{more}."

    def arrivals(self, where: str, data: bytes, received_us: int | None, now_s: float) -> list[Arrival]:
        """What a publication becomes; one that is not what it should be comes with that flaw. Never raises."""
        found = list[Arrival]()
        try:
            address = address_of(where)
            if address is not None:
                self._take(address, payload_of(data), received_us, now_s, found)
        except Unreadable as error:
            found.append(Arrival(where, data, received_us, Rejected("row", str(error))))
        except Wrong as wrong:
            told = str(wrong).replace('column "', 'metric "', 1)
            found.append(Arrival(where, data, received_us, Rejected("row", told)))
        except UnicodeDecodeError:
            found.append(Arrival(where, data, received_us, Rejected("row", "a text in the payload is not UTF-8")))
        return found

    def requests(self, now_s: float, now_ms: int) -> list[tuple[str, bytes]]:
        """The births to be asked for now, as topics and payloads (5.9, 5.17)."""
        due = list[tuple[str, bytes]]()
        for key in sorted(self._troubled):
            node = self._nodes[key]
            late = node.troubled_s is not None and now_s - node.troubled_s >= self._plan.session.reorder_s
            if not node.unborn and node.troubled_s is None:
                self._troubled.discard(key)
            elif (node.unborn or late) and (node.asked_s is None or now_s - node.asked_s >= _ASK_EVERY_S):
                node.asked_s = now_s
                due.append(rebirth_of(*key, now_ms))
        return due

    def _take(
        self, address: Address, payload: Payload, received_us: int | None, now_s: float, found: list[Arrival]
    ) -> None:
        key = address.group, address.node
        node = self._nodes.get(key)
        if node is None:
            if len(self._nodes) >= MOST_NODES:
                raise Unreadable(f"there are more than {MOST_NODES:,} edge nodes")
            node = self._nodes[key] = _Node()
        if address.kind == "NDEATH":
            self._node_died(node, payload, received_us, found)
            return
        self._count(key, node, address, payload, now_s)
        if address.kind in ("NBIRTH", "DBIRTH"):
            self._born(key, node, address, payload, received_us, found)
            return
        births = node.births.get(address.device)
        if births is None:
            node.unborn = True
            self._troubled.add(key)
            raise Unreadable(
                f"it came without the birth of its {'device' if address.device else 'edge node'}, which is asked for"
            )
        if address.kind == "DDEATH":
            del node.births[address.device]
            if self._plan.by_device:
                _note_state(node, address.device, received_us, found, online=False)
            return
        self._data(key, node, births, address, payload, received_us, found)

    def _count(self, key: tuple[str, str], node: _Node, address: Address, payload: Payload, now_s: float) -> None:
        """See whether messages are missing by their numbers, 0 to 255 and round again (6.4.5). Raises Unreadable."""
        if not payload.HasField("seq") or payload.seq > 255:
            raise Unreadable("it has no sequence number from 0 to 255")
        seq = payload.seq
        if address.kind == "NBIRTH" or node.expected is None:
            node.missing.clear()
        elif seq in node.missing:
            node.missing.discard(seq)
            if not node.missing:
                node.troubled_s = None
            return
        elif seq != node.expected:
            if node.doubted:
                node.births.clear()
            elif (node.expected - seq) % 256 <= _REPEATED:
                return
            node.missing |= {(node.expected + n) % 256 for n in range((seq - node.expected) % 256)}
            if node.troubled_s is None:
                node.troubled_s = now_s
            self._troubled.add(key)
        node.expected, node.doubted = (seq + 1) % 256, False

    def _node_died(self, node: _Node, payload: Payload, received_us: int | None, found: list[Arrival]) -> None:
        """5.5: an old bdSeq is of a session before this one; the time of a will says nothing."""
        told = _bd_seq(payload)
        if told is None:
            raise Unreadable("a death certificate without bdSeq")
        if node.bd_seq is not None and told != node.bd_seq:
            return
        node.births.clear()
        node.missing.clear()
        node.expected = node.troubled_s = None
        for device in node.vehicles:
            _note_state(node, device, received_us, found, online=False)

    def _born(
        self, key: tuple[str, str], node: _Node, address: Address, payload: Payload, received_us: int | None,
        found: list[Arrival],
    ) -> None:  # fmt: skip
        if address.kind == "NBIRTH":
            node.births.clear()
            node.bd_seq, node.unborn, node.troubled_s, node.asked_s = _bd_seq(payload), False, None, None
            self._troubled.discard(key)
        elif "" not in node.births:
            self._ask(key, node)
            raise Unreadable("the birth of a device came without that of its edge node, which is asked for")
        elif len(node.births) > MOST_DEVICES:
            raise Unreadable(f"its edge node has more than {MOST_DEVICES:,} devices")
        wrong: Unreadable | Wrong | None
        node.births[address.device], wrong = self._births_of(address, payload)
        if not self._plan.by_device or address.device:
            vehicle = self._vehicle(node, address)
            if self._plan.by_device or not address.device:
                vehicle.past, vehicle.now = vehicle.now, {}
                vehicle.at_ms.clear()
                _note_state(node, address.device, received_us, found, online=True)
            wrong = self._values(vehicle, node.births[address.device], payload, received_us, found, born=True) or wrong
        if wrong is not None:
            raise wrong

    def _births_of(self, address: Address, payload: Payload) -> tuple[_Births, Unreadable | None]:
        """6.4.6: each metric with its name and datatype, and an alias that is its own; and what of it cannot be read. Raises
        Unreadable where nothing can."""
        births, plan = _Births(), self._plan
        wrong: Unreadable | None = None
        prefix = f"{address.device}/" if address.device and not plan.by_device else ""
        for metric in payload.metrics:
            if not metric.name:
                raise Unreadable("a birth has a metric without a name")
            name, known = prefix + metric.name, None
            if name in plan.names:
                try:
                    known = _Known(name, reader_of(name, metric.datatype, shortest=name in plan.scalars))
                except Unreadable as error:
                    wrong = error
            elif not metric.name.startswith(OWN_METRICS) and (len(self.unknown) < _MOST_NAMES or name in self.unknown):
                self.unknown[name] += 1
            births.by_name[metric.name] = known
            if metric.HasField("alias"):
                if metric.alias in births.by_alias:
                    raise Unreadable(
                        f'a birth gives the alias {metric.alias} twice, the second time to "{metric.name}"'
                    )
                births.by_alias[metric.alias] = known
        return births, wrong

    def _vehicle(self, node: _Node, address: Address) -> _Vehicle:
        device = address.device if self._plan.by_device else ""
        vehicle = node.vehicles.get(device)
        if vehicle is None:
            cells = {GROUP: address.group, NODE: address.node} | ({DEVICE: device} if device else {})
            vehicle = node.vehicles[device] = _Vehicle(*self._plan.whose(cells))
        return vehicle

    def _ask(self, key: tuple[str, str], node: _Node) -> None:
        node.unborn = True
        self._troubled.add(key)

    def _data(
        self, key: tuple[str, str], node: _Node, births: _Births, address: Address, payload: Payload,
        received_us: int | None, found: list[Arrival],
    ) -> None:  # fmt: skip
        if self._plan.by_device and not address.device:
            return  # an edge node that is no vehicle
        wrong = self._values(self._vehicle(node, address), births, payload, received_us, found, born=False)
        if wrong is not None:
            if isinstance(wrong, _Unborn):
                self._ask(key, node)
            raise wrong

    def _values(
        self, vehicle: _Vehicle, births: _Births, payload: Payload, received_us: int | None, found: list[Arrival],
        *, born: bool,
    ) -> Unreadable | Wrong | None:  # fmt: skip
        """Take in the values of a payload in its order; a metric that comes again begins the next reading. What of it is wrong."""
        sent_ms, wrong = payload.timestamp, cast("Unreadable | Wrong | None", None)
        made, seen, late = list[tuple[str, Value, int]](), set[str](), dict[int, dict[str, Value | None]]()
        now, at_ms, made_by, cycles = vehicle.now, vehicle.at_ms, self._plan.made_by, self._plan.cycles
        for metric in payload.metrics:
            try:
                known = _known(births, metric)
                if known is None:
                    continue
                value = known.read(metric)
            except Unreadable as error:
                wrong = error
                continue
            name, ms = known.name, metric.timestamp or sent_ms
            if not born and (metric.is_historical or ms < at_ms.get(name, 0)):
                late.setdefault(ms, {})[name] = value
                continue
            if name in seen:
                wrong = self._make(vehicle, now, made, sent_ms, received_us, found) or wrong
                seen.clear()
            seen.add(name)
            if name in made_by and value is not None and not (name in cycles and (born or now.get(name) == value)):
                made.append((name, value, ms))
            now[name], at_ms[name] = value, ms
        wrong = self._make(vehicle, now, made, sent_ms, received_us, found) or wrong
        for ms in sorted(late):
            told, past = late[ms], vehicle.past
            made = [
                (name, value, ms)
                for name, value in told.items()
                if name in made_by and value is not None and not (name in cycles and past.get(name) == value)
            ]
            past |= told
            wrong = self._make(vehicle, past, made, sent_ms, received_us, found) or wrong
        return wrong

    def _make(
        self, vehicle: _Vehicle, values: dict[str, Value | None], made: list[tuple[str, Value, int]], sent_ms: int,
        received_us: int | None, found: list[Arrival],
    ) -> Unreadable | Wrong | None:  # fmt: skip
        """The messages of what was reported, and what of it is wrong; the list is empty afterwards."""
        wrong: Unreadable | Wrong | None = None
        for name, value, ms in made:
            if not ms:
                wrong = Unreadable(f'metric "{name}" has no timestamp, nor has its payload')
                continue
            for one in self._plan.made_by[name]:
                try:
                    told = one.made(values, ms, sent_ms, (name, value))
                except Wrong as error:
                    wrong = error
                    continue
                if told is not None:
                    found.append(Arrival(topic(vehicle.fleet, vehicle.name, one.kind.kind), told, received_us))
        made.clear()
        return wrong


class _Unborn(Unreadable):
    """A metric that no birth told of."""


def _note_state(node: _Node, device: str, received_us: int | None, found: list[Arrival], *, online: bool) -> None:
    """Whether a vehicle is online: as the last will of our own messages, which has no name and no time either."""
    vehicle = node.vehicles.get(device)
    if vehicle is not None:
        told = b'{"online":true}' if online else b'{"online":false}'
        found.append(Arrival(topic(vehicle.fleet, vehicle.name, "state"), told, received_us))


def _known(births: _Births, metric: Metric) -> _Known | None:
    """What a metric is, by its name or else its alias (6.4.6). Raises _Unborn."""
    try:
        name = metric.name
        return births.by_name[name] if name else births.by_alias[metric.alias]
    except KeyError:
        told = f'metric "{metric.name}"' if metric.name else f"alias {metric.alias}"
        raise _Unborn(f"{told} was in no birth, which is asked for") from None


def _bd_seq(payload: Payload) -> int | None:
    return next((metric.long_value or metric.int_value for metric in payload.metrics if metric.name == BD_SEQ), None)
