"""Names as ranges say the same as a plain set of names."""

from hypothesis import given
from hypothesis import strategies as st

from ingest.seq_ranges import Range, merge

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
