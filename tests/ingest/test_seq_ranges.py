"""Names as ranges say the same as a plain set of names."""

import time

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, delete, insert

from ingest import database, schema
from ingest.seq_ranges import Range, merge, take

SEQS = st.lists(st.integers(0, 40), max_size=30)


def ranges_of(seqs: set[int]) -> list[Range]:
    firsts = sorted(seq for seq in seqs if seq - 1 not in seqs)
    lasts = sorted(seq for seq in seqs if seq + 1 not in seqs)
    return list(zip(firsts, lasts, strict=True))


@given(SEQS, SEQS)
def test_taking_names_is_a_union_of_sets(before: list[int], wanted: list[int]) -> None:
    """What was free is told, and applying the change gives the ranges of the union."""
    held = ranges_of(set(before))
    result = merge(held, wanted)
    assert result.fresh == set(wanted) - set(before)
    after = {first: last for first, last in held if first not in result.gone} | dict(result.made)
    assert sorted(after.items()) == ranges_of(set(before) | set(wanted))


def test_only_what_changes_is_written() -> None:
    """One more at the end moves one range; a gap that closes takes one away."""
    assert merge([(0, 9), (20, 29)], [30]).made == ((20, 30),)
    closed = merge([(0, 9), (11, 29)], [10])
    assert (closed.gone, closed.made) == ((11,), ((0, 29),))
    assert merge([(0, 9)], [3, 4]).made == ()


FAR = st.sets(
    st.integers(0, 60) | st.integers(2**63 - 30, 2**63 - 1) | st.integers(10**9, 10**9 + 60), min_size=1, max_size=30
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(FAR, max_size=4))
def test_numbers_that_lie_far_apart_are_taken_as_any(engine: Engine, batches: list[set[int]]) -> None:
    """From the least to the greatest that there are."""
    taken, table = set[int](), schema.name_range
    with database.writing(engine) as connection:
        connection.execute(delete(table))
        for batch in batches:
            assert take(connection, {(1, "0"): batch})[1, "0"] == batch - taken
            taken |= batch
        kept = connection.execute(table.select().order_by(table.c.first_seq)).all()
    assert [(row.first_seq, row.last_seq) for row in kept] == ranges_of(taken)


def test_what_lies_between_two_numbers_is_not_read(engine: Engine) -> None:
    """A vehicle that leaves out every second number, and names the least and the greatest with each batch, holds up nobody's messages:
    it cost minutes a batch."""
    life, number = {"vehicle_id": 1, "boot": "0"}, 100_000
    with database.writing(engine) as connection:
        held = [life | {"first_seq": 2 * n, "last_seq": 2 * n} for n in range(1, number)]
        connection.execute(insert(schema.name_range), held)
        began_s = time.monotonic()
        wanted = {0, 2**62, *range(2 * number, 2 * number + 2_000, 2)}
        assert take(connection, {(1, "0"): wanted})[1, "0"] == wanted
        assert time.monotonic() - began_s < 2
