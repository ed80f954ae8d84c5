"""The registry's tables as files: what is registered, and an example to fill in."""

from collections.abc import Iterable
from typing import Any, Final

from ingest.registry_files import INTERVALS
from ingest.setups import NO_SYSTEM, HandPoint, Line, Setup


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    # All digits, so that it comes back as it was.
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def vehicle_rows(setups: Iterable[Setup]) -> list[dict[str, str]]:
    """Vehicles as `tallow register` reads them."""
    names = "fleet unit vehicle_class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s relief_kpa grease nlgi"
    columns = [*names.split(), "level", "confirmation", "nominal_v", "controller"]
    return [
        {"vehicle": one.vehicle}
        | {"class" if name == "vehicle_class" else name: _text(getattr(one, name)) for name in columns}
        | ({} if one.controller else dict.fromkeys(NO_SYSTEM, ""))
        for one in setups
    ]


def point_rows(setups: Iterable[Setup]) -> list[dict[str, str]]:
    """Their points greased by hand, likewise."""
    return [
        {"fleet": one.fleet, "vehicle": one.vehicle, "number": str(point.number), "point": point.point}
        | {column: _text(point.every) if unit == point.unit else "" for column, unit in INTERVALS.items()}
        | {name: _text(getattr(point, name)) for name in ("grams", "strokes", "grease", "critical")}
        for one in setups
        for point in one.hand_points
    ]


def line_rows(setups: Iterable[Setup]) -> list[dict[str, str]]:
    """Their lines, likewise."""
    columns = "line bundle point channel dose_cm3 length_m bore_mm critical".split()
    return [
        {"fleet": one.fleet, "vehicle": one.vehicle} | {name: _text(getattr(line, name)) for name in columns}
        for one in setups
        for line in one.lines
    ]


_LINES: Final = tuple(
    Line(line=n, bundle="front", point=point, channel=f"p{n}", dose_cm3=0.4, length_m=3.5, bore_mm=4.0, critical=n == 1)
    for n, point in enumerate(("kingpin left", "spring pin left"), 1)
)
# A vehicle that nobody has, to be written over.
EXAMPLE: Final = Setup(
    fleet="my-fleet", vehicle="V-1", unit="tipper 1", vehicle_class="day truck", depot="Skarvholm Quarry", timezone="Europe/Oslo",
    commissioned=None, feed="direct", reservoir_l=4.0, low_mark_pct=15.0, interval_min=20.0, run_s=120.0, relief_kpa=28000.0,
    grease="EP", nlgi="2", lines=_LINES,
    hand_points=(HandPoint(number=1, point="fifth wheel plate", every=30.0, unit="d", strokes=12.0),),
)  # fmt: skip
