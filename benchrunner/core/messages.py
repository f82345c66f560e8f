"""What goes into the core and what comes out. Plain data, stamped in bench seconds; no I/O, no clock.

Every input is numbered and journaled before it is fed; feeding the same inputs again gives the same outputs.
"""

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt


@dataclass(
    slots=True, unsafe_hash=True
)  # not frozen: that would treble what making one costs, and nobody changes it
class Readings:
    """One reply of one instrument. `values` in the order of the plan's `sources[source].channels`, SI; NaN: none.

    `at`: the time of the readings (middle of the exchange less the card's latency); `spread`: its half-width, s;
    `arrived`: when the reply was in, which is the time at which the core learns of it.
    """

    arrived: float
    source: int  # index into the plan's sources
    at: float
    spread: float
    values: tuple[float, ...]
    flags: int = 0  # bit k set: value k is overloaded; bit 32+k: value k is a repeat of one meter update


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passes, whether or not anything else happens."""

    arrived: float


@dataclass(frozen=True, slots=True)
class OrderDone:
    """An order was carried out and read back, or it failed."""

    arrived: float
    order: int
    ok: bool
    read_back: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Captured:
    """A waveform record: `samples[k]` belongs to `channels[k]`; sample i at `start + i / rate`; trigger at `trigger`.

    `ok` False: the capture failed. `not_carried` and `prescribed` are empty on real instruments.
    """

    arrived: float
    order: int
    ok: bool
    channels: tuple[str, ...] = ()
    start: float = 0.0
    rate: float = 0.0
    trigger: float = 0.0
    samples: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0)))
    not_carried: tuple[str, ...] = ()  # measures that the simulated waveform cannot carry
    text: str = ""
    prescribed: tuple[
        str, ...
    ] = ()  # for each channel, what of it a simulation did not compute: noise, harmonics


@dataclass(frozen=True, slots=True)
class Answer:
    """The operator's answer to the open question."""

    arrived: float
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Operator:
    """What the person at the bench wants: `stop` makes safe and ends; `pause` holds between steps."""

    arrived: float
    wish: Literal["stop", "pause", "resume"]
    why: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """An instrument or the program failed; `source` is -1 where it is not one instrument's."""

    arrived: float
    source: int
    text: str
    fatal: bool = False  # True: make safe at once; False: a missed poll, counted and left to the stale guards


Input = Readings | Tick | OrderDone | Captured | Answer | Operator | Fault


@dataclass(frozen=True, slots=True)
class SetOrder:
    """Tell an instrument a setting and read it back."""

    order: int
    setting: str
    value: float
    safety: bool = False  # goes before everything else on its link


@dataclass(frozen=True, slots=True)
class ArmOrder:
    """Arm a capture; `OrderDone` confirms that it waits, `Captured` (same number) brings it."""

    order: int
    role: str
    channels: tuple[str, ...]
    trigger_channel: str
    trigger_change: float
    span: float
    before: float
    rate: float


Order = SetOrder | ArmOrder


@dataclass(frozen=True, slots=True)
class Event:
    """Something to show and to keep. `kind` and `data` as listed in DEVELOPERS.md (Events)."""

    at: float
    kind: str
    data: dict[str, Any]


Output = SetOrder | ArmOrder | Event
