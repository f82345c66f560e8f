"""Owns one step of the whole plant: controls, bus, DC side, energies, and the row of taps.

The bus is solved for its magnitude with every current in phase (unity power factor; loads are resistive). Within a
step each source drives a current that was fixed at its start, so that power = voltage x current holds on both
sides of every meter, to the last bit. With the battery open the DC link's few joules swing within milliseconds:
such steps are cut into parts.
"""

import math
from typing import Any

from benchrunner.sim.compiled import compiled
from benchrunner.sim.kernel.battery import cell_voltages, protect, step_battery, thevenin
from benchrunner.sim.kernel.battery_inverter import (
    control_inverter,
    forming,
    inverter_loss,
    measure,
    overloaded,
    running,
    stop,
)
from benchrunner.sim.kernel.common import share, wrapped
from benchrunner.sim.kernel.pv_inverter import control_pv, pv_loss
from benchrunner.sim.layout import INVERTER, KIND, MODE, PV_MODE, TAPS, E, P, Q, S, U, V, W

BUS_FREQUENCY = TAPS.index("bus.frequency")
PARTS = 20  # of a step while the battery is open


@compiled
def array_voltage(curve: Any, power: float, most: float) -> float:
    """The array's voltage at `power`, on the side above its maximum power point. `curve`: volts at 0..1 of the maximum."""
    if most <= 0.0:
        return 0.0
    position = min(1.0, max(0.0, power / most)) * (curve.shape[0] - 1)
    k = min(int(position), curve.shape[0] - 2)
    return float(curve[k] + (curve[k + 1] - curve[k]) * (position - k))


@compiled
def solve_bus(x: Any, p: Any, u: Any, y: Any, dt: float) -> None:
    """Voltage, currents and powers of the AC side for this step."""
    load = u[U.load_power] if u[U.load_on] > 0.5 else 0.0
    conductance = load / (p[P.v_nominal] * p[P.v_nominal])
    i_pv = 0.0
    for k in range(y.shape[0]):
        i_pv += y[k, V.current]
    driven = i_pv
    v0 = x[S.v_bus]
    x[S.i_grid] = 0.0
    if x[S.relay] > 0.5 and u[U.grid_closed] > 0.5 and x[S.mode] == MODE.grid:
        i_inverter = x[S.p_command] / max(v0, 0.5 * p[P.v_nominal])
        source, v = u[U.grid_voltage], v0
        current = 0.0
        for _ in range(4):
            current = v * conductance - i_pv - i_inverter
            square = source * source - (p[P.grid_x] * current) ** 2
            v = max(0.0, math.sqrt(max(square, 0.0)) - p[P.grid_r] * current)
        current = v * conductance - i_pv - i_inverter
        x[S.i_grid] = current
        x[S.f_bus] = u[U.grid_frequency]
    elif forming(x[S.mode]):
        z = p[P.r_output] + p[P.r_transient]
        v = (x[S.v_reference] + z * i_pv + p[P.r_transient] * x[S.i_slow]) / (1.0 + z * conductance)
        i_inverter = v * conductance - i_pv
        x[S.i_slow] += (i_inverter - x[S.i_slow]) * share(dt, p[P.recovery_time])
        x[S.f_bus] = x[S.frequency]
    else:  # nobody forms it: what the PV inverter still drives through the load
        i_inverter = 0.0
        if i_pv < conductance * p[P.bus_clamp]:
            aim = i_pv / conductance
        else:
            aim = p[P.bus_clamp] if i_pv > 0.0 else 0.0
        v = min(aim, v0 + max(0.0, aim - v0) * share(dt, p[P.bus_rise]))
        if v < 0.02 * p[P.v_nominal]:
            v = 0.0
        i_pv = v * conductance
        x[S.f_bus] = x[S.f_bus] + p[P.drift] * dt if v > 0.0 else 0.0
    x[S.v_bus] = v
    x[S.i_inverter] = i_inverter
    x[S.p_load] = v * v * conductance
    x[S.p_pv] = v * i_pv
    for k in range(y.shape[0]):
        y[k, V.power] = v * (y[k, V.current] * i_pv / driven if driven > 0.0 else 0.0)
    x[S.p_inverter] = v * i_inverter
    x[S.p_grid] = v * x[S.i_grid]


@compiled
def solve_dc(x: Any, p: Any, u: Any, table: Any, e: Any, dt: float) -> None:
    """DC link and battery under the power that the bridge brings, for this step."""
    power = -x[S.p_inverter] - inverter_loss(x, p, x[S.p_inverter])
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
    step_battery(x, p, e, current, dt)
    x[S.link] = v
    x[S.link_current] = current
    e[E.battery] += v * current * dt
    e[E.lost_bleed] += bled * dt


@compiled
def count_energies(x: Any, p: Any, u: Any, y: Any, q: Any, w: Any, curves: Any, e: Any, dt: float) -> None:
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
    lost = p[P.grid_r] * x[S.i_grid] * x[S.i_grid]
    e[E.lost_grid] += lost * dt
    e[E.grid_source] += (x[S.p_grid] + lost) * dt


@compiled
def write_row(x: Any, p: Any, u: Any, y: Any, table: Any, row: Any) -> None:
    """The taps, in the order of `layout.TAPS`."""
    v, mode = x[S.v_bus], x[S.mode]
    switch = u[U.grid_closed] > 0.5
    on_grid = x[S.relay] > 0.5
    mains = v if on_grid else (u[U.grid_voltage] if switch else 0.0)
    row[0] = mains
    row[1] = math.fabs(x[S.i_grid])
    row[2] = x[S.p_grid]
    if on_grid:
        row[3] = x[S.f_bus] if v > 0.0 else 0.0
    else:
        row[3] = u[U.grid_frequency] if switch else 0.0
    row[4] = u[U.grid_closed]
    row[5] = v
    row[6] = x[S.f_bus] if v > 0.0 else 0.0
    row[7] = x[S.p_inverter]
    row[8] = math.fabs(x[S.i_inverter])
    joined = u[U.pv_contactor] > 0.5
    row[9] = v if joined else 0.0
    row[10] = x[S.p_pv] / v if v > 0.0 else 0.0
    row[11] = x[S.p_pv]
    row[12] = row[6] if joined else 0.0
    loaded = u[U.load_on] > 0.5
    row[13] = v
    row[14] = x[S.p_load] / v if v > 0.0 else 0.0
    row[15] = x[S.p_load]
    row[16] = x[S.link]
    row[17] = x[S.terminal]
    row[18] = x[S.link_current]
    row[19] = x[S.link] * x[S.link_current]
    row[20] = x[S.soc]
    row[21], row[22] = cell_voltages(x, p, table, x[S.terminal])
    row[23] = x[S.cell_temperature]
    row[24] = y[0, V.v_array]
    row[25] = y[0, V.i_array]
    row[26] = y[0, V.v_array] * y[0, V.i_array]
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
    state = INVERTER.sleeping
    if y[0, V.mode] == PV_MODE.waiting:
        state = INVERTER.starting
    elif y[0, V.mode] == PV_MODE.on:
        state = INVERTER.throttled if x[S.p_pv] < 0.98 * y[0, V.available] - 5.0 else INVERTER.running
    row[35] = state
    row[36] = x[S.link]
    row[37] = x[S.phase_bus]
    row[38] = x[S.phase_grid]
    row[39] = u[U.grid_voltage] if switch else 0.0
    row[40] = u[U.grid_frequency]
    load = u[U.load_power] if loaded else 0.0
    row[41] = p[P.v_nominal] * p[P.v_nominal] / load if load > 0.0 else math.inf
    row[42] = x[S.protection_closed]
    row[43] = y[0, V.available]


@compiled
def emit(events: Any, count: int, event: Any, time: float) -> int:
    """Append one event row; the last one is overwritten when the list is full. Returns the new count."""
    k = min(count, events.shape[0] - 1)
    event[0] = time
    for column in range(event.shape[0]):
        events[k, column] = event[column]
        event[column] = 0.0
    return int(k + 1)


@compiled
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
    table: Any,
    curves: Any,
    ring: Any,
    events: Any,
) -> int:
    """Advance by `steps` whole steps; the row of step n lies at n modulo the ring's length. Returns the events."""  # fmt: skip
    event = events[events.shape[0] - 1].copy()
    stage_event = event.copy()
    count = 0
    for n in range(first, first + steps):
        now = n * dt
        event[:] = 0.0
        stage_event[:] = 0.0
        highest, _ = cell_voltages(x, p, table, x[S.terminal])
        measure(x, p, highest, dt)
        if running(x[S.mode]) and overloaded(x, p, dt):
            event[1], event[2], event[3] = KIND.inverter_stop, 2.0, x[S.p_inverter]
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
        voltage = x[S.v_bus] if u[U.pv_contactor] > 0.5 else 0.0
        for k in range(y.shape[0]):
            if q[k, Q.present] > 0.5:
                late = min(n, int(q[k, Q.f_delay] / dt + 0.5))
                earlier = ring[(n - late) % ring.shape[0], BUS_FREQUENCY]
                if control_pv(y[k], q[k], w[k], event, x[S.f_bus], earlier, voltage, voltage, voltage, dt):
                    event[4] = k + 1.0
                    count = emit(events, count, event, now)
        connected = u[U.battery_contactor] > 0.5 and x[S.protection_closed] > 0.5
        parts = 1 if connected else PARTS
        part = dt / parts
        for k in range(parts):
            solve_bus(x, p, u, y, part)
            count_energies(x, p, u, y, q, w, curves, e, part)
            solve_dc(x, p, u, table, e, part)
            if running(x[S.mode]) and (x[S.link] > p[P.dc_trip_high] or x[S.link] < p[P.dc_trip_low]):
                event[1], event[2] = KIND.dc_trip, 1.0 if x[S.link] > p[P.dc_trip_high] else -1.0
                event[3] = x[S.link]
                stop(x, MODE.fault)
                x[S.lost_at] = now + (k + 1) * part
                count = emit(events, count, event, now + (k + 1) * part)
        # over a dead bus the battery inverter's oscillator runs on, so that a load meets the wave that it knew
        x[S.phase_bus] += (x[S.f_bus] if x[S.v_bus] > 0.0 else x[S.frequency]) * dt
        x[S.phase_grid] += u[U.grid_frequency] * dt
        if x[S.mode] == MODE.grid and u[U.grid_closed] > 0.5:
            x[S.phase_lock] = wrapped(x[S.phase_grid] - x[S.phase_bus])
        highest, _ = cell_voltages(x, p, table, x[S.terminal])
        cause = protect(x, p, highest, x[S.terminal], dt)
        if cause > 0.0:
            event[1], event[2], event[3], event[4] = (
                KIND.protection_opened, cause, x[S.terminal], x[S.link_current],
            )  # fmt: skip
            count = emit(events, count, event, now + dt)
        write_row(x, p, u, y, table, ring[(n + 1) % ring.shape[0]])
    return count


@compiled
def mean_rows(ring: Any, first: int, last: int, taps: Any, out: Any) -> None:
    """Mean of the rows first..last (both counted in) for each tap of `taps`."""
    length = ring.shape[0]
    for k in range(taps.shape[0]):
        total = 0.0
        for n in range(first, last + 1):
            total += ring[n % length, taps[k]]
        out[k] = total / (last - first + 1)
