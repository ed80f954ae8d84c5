"""What a batch of arrivals says, worked out without a database: rows that want only the numbers of their vehicles.

Whoever reads a log file does this while the recorder's process commits the batch before.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ingest.messages import Arrival, Rejected, State, decode, topic
from ingest.rows import KIND, LISTS, RECEIVED, Row, row_of


class Entries(NamedTuple):
    """A batch, in the order of its arrivals. A vehicle's number counts those of the batch, until `registered` puts its own there."""

    vehicles: dict[int, tuple[str, str]]  # fleet and vehicle by number
    rows: list[Row]
    payloads: list[bytes]  # of the rows
    states: list[tuple[int, bool, int]]  # number of the vehicle, whether it is online, received_us
    wills: list[tuple[int, Arrival]]  # number of the vehicle; they have no name, and so no row
    refused: list[tuple[Arrival, Rejected]]
    lists: dict[int, list[str]]  # names of channels by their hash

    def arrival(self, place: int) -> Arrival:
        """The arrival that a row was made of."""
        row = self.rows[place]
        return Arrival(topic(*self.vehicles[row[0]], row[KIND]), self.payloads[place], row[RECEIVED])


def entries_of(arrivals: Sequence[Arrival]) -> Entries:
    """Read a batch; never raises, whatever the bytes are."""
    numbers: dict[tuple[str, str], int] = {}
    told = Entries({}, [], [], [], [], [], {})
    for arrival in arrivals:
        decoded = decode(arrival)
        if isinstance(decoded, Rejected):
            told.refused.append((arrival, decoded))
            continue
        number = numbers.setdefault((decoded.fleet, decoded.vehicle), len(numbers))
        received_us = arrival.received_us
        if isinstance(decoded.message, State):
            if received_us is not None:
                told.states.append((number, decoded.message.online, received_us))
            if not decoded.message.of_record:
                told.wills.append((number, arrival))
                continue
        told.rows.append(row_of(decoded, number, received_us, told.lists))
        told.payloads.append(arrival.payload)
    told.vehicles.update((number, name) for name, number in numbers.items())
    return told


def registered(told: Entries, ids: Mapping[tuple[str, str], int]) -> Entries:
    """The batch with the vehicles' own numbers; what is of vehicles that have none is refused."""
    missing = {number for number, name in told.vehicles.items() if name not in ids}
    if missing:
        told = _without(told, missing)
    of = {number: ids[name] for number, name in told.vehicles.items()}
    return told._replace(
        vehicles={of[number]: name for number, name in told.vehicles.items()},
        rows=[(of[row[0]], *row[1:]) for row in told.rows],
        states=[(of[number], online, received_us) for number, online, received_us in told.states],
        wills=[(of[number], arrival) for number, arrival in told.wills],
    )


def _without(told: Entries, missing: set[int]) -> Entries:
    kept = [place for place, row in enumerate(told.rows) if row[0] not in missing]
    gone = [told.arrival(place) for place, row in enumerate(told.rows) if row[0] in missing]
    gone += [arrival for number, arrival in told.wills if number in missing]
    rows = [told.rows[place] for place in kept]
    used = {row[column] for row in rows for column in LISTS}
    return Entries(
        {number: name for number, name in told.vehicles.items() if number not in missing},
        rows,
        [told.payloads[place] for place in kept],
        [state for state in told.states if state[0] not in missing],
        [will for will in told.wills if will[0] not in missing],
        [*told.refused, *((arrival, Rejected("unregistered")) for arrival in gone)],
        {key: names for key, names in told.lists.items() if key in used},
    )
