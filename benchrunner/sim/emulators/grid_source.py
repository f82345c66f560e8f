"""AC source that stands for the grid: `VOLTage <V>`, `FREQuency <Hz>`, `FETCh?` -> voltage, frequency."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:AC]", "frequency": ":FREQuency"}


class GridSource(ScpiEmulator):
    """Its settings are the open-circuit values. At power-on it stands at the card's `nominal_...` values."""

    shown = ("voltage", "frequency")

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        self.voltage = options.number("nominal_voltage", 230.0)
        self.frequency = options.number("nominal_frequency", 50.0)
        super().__init__(plant, name, options, seed)

    def commands(self) -> Iterable[Command]:
        return [
            *readings(self, HEADERS),
            Command("[SOURce]:VOLTage[:LEVel]", self._set_voltage, Number(low=0.0, high=500.0, unit="V")),
            Command("[SOURce]:VOLTage[:LEVel]?", lambda: f"{self.voltage:.2f}"),
            Command("[SOURce]:FREQuency", self._set_frequency, Number(low=40.0, high=70.0, unit="HZ")),
            Command("[SOURce]:FREQuency?", lambda: f"{self.frequency:.3f}"),
        ]

    def reset(self) -> None:
        self._set_voltage(self.options.number("nominal_voltage", 230.0))
        self._set_frequency(self.options.number("nominal_frequency", 50.0))

    def _set_voltage(self, value: float) -> None:
        self.voltage = round(value, 2)
        self.press(f"{self.options.role}.voltage", self.voltage)

    def _set_frequency(self, value: float) -> None:
        self.frequency = round(value, 3)
        self.press(f"{self.options.role}.frequency", self.frequency)
