"""Owns one step of the whole plant: controls, bus, DC side, energies, and the row of taps.

Within a step each source drives a current that was fixed at its start, so that power = voltage x current holds on
both sides of every meter, to the last bit. With the battery open the DC link's few joules swing within milliseconds:
such steps are cut into parts.
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.battery import cell_voltages, manage, protect, step_battery, thevenin
from benchrunner.sim.kernel.battery_inverter import (
    control_inverter,
    forming,
    inverter_loss,
    measure,
    overloaded,
    running,
    stop,
)
from benchrunner.sim.kernel.common import real_power, size, wrapped
from benchrunner.sim.kernel.dc_charger import control_charger, count_charger
from benchrunner.sim.kernel.loads import admittances
from benchrunner.sim.kernel.network import (
    at_terminals,
    follow_grid,
    grid_delivers,
    grid_loss,
    neutral_currents,
    solve_bus,
    together,
    unbalance,
)
from benchrunner.sim.kernel.pv_inverter import control_pv, pv_loss
from benchrunner.sim.layout import INVERTER, KIND, MODE, PV_MODE, PV_MOST, TAPS, E, N, P, Q, S, U, V, W

BUS_FREQUENCY = TAPS.index("bus.frequency")
PHASE_TAPS = TAPS.index("bus.voltage_l1")
DC_TAPS = TAPS.index("dc_pv.power")
PV_VOLTAGES = TAPS.index("pv.voltage_l1")
PARTS = 20  # of a step while the battery is open


@borrowing
def array_voltage(curve: Any, power: float, most: float) -> float:
    """The array's voltage at `power`, on the side above its maximum power point. `curve`: volts at 0..1 of the maximum."""
    if most <= 0.0:
        return 0.0
    position = min(1.0, max(0.0, power / most)) * (curve.shape[0] - 1)
    k = min(int(position), curve.shape[0] - 2)
    return float(curve[k] + (curve[k + 1] - curve[k]) * (position - k))


@borrowing
def solve_dc(x: Any, p: Any, u: Any, table: Any, e: Any, dt: float) -> None:
    """DC link and battery under the power that the bridge brings, for this step."""
    power = x[S.p_dc_pv] - x[S.p_inverter] - inverter_loss(x, p, x[S.p_inverter])
    bled = x[S.link] * x[S.link] / p[P.bleed]
    power -= bled
    c = p[P.link_capacitance]
    v0 = x[S.link]
    source, resistance = thevenin(x, p, table, dt)
    if u[U.battery_contactor] > 0.5 and x[S.protection_closed] > 0.5:
        if x[S.precharging] > 0.5 and math.fabs(v0 - source) < 2.0:
            x[S.precharging] = 0.0
        extra = p[P.precharge] if x[S.precharging] > 0.5 else 0.0
        g = 1.0 / (resistance + extra)
        # v (v - source) g dt + c (v^2 - v0^2) / 2 = power dt
        a = g + 0.5 * c / dt
        b = -source * g
        d = -power - 0.5 * c * v0 * v0 / dt
        root = b * b - 4.0 * a * d
        v = (-b + math.sqrt(max(root, 0.0))) / (2.0 * a)
        current = (v - source) * g
        x[S.terminal] = v - current * extra
        e[E.lost_precharge] += extra * current * current * dt
    else:
        square = v0 * v0 + 2.0 * power * dt / c
        v = math.sqrt(max(square, 0.0))
        current = 0.0
        x[S.terminal] = source
        x[S.precharging] = 1.0  # closing again goes through the pre-charge resistor first
    step_battery(x, p, e, table, current, x[S.terminal], dt)
    x[S.link] = v
    x[S.link_current] = current
    e[E.battery] += v * current * dt
    e[E.lost_bleed] += bled * dt


@borrowing
def count_energies(
    x: Any, p: Any, u: Any, y: Any, q: Any, w: Any, n: Any, curves: Any, e: Any, dt: float
) -> None:
    """Integrate what crossed each boundary and what was lost in each part, each from its own current and voltage."""
    for k in range(y.shape[0]):
        ac = y[k, V.power]
        if y[k, V.mode] == PV_MODE.on and ac > 0.0:
            lost = pv_loss(q[k], ac)
            y[k, V.p_dc] = ac + lost
            e[E.lost_pv] += lost * dt
        else:
            y[k, V.p_dc] = 0.0
        y[k, V.v_array] = array_voltage(curves[k], y[k, V.p_dc], w[k, W.p_array])
        y[k, V.i_array] = y[k, V.p_dc] / y[k, V.v_array] if y[k, V.v_array] > 1.0 else 0.0
        e[E.array] += y[k, V.v_array] * y[k, V.i_array] * dt
    e[E.pv] += x[S.p_pv] * dt
    e[E.load] += x[S.p_load] * dt
    e[E.battery_inverter] += x[S.p_inverter] * dt
    e[E.lost_inverter] += inverter_loss(x, p, x[S.p_inverter]) * dt
    e[E.grid_meter] += x[S.p_grid] * dt
    if x[S.mode] == MODE.grid:
        e[E.lost_grid] += grid_loss(p, u, n) * dt
        e[E.grid_source] += grid_delivers(p, n) * dt


@borrowing
def write_row(x: Any, p: Any, u: Any, y: Any, q: Any, n: Any, table: Any, row: Any) -> None:
    """The taps, in the order of `layout.TAPS`.

    A current without a phase to its name is that of the most loaded conductor, a power the sum of the phases, and a
    voltage that of phase 1, on split-phase that between the legs.
    """
    phases, mode = int(p[P.phases]), x[S.mode]
    switch = u[U.grid_closed] > 0.5
    on_grid = x[S.relay] > 0.5
    between = phases == 2
    v = size(n[N.v, 0] - n[N.v, 1]) if between else size(n[N.v, 0])
    source = u[U.grid_voltage_l1] + (u[U.grid_voltage_l2] if between else 0.0)
    ripple, quiet = n[N.distortion], n[N.nothing]
    joined = mode == MODE.grid and on_grid and switch
    if v == 0.0:  # what drew harmonics draws none
        ripple = quiet
    frequency = x[S.f_seen] if v > 0.0 else 0.0
    row[0] = v if on_grid else (source if switch else 0.0)
    row[2] = x[S.p_grid]
    row[3] = frequency if on_grid else (x[S.f_grid] if switch else 0.0)
    row[4] = u[U.grid_closed]
    row[5] = v
    row[6] = frequency
    row[7] = x[S.p_inverter]
    joined_pv = u[U.pv_contactor] > 0.5
    row[9] = v if joined_pv else 0.0
    row[11] = x[S.p_pv]
    row[12] = frequency if joined_pv else 0.0
    row[13] = v
    row[15] = x[S.p_load]
    row[16] = x[S.link]
    row[17] = x[S.terminal]
    row[18] = x[S.link_current]
    row[19] = x[S.link] * x[S.link_current]
    row[20] = x[S.soc]
    row[21], row[22] = cell_voltages(x, p, table, x[S.terminal])
    row[23] = x[S.cell_temperature]
    power = current = 0.0
    for i in range(y.shape[0]):
        power += y[i, V.v_array] * y[i, V.i_array]
        current += y[i, V.i_array]
    row[24] = y[0, V.v_array]
    row[25] = current
    row[26] = power
    row[27] = u[U.pv_contactor]
    row[28] = u[U.battery_contactor]
    row[29] = u[U.inverter_enable]
    row[30] = u[U.interlock_closed]
    state = INVERTER.off
    if mode == MODE.fault:
        state = INVERTER.fault
    elif mode == MODE.starting:
        state = INVERTER.starting
    elif running(mode):
        state = INVERTER.running
    row[31] = state
    row[32] = x[S.stage]
    row[33] = mode
    row[34] = x[S.frequency] - p[P.f_nominal] if forming(mode) else 0.0
    row[36] = x[S.link]
    row[37] = x[S.phase_bus]
    row[38] = x[S.phase_grid]
    row[39] = source  # upstream of the switch
    row[40] = x[S.f_grid]
    conductance = n[N.admittance, 0].real + 2.0 * x[S.y_between]
    row[41] = p[P.v_factor] / conductance if conductance > 0.0 else math.inf
    row[42] = x[S.protection_closed]
    available, k = 0.0, PHASE_TAPS
    for i in range(phases):
        voltage = n[N.v, i]
        magnitude, harmonics = size(voltage), ripple[i].real
        pv = n[N.pv, i] * n[N.scale, i]
        row[k + i] = magnitude
        row[PV_VOLTAGES + i] = magnitude if joined_pv else 0.0
        row[k + 3 + i] = magnitude if on_grid else (u[U.grid_voltage_l1 + i] if switch else 0.0)
        row[k + 6 + i] = real_power(voltage, n[N.load, i])
        row[k + 9 + i] = together(n[N.load, i], harmonics)
        row[k + 12 + i] = real_power(voltage, n[N.inverter, i])
        row[k + 15 + i] = together(n[N.inverter, i], harmonics if forming(mode) else 0.0)
        row[k + 18 + i] = real_power(voltage, pv)
        row[k + 21 + i] = size(pv)
        row[k + 24 + i] = real_power(voltage, n[N.grid, i])
        row[k + 27 + i] = together(n[N.grid, i], harmonics if joined else 0.0)
    row[1] = max(row[k + 27], max(row[k + 28], row[k + 29]))
    row[8] = max(row[k + 15], max(row[k + 16], row[k + 17]))
    row[14] = max(row[k + 9], max(row[k + 10], row[k + 11]))
    row[10] = max(row[k + 21], max(row[k + 22], row[k + 23]))
    k += 30
    row[k], row[k + 1], row[k + 2] = neutral_currents(phases, n, v == 0.0)
    row[k + 3] = unbalance(n) if phases == 3 else 0.0
    row[k + 4] = x[S.q_load]
    row[k + 5] = x[S.q_inverter]
    row[k + 6] = x[S.q_pv]
    row[k + 7] = x[S.q_grid]
    row[k + 8] = ripple[0].real
    row[k + 9] = x[S.slip]
    row[k + 10] = x[S.soc_estimate]
    k += 11
    for i in range(y.shape[0]):
        if q[i, Q.present] < 0.5:
            break
        state = INVERTER.sleeping
        if y[i, V.mode] == PV_MODE.waiting:
            state = INVERTER.starting
        elif y[i, V.mode] == PV_MODE.on:
            throttled = y[i, V.power] < 0.98 * y[i, V.available] - 5.0
            state = INVERTER.throttled if throttled else INVERTER.running
        row[k] = y[i, V.power]
        row[k + 1] = math.hypot(y[i, V.current], y[i, V.reactive_current])
        row[k + 2] = y[i, V.available]
        row[k + 3] = state
        if i == 0:
            row[35] = state
        available += y[i, V.available]
        k += 4
    row[43] = available
    if p[P.dc_present] > 0.5:
        k = DC_TAPS
        row[k] = x[S.p_dc_pv]
        row[k + 1] = x[S.v_dc_array]
        row[k + 2] = x[S.p_dc_array] / x[S.v_dc_array] if x[S.v_dc_array] > 1.0 else 0.0
        row[k + 3] = x[S.dc_available]
        row[k + 4] = x[S.p_dc_array]


@borrowing
def emit(events: Any, count: int, event: Any, time: float) -> int:
    """Append one event row; the last one is overwritten when the list is full. Returns the new count."""
    k = min(count, events.shape[0] - 1)
    event[0] = time
    for column in range(event.shape[0]):
        events[k, column] = event[column]
        event[column] = 0.0
    return int(k + 1)


@borrowing
def run(
    steps: int,
    first: int,
    dt: float,
    x: Any,
    p: Any,
    u: Any,
    e: Any,
    y: Any,
    q: Any,
    w: Any,
    n: Any,
    table: Any,
    curves: Any,
    ring: Any,
    events: Any,
    scratch: Any,
) -> int:
    """Advance by `steps` whole steps; a step's row lies at its number modulo the ring's length. Returns the events."""  # fmt: skip
    event, stage_event = scratch[0], scratch[1]
    count = 0
    for number in range(first, first + steps):
        now = number * dt
        event[:] = 0.0
        stage_event[:] = 0.0
        follow_grid(x, u, dt)
        highest, _ = cell_voltages(x, p, table, x[S.terminal])
        measure(x, p, highest, dt)
        why = overloaded(x, p, dt) if running(x[S.mode]) else 0.0
        if why > 0.0:
            event[1], event[2], event[3] = KIND.inverter_stop, why, x[S.p_inverter]
            stop(x, MODE.fault)
            x[S.lost_at] = now
            count = emit(events, count, event, now)
        was = x[S.mode]
        if control_inverter(x, p, u, event, stage_event, now, dt):
            count = emit(events, count, event, max(now, event[0]))
        if forming(was) and not running(x[S.mode]):
            x[S.lost_at] = now
        if stage_event[0] > 0.0:
            count = emit(events, count, stage_event, now)
        control_charger(x, p, w, running(x[S.mode]), dt)
        for k in range(y.shape[0]):
            if q[k, Q.present] > 0.5:
                late = min(number, int(q[k, Q.f_delay] / dt + 0.5))
                earlier = ring[(number - late) % ring.shape[0], BUS_FREQUENCY]
                mean, low, high = at_terminals(q[k], u, n, int(p[P.phases]))
                if control_pv(y[k], q[k], w[k], event, x[S.f_seen], earlier, mean, low, high, dt):
                    event[4] = k + 1.0
                    count = emit(events, count, event, now)
        connected = u[U.battery_contactor] > 0.5 and x[S.protection_closed] > 0.5
        parts = 1 if connected else PARTS
        part = dt / parts
        for k in range(parts):
            admittances(x, p, u, n, part)
            solve_bus(x, p, u, y, q, n, forming(x[S.mode]), part)
            count_energies(x, p, u, y, q, w, n, curves, e, part)
            if p[P.dc_present] > 0.5:
                count_charger(x, p, e, part)
            solve_dc(x, p, u, table, e, part)
            if running(x[S.mode]) and (x[S.link] > p[P.dc_trip_high] or x[S.link] < p[P.dc_trip_low]):
                event[1], event[2] = KIND.dc_trip, 1.0 if x[S.link] > p[P.dc_trip_high] else -1.0
                event[3] = x[S.link]
                stop(x, MODE.fault)
                x[S.lost_at] = now + (k + 1) * part
                count = emit(events, count, event, now + (k + 1) * part)
        if p[P.dc_present] > 0.5:
            x[S.v_dc_array] = array_voltage(curves[PV_MOST], x[S.p_dc_array], w[PV_MOST, W.p_array])
        x[S.f_seen] = x[S.f_bus] + x[S.jump] / dt if x[S.f_bus] > 0.0 else 0.0
        x[S.jump] = 0.0
        # over a dead bus the battery inverter's oscillator runs on, so that a load meets the wave that it knew
        x[S.phase_bus] += (x[S.f_bus] if x[S.v_high] > 0.0 else x[S.frequency]) * dt
        x[S.phase_grid] += x[S.f_grid] * dt
        if x[S.mode] == MODE.grid and u[U.grid_closed] > 0.5:
            x[S.phase_lock] = wrapped(x[S.phase_grid] - x[S.phase_bus])
        highest, lowest = cell_voltages(x, p, table, x[S.terminal])
        manage(x, p, highest, dt)
        cause = protect(x, p, highest, lowest, u[U.battery_contactor] < 0.5, dt)
        if cause != 0.0:
            event[1], event[2], event[3], event[4] = (
                KIND.protection_opened, cause, x[S.terminal], x[S.link_current],
            )  # fmt: skip
            count = emit(events, count, event, now + dt)
        write_row(x, p, u, y, q, n, table, ring[(number + 1) % ring.shape[0]])
    return count


@borrowing
def mean_rows(ring: Any, first: int, last: int, taps: Any, out: Any) -> None:
    """Mean of the rows first..last (both counted in) for each tap of `taps`."""
    length = ring.shape[0]
    for k in range(taps.shape[0]):
        total = 0.0
        for n in range(first, last + 1):
            total += ring[n % length, taps[k]]
        out[k] = total / (last - first + 1)
