"""Status byte, event registers and error queue of a SCPI instrument.

Sources: IEEE 488.2-1992, clause 11; SCPI-1999 vol. 2, 21.8.
"""

from collections import deque

from benchrunner.sim.emulators.parameters import ERROR_TEXTS

# Standard event status register, IEEE 488.2, 11.5.1
OPERATION_COMPLETE, REQUEST_CONTROL, QUERY_ERROR, DEVICE_ERROR = 1, 2, 4, 8
EXECUTION_ERROR, COMMAND_ERROR, USER_REQUEST, POWER_ON = 16, 32, 64, 128
# Status byte, IEEE 488.2, 11.2, and SCPI-1999 vol. 1, chapter 9
ERROR_WAITING, QUESTIONABLE, MESSAGE_AVAILABLE = 4, 8, 16
EVENT_SUMMARY, MASTER_SUMMARY, OPERATION = 32, 64, 128


def error_bit(code: int) -> int:
    """The event register's bit for an error number (SCPI-1999, 21.8): 0 for none."""
    if -200 < code <= -100:
        return COMMAND_ERROR
    if -300 < code <= -200:
        return EXECUTION_ERROR
    if -400 < code <= -300 or code > 0:
        return DEVICE_ERROR
    if -500 < code <= -400:
        return QUERY_ERROR
    events = {-500: POWER_ON, -600: USER_REQUEST, -700: REQUEST_CONTROL, -800: OPERATION_COMPLETE}
    return events.get(code, 0)


def status_byte(
    esr: int,
    ese: int,
    sre: int,
    *,
    message: bool,
    error: bool,
    questionable: bool = False,
    operation: bool = False,
) -> int:
    """The status byte as `*STB?` reports it: the summary bit is the master summary (IEEE 488.2, 11.2.2.1)."""
    byte = ERROR_WAITING * error | QUESTIONABLE * questionable | MESSAGE_AVAILABLE * message
    byte |= OPERATION * operation | EVENT_SUMMARY * bool(esr & ese)
    return byte | MASTER_SUMMARY * bool(byte & sre & ~MASTER_SUMMARY)


class ErrorQueue:
    """First in, first out; when full the newest becomes -350, later ones are lost (SCPI-1999, 21.8.1)."""

    def __init__(self, depth: int = 10) -> None:
        self.depth = max(2, depth)
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, code: int, detail: str = "") -> None:
        """Add an error; `detail` is appended to the standard's text after a semicolon."""
        if len(self._entries) >= self.depth:
            self._entries[-1] = (-350, "")
        else:
            self._entries.append((code, detail))

    def pop(self) -> str:
        """The oldest entry as the reply to `SYSTem:ERRor?`."""
        code, detail = self._entries.popleft() if self._entries else (0, "")
        text = ERROR_TEXTS.get(code, "Device-specific error")
        return f'{code},"{text};{detail}"' if detail else f'{code},"{text}"'

    def pop_all(self) -> str:
        """All entries, oldest first, in one reply."""
        first = self.pop()
        return ",".join([first, *(self.pop() for _ in range(len(self._entries)))])

    def clear(self) -> None:
        self._entries.clear()


class Register:
    """One of SCPI's condition / event / enable triples (SCPI-1999 vol. 2, chapter 20), rising edges only."""

    def __init__(self) -> None:
        self.condition = self.event = self.enable = 0

    def set_condition(self, value: int) -> None:
        self.event |= value & ~self.condition
        self.condition = value

    def set_enable(self, value: int) -> None:
        self.enable = value & 0x7FFF

    def read_event(self) -> int:
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        return bool(self.event & self.enable)


class Status:
    """The registers behind the status byte."""

    def __init__(self) -> None:
        self.esr, self.ese, self.sre = POWER_ON, 0, 0
        self.operation, self.questionable = Register(), Register()

    def byte(self, message: bool, error: bool) -> int:
        return status_byte(
            self.esr,
            self.ese,
            self.sre,
            message=message,
            error=error,
            questionable=self.questionable.summary,
            operation=self.operation.summary,
        )

    def note_error(self, code: int) -> None:
        self.esr |= error_bit(code)

    def power_on(self) -> None:
        """Events and enables go, and the power-on bit is set."""
        self.clear()
        self.preset()
        self.esr, self.ese, self.sre = POWER_ON, 0, 0

    def note_complete(self) -> None:
        self.esr |= OPERATION_COMPLETE

    def read_esr(self) -> int:
        esr, self.esr = self.esr, 0
        return esr

    def set_ese(self, value: int) -> None:
        self.ese = value

    def set_sre(self, value: int) -> None:
        self.sre = value & ~MASTER_SUMMARY

    def clear(self) -> None:
        """`*CLS`: events go, enables stay (IEEE 488.2, 10.3)."""
        self.esr = self.operation.event = self.questionable.event = 0

    def preset(self) -> None:
        self.operation.enable = self.questionable.enable = 0
