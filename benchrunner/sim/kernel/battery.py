"""Owns the battery: open-circuit voltage, two-RC Thevenin branch, highest and lowest cell, its own protection.

The branch equations are stepped by the trapezoidal rule: with the step's mean voltages v = (v0 + v1) / 2 it holds
exactly that I v dt = C (v1^2 - v0^2) / 2 + v^2 / R dt, so no energy is made or lost by the stepping. The
open-circuit voltage is linear between the points of a fine table.
"""

import math
from typing import Any

from benchrunner.sim.compiled import compiled
from benchrunner.sim.layout import E, P, S

OCV, CELL, CHARGE = (
    0,
    1,
    2,
)  # rows of the table: pack V, one cell's V, integral of the pack's V over state of charge


@compiled
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


@compiled
def stored(x: Any, p: Any, table: Any) -> float:
    """Energy held by the chemistry and the two RC branches, J, from an arbitrary zero."""
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
    return float(p[P.capacity] * integral + 0.5 * p[P.c1] * x[S.v_rc1] ** 2 + 0.5 * p[P.c2] * x[S.v_rc2] ** 2)


@compiled
def thevenin(x: Any, p: Any, table: Any, dt: float) -> tuple[float, float]:
    """Source voltage and resistance whose line V = E + R I gives this step's mean terminal voltage, I charging."""
    voltage, slope = look_up(table, OCV, p[P.soc_first], p[P.soc_step], x[S.soc])
    k1 = 1.0 / (1.0 + dt / (2.0 * p[P.r1] * p[P.c1]))
    k2 = 1.0 / (1.0 + dt / (2.0 * p[P.r2] * p[P.c2]))
    source = voltage + k1 * x[S.v_rc1] + k2 * x[S.v_rc2]
    resistance = (
        p[P.r0] + k1 * dt / (2.0 * p[P.c1]) + k2 * dt / (2.0 * p[P.c2]) + slope * dt / (2.0 * p[P.capacity])
    )
    return source, resistance


@compiled
def step_battery(x: Any, p: Any, e: Any, current: float, dt: float) -> None:
    """Move charge, branches and temperature on by `dt` under a constant current (positive charging)."""
    lost = p[P.r0] * current * current
    k1 = 1.0 / (1.0 + dt / (2.0 * p[P.r1] * p[P.c1]))
    mean = k1 * (x[S.v_rc1] + current * dt / (2.0 * p[P.c1]))
    x[S.v_rc1] += (current - mean / p[P.r1]) * dt / p[P.c1]
    lost += mean * mean / p[P.r1]
    k2 = 1.0 / (1.0 + dt / (2.0 * p[P.r2] * p[P.c2]))
    mean = k2 * (x[S.v_rc2] + current * dt / (2.0 * p[P.c2]))
    x[S.v_rc2] += (current - mean / p[P.r2]) * dt / p[P.c2]
    lost += mean * mean / p[P.r2]
    x[S.soc] += current * dt / p[P.capacity]
    x[S.soc_estimate] += current * dt / p[P.capacity]
    e[E.lost_battery] += lost * dt
    x[S.cell_temperature] += dt * (
        lost / p[P.heat_capacity] - (x[S.cell_temperature] - p[P.ambient]) / p[P.thermal_time]
    )


@compiled
def cell_voltages(x: Any, p: Any, table: Any, terminal: float) -> tuple[float, float]:
    """Highest and lowest cell: a cell ahead (behind) in charge, carrying its share of the over-potential."""
    first, step, soc, spread = p[P.soc_first], p[P.soc_step], x[S.soc], p[P.cell_spread]
    pack, _ = look_up(table, OCV, first, step, soc)
    share = (terminal - pack) / p[P.cells]
    high, _ = look_up(table, CELL, first, step, soc + spread)
    low, _ = look_up(table, CELL, first, step, soc - spread)
    return high + share, low + share


@compiled
def protect(x: Any, p: Any, highest: float, terminal: float, dt: float) -> float:
    """The battery's own protection. Returns 0, or the number of what opened its contactor in this step.

    1 pack over-voltage, 2 cell over-voltage, 3 over-current, 4 pack under-voltage. Once open it stays open.
    """
    if x[S.protection_closed] < 0.5:
        return 0.0
    x[S.t_over_voltage] = x[S.t_over_voltage] + dt if terminal > p[P.v_protection] else 0.0
    x[S.t_over_cell] = x[S.t_over_cell] + dt if highest > p[P.v_cell_protection] else 0.0
    x[S.t_over_current] = (
        x[S.t_over_current] + dt if math.fabs(x[S.link_current]) > p[P.over_current] else 0.0
    )
    x[S.t_low_voltage] = x[S.t_low_voltage] + dt if terminal < p[P.v_protection_low] else 0.0
    cause = 0.0
    slack = 1e-9
    if x[S.t_over_voltage] >= p[P.protection_delay] - slack and x[S.t_over_voltage] > 0.0:
        cause = 1.0
    elif x[S.t_over_cell] >= p[P.protection_delay] - slack and x[S.t_over_cell] > 0.0:
        cause = 2.0
    elif x[S.t_over_current] >= p[P.over_current_delay] - slack and x[S.t_over_current] > 0.0:
        cause = 3.0
    elif x[S.t_low_voltage] >= p[P.protection_delay] - slack and x[S.t_low_voltage] > 0.0:
        cause = 4.0
    if cause > 0.0:
        x[S.protection_closed] = 0.0
    return cause
