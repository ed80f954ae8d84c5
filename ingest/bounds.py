"""What texts and numbers that people give may be, whoever takes them in."""

import re
from collections.abc import Iterable
from typing import Annotated, Any, Final

from msgspec import Meta

from ingest.errors import Problem

# NUL cannot be stored by every database, and half of a pair of surrogates is no character.
STORABLE: Final = r"^[^\x00\ud800-\udfff]*$"
Channel = Annotated[str, Meta(min_length=1, max_length=64, pattern=STORABLE)]
# Minutes, seconds, litres, cm3, m, mm, kPa: a thousandth of any is less than anybody means, and what is divided by it stays finite.
Positive = Annotated[float, Meta(ge=0.001, le=1e9)]


# Control characters but tabs and ends of lines: what they do to a terminal is no part of any name or note.
_UNSEEN: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def unseen(values: Iterable[tuple[str, Any]]) -> str | None:
    """What is wrong with the first text, among values with their names, that holds what cannot be seen; None where none does."""
    wrong = ((what, text) for what, text in values if isinstance(text, str) and _UNSEEN.search(text))
    return next((f"{what}: {text!r} cannot be; write characters that can be seen" for what, text in wrong), None)


def text_of(value: Any) -> str:
    """The text that a form gave, whatever was sent in its place. Raises Problem where it cannot be kept."""
    text = value if isinstance(value, str) else ""
    if not re.fullmatch(STORABLE, text):
        raise Problem("what was written holds characters that cannot be kept")
    return text


def texts_of(value: Any) -> list[str]:
    """The texts that a form gave for a choice of several. Raises Problem."""
    return [text_of(one) for one in value] if isinstance(value, list) else []


def whole_of(value: Any, what: str, most: int) -> int:
    """The whole number that a form gave, 0 where it gave none. Raises Problem where it is none up to `most`."""
    if value is None or value == "":
        return 0
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most or value != int(value):
        raise Problem(f"{what}: a whole number from 0 to {most}")
    return int(value)
