"""Taps that are computed: for instruments whose quantity the plant does not carry as a tap, or does not have at all."""

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from benchrunner.sim.emulators.metering import Plant


class ComputedTaps:
    """As much of a plant as a meter asks for. What is computed acts at once, so a window's mean is its end."""

    def __init__(self, plant: Plant, taps: Mapping[str, Callable[[], float]]) -> None:
        self._plant, self._computed = plant, dict(taps)
        self.taps = tuple(taps)
        self.step = plant.step

    @property
    def now(self) -> float:
        return self._plant.now

    def value(self, tap: str) -> float:
        return self._computed[tap]()

    def set(self, name: str, value: float) -> None:
        self._plant.set(name, value)

    def setting(self, name: str) -> float:
        return self._plant.setting(name)

    def window_mean(self, taps: npt.NDArray[np.int64], t_from: float, t_to: float) -> npt.NDArray[np.float64]:
        return np.array([self._computed[self.taps[int(k)]]() for k in taps])

    def window(self, t_from: float, t_to: float) -> tuple[int, int]:
        raise NotImplementedError("there is no history of computed taps")
