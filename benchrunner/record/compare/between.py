"""How far the extreme of polled readings hangs on when the meter was read.

A quantity that leaps and decays is read at moments that have nothing to do with it: one run catches the first instant,
another the next but one. By how much that may shift an extreme shows in the record itself: in how far the extreme stands out
from the nearer of the readings beside it. A slow course stands out by no more than noise. Common practice.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from benchrunner.record.opened import Record

EXTREMES = ("maximum", "minimum")


def missed_between(record: Record, facts: Mapping[str, Any]) -> float:
    """By how much a check's extreme stands out from the nearer of its neighbours, SI; 0 where it is no polled extreme."""
    taken, of = facts.get("taken"), facts.get("of")
    if facts.get("measure") not in EXTREMES or not isinstance(taken, int | float):
        return 0.0
    try:
        times, values = record.channel(str(of), fresh=True)
    except KeyError:
        return 0.0
    read = np.isfinite(values)
    times, values = times[read], values[read]
    if len(values) < 2:
        return 0.0
    at = int(np.abs(times - taken).argmin())
    beside = [abs(values[at] - values[k]) for k in (at - 1, at + 1) if 0 <= k < len(values)]
    return float(min(beside))
