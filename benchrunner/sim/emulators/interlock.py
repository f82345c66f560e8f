"""Interlock input on a serial line: `I?` -> `1` while the chain is closed, `0` when a door or stop opened it."""

from benchrunner.sim.emulators.relay_board import AsciiEmulator


class Interlock(AsciiEmulator):
    """It only reads: the chain itself is hard-wired and acts without any program."""

    def contacts(self) -> tuple[str, ...]:
        return ("interlock.closed",)

    def line(self, text: str) -> str:
        if text == "N?":
            return self.identity
        if text == "I?":
            return "1" if self.contact(self.contacts()[0]) > 0.5 else "0"
        return "? unknown"
