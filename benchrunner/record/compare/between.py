"""How far the extreme of polled readings hangs on when the meter was read.

A quantity that leaps and decays is read at moments that have nothing to do with it: one run catches the first instant,
another the next but one. By how much that may shift an extreme shows in the record itself: in how far the extreme stands out
from the nearer of the readings beside it. A slow course stands out by no more than noise. Common practice.
"""

from collections.abc import Mapping
from typing import Any

from benchrunner.record.opened import Record

EXTREMES = ("maximum", "minimum")


def missed_between(record: Record, facts: Mapping[str, Any]) -> float:
    """By how much a check's extreme stands out from the nearer of its neighbours, SI; 0 where it is no polled extreme."""
    taken, of = facts.get("taken"), facts.get("of")
    if facts.get("measure") not in EXTREMES or not isinstance(taken, int | float):
        return 0.0
    readings = record.readings
    mine = readings[
        (readings["channel"] == of) & readings["value"].notna() & ~readings["repeat"].astype(bool)
    ]
    if len(mine) < 2:
        return 0.0
    times, values = mine["time"].to_numpy(float), mine["value"].to_numpy(float)
    at = int(abs(times - taken).argmin())
    beside = [abs(values[at] - values[k]) for k in (at - 1, at + 1) if 0 <= k < len(values)]
    return float(min(beside))
