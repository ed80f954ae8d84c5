"""Fault lists by suspect parameter number (SPN) and failure mode identifier (FMI), as SAE J1939-73 has them, to our fault codes.

Which SPN is which part of a lubrication system is the user's to say; only that table makes a code of one.
"""

from collections.abc import Iterable, Mapping
from typing import Final

from ingest.errors import Problem
from ingest.formats.convert import NotAllowed
from ingest.formats.mapping import Code

MOST_SPN: Final = 524_287  # 19 bits
MOST_FMI: Final = 31  # 5 bits
# In short words of our own; 22 to 30 are reserved (from memory of the public list of J1939-73's failure modes).
FAILURE_MODES: Final[Mapping[int, str]] = {
    0: "above normal, most severe",
    1: "below normal, most severe",
    2: "erratic or incorrect",
    3: "voltage above normal or shorted high",
    4: "voltage below normal or shorted low",
    5: "current below normal or open circuit",
    6: "current above normal or grounded",
    7: "mechanical system not responding",
    8: "abnormal frequency or pulse width",
    9: "abnormal update rate",
    10: "abnormal rate of change",
    11: "root cause not known",
    12: "bad device or component",
    13: "out of calibration",
    14: "special instructions",
    15: "above normal, least severe",
    16: "above normal, moderately severe",
    17: "below normal, least severe",
    18: "below normal, moderately severe",
    19: "network data in error",
    20: "drifted high",
    21: "drifted low",
    31: "condition exists",
}


class Codes:
    """The user's table."""

    def __init__(self, table: Iterable[Code]) -> None:
        """Raises Problem where it says two things of one failure mode."""
        self._of: dict[int, list[Code]] = {}
        for code in table:
            for other in self._of.get(code.spn, []):
                if other.fmi == code.fmi or set(other.fmi or []) & set(code.fmi or []):
                    raise Problem(f"j1939.code: SPN {code.spn} stands there twice with the same failure mode")
            self._of.setdefault(code.spn, []).append(code)

    def names(self, spn: int) -> bool:
        """Whether the table knows the parameter at all: those of the engine, for instance, are nobody's business here."""
        return spn in self._of

    def code(self, spn: int, fmi: int) -> Code:
        """What the table says: of a failure mode before what it says of any. Raises NotAllowed."""
        told = self._of[spn]
        for one in sorted(told, key=lambda one: one.fmi is None):
            if one.fmi is None or fmi in one.fmi:
                return one
        known = sorted({fmi for one in told for fmi in one.fmi or []})
        mode = FAILURE_MODES.get(fmi, "reserved")
        raise NotAllowed(
            f"for SPN {spn} one of {', '.join(map(str, known))}, as the mapping's table says ({fmi}: {mode})"
        )
