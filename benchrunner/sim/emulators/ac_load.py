"""AC load bank: `POWer <W>` at nominal voltage, `RESistance <ohm>`, `CURRent <A>` at nominal voltage, `INPut ON|OFF`.

The last of the three that was set is in force. `CURRent:CREStfactor` above that of a sine makes it draw as the plant's
rectifier does, whatever the figure. Further kinds of load stand beside that one, each with a command of its own (`BESIDE`):
a phase by itself, what lies between the legs of split-phase, constant power, reactive power, a phase-cut resistance, a
motor that starts as its power is set. `FETCh?` -> voltage, current, power.
"""

from collections.abc import Iterable

from benchrunner.sim.emulators import beside
from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Number, ScpiError, Switch
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:AC]", "current": ":CURRent[:AC]", "power": ":POWer[:AC]"}
NOMINAL = 230.0  # V, unless the card says otherwise (`nominal_voltage`)
SINE = 1.5  # crest factors up to here are drawn as a sine (1.414)
BESIDE: beside.Beside = {
    "POWer:FIRSt": ("load.power_l1", 0.0, 1e5, "W", 1),
    "POWer:SECond": ("load.power_l2", 0.0, 1e5, "W", 1),
    "POWer:THIRd": ("load.power_l3", 0.0, 1e5, "W", 1),
    "POWer:BETWeen": ("load.power_l1_l2", 0.0, 1e5, "W", 1),
    "POWer:CONStant": ("load.constant_power", 0.0, 1e5, "W", 1),
    "POWer:REACtive": ("load.reactive_power", -1e5, 1e5, "VAR", 1),
    "PHASecut:POWer": ("load.phase_cut_power", 0.0, 1e5, "W", 1),
    "PHASecut:ANGLe": ("load.phase_cut_angle", 0.0, 3.14, "RAD", 3),
    "MOTor:POWer": ("load.motor_power", 0.0, 1e5, "W", 1),
}
LARGEST = 50_000.0  # W, the load bank's rating unless the card says otherwise (`largest_power`)


class AcLoad(ScpiEmulator):
    """A resistive load unless a crest factor was set: what it draws follows the voltage squared. `*RST`: no power, switched off."""

    shown = ("voltage", "current", "power")
    unsigned = ("voltage", "current")
    part = "load"

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        self.power, self.on = plant.setting("load.power"), bool(plant.setting("load.on"))
        self.nominal = self.options.number("nominal_voltage", NOMINAL)
        self.resistance, self.current, self.crest = 10_000.0, 0.0, 1.41
        self._largest = self.options.number("largest_power", LARGEST)
        self._drawn, self._rectified = self.power, False
        self._given_beside: set[str] = set()  # of the loads beside it, which it was given

    def commands(self) -> Iterable[Command]:
        rating = Number(low=0.0, high=self.options.number("largest_power", LARGEST), unit="W")
        return [
            *readings(self, HEADERS),
            Command("[SOURce]:POWer", self._set_power, rating),
            Command("[SOURce]:POWer?", lambda: f"{self.power:.1f}"),
            Command("[SOURce]:RESistance", self._set_resistance, Number(low=0.1, high=10_000.0, unit="OHM")),
            Command("[SOURce]:RESistance?", lambda: f"{self.resistance:.2f}"),
            Command("[SOURce]:CURRent[:LEVel]", self._set_current, Number(low=0.0, high=250.0, unit="A")),
            Command("[SOURce]:CURRent[:LEVel]?", lambda: f"{self.current:.3f}"),
            Command("[SOURce]:CURRent:CREStfactor", self._set_crest, Number(low=1.4, high=3.5)),
            Command("[SOURce]:CURRent:CREStfactor?", lambda: f"{self.crest:.2f}"),
            *beside.commands(BESIDE, self.plant, self._press_beside),
            Command("INPut[:STATe]", self._switch, Switch()),
            Command("INPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def _press_beside(self, setting: str, value: float) -> None:
        self._given_beside.add(setting)
        self.press(setting, value)

    def reset(self) -> None:
        for setting in sorted(self._given_beside):
            self.press(setting, 0.0)
        self._given_beside.clear()
        self._set_crest(1.41)
        self._set_power(0.0)
        self._switch(False)

    def _set_power(self, value: float) -> None:
        self.power = round(value, 1)
        self._draw(self.power)

    def _set_resistance(self, value: float) -> None:
        power = self.nominal**2 / value
        if power > self._largest:
            raise ScpiError(-222)
        self.resistance = round(value, 2)
        self._draw(power)

    def _set_current(self, value: float) -> None:
        if value * self.nominal > self._largest:
            raise ScpiError(-222)
        self.current = round(value, 3)
        self._draw(self.current * self.nominal)

    def _set_crest(self, value: float) -> None:
        self.crest = round(value, 2)
        if (self.crest > SINE) != self._rectified:
            self.press("load.power" if self.crest > SINE else "load.rectifier_power", 0.0)
            self._rectified = self.crest > SINE
            self._draw(self._drawn)

    def _draw(self, power: float) -> None:
        self._drawn = power
        self.press("load.rectifier_power" if self._rectified else "load.power", power)

    def _switch(self, on: bool) -> None:
        self.on = on
        self.press("load.on", float(on))
