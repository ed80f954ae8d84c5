"""What kinds of lubrication point there are."""

from functools import lru_cache
from typing import Final

# What a point is, without the words that only say where it is.
_WHERE: Final = frozenset("left right upper lower front rear head rod inner outer axle".split())


@lru_cache(4096)
def point_kind(point: str) -> str:
    """What a lubrication point is, wherever it sits: kingpin upper left -> kingpin, boom pivot 7 -> boom pivot."""
    kept = [word for word in point.split() if word.casefold() not in _WHERE and not word.isdecimal()]
    return " ".join(kept) or point
