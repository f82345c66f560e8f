"""Measures of polled readings, each with the rule by which the uncertainty of the readings becomes the
value's.

A NaN among the readings (missing, stale, overloaded) leaves no value: it may be the very reading that
mattered.
"""

import numpy as np

from benchrunner.measure.arrays import LARGEST, Array, runs
from benchrunner.measure.evidence import Arguments, Measured, Series, Wave, nothing, number
from benchrunner.measure.steps import StepResponse, step_response

_ROOT_12 = float(np.sqrt(12.0))


def usable(data: Series | Wave, least: int = 1) -> str:
    """Why the readings give no value; empty: they do."""
    if isinstance(data, Wave):
        return "needs readings over time, not a captured wave"
    if not data.times.size == data.values.size == data.u.size == data.t_u.size:
        return f"the readings of {data.channel} do not belong to their times"
    if data.values.size < least:
        return f"{data.values.size} readings of {data.channel}, at least {least} needed"
    bad = int(np.count_nonzero(~(np.abs(data.values) < LARGEST)))
    if bad:
        return f"{bad} of {data.values.size} readings of {data.channel} are missing or overloaded"
    if not np.isfinite(data.times).all() or (np.diff(data.times) < 0).any():
        return f"the times of {data.channel} are not in order"
    return ""


def mean(data: Series, arguments: Arguments) -> Measured:
    """Weighted by time. The instrument's own error is the same in all readings and stays; their scatter
    averages out (type A, s / sqrt(n))."""
    weights = _weights(data.times)
    value = float(np.sum(weights * data.values))
    scatter = float(np.std(data.values, ddof=1)) / np.sqrt(data.values.size) if data.values.size > 1 else 0.0
    return Measured(value, float(np.hypot(np.sum(weights * data.u), scatter)))


def maximum(data: Series, arguments: Arguments) -> Measured:
    """An extreme is one reading, and as uncertain as that reading."""
    return _reading(data, int(np.argmax(data.values)))


def minimum(data: Series, arguments: Arguments) -> Measured:
    """As `maximum`."""
    return _reading(data, int(np.argmin(data.values)))


def last(data: Series, arguments: Arguments) -> Measured:
    """As uncertain as that reading."""
    return _reading(data, -1)


def span(data: Series, arguments: Arguments) -> Measured:
    """Largest less smallest. Part of the instrument's error cancels, but the cards do not say which: both
    readings count as independent, which is the larger figure."""
    high, low = int(np.argmax(data.values)), int(np.argmin(data.values))
    u = float(np.hypot(data.u[high], data.u[low]))
    return Measured(float(data.values[high] - data.values[low]), u, float(data.times[max(high, low)]))


def deviation(data: Series, arguments: Arguments) -> Measured:
    """Largest distance from the target. The target is exact, so as uncertain as that reading."""
    away = np.abs(data.values - number(arguments, "target"))
    worst = int(np.argmax(away))
    return Measured(float(away[worst]), float(data.u[worst]), float(data.times[worst]))


def difference(data: Series, arguments: Arguments) -> Measured:
    """Largest distance from another channel at the same time. Two instruments are independent: in
    quadrature."""
    other = _other(data, arguments, "from")
    if isinstance(other, str):
        return nothing(other)
    inside = (data.times >= other.times[0]) & (data.times <= other.times[-1])
    if not inside.any():
        return nothing(f"{data.channel} and {other.channel} were not read at the same time")
    times = data.times[inside]
    away = np.abs(data.values[inside] - np.interp(times, other.times, other.values))
    worst = int(np.argmax(away))
    u = float(np.hypot(data.u[inside][worst], np.interp(times[worst], other.times, other.u)))
    return Measured(float(away[worst]), u, float(times[worst]))


def balance(data: Series, arguments: Arguments) -> Measured:
    """Mean of the channel plus `plus` and `plus_too` less `less`. Instruments are independent: in
    quadrature."""
    parts = [mean(data, {})]
    value = parts[0].value
    for name, sign in (("plus", 1.0), ("plus_too", 1.0), ("less", -1.0)):
        if name not in arguments:
            continue
        other = _other(data, arguments, name)
        if isinstance(other, str):
            return nothing(other)
        parts.append(mean(other, {}))
        value += sign * parts[-1].value
    return Measured(value, float(np.sqrt(sum(part.u**2 for part in parts))))


def integral(data: Series, arguments: Arguments) -> Measured:
    """Energy or charge by trapezoids. The instrument's error is common to all readings, so it adds up over
    the time; each end's time is uncertain; the trapezoids' own error is judged by taking every other
    reading."""
    t, v = data.times, data.values
    value = float(np.sum(0.5 * np.diff(t) * (v[1:] + v[:-1])))
    common = float(np.sum(0.5 * np.diff(t) * (data.u[1:] + data.u[:-1])))
    ends = float(np.hypot(v[0] * data.t_u[0], v[-1] * data.t_u[-1]))
    coarse = np.union1d(np.arange(0, t.size, 2), [t.size - 1])
    halved = float(np.sum(0.5 * np.diff(t[coarse]) * (v[coarse][1:] + v[coarse][:-1])))
    return Measured(value, float(np.sqrt(common**2 + ends**2 + ((value - halved) / 3) ** 2)))


def slope(data: Series, arguments: Arguments) -> Measured:
    """Largest rate of change over `over` seconds, by a straight line through the readings, of which four must fall
    into them: fewer would show the mean rate over a longer time, which is another, smaller figure. The two ends'
    errors count as independent, as for `span`, and so do their times."""
    t, v = data.times, data.values
    period = float(np.median(np.diff(t)))
    over = number(arguments, "over", 0.5)
    if 4 * period > 1.2 * over:
        return nothing(
            f"the readings of {data.channel} come every {period:.3g} s, too seldom for a rate over {over:g} s: "
            "poll faster, or judge the rate over a longer time"
        )
    best, at, index = 0.0, float(t[0]), 0
    ends = np.searchsorted(t, t + over * (1 + 1e-9), side="right")
    found = False
    for i, j in enumerate(ends):
        if j - i < 3 or t[j - 1] - t[i] < 0.5 * over:
            continue
        x = t[i:j] - t[i:j].mean()
        rate = float(np.sum(x * v[i:j]) / np.sum(x * x))
        found = True
        if abs(rate) > abs(best):
            best, at, index = rate, float(t[i:j].mean()), i
    if not found:
        return nothing(f"the readings of {data.channel} span less than {over:g} s")
    u = float(np.sqrt(2) * np.hypot(data.u[index], best * data.t_u[index]) / over)
    return Measured(abs(best), u, at)


def duration_above(data: Series, arguments: Arguments) -> Measured:
    """The longest stretch above `level` without a break. Each end lies anywhere between two polls
    (rectangular) and
    has the uncertainty of its time; what the readings' uncertainty does is seen by moving the level by it."""
    return _duration(data.times, data.values - number(arguments, "level"), data, longest=True)


def duration_below(data: Series, arguments: Arguments) -> Measured:
    """As `duration_above`."""
    return _duration(data.times, number(arguments, "level") - data.values, data, longest=True)


def total_above(data: Series, arguments: Arguments) -> Measured:
    """All stretches above `level` together; uncertainty as for `duration_above`, for each end."""
    return _duration(data.times, data.values - number(arguments, "level"), data, longest=False)


def total_below(data: Series, arguments: Arguments) -> Measured:
    """As `total_above`."""
    return _duration(data.times, number(arguments, "level") - data.values, data, longest=False)


def count_above(data: Series, arguments: Arguments) -> Measured:
    """How often the channel rises above `level`. Moving the level by the readings' uncertainty shows how sure
    that is;
    `hysteresis` is how far it must fall again to count anew."""
    return _count(data.values - number(arguments, "level"), data, number(arguments, "hysteresis", 0.0))


def trips(data: Series, arguments: Arguments) -> Measured:
    """How often the channel falls below `level` after it was above; uncertainty as for `count_above`."""
    return _count(number(arguments, "level") - data.values, data, number(arguments, "hysteresis", 0.0))


def time_to(data: Series, arguments: Arguments) -> Measured:
    """From the first reading until the channel passes `level`. Both ends' times, and the poll in which it
    passed."""
    away = data.values - number(arguments, "level")
    sign = 1.0 if away[0] >= 0 else -1.0
    passed = np.flatnonzero(sign * away < 0)
    if passed.size == 0:
        return nothing(f"{data.channel} never passed the level")
    i = int(passed[0])
    at = _crossing(data.times, away, i)
    gap = float(data.times[i] - data.times[i - 1])
    steep = abs(float(away[i] - away[i - 1])) / gap if gap > 0 else np.inf
    by_level = min(float(data.u[i]) / steep if steep > 0 else np.inf, gap)
    u = float(np.sqrt(data.t_u[0] ** 2 + data.t_u[i] ** 2 + gap**2 / 12 + by_level**2))
    return Measured(at - float(data.times[0]), u, at)


def settling_time(data: Series, arguments: Arguments) -> Measured:
    """From the first reading until the channel stays within `within` of `target` (else of its mean in the
    last tenth). Uncertainty as for `time_to`, and by moving the band by the readings' uncertainty."""
    t, v = data.times, data.values
    tail = t >= t[-1] - 0.1 * (t[-1] - t[0])
    target = number(arguments, "target", float(v[tail].mean()))
    within = number(arguments, "within")
    away = np.abs(v - target)

    def settled(band: float) -> float:
        outside = np.flatnonzero(away > band)
        if outside.size == 0:
            return float(t[0])
        i = int(outside[-1])
        return _crossing(t, away - band, i + 1) if i + 1 < t.size else float("nan")

    at = settled(within)
    if not np.isfinite(at):
        return nothing(f"{data.channel} had not settled when the readings ended")
    u_level = float(np.median(data.u))
    sides = [
        side if np.isfinite(side) else float(t[-1])
        for side in (settled(within - u_level), settled(within + u_level))
    ]
    gap = float(np.median(np.diff(t)))
    i = int(np.searchsorted(t, at))
    t_u = float(data.t_u[min(i, t.size - 1)])
    u = float(np.sqrt(data.t_u[0] ** 2 + t_u**2 + gap**2 / 12 + (0.5 * (sides[0] - sides[1])) ** 2))
    return Measured(at - float(t[0]), u, at)


def response_time(data: Series, arguments: Arguments) -> Measured:
    """From the first reading to 90 % of the change; uncertainty as for `time_to`."""
    response = _response(data, arguments)
    if response is None or not np.isfinite(response[0].response_time):
        return nothing(f"{data.channel} made no step, or did not reach 90 % of it")
    at = float(data.times[0]) + response[0].response_time
    i = min(int(np.searchsorted(data.times, at)), data.times.size - 1)
    gap = float(data.times[i] - data.times[i - 1]) if i else 0.0
    steep = abs(float(data.values[i] - data.values[i - 1])) / gap if gap > 0 else np.inf
    by_level = min(float(data.u[i]) / steep if steep > 0 else np.inf, gap)
    u = float(np.sqrt(data.t_u[0] ** 2 + data.t_u[i] ** 2 + gap**2 / 12 + by_level**2))
    return Measured(response[0].response_time, u, at)


def overshoot(data: Series, arguments: Arguments) -> Measured:
    """Beyond the final value as a fraction of the step. Peak and final value count as independent (see
    `span`), as do the two ends of the step."""
    response = _response(data, arguments)
    if response is None:
        return nothing(f"{data.channel} made no step")
    found, step = response
    i = int(np.argmin(np.abs(data.values - found.peak)))
    u = float(np.sqrt(data.u[i] ** 2 + data.u[-1] ** 2 + 2 * (found.overshoot * data.u[-1]) ** 2)) / abs(step)
    return Measured(found.overshoot, u, float(data.times[i]))


def _response(data: Series, arguments: Arguments) -> tuple[StepResponse, float] | None:
    t, v = data.times, data.values
    initial = number(arguments, "initial", float(v[0]))
    final = number(arguments, "final", float(v[t >= t[-1] - 0.1 * (t[-1] - t[0])].mean()))
    found = step_response(t, v, float(t[0]), initial, final)
    return (found, final - initial) if np.isfinite(found.peak) else None


def _reading(data: Series, index: int) -> Measured:
    return Measured(float(data.values[index]), float(data.u[index]), float(data.times[index]))


def _other(data: Series, arguments: Arguments, name: str) -> Series | str:
    wanted = arguments.get(name)
    other = data.others.get(str(wanted))
    if other is None:
        return f"there are no readings of {wanted}"
    return usable(other) or other


def _weights(times: Array) -> Array:
    """The share of the time that each reading stands for (trapezoids)."""
    if times.size < 2 or times[-1] <= times[0]:
        return np.full(times.size, 1.0 / times.size)
    steps = np.diff(times)
    weights = 0.5 * (np.concatenate((steps, [0.0])) + np.concatenate(([0.0], steps)))
    result: Array = weights / weights.sum()
    return result


def _crossing(times: Array, away: Array, i: int) -> float:
    """When `away` goes through zero between readings i - 1 and i."""
    a, b = float(away[i - 1]), float(away[i])
    return float(times[i - 1] + (times[i] - times[i - 1]) * (a / (a - b) if a != b else 1.0))


def _stretches(times: Array, above: Array) -> list[tuple[float, float]]:
    """Begin and end of each stretch in which `above` > 0, interpolated."""
    return [
        (
            _crossing(times, above, first) if first else float(times[0]),
            _crossing(times, above, beyond) if beyond < times.size else float(times[-1]),
        )
        for first, beyond in runs(above > 0)
    ]


def _duration(times: Array, above: Array, data: Series, longest: bool) -> Measured:
    def length(level: Array | float) -> tuple[float, float, int]:
        found = [(end - begin, end) for begin, end in _stretches(times, above - level)]
        if not found:
            return 0.0, float("nan"), 0
        if longest:
            return (*max(found), 1)
        return sum(part for part, _ in found), found[-1][1], len(found)

    value, at, count = length(0.0)
    shorter, longer = length(data.u)[0], length(-data.u)[0]
    gap = float(np.max(np.diff(times)))
    # nothing seen between two polls is no proof that nothing was there: one gap's worth even for none
    ends = 2 * max(count, 0) or 1
    u = np.sqrt(ends * (gap**2 / 12 + float(np.max(data.t_u)) ** 2) + (0.5 * (longer - shorter)) ** 2)
    open_end = bool(above[-1] > 0 and (not longest or at >= times[-1]))
    note = f"{data.channel} was still beyond the level at the end" if open_end else ""
    return Measured(float(value), float(u), at, note, open_end)


def _count(above: Array, data: Series, hysteresis: float) -> Measured:
    def count(level: Array | float) -> tuple[int, float]:
        moved = above - level
        armed, found, at = moved[0] <= 0, 0, float("nan")
        for i, value in enumerate(moved.tolist()):
            if armed and value > 0:
                armed, found, at = False, found + 1, float(data.times[i])
            elif value <= -hysteresis:
                armed = True
        return found, at

    value, at = count(0.0)
    counts = [value, count(data.u)[0], count(-data.u)[0]]
    return Measured(float(value), 0.5 * (max(counts) - min(counts)), at)
