"""What kind of number a measure brings, so that it can be said rightly: a level, a difference of two levels, a count.

A difference takes no offset (5 K, not -268 degrees Celsius), and one of two percentages is in percentage points. So are the
margin and the uncertainty of a level.
"""

from typing import Literal

Kind = Literal["level", "difference", "count"]
DIFFERENCES = frozenset({"span", "deviation", "difference", "balance"})
COUNTS = frozenset({"count_above", "trips", "wiring_faults"})
SPREAD = "spread of "  # a check over the repeats of a group: largest less smallest


def kind(measure: str) -> Kind:
    """The kind of a measure of the catalogue, or of a check over repeats (`worst of x`, `spread of x`)."""
    if measure in DIFFERENCES or measure.startswith(SPREAD):
        return "difference"
    return "count" if measure in COUNTS else "level"
