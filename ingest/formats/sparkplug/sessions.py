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
from typing import Final

from ingest.formats.sparkplug.mapping import DEVICE, GROUP, NODE, Plan
from ingest.formats.sparkplug.payload import (
    BD_SEQ,
    OWN_METRICS,
    Address,
    Reading,
    Unreadable,
    Value,
    address_of,
    may_be_marked,
    payload_of,
    reading_of,
    rebirth_of,
    text,
)
from ingest.formats.sparkplug.schema_pb2 import Metric, Payload
from ingest.formats.translate import Wrong
from ingest.messages import Arrival, Rejected, topic

MOST_NODES: Final = 100_000
MOST_DEVICES: Final = 1_000  # of a node
MOST_METRICS: Final = 5_000_000  # that births told of; a birth of 1 MB takes 11 MB of memory
MOST_METRICS_OF_NODE: Final = 200_000
_MOST_NAMES: Final = 1_000  # of metrics that are told to be unknown
_TOLD, _SHOWN = 20, 100  # names, and characters of one
_ASK_EVERY_S: Final = 30.0  # a node that does not answer
_REPEATED: Final = 8  # a number so few back has come already

_Report = tuple[str, Value, int]  # a metric that makes a message, its value, milliseconds since 1970


@dataclass(slots=True, eq=False)
class _Known:
    """A metric that a birth told of and the mapping reads."""

    name: str
    reading: Reading
    makes: bool  # a message
    makes_cycle: bool
    at_ms: int = 0
    turn: int = -1  # in which it was reported last


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
    past: dict[str, Value | None] = field(default_factory=dict)
    turn: int = 0  # which reading it is


@dataclass(slots=True)
class _Node:
    """An edge node's session."""

    group: str
    name: str
    bd_seq: int | None = None
    expected: int | None = None  # the number of its next message
    missing: set[int] = field(default_factory=set)
    births: dict[str, _Births] = field(default_factory=dict)  # by device, "" for the node itself
    vehicles: dict[str, _Vehicle] = field(default_factory=dict)  # likewise
    troubled_s: float | None = None  # since when messages are missing
    doubted: bool = False  # something may have come that was not heard
    unborn: bool = False  # data came without its birth
    asked_s: float | None = None


@dataclass(slots=True)
class _Said:
    """A publication, what it becomes, and what of it is wrong."""

    address: Address
    payload: Payload
    received_us: int | None
    marked: bool  # whether a metric of it may be null, historical, or of a quality
    found: list[Arrival]
    wrong: Exception | None = None


class Sessions:
    """Reads what edge nodes publish. `unknown` counts metrics by name that the mapping does not read, as births tell of them."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._troubled: set[tuple[str, str]] = set()
        self._metrics = 0  # of all births
        self.unknown = Counter[str]()

    def interrupted(self) -> None:
        """The connection began anew, or another file: where a node's next number does not follow, its births are of before."""
        for node in self._nodes.values():
            node.doubted = True

    def shown_unknown(self) -> str:
        """The metrics that the mapping does not name, in words."""
        if not self.unknown:
            return ""
        first = [f'"{name}"' if name.isprintable() else repr(name) for name, _ in self.unknown.most_common(_TOLD)]
        more = f" and {len(self.unknown) - len(first):,} more" if len(self.unknown) > len(first) else ""
        return f"Metrics that the mapping does not name: {', '.join(first)}{more}."

    def arrivals(self, where: str, data: bytes, received_us: int | None, now_s: float) -> list[Arrival]:
        """What a publication becomes; one that is not what it should be comes with that flaw. Never raises."""
        found, why = list[Arrival](), ""
        try:
            address = address_of(where)
            if address is not None:
                said = _Said(address, payload_of(data), received_us, may_be_marked(data), found)
                self._take(said, now_s)
                if said.wrong is not None:
                    raise said.wrong
        except Unreadable as error:
            why = str(error)
        except Wrong as error:
            why = str(error).replace('column "', 'metric "', 1)
        except UnicodeDecodeError:
            why = "a text in the payload is not UTF-8"
        except (ValueError, OverflowError):  # one publication must never be the end of those after it
            why = "it holds a number that cannot be reckoned with"
        if why:
            found.append(Arrival(where, data, received_us, Rejected("row", why)))
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
                due.append(rebirth_of(node.group, node.name, now_ms))
        return due

    def _take(self, said: _Said, now_s: float) -> None:
        address, key = said.address, (said.address.group, said.address.node)
        node = self._nodes.get(key)
        if node is None:
            if len(self._nodes) >= MOST_NODES:
                raise Unreadable(f"there are more than {MOST_NODES:,} edge nodes")
            node = self._nodes[key] = _Node(*key)
        if address.kind == "NDEATH":
            self._node_died(node, said)
            return
        self._count(node, said, now_s)
        if address.kind in ("NBIRTH", "DBIRTH"):
            self._born(node, said)
            return
        births = node.births.get(address.device)
        if births is None:
            self._ask(node)
            whose = "device" if address.device else "edge node"
            raise Unreadable(f"it came without the birth of its {whose}, which is asked for")
        if address.kind == "DDEATH":
            self._forget(node, address.device)
            if self._plan.by_device:
                _note_state(node, said, address.device, online=False)
        elif address.device or not self._plan.by_device:
            self._values(self._vehicle(node, address), births, said, born=False)
            if isinstance(said.wrong, _Unborn):
                self._ask(node)

    def _count(self, node: _Node, said: _Said, now_s: float) -> None:
        """See whether messages are missing by their numbers, 0 to 255 and round again (6.4.5). Raises Unreadable."""
        if not said.payload.HasField("seq") or said.payload.seq > 255:
            raise Unreadable("it has no sequence number from 0 to 255")
        seq = said.payload.seq
        if said.address.kind == "NBIRTH" or node.expected is None:
            node.missing.clear()
        elif seq in node.missing:
            node.missing.discard(seq)
            if not node.missing:
                node.troubled_s = None
            return
        elif seq != node.expected:
            if node.doubted:
                self._forget(node, *node.births)
            elif (node.expected - seq) % 256 <= _REPEATED:
                return
            node.missing |= {(node.expected + n) % 256 for n in range((seq - node.expected) % 256)}
            if node.troubled_s is None:
                node.troubled_s = now_s
            self._troubled.add((node.group, node.name))
        node.expected, node.doubted = (seq + 1) % 256, False

    def _ask(self, node: _Node) -> None:
        node.unborn = True
        self._troubled.add((node.group, node.name))

    def _born(self, node: _Node, said: _Said) -> None:
        device = said.address.device
        if not device:
            self._forget(node, *node.births)
            node.bd_seq, node.unborn, node.troubled_s, node.asked_s = _bd_seq(said.payload), False, None, None
            self._troubled.discard((node.group, node.name))
        elif "" not in node.births:
            self._ask(node)
            raise Unreadable("the birth of a device came without that of its edge node, which is asked for")
        elif len(node.births) > MOST_DEVICES:
            raise Unreadable(f"its edge node has more than {MOST_DEVICES:,} devices")
        births = self._births_of(said)
        self._forget(node, device)
        told = len(births.by_name)
        for most, before, whose in (
            (MOST_METRICS_OF_NODE, sum(len(one.by_name) for one in node.births.values()), "its edge node"),
            (MOST_METRICS, self._metrics, "all edge nodes"),
        ):
            if before + told > most:
                raise Unreadable(f"the births of {whose} tell of more than {most:,} metrics")
        node.births[device], self._metrics = births, self._metrics + told
        if device or not self._plan.by_device:
            vehicle = self._vehicle(node, said.address)
            if bool(device) == self._plan.by_device:
                vehicle.past, vehicle.now = vehicle.now, {}
                _note_state(node, said, device, online=True)
            self._values(vehicle, births, said, born=True)

    def _forget(self, node: _Node, *devices: str) -> None:
        """The births of devices, where there are such."""
        for device in devices:
            self._metrics -= len(node.births.pop(device, _Births()).by_name)

    def _node_died(self, node: _Node, said: _Said) -> None:
        """5.5: an old bdSeq is of a session before this one; the time of a will says nothing."""
        told = _bd_seq(said.payload)
        if told is None:
            raise Unreadable("a death certificate without bdSeq")
        if node.bd_seq is not None and told != node.bd_seq:
            return
        self._forget(node, *node.births)
        node.missing.clear()
        node.expected = node.troubled_s = None
        for device in node.vehicles:
            _note_state(node, said, device, online=False)

    def _births_of(self, said: _Said) -> _Births:
        """6.4.6: each metric with its name and datatype, and an alias that is its own. Raises Unreadable where nothing can be read."""
        births, plan, device = _Births(), self._plan, said.address.device
        prefix = f"{device}/" if device and not plan.by_device else ""
        for metric in said.payload.metrics:
            if not metric.name:
                raise Unreadable("a birth has a metric without a name")
            name, known = prefix + text(metric.name), None
            if name in plan.names:
                shortest, numeric = name in plan.scalars, name in plan.pressures
                try:
                    reading = reading_of(name, metric.datatype, shortest=shortest, numeric=numeric)
                    known = _Known(name, reading, name in plan.made_by, name in plan.cycles)
                except Unreadable as error:
                    said.wrong = error
            elif not metric.name.startswith(OWN_METRICS):
                shown = name[:_SHOWN]
                if len(self.unknown) < _MOST_NAMES or shown in self.unknown:
                    self.unknown[shown] += 1
            births.by_name[metric.name] = known
            if metric.HasField("alias"):
                if metric.alias in births.by_alias:
                    raise Unreadable(
                        f'a birth gives the alias {metric.alias} twice, the second time to "{metric.name}"'
                    )
                births.by_alias[metric.alias] = known
        return births

    def _vehicle(self, node: _Node, address: Address) -> _Vehicle:
        device = address.device if self._plan.by_device else ""
        vehicle = node.vehicles.get(device)
        if vehicle is None:
            cells = {GROUP: address.group, NODE: address.node} | ({DEVICE: device} if device else {})
            if (
                len(node.vehicles) > 2 * MOST_DEVICES
            ):  # at most half of them are born; of the others the first is forgotten
                del node.vehicles[next(name for name in node.vehicles if name not in node.births)]
            vehicle = node.vehicles[device] = _Vehicle(*self._plan.whose(cells))
        return vehicle

    def _values(self, vehicle: _Vehicle, births: _Births, said: _Said, *, born: bool) -> None:
        """Take in the values of a payload in its order; a metric that comes again begins the next reading."""
        sent_ms, marked, now = said.payload.timestamp, said.marked, vehicle.now
        by_alias, turn = births.by_alias, vehicle.turn + 1
        made, late = list[_Report](), dict[int, dict[_Known, Value | None]]()
        for metric in said.payload.metrics:
            alias = metric.alias
            known = by_alias.get(alias, _UNTOLD) if alias else _UNTOLD
            try:
                if known is _UNTOLD:
                    known = _by_name(births, metric)
                if known is None:
                    continue
                reading = known.reading
                value = getattr(metric, reading.field)
                if marked or not value:
                    value = reading.careful(metric)
                elif reading.convert is not None:
                    value = reading.convert(value)
            except Unreadable as error:
                said.wrong = error
                continue
            ms = metric.timestamp or sent_ms
            if (ms < known.at_ms or (marked and metric.is_historical)) and not born:
                late.setdefault(ms, {})[known] = value
                continue
            if known.turn == turn:
                self._make(vehicle, now, made, said)
                turn += 1
            known.turn, known.at_ms = turn, ms
            if known.makes and value is not None and not (known.makes_cycle and (born or now.get(known.name) == value)):
                made.append((known.name, value, ms))
            now[known.name] = value
        vehicle.turn = turn
        self._make(vehicle, now, made, said)
        if late:
            self._late(vehicle, late, said)

    def _late(self, vehicle: _Vehicle, late: dict[int, dict[_Known, Value | None]], said: _Said) -> None:
        """What was so before what stands now: in the order of its time."""
        past = vehicle.past
        for ms in sorted(late):
            made = [
                (known.name, value, ms)
                for known, value in late[ms].items()
                if known.makes and value is not None and not (known.makes_cycle and past.get(known.name) == value)
            ]
            past |= {known.name: value for known, value in late[ms].items()}
            self._make(vehicle, past, made, said)

    def _make(self, vehicle: _Vehicle, values: dict[str, Value | None], made: list[_Report], said: _Said) -> None:
        """The messages of what was reported; the list is empty afterwards."""
        for name, value, ms in made:
            if not ms:
                said.wrong = Unreadable(f'metric "{name}" has no timestamp, nor has its payload')
                continue
            for one in self._plan.made_by[name]:
                try:
                    told = one.made(values, ms, said.payload.timestamp, (name, value))
                except Wrong as error:
                    said.wrong = error
                    continue
                if told is not None:
                    where = topic(vehicle.fleet, vehicle.name, one.kind.kind)
                    said.found.append(Arrival(where, told, said.received_us))
        made.clear()


class _Unborn(Unreadable):
    """A metric that no birth told of."""


def _by_name(births: _Births, metric: Metric) -> _Known | None:
    """What a metric is, where its alias alone does not say. Raises _Unborn."""
    name = metric.name
    try:
        return births.by_name[name] if name else births.by_alias[metric.alias]
    except KeyError:
        told = f'metric "{name}"' if name else f"alias {metric.alias}"
        raise _Unborn(f"{told} was in no birth, which is asked for") from None


_UNTOLD: Final = _Known("", Reading("", "", "", "", None), makes=False, makes_cycle=False)


def _note_state(node: _Node, said: _Said, device: str, *, online: bool) -> None:
    """Whether a vehicle is online: as the last will of our own messages, which has no name and no time either."""
    vehicle = node.vehicles.get(device)
    if vehicle is not None:
        told = b'{"online":true}' if online else b'{"online":false}'
        said.found.append(Arrival(topic(vehicle.fleet, vehicle.name, "state"), told, said.received_us))


def _bd_seq(payload: Payload) -> int | None:
    return next((metric.long_value or metric.int_value for metric in payload.metrics if metric.name == BD_SEQ), None)
