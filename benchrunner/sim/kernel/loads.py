"""Owns what the loads draw: linear, constant power, rectifier, phase-cut and motor, as admittances of each phase.

Each is the admittance that, at the voltage of the last step, draws what the load draws; so the network stays linear
within a step. Signs: current into the load; susceptance negative for a lagging load.

Sources. Linear: P = P0 (V / V0)^2. Constant power: current rises as the voltage falls, down to 0.7 of nominal and from
there as an impedance (load-flow practice, common practice). Phase-cut of a resistance at angle a: closed forms of the
Fourier integrals over the conducting part of a half wave. Rectifier with a capacitor: harmonic shares of a textbook's
typical single-phase rectifier without a filter (Mohan, Undeland, Robbins, from memory); prescribed, not computed.
Motor: one-phase equivalent circuit of the induction machine (Steinmetz), locked-rotor figures as usual for a standard
design (six times rated current at 0.3 power factor, from memory), load torque with the square of the speed.
"""

import math
from typing import Any

from benchrunner.sim.compiled import borrowing
from benchrunner.sim.kernel.common import size
from benchrunner.sim.layout import N, P, S, U

LEAST_CONSTANT = 0.7  # of nominal voltage
# order -> share of the fundamental of a rectifier's current: prescribed
RECTIFIER_HARMONICS: dict[int, float] = {3: 0.732, 5: 0.366, 7: 0.081, 9: 0.057, 11: 0.041, 13: 0.029}
DISTORTION = math.sqrt(sum(share * share for share in RECTIFIER_HARMONICS.values()))
TRIPLEN = math.sqrt(sum(share * share for n, share in RECTIFIER_HARMONICS.items() if n % 3 == 0))
# the motor in per unit of its rated power: stator and rotor resistance, leakage and magnetising reactance
LOCKED_CURRENT, LOCKED_FACTOR = 6.0, 0.3
MOTOR_R1 = 0.4 * LOCKED_FACTOR / LOCKED_CURRENT
MOTOR_R2 = 0.6 * LOCKED_FACTOR / LOCKED_CURRENT
MOTOR_X = math.sqrt(1.0 - LOCKED_FACTOR**2) / LOCKED_CURRENT
MOTOR_B = 0.35
_TOTAL = 0.5 * (1.0 + math.sqrt(1.0 - 4.0 * MOTOR_X**2))  # R1 + R2 / s at which it takes rated power
RATED_SLIP = MOTOR_R2 / (_TOTAL - MOTOR_R1)
RATED_TORQUE = (MOTOR_R2 / RATED_SLIP) / (_TOTAL**2 + MOTOR_X**2)


@borrowing
def motor_torque(slip: float, voltage: float) -> float:
    """Air-gap torque, per unit, at `voltage` per unit."""
    r = MOTOR_R1 + MOTOR_R2 / slip
    return voltage * voltage * (MOTOR_R2 / slip) / (r * r + MOTOR_X * MOTOR_X)


@borrowing
def step_motor(x: Any, p: Any, voltage: float, dt: float) -> None:
    """Move the motor's slip on; standing it waits with slip 1."""
    slip = x[S.slip]
    speed = (1.0 - slip) / (1.0 - RATED_SLIP)
    push = motor_torque(slip, voltage) - RATED_TORQUE * speed * speed
    x[S.slip] = min(1.0, max(0.2 * RATED_SLIP, slip - push / p[P.motor_inertia] * dt))


@borrowing
def phase_cut(angle: float) -> tuple[float, float, float]:
    """Of a resistance switched on `angle` rad after each zero crossing: its active and reactive power at the
    fundamental and the square of its RMS current, each over what it would be without the cut."""
    active = 1.0 - angle / math.pi + math.sin(2.0 * angle) / (2.0 * math.pi)
    return active, (1.0 - math.cos(2.0 * angle)) / (2.0 * math.pi), active


@borrowing
def admittances(x: Any, p: Any, u: Any, n: Any, dt: float) -> None:
    """Fill the rows of admittance and of distortion current (RMS, all and triplen) for this step."""
    phases = int(p[P.phases])
    nominal = p[P.v_nominal]
    base = nominal * nominal
    on = u[U.load_on] > 0.5
    x[S.y_between] = 0.0
    plain = (
        u[U.load_constant] == 0.0
        and u[U.load_rectifier] == 0.0
        and u[U.load_phase_cut] == 0.0
        and u[U.load_motor] == 0.0
    )
    if on:
        x[S.y_between] = u[U.load_between] / (4.0 * base)
    for k in range(phases):
        n[N.distortion, k] = 0.0
        n[N.triplen, k] = 0.0
        if not on:
            n[N.admittance, k] = 0.0
            continue
        g = u[U.load_l1 + k] / base
        b = -u[U.load_reactive] / (phases * base)
        if not plain:
            voltage = size(n[N.v, k])
            held = max(voltage, LEAST_CONSTANT * nominal)
            g += u[U.load_constant] / (phases * held * held)
            rectifier = u[U.load_rectifier] / (phases * held * held)
            g += rectifier
            cut = u[U.load_phase_cut] / (phases * base)
            active, reactive, square = phase_cut(u[U.phase_cut_angle])
            g += cut * active
            b -= cut * reactive
            motor = u[U.load_motor] / (phases * base)
            r = MOTOR_R1 + MOTOR_R2 / x[S.slip]
            square_of = r * r + MOTOR_X * MOTOR_X
            g += motor * r / square_of
            b -= motor * (MOTOR_X / square_of + MOTOR_B)
            i_rectifier, i_cut = rectifier * voltage, cut * voltage
            left = max(0.0, square - active * active - reactive * reactive)
            n[N.distortion, k] = math.sqrt((DISTORTION * i_rectifier) ** 2 + left * i_cut * i_cut)
            n[N.triplen, k] = TRIPLEN * i_rectifier
        n[N.admittance, k] = complex(g, b)
    if u[U.load_motor] > 0.0 and on:
        step_motor(x, p, size(n[N.v, 0]) / nominal, dt)
    else:
        x[S.slip] = 1.0
