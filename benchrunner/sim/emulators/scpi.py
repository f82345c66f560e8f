"""The command language of a SCPI instrument as pure code: bytes in, bytes out, no clock and no socket.

Owns: splitting the byte stream into messages, long and short headers, `;` chains with their path rule,
and the thirteen common commands. What an instrument measures or switches comes in through `Command`s.
Sources: IEEE 488.2-1992 (common commands, message syntax) and SCPI-1999 (headers, special numbers).

Everything that arrives is untrusted: the input is bounded, what is not understood ends in the error queue.
"""

from collections.abc import Callable, Iterable
from functools import partial
from itertools import product
from typing import Any

from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.emulators.parameters import Number, Parameter, ScpiError, split_outside_quotes
from benchrunner.sim.emulators.status import ErrorQueue, Register, Status

NOT_AVAILABLE = "9.91E37"  # SCPI-1999 vol. 1, 7.2.1.5: not a number
OVERLOAD = "9.9E37"  # SCPI-1999 vol. 1, 7.2.1.4: infinity, the reply to an overloaded range
LONGEST_REPLY = 4_000_000  # bytes waiting in the output queue before the exchange counts as deadlocked
LONGEST_MNEMONIC = 12  # IEEE 488.2, 7.6.1.4.1
QUICK_ENTRIES = 32

Action = Callable[..., str | bytes | None]


class Command:
    """One header, e.g. `MEASure:VOLTage[:AC]?` or `INPut<n>:STATe`, and what is done when it arrives.

    Capitals are the short form, `[...]` may be left out, `<n>` takes a number (1 when left out). The action
    gets the numbers of the header, then the parsed parameters; a query returns its answer.
    """

    __slots__ = ("action", "last_number", "numbered", "parameters", "pattern", "query")

    def __init__(self, pattern: str, action: Action, *parameters: Parameter, last_number: int = 1) -> None:
        self.pattern, self.action, self.parameters, self.last_number = (
            pattern,
            action,
            parameters,
            last_number,
        )
        self.query = pattern.endswith("?")
        self.numbered = "<n>" in pattern

    def spellings(self) -> Iterable[tuple[str, tuple[int, ...]]]:
        """Every accepted header (capitals, without numbers) with the places of its numbered nodes."""
        nodes: list[tuple[tuple[str, ...], bool, bool]] = []
        for part in self.pattern.rstrip("?").replace("[", "\n[").replace("]", "]\n").split("\n"):
            optional = part.startswith("[")
            for node in filter(None, part.strip("[]").split(":")):
                numbered = node.endswith("<n>")
                name = node.removesuffix("<n>")
                short = "".join(letter for letter in name if not letter.islower())
                nodes.append((tuple({name.upper(), short}), optional, numbered))
        for chosen in product(*((*names, "") if optional else names for names, optional, _ in nodes)):
            kept = [(name, nodes[place][2]) for place, name in enumerate(chosen) if name]
            header = ":".join(name for name, _ in kept)
            yield header, tuple(place for place, (_, numbered) in enumerate(kept) if numbered)


class ScpiInterpreter:
    """Takes bytes as they arrive in any pieces and returns the replies; never raises for what it was sent."""

    def __init__(
        self,
        identity: str,
        commands: Iterable[Command] = (),
        *,
        reset: Callable[[], None] | None = None,
        queue_depth: int = 10,
    ) -> None:
        self.identity = identity
        self.status = Status()
        self.errors = ErrorQueue(queue_depth)
        self._reset = reset
        self._reader = LineReader()
        self._headers: dict[tuple[str, bool], tuple[Command, tuple[int, ...]]] = {}
        self._quick: dict[bytes, Action] = {}
        self._output: list[bytes] = []
        self._indefinite = False
        for command in (*self._common(), *self._required(), *commands):
            self.add(command)

    def add(self, command: Command) -> None:
        """Teach one more command; a later one with the same header takes the earlier one's place."""
        for header, places in command.spellings():
            self._headers[header, command.query] = (command, places)
        self._quick.clear()

    # -- bytes

    def receive(self, data: bytes, reader: LineReader | None = None) -> bytes:
        """Feed what arrived; the replies to all messages completed by it, each ended by a line feed.

        `reader` holds the half-received message of the connection it came by (default: the interpreter's own).
        """
        reader = reader or self._reader
        if reader.empty:
            quick = self._quick.get(data)
            if quick is not None:
                try:
                    answer = quick()
                except ScpiError as error:
                    self.report(error.code, error.detail)
                    return b""
                if answer is None:
                    return b""
                return (answer.encode("ascii", "replace") if isinstance(answer, str) else answer) + b"\n"
        replies: list[bytes] = []
        for message in reader.feed(data):
            if message is None:
                self.report(-363)
            elif reply := self._message(message):
                replies.append(reply)
        return b"".join(replies)

    def forget(self) -> None:
        """Drop a half-received message: what a device clear does."""
        self._reader.forget()

    def report(self, code: int, detail: str = "") -> None:
        """Put an error into the queue and set its class's bit in the event register."""
        self.errors.push(code, detail)
        self.status.note_error(code)

    def power_on(self) -> None:
        """As after its supply came on: nothing in the queues, the power-on bit set (IEEE 488.2, 11.5.1)."""
        self.errors.clear()
        self.status.power_on()
        self._output.clear()

    def _message(self, message: bytes) -> bytes:
        self._output, self._indefinite = [], False
        try:
            text = message.decode("ascii")
        except UnicodeDecodeError:
            self.report(-101)
            return b""
        path: tuple[str, ...] = ()
        lone: Action | None = None
        units = split_outside_quotes(text.strip(), ";")
        for unit in units:
            unit = unit.strip()
            if not unit:
                continue  # an empty unit is allowed: `;;` or a closing `;`
            try:
                path, lone = self._unit(unit, path)
            except ScpiError as error:
                self.report(error.code, error.detail)
                if -200 < error.code <= -100 or error.code <= -400:
                    break  # after a command error the rest of the message has no sure meaning
        if not self._output:
            return b""
        if len(units) == 1 and lone is not None and len(self._quick) < QUICK_ENTRIES:
            self._quick[message] = lone  # it means the same next time: answer it straight from its bytes
        return b";".join(self._output) + b"\n"

    # -- one unit

    def _unit(self, unit: str, path: tuple[str, ...]) -> tuple[tuple[str, ...], Action | None]:
        """Carry out one unit; the path for the next, and how to answer the same query again."""
        if not unit.isprintable() and not unit.replace("\t", " ").isprintable():
            raise ScpiError(-101)
        header, _, rest = unit.replace("\t", " ").partition(" ")
        query = header.endswith("?")
        name = header[:-1] if query else header
        if name.startswith("*"):
            command, numbers = self._find(name.upper(), (name.upper(),), query)
        else:
            nodes = tuple(name.removeprefix(":").upper().split(":"))
            if not name.startswith(":"):
                nodes = (*path, *nodes)
            command, numbers = self._find(name, nodes, query)
            path = nodes[:-1]
        values = self._parameters(command, rest.strip())
        if query and self._indefinite:
            raise ScpiError(-440)
        again: Action = partial(command.action, *numbers, *values) if numbers or values else command.action
        answer = again()
        if query and answer is not None:
            self._output.append(answer.encode("ascii", "replace") if isinstance(answer, str) else answer)
            if sum(map(len, self._output)) > LONGEST_REPLY:
                self._output.clear()
                raise ScpiError(-430)
        return path, again if query and command.pattern[0] != "*" else None

    def _find(self, name: str, nodes: tuple[str, ...], query: bool) -> tuple[Command, list[int]]:
        letters: list[str] = []
        digits: list[str] = []
        for node in nodes:
            bare = node.rstrip("0123456789")
            if not bare or not all(c.isalnum() or c in "_*" for c in node):
                raise ScpiError(-102)
            if len(bare) > LONGEST_MNEMONIC:
                raise ScpiError(-112)
            letters.append(bare)
            digits.append(node[len(bare) :])
        found = self._headers.get((":".join(letters), query))
        if found is None:
            raise ScpiError(-113)
        command, places = found
        numbers: list[int] = []
        for place, number in enumerate(digits):
            if place in places:
                value = int(number) if 0 < len(number) < 6 else 0 if number else 1
                if not 1 <= value <= command.last_number:
                    raise ScpiError(-114)
                numbers.append(value)
            elif number:
                raise ScpiError(-113)
        return command, numbers

    def _parameters(self, command: Command, rest: str) -> list[Any]:
        given = [part.strip() for part in split_outside_quotes(rest, ",")] if rest else []
        if len(given) > len(command.parameters):
            raise ScpiError(-108)
        values = [parameter.parse(text) for parameter, text in zip(command.parameters, given, strict=False)]
        for parameter in command.parameters[len(given) :]:
            if parameter.needed:
                raise ScpiError(-109)
            values.append(parameter.otherwise)
        return values

    # -- what every instrument knows

    def _common(self) -> list[Command]:
        """The thirteen common commands that IEEE 488.2, clause 10, demands."""
        mask = Number(low=0, high=255)
        status = self.status
        return [
            Command("*CLS", self._clear),
            Command("*ESE", lambda value: status.set_ese(int(value)), mask),
            Command("*ESE?", lambda: str(status.ese)),
            Command("*ESR?", lambda: str(status.read_esr())),
            Command("*IDN?", self._identify),
            Command("*OPC", lambda: status.note_complete()),
            Command("*OPC?", lambda: "1"),
            Command("*RST", self._restore),
            Command("*SRE", lambda value: status.set_sre(int(value)), mask),
            Command("*SRE?", lambda: str(status.sre)),
            Command("*STB?", lambda: str(status.byte(bool(self._output), bool(len(self.errors))))),
            Command("*TST?", lambda: "0"),
            Command("*WAI", lambda: None),
        ]

    def _required(self) -> list[Command]:
        """What SCPI-1999, vol. 1, 4.2.1, demands of every instrument."""
        commands = [
            Command("SYSTem:ERRor[:NEXT]?", lambda: self.errors.pop()),
            Command("SYSTem:ERRor:COUNt?", lambda: str(len(self.errors))),
            Command("SYSTem:ERRor:ALL?", lambda: self.errors.pop_all()),
            Command("SYSTem:VERSion?", lambda: "1999.0"),
            Command("STATus:PRESet", self.status.preset),
        ]
        return [
            *commands,
            *_triple("OPERation", self.status.operation),
            *_triple("QUEStionable", self.status.questionable),
        ]

    def _clear(self) -> None:
        self.errors.clear()
        self.status.clear()

    def _identify(self) -> str:
        self._indefinite = True  # its answer is of no fixed form, so it has to be the last query of a message
        return self.identity

    def _restore(self) -> None:
        if self._reset is not None:
            self._reset()


def _triple(name: str, register: Register) -> list[Command]:
    node = f"STATus:{name}"
    return [
        Command(f"{node}[:EVENt]?", lambda: str(register.read_event())),
        Command(f"{node}:CONDition?", lambda: str(register.condition)),
        Command(f"{node}:ENABle", lambda value: register.set_enable(int(value)), Number(low=0, high=65535)),
        Command(f"{node}:ENABle?", lambda: str(register.enable)),
    ]
