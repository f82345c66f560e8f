"""Owns small pieces that several parts of the plant share."""

import math

from benchrunner.sim.compiled import compiled


@compiled
def share(dt: float, time_constant: float) -> float:
    """How much of the way a first-order lag goes in `dt` while its input is steady: 1 - exp(-dt / T)."""
    if time_constant <= 0.0:
        return 1.0
    return -math.expm1(-dt / time_constant)


@compiled
def drawn(state: float) -> float:
    """The next state of a small generator (Lehmer, 16807 modulo 2^31 - 1); divided by 2^31 - 1 it is even in 0..1."""
    return (state * 16807.0) % 2147483647.0


@compiled
def wrapped(cycles: float) -> float:
    """A phase difference in cycles, brought to -0.5..0.5."""
    return cycles - math.floor(cycles + 0.5)
