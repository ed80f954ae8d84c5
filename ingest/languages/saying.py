"""Sentences that are made once, kept, and told later to each reader in a language of their own.

A `Said` is its English text, so that whatever wants English needs to know nothing of it; beside that it knows the texts of the catalogue
and the values that it was made of, in the form in which JSON keeps them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, Final

from ingest.languages import ENGLISH, begun, cldr, language, speaking, tr, trn

# [text, its plural or None, the number or None, {place: value}]; values are texts and whole numbers, or one of the shapes below.
Parts = list[list[Any]]
_NUMBER: Final = "number"
_DAY: Final = "day"
_SAID: Final = "said"
_CAPITAL: Final = "capital"


class Said(str):
    """An English text with what it was made of."""

    __slots__ = ("parts",)
    parts: Parts

    def __new__(cls, english: str, parts: Parts) -> Said:
        said = super().__new__(cls, english)
        said.parts = parts
        return said

    def __getnewargs__(self) -> tuple[str, Parts]:  # type: ignore[override]  # for pickles and copies
        return str(self), self.parts

    def then(self, more: Said | None) -> Said:
        """This and, after a space, another sentence; None: nothing more."""
        return self if more is None else Said(f"{self} {more}", [*self.parts, *more.parts])


def say(text: str, **places: Any) -> Said:
    """A sentence of the catalogue; its places may be texts, whole numbers, `number`, `on_day` or other sentences."""
    return _made([text, None, None, _kept(places)])


def say_n(one: str, many: str, n: int, **places: Any) -> Said:
    """A sentence that goes by number, which is its place `n`."""
    return _made([one, many, n, _kept(places)])


def also(text: str, more: Said) -> Said:
    """A kept text and another sentence; where nobody knows what the text was made of, it stays English."""
    known = text if isinstance(text, Said) else Said(text, [[text, None, None, {}]])
    return known.then(more)


def joined(sentences: Sequence[Said]) -> Said | None:
    """Sentences as one text, a space between; None where there are none."""
    if not sentences:
        return None
    return Said(" ".join(sentences), [part for one in sentences for part in one.parts])


def number(value: float, digits: int | None = None) -> dict[str, Any]:
    """A number for a place, with so many digits after the point; None: as many as it has."""
    return {_NUMBER: [float(value), digits]}


def on_day(at: date) -> dict[str, Any]:
    """A day for a place."""
    return {_DAY: f"{at.year:04}-{at.month:02}-{at.day:02}"}


def capital(text: str) -> dict[str, Any]:
    """Another sentence for a place, beginning with a capital."""
    return {_SAID: in_json(text), _CAPITAL: True}


def parts_of(text: str | None) -> Parts | None:
    """What a text was made of, to be kept beside it; None where nobody knows."""
    return text.parts if isinstance(text, Said) else None


def kept(text: str, parts: Parts | None) -> str:
    """A text as it was kept, and what it was made of."""
    return text if parts is None else Said(text, parts)


def in_json(text: str | None) -> str | Parts | None:
    """A text as it is kept inside JSON: what it was made of, where that is known."""
    return text.parts if isinstance(text, Said) else text


def of_json(value: str | Parts | None) -> str | None:
    """What `in_json` made."""
    if not isinstance(value, list):
        return value
    with speaking(ENGLISH):
        return Said(_told(value), value)


def told(text: str) -> str:
    """A kept sentence in the language of whoever reads; as it was kept where nobody knows what it was made of."""
    return str(text) if language() == ENGLISH or not isinstance(text, Said) else _told(text.parts)


def told_of_json(value: str | Parts) -> str:
    """What `in_json` made, in the language of whoever reads."""
    return value if isinstance(value, str) else _told(value)


def _made(part: list[Any]) -> Said:
    with speaking(ENGLISH):
        return Said(_told([part]), [part])


def _kept(places: dict[str, Any]) -> dict[str, Any]:
    return {name: {_SAID: value.parts} if isinstance(value, Said) else value for name, value in places.items()}


def _told(parts: Parts) -> str:
    said = []
    for one, many, n, places in parts:
        filled = {name: _place(value) for name, value in places.items()}
        said.append(tr(one, **filled) if many is None else trn(one, many, n, **filled))
    return " ".join(said)


def _place(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    if _NUMBER in value:
        amount, digits = value[_NUMBER]
        return cldr.plain(amount) if digits is None else cldr.decimal(amount, digits)
    if _DAY in value:
        return cldr.day(date.fromisoformat(value[_DAY]))
    text = told_of_json(value[_SAID])
    return begun(text) if value.get(_CAPITAL) else text
