"""How a simulated instrument can be told to misbehave, as real ones do: on the wire, in its values, in its contacts.

A fault is armed with a kind, from a plant time on, for a number of exchanges or until cleared; `reboot` and `unplugged`
for a time. While an instrument is down it lets nobody in.
"""

from collections.abc import Callable
from dataclasses import dataclass

from benchrunner.errors import Problem, Refused
from benchrunner.sim.emulators.options import Options

KINDS = {
    "drop": "closes the link instead of answering",
    "silent": "does not answer",
    "late": "answers after `seconds`",
    "cut": "sends only the first `bytes` bytes of the answer, without its end",
    "garbage": "answers with other bytes",
    "previous": "answers with the answer to the query before",
    "stuck": "keeps showing the value of the moment; contacts keep reporting their position",
    "overload": "reports an overloaded range",
    "missing": "reports its values as not available",
    "errors": "fills the error queue",
    "welded": "acknowledges a setting and does not carry it out",
    "untrue": "acknowledges a setting, does not carry it out, and reports its contacts as it was told",
    "reboot": "loses its settings, closes the link, and is back after `seconds` (5 unless said)",
    "unplugged": "is pulled off the wire: TCP reset, serial device gone; for `seconds`, or until cleared",
}
DOWN = ("drop", "reboot", "unplugged")  # no answer but a closed link
LASTING = ("reboot", "unplugged")  # and nobody is let in
REBOOT = 5.0  # s
VALUE_KINDS = ("stuck", "overload", "missing")


@dataclass
class Fault:
    """One fault. `count` exchanges (None: until cleared), from plant time `at` on."""

    kind: str
    count: int | None = None
    at: float = 0.0
    seconds: float = 0.0
    bytes: int = 3

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            mend = "kinds: " + ", ".join(KINDS)
            raise Refused(Problem("fault", f"{self.kind!r} is no known kind of fault", mend))
        if self.kind == "reboot":
            self.count, self.seconds = None, self.seconds or REBOOT
        self.begun = False

    def over(self, now: float) -> bool:
        """Whether its time has passed; only what lasts a time has one."""
        return self.kind in LASTING and self.seconds > 0.0 and now >= self.at + self.seconds


class Faults:
    """The armed faults of one instrument; empty, it costs one attribute test for each exchange."""

    def __init__(self) -> None:
        self.armed: list[Fault] = []
        self._previous = b""

    def add(
        self, kind: str, *, count: int | None = None, at: float = 0.0, seconds: float = 0.0, keep: int = 3
    ) -> None:
        """Arm one more. `seconds`: how late (`late`); `keep`: how many bytes are sent (`cut`)."""
        self.armed.append(Fault(kind, count, at, seconds, keep))

    def add_from_card(self, options: Options) -> None:
        """The fault that a card's `simulated` options name: `fault`, `fault_at`, `fault_count`, `fault_seconds`."""
        count = options.number("fault_count", 0.0)
        at, seconds = options.number("fault_at", 0.0), options.number("fault_seconds", 0.0)
        self.add(str(options.own["fault"]), count=int(count) or None, at=at, seconds=seconds)

    def clear(self) -> None:
        """Behave again."""
        self.armed.clear()

    def active(self, now: float) -> dict[str, Fault]:
        """The faults in force at plant time `now`, by kind. What lasted a time and is over is forgotten."""
        found = {fault.kind: fault for fault in self.armed if now >= fault.at and not fault.over(now)}
        self.armed[:] = [fault for fault in self.armed if not fault.over(now)]
        return found

    def begin(self, now: float) -> list[str]:
        """The kinds of those that last a time and have come since this was last asked."""
        new = [f for f in self.armed if f.kind in LASTING and now >= f.at and not f.begun]
        for fault in new:
            fault.begun = True
        return [fault.kind for fault in new]

    def down(self, now: float) -> bool:
        """Whether nobody is let in at plant time `now`."""
        return any(f.kind in LASTING and now >= f.at and not f.over(now) for f in self.armed)

    def spend(self, faults: dict[str, Fault]) -> None:
        """One exchange has gone; faults whose count is used up are over."""
        for fault in faults.values():
            if fault.count is not None:
                fault.count -= 1
        self.armed[:] = [fault for fault in self.armed if fault.count is None or fault.count > 0]

    def remember(self, reply: bytes) -> None:
        self._previous = reply

    def on_the_wire(self, reply: bytes, faults: dict[str, Fault], noise: Callable[[int], bytes]) -> bytes:
        """What becomes of a reply."""
        if not reply:
            return reply
        given, self._previous = reply, reply if "previous" not in faults else self._previous
        if "silent" in faults:
            return b""
        if "previous" in faults:
            reply, self._previous = self._previous or reply, given
        if "garbage" in faults:
            reply = noise(len(reply) - 1) + reply[-1:]
        if "cut" in faults:
            reply = reply[: max(0, min(faults["cut"].bytes, len(reply) - 1))]
        return reply
