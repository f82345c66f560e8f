"""Owns the AC side of one step: phasors of every conductor, from what forms the bus down to what each part drives.

One, two (split-phase, 180 degrees apart) or three phases with a neutral. Voltages are phasors of each phase against
neutral, turning with what forms the bus: the grid's source, or the battery inverter's own voltage. Inverters that follow
drive a current that was fixed at the step's start, in the direction that their voltage had, so that power = voltage x
current holds on both sides of every meter to the last bit (Kirchhoff; nodal analysis). Nothing here is iterated.

Harmonic currents are RMS values beside the phasors, without loss in the lines (they are prescribed, see `loads`).
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import share, size
from benchrunner.sim.layout import CONNECTION, MODE, N, P, Q, S, U, V

DEAD = 0.02  # of nominal voltage; below it a bus counts as dead


@borrowing
def axis(phases: int, k: int) -> complex:
    """Direction of phase k of a balanced system."""
    if k == 0:
        return complex(1.0, 0.0)
    if phases == 2:
        return complex(-1.0, 0.0)
    return complex(-0.5, -0.8660254037844386) if k == 1 else complex(-0.5, 0.8660254037844386)


@borrowing
def together(fundamental: complex, harmonics: float) -> float:
    """RMS of a fundamental and of harmonics, A."""
    return math.sqrt(fundamental.real**2 + fundamental.imag**2 + harmonics * harmonics)


@borrowing
def direction(voltage: complex, otherwise: complex) -> complex:
    """Unit phasor of a voltage; `otherwise` where there is none."""
    magnitude = size(voltage)
    return settled(voltage / magnitude) if magnitude > 1.0 else otherwise


@borrowing
def settled(phasor: complex) -> complex:
    """The same without a part that has died away: numbers below 1e-308 would slow the processor down tenfold."""
    real = phasor.real if math.fabs(phasor.real) > 1e-14 else 0.0
    return complex(real, phasor.imag if math.fabs(phasor.imag) > 1e-14 else 0.0)


@borrowing
def drive(p: Any, y: Any, q: Any, n: Any) -> None:
    """The current phasor that the PV inverters together drive into each phase."""
    phases = int(p[P.phases])
    for k in range(phases):
        n[N.pv, k] = 0.0
        n[N.scale, k] = 1.0
        n[N.axis, k] = direction(n[N.v, k], axis(phases, k))
    for i in range(y.shape[0]):
        if q[i, Q.present] > 0.5 and (y[i, V.current] != 0.0 or y[i, V.reactive_current] != 0.0):
            current = complex(y[i, V.current], -y[i, V.reactive_current])
            place = int(q[i, Q.connection])
            if place == CONNECTION.all_phases:
                for k in range(phases):
                    n[N.pv, k] += current * n[N.axis, k]
            elif place == CONNECTION.l1_l2:
                n[N.across, 0] = direction(n[N.v, 0] - n[N.v, 1], axis(phases, 0))
                current *= n[N.across, 0]
                n[N.pv, 0] += current
                n[N.pv, 1] -= current
            else:
                n[N.pv, place] += current * n[N.axis, place]


@borrowing
def count_pv(p: Any, y: Any, q: Any, n: Any) -> None:
    """The power that each PV inverter brought, from its current and the voltages as they came out."""
    phases = int(p[P.phases])
    for i in range(y.shape[0]):
        power = complex(0.0, 0.0)
        if q[i, Q.present] > 0.5 and (y[i, V.current] != 0.0 or y[i, V.reactive_current] != 0.0):
            current = complex(y[i, V.current], -y[i, V.reactive_current])
            place = int(q[i, Q.connection])
            if place == CONNECTION.all_phases:
                for k in range(phases):
                    power += n[N.v, k] * (current * n[N.axis, k] * n[N.scale, k]).conjugate()
            elif place == CONNECTION.l1_l2:
                along = current * n[N.across, 0]
                power = n[N.v, 0] * (along * n[N.scale, 0]).conjugate()
                power -= n[N.v, 1] * (along * n[N.scale, 1]).conjugate()
            else:
                power = n[N.v, place] * (current * n[N.axis, place] * n[N.scale, place]).conjugate()
        y[i, V.power] = power.real
        y[i, V.reactive_power] = power.imag


@borrowing
def solve_linear(phases: int, z: complex, z_neutral: complex, between: float, n: Any) -> None:
    """Voltages behind `z` a phase and `z_neutral` in the neutral: V = E - z I - z_n sum I, I = Y V - J.

    E in row `emf`, J in row `injected`, Y in row `admittance`; `between`: conductance from L1 to L2. Leaves V and I
    (row `current`, out of the source).
    """
    if z_neutral == 0.0 and between == 0.0:
        for k in range(phases):
            n[N.v, k] = (n[N.emf, k] + z * n[N.injected, k]) / (1.0 + z * n[N.admittance, k])
    else:
        injected = complex(0.0, 0.0)
        for k in range(phases):
            injected += n[N.injected, k]
        for k in range(phases):
            for j in range(phases):
                own = n[N.admittance, j] if j == k else complex(0.0, 0.0)
                if phases == 2:
                    own += between if j == k else -between
                n[N.matrix + k, j] = (1.0 if j == k else 0.0) + z * own + z_neutral * n[N.admittance, j]
            n[N.v, k] = n[N.emf, k] + z * n[N.injected, k] + z_neutral * injected
        for k in range(phases):  # Gauss; the diagonal dominates, since z Y is small
            for j in range(k + 1, phases):
                share_of = n[N.matrix + j, k] / n[N.matrix + k, k]
                for m in range(k + 1, phases):
                    n[N.matrix + j, m] -= share_of * n[N.matrix + k, m]
                n[N.v, j] -= share_of * n[N.v, k]
        for k in range(phases - 1, -1, -1):
            for m in range(k + 1, phases):
                n[N.v, k] -= n[N.matrix + k, m] * n[N.v, m]
            n[N.v, k] /= n[N.matrix + k, k]
    for k in range(phases):
        n[N.load, k] = n[N.admittance, k] * n[N.v, k]
    if between != 0.0:
        across = between * (n[N.v, 0] - n[N.v, 1])
        n[N.load, 0] += across
        n[N.load, 1] -= across
    for k in range(phases):
        n[N.current, k] = n[N.load, k] - n[N.injected, k]


@borrowing
def on_grid(x: Any, p: Any, u: Any, n: Any) -> None:
    """The grid forms the bus: a source behind its impedance; the battery inverter drives its commanded power."""
    phases = int(p[P.phases])
    for k in range(phases):
        own = n[N.axis, k]
        magnitude = max(size(n[N.v, k]), 0.5 * p[P.v_nominal])
        n[N.inverter, k] = x[S.p_command] / (phases * magnitude) * own
        n[N.injected, k] = n[N.pv, k] + n[N.inverter, k]
        n[N.emf, k] = u[U.grid_voltage_l1 + k] * axis(phases, k)
    neutral = p[P.grid_neutral] if phases > 1 else 0.0
    solve_linear(phases, complex(u[U.grid_r], u[U.grid_x]), complex(neutral, 0.0), x[S.y_between], n)
    for k in range(phases):
        n[N.grid, k] = n[N.current, k]
        n[N.slow, k] = 0.0
    x[S.f_bus] = x[S.f_grid]


@borrowing
def in_island(x: Any, p: Any, n: Any, dt: float) -> None:
    """The battery inverter forms the bus behind its output resistance, up to the current that its bridge bears."""
    phases = int(p[P.phases])
    z = p[P.r_output] + p[P.r_transient]
    for k in range(phases):
        n[N.injected, k] = n[N.pv, k]
        n[N.emf, k] = x[S.v_reference] * axis(phases, k) + p[P.r_transient] * n[N.slow, k]
    solve_linear(phases, complex(z, 0.0), complex(0.0, 0.0), x[S.y_between], n)
    most = p[P.p_surge] / (phases * p[P.v_nominal])
    x[S.limited] = 0.0
    follow = share(dt, p[P.recovery_time])
    for k in range(phases):
        current = n[N.current, k]
        magnitude = size(current)
        if magnitude > most:  # a source of current from here on: the voltage gives way
            x[S.limited] = 1.0 if (n[N.v, k] * current.conjugate()).real > 0.0 else -1.0
            give = current * (most / magnitude)
            total = n[N.admittance, k] + (2.0 * x[S.y_between] if phases == 2 else 0.0)
            aim = give + n[N.pv, k]
            if size(total) * p[P.bus_clamp] > size(aim):
                n[N.v, k] = aim / total
            else:
                n[N.v, k] = p[P.bus_clamp] * direction(n[N.v, k], axis(phases, k))
            n[N.load, k] = total * n[N.v, k]
            if size(n[N.pv, k]) > 0.0:  # what the bus then takes of the PV current
                n[N.scale, k] = (n[N.load, k] - give) / n[N.pv, k]
            else:
                give = n[N.load, k]
            n[N.current, k] = give
        n[N.inverter, k] = n[N.current, k]
        n[N.slow, k] = settled(n[N.slow, k] + (n[N.inverter, k] - n[N.slow, k]) * follow)
        n[N.grid, k] = 0.0
    x[S.f_bus] = x[S.frequency]


@borrowing
def unformed(x: Any, p: Any, n: Any, dt: float) -> None:
    """Nobody forms the bus: what the PV inverters still drive through the loads, up to where surge protection holds it.

    Only the loads' conductance counts: what an unloaded reactance would do here, the model does not carry.
    """
    phases = int(p[P.phases])
    alive = False
    for k in range(phases):
        own = n[N.axis, k]
        conductance = n[N.admittance, k].real + (2.0 * x[S.y_between] if phases == 2 else 0.0)
        driven = max(0.0, (n[N.pv, k] * own.conjugate()).real)
        before = size(n[N.v, k])
        if driven < conductance * p[P.bus_clamp]:
            aim = driven / conductance
        else:
            aim = p[P.bus_clamp] if driven > 0.0 else 0.0
        v = min(aim, before + max(0.0, aim - before) * share(dt, p[P.bus_rise]))
        if v < DEAD * p[P.v_nominal]:
            v = 0.0
        alive = alive or v > 0.0
        n[N.v, k] = v * own
        n[N.load, k] = conductance * n[N.v, k]
        n[N.scale, k] = n[N.load, k] / n[N.pv, k] if size(n[N.pv, k]) > 0.0 else complex(0.0, 0.0)
        n[N.inverter, k] = n[N.grid, k] = n[N.slow, k] = 0.0
    x[S.f_bus] = x[S.f_bus] + p[P.drift] * dt if alive else 0.0


@borrowing
def solve_bus(x: Any, p: Any, u: Any, y: Any, q: Any, n: Any, forms: bool, dt: float) -> None:
    """Voltages, currents and powers of the AC side for this step. `forms`: the battery inverter forms the bus."""
    phases = int(p[P.phases])
    drive(p, y, q, n)
    joined = x[S.relay] > 0.5 and u[U.grid_closed] > 0.5 and x[S.mode] == MODE.grid
    if joined:
        on_grid(x, p, u, n)
    elif forms:
        in_island(x, p, n, dt)
    else:
        unformed(x, p, n, dt)
    count_pv(p, y, q, n)
    load = inverter = grid = complex(0.0, 0.0)
    low, high, worst, taken = 1e9, 0.0, 0.0, -1e12
    for k in range(phases):
        v = n[N.v, k]
        magnitude = size(v)
        low, high = min(low, magnitude), max(high, magnitude)
        load += v * n[N.load, k].conjugate()
        own = v * n[N.inverter, k].conjugate()
        inverter += own
        taken = max(taken, -own.real)
        grid += v * n[N.grid, k].conjugate()
        rms = n[N.distortion, k].real if forms else 0.0
        worst = max(worst, magnitude * math.sqrt(size(n[N.inverter, k]) ** 2 + rms * rms))
    x[S.v_bus], x[S.v_low], x[S.v_high] = size(n[N.v, 0]), low, high
    x[S.p_load], x[S.q_load] = load.real, load.imag
    x[S.p_inverter], x[S.q_inverter] = inverter.real, inverter.imag
    x[S.p_grid], x[S.q_grid] = grid.real, grid.imag
    x[S.s_worst] = phases * worst
    x[S.p_taken] = phases * taken
    x[S.p_pv] = x[S.q_pv] = 0.0
    for i in range(y.shape[0]):
        x[S.p_pv] += y[i, V.power]
        x[S.q_pv] += y[i, V.reactive_power]


@borrowing
def grid_loss(p: Any, u: Any, n: Any) -> float:
    """Heat in the grid's impedance, W, from the currents alone."""
    phases = int(p[P.phases])
    total, neutral = 0.0, complex(0.0, 0.0)
    for k in range(phases):
        total += size(n[N.grid, k]) ** 2
        neutral += n[N.grid, k]
    lost = u[U.grid_r] * total
    if phases > 1:
        lost += p[P.grid_neutral] * size(neutral) ** 2
    return float(lost)


@borrowing
def grid_delivers(p: Any, n: Any) -> float:
    """Power out of the grid's ideal source, W: its own voltage times the current."""
    total = 0.0
    for k in range(int(p[P.phases])):
        total += (n[N.emf, k] * n[N.grid, k].conjugate()).real
    return total


@borrowing
def follow_grid(x: Any, u: Any, dt: float) -> None:
    """Take the grid's frequency to what was ordered: at once, or at the rate that was ordered."""
    away = u[U.grid_frequency] - x[S.f_grid]
    most = u[U.grid_rate] * dt
    x[S.f_grid] = x[S.f_grid] + min(most, max(-most, away)) if most > 0.0 else u[U.grid_frequency]


@borrowing
def at_terminals(q: Any, u: Any, n: Any, phases: int) -> tuple[float, float, float]:
    """Mean, lowest and highest voltage at a PV inverter's terminals, in the terms of its own rated voltage."""
    if u[U.pv_contactor] < 0.5:
        return 0.0, 0.0, 0.0
    place = int(q[Q.connection])
    if place == CONNECTION.all_phases:
        total, low, high = 0.0, 1e9, 0.0
        for k in range(phases):
            magnitude = size(n[N.v, k])
            total += magnitude
            low, high = min(low, magnitude), max(high, magnitude)
        return total / phases, low, high
    magnitude = size(n[N.v, 0] - n[N.v, 1]) if place == CONNECTION.l1_l2 else size(n[N.v, place])
    return magnitude, magnitude, magnitude


@borrowing
def neutral_currents(phases: int, n: Any, quiet: bool) -> tuple[float, float, float]:
    """RMS current in the neutral of the bus (towards what forms it), of the loads, and of the grid.

    Fundamentals add as phasors, harmonics of the orders 3, 9, ... as numbers, being in phase with one another; on
    split-phase their legs are opposed and they cancel like the fundamental does.
    """
    if phases == 1:
        return size(n[N.inverter, 0] + n[N.grid, 0]), size(n[N.load, 0]), size(n[N.grid, 0])
    bus = load = grid = complex(0.0, 0.0)
    triplen = 0.0
    for k in range(phases):
        bus += n[N.inverter, k] + n[N.grid, k]
        load += n[N.load, k]
        grid += n[N.grid, k]
        if not quiet:
            triplen += n[N.triplen, k].real if phases == 3 or k == 0 else -n[N.triplen, k].real
    return together(bus, triplen), together(load, triplen), size(grid)


@borrowing
def unbalance(n: Any) -> float:
    """Negative over positive sequence of three phase voltages (IEC 61000-4-30, 5.7)."""
    a = complex(-0.5, 0.8660254037844386)
    positive = size(n[N.v, 0] + a * n[N.v, 1] + a * a * n[N.v, 2])
    negative = size(n[N.v, 0] + a * a * n[N.v, 1] + a * n[N.v, 2])
    return negative / positive if positive > 1.0 else 0.0
