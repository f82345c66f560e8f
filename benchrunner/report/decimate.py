"""Fewer points for the same picture: each column of the drawing keeps its least and its largest value.

A spike of one sample stays visible at any width (a mean, or every n-th point, would lose it).
"""

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def runs_of_finite(times: Floats, values: Floats, gap: float = np.inf) -> list[tuple[Floats, Floats]]:
    """The stretches without a missing value and without a silence longer than `gap` seconds, in order."""
    good = np.isfinite(times) & np.isfinite(values)
    if not good.any():
        return []
    index = np.flatnonzero(good)
    breaks = np.flatnonzero((np.diff(index) > 1) | (np.diff(times[index]) > gap)) + 1
    return [(times[part], values[part]) for part in np.split(index, breaks)]


def envelope(times: Floats, values: Floats, columns: int) -> tuple[Floats, Floats]:
    """At most two points per column, its least and its largest in the order in which they came, and both ends.

    `times` ascending, both finite and of equal length. Where there are no more than `2 * columns` points, all stay.
    """
    if len(times) <= 2 * columns or times[-1] <= times[0]:
        return times, values
    edges = np.linspace(times[0], times[-1], columns + 1)[1:-1]
    starts = np.unique(np.concatenate([[0], np.searchsorted(times, edges)]))
    starts = starts[starts < len(times)]
    least, largest = _arg_extremes(values, starts)
    keep: Any = np.unique(np.concatenate([[0, len(times) - 1], least, largest]))
    return times[keep], values[keep]


def _arg_extremes(
    values: Floats, starts: npt.NDArray[np.intp]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Index of the least and of the largest value of each column."""
    lengths = np.diff(np.append(starts, len(values)))
    column = np.repeat(np.arange(len(starts)), lengths)
    found = []
    for extreme in (np.minimum, np.maximum):
        best = extreme.reduceat(values, starts)
        hits = np.flatnonzero(values == best[column])
        _, first = np.unique(column[hits], return_index=True)
        found.append(hits[first])
    return found[0], found[1]


def shown_unit(name: str, unit: str, values: Floats) -> tuple[str, float, float]:
    """Unit shown, factor after offset, offset in SI."""
    finite = values[np.isfinite(values)]
    largest = float(np.abs(finite).max()) if len(finite) else 0.0
    if unit in ("W", "VA", "var") and largest >= 1000:
        return f"k{unit}", 1e-3, 0.0
    if unit == "K":
        return "\u00b0C", 1.0, -273.15
    if unit == "1":
        return ("%", 100.0, 0.0) if name.endswith(".soc") else ("", 1.0, 0.0)
    return unit, 1.0, 0.0
