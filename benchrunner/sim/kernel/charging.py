"""Owns how the battery inverter charges: its stages, and the frequency shift that holds each limit.

Stages are common practice: bulk at the current limit, absorption at a voltage until a tail current, a time or a
state of charge ends it, then float (a lower voltage) or rest (no current), and a new bulk once the state of
charge has fallen far enough. In an island the only handle is the bus frequency: one loop for each of voltage,
current, highest cell and charge power asks for a shift, the one that asks for most is obeyed, and the
integrators of the others follow it (back-calculation), so that none winds up while another rules.
"""

from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import KIND, STAGE, P, S, U

LEAST, MOST = -1.0, 2.0  # ends of the shift in its own units: none, and the maximum
DC_RATE = 5.0  # 1/s, at which the loop moves a DC-coupled charge controller from all to nothing


@borrowing
def targets(x: Any, p: Any) -> tuple[float, float]:
    """Voltage and current that the present stage allows the battery."""
    voltage, current = p[P.v_absorption], min(p[P.charge_current], x[S.charge_limit])
    if x[S.stage] == STAGE.float:
        voltage = p[P.v_float]
    elif x[S.stage] == STAGE.equalise:
        voltage = p[P.v_equalise]
    elif x[S.stage] == STAGE.rest:
        current = 0.0
    voltage += p[P.v_temperature] * (x[S.cell_temperature] - 298.15)  # compensation, lead-acid
    return voltage, current


@borrowing
def step_stage(x: Any, p: Any, u: Any, event: Any, dt: float) -> bool:
    """Move the charge stage on. True where it changed (`event` then says from which to which)."""
    before = x[S.stage]
    full = p[P.v_absorption] + p[P.v_temperature] * (x[S.cell_temperature] - 298.15)
    if u[U.equalise] < 0.5:
        x[S.equalised] = 0.0
    if before == STAGE.none:
        x[S.stage] = STAGE.bulk
    elif before == STAGE.bulk:
        reached = x[S.m_voltage] >= 0.998 * full or x[S.m_cell] >= p[P.v_cell_limit] - 0.002
        x[S.t_rise] = x[S.t_rise] + dt if reached else 0.0
        if x[S.t_rise] >= 1.0:
            x[S.stage] = STAGE.absorption
            x[S.t_tail] = x[S.t_sag] = 0.0
    elif before == STAGE.absorption:
        x[S.t_stage] += dt
        at_target = x[S.m_voltage] >= 0.995 * full or x[S.m_cell] >= p[P.v_cell_limit] - 0.005
        x[S.t_tail] = x[S.t_tail] + dt if at_target and x[S.m_current] < p[P.tail_current] else 0.0
        x[S.t_sag] = x[S.t_sag] + dt if x[S.m_voltage] < 0.97 * full else 0.0
        full_charge = at_target and x[S.soc_estimate] >= p[P.full_soc]
        if x[S.t_tail] >= p[P.tail_hold] or x[S.t_stage] >= p[P.absorption_time] or full_charge:
            x[S.stage] = p[P.after_charge]
            if u[U.equalise] > 0.5 and x[S.equalised] < 0.5 and p[P.v_equalise] > 0.0:
                x[S.stage] = STAGE.equalise
                x[S.t_stage] = 0.0
        elif x[S.t_sag] >= 60.0:
            x[S.stage] = STAGE.bulk
    elif before == STAGE.equalise:  # by the clock alone (common practice)
        x[S.t_stage] += dt
        if x[S.t_stage] >= p[P.equalise_time]:
            x[S.stage] = p[P.after_charge]
            x[S.equalised] = 1.0
    elif x[S.soc_estimate] < p[P.rebulk_soc]:
        x[S.stage] = STAGE.bulk
        x[S.t_stage] = 0.0
    if x[S.stage] == before:
        return False
    x[S.t_rise] = 0.0
    if x[S.stage] != STAGE.absorption:
        x[S.t_tail] = x[S.t_sag] = 0.0
    event[1], event[2], event[3] = KIND.stage, before, x[S.stage]
    return True


@borrowing
def shift_of(u: float, start: float, stop: float, most: float) -> float:
    """Shift in Hz above nominal for `u`: -1 none, 0 start, 1 stop, 2 maximum, straight lines between."""
    if u <= -1.0:
        return 0.0
    if u <= 0.0:
        return start * (1.0 + u)
    if u <= 1.0:
        return start + u * (stop - start)
    return stop + (u - 1.0) * (most - stop)


@borrowing
def slope_of(u: float, start: float, stop: float, most: float) -> float:
    """Hz per unit of `u`."""
    if u < 0.0:
        return start
    return stop - start if u < 1.0 else most - stop


@borrowing
def reset_shift(x: Any) -> None:
    """No shift, and integrators that start from there."""
    least = x[S.u_least]
    x[S.u_shift] = least
    x[S.z_voltage] = x[S.z_current] = x[S.z_cell] = x[S.z_power] = least
    x[S.t_failing] = x[S.given_up] = 0.0


@borrowing
def step_shift(x: Any, p: Any, top: float, dt: float) -> None:
    """One step of the four loops; leaves the shift in `u_shift`, at most `top`.

    Below -1 it takes back the DC-coupled array, from all at -2 to nothing at -1; only then it shifts the frequency.
    """
    voltage, current = targets(x, p)
    per_volt = 1.0 / p[P.v_scale]
    e_voltage = (x[S.m_voltage] - voltage) * per_volt
    e_current = (x[S.m_current] - current) * x[S.m_voltage] / p[P.p_rated]
    e_cell = (x[S.m_cell] - p[P.v_cell_limit]) * p[P.cells] * per_volt
    e_power = (x[S.m_taken] - p[P.p_rated]) / p[P.p_rated]  # of its most loaded phase
    gain = p[P.loop_gain]
    u_voltage = gain * e_voltage + x[S.z_voltage]
    u_current = gain * e_current + x[S.z_current]
    u_cell = gain * e_cell + x[S.z_cell]
    u_power = gain * e_power + x[S.z_power]
    wanted = max(max(u_voltage, u_current), max(u_cell, u_power))
    tightest = max(max(e_voltage, e_current), max(e_cell, e_power))
    hurried = tightest > 0.005 and -1.0 <= wanted < 0.0 and x[S.u_shift] >= -1.0
    if hurried:
        wanted = (
            0.0  # below the start frequency the PV inverter answers nothing: cross that part at full rate
        )
    wanted = min(top, max(x[S.u_least], wanted))
    most = (
        p[P.shift_rate]
        * dt
        / max(slope_of(x[S.u_shift], p[P.shift_start], p[P.shift_stop], p[P.shift_maximum]), 0.01)
    )
    if x[S.u_shift] < -1.0:
        most = DC_RATE * dt
    u = x[S.u_shift] + min(most, max(-most, wanted - x[S.u_shift]))
    comes = x[S.m_power] < -0.02 * p[P.p_rated]  # a surplus, however high the frequency
    failing = u >= MOST - 1e-6 and tightest > 0.02 and comes
    x[S.t_failing] = x[S.t_failing] + dt if failing else 0.0
    x[S.t_held] = 0.0 if comes else x[S.t_held] + dt
    x[S.u_shift] = u
    ki, follow = p[P.loop_integral], share(dt, p[P.tracking_time])
    x[S.z_voltage] += dt * p[P.voltage_integral] * e_voltage + follow * (u - u_voltage)
    x[S.z_current] += dt * ki * e_current + follow * (u - u_current)
    x[S.z_cell] += dt * p[P.voltage_integral] * e_cell + follow * (u - u_cell)
    x[S.z_power] += dt * ki * e_power + follow * (u - u_power)
    if hurried:  # and arrive at its end with the integrators of the loops that asked for it
        if e_voltage > 0.0:
            x[S.z_voltage] = max(x[S.z_voltage], u)
        if e_current > 0.0:
            x[S.z_current] = max(x[S.z_current], u)
        if e_cell > 0.0:
            x[S.z_cell] = max(x[S.z_cell], u)
        if e_power > 0.0:
            x[S.z_power] = max(x[S.z_power], u)


@borrowing
def charge_power(x: Any, p: Any, surplus: float) -> float:
    """DC power that the battery inverter wants to put into the battery while the grid is there, W."""
    voltage, current = targets(x, p)
    limit = min(current, max(p[P.grid_charge_current], x[S.p_dc_pv] / max(x[S.m_voltage], 1.0)))
    if p[P.charge_from_surplus] > 0.5:
        limit = min(current, max(limit, surplus / max(x[S.m_voltage], 1.0)))
    if x[S.m_cell] > p[P.v_cell_limit]:
        limit = 0.0
    # the voltage loop is a straight reduction over the last part before the target
    room = (voltage - x[S.m_voltage]) / p[P.v_scale] * p[P.p_rated] / max(x[S.m_voltage], 1.0)
    return float(max(0.0, min(limit, max(0.0, x[S.m_current] + 0.5 * room))) * x[S.m_voltage])
