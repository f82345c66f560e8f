"""Owns the DC-coupled array: its charge controller brings the array's power to the battery side of the inverter.

It follows the array's maximum power, less what the charging loop takes back (`charging`: the same loop that shifts the
frequency for the PV inverters on the bus), less what its own voltage limit takes back, up to its rated current. While
the battery inverter stands still only its own limit acts. Efficiency as one figure (common practice).
"""

from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import share
from benchrunner.sim.layout import PV_MOST, E, P, S, W

LEAST_LINK = 20.0  # V; it starts from the battery
OWN_GAIN = 3.0  # 1/s, of its own voltage limit, per unit of its span
SPAN = 0.02  # of the absorption voltage


@borrowing
def control_charger(x: Any, p: Any, w: Any, active: bool, dt: float) -> None:
    """Set the power that it brings in this step. `active`: the battery inverter's loop regulates it."""
    if p[P.dc_present] < 0.5:
        return
    most = w[PV_MOST, W.p_array]
    possible = max(0.0, p[P.dc_efficiency] * most - p[P.dc_idle])
    x[S.dc_available] += (possible - x[S.dc_available]) * share(dt, p[P.dc_tracking])
    allowed = 1.0
    if active:
        allowed = min(1.0, max(0.0, -1.0 - x[S.u_shift]))
    over = (x[S.m_voltage] - p[P.v_charger]) / (SPAN * p[P.v_charger])
    x[S.dc_own] = min(1.0, max(0.0, x[S.dc_own] - OWN_GAIN * over * dt))
    power = x[S.dc_available] * min(allowed, x[S.dc_own])
    link = x[S.link]
    if link < LEAST_LINK or link > 0.99 * p[P.dc_trip_high]:
        power = 0.0
    x[S.p_dc_pv] = min(power, p[P.dc_current] * link)


@borrowing
def count_charger(x: Any, p: Any, e: Any, dt: float) -> None:
    """Its energies: out of the array, into the battery side, and what it lost on the way."""
    power = x[S.p_dc_pv]
    x[S.p_dc_array] = (power + p[P.dc_idle]) / p[P.dc_efficiency] if power > 0.0 else 0.0
    e[E.dc_array] += x[S.p_dc_array] * dt
    e[E.dc_pv] += power * dt
    if power > 0.0:
        e[E.lost_dc_pv] += ((1.0 / p[P.dc_efficiency] - 1.0) * power + p[P.dc_idle] / p[P.dc_efficiency]) * dt
