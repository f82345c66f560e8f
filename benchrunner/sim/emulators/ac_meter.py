"""AC power meter: `FETCh?` -> voltage, current, active, apparent, reactive power, power factor, frequency."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import AC_SHOWN
from benchrunner.sim.emulators.scpi import Command

HEADERS = {
    "voltage": ":VOLTage[:AC]",
    "current": ":CURRent[:AC]",
    "power": ":POWer[:ACTive]",
    "apparent_power": ":POWer:APParent",
    "reactive_power": ":POWer:REACtive",
    "power_factor": ":POWer:PFACtor",
    "frequency": ":FREQuency",
}


class AcMeter(ScpiEmulator):
    """Apparent and reactive power and the power factor follow from its own voltage, current and power."""

    shown = AC_SHOWN
    unsigned = ("voltage", "current", "frequency")

    def commands(self) -> Iterable[Command]:
        return readings(self, HEADERS)
