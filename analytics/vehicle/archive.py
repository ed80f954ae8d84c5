"""What was found of the time whose messages retention thinned, and how it goes on in what is found since.

Findings that began before `since_us`, fills before it and days up to it are kept as they were found when every message
was there. Later analyses read the thinned messages as well, so that they know a line's ordinary pressure and a
reservoir's pace, but what they find in them does not count.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import Any

from analytics.fills import Fill
from analytics.findings import Finding
from analytics.vehicle.day import Day
from ingest.languages.saying import in_json, of_json


@dataclass(frozen=True)
class Past:
    """What was found of the time before `since_us`, at `made_us`; with the days up to then."""

    since_us: int
    made_us: int
    findings: tuple[Finding, ...]
    fills: tuple[Fill, ...]
    days: tuple[Day, ...]

    def as_json(self) -> dict[str, Any]:
        """As it is kept in the database, columns of `archive`."""
        return {
            "since_us": self.since_us,
            "made_us": self.made_us,
            "findings": [asdict(finding) | {"summary": in_json(finding.summary)} for finding in self.findings],
            "fills": [asdict(fill) for fill in self.fills],
            "days": [day.to_row() for day in self.days],
        }


def from_json(kept: Any) -> Past:
    """What `as_json` wrote."""
    return Past(
        kept["since_us"],
        kept["made_us"],
        tuple(
            Finding(**{**finding, "lines": tuple(finding["lines"]), "summary": of_json(finding["summary"])})
            for finding in kept["findings"]
        ),
        tuple(Fill(**fill) for fill in kept["fills"]),
        tuple(Day.from_row(day) for day in kept["days"]),
    )


def findings_with(past: Past | None, found: Iterable[Finding], as_of_us: int) -> list[Finding]:
    """All findings at `as_of_us`: those of the past, carried on by what was found since, and those that began since."""
    found = sorted(found, key=lambda finding: finding.began_us)
    if past is None:
        return found
    told: list[Finding] = []
    for kept in past.findings:
        if kept.detected_us > as_of_us:
            continue
        if kept.ended_us is None and as_of_us > past.made_us:
            kept = replace(kept, ended_us=_end(kept, found, past))
        elif kept.ended_us is not None and kept.ended_us > as_of_us:
            kept = replace(kept, ended_us=None)
        told.append(kept)
    return told + [f for f in found if f.began_us >= past.since_us and not any(_goes_on(kept, f) for kept in told)]


def fills_with(past: Past | None, found: tuple[Fill, ...], as_of_us: int) -> tuple[Fill, ...]:
    """All fills known at `as_of_us`: those of the past, and those since."""
    if past is None:
        return found
    return tuple(fill for fill in past.fills if fill.detected_us <= as_of_us) + tuple(
        fill for fill in found if fill.at_us >= past.since_us
    )


def _goes_on(kept: Finding, later: Finding) -> bool:
    return (kept.kind, kept.channel) == (later.kind, later.channel) and kept.overlaps(later)


def _end(kept: Finding, found: list[Finding], past: Past) -> int | None:
    """When a finding that lasted when the past was kept has ended; None while it lasts."""
    same = [f for f in found if _goes_on(kept, f) and (f.ended_us is None or f.ended_us > past.made_us)]
    return same[0].ended_us if same else past.made_us
