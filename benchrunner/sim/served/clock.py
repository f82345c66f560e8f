"""What time it is on the served bench: real time at a rate, or lockstep, in which only the control port moves it."""

import time
from typing import Any

LONGEST_STEP = 1.0  # s of plant time advanced in one go, so that the server stays responsive
LOCKSTEP_LIMIT = 7 * 86400.0  # s, the furthest that one ADVANCE may go


class BenchClock:
    """Moves a plant. `speed` 0: lockstep."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._began = time.monotonic()
        self._offset = 0.0

    @property
    def lockstep(self) -> bool:
        return self.speed == 0

    def restart(self, now: float = 0.0) -> None:
        """The plant stands at `now` from here on."""
        self._began, self._offset = time.monotonic(), now

    def target(self, plant: Any) -> float:
        """Where the plant ought to stand now."""
        if self.lockstep:
            return float(plant.now)
        return self._offset + (time.monotonic() - self._began) * self.speed

    def bring(self, plant: Any) -> float:
        """Advance the plant to the present (at most `LONGEST_STEP`); how far it is still behind, s of plant time."""
        target = self.target(plant)
        until = min(target, plant.now + LONGEST_STEP)
        if until > plant.now:
            plant.advance(until)
        return max(0.0, target - float(plant.now))

    def wait(self, latency: float, delay: float) -> float:
        """Wall seconds to hold a reply back. In lockstep only what a fault adds: the clock there is the client's."""
        return max(0.0, delay - latency) if self.lockstep else delay / self.speed
