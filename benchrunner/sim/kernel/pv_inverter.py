"""Owns the PV inverter. It sees its array, and the voltage and frequency at its own terminals; nothing else.

Response time: 90 % of the final change (IEEE 1547-2018, 3.1), so the time constant is a tenth-life T / ln 10.
Enter service: window, delay and ramp as in IEEE 1547-2018, 4.10, and EN 50549-1, 4.10. Trips of two levels, vars and
power by voltage: IEEE 1547-2018, 6.4.1, 6.5.1, 5.3.3, 5.4.2. What it does to find out that nobody forms the bus is in the
drift of such a bus (`sim.kernel.network`).
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import KIND, PV_MODE, Q, V, W

TIMERS = (V.t_of, V.t_uf, V.t_ov, V.t_uv, V.t_of2, V.t_uf2, V.t_ov2, V.t_uv2, V.t_faint)


@borrowing
def cap(start: float, zero: float, reference: float, crossing: float, frequency: float) -> float:
    """Per unit power that a frequency above `start` still allows.

    `reference` 0: a line from rated power at `start` to none at `zero`; 1: the same line scaled by the power at
    which `start` was crossed (`crossing`, per unit); 2: that power less the slope in per unit of rated power.
    """
    if frequency <= start:
        return 1.0
    fall = (frequency - start) / (zero - start)
    if reference == 0.0:
        value = 1.0 - fall
    elif reference == 1.0:
        value = crossing * (1.0 - fall)
    else:
        value = crossing - fall
    return min(1.0, max(0.0, value))


@borrowing
def ac_from_array(q: Any, power: float) -> float:
    """AC power from `power` of the array: solves power = ac + loss0 + loss1 ac + loss2 ac^2, at least 0."""
    if power <= q[Q.loss0]:
        return 0.0
    a, b, c = q[Q.loss2], 1.0 + q[Q.loss1], q[Q.loss0] - power
    if a == 0.0:
        return float(-c / b)
    return float((-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a))


@borrowing
def pv_loss(q: Any, ac: float) -> float:
    """What the PV inverter turns into heat while it feeds `ac` watts."""
    return float(q[Q.loss0] + q[Q.loss1] * ac + q[Q.loss2] * ac * ac)


@borrowing
def lasted(y: Any, timer: int, holds: bool, delay: float, dt: float) -> bool:
    """Count how long a condition has held; whether for more than `delay`."""
    y[timer] = y[timer] + dt if holds else 0.0
    return bool(y[timer] > delay)


@borrowing
def tripped(y: Any, q: Any, live: bool, dt: float) -> float:
    """Cause of a trip in this step, or 0: 1 over-, 2 under-frequency, 3 over-, 4 under-voltage, 5 too little light.

    Two levels each, with a clearing time of their own (IEEE 1547-2018, 6.4.1 and 6.5.1).
    """
    f, v = y[V.f], y[V.v]
    cause = 0.0
    if lasted(y, V.t_faint, y[V.available] < q[Q.hold], q[Q.hold_time], dt):
        cause = 5.0
    low_voltage = lasted(y, V.t_uv, v < q[Q.v_trip_low], q[Q.v_trip_low_delay], dt)
    if lasted(y, V.t_uv2, v < q[Q.v_trip2_low], q[Q.v_trip2_low_delay], dt) or low_voltage:
        cause = 4.0
    high_voltage = lasted(y, V.t_ov, v > q[Q.v_trip], q[Q.v_trip_delay], dt)
    if lasted(y, V.t_ov2, v > q[Q.v_trip2], q[Q.v_trip2_delay], dt) or high_voltage:
        cause = 3.0
    slow = lasted(y, V.t_uf, live and f < q[Q.f_trip_low], q[Q.f_trip_low_delay], dt)
    if lasted(y, V.t_uf2, live and f < q[Q.f_trip2_low], q[Q.f_trip2_low_delay], dt) or slow:
        cause = 2.0
    fast = lasted(y, V.t_of, live and f > q[Q.f_trip], q[Q.f_trip_delay], dt)
    if lasted(y, V.t_of2, live and f > q[Q.f_trip2], q[Q.f_trip2_delay], dt) or fast:
        cause = 1.0
    return cause


@borrowing
def respond(y: Any, q: Any, dt: float) -> None:
    """Power by frequency, with the response's time; where it latches, down until released, then up at a rate.

    Latching and release: AS/NZS 4777.2:2020, hysteresis of the over-frequency response.
    """
    if y[V.f_late] > q[Q.start]:
        if y[V.over] < 0.5:
            y[V.over] = 1.0
            y[V.crossing] = y[V.power] / q[Q.rated]
    elif q[Q.latches] < 0.5 or y[V.f_late] < q[Q.release]:
        y[V.over] = 0.0
    allowed = cap(q[Q.start], q[Q.zero], q[Q.reference], y[V.crossing], y[V.f_late])
    if q[Q.latches] > 0.5:
        y[V.lowest] = min(y[V.lowest], allowed) if y[V.over] > 0.5 else 1.0
        allowed = y[V.lowest]
    wanted = (allowed - y[V.limit]) * share(dt, q[Q.time])
    if q[Q.recovery_rate] > 0.0:
        wanted = min(wanted, q[Q.recovery_rate] * dt)
    y[V.limit] += wanted


@borrowing
def by_voltage(y: Any, q: Any, dt: float) -> None:
    """Volt-watt and volt-var, each with its own response time; straight lines between their points."""
    if q[Q.watt_time] > 0.0:
        way = (y[V.v] - q[Q.watt_v1]) / (q[Q.watt_v2] - q[Q.watt_v1])
        allowed = 1.0 - min(1.0, max(0.0, way)) * (1.0 - q[Q.watt_p2])
        y[V.volt_limit] += (allowed - y[V.volt_limit]) * share(dt, q[Q.watt_time])
    if q[Q.var_time] > 0.0:
        wanted = 0.0
        if y[V.v] < q[Q.var_v2]:
            wanted = q[Q.var_q1] * min(1.0, (q[Q.var_v2] - y[V.v]) / (q[Q.var_v2] - q[Q.var_v1]))
        elif y[V.v] > q[Q.var_v3]:
            wanted = -q[Q.var_q4] * min(1.0, (y[V.v] - q[Q.var_v3]) / (q[Q.var_v4] - q[Q.var_v3]))
        y[V.volt_vars] += (wanted - y[V.volt_vars]) * share(dt, q[Q.var_time])


@borrowing
def control_pv(
    y: Any,
    q: Any,
    w: Any,
    event: Any,
    frequency: float,
    earlier: float,
    voltage: float,
    lowest: float,
    highest: float,
    dt: float,
) -> bool:
    """One step of its control: sets the current that it drives. True where `event` was filled.

    `y`, `q`, `w`: its own rows of states, parameters and inputs. `frequency` of the bus; `earlier`: the same one dead
    time ago (0: there was no bus). At its terminals, behind its contactor: `voltage`, the mean of its phases, and the
    `lowest` and `highest` of them.
    """
    y[V.v] += (voltage - y[V.v]) * share(dt, q[Q.v_window])
    live = voltage > 0.2 * q[Q.v_rated]
    if live:
        part = share(dt, q[Q.f_window])
        y[V.f] += (frequency - y[V.f]) * part
        y[V.f_late] += ((earlier if earlier > 0.0 else frequency) - y[V.f_late]) * part
    possible = min(ac_from_array(q, w[W.p_array]), q[Q.rated])
    y[V.available] += (possible - y[V.available]) * share(dt, q[Q.tracking])
    y[V.cut_back] += (w[W.cut_back] - y[V.cut_back]) * share(dt, q[Q.tracking])
    held_off = w[W.held_off] > 0.5
    happened = False
    sunny = w[W.p_array] > q[Q.wake]
    if y[V.mode] == PV_MODE.asleep:
        if sunny:
            y[V.mode] = PV_MODE.waiting
            y[V.t_enter] = 0.0
    elif w[W.p_array] < 0.5 * q[Q.wake]:
        y[V.mode] = PV_MODE.asleep
    if y[V.mode] == PV_MODE.waiting:
        fit = (
            q[Q.enter_v_low] <= y[V.v] <= q[Q.enter_v_high]
            and q[Q.enter_f_low] <= y[V.f] <= q[Q.enter_f_high]
            and live
            and not held_off
        )
        y[V.t_enter] = y[V.t_enter] + dt if fit else 0.0
        if fit and y[V.t_enter] >= q[Q.enter_delay]:
            y[V.mode] = PV_MODE.on
            y[V.ramp] = 0.0
            y[V.recovery] = 1.0
            y[V.limit] = 1.0
            y[V.crossing] = 0.0
            y[V.over] = 0.0
            y[V.lowest] = y[V.volt_limit] = 1.0
            y[V.volt_vars] = 0.0
            for timer in TIMERS:
                y[timer] = 0.0
            event[1], event[2], event[3] = KIND.pv_connect, y[V.v], y[V.f]
            happened = True
    elif y[V.mode] == PV_MODE.on and held_off:
        y[V.mode] = PV_MODE.waiting
        y[V.t_enter] = 0.0
    if y[V.mode] != PV_MODE.on:
        y[V.current] = y[V.reactive_current] = 0.0
        return happened

    cause = tripped(y, q, live, dt)
    if cause > 0.0:
        value = y[V.f] if cause <= 2.0 else y[V.v]
        if cause == 5.0:
            value = y[V.available]
        y[V.mode] = PV_MODE.waiting
        y[V.t_enter] = 0.0
        y[V.current] = y[V.reactive_current] = 0.0
        event[1], event[2], event[3] = KIND.pv_trip, cause, value
        return True

    y[V.ramp] = min(1.0, y[V.ramp] + dt / q[Q.ramp_time])
    if y[V.v] < q[Q.cease_v]:  # momentary cessation: it keeps its clock but feeds nothing
        y[V.recovery] = 0.0
    else:
        y[V.recovery] = min(1.0, y[V.recovery] + dt / q[Q.recovery_time])
    rated = q[Q.rated]
    if q[Q.responds] > 0.5:
        respond(y, q, dt)
    by_voltage(y, q, dt)
    power = min(min(y[V.available], y[V.volt_limit] * rated), min(y[V.limit] * rated, y[V.ramp] * rated))
    power = min(power, (1.0 - y[V.cut_back]) * rated) * y[V.recovery]
    vars_ = y[V.volt_vars] * q[Q.apparent] * y[V.recovery]
    room = q[Q.apparent] * q[Q.apparent] - vars_ * vars_  # vars go first (IEEE 1547-2018, 5.3.1)
    power = min(power, math.sqrt(max(0.0, room)))
    most = q[Q.apparent] / (0.9 * q[Q.v_rated])
    volts = max(y[V.v], 0.5 * q[Q.v_rated])
    active, reactive = power / volts, vars_ / volts
    total = math.hypot(active, reactive)
    fit_in = most / total if total > most else 1.0
    y[V.current] = active * fit_in / q[Q.phases]
    y[V.reactive_current] = reactive * fit_in / q[Q.phases]
    if voltage == 0.0:
        y[V.current] = y[V.reactive_current] = 0.0
    return happened
