"""DC power meter with a shunt: `FETCh?` -> voltage, current, power."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:DC]", "current": ":CURRent[:DC]", "power": ":POWer[:DC]"}


class DcMeter(ScpiEmulator):
    """Which side of the battery contactor it sits on is told by its channels."""

    shown = ("voltage", "current", "power")

    def commands(self) -> Iterable[Command]:
        return readings(self, HEADERS)
