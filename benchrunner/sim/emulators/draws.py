"""Random numbers by counter: the same for the same seed, instrument, channel and update, whoever asked before.

The generator is the 64-bit finaliser known as splitmix64 (Steele, Lea, Flood: Fast splittable pseudorandom number
generators, OOPSLA 2014), applied to key + counter * odd constant; normal deviates by Box and Muller (1958), held
within four standard deviations.
"""

import hashlib
import math
from typing import Any

import numpy as np

from benchrunner.sim.compiled import compiled

GOLDEN = 0x9E3779B97F4A7C15
MASK = 0xFFFFFFFFFFFFFFFF
MOST_DEVIATIONS = 4.0


def key(seed: int, instrument: str, channel: str) -> int:
    """The 64-bit key of one channel of one instrument."""
    text = f"{seed}\0{instrument}\0{channel}".encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "little")


def mix(word: int) -> int:
    """splitmix64's finaliser on plain integers; `_mix` is the same, compiled."""
    word &= MASK
    word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & MASK
    return word ^ (word >> 31)


def uniform(key: int, counter: int) -> float:
    """A number in [0, 1) with 53 bits."""
    return (mix(key + (counter + 1) * GOLDEN) >> 11) * 2.0**-53


def noise_bytes(key: int, counter: int, count: int) -> bytes:
    """`count` bytes of no meaning, without line ends."""
    words = b"".join(
        mix(key + (counter * 131 + k) * GOLDEN).to_bytes(8, "little") for k in range(count // 8 + 1)
    )
    return bytes(byte if byte not in (10, 13) else 0x3F for byte in words[:count])


@compiled
def _mix(word: Any) -> Any:
    word = (word ^ (word >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    word = (word ^ (word >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return word ^ (word >> np.uint64(31))


@compiled
def normal(key: Any, counter: Any) -> Any:
    """A normal deviate for a key and a counter (both uint64), at most four deviations from zero."""
    base = key + (np.uint64(2) * counter) * np.uint64(0x9E3779B97F4A7C15)
    first = _mix(base + np.uint64(0x9E3779B97F4A7C15))
    second = _mix(base + np.uint64(2) * np.uint64(0x9E3779B97F4A7C15))
    u = (float(first >> np.uint64(11)) + 1.0) * 1.1102230246251565e-16
    v = float(second >> np.uint64(11)) * 1.1102230246251565e-16
    deviate = math.sqrt(-2.0 * math.log(u)) * math.cos(2.0 * math.pi * v)
    return max(-4.0, min(4.0, deviate))
