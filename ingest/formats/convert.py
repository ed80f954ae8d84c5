"""From the text of a cell to a value of our messages: numbers, units, words; and what is allowed, in words.

Factors: 1 bar = 100 kPa exactly, 1 psi = 6.894757 kPa, t(degC) = (t(degF) - 32) / 1.8 (NIST Special Publication 811, 2008, appendix B).
"""

import re
from collections.abc import Callable
from typing import Any, Final

import msgspec

from ingest.bounds import STORABLE
from ingest.errors import Problem
from ingest.formats.mapping import Scalar, Source

Number = Callable[[float], float]
_PRESSURES: Final = {"kPa": 1.0, "bar": 100.0, "mbar": 0.1, "MPa": 1000.0, "Pa": 0.001, "psi": 6.894757293168361}
_SECONDS: Final = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}
_FACTORS: Final[dict[str, dict[str, float]]] = {
    "peak_kpa": _PRESSURES,
    "rest_kpa": _PRESSURES,
    "run_s": _SECONDS,
    "engine_h": {unit: factor / 3600 for unit, factor in _SECONDS.items()},
    "supply_v": {"V": 1.0, "mV": 0.001},
    "tilt_deg": {"deg": 1.0},
}
_TEMPERATURES: Final[dict[str, Number]] = {
    "degC": lambda t: t,
    "degF": lambda t: (t - 32) / 1.8,
    "K": lambda t: t - 273.15,
}
_YES: Final = frozenset({"1", "true", "yes", "on"})
_NO: Final = frozenset({"0", "false", "no", "off"})
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", re.ASCII)


class NotAllowed(Exception):
    """What would be allowed instead."""


def unit_of(field: str, said: Source) -> Number:
    """How numbers of a field become ours. Raises Problem where they cannot."""
    convert, factor = _unit_of(field, said), said.factor
    return convert if factor is None else lambda x: convert(x * factor)


def _unit_of(field: str, said: Source) -> Number:
    unit = said.unit
    if field == "level_pct":
        return _level(said)
    if field == "temp_c":
        if unit in (None, *_TEMPERATURES):
            return _TEMPERATURES[unit or "degC"]
        raise Problem(f"{field}: unit {unit!r} is not known; known are {', '.join(_TEMPERATURES)}")
    factors = _FACTORS.get(field, {})
    if unit is not None and unit not in factors:
        known = f"known are {', '.join(factors)}" if factors else "it has none"
        raise Problem(f"{field}: unit {unit!r} is not known; {known}")
    factor = 1.0 if unit is None else factors[unit]
    return lambda x: x * factor


def _level(said: Source) -> Number:
    """Litres and millimetres (in a reservoir as wide below as above) by the numbers that the mapping states, and only by those."""
    bounds = said.full_l, said.empty_mm, said.full_mm
    if said.unit in (None, "%") and bounds == (None, None, None):
        return lambda x: x
    low, high = (0.0, said.full_l) if said.unit == "l" else (said.empty_mm, said.full_mm)
    if said.unit not in ("l", "mm") or low is None or high is None or low == high:
        raise Problem('level_pct: unit is "%", "l" with full_l above 0, or "mm" with empty_mm and full_mm that differ')
    return lambda x: 100 * (x - low) / (high - low)  # a sensor that looks down reads less when there is more


def number_in(text: str, decimal: str) -> float:
    """A number with this decimal mark and nothing else. Raises NotAllowed."""
    plain = text if decimal == "." else text.replace(".", "?").replace(decimal, ".")
    if not _NUMBER.fullmatch(plain):
        raise NotAllowed(f"a number with decimal {'point' if decimal == '.' else 'comma'}")
    return float(plain)


Reads = Callable[[str], tuple[Any, str]]  # the value, and what the text says whatever its unit and decimal mark


def reader(field: str, kind: Any, said: Source, decimal: str) -> Reads:
    """What makes a value of a cell's text, for a field whose type is `kind`. Raises Problem where a mapping is wrong; what it
    gives raises NotAllowed."""
    known = msgspec.inspect.type_info(kind)
    allowed = allowed_by(known)

    def checked(value: Any) -> Any:
        try:
            return msgspec.convert(value, kind)
        except msgspec.ValidationError:
            raise NotAllowed(allowed) from None

    if said.values is not None:
        meanings = {text: _fixed(field, value, checked) for text, value in said.values.items()}

        def by_values(text: str) -> tuple[Any, str]:
            if text not in meanings:
                raise NotAllowed(f"one of {', '.join(meanings)}")
            return meanings[text], text

        return by_values
    bare = plain(known)
    if (said.unit, said.factor) != (None, None) and not isinstance(bare, msgspec.inspect.FloatType):
        raise Problem(f"{field}: it has no unit and no factor")
    if said.at_least is not None and not isinstance(bare, msgspec.inspect.BoolType):
        raise Problem(f"{field}: at_least is for what is true or false")
    if isinstance(bare, msgspec.inspect.BoolType):
        return _switch(said.at_least, decimal)
    if isinstance(bare, msgspec.inspect.IntType):
        return lambda text: _whole(text, decimal, checked)
    if isinstance(bare, msgspec.inspect.FloatType):
        convert = unit_of(field, said)

        def by_number(text: str) -> tuple[Any, str]:
            number = number_in(text, decimal)
            return checked(round(convert(number), 6)), repr(number)

        return by_number

    def by_text(text: str) -> tuple[Any, str]:
        if not re.fullmatch(STORABLE, text):
            raise NotAllowed("text in the encoding that the mapping says")
        return checked(text), text

    return by_text


def fixed(field: str, kind: Any, value: Scalar) -> Any:
    """A constant of a mapping. Raises Problem."""

    def checked(given: Any) -> Any:
        try:
            return msgspec.convert(given, kind)
        except msgspec.ValidationError:
            raise NotAllowed(allowed_by(msgspec.inspect.type_info(kind))) from None

    return _fixed(field, value, checked)


def _fixed(field: str, value: Scalar, checked: Callable[[Any], Any]) -> Any:
    try:
        return checked(value)
    except NotAllowed as allowed:
        raise Problem(f"{field}: {value!r} is not allowed; allowed is {allowed}") from None


def _switch(at_least: float | None, decimal: str) -> Reads:
    if at_least is not None:

        def by_count(text: str) -> tuple[Any, str]:
            number = number_in(text, decimal)
            return number >= at_least, repr(number)

        return by_count

    def by_word(text: str) -> tuple[Any, str]:
        word = text.casefold()
        if word not in _YES | _NO:
            raise NotAllowed("1, true, yes, on, 0, false, no, off, or what the mapping's values say")
        return word in _YES, str(word in _YES)

    return by_word


def _whole(text: str, decimal: str, checked: Callable[[Any], Any]) -> tuple[Any, str]:
    if re.fullmatch(r"\d{1,19}", text, re.ASCII):
        return checked(int(text)), str(int(text))
    number = number_in(text, decimal)
    if not number.is_integer() or abs(number) > 2**53:
        raise NotAllowed("a whole number")
    return checked(int(number)), str(int(number))


def plain(known: Any) -> Any:
    """A type (as `msgspec.inspect` tells it) without what lets it be None, and without its bounds."""
    if isinstance(known, msgspec.inspect.UnionType):
        known = next(one for one in known.types if not isinstance(one, msgspec.inspect.NoneType))
    return known.type if isinstance(known, msgspec.inspect.Metadata) else known


def allowed_by(known: Any) -> str:
    """What a type lets through, in words."""
    match plain(known):
        case msgspec.inspect.IntType(ge=low):
            return f"a whole number from {low}"
        case msgspec.inspect.FloatType(gt=above, ge=low, le=high):
            return f"a number {f'from {low:g}' if above is None else f'above {above:g}'} to {high:g}"
        case msgspec.inspect.LiteralType(values=values):
            return f"one of {', '.join(map(str, values))}"
        case msgspec.inspect.StrType(min_length=least, max_length=most):
            return "a text" if most is None else f"{least or 0} to {most} characters"
        case _:
            return "true or false"
