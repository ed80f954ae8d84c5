"""Rows of registry files that can be registered, and writing them."""

import csv
from pathlib import Path

VEHICLE = {
    "vehicle": "v1", "fleet": "f", "unit": "tipper 1", "class": "day truck", "depot": "Quarry", "timezone": "Europe/Oslo",
    "commissioned": "2026-01-15", "feed": "direct", "reservoir_l": "4", "low_mark_pct": "15", "interval_min": "20",
    "run_s": "180", "relief_kpa": "28000", "grease": "lithium EP", "nlgi": "2",
}  # fmt: skip


LINE = {
    "fleet": "f", "vehicle": "v1", "line": "1", "bundle": "front", "point": "kingpin", "channel": "p1", "dose_cm3": "0.2",
    "length_m": "3", "bore_mm": "4",
}  # fmt: skip


POINT = {
    "fleet": "f", "vehicle": "v1", "number": "1", "point": "fifth wheel plate", "interval_h": "", "interval_km": "", "interval_days": "30",
    "grams": "", "strokes": "12", "grease": "", "critical": "no",
}  # fmt: skip


def write(
    folder: Path,
    vehicles: list[dict[str, str]],
    lines: list[dict[str, str]],
    points: list[dict[str, str]] | None = None,
) -> Path:
    """Write the files; that of points greased by hand only where there are any, an empty list for a file without rows."""
    files = [("vehicles.csv", vehicles), ("lines.csv", lines)]
    if points is not None:
        files.append(("points.csv", points))
    for name, rows in files:
        with (folder / name).open("w", newline="", encoding="utf-8") as file:
            out = csv.DictWriter(
                file,
                list(dict.fromkeys(key for row in rows for key in row))
                or list(POINT if name == "points.csv" else LINE),
            )
            out.writeheader()
            out.writerows(rows)
    return folder
