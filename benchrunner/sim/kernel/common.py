"""Owns small pieces that several parts of the plant share."""

import math

from benchrunner.sim.compiled import borrowing


@borrowing
def share(dt: float, time_constant: float) -> float:
    """How much of the way a first-order lag goes in `dt` while its input is steady: 1 - exp(-dt / T)."""
    if time_constant <= 0.0:
        return 1.0
    z = dt / time_constant
    if z > 0.25:
        return -math.expm1(-z)
    # the exponential's series, to 1e-12 of its value here; several times faster than the library's
    rest = 1.0 - z / 7.0 * (1.0 - z / 8.0 * (1.0 - z / 9.0))
    return z * (1.0 - z / 2.0 * (1.0 - z / 3.0 * (1.0 - z / 4.0 * (1.0 - z / 5.0 * (1.0 - z / 6.0 * rest)))))


@borrowing
def size(phasor: complex) -> float:
    """Its magnitude; the library's minds overflow, which no voltage or current here comes near."""
    return math.sqrt(phasor.real * phasor.real + phasor.imag * phasor.imag)


@borrowing
def real_power(voltage: complex, current: complex) -> float:
    """Active power of two phasors, W."""
    return voltage.real * current.real + voltage.imag * current.imag


@borrowing
def drawn(state: float) -> float:
    """The next state of a small generator (Lehmer, 16807 modulo 2^31 - 1); divided by 2^31 - 1 it is even in 0..1."""
    return (state * 16807.0) % 2147483647.0


@borrowing
def wrapped(cycles: float) -> float:
    """A phase difference in cycles, brought to -0.5..0.5."""
    return cycles - math.floor(cycles + 0.5)
