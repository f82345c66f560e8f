"""Owns the PV inverter. It sees its array, and the voltage and frequency at its own terminals; nothing else.

Response time: 90 % of the final change (IEEE 1547-2018, 3.1), so the time constant is a tenth-life T / ln 10.
Enter service: window, delay and ramp as in IEEE 1547-2018, 4.10, and EN 50549-1, 4.10.
"""

import math
from typing import Any

from benchrunner.sim.compiled import compiled
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import KIND, PV_MODE, P, S, U


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
def ac_from_array(p: Any, power: float) -> float:
    """AC power from `power` of the array: solves power = ac + loss0 + loss1 ac + loss2 ac^2, at least 0."""
    if power <= p[P.pv_loss0]:
        return 0.0
    a, b, c = p[P.pv_loss2], 1.0 + p[P.pv_loss1], p[P.pv_loss0] - power
    if a == 0.0:
        return float(-c / b)
    return float((-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a))


@compiled
def pv_loss(p: Any, ac: float) -> float:
    """What the PV inverter turns into heat while it feeds `ac` watts."""
    return float(p[P.pv_loss0] + p[P.pv_loss1] * ac + p[P.pv_loss2] * ac * ac)


@compiled
def control_pv(x: Any, p: Any, u: Any, event: Any, earlier: float, dt: float) -> bool:
    """One step of its control: sets the current that it drives. True where `event` was filled.

    `earlier`: the bus frequency one dead time ago (0: there was no bus).
    """
    voltage = x[S.v_bus] if u[U.pv_contactor] > 0.5 else 0.0
    frequency = x[S.f_bus]
    x[S.pv_v] += (voltage - x[S.pv_v]) * share(dt, p[P.pv_v_window])
    live = voltage > 0.2 * p[P.v_nominal]
    if live:
        part = share(dt, p[P.pv_f_window])
        x[S.pv_f] += (frequency - x[S.pv_f]) * part
        x[S.pv_f_late] += ((earlier if earlier > 0.0 else frequency) - x[S.pv_f_late]) * part
    possible = min(ac_from_array(p, u[U.p_array]), p[P.pv_rated])
    x[S.pv_available] += (possible - x[S.pv_available]) * share(dt, p[P.pv_tracking])
    happened = False
    sunny = u[U.p_array] > p[P.pv_wake]
    if x[S.pv_mode] == PV_MODE.asleep:
        if sunny:
            x[S.pv_mode] = PV_MODE.waiting
            x[S.t_enter] = 0.0
    elif u[U.p_array] < 0.5 * p[P.pv_wake]:
        x[S.pv_mode] = PV_MODE.asleep
    if x[S.pv_mode] == PV_MODE.waiting:
        fit = (
            p[P.pv_enter_v_low] <= x[S.pv_v] <= p[P.pv_enter_v_high]
            and p[P.pv_enter_f_low] <= x[S.pv_f] <= p[P.pv_enter_f_high]
            and live
        )
        x[S.t_enter] = x[S.t_enter] + dt if fit else 0.0
        if fit and x[S.t_enter] >= p[P.pv_enter_delay]:
            x[S.pv_mode] = PV_MODE.on
            x[S.pv_ramp] = 0.0
            x[S.pv_recovery] = 1.0
            x[S.pv_limit] = 1.0
            x[S.pv_crossing] = 0.0
            x[S.pv_over] = 0.0
            x[S.t_of] = x[S.t_uf] = x[S.t_ov] = x[S.t_uv] = 0.0
            event[1], event[2], event[3] = KIND.pv_connect, x[S.pv_v], x[S.pv_f]
            happened = True
    if x[S.pv_mode] != PV_MODE.on:
        x[S.i_pv] = 0.0
        return happened

    x[S.t_of] = x[S.t_of] + dt if live and x[S.pv_f] > p[P.pv_f_trip] else 0.0
    x[S.t_uf] = x[S.t_uf] + dt if live and x[S.pv_f] < p[P.pv_f_trip_low] else 0.0
    x[S.t_ov] = x[S.t_ov] + dt if x[S.pv_v] > p[P.pv_v_trip] else 0.0
    x[S.t_uv] = x[S.t_uv] + dt if x[S.pv_v] < p[P.pv_v_trip_low] else 0.0
    cause, value = 0.0, 0.0
    if x[S.t_of] > p[P.pv_f_trip_delay]:
        cause, value = 1.0, x[S.pv_f]
    elif x[S.t_uf] > p[P.pv_f_trip_delay]:
        cause, value = 2.0, x[S.pv_f]
    elif x[S.t_ov] > p[P.pv_v_trip_delay]:
        cause, value = 3.0, x[S.pv_v]
    elif x[S.t_uv] > p[P.pv_v_trip_low_delay]:
        cause, value = 4.0, x[S.pv_v]
    if cause > 0.0:
        x[S.pv_mode] = PV_MODE.waiting
        x[S.t_enter] = 0.0
        x[S.i_pv] = 0.0
        event[1], event[2], event[3] = KIND.pv_trip, cause, value
        return True

    x[S.pv_ramp] = min(1.0, x[S.pv_ramp] + dt / p[P.pv_ramp_time])
    if x[S.pv_v] < p[P.pv_cease_v]:  # momentary cessation: it keeps its clock but feeds nothing
        x[S.pv_recovery] = 0.0
    else:
        x[S.pv_recovery] = min(1.0, x[S.pv_recovery] + dt / p[P.pv_recovery_time])
    rated = p[P.pv_rated]
    if p[P.pv_responds] > 0.5:
        if x[S.pv_f_late] > p[P.pv_start]:
            if x[S.pv_over] < 0.5:
                x[S.pv_over] = 1.0
                x[S.pv_crossing] = x[S.p_pv] / rated
        else:
            x[S.pv_over] = 0.0
        allowed = cap(p[P.pv_start], p[P.pv_zero], p[P.pv_reference], x[S.pv_crossing], x[S.pv_f_late])
        x[S.pv_limit] += (allowed - x[S.pv_limit]) * share(dt, p[P.pv_time])
    power = min(x[S.pv_available], x[S.pv_limit] * rated, x[S.pv_ramp] * rated) * x[S.pv_recovery]
    x[S.i_pv] = min(power / max(x[S.pv_v], 0.5 * p[P.v_nominal]), rated / (0.9 * p[P.v_nominal]))
    if voltage == 0.0:
        x[S.i_pv] = 0.0
    return happened
