"""PV array simulator: `IRRadiance <W/m2>`, `TEMPerature <degC>`, `OUTPut ON|OFF`, `FETCh?` -> voltage, current, power."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number, Switch
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:DC]", "current": ":CURRent[:DC]", "power": ":POWer[:DC]"}
ZERO_CELSIUS = 273.15  # K


class PvSource(ScpiEmulator):
    """Puts out the array's curve for the irradiance and the cell temperature set. `*RST`: dark, off."""

    shown = ("voltage", "current", "power")
    part = "pv_source"

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        self.irradiance = plant.setting("pv_source.irradiance")
        self.temperature = plant.setting("pv_source.temperature") - ZERO_CELSIUS
        self.on = bool(plant.setting("pv_source.on"))

    def commands(self) -> Iterable[Command]:
        celsius = Number(low=-40.0, high=100.0, unit="CEL", also=(("K", 1.0, -ZERO_CELSIUS),))
        return [
            *readings(self, HEADERS),
            Command("[SOURce]:IRRadiance", self._set_irradiance, Number(low=0.0, high=1500.0, unit="W/M2")),
            Command("[SOURce]:IRRadiance?", lambda: f"{self.irradiance:.1f}"),
            Command("[SOURce]:TEMPerature", self._set_temperature, celsius),
            Command("[SOURce]:TEMPerature?", lambda: f"{self.temperature:.1f}"),
            Command("OUTPut[:STATe]", self._switch, Switch()),
            Command("OUTPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def reset(self) -> None:
        self._set_irradiance(0.0)
        self._set_temperature(25.0)
        self._switch(False)

    def _set_irradiance(self, value: float) -> None:
        self.irradiance = round(value, 1)
        self.press("pv_source.irradiance", self.irradiance)

    def _set_temperature(self, value: float) -> None:
        self.temperature = round(value, 1)
        self.press("pv_source.temperature", self.temperature + ZERO_CELSIUS)

    def _switch(self, on: bool) -> None:
        self.on = on
        self.press("pv_source.on", float(on))
