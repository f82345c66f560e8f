"""Step responses and energies from readings over time."""

from typing import NamedTuple

import numpy as np

from benchrunner.measure.arrays import Array, ArrayLike, series_of

_NAN = float("nan")


class StepResponse(NamedTuple):
    """Times in s after the step; overshoot as a fraction of the step; peak in the values' unit."""

    response_time: float
    rise_time: float
    settling_time: float
    overshoot: float
    peak: float


def step_response(
    times: ArrayLike,
    values: ArrayLike,
    at: float,
    initial: float | None = None,
    final: float | None = None,
    band: float = 0.02,
) -> StepResponse:
    """How `values` answer a step at time `at`.

    response_time: until 90 % of the change, before any overshoot (IEEE 1547-2018, 3.1, open-loop response
    time);
    rise_time: from 10 % to 90 %; settling_time: until the values stay within `band` (fraction of the step) of
    the final value; overshoot: the furthest beyond the final value, as a fraction of the step; peak: the
    extreme value in the step's direction. Instants are interpolated between readings. `initial`: None: the
    mean of the readings before the step (the last tenth as long as what follows); `final`: None: the mean of
    the last tenth. What was not reached within the record is NaN; everything is NaN without a step, or with a
    NaN among the readings.
    """
    t, v = series_of(times, values)
    nothing = StepResponse(*[_NAN] * 5)
    if not (np.isfinite(at) and band > 0):
        raise ValueError("a step needs a finite time and a positive band")
    if t.size < 2 or not np.isfinite(v).all() or t[-1] <= at:
        return nothing
    after = t > at
    if initial is None:
        before = v[(t <= at) & (t >= at - 0.1 * (t[-1] - at))]
        initial = float(before.mean()) if before.size else float(np.interp(at, t, v))
    if final is None:
        final = float(v[after & (t >= t[-1] - 0.1 * (t[-1] - at))].mean())
    step = final - initial
    scale = max(abs(initial), abs(final), float(np.abs(v).max()))
    if not np.isfinite(step) or abs(step) <= 1e-12 * scale:
        return nothing
    t_after = np.concatenate(([at], t[after]))
    done = (np.concatenate(([np.interp(at, t, v)], v[after])) - initial) / step  # 0 before, 1 in the end
    t10, t90 = _first_above(t_after, done, 0.1), _first_above(t_after, done, 0.9)
    extreme = int(np.argmax(done))
    return StepResponse(
        t90 - at,
        t90 - t10,
        _settled(t_after, done - 1.0, band) - at,
        max(0.0, float(done[extreme]) - 1.0),
        initial + step * float(done[extreme]),
    )


def energy(times: ArrayLike, power: ArrayLike) -> float:
    """The integral of `power` (W) over `times` (s), in J: trapezoids. NaN with a NaN, or fewer than two
    readings."""
    t, p = series_of(times, power)
    if t.size < 2 or not np.isfinite(p).all():
        return _NAN
    return float(np.sum(0.5 * np.diff(t) * (p[1:] + p[:-1])))


def _first_above(t: Array, done: Array, level: float) -> float:
    """When `done` first reaches `level`; NaN: never."""
    reached = np.flatnonzero(done >= level)
    if reached.size == 0:
        return _NAN
    i = int(reached[0])
    if i == 0:
        return float(t[0])
    return float(t[i - 1] + (t[i] - t[i - 1]) * (level - done[i - 1]) / (done[i] - done[i - 1]))


def _settled(t: Array, error: Array, band: float) -> float:
    """From when on the error stays within the band; NaN: it ends outside."""
    outside = np.flatnonzero(np.abs(error) > band)
    if outside.size == 0:
        return float(t[0])
    i = int(outside[-1])
    if i == t.size - 1:
        return _NAN
    edge = np.copysign(band, error[i])
    return float(t[i] + (t[i + 1] - t[i]) * (error[i] - edge) / (error[i] - error[i + 1]))
