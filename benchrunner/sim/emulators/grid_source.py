"""AC source that stands for the grid: `VOLTage <V>`, `FREQuency <Hz>`, `FETCh?` -> voltage, frequency.

Further commands (`BESIDE`): each phase by itself, a jump of the phase, the impedance behind which the source lies. A program
that runs inside the source (`EXCursion`): sag, swell, ramp.
"""

from collections.abc import Iterable
from dataclasses import replace

from benchrunner.sim.emulators import beside
from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.grid_programs import GridProgram
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number
from benchrunner.sim.emulators.scpi import Command

BESIDE: beside.Beside = {
    "VOLTage:FIRSt": ("grid.voltage_l1", 0.0, 500.0, "V", 2),
    "VOLTage:SECond": ("grid.voltage_l2", 0.0, 500.0, "V", 2),
    "VOLTage:THIRd": ("grid.voltage_l3", 0.0, 500.0, "V", 2),
    "PHASe": ("grid.phase", -6.28, 6.28, "RAD", 4),
    "IMPedance:RESistance": ("grid.resistance", 0.0, 10.0, "OHM", 3),
    "IMPedance:REACtance": ("grid.reactance", 0.0, 10.0, "OHM", 3),
}
HEADERS = {"voltage": ":VOLTage[:AC]", "frequency": ":FREQuency"}


class GridSource(ScpiEmulator):
    """Its settings are the open-circuit values. `*RST`: back to what it found at power-on."""

    shown = ("voltage", "frequency")
    unsigned = shown

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        taps = {"voltage_tap": "grid.source_voltage", "frequency_tap": "grid.source_frequency"}
        self.voltage, self.frequency = (plant.value(tap) for tap in taps.values())
        self.rate = 0.0
        self.program = GridProgram(plant, name, lambda: (self.voltage, self.frequency, self.rate))
        super().__init__(plant, name, replace(options, own={**taps, **options.own}), seed)
        self._found = (self.voltage, self.frequency)

    def commands(self) -> Iterable[Command]:
        return [
            *readings(self, HEADERS),
            Command("[SOURce]:VOLTage[:LEVel]", self._set_voltage, Number(low=0.0, high=500.0, unit="V")),
            Command("[SOURce]:VOLTage[:LEVel]?", lambda: f"{self.voltage:.2f}"),
            Command("[SOURce]:FREQuency", self._set_frequency, Number(low=40.0, high=70.0, unit="HZ")),
            Command("[SOURce]:FREQuency?", lambda: f"{self.frequency:.3f}"),
            Command("[SOURce]:FREQuency:SLEW", self._set_rate, Number(low=0.0, high=20.0)),
            Command("[SOURce]:FREQuency:SLEW?", lambda: f"{self.rate:.2f}"),
            *beside.commands(BESIDE, self.plant, self._press_beside),
            *self.program.commands(),
        ]

    def _press_beside(self, setting: str, value: float) -> None:
        self.program.end()
        self.press(setting, value)

    def reset(self) -> None:
        self.program.end()
        if self.rate:
            self._set_rate(0.0)
        self._set_voltage(self._found[0])
        self._set_frequency(self._found[1])

    def _set_voltage(self, value: float) -> None:
        self.program.end(voltage=False)
        self.voltage = round(value, 2)
        self.press("grid.voltage", self.voltage)

    def _set_rate(self, value: float) -> None:
        """Hz/s at which it goes to a new frequency; 0: at once."""
        self.program.end()
        self.rate = round(value, 2)
        self.press("grid.frequency_rate", self.rate)

    def _set_frequency(self, value: float) -> None:
        self.program.end()
        self.frequency = round(value, 3)
        self.press("grid.frequency", self.frequency)
