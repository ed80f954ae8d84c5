"""What texts and numbers that people give may be, whoever takes them in."""

from typing import Annotated, Final

from msgspec import Meta

# NUL cannot be stored by every database, and half of a pair of surrogates is no character.
STORABLE: Final = r"^[^\x00\ud800-\udfff]*$"
Channel = Annotated[str, Meta(min_length=1, max_length=64, pattern=STORABLE)]
# Minutes, seconds, litres, cm3, m, mm, kPa: a thousandth of any is less than anybody means, and what is divided by it stays finite.
Positive = Annotated[float, Meta(ge=0.001, le=1e9)]
