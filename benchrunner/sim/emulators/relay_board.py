"""Relay board and interlock input on a serial line, in plain ASCII lines without a checksum.

`W<n>=<0|1>` -> `OK`; `R<n>?` -> `0` or `1`, the auxiliary contact; `R*?` -> all of them; `I?` -> the interlock
chain; `N?` -> the identity. Anything else is answered with `?` and a reason. Lines end with CR LF.
"""

import re

from benchrunner.sim.emulators.base import Emulator
from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options

RELAYS = ("pv_contactor", "battery_contactor", "inverter_enable")
QUICK_ENTRIES = 32
LONGEST = 80  # characters of a line
_WRITE = re.compile(r"W([1-9])=([01])", re.ASCII)
_READ = re.compile(r"R([1-9])\?", re.ASCII)


class AsciiEmulator(Emulator):
    """One line in, one line out. A line that is too long is dropped and answered with a reason."""

    link = "serial"

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        self._reader = LineReader(LONGEST)
        self._known: dict[bytes, str] = {}  # lines that came whole, and what they say

    def new_reader(self) -> LineReader:
        """A half-received line for one more connection."""
        return LineReader(LONGEST)

    def answer(self, data: bytes, reader: LineReader | None) -> bytes:
        reader = reader or self._reader
        known = self._known.get(data)
        if known is not None and reader.empty:
            return self.line(known).encode("ascii") + b"\r\n"
        replies = []
        for line in reader.feed(data):
            if line is None:
                replies.append("? too long")
            elif text := line.decode("ascii", "replace").strip():
                replies.append(self.line(text))
                if line == data and len(self._known) < QUICK_ENTRIES:
                    self._known[data] = text  # it means the same next time
        return "".join(reply + "\r\n" for reply in replies).encode("ascii")

    def line(self, text: str) -> str:
        """The answer to one line."""
        raise NotImplementedError


class RelayBoard(AsciiEmulator):
    """Three relays with auxiliary contacts: what it reports is where the contacts stand."""

    def contacts(self) -> tuple[str, ...]:
        return tuple(f"relays.{relay}" for relay in RELAYS)

    def reboot(self) -> None:
        """Its coils fall out."""
        for tap in self.contacts():
            self.press(tap, 0.0)

    def line(self, text: str) -> str:
        taps = self.contacts()
        if text == "N?":
            return self.identity
        if text == "R*?":
            return ",".join(self._position(tap) for tap in taps)
        if (found := _READ.fullmatch(text)) and int(found[1]) <= len(taps):
            return self._position(taps[int(found[1]) - 1])
        if (found := _WRITE.fullmatch(text)) and int(found[1]) <= len(taps):
            self.press(taps[int(found[1]) - 1], float(found[2]))
            return "OK"
        return "? no such relay" if _READ.fullmatch(text) or _WRITE.fullmatch(text) else "? unknown"

    def _position(self, tap: str) -> str:
        return "1" if self.contact(tap) > 0.5 else "0"
