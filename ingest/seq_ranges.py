"""The names (vehicle, boot, seq) that are taken, kept as ranges: what makes recording the same message twice harmless."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import msgspec
from sqlalchemy import Connection

from ingest.database import arrays

Life = tuple[int, str]  # vehicle id, boot: what one counter numbers
Range = tuple[int, int]  # first and last seq, both taken
_GREATEST: Final = 2**63 - 1
_NEAR_BY: Final = 16  # numbers no further apart are looked for together: some were lost, or have come already


@dataclass(frozen=True)
class Merge:
    """`fresh` were free; with them taken, the ranges that begin at `gone` vanish and those in `made` hold."""

    fresh: frozenset[int]
    gone: tuple[int, ...]
    made: tuple[Range, ...]


def merge(held: list[Range], wanted: Iterable[int]) -> Merge:
    """Take the numbers in `wanted`; `held` are the ranges near them, ascending, neither touching nor overlapping."""
    firsts = [first for first, _ in held]

    def is_taken(seq: int) -> bool:
        place = bisect_right(firsts, seq) - 1
        return place >= 0 and seq <= held[place][1]

    fresh = sorted({seq for seq in wanted if not is_taken(seq)})
    ranges: list[Range] = []
    for first, last in sorted([*held, *((seq, seq) for seq in fresh)]):
        if ranges and first == ranges[-1][1] + 1:
            ranges[-1] = ranges[-1][0], last
        else:
            ranges.append((first, last))
    before, kept = set(held), {first for first, _ in ranges}
    return Merge(
        frozenset(fresh),
        tuple(first for first, _ in held if first not in kept),
        tuple(range_ for range_ in ranges if range_ not in before),
    )


def take(connection: Connection, wanted: Mapping[Life, set[int]]) -> dict[Life, frozenset[int]]:
    """Take names; the numbers of each life that were free. Nobody else may take names of these vehicles meanwhile."""
    near = _near(connection, [(life, span) for life, seqs in wanted.items() for span in spans(seqs)])
    fresh, gone, made = {}, [], []
    for life, seqs in sorted(wanted.items()):
        merged = merge(near.get(life, []), seqs)
        fresh[life] = merged.fresh
        gone += [(*life, first) for first in merged.gone]
        made += [(*life, first, last) for first, last in merged.made]
    _write(connection, gone, made)
    return fresh


def spans(seqs: Iterable[int]) -> list[Range]:
    """Stretches that the numbers lie in. One from the least to the greatest would have all ranges between two far numbers read."""
    found: list[Range] = []
    for seq in sorted(seqs):
        if found and seq - found[-1][1] <= _NEAR_BY:
            found[-1] = found[-1][0], seq
        else:
            found.append((seq, seq))
    return found


def _near(connection: Connection, spans: Iterable[tuple[Life, Range]]) -> dict[Life, list[Range]]:
    """The ranges that meet or touch each span, ascending."""
    found: dict[Life, set[Range]] = {}
    rows: list[Any] = [(*life, first, min(last, _GREATEST - 1) + 1) for life, (first, last) in spans]
    if connection.dialect.name == "sqlite":
        near = connection.exec_driver_sql(_NEAR.format(_FROM_JSON), (msgspec.json.encode(rows).decode(),))
    else:
        near = connection.exec_driver_sql(_NEAR.format(_FROM_ARRAYS), arrays(zip(*rows, strict=True)))
    for vehicle_id, boot, first, last in near:
        found.setdefault((vehicle_id, boot), set()).add((first, last))
    return {life: sorted(ranges) for life, ranges in found.items()}


_FROM_ARRAYS: Final = "SELECT * FROM unnest(%s::integer[], %s::varchar[], %s::bigint[], %s::bigint[])"
_FROM_JSON: Final = (
    "SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]'), json_extract(value, '$[2]'),"
    " json_extract(value, '$[3]') FROM json_each(?)"
)
_NEAR: Final = (
    "WITH span(vehicle_id, boot, low, high) AS ({})"
    " SELECT n.vehicle_id, n.boot, n.first_seq, n.last_seq FROM span AS s"
    " JOIN name_range AS n ON n.vehicle_id = s.vehicle_id AND n.boot = s.boot AND n.first_seq <= s.high"
    " AND n.first_seq >= coalesce((SELECT max(b.first_seq) FROM name_range AS b"
    " WHERE b.vehicle_id = s.vehicle_id AND b.boot = s.boot AND b.first_seq <= s.low), 0)"
)


def _write(connection: Connection, gone: list[tuple[int, str, int]], made: list[tuple[int, str, int, int]]) -> None:
    sqlite = connection.dialect.name == "sqlite"
    mark = "?" if sqlite else "%s"
    if gone:
        connection.exec_driver_sql(
            f"DELETE FROM name_range WHERE vehicle_id = {mark} AND boot = {mark} AND first_seq = {mark}", gone
        )
    if not made:
        return
    replaced = "ON CONFLICT (vehicle_id, boot, first_seq) DO UPDATE SET last_seq = excluded.last_seq"
    if sqlite:
        connection.exec_driver_sql(f"INSERT INTO name_range VALUES (?, ?, ?, ?) {replaced}", made)
    else:
        told = "unnest(%s::integer[], %s::varchar[], %s::bigint[], %s::bigint[])"
        connection.exec_driver_sql(
            f"INSERT INTO name_range SELECT * FROM {told} {replaced}", arrays(zip(*made, strict=True))
        )
