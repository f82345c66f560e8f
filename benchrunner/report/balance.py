"""The energy balance of each step, from the readings alone: grid + PV + battery inverter = loads.

The bench's own plausibility test. What does not close within its uncertainty points at a reversed clamp, a wrong
ratio, a load that nobody meters or a meter out of calibration.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchrunner.core.evidence import reading_uncertainty
from benchrunner.core.plan import Channel
from benchrunner.report.decimate import Floats

SOURCES = ("grid.power", "pv.power", "battery_inverter.power")
LOAD = "load.power"
ROOT_3 = math.sqrt(3.0)
K = 2.0


@dataclass(frozen=True)
class Term:
    """Energy over a window, J, and its standard uncertainty; nothing where no accuracy was stated."""

    energy: float
    uncertainty: float | None


@dataclass(frozen=True)
class Balance:
    """One window. `residue` = sources less load, J; `expanded` with k = 2; `reason` where there is no sum."""

    terms: Mapping[str, Term | None]
    residue: float | None
    expanded: float | None
    reason: str = ""

    @property
    def closes(self) -> bool | None:
        """Whether the residue lies within its uncertainty; nothing where that cannot be said."""
        if self.residue is None or self.expanded is None:
            return None
        return abs(self.residue) <= self.expanded


def energy(
    times: Floats, values: Floats, start: float, end: float, channel: Channel, period: float
) -> Term | None:
    """Energy of a power in W from `start` to `end` by the trapezoidal rule, with its standard uncertainty (JCGM 100).

    A meter's error is taken as the same through the window (fully correlated): the readings' standard uncertainties are
    integrated. In quadrature come where a change between two readings fell (a rectangle of half its area) and the
    meter's own window and update period. Nothing where the readings leave a gap of more than five periods.
    """
    good = np.isfinite(times) & np.isfinite(values)
    times, values = times[good], values[good]
    first = max(int(np.searchsorted(times, start, "right")) - 1, 0)
    last = min(int(np.searchsorted(times, end, "left")) + 1, len(times))
    times, values = times[first:last], values[first:last]
    allowed = max(5.0 * period, 2.5)
    if len(times) < 2 or times[0] > start + allowed or times[-1] < end - allowed:
        return None
    if float(np.diff(times).max()) > allowed:
        return None
    inner = (times > start) & (times < end)
    at = np.concatenate([[start], times[inner], [end]])
    power = np.interp(at, times, values)
    total = float(np.trapezoid(power, at))
    if not channel.evaluated:
        return Term(total, None)
    systematic = float(np.trapezoid(reading_uncertainty(channel, power), at))
    between = float(np.sqrt(np.sum((np.diff(power) * np.diff(at)) ** 2) / 12.0))
    late = abs(float(power[-1] - power[0])) * (channel.window + channel.update) / 2.0 / ROOT_3
    return Term(total, math.sqrt(systematic**2 + between**2 + late**2))


def balance(
    series: Mapping[str, tuple[Floats, Floats]],
    channels: Mapping[str, Channel],
    periods: Mapping[str, float],
    start: float,
    end: float,
) -> Balance:
    """The balance of one window. A source or load that the bench does not meter leaves it without a sum, and is named."""
    names = (*SOURCES, LOAD)
    terms = {
        name: energy(*series[name], start, end, channels[name], periods.get(name, 1.0))
        if name in series and name in channels
        else None
        for name in names
    }
    absent = [name for name in names if name not in series or name not in channels]
    if absent:
        return Balance(terms, None, None, "not metered: " + ", ".join(absent))
    if not end > start:
        return Balance(terms, None, None, "no time passed")
    present = {name: term for name, term in terms.items() if term is not None}
    if len(present) < len(names):
        without = ", ".join(name for name in names if name not in present)
        return Balance(terms, None, None, f"too few readings of {without}")
    residue = sum(present[name].energy for name in SOURCES) - present[LOAD].energy
    parts = [term.uncertainty for term in present.values()]
    known = [u for u in parts if u is not None]
    if len(known) < len(parts):
        return Balance(terms, residue, None)
    return Balance(terms, residue, K * math.sqrt(sum(u * u for u in known)))
