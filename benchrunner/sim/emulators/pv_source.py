"""PV array simulator: `IRRadiance <W/m2>`, `TEMPerature <degC>`, `OUTPut ON|OFF`, `FETCh?` -> voltage, current, power.

The array's curve goes through its open circuit, short circuit and maximum power point at 1000 W/m^2 and 25 degC
(`CURVe:VOLTage:OPEN`, `CURVe:CURRent:SHORt`, `CURVe:VOLTage:MAXimum`, `CURVe:CURRent:MAXimum`); `CURVe ON` puts it in force, where there
is one, by the plant's single-diode model. OFF, as at power-on: the array of the pairing that is simulated.
"""

from collections.abc import Iterable
from functools import partial
from typing import Any

from benchrunner.sim.array import PvArray, single_diode
from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number, ScpiError, Switch
from benchrunner.sim.emulators.scpi import Command
from benchrunner.sim.layout import PV_MOST

HEADERS = {"voltage": ":VOLTage[:DC]", "current": ":CURRent[:DC]", "power": ":POWer[:DC]"}
ZERO_CELSIUS = 273.15  # K
CURVE: dict[str, tuple[float, str, int]] = {  # header -> largest value, unit, places behind the point
    "CURVe:VOLTage:OPEN": (1500.0, "V", 2),
    "CURVe:CURRent:SHORt": (200.0, "A", 3),
    "CURVe:VOLTage:MAXimum": (1500.0, "V", 2),
    "CURVe:CURRent:MAXimum": (200.0, "A", 3),
}
CELL = 0.65  # V, open-circuit voltage of one cell, by which it is told how many lie in series
ROWS = {"pv_source": 0, **{f"pv_source_{k + 1}": k for k in range(PV_MOST)}, "dc_source": PV_MOST}


class PvSource(ScpiEmulator):
    """Puts out the array's curve for the irradiance and the cell temperature set. `*RST`: dark, off."""

    shown = ("voltage", "current", "power")
    part = "pv_source"

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        self.points = dict.fromkeys(CURVE, 0.0)
        self.curve = False
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
            *self._curve_commands(),
            Command("OUTPut[:STATe]", self._switch, Switch()),
            Command("OUTPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def _curve_commands(self) -> Iterable[Command]:
        for header, (largest, unit, places) in CURVE.items():
            number = Number(low=0.0, high=largest, unit=unit)
            yield Command(f"[SOURce]:{header}", partial(self._set_point, header, places), number)
            yield Command(f"[SOURce]:{header}?", partial(self._ask_point, header, places))
        yield Command("[SOURce]:CURVe[:STATe]", self._set_curve, Switch())
        yield Command("[SOURce]:CURVe[:STATe]?", lambda: str(int(self.curve)))

    def _set_point(self, header: str, places: int, value: float) -> None:
        self.points[header] = round(value, places)
        self._set_curve(False)

    def _ask_point(self, header: str, places: int) -> str:
        return f"{self.points[header]:.{places}f}"

    def _set_curve(self, on: bool) -> None:
        if on == self.curve:
            return
        plant: Any = self.plant
        row = ROWS.get(self.options.role, 0)
        if not hasattr(plant, "fit_array"):
            raise ScpiError(-241)
        plant.fit_array(row, self._array(plant.own_array(row)) if on else None)
        self.curve = on

    def _array(self, own: PvArray | None) -> PvArray | None:
        """The array of these points; None where they are those of the plant's own."""
        voc, isc, vmp, imp = self.points.values()
        if own is not None:
            series, strings = own.modules_in_series, own.strings
            stated = (
                (own.open_circuit_voltage * series, 2), (own.short_circuit_current * strings, 3),
                (own.voltage * series, 2), (own.current * strings, 3),
            )  # fmt: skip
            if [round(value, places) for value, places in stated] == [voc, isc, vmp, imp]:
                return None
        if not (0.0 < vmp < voc and 0.0 < imp < isc):
            raise ScpiError(-221, "no curve goes through these points")
        array = PvArray(voc, isc, vmp, imp, cells_in_series=max(1, round(voc / CELL)))
        try:
            single_diode(array)
        except ValueError:
            raise ScpiError(-221, "no curve goes through these points") from None
        return array

    def reset(self) -> None:
        self._set_irradiance(0.0)
        self._set_temperature(25.0)
        self._switch(False)
        self._set_curve(False)

    def _set_irradiance(self, value: float) -> None:
        self.irradiance = round(value, 1)
        self.press("pv_source.irradiance", self.irradiance)

    def _set_temperature(self, value: float) -> None:
        self.temperature = round(value, 1)
        self.press("pv_source.temperature", self.temperature + ZERO_CELSIUS)

    def _switch(self, on: bool) -> None:
        self.on = on
        self.press("pv_source.on", float(on))
