"""Watchdog relay on a serial line: `F=1` feeds it, `F=0` opens it, `F?` reads its contact, `T?` the time left.

Not fed for its time, it opens and takes what it holds closed with it: a contactor or an enable of the plant (option
`holds`). Feeding closes its own contact again, and switches nothing on. Options: `time` (s, 3), `holds`
(`relays.pv_contactor`).
"""

from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.relay_board import AsciiEmulator

TIME = 3.0  # s
HOLDS = "relays.pv_contactor"


class WatchdogRelay(AsciiEmulator):
    """Counts plant time on its own; `pass_time` is called while nobody asks, so that it opens by itself."""

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        self.time = options.number("time", TIME)
        self.holds = str(options.own.get("holds", HOLDS))
        self._closed = False
        self._fed_at = 0.0

    def pass_time(self) -> None:
        """Open once its time is over."""
        if self._closed and self.plant.now - self._fed_at > self.time:
            self._open()

    def reboot(self) -> None:
        """Its coil falls out."""
        self._open()

    def line(self, text: str) -> str:
        self.pass_time()
        if text == "N?":
            return self.identity
        if text == "F?":
            return "1" if self._closed else "0"
        if text == "T?":
            left = self.time - (self.plant.now - self._fed_at) if self._closed else 0.0
            return f"{max(0.0, left):.2f}"
        if text == "F=1":
            if "welded" not in self._in_force:
                self._closed, self._fed_at = True, self.plant.now
            return "OK"
        if text == "F=0":
            self._open()
            return "OK"
        return "? unknown"

    def _open(self) -> None:
        if "welded" not in self._in_force and self._closed:
            self._closed = False
            self.press(self.holds, 0.0)
