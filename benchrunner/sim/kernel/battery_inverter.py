"""Owns the battery inverter: what it is doing and why it changes that; losses; its own measurements.

It sees its battery, its bus, and the mains side of its transfer relay. In pass-through it drives a current
against the grid; alone it forms the bus: voltage with a small output impedance, frequency nominal plus shift.
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.charging import (
    MOST,
    charge_power,
    reset_shift,
    shift_of,
    step_shift,
    step_stage,
)
from benchrunner.sim.kernel.common import drawn, share, wrapped
from benchrunner.sim.layout import KIND, MODE, STAGE, P, S, U


@borrowing
def running(mode: float) -> bool:
    """Its bridge switches."""
    return MODE.grid <= mode <= MODE.synchronising


@borrowing
def forming(mode: float) -> bool:
    """It forms the bus."""
    return mode == MODE.island or mode == MODE.synchronising


@borrowing
def inverter_loss(x: Any, p: Any, ac: float) -> float:
    """What it takes besides what it passes on: no-load draw and conversion while its bridge runs, else standby."""
    if running(x[S.mode]):
        size = math.fabs(ac)
        # no-load draw rises with the DC voltage, resistive loss falls with its square (common practice)
        over = min(1.5, max(0.6, x[S.link] / p[P.dc_nominal]))
        squared = p[P.square_loss] * size * size / (p[P.p_rated] * over * over)
        return float(p[P.idle_loss] * over + p[P.linear_loss] * size + squared)
    if x[S.mode] == MODE.starting:
        return float(p[P.idle_loss])
    return float(p[P.standby_loss]) if x[S.link] > 20.0 else 0.0


@borrowing
def ac_for_charge(x: Any, p: Any, dc: float) -> float:
    """AC power (to the bus, so negative) at which `dc` watts go into the battery. Loss at the last step's power."""
    return float(-(dc + inverter_loss(x, p, x[S.p_inverter])))


@borrowing
def measure(x: Any, p: Any, highest: float, dt: float) -> None:
    """Its own filtered measurements; the highest cell comes over the battery's slower link."""
    part = share(dt, p[P.measuring_time])
    x[S.m_voltage] += (x[S.link] - x[S.m_voltage]) * part
    x[S.m_current] += (x[S.link_current] - x[S.m_current]) * part
    x[S.m_power] += (x[S.p_inverter] - x[S.m_power]) * part
    x[S.m_taken] += (x[S.p_taken] - x[S.m_taken]) * part
    live = x[S.v_high] > 0.2 * p[P.v_nominal]
    x[S.m_frequency] += (x[S.f_seen] - x[S.m_frequency]) * share(dt, p[P.loss_window]) if live else 0.0
    x[S.m_cell] += (highest - x[S.m_cell]) * share(dt, 10.0 * p[P.measuring_time])


@borrowing
def to_mode(x: Any, mode: float) -> None:
    """Enter a mode with its clock at zero."""
    x[S.mode] = mode
    x[S.t_mode] = 0.0


@borrowing
def stop(x: Any, mode: float) -> None:
    """Bridge off, transfer relay open."""
    to_mode(x, mode)
    x[S.relay] = 0.0
    x[S.stage] = STAGE.none
    x[S.t_lost] = x[S.t_grid_good] = x[S.t_surge] = x[S.t_held_down] = x[S.t_pass] = x[S.t_low] = 0.0
    x[S.throwing_off] = 0.0
    reset_shift(x)


@borrowing
def grid_is_good(x: Any, p: Any, u: Any) -> bool:
    """Every phase of the grid within its window, and its frequency."""
    for k in range(int(p[P.phases])):
        if not p[P.grid_low] <= u[U.grid_voltage_l1 + k] <= p[P.grid_high]:
            return False
    return bool(u[U.grid_closed] > 0.5 and p[P.grid_f_low] <= x[S.f_grid] <= p[P.grid_f_high])


@borrowing
def control_inverter(x: Any, p: Any, u: Any, event: Any, stage_event: Any, now: float, dt: float) -> bool:
    """One step of its control. True where `event` was filled; a change of charge stage goes to `stage_event`.

    `event[0]` is set where the moment lies within the step.
    """
    mode = x[S.mode]
    x[S.t_mode] += dt
    connected = u[U.battery_contactor] > 0.5 and x[S.protection_closed] > 0.5
    ready = connected and x[S.link] > 1.02 * p[P.dc_trip_low] and x[S.precharging] < 0.5
    if u[U.inverter_enable] < 0.5:
        if mode != MODE.off:
            was_running = running(mode)
            stop(x, MODE.off)
            if was_running:
                event[1], event[2], event[3] = KIND.inverter_stop, 1.0, mode
                return True
        return False
    if mode == MODE.fault:
        return False
    if mode == MODE.low_battery:
        return bool(spare(x, p, u, event, ready, dt))
    if mode == MODE.off:
        if ready:
            to_mode(x, MODE.starting)
        return False
    if mode == MODE.starting:
        if not ready:
            to_mode(x, MODE.off)
        elif x[S.t_mode] >= p[P.start_time]:
            to_mode(x, MODE.island)
            reset_shift(x)
            x[S.frequency] = p[P.f_nominal]
            x[S.v_reference] = p[P.v_nominal]
            event[1], event[2] = KIND.island_start, x[S.link]
            return True
        return False

    if mode != MODE.grid and low_battery(x, p, dt):
        event[1], event[2], event[3] = KIND.inverter_stop, 4.0, x[S.m_voltage]
        stop(x, MODE.low_battery)
        x[S.t_recovered] = 0.0
        return True
    if step_stage(x, p, u, stage_event, dt):
        stage_event[0] = 1.0

    good = grid_is_good(x, p, u)
    if mode == MODE.grid:
        return bool(in_grid(x, p, u, event, now, dt))
    if mode == MODE.transfer:
        if x[S.relay_at] < now + dt - 1e-9:
            x[S.relay] = 0.0
            x[S.t_grid_good] = 0.0
            to_mode(x, MODE.island)
            reset_shift(x)
            event[0] = max(now, x[S.relay_at])
            event[1], event[2], event[3] = KIND.transfer, x[S.lost_at], x[S.v_bus] * p[P.v_factor]
            x[S.frequency] = p[P.f_nominal]
            x[S.v_reference] = p[P.v_nominal]
            return True
        return False

    x[S.t_grid_good] = x[S.t_grid_good] + dt if good else 0.0
    if mode == MODE.island:
        step_shift(x, p, MOST, dt)
        aim = p[P.f_nominal] + shift_of(x[S.u_shift], p[P.shift_start], p[P.shift_stop], p[P.shift_maximum])
        told = gives_up(x, p, event)
        if x[S.given_up] > 0.5:
            x[S.frequency] = p[P.throw_off]  # a jump: at the shift's rate PV would only follow
        else:
            slew(x, aim, p[P.shift_rate] * dt)
        if told:
            return True
        x[S.v_reference] += (p[P.v_nominal] - x[S.v_reference]) * share(dt, 0.5)
        if good and x[S.t_grid_good] >= p[P.grid_wait]:
            to_mode(x, MODE.synchronising)
            x[S.t_in_phase] = x[S.t_thrown] = 0.0
            # a surplus would go to the grid as the relay closes: throw it off first
            full = x[S.stage] != STAGE.bulk or x[S.u_shift] > 0.0 or x[S.m_power] < -0.02 * p[P.p_rated]
            x[S.throwing_off] = 1.0 if full and p[P.throw_off] > 0.0 else 0.0
            event[1], event[2], event[3] = KIND.sync_start, x[S.throwing_off], x[S.frequency]
            return True
        return False
    return bool(synchronise(x, p, u, event, good, dt))


@borrowing
def slew(x: Any, aim: float, most: float) -> None:
    """Move the formed frequency towards `aim` by at most `most`."""
    x[S.frequency] += min(most, max(-most, aim - x[S.frequency]))


@borrowing
def in_grid(x: Any, p: Any, u: Any, event: Any, now: float, dt: float) -> bool:
    """Pass-through: charge by the stage's rule, and watch the bus for the loss of the grid."""
    if x[S.f_bus] > 0.0:
        x[S.frequency] = x[S.f_bus]
    surplus = x[S.p_pv] + x[S.p_dc_pv] - x[S.p_load] - inverter_loss(x, p, x[S.p_inverter])
    if p[P.dc_present] > 0.5:
        step_shift(x, p, -1.0, dt)
    wanted = ac_for_charge(x, p, charge_power(x, p, surplus) - x[S.p_dc_pv])
    wanted = min(p[P.p_rated], max(-p[P.p_rated], wanted))
    x[S.p_command] += (wanted - x[S.p_command]) * share(dt, 0.05)
    off_voltage = x[S.v_low] < p[P.grid_low] or x[S.v_high] > p[P.grid_high]
    lost = off_voltage or x[S.m_frequency] < p[P.grid_f_low] or x[S.m_frequency] > p[P.grid_f_high]
    x[S.t_lost] = x[S.t_lost] + dt if lost else 0.0
    x[S.t_pass] = x[S.t_pass] + dt if math.fabs(x[S.p_grid]) > p[P.pass_power] else 0.0
    passed = x[S.t_pass] >= p[P.pass_time]
    if passed or (lost and x[S.t_lost] >= p[P.detect_time] - 1e-9):
        x[S.t_pass] = 0.0
        to_mode(x, MODE.transfer)
        x[S.t_lost] = 0.0
        x[S.p_command] = 0.0
        x[S.draw] = drawn(x[S.draw])
        took = p[P.transfer_time] - p[P.transfer_spread] * x[S.draw] / 2147483647.0
        since = now - p[P.detect_time]  # on the grid of steps; an outage's own moment is known better
        if math.fabs(x[S.lost_at] - since) <= dt:
            since = x[S.lost_at]
        x[S.relay_at] = max(now, since + took)
        event[0] = max(now, min(since + p[P.detect_time], now + 0.999 * dt))
        event[1], event[2], event[3] = KIND.transfer_start, x[S.v_bus] * p[P.v_factor], x[S.f_bus]
        event[4] = 3.0 if passed else (1.0 if off_voltage else 2.0)
        return True
    return False


@borrowing
def synchronise(x: Any, p: Any, u: Any, event: Any, good: bool, dt: float) -> bool:
    """Throw the PV inverter off first where a surplus would have nowhere to go, then meet the grid and close."""
    if not good:
        to_mode(x, MODE.island)
        x[S.throwing_off] = 0.0
        return False
    if x[S.throwing_off] > 0.5:
        slew(x, p[P.throw_off], p[P.shift_rate] * dt)
        gone = x[S.m_power] > -0.01 * p[P.p_rated] and x[S.frequency] >= p[P.throw_off] - 0.01
        x[S.t_thrown] = x[S.t_thrown] + dt if gone else 0.0
        if x[S.t_thrown] >= 1.0 or x[S.t_mode] > 20.0:
            x[S.throwing_off] = 0.0
        return False
    angle = wrapped(x[S.phase_bus] + x[S.phase_lock] - x[S.phase_grid])
    pull = min(p[P.sync_slip], max(-p[P.sync_slip], -angle * 2.0))
    slew(x, x[S.f_grid] + pull, p[P.sync_rate] * dt)
    x[S.v_reference] += (u[U.grid_voltage_l1] - x[S.v_reference]) * share(dt, 0.5)
    close = (
        math.fabs(angle) < p[P.sync_angle]
        and math.fabs(x[S.frequency] - x[S.f_grid]) < p[P.sync_slip]
        and math.fabs(x[S.v_bus] - u[U.grid_voltage_l1]) < p[P.sync_voltage]
    )
    x[S.t_in_phase] = x[S.t_in_phase] + dt if close else 0.0
    if x[S.t_in_phase] >= p[P.sync_hold]:
        slip = x[S.frequency] - x[S.f_grid]
        apart = x[S.v_bus] - u[U.grid_voltage_l1]
        x[S.relay] = 1.0
        x[S.jump] = -angle
        to_mode(x, MODE.grid)
        x[S.t_lost] = 0.0
        x[S.p_command] = x[S.p_inverter]
        reset_shift(x)
        event[1], event[2], event[3], event[4] = (
            KIND.re_transfer,
            slip,
            angle * 2.0 * math.pi,
            apart * p[P.v_factor],
        )
        return True
    return False


@borrowing
def overloaded(x: Any, p: Any, dt: float) -> float:
    """0, or why it stops itself: 2 longer above its rated or surge power than it bears, 3 its bus held down or up.

    Bearable time falls with the square of the load, as of a body that heats up (the form of IEC 60255-149, without its
    memory of the load before): the surge power for the surge time, 2 % above rated for ever. The most loaded phase
    counts. At its current limit it holds a bus below 70 % for the sag time (common practice).
    """
    load = x[S.s_worst] / p[P.p_rated]
    least, most = 1.02 * 1.02, (p[P.p_surge] / p[P.p_rated]) ** 2
    if load * load > least:
        x[S.heat] += dt / p[P.overload_time] * (load * load - least) / max(0.05, most - least)
    else:
        x[S.heat] = max(0.0, x[S.heat] - dt / (10.0 * p[P.overload_time]))
    beyond = x[S.s_worst] > p[P.p_surge] or x[S.limited] < 0.0
    x[S.t_surge] = x[S.t_surge] + dt if beyond else 0.0
    held_down = x[S.limited] > 0.0 and x[S.v_low] < 0.7 * p[P.v_nominal]
    x[S.t_held_down] = x[S.t_held_down] + dt if held_down and forming(x[S.mode]) else 0.0
    if x[S.heat] >= 1.0 or x[S.t_surge] > p[P.surge_time]:
        x[S.heat] = min(x[S.heat], 1.0)
        return 2.0
    return 3.0 if x[S.t_held_down] > p[P.sag_time] else 0.0


@borrowing
def gives_up(x: Any, p: Any, event: Any) -> bool:
    """Throw PV off where the highest shift has not held the limits, until they have held by themselves for a while.

    Common practice: what does not answer to the shift must go. True where `event` was filled.
    """
    before = x[S.given_up]
    if before < 0.5:
        if x[S.t_failing] >= p[P.give_up_after] and p[P.throw_off] > 0.0:
            x[S.given_up] = 1.0
            x[S.t_failing] = x[S.t_held] = 0.0
    elif x[S.t_held] >= 10.0:
        x[S.given_up] = 0.0
        x[S.frequency] = p[P.f_nominal] + p[P.shift_maximum]
    if x[S.given_up] == before:
        return False
    event[1], event[2], event[3] = KIND.throw_off, x[S.given_up], x[S.frequency]
    return True


@borrowing
def low_battery(x: Any, p: Any, dt: float) -> bool:
    """Whether it must switch itself off to spare the battery; not while a new try still has grace."""
    x[S.t_grace] = max(0.0, x[S.t_grace] - dt)
    low = p[P.v_low] > 0.0 and x[S.m_voltage] < p[P.v_low] and x[S.t_grace] <= 0.0
    x[S.t_low] = x[S.t_low] + dt if low else 0.0
    return bool(x[S.t_low] >= p[P.low_delay] - 1e-9 and low)


@borrowing
def spare(x: Any, p: Any, u: Any, event: Any, ready: bool, dt: float) -> bool:
    """Off with a low battery: on again with the grid, with the battery's voltage, or for one more try (common practice)."""
    good = grid_is_good(x, p, u)
    x[S.t_grid_good] = x[S.t_grid_good] + dt if good else 0.0
    x[S.t_recovered] = x[S.t_recovered] + dt if x[S.m_voltage] >= p[P.v_restart] else 0.0
    if not ready:
        return False
    if good and x[S.t_grid_good] >= p[P.grid_wait]:  # onto a dead bus: nothing to synchronise
        x[S.relay] = 1.0
        x[S.p_command] = 0.0
        to_mode(x, MODE.grid)
        event[1], event[2], event[3], event[4] = KIND.re_transfer, 0.0, 0.0, 0.0
        return True
    if x[S.t_recovered] >= 10.0:
        to_mode(x, MODE.starting)
    elif x[S.t_mode] >= p[P.restart_wait]:
        to_mode(x, MODE.starting)
        x[S.t_grace] = p[P.restart_try]
    return False
