"""Owns frequency-power curves as the standards write them; the plant's PV inverter uses the same lines.

IEEE 1547-2018, 6.5.2.7.2: power before less (f - f_n - dead band) / (f_n k) of rated power. EN 50549-1:2019, 4.6.1
and VDE-AR-N 4105: power at crossing times (1 - (f - f_1) / (s f_n)). AS/NZS 4777.2:2020: a line from the power at
crossing to none. An island profile is such a line from rated power.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FrequencyCurve:
    """A straight line from `start` (full) to `zero` (none), Hz, and what "full" means.

    `reference`: "rated power": the line caps power at a share of rated power; "power at crossing": it scales the power
    at which `start` was crossed; "droop": it takes a share of rated power off that power. `low_start` and `low_full`,
    Hz: where power rises on under-frequency, and where it has risen by all of rated power; "droop" only.
    """

    start: float
    zero: float
    reference: Literal["rated power", "power at crossing", "droop"] = "rated power"
    low_start: float | None = None
    low_full: float | None = None

    def __post_init__(self) -> None:
        if not self.zero > self.start > 0.0:
            raise ValueError("zero must lie above start, and both above 0 Hz")
        if (self.low_start is None) != (self.low_full is None):
            raise ValueError("give low_start and low_full together")

    @classmethod
    def droop(
        cls,
        nominal: float = 60.0,
        dead_band: float = 0.036,
        k: float = 0.05,
        low_dead_band: float = 0.036,
        low_k: float = 0.05,
    ) -> "FrequencyCurve":
        """IEEE 1547-2018, 6.5.2.7.2, table 23; the defaults are those of table 24. `k` per unit frequency per unit power."""
        return cls(
            nominal + dead_band,
            nominal * (1.0 + k) + dead_band,
            "droop",
            nominal - low_dead_band,
            nominal * (1.0 - low_k) - low_dead_band,
        )

    @classmethod
    def gradient(cls, nominal: float = 50.0, start: float = 50.2, droop: float = 0.05) -> "FrequencyCurve":
        """EN 50549-1:2019, 4.6.1 (droop 2 to 12 %, default 5 %); VDE-AR-N 4105 with its 40 % per Hz is the default."""
        return cls(start, start + droop * nominal, "power at crossing")


def frequency_power(
    curve: FrequencyCurve,
    frequency: npt.ArrayLike,
    before: npt.ArrayLike = 1.0,
    available: npt.ArrayLike | None = None,
) -> Array:
    """Steady power, per unit of rated power, that `curve` leaves at `frequency` (Hz, number or array).

    `before`: power before the excursion (at the crossing of the start frequency); `available`: what the array could
    give (default: `before`). Neither time response nor latching: those are the PV inverter's.
    """
    f = np.asarray(frequency, dtype=float)
    p = np.asarray(before, dtype=float)
    most = p if available is None else np.asarray(available, dtype=float)
    fall = np.maximum(0.0, (f - curve.start) / (curve.zero - curve.start))
    if curve.reference == "rated power":
        result = np.minimum(p, 1.0 - fall)
    elif curve.reference == "power at crossing":
        result = p * (1.0 - fall)
    else:
        result = p - fall
        if curve.low_start is not None and curve.low_full is not None:
            result = result + np.maximum(0.0, (curve.low_start - f) / (curve.low_start - curve.low_full))
    return np.asarray(np.clip(result, 0.0, np.maximum(most, 0.0)), dtype=float)
