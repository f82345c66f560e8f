"""The compiled time-domain model: fixed-step fourth-order Runge-Kutta between the controls' sampling
instants.

Bridge voltages are held over a control period, as a digital control holds them, so between two instants the
circuit is smooth and the step converges with its full order. Contacts and semiconductors change state on the
step grid; the magnetic energy that a chopped current leaves behind is booked as switching loss.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from benchrunner.sim.compiled import compiled

Array = npt.NDArray[np.float64]

# columns of the drive, one row per step
THETA, AMPLITUDE, OMEGA, BRIDGE_CURRENT, PV_CURRENT, LOAD = 0, 1, 2, 3, 4, 5
RELAY, SWITCH, MODE, PV_ON, OPEN_CIRCUIT, CONTACTOR, LOSS, STAGE_ON = 6, 7, 8, 9, 10, 11, 12, 13
DRIVES = 14
BLOCKED, FOLLOWING, FORMING = 0, 1, 2  # MODE: bridge off; current control on the grid; voltage control alone

# columns of the result, one row per step
BUS_V, BUS_I, LOAD_I, PV_I, BATTERY_V, BATTERY_I, GRID_V, GRID_I, LINK_V = 0, 1, 2, 3, 4, 5, 6, 7, 8
RESULTS = 9

# energies, J: delivered by the sources, taken by the load, lost
E_GRID, E_PV, E_BATTERY, E_LOAD, E_LOST, E_SWITCHED = 0, 1, 2, 3, 4, 5
ENERGIES = 6

STATES = 7  # i_f, v_c, i_g, i_pv, v_dc, v_b, i_s

# order of the circuit's values in the kernel's parameter vector
PARAMETERS = (
    "filter_inductance", "filter_resistance", "bus_capacitance", "bleed_resistance", "grid_resistance",
    "grid_inductance", "pv_inductance", "pv_resistance", "pv_dc_voltage", "pv_current_limit",
    "pv_trip_peak", "pv_trip_hold", "link_voltage", "link_capacitance", "link_gain", "link_integral",
    "stage_resistance", "stage_lag", "stage_current_limit", "terminal_capacitance", "battery_resistance",
    "peak_current", "inner_bandwidth", "outer_bandwidth", "resonant_rate", "pv_bandwidth", "pll_rate",
    "loss_detection", "rated_frequency",
)  # fmt: skip


def vector(circuit: Any) -> Array:
    """The circuit as the kernel takes it."""
    return np.array([getattr(circuit, name) for name in PARAMETERS], dtype=np.float64)


@compiled
def _slope(y, out, u, u_pv, e, g, conducting, closed, pv_conducting, v_oc, contactor, loss, i_cmd, p):  # type: ignore[no-untyped-def]
    i_f, v_c, i_g, i_pv, v_dc, v_b, i_s = y[0], y[1], y[2], y[3], y[4], y[5], y[6]
    g0 = 1.0 / p[3]
    i_bat = (v_b - v_oc) / p[20] if contactor else 0.0
    share = v_dc / p[12]
    lost = loss * min(1.0, share * share)
    out[0] = (u - v_c - p[1] * i_f) / p[0] if conducting else 0.0
    out[1] = (i_f + i_pv + i_g - (g + g0) * v_c) / p[2]
    out[2] = (e - v_c - p[4] * i_g) / p[5] if closed else 0.0
    out[3] = (u_pv - v_c - p[7] * i_pv) / p[6] if pv_conducting else 0.0
    out[4] = (v_b * i_s - p[16] * i_s * i_s - u * i_f - lost) / (p[13] * max(v_dc, 1.0))
    out[5] = (-i_bat - i_s) / p[19]
    out[6] = (i_cmd - i_s) / p[17]
    out[7] = e * i_g if closed else 0.0
    out[8] = u_pv * i_pv
    out[9] = -v_oc * i_bat
    out[10] = g * v_c * v_c
    out[11] = (
        p[1] * i_f * i_f + p[4] * i_g * i_g + p[7] * i_pv * i_pv + p[20] * i_bat * i_bat
        + p[16] * i_s * i_s + g0 * v_c * v_c + lost
    )  # fmt: skip


@compiled
def run(drive, source, start, p, h, every, record, energies, extra):  # type: ignore[no-untyped-def]
    """Step the circuit through `drive` (n+1 rows); `source`: grid source at half steps (2n+1), V.

    `start`: the seven states, then phase, frequency offset (rad/s) and amplitude (V) of the PV inverter's
    phase-locked loop, the DC stage's integral (A); `record` (n+1, RESULTS) and `energies` (ENERGIES) are filled; `extra`: 0 the time of
    the PV inverter's own over-voltage trip (s from the start, NaN: none), 1 the time at which the bridge
    noticed the loss of the grid. Returns the final states.
    """
    n = drive.shape[0] - 1
    y = np.zeros(12)
    for j in range(7):
        y[j] = start[j]
    z = np.zeros(12)
    k1, k2, k3, k4 = np.zeros(12), np.zeros(12), np.zeros(12), np.zeros(12)
    t_c = every * h
    theta_pv, offset, amplitude = start[7], start[8], start[9]
    s_v, s_q = amplitude * np.sin(theta_pv), -amplitude * np.cos(theta_pv)
    omega_0 = 2 * np.pi * p[28]
    k_inner, k_outer = 2 * np.pi * p[22] * p[0], 2 * np.pi * p[23] * p[2]
    k_res, k_pv = 2 * p[24] * k_outer, 2 * np.pi * p[25] * p[6]
    x_s, x_c = 0.0, 0.0
    x_link, v_before, had_before = start[10], start[1], False
    u, u_pv, i_cmd = 0.0, 0.0, start[6]
    paused, away, pv_tripped, over = False, 0.0, False, 0.0
    extra[0], extra[1] = np.nan, np.nan
    switched, v_ahead, v_between, theta_now, theta_held = 0.0, start[1], start[1], start[7], start[7]
    for k in range(n + 1):
        d = drive[k]
        mode = int(d[8])
        closed = d[6] > 0.5 and d[7] > 0.5
        contactor = d[11] > 0.5
        pv_on = d[9] > 0.5 and not pv_tripped
        g = d[5]
        if not closed and y[2] != 0.0:
            switched += 0.5 * p[5] * y[2] * y[2]
            y[2] = 0.0
        theta, top, omega = d[0], d[1], d[2]
        v_c = y[1]
        if k % every == 0:
            # the bridges' feed-forward of the bus voltage, half a period ahead: as long as it will be held
            v_ahead = 1.5 * v_c - 0.5 * v_before if had_before else v_c
            v_between = 0.5 * (v_c + v_before)
            v_before, had_before = v_c, True
            # loss of the grid as the bridge sees it: the bus leaves its course
            if mode == 1 and not closed and not paused:
                if abs(v_c - top * np.sin(theta)) > 0.2 * top:
                    away += t_c
                    if away >= p[27]:
                        paused = True
                        extra[1] = k * h
                else:
                    away = 0.0
            elif mode != 1 or closed:
                paused, away = False, 0.0
            # the PV inverter's own instantaneous over-voltage trip
            if p[10] > 0.0 and pv_on:
                over = over + t_c if abs(v_c) > p[10] else 0.0
                if over >= p[11]:
                    pv_tripped, pv_on = True, False
                    extra[0] = k * h
            # phase-locked loop: second-order generalised integrator, then a loop on the quadrature part
            w_pv = omega_0 + offset
            s_v += t_c * w_pv * (1.41421356 * (v_between - s_v) - s_q)
            s_q += t_c * w_pv * s_v
            size = max(np.sqrt(s_v * s_v + s_q * s_q), 1.0)
            theta_seen = theta_pv + 0.75 * t_c * w_pv  # its two parts run half a period and a whole one ahead
            q = (s_v * np.cos(theta_seen) + s_q * np.sin(theta_seen)) / size
            if size < 20.0:
                q = 0.0
            offset = min(max(offset + t_c * p[26] * p[26] * q, -60.0), 60.0)
            if not closed and mode != 2 and d[2] > 0.0:
                # nobody forms the bus: the PV inverter runs on with its own voltage, as the envelope says
                theta_pv, offset, q = theta, min(max(omega - omega_0, -60.0), 60.0), 0.0
            theta_now = theta_pv
            theta_held = theta_pv + 0.5 * t_c * (
                omega_0 + offset
            )  # in the middle of the period for which it is held
            theta_pv += t_c * (omega_0 + offset + 1.41421356 * p[26] * q)
            # DC stage holds the link
            if d[13] > 0.5:
                error = p[12] - y[4]
                wanted = p[12] * (p[14] * error + x_link) / max(y[5], 1.0)
                i_cmd = min(max(wanted, -p[18]), p[18])
                if wanted == i_cmd:
                    x_link += t_c * p[15] * error
            else:
                i_cmd = 0.0
        on = mode != 0 and not paused
        # bridge voltages, held over the control period
        conducting = True
        if on:
            if k % every == 0:
                if mode == 2:
                    error = top * np.sin(theta) - v_c
                    y_res = x_s * np.sin(theta) + x_c * np.cos(theta)
                    out_now = g * v_c - y[3] - y[2]
                    wanted = out_now + p[2] * omega * top * np.cos(theta) + k_outer * error + y_res
                    i_ref = min(max(wanted, -p[21]), p[21])
                    if i_ref == wanted:
                        x_s += t_c * k_res * error * np.sin(theta)
                        x_c += t_c * k_res * error * np.cos(theta)
                else:
                    x_s, x_c = 0.0, 0.0
                    i_ref = (d[3] + top / p[3]) * np.sin(theta) + p[2] * omega * top * np.cos(theta)
                    i_ref = min(max(i_ref, -p[21]), p[21])
                u = v_ahead + p[1] * y[0] + k_inner * (i_ref - y[0])
                if mode != 2:
                    u += p[0] * omega * d[3] * np.cos(theta)
            u = min(max(u, -y[4]), y[4])
        elif y[0] > 0.0:
            u = -y[4]
        elif y[0] < 0.0 or v_c > y[4]:
            u = y[4]
        elif v_c < -y[4]:
            u = -y[4]
        else:
            u, conducting = 0.0, False
        pv_conducting = True
        if pv_on:
            if k % every == 0:
                top_pv = min(d[4], p[9])
                i_ref_pv = top_pv * np.sin(theta_now)
                k_rate = p[6] * (omega_0 + offset)
                u_pv = v_ahead + p[7] * y[3] + k_pv * (i_ref_pv - y[3])
                u_pv += k_rate * top_pv * np.cos(theta_held)
                u_pv = min(max(u_pv, -p[8]), p[8])
        elif y[3] > 0.0:
            u_pv = -p[8]
        elif y[3] < 0.0:
            u_pv = p[8]
        else:
            u_pv, pv_conducting = 0.0, False
        # what the instruments see now
        r = record[k]
        i_bat = (y[5] - d[10]) / p[20] if contactor else 0.0
        r[0], r[2], r[3], r[4], r[5], r[7], r[8] = v_c, g * v_c, y[3], y[5], i_bat, y[2], y[4]
        r[1] = g * v_c - y[3] - y[2]
        r[6] = v_c if d[6] > 0.5 else (source[2 * k] if d[7] > 0.5 else 0.0)
        if k == n:
            break
        e0, e1, e2 = source[2 * k], source[2 * k + 1], source[2 * k + 2]
        v_oc, loss = d[10], d[12]
        _slope(y, k1, u, u_pv, e0, g, conducting, closed, pv_conducting, v_oc, contactor, loss, i_cmd, p)
        for j in range(12):
            z[j] = y[j] + 0.5 * h * k1[j]
        _slope(z, k2, u, u_pv, e1, g, conducting, closed, pv_conducting, v_oc, contactor, loss, i_cmd, p)
        for j in range(12):
            z[j] = y[j] + 0.5 * h * k2[j]
        _slope(z, k3, u, u_pv, e1, g, conducting, closed, pv_conducting, v_oc, contactor, loss, i_cmd, p)
        for j in range(12):
            z[j] = y[j] + h * k3[j]
        _slope(z, k4, u, u_pv, e2, g, conducting, closed, pv_conducting, v_oc, contactor, loss, i_cmd, p)
        i_f_before, i_pv_before = y[0], y[3]
        for j in range(12):
            y[j] += h / 6.0 * (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j])
        if not on and i_f_before * y[0] < 0.0:  # a diode stops at the current's zero
            switched += 0.5 * p[0] * y[0] * y[0]
            y[0] = 0.0
        if not pv_on and i_pv_before * y[3] < 0.0:
            switched += 0.5 * p[6] * y[3] * y[3]
            y[3] = 0.0
    for j in range(5):
        energies[j] = y[7 + j]
    energies[5] = switched
    return y[:7].copy()
