"""The compiled time-domain model: fixed-step fourth-order Runge-Kutta between the controls' sampling
instants.

One, two (split-phase) or three phases against a neutral, on one DC link: each has its bridge, filter, loads, PV bridge and
grid impedance; battery, DC stage, transfer relay and grid switch are common. Bridge voltages are held over a control
period, as a digital control holds them, so between two instants the circuit is smooth and the step converges with its
full order. Contacts and semiconductors change state on the step grid; the magnetic energy that a chopped current leaves
behind is booked as switching loss.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from benchrunner.sim.compiled import compiled, releasing

Array = npt.NDArray[np.float64]

# columns of the drive, one row per step; those of phase 1 and what the phases share
THETA, AMPLITUDE, OMEGA, BRIDGE_CURRENT, PV_CURRENT, LOAD = 0, 1, 2, 3, 4, 5
RELAY, SWITCH, MODE, PV_ON, OPEN_CIRCUIT, CONTACTOR, LOSS, STAGE_ON = 6, 7, 8, 9, 10, 11, 12, 13
LOAD_RESISTANCE, LOAD_INDUCTANCE, PV_QUADRATURE = (
    14,
    15,
    16,
)  # the loads' inductive branch (inductance 0: none)
SHARED = 17
# then for each further phase: amplitude, bridge current, PV current, load, PV current a quarter cycle ahead
OF_PHASE = 5
BLOCKED, FOLLOWING, FORMING = 0, 1, 2  # MODE: bridge off; current control on the grid; voltage control alone

# columns of the result, one row per step; then for each further phase those of its own
BUS_V, BUS_I, LOAD_I, PV_I, BATTERY_V, BATTERY_I, GRID_V, GRID_I, LINK_V = 0, 1, 2, 3, 4, 5, 6, 7, 8
RESULTS = 9
RESULTS_OF_PHASE = 6  # bus voltage, bus current, load current, PV current, grid voltage, grid current

# energies, J: delivered by the sources, taken by the load, lost
E_GRID, E_PV, E_BATTERY, E_LOAD, E_LOST, E_SWITCHED = 0, 1, 2, 3, 4, 5
ENERGIES = 6

# states of a phase: bridge choke, bus capacitor, grid choke, PV choke, inductive load; then link, terminals, DC stage
STATES_OF_PHASE = 5

# order of the circuit's values in the kernel's parameter vector
PARAMETERS = (
    "filter_inductance", "filter_resistance", "bus_capacitance", "bleed_resistance", "grid_resistance",
    "grid_inductance", "pv_inductance", "pv_resistance", "pv_dc_voltage", "pv_current_limit",
    "pv_trip_peak", "pv_trip_hold", "link_voltage", "link_capacitance", "link_gain", "link_integral",
    "stage_resistance", "stage_lag", "stage_current_limit", "terminal_capacitance", "battery_resistance",
    "peak_current", "inner_bandwidth", "outer_bandwidth", "resonant_rate", "pv_bandwidth", "pll_rate",
    "loss_detection", "rated_frequency", "neutral_resistance",
)  # fmt: skip


def vector(circuit: Any) -> Array:
    """The circuit as the kernel takes it."""
    return np.array([getattr(circuit, name) for name in PARAMETERS], dtype=np.float64)


def drives(phases: int) -> int:
    """Columns of the drive."""
    return SHARED + OF_PHASE * (phases - 1)


def results(phases: int) -> int:
    """Columns of the result."""
    return RESULTS + RESULTS_OF_PHASE * (phases - 1)


def offsets(phases: int) -> Array:
    """Angle of each phase behind the first, rad, negative."""
    return np.array({1: [0.0], 2: [0.0, -np.pi], 3: [0.0, -2 * np.pi / 3, -4 * np.pi / 3]}[phases])


@compiled
def _slope(y, out, m, u, u_pv, e, drawn, g, conducting, closed, pv_conducting, r_load, l_load, v_oc, contactor, loss, i_cmd, p):  # type: ignore[no-untyped-def]  # fmt: skip
    t = 5 * m
    v_dc, v_b, i_s = y[t], y[t + 1], y[t + 2]
    g0 = 1.0 / p[3]
    i_bat = (v_b - v_oc) / p[20] if contactor else 0.0
    share = v_dc / p[12]
    lost = loss * min(1.0, share * share)
    bridge, source, pv, load, heat, neutral = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if closed and m > 1:
        for k in range(m):
            neutral += y[5 * k + 2]
    for k in range(m):
        j = 5 * k
        i_f, v_c, i_g, i_pv, i_l = y[j], y[j + 1], y[j + 2], y[j + 3], y[j + 4]
        out[j] = (u[k] - v_c - p[1] * i_f) / p[0] if conducting[k] else 0.0
        out[j + 1] = (i_f + i_pv + i_g - (g[k] + g0) * v_c - i_l - drawn[k]) / p[2]
        out[j + 2] = (e[k] - v_c - p[4] * i_g - p[29] * neutral) / p[5] if closed else 0.0
        out[j + 3] = (u_pv[k] - v_c - p[7] * i_pv) / p[6] if pv_conducting[k] else 0.0
        out[j + 4] = (v_c - r_load * i_l) / l_load if l_load > 0.0 else 0.0
        bridge += u[k] * i_f
        source += e[k] * i_g if closed else 0.0
        pv += u_pv[k] * i_pv
        load += g[k] * v_c * v_c + drawn[k] * v_c + r_load * i_l * i_l
        heat += p[1] * i_f * i_f + p[4] * i_g * i_g + p[7] * i_pv * i_pv + g0 * v_c * v_c
    out[t] = (v_b * i_s - p[16] * i_s * i_s - bridge - lost) / (p[13] * max(v_dc, 1.0))
    out[t + 1] = (-i_bat - i_s) / p[19]
    out[t + 2] = (i_cmd - i_s) / p[17]
    out[t + 3] = source
    out[t + 4] = pv
    out[t + 5] = -v_oc * i_bat
    out[t + 6] = load
    out[t + 7] = heat + p[29] * neutral * neutral + p[20] * i_bat * i_bat + p[16] * i_s * i_s + lost


@releasing
def run(drive, source, drawn, start, lock, p, turned, h, every, record, energies, extra):  # type: ignore[no-untyped-def]
    """Step the circuit through `drive` (n+1 rows) and return its final states.

    `source` (phases, 2n+1): voltage of the grid's source, V; `drawn` (phases, 2n+1): what the loads draw besides their
    branches (prescribed harmonics), A; both at half steps. `start`: the states, then the integral of the DC stage's
    control (A). `lock` (phases, 3): phase, frequency offset (rad/s) and amplitude (V) of the PV inverter's phase-locked
    loops. `turned`: as `offsets`. `record` (n+1, results) and `energies` (ENERGIES) are filled; `extra`: 0 the time of
    the PV inverter's own over-voltage trip (s from the start, NaN: none), 1 the time at which the bridge noticed the
    loss of the grid.
    """
    n = drive.shape[0] - 1
    m = turned.shape[0]
    tail = 5 * m
    size_of = tail + 8
    y, z = np.zeros(size_of), np.zeros(size_of)
    for j in range(tail + 3):
        y[j] = start[j]
    k1, k2, k3, k4 = np.zeros(size_of), np.zeros(size_of), np.zeros(size_of), np.zeros(size_of)
    t_c = every * h
    omega_0 = 2 * np.pi * p[28]
    k_inner, k_outer = 2 * np.pi * p[22] * p[0], 2 * np.pi * p[23] * p[2]
    k_res, k_pv = 2 * p[24] * k_outer, 2 * np.pi * p[25] * p[6]
    theta_pv, offset = lock[:, 0].copy(), lock[:, 1].copy()
    s_v, s_q = lock[:, 2] * np.sin(lock[:, 0]), -lock[:, 2] * np.cos(lock[:, 0])
    x_s, x_c = np.zeros(m), np.zeros(m)
    v_before, v_ahead, v_between = np.zeros(m), np.zeros(m), np.zeros(m)
    for j in range(m):
        v_before[j] = v_ahead[j] = v_between[j] = start[5 * j + 1]
    theta_now, theta_held = theta_pv.copy(), theta_pv.copy()
    u, u_pv, g, e0, e1, e2 = np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m)
    d0, d1, d2 = np.zeros(m), np.zeros(m), np.zeros(m)
    top, bridge_top, pv_top, pv_side = np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m)
    conducting, pv_conducting = np.ones(m, np.bool_), np.ones(m, np.bool_)
    before = np.zeros(2 * m)
    x_link, had_before = start[tail + 3], False
    i_cmd, l_before = start[tail + 2], 0.0
    paused, away, pv_tripped, over = False, 0.0, False, 0.0
    extra[0], extra[1] = np.nan, np.nan
    switched = 0.0
    for k in range(n + 1):
        d = drive[k]
        mode = int(d[8])
        closed = d[6] > 0.5 and d[7] > 0.5
        contactor = d[11] > 0.5
        pv_on = d[9] > 0.5 and not pv_tripped
        theta, omega = d[0], d[2]
        r_load, l_load = d[14], d[15]
        now = k % every == 0
        top[0], bridge_top[0], pv_top[0], g[0], pv_side[0] = d[1], d[3], d[4], d[5], d[16]
        for j in range(1, m):
            c = 17 + 5 * (j - 1)
            top[j], bridge_top[j], pv_top[j], g[j], pv_side[j] = d[c], d[c + 1], d[c + 2], d[c + 3], d[c + 4]
        for j in range(m):
            i = 5 * j
            if not closed and y[i + 2] != 0.0:
                switched += 0.5 * p[5] * y[i + 2] * y[i + 2]
                y[i + 2] = 0.0
            if l_load == 0.0 and y[i + 4] != 0.0:
                switched += 0.5 * l_before * y[i + 4] * y[i + 4]
                y[i + 4] = 0.0
            d0[j] = drawn[j, 2 * k]
            e0[j] = source[j, 2 * k]
        l_before = l_load
        if now:
            astray, high = False, False
            for j in range(m):
                # the bridges' feed-forward of the bus voltage, half a period ahead: as long as it will be held
                v_c = y[5 * j + 1]
                v_ahead[j] = 1.5 * v_c - 0.5 * v_before[j] if had_before else v_c
                v_between[j] = 0.5 * (v_c + v_before[j])
                v_before[j] = v_c
                astray = astray or abs(v_c - top[j] * np.sin(theta + turned[j])) > 0.2 * top[j]
                high = high or abs(v_c) > p[10]
            had_before = True
            # loss of the grid as the bridge sees it: the bus leaves its course
            if mode == 1 and not closed and not paused:
                if astray:
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
                over = over + t_c if high else 0.0
                if over >= p[11]:
                    pv_tripped, pv_on = True, False
                    extra[0] = k * h
            for j in range(m):
                # phase-locked loop: second-order generalised integrator, then a loop on the quadrature part
                w_pv = omega_0 + offset[j]
                s_v[j] += t_c * w_pv * (1.41421356 * (v_between[j] - s_v[j]) - s_q[j])
                s_q[j] += t_c * w_pv * s_v[j]
                size = max(np.sqrt(s_v[j] * s_v[j] + s_q[j] * s_q[j]), 1.0)
                # its two parts run half a period and a whole one ahead
                theta_seen = theta_pv[j] + 0.75 * t_c * w_pv
                q = (s_v[j] * np.cos(theta_seen) + s_q[j] * np.sin(theta_seen)) / size
                if size < 20.0:
                    q = 0.0
                offset[j] = min(max(offset[j] + t_c * p[26] * p[26] * q, -60.0), 60.0)
                if not closed and mode != 2 and omega > 0.0:
                    # nobody forms the bus: the PV inverter runs on with its own voltage, as the envelope says
                    theta_pv[j], q = theta + turned[j], 0.0
                    offset[j] = min(max(omega - omega_0, -60.0), 60.0)
                theta_now[j] = theta_pv[j]
                # in the middle of the period for which it is held
                theta_held[j] = theta_pv[j] + 0.5 * t_c * (omega_0 + offset[j])
                theta_pv[j] += t_c * (omega_0 + offset[j] + 1.41421356 * p[26] * q)
            # DC stage holds the link
            if d[13] > 0.5:
                error = p[12] - y[tail]
                wanted = p[12] * (p[14] * error + x_link) / max(y[tail + 1], 1.0)
                i_cmd = min(max(wanted, -p[18]), p[18])
                if wanted == i_cmd:
                    x_link += t_c * p[15] * error
            else:
                i_cmd = 0.0
        on = mode != 0 and not paused
        v_dc = y[tail]
        for j in range(m):
            i = 5 * j
            v_c = y[i + 1]
            sine, cosine = np.sin(theta + turned[j]), np.cos(theta + turned[j])
            # bridge voltages, held over the control period
            conducting[j] = True
            if on:
                if now:
                    if mode == 2:
                        error = top[j] * sine - v_c
                        y_res = x_s[j] * sine + x_c[j] * cosine
                        out_now = g[j] * v_c + y[i + 4] + d0[j] - y[i + 3] - y[i + 2]
                        wanted = out_now + p[2] * omega * top[j] * cosine + k_outer * error + y_res
                        i_ref = min(max(wanted, -p[21]), p[21])
                        if i_ref == wanted:
                            x_s[j] += t_c * k_res * error * sine
                            x_c[j] += t_c * k_res * error * cosine
                    else:
                        x_s[j], x_c[j] = 0.0, 0.0
                        i_ref = (bridge_top[j] + top[j] / p[3]) * sine + p[2] * omega * top[j] * cosine
                        i_ref = min(max(i_ref, -p[21]), p[21])
                    u[j] = v_ahead[j] + p[1] * y[i] + k_inner * (i_ref - y[i])
                    if mode != 2:
                        u[j] += p[0] * omega * bridge_top[j] * cosine
                u[j] = min(max(u[j], -v_dc), v_dc)
            elif y[i] > 0.0:
                u[j] = -v_dc
            elif y[i] < 0.0 or v_c > v_dc:
                u[j] = v_dc
            elif v_c < -v_dc:
                u[j] = -v_dc
            else:
                u[j], conducting[j] = 0.0, False
            pv_conducting[j] = True
            if pv_on:
                if now:
                    top_pv = min(pv_top[j], p[9])
                    i_ref_pv = top_pv * np.sin(theta_now[j]) + pv_side[j] * np.cos(theta_now[j])
                    u_pv[j] = v_ahead[j] + p[7] * y[i + 3] + k_pv * (i_ref_pv - y[i + 3])
                    rate = top_pv * np.cos(theta_held[j]) - pv_side[j] * np.sin(theta_held[j])
                    u_pv[j] += p[6] * (omega_0 + offset[j]) * rate
                    u_pv[j] = min(max(u_pv[j], -p[8]), p[8])
            elif y[i + 3] > 0.0:
                u_pv[j] = -p[8]
            elif y[i + 3] < 0.0:
                u_pv[j] = p[8]
            else:
                u_pv[j], pv_conducting[j] = 0.0, False
            # what the instruments see now
            r = record[k]
            load = g[j] * v_c + y[i + 4] + d0[j]
            mains = v_c if d[6] > 0.5 else (e0[j] if d[7] > 0.5 else 0.0)
            if j == 0:
                r[0], r[1], r[2], r[3], r[6], r[7] = v_c, load - y[3] - y[2], load, y[3], mains, y[2]
            else:
                c = 9 + 6 * (j - 1)
                r[c], r[c + 1], r[c + 2], r[c + 3] = v_c, load - y[i + 3] - y[i + 2], load, y[i + 3]
                r[c + 4], r[c + 5] = mains, y[i + 2]
        r[4], r[8] = y[tail + 1], v_dc
        r[5] = (y[tail + 1] - d[10]) / p[20] if contactor else 0.0
        if k == n:
            break
        for j in range(m):
            e1[j], e2[j] = source[j, 2 * k + 1], source[j, 2 * k + 2]
            d1[j], d2[j] = drawn[j, 2 * k + 1], drawn[j, 2 * k + 2]
            before[2 * j], before[2 * j + 1] = y[5 * j], y[5 * j + 3]
        v_oc, loss = d[10], d[12]
        _slope(y, k1, m, u, u_pv, e0, d0, g, conducting, closed, pv_conducting, r_load, l_load, v_oc, contactor, loss, i_cmd, p)  # fmt: skip
        for j in range(size_of):
            z[j] = y[j] + 0.5 * h * k1[j]
        _slope(z, k2, m, u, u_pv, e1, d1, g, conducting, closed, pv_conducting, r_load, l_load, v_oc, contactor, loss, i_cmd, p)  # fmt: skip
        for j in range(size_of):
            z[j] = y[j] + 0.5 * h * k2[j]
        _slope(z, k3, m, u, u_pv, e1, d1, g, conducting, closed, pv_conducting, r_load, l_load, v_oc, contactor, loss, i_cmd, p)  # fmt: skip
        for j in range(size_of):
            z[j] = y[j] + h * k3[j]
        _slope(z, k4, m, u, u_pv, e2, d2, g, conducting, closed, pv_conducting, r_load, l_load, v_oc, contactor, loss, i_cmd, p)  # fmt: skip
        for j in range(size_of):
            y[j] += h / 6.0 * (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j])
        for j in range(m):
            i = 5 * j
            if not on and before[2 * j] * y[i] < 0.0:  # a diode stops at the current's zero
                switched += 0.5 * p[0] * y[i] * y[i]
                y[i] = 0.0
            if not pv_on and before[2 * j + 1] * y[i + 3] < 0.0:
                switched += 0.5 * p[6] * y[i + 3] * y[i + 3]
                y[i + 3] = 0.0
    for j in range(5):
        energies[j] = y[tail + 3 + j]
    energies[5] = switched
    return y[: tail + 3].copy()
