"""AC load bank: `POWer <W>` at nominal voltage, `INPut ON|OFF`, `FETCh?` -> voltage, current, power."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number, Switch
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:AC]", "current": ":CURRent[:AC]", "power": ":POWer[:AC]"}
LARGEST = 50_000.0  # W, the load bank's rating unless the card says otherwise (`largest_power`)


class AcLoad(ScpiEmulator):
    """A resistive load: what it draws follows the voltage squared. `*RST`: no power, switched off."""

    shown = ("voltage", "current", "power")
    unsigned = ("voltage", "current")
    part = "load"

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        self.power, self.on = plant.setting("load.power"), bool(plant.setting("load.on"))

    def commands(self) -> Iterable[Command]:
        rating = Number(low=0.0, high=self.options.number("largest_power", LARGEST), unit="W")
        return [
            *readings(self, HEADERS),
            Command("[SOURce]:POWer", self._set_power, rating),
            Command("[SOURce]:POWer?", lambda: f"{self.power:.1f}"),
            Command("INPut[:STATe]", self._switch, Switch()),
            Command("INPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def reset(self) -> None:
        self._set_power(0.0)
        self._switch(False)

    def _set_power(self, value: float) -> None:
        self.power = round(value, 1)
        self.press("load.power", self.power)

    def _switch(self, on: bool) -> None:
        self.on = on
        self.press("load.on", float(on))
