"""The run plan: the running order together with the bench's channels, guards, interlock and safe order."""

from dataclasses import dataclass
from typing import Literal

from benchrunner.procedure.running import PlannedGuard, RunningOrder


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel and how well it is known. Half-widths are rectangular limits in the channel's SI unit (JCGM 100, 4.3.7)."""

    name: str
    unit: str
    of_reading: float = 0.0  # accuracy, as a fraction of the reading
    of_range: float = 0.0  # accuracy, absolute
    resolution: float = 0.0  # one digit
    update: float = 0.0  # s, update period of the meter
    window: float = 0.0  # s, averaging window of the meter
    delivers: Literal["polled", "half-cycle", "waveform"] = "polled"
    evaluated: bool = True  # False: no accuracy was stated, so U is not evaluated


@dataclass(frozen=True, slots=True)
class Source:
    """One instrument as the core sees it: which channels one reply brings, and how often."""

    name: str
    channels: tuple[str, ...]
    period: float  # s between polls; 0: not polled


@dataclass(frozen=True, slots=True)
class SafeStep:
    """One order of the safe order: sent once when `when` holds or after `at_latest`, confirmed by reading `confirm`.

    `confirm` is an independent channel that must come between `low` and `high` within `timeout` seconds.
    """

    id: str
    setting: str
    value: float
    says: str
    confirm: str
    low: float | None
    high: float | None
    timeout: float
    when_channel: str = ""
    when_below: float = 0.0
    at_latest: float = 0.0
    fallback_setting: str = ""
    fallback_value: float = 0.0


@dataclass(frozen=True, slots=True)
class RunPlan:
    """All that the core needs. `interlock`: the channel that must read 1 during the whole run, or empty."""

    order: RunningOrder
    sources: tuple[Source, ...]
    channels: dict[str, Channel]
    waveforms: dict[str, Channel]  # channels that a capture delivers, with the scope's accuracy
    guards: tuple[PlannedGuard, ...]
    safe: tuple[SafeStep, ...]
    interlock: str = ""
    seed: int = 1
    tick: float = 0.1
    simulated: bool = False
    pause_limit: float = 600.0  # s; a pause ends as an operator's stop after this
    rounds: float = 60.0  # s; for how long unconfirmed safe orders are tried again
    order_timeout: float = 5.0  # s; an order without an answer counts as failed
    nominal_frequency: float = 50.0  # Hz, of the pairing's AC bus; measures on waveforms start from it
    phases: int = 1  # of the pairing; the legs of split-phase count as such
