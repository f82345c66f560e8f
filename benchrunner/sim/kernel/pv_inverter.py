"""Owns the PV inverter. It sees its array, and the voltage and frequency at its own terminals; nothing else.

Response time: 90 % of the final change (IEEE 1547-2018, 3.1), so the time constant is a tenth-life T / ln 10.
Enter service: window, delay and ramp as in IEEE 1547-2018, 4.10, and EN 50549-1, 4.10.
"""

import math
from typing import Any

from benchrunner.sim.compiled import compiled
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import KIND, PV_MODE, Q, V, W


@compiled
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


@compiled
def ac_from_array(q: Any, power: float) -> float:
    """AC power from `power` of the array: solves power = ac + loss0 + loss1 ac + loss2 ac^2, at least 0."""
    if power <= q[Q.loss0]:
        return 0.0
    a, b, c = q[Q.loss2], 1.0 + q[Q.loss1], q[Q.loss0] - power
    if a == 0.0:
        return float(-c / b)
    return float((-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a))


@compiled
def pv_loss(q: Any, ac: float) -> float:
    """What the PV inverter turns into heat while it feeds `ac` watts."""
    return float(q[Q.loss0] + q[Q.loss1] * ac + q[Q.loss2] * ac * ac)


@compiled
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
        )
        y[V.t_enter] = y[V.t_enter] + dt if fit else 0.0
        if fit and y[V.t_enter] >= q[Q.enter_delay]:
            y[V.mode] = PV_MODE.on
            y[V.ramp] = 0.0
            y[V.recovery] = 1.0
            y[V.limit] = 1.0
            y[V.crossing] = 0.0
            y[V.over] = 0.0
            y[V.t_of] = y[V.t_uf] = y[V.t_ov] = y[V.t_uv] = 0.0
            event[1], event[2], event[3] = KIND.pv_connect, y[V.v], y[V.f]
            happened = True
    if y[V.mode] != PV_MODE.on:
        y[V.current] = 0.0
        return happened

    y[V.t_of] = y[V.t_of] + dt if live and y[V.f] > q[Q.f_trip] else 0.0
    y[V.t_uf] = y[V.t_uf] + dt if live and y[V.f] < q[Q.f_trip_low] else 0.0
    y[V.t_ov] = y[V.t_ov] + dt if y[V.v] > q[Q.v_trip] else 0.0
    y[V.t_uv] = y[V.t_uv] + dt if y[V.v] < q[Q.v_trip_low] else 0.0
    cause, value = 0.0, 0.0
    if y[V.t_of] > q[Q.f_trip_delay]:
        cause, value = 1.0, y[V.f]
    elif y[V.t_uf] > q[Q.f_trip_delay]:
        cause, value = 2.0, y[V.f]
    elif y[V.t_ov] > q[Q.v_trip_delay]:
        cause, value = 3.0, y[V.v]
    elif y[V.t_uv] > q[Q.v_trip_low_delay]:
        cause, value = 4.0, y[V.v]
    if cause > 0.0:
        y[V.mode] = PV_MODE.waiting
        y[V.t_enter] = 0.0
        y[V.current] = 0.0
        event[1], event[2], event[3] = KIND.pv_trip, cause, value
        return True

    y[V.ramp] = min(1.0, y[V.ramp] + dt / q[Q.ramp_time])
    if y[V.v] < q[Q.cease_v]:  # momentary cessation: it keeps its clock but feeds nothing
        y[V.recovery] = 0.0
    else:
        y[V.recovery] = min(1.0, y[V.recovery] + dt / q[Q.recovery_time])
    rated = q[Q.rated]
    if q[Q.responds] > 0.5:
        if y[V.f_late] > q[Q.start]:
            if y[V.over] < 0.5:
                y[V.over] = 1.0
                y[V.crossing] = y[V.power] / rated
        else:
            y[V.over] = 0.0
        allowed = cap(q[Q.start], q[Q.zero], q[Q.reference], y[V.crossing], y[V.f_late])
        y[V.limit] += (allowed - y[V.limit]) * share(dt, q[Q.time])
    power = min(y[V.available], y[V.limit] * rated, y[V.ramp] * rated) * y[V.recovery]
    most = rated / (0.9 * q[Q.v_rated])
    y[V.current] = min(power / max(y[V.v], 0.5 * q[Q.v_rated]), most) / q[Q.phases]
    if voltage == 0.0:
        y[V.current] = 0.0
    return happened
