"""What a measure looks at (readings over time, or a captured wave) and what it says."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from benchrunner.measure.arrays import Array

NO_TIME = float("nan")


@dataclass(frozen=True)
class Series:
    """Readings of one channel, in SI: `times` (n,) s, `values` (n,), NaN where there was none or it was
    overloaded.

    `u`: standard uncertainty of each reading, from the instrument's accuracy; taken as common to all readings
    of the channel, since a calibration error does not change from reading to reading. `t_u`: standard
    uncertainty of each time, s. `others`: further channels over the same span, by name.
    """

    times: Array
    values: Array
    u: Array
    t_u: Array
    channel: str = ""
    unit: str = "1"
    others: Mapping[str, "Series"] = field(default_factory=dict)


@dataclass(frozen=True)
class Wave:
    """A captured wave: sample i at `start` + i / `rate` in bench seconds; `trigger` in bench seconds.

    `u_gain` (a fraction) and `u_offset` (in the unit): standard uncertainties, common to all samples.
    """

    samples: Array
    rate: float
    start: float = 0.0
    trigger: float = 0.0
    u_gain: float = 0.0
    u_offset: float = 0.0
    channel: str = ""
    unit: str = "V"
    nominal_frequency: float = 50.0
    others: Mapping[str, "Wave"] = field(default_factory=dict)

    def u_of(self, value: float) -> float:
        """Standard uncertainty of one sample of that value."""
        return float(np.hypot(self.u_gain * value, self.u_offset))


@dataclass(frozen=True, slots=True)
class Measured:
    """A measure's value with its standard uncertainty, when it was taken, and what there is to say about it.

    `value` NaN: there is none, and `note` says why. `at`: bench seconds, NaN where no one instant is meant.
    `at_least`: the value is a lower bound, since what was measured had not ended when the data did.
    """

    value: float
    u: float = 0.0
    at: float = NO_TIME
    note: str = ""
    at_least: bool = False


Arguments = Mapping[str, float | str]
Evaluate = Callable[["Series | Wave", Arguments], Measured]


@dataclass(frozen=True)
class MeasureSpec:
    """One measure of the catalogue.

    `needs`: the least data class. `unit`: from the channel's unit to the value's. `arguments`: name -> SI
    unit, or `SAME` (the channel's own unit), or "channel" (the name of another channel). `required`: those
    that must be given. `of`: the channel units that it makes sense for (empty: any).
    """

    name: str
    says: str
    needs: Literal["polled", "half-cycle", "waveform"]
    unit: Callable[[str], str]
    evaluate: Evaluate
    arguments: Mapping[str, str] = field(default_factory=dict)
    required: frozenset[str] = frozenset()
    of: tuple[str, ...] = ()

    def argument_unit(self, name: str, channel_unit: str) -> str:
        """The SI unit of an argument for a channel of that unit, or "channel". Raises `KeyError` for an
        unknown one."""
        unit = self.arguments[name]
        return channel_unit if unit == SAME else unit


SAME = "same"


def nothing(note: str) -> Measured:
    """No value, and why."""
    return Measured(float("nan"), float("nan"), NO_TIME, note)


def number(arguments: Arguments, name: str, default: float | None = None) -> float:
    """A number among the arguments. Raises `ValueError` where it is missing or no number."""
    value = arguments.get(name, default)
    if value is None or isinstance(value, str):
        raise ValueError(f"the argument {name!r} must be a number")
    return float(value)
