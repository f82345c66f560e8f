"""Grid switch: `ROUTe:CLOSe (@1)`, `ROUTe:OPEN (@1)`; `ROUTe:CLOSe:STATe? (@1)` reads the auxiliary contact."""

from collections.abc import Iterable

from benchrunner.sim.emulators.base import ScpiEmulator
from benchrunner.sim.emulators.parameters import Channels
from benchrunner.sim.emulators.scpi import Command


class GridSwitch(ScpiEmulator):
    """One contactor. It stays as it stands at power-on and at `*RST`; what it reports is its contact, not its coil."""

    def commands(self) -> Iterable[Command]:
        tap = self.contacts()[0]
        return [
            Command("ROUTe:CLOSe", lambda _: self.press(tap, 1.0), Channels()),
            Command("ROUTe:OPEN", lambda _: self.press(tap, 0.0), Channels()),
            Command("ROUTe:CLOSe:STATe?", lambda _: str(int(self.contact(tap) > 0.5)), Channels()),
        ]

    def contacts(self) -> tuple[str, ...]:
        return ("grid.closed",)
