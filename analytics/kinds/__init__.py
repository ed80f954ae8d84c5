"""Every kind of finding, in one table: what it is called, how urgent it is, what causes it, hides it, answers it and says it.

To add a kind is to add its entry and its sentence in the module of its group, and the module that detects it; a test holds that
every kind fills every field.
"""

from collections.abc import Mapping
from typing import Final

from analytics.kinds.kind import (
    GROUPS,
    REFILL_DUE,
    SEVERITIES,
    Check,
    Evidence,
    Facts,
    Group,
    Kind,
    Severity,
    severity_rank,
)
from analytics.kinds.lines import LINES_KINDS
from analytics.kinds.pump import PUMP_KINDS
from analytics.kinds.readings import READINGS_KINDS
from analytics.kinds.refill import REFILL_DUE_KIND, REFILL_KINDS

__all__ = [
    "ALARM_KINDS",
    "DATA_KINDS",
    "FINDING_KINDS",
    "GROUPS",
    "LINE_FAULTS",
    "REFILL_DUE",
    "SEVERITIES",
    "Check",
    "Evidence",
    "Facts",
    "Group",
    "Kind",
    "Severity",
    "kind_rank",
    "severity_rank",
]

_ALL: Final = {**PUMP_KINDS, **LINES_KINDS, **REFILL_KINDS, **READINGS_KINDS}
FINDING_KINDS: Final[Mapping[str, Kind]] = dict(sorted(_ALL.items(), key=lambda item: item[1].importance))
ALARM_KINDS: Final[Mapping[str, Kind]] = {**FINDING_KINDS, REFILL_DUE: REFILL_DUE_KIND}
LINE_FAULTS: Final = tuple(name for name, kind in FINDING_KINDS.items() if kind.of_a_channel and kind.group == "lines")
DATA_KINDS: Final = tuple(name for name, kind in FINDING_KINDS.items() if kind.group == "readings")


def kind_rank(kind: str) -> int:
    """The place of a kind in the table: what matters more among equals in severity comes first."""
    return list(FINDING_KINDS).index(kind)
