"""Owns the battery: open-circuit voltage with hysteresis, two-RC Thevenin branch, cells, protection, management.

The branch equations are stepped by the trapezoidal rule: with the step's mean voltages v = (v0 + v1) / 2 it holds
exactly that I v dt = C (v1^2 - v0^2) / 2 + v^2 / R dt, so no energy is made or lost by the stepping. The
open-circuit voltage is linear between the points of a fine table.

Hysteresis: Plett's one-state model (J. Power Sources 134 (2004) 277), dh/dt = rate |I| / C (sign I - h). With
W = M C / rate * h^2 / 2 as the energy held in it, what is lost is M |I| h^2, never less than nothing.
Resistances: Arrhenius over temperature, rising over the last fifth of the charge (from memory). While a lead-acid battery
charges towards full, a further one rises as in Ceraolo's model (IEEE Trans. Power Syst. 15 (2000) 1184). That one is of the
electrodes' reaction and lies across their double layer (areas and F/m2: Sulzer et al., J. Electrochem. Soc. 166 (2019) A2363), so a
sudden charge current lifts the voltage over seconds, not at once; a current out of the battery takes the layer's charge back. Side
current: what charge
efficiency takes, and for lead-acid gassing after Schiffer et al. (J. Power Sources 168 (2007) 66).
Rate effect (Peukert): the open-circuit voltage is read at a depth of discharge that is deeper by (I / I_rated)^(k-1), so
that a constant current empties the battery after t = H (C / (I H))^k while no charge is lost; it recovers at rest.
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import E, P, S

OCV, CELL, CHARGE = (
    0,
    1,
    2,
)  # rows of the table: pack V, one cell's V, integral of the pack's V over state of charge
REFERENCE = 298.15  # K
SIDE_TIME = 300.0  # s, from memory
LOW = 0.2  # state of charge below which the resistances rise


@borrowing
def look_up(table: Any, row: int, first: float, step: float, soc: float) -> tuple[float, float]:
    """Value and slope (per unit state of charge) at `soc`; beyond the table the end segments go on."""
    position = (soc - first) / step
    k = int(position)
    if k < 0:
        k = 0
    elif k > table.shape[1] - 2:
        k = table.shape[1] - 2
    slope = (table[row, k + 1] - table[row, k]) / step
    return table[row, k] + slope * (position - k) * step, slope


@borrowing
def stored(x: Any, p: Any, table: Any) -> float:
    """Energy held by the chemistry, the two RC branches and the hysteresis, J, from an arbitrary zero."""
    first, step = p[P.soc_first], p[P.soc_step]
    position = (x[S.soc] - first) / step
    k = int(position)
    if k < 0:
        k = 0
    elif k > table.shape[1] - 2:
        k = table.shape[1] - 2
    beyond = (position - k) * step
    slope = (table[OCV, k + 1] - table[OCV, k]) / step
    integral = table[CHARGE, k] + table[OCV, k] * beyond + 0.5 * slope * beyond * beyond
    energy = p[P.capacity] * integral + 0.5 * p[P.c1] * x[S.v_rc1] ** 2 + 0.5 * p[P.c2] * x[S.v_rc2] ** 2
    if p[P.full_rise] > 0.0:
        energy += 0.5 * p[P.c_full] * x[S.v_full] ** 2
    if p[P.hysteresis] > 0.0:
        held = p[P.hysteresis] * p[P.capacity] / p[P.hysteresis_rate]
        energy += 0.5 * held * x[S.hysteresis] * x[S.hysteresis]
    return float(energy)


@borrowing
def resistances(x: Any, p: Any) -> tuple[float, float, float, float]:
    """Series, fast and slow resistance at this charge and temperature, ohm; and the one of charging near full, 0: none.

    The last has a part as long as a current charges, or the double layer across it still holds charge from before.
    """
    factor = 1.0
    if p[P.activation] > 0.0:
        factor = math.exp(p[P.activation] * (1.0 / x[S.cell_temperature] - 1.0 / REFERENCE))
    if p[P.low_rise] > 0.0 and x[S.soc] < LOW:
        short = (LOW - x[S.soc]) / LOW
        factor *= 1.0 + p[P.low_rise] * short * short
    series = p[P.r0] * factor
    full = 0.0
    if p[P.full_rise] > 0.0 and (x[S.link_current] > 0.0 or x[S.v_full] > 0.0):
        beyond = x[S.soc] - 1.0  # past full charge nothing is left to be charged: the rise gets steep
        width = p[P.full_width] if beyond < 0.0 else 0.1 * p[P.full_width]
        full = series * p[P.full_rise] * math.exp(min(4.0, beyond / width))
    return series, p[P.r1] * factor, p[P.r2] * factor, full


@borrowing
def deepening(x: Any, p: Any) -> float:
    """By how much the rate of discharge deepens the depth of discharge that the open-circuit voltage sees, at least 1."""
    if p[P.rate_exponent] <= 0.0 or x[S.link_current] >= 0.0 or x[S.drawn_rate] <= p[P.rate_current]:
        return 1.0
    return float((x[S.drawn_rate] / p[P.rate_current]) ** p[P.rate_exponent])


@borrowing
def lagging(h: float, current: float, p: Any, dt: float) -> float:
    """Mean of the hysteresis state over a step under `current` (implicit midpoint rule)."""
    a = 0.5 * p[P.hysteresis_rate] * math.fabs(current) * dt / p[P.capacity]
    towards = 1.0 if current > 0.0 else -1.0
    return float((h + a * towards) / (1.0 + a))


@borrowing
def side(x: Any, p: Any) -> float:
    """Current that charges nothing, from the last step's current and voltage, A."""
    current = p[P.inefficiency] * max(0.0, x[S.link_current])
    if p[P.gas_current] > 0.0:
        over = x[S.terminal] / p[P.cells] - 2.23
        warmth = x[S.cell_temperature] - 293.15
        current += p[P.gas_current] * math.exp(
            min(12.0, p[P.gas_voltage] * over + p[P.gas_temperature] * warmth)
        )
    return float(current)


@borrowing
def thevenin(x: Any, p: Any, table: Any, dt: float) -> tuple[float, float]:
    """Source voltage and resistance whose line V = E + R I gives this step's mean terminal voltage, I charging."""
    r0, r1, r2, r_full = resistances(x, p)
    deeper = deepening(x, p)
    voltage, slope = look_up(table, OCV, p[P.soc_first], p[P.soc_step], 1.0 - (1.0 - x[S.soc]) * deeper)
    k1 = 1.0 / (1.0 + dt / (2.0 * r1 * p[P.c1]))
    k2 = 1.0 / (1.0 + dt / (2.0 * r2 * p[P.c2]))
    source = voltage + k1 * x[S.v_rc1] + k2 * x[S.v_rc2]
    if p[P.hysteresis] > 0.0:
        source += p[P.hysteresis] * lagging(x[S.hysteresis], x[S.link_current], p, dt)
    resistance = (
        r0
        + k1 * dt / (2.0 * p[P.c1])
        + k2 * dt / (2.0 * p[P.c2])
        + slope * deeper * dt / (2.0 * p[P.capacity])
    )
    if r_full > 0.0:
        k_full = 1.0 / (1.0 + dt / (2.0 * r_full * p[P.c_full]))
        source += k_full * x[S.v_full]
        resistance += k_full * dt / (2.0 * p[P.c_full])
    # with a lag, since it follows a voltage that follows it
    x[S.side_current] += (side(x, p) - x[S.side_current]) * share(dt, SIDE_TIME)
    return source - resistance * x[S.side_current], resistance


@borrowing
def step_battery(x: Any, p: Any, e: Any, table: Any, current: float, voltage: float, dt: float) -> None:
    """Move charge, branches and temperature on by `dt` under a constant current (positive charging).

    `voltage`: the mean terminal voltage of the step, at which the side current flows. Call `thevenin` first.
    """
    r0, r1, r2, r_full = resistances(x, p)
    inner = current - x[S.side_current]
    lost = voltage * x[S.side_current] + r0 * inner * inner
    k1 = 1.0 / (1.0 + dt / (2.0 * r1 * p[P.c1]))
    mean = k1 * (x[S.v_rc1] + inner * dt / (2.0 * p[P.c1]))
    x[S.v_rc1] += (inner - mean / r1) * dt / p[P.c1]
    lost += mean * mean / r1
    k2 = 1.0 / (1.0 + dt / (2.0 * r2 * p[P.c2]))
    mean = k2 * (x[S.v_rc2] + inner * dt / (2.0 * p[P.c2]))
    x[S.v_rc2] += (inner - mean / r2) * dt / p[P.c2]
    lost += mean * mean / r2
    if r_full > 0.0:
        k_full = 1.0 / (1.0 + dt / (2.0 * r_full * p[P.c_full]))
        mean = k_full * (x[S.v_full] + inner * dt / (2.0 * p[P.c_full]))
        x[S.v_full] += (inner - mean / r_full) * dt / p[P.c_full]
        lost += mean * mean / r_full
    if p[P.hysteresis] > 0.0 and inner != 0.0:
        middle = lagging(x[S.hysteresis], inner, p, dt)
        x[S.hysteresis] = 2.0 * middle - x[S.hysteresis]
        lost += p[P.hysteresis] * math.fabs(inner) * middle * middle
    deeper = deepening(x, p)
    half = 0.5 * inner * dt / p[P.capacity]
    if deeper > 1.0:
        first, step = p[P.soc_first], p[P.soc_step]
        plain, _ = look_up(table, OCV, first, step, x[S.soc] + half)
        deep, slope = look_up(table, OCV, first, step, 1.0 - (1.0 - x[S.soc]) * deeper)
        lost -= (plain - deep - slope * deeper * half) * inner
    x[S.soc] += 2.0 * half
    if p[P.rate_exponent] > 0.0:
        x[S.drawn_rate] += (max(0.0, -current) - x[S.drawn_rate]) * share(dt, p[P.rate_time])
    e[E.lost_battery] += lost * dt
    x[S.cell_temperature] += dt * (
        lost / p[P.heat_capacity] - (x[S.cell_temperature] - p[P.ambient]) / p[P.thermal_time]
    )


@borrowing
def cell_voltages(x: Any, p: Any, table: Any, terminal: float) -> tuple[float, float]:
    """Highest and lowest cell: a cell ahead (behind) in charge, carrying its share of the over-potential."""
    first, step, spread = p[P.soc_first], p[P.soc_step], p[P.cell_spread]
    soc = 1.0 - (1.0 - x[S.soc]) * deepening(x, p)
    pack, _ = look_up(table, OCV, first, step, soc)
    part = (terminal - pack) / p[P.cells]
    high, _ = look_up(table, CELL, first, step, soc + spread)
    low, _ = look_up(table, CELL, first, step, soc - spread)
    return high + part, low + part


@borrowing
def manage(x: Any, p: Any, highest: float, dt: float) -> None:
    """The battery's own management: its estimate of the charge, and the currents that it allows at this moment.

    The estimate counts what its own meter reads. The allowed charge current falls towards full charge and towards the
    cold (common practice).
    """
    current = x[S.link_current]
    x[S.soc_estimate] += (p[P.estimate_gain] * current + p[P.estimate_offset]) * dt / p[P.capacity]
    x[S.soc_estimate] = min(1.0, max(0.0, x[S.soc_estimate]))
    if p[P.recalibrates] > 0.5 and highest >= p[P.full_cell] and 0.0 <= current < p[P.full_current]:
        x[S.soc_estimate] = 1.0
    allowed = p[P.charge_current_limit]
    if x[S.soc_estimate] > p[P.taper_from]:
        way = (x[S.soc_estimate] - p[P.taper_from]) / (1.0 - p[P.taper_from])
        allowed *= 1.0 - way * (1.0 - p[P.taper_least])
    if x[S.cell_temperature] < p[P.warm]:
        allowed *= max(0.0, (x[S.cell_temperature] - p[P.cold]) / (p[P.warm] - p[P.cold]))
    x[S.charge_limit] = allowed
    x[S.discharge_limit] = p[P.over_current]


@borrowing
def lasted(x: Any, timer: int, holds: bool, delay: float, dt: float) -> bool:
    """Count how long a condition has held; whether it has held for `delay`."""
    x[timer] = x[timer] + dt if holds else 0.0
    return bool(x[timer] >= delay - 1e-9 and x[timer] > 0.0)


@borrowing
def protect(x: Any, p: Any, highest: float, lowest: float, apart: bool, dt: float) -> float:
    """The battery's own protection. Returns 0, or the number of what opened its contactor in this step.

    1 pack over-voltage, 2 cell over-voltage, 3 over-current, 4 pack under-voltage, 5 cell under-voltage, 6 too hot,
    7 charged in the cold. Once open it stays open until the bench has held it `apart` for its reset time with its
    cells within limits; -1 tells that it has closed again.
    """
    terminal = x[S.terminal]
    if x[S.protection_closed] < 0.5:
        fit = lowest > p[P.v_cell_protection_low] and highest < p[P.v_cell_protection]
        if lasted(x, S.t_opened, apart and fit and p[P.reset_time] > 0.0, p[P.reset_time], dt):
            x[S.protection_closed] = 1.0
            return -1.0
        return 0.0
    x[S.t_opened] = 0.0
    delay = p[P.protection_delay]
    over = lasted(x, S.t_over_voltage, terminal > p[P.v_protection], delay, dt)
    over_cell = lasted(x, S.t_over_cell, highest > p[P.v_cell_protection], delay, dt)
    current = lasted(
        x, S.t_over_current, math.fabs(x[S.link_current]) > p[P.over_current], p[P.over_current_delay], dt
    )
    low = lasted(x, S.t_low_voltage, terminal < p[P.v_protection_low], delay, dt)
    low_cell = lasted(x, S.t_low_cell, lowest < p[P.v_cell_protection_low], delay, dt)
    wait = p[P.temperature_delay]
    hot = lasted(x, S.t_hot, x[S.cell_temperature] > p[P.hot] > 0.0, wait, dt)
    freezing = x[S.cell_temperature] < p[P.cold] and x[S.link_current] > 0.02 * p[P.charge_current_limit]
    cold = lasted(x, S.t_cold, freezing, wait, dt)
    cause = 0.0
    if over:
        cause = 1.0
    elif over_cell:
        cause = 2.0
    elif current:
        cause = 3.0
    elif low:
        cause = 4.0
    elif low_cell:
        cause = 5.0
    elif hot:
        cause = 6.0
    elif cold:
        cause = 7.0
    if cause > 0.0:
        x[S.protection_closed] = 0.0
    return cause
