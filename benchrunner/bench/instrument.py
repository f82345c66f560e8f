"""One instrument on its link: identity, polling, settings with read-back, captures, and its own safe setting."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchrunner.bench import plugins, recorder, registers, sunspec
from benchrunner.bench.decode import (
    RegisterDecoder,
    TextDecoder,
    Wanted,
    register_decoder,
    text_decoder,
    wanted,
)
from benchrunner.bench.identity import Identity, matches, read_identity
from benchrunner.bench.links.base import Link
from benchrunner.cards.bench import Bench
from benchrunner.cards.driver import SettingPart
from benchrunner.cards.quantities import conversion, si
from benchrunner.core.messages import ArmOrder
from benchrunner.errors import LinkError

MOST_ERRORS = 20  # entries read from an error queue before it counts as endless
READ_BACKS = 3  # readings of a setting before it counts as not followed
NO_SERIAL = ("", "0")  # what an instrument says that knows none (IEEE 488.2, 10.14: "0")
HELD_EVERY = 1.0  # s between two looks, one setting at a time, at whether what was set is still so
PROVED_EVERY = 5.0  # s between two looks at whether the replies are in step with the queries


class OutOfStepError(LinkError):
    """The identity query was answered with a reading: each reply is that to a query before."""

    fatal = True  # readings of the last seconds were of earlier queries, and have been judged


class LostSettingError(LinkError):
    """A setting that was carried out reads otherwise now, and nobody ordered that."""

    fatal = True  # the bench is not in the state that the procedure put it in, and was judged as if it were


@dataclass(frozen=True)
class _Setting:
    """A setting as compiled from the cards; `write` gives the message for a value, `read` the value of a reply."""

    name: str
    part: SettingPart
    unit: str
    low: float
    high: float
    factor: float
    offset: float
    tolerance: float
    asks: bytes | None  # the query for it as it goes over the link, where its card knows one


class Instrument:
    """What the hosts poll and set. Not for two threads at once: one owner per link."""

    def __init__(self, bench: Bench, name: str, link: Link) -> None:
        self.name, self.link = name, link
        self.bench = bench
        self.part, self.driver = bench.card.instruments[name], bench.drivers[name]
        self.where = f"{name} at {link.address}"
        self.placed = bench.placed(name)
        self.channels = tuple(p.channel for p in self.placed)
        self.flags = 0  # of the last poll: bit k, value k is overloaded
        self.repeated = False  # the last poll brought the same reply as the one before
        self.identity: Identity | None = None
        self.other_serial_passes = (
            False  # a named person answers for an exchanged instrument of the same kind
        )
        self.passed_serial = ""  # the one that was taken so: no further one is
        self.started = 0.0  # monotonic wall time at which the last capture was started
        self._ends = self.driver.link.write_ends.encode()
        self._texts: list[tuple[bytes, TextDecoder]] = []
        self._maps: list[tuple[int, int, RegisterDecoder]] = []
        self._models: dict[int, int] = {}
        self._previous: object = None
        self._values: tuple[float, ...] = ()  # what `_previous` was decoded to
        self._query = link.query
        self._settings = {setting: self._compile(setting) for setting in self.driver.settings}
        for read in self.driver.reads:
            fields = wanted(self.driver, self.part, read)
            if not fields:
                continue
            if read.query is not None:
                self._texts.append((self.message(read.query), text_decoder(read, fields)))
        self._program = self._programmed()
        self._brought: list[Wanted] = []  # what a Python driver brings, with its place in all it brings
        if self._program is not None:
            before = 0
            for read in self.driver.reads:
                fields = wanted(self.driver, self.part, read)
                self._brought += [replace(one, place=one.place + before) for one in fields]
                before += len(read.fields)
        self._single = self._texts[0] if len(self._texts) == 1 else None
        link.proof = self._prove
        self._polls = 0  # since the replies were last known to be in step
        self._proved_every = self._polls_between_proofs()
        # settings that were carried out, the next to be looked at first; None: the next look tells the value
        self._held: dict[str, float | None] = {}
        self._held_replies: dict[str, bytes] = {}  # how it last told of each of them what it should
        self._held_every = max(2, round(HELD_EVERY / self.part.period)) if self.part.period > 0.0 else 0

    def message(self, text: str) -> bytes:
        """A command as it goes over the link, with its ends."""
        return text.encode("ascii") + self._ends

    # -- life

    def open(self) -> None:
        """Open the link and prove that the right instrument answers. Raises `LinkError`."""
        self.link.open()

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    def asked(self) -> str:
        """Opens the link and brings its identity in its own words, compared with nothing. Raises `LinkError`."""
        self.link.proof = None
        try:
            self.link.open()
            return self._identity_text()
        finally:
            self.link.proof = self._prove

    def identify(self) -> Identity:
        """Ask for the identity and compare it with the cards. Raises `LinkError` where it does not fit."""
        text = self._identity_text()
        try:
            identity = read_identity(self.name, text)
        except ValueError as error:
            raise self._error("identity", str(error), "is this the right address?") from error
        for pattern in (self.driver.identify.pattern, self.part.identity):
            if not matches(text, pattern):
                mend = "check the address, or the identity pattern on the bench card"
                raise self._error("identity", f"is {text!r}, where {pattern!r} is expected", mend)
        if self.part.serial and identity.serial != self.part.serial:
            self._other_serial(identity.serial)
        self.identity = identity
        return identity

    def _other_serial(self, serial: str) -> None:
        """Another one of its kind than the card names: taken where a named person answers for it. Raises `LinkError`."""
        what = f"has serial number {serial!r}, where the bench card says {self.part.serial!r}"
        mend = "if it was exchanged, bring the bench card and its calibration up to date"
        parts = self.bench.card.instruments
        owner = next((name for name, part in parts.items() if serial and part.serial == serial), None)
        if owner is not None:
            what, mend = (
                f"{what}: that is {owner}",
                "put cables or addresses right; nobody passes this by name",
            )
        elif serial in NO_SERIAL:
            mend += "; what tells no serial number cannot be passed by name"
        elif not self.other_serial_passes:
            mend += "; or --override serial-number --by NAME --why TEXT"
        elif serial == (self.passed_serial or serial):
            self.passed_serial = serial
            return
        else:
            what = f"{what}, and {self.passed_serial!r} was passed by name for this run"
        raise self._error("identity", what, mend)

    # -- reading

    def poll(self) -> tuple[float, ...]:
        """Read once: the values of `channels` in SI, NaN for none; `flags` and `repeated` tell more.

        Raises `LinkError` for no reply and for a reply that is no reading, `OutOfStepError` for replies to queries before.
        """
        self._polls += 1
        if self._polls > self._proved_every:
            self._look_at_step()
        elif self._held and self._polls % self._held_every == 0:
            self._look_at_held()
        if self._single is not None:
            message, decode = self._single
            reply = self._query(message)
            if reply == self._previous:  # the same bytes mean the same values
                self.repeated = True
                return self._values
            try:
                values, self.flags = decode(reply)
            except ValueError as error:
                raise self._garbage(message, error) from error
            self.repeated = False
            self._previous = reply
            self._values = found = tuple(values)
            return found
        return self._poll_all()

    def _poll_all(self) -> tuple[float, ...]:
        values: list[float] = []
        replies: list[Any] = []
        flags = 0
        if self._program is not None:
            self.link.open()
            brought = self._program.read()
            replies = [brought]
            values = [one.factor * brought[one.place] + one.offset for one in self._brought]
        for message, decode in self._texts:
            reply = self.link.query(message)
            try:
                more, bits = decode(reply)
            except ValueError as error:
                raise self._garbage(message, error) from error
            replies.append(reply)
            flags |= bits << len(values)
            values += more
        if self.driver.link.kind == "modbus":
            if not self.link.is_open:
                self.link.open()  # the identity tells where the maps lie
            replies += [self.link.read_registers(address, count) for address, count, _ in self._maps]
            if replies == self._previous:
                self.repeated = True
                return self._values
            for registers, (address, _, decode_map) in zip(replies, self._maps, strict=True):
                try:
                    values += decode_map(registers)[0]
                except ValueError as error:
                    raise self._garbage(f"registers from {address}".encode(), error) from error
        self.flags = flags
        self.repeated = replies == self._previous
        self._previous = replies
        self._values = found = tuple(values)
        return found

    def _polls_between_proofs(self) -> float:
        """A stream of like replies that is one behind looks as it should; only another question can tell.

        Modbus needs none: its replies carry the query's number, or at least its function and length.
        """
        if not self._texts or self.part.period <= 0.0:
            return math.inf
        return max(2.0, round(PROVED_EVERY / self.part.period))

    def _look_at_step(self) -> None:
        """Ask who it is, between two polls. Raises `LinkError` where the reply is another than at opening."""
        self._polls = 0
        if not self.link.is_open:
            return  # opening asks
        query = self.driver.identify.query or "*IDN?"
        reply = self.link.query(self.message(query))
        text = reply.decode("ascii", "replace").strip()
        if self.identity is None or text == self.identity.text:
            return
        self.link.close()
        self._previous = None
        said = f"is answered with {text[:60]!r}, where {self.identity.text!r} came at first"
        if any(_decodes(decode, reply) for _, decode in self._texts):
            what = f"{said}: its replies are those to earlier queries, and so may be the readings of up to {PROVED_EVERY:g} s before"
            mend = "the bench is made safe; switch the instrument and what lies between off and on again"
            raise OutOfStepError(self.where, f"{query} {what}", mend)
        raise self._error(query, said, "has it been exchanged? the link was closed and will be proved again")

    def hold(self, setting: str, value: float) -> None:
        """From now on look at whether this setting, which was carried out, stays so. An order to it ends that.

        One setting may move others (all phases, one phase): after each order these are looked at anew.
        """
        found = self._settings[setting]
        if found.asks is not None and found.part.stays and math.isfinite(self._proved_every):
            self._held[setting] = value

    def _look_at_held(self) -> None:
        """Read back the next of the settings that are held. Raises `LostSettingError` where it reads otherwise."""
        if not self.link.is_open:
            return
        setting, value = next(iter(self._held.items()))
        found = self._settings[setting]
        assert found.asks is not None, "only what can be asked for is held"
        reply = self._query(found.asks)
        if value is not None and reply == self._held_replies.get(setting):
            del self._held[setting]
            self._held[setting] = value  # behind the others
            return
        back = self._meant(found, reply)
        del self._held[setting]
        if value is None:
            value = back
        if not self.followed(setting, value, back):
            what = f"reads {back:g}, where {value:g} was set: it has lost its settings, or somebody changed this one"
            raise LostSettingError(
                f"{self.where}: {setting}",
                what,
                "see whether it restarted or was set by hand, then begin again",
            )
        self._held[setting], self._held_replies[setting] = value, reply

    def _garbage(self, message: bytes, error: ValueError) -> LinkError:
        # the replies may be out of step with the queries, so the link must prove itself again
        self.link.close()
        asked = message.decode("ascii", "replace").strip()
        mend = "check the driver card against the instrument; the link was closed and will be proved again"
        return self._error(asked, str(error), mend)

    # -- setting

    def allowed(self, setting: str) -> tuple[float, float]:
        """The range of a setting on this bench (SI)."""
        found = self._settings[setting]
        return found.low, found.high

    def settle(self, setting: str) -> float:
        """How long after the command the read-back means anything (s)."""
        return self._settings[setting].part.settle

    def send(self, setting: str, value: float) -> None:
        """Send a setting and read the error queue. Raises `LinkError` if it is out of range or was refused."""
        found = self._settings[setting]
        self._held.pop(setting, None)
        self._held = dict.fromkeys(self._held)
        self._held_replies.clear()
        asked = f"{setting} = {value:g} {found.unit}"
        if not found.low <= value <= found.high:
            mend = f"give {found.low:g} to {found.high:g} {found.unit}, as the driver card and the bench card allow"
            raise self._error(asked, "is out of range", mend)
        written = self._written(found, value)
        if self._program is not None:
            self.link.open()
            self._program.send(setting, float(value if found.part.words is not None else written))
            return
        if found.part.command is None:
            registers.write(self.link, self._models, found.part, float(written), self._low_first)
            return
        text = found.part.command.replace("{value}", written)
        if found.part.answer is not None:
            answer = self.link.query(self.message(text)).decode("ascii", "replace").strip()
            if answer != found.part.answer:
                self.link.close()  # it may be the answer to a query before
                raise self._error(
                    text, f"was answered with {answer[:60]!r}", f"{found.part.answer!r} was expected"
                )
        else:
            self.link.write(self.message(text))
        errors = self.errors()
        if errors:
            raise self._error(text, f"was refused: {'; '.join(errors)}", "see the instrument's manual")

    def read_back(self, setting: str) -> float | None:
        """What the instrument says of a setting (SI), None where its card knows no read-back. Raises `LinkError`."""
        found = self._settings[setting]
        number: float | None
        if self._program is not None or found.part.command is None:
            number = self._read_number(setting, found)
            if number is None or (found.part.words is not None and self._program is not None):
                return number
            if found.part.words is not None:
                return {float(found.part.words.on): 1.0, float(found.part.words.off): 0.0}.get(
                    number, math.nan
                )
            return found.factor * number + found.offset
        if found.asks is None:
            return None
        return self._meant(found, self.link.query(found.asks))

    def _meant(self, found: _Setting, reply: bytes) -> float:
        """The value (SI) in the reply to the query for a setting. Raises `LinkError`."""
        assert found.asks is not None
        told = reply.decode("ascii", "replace").strip()
        words = found.part.read_words or found.part.words
        if words is not None:
            for text, position in ((words.on, 1.0), (words.off, 0.0)):
                if told.casefold() == text.casefold():
                    return position
            raise self._garbage(found.asks, ValueError(f"the reply is no position: {told[:60]!r}"))
        try:
            number = float(told)
        except ValueError as error:
            raise self._garbage(found.asks, error) from error
        return found.factor * number + found.offset

    def followed(self, setting: str, value: float, read_back: float | None) -> bool:
        """Whether a read-back confirms the value; a setting without read-back is taken at its word."""
        return read_back is None or abs(read_back - value) <= self._settings[setting].tolerance

    def errors(self) -> list[str]:
        """Empty the error queue: its entries, oldest first. Raises `LinkError`."""
        query = self.driver.errors
        found: list[str] = []
        if query is None:
            return found
        for _ in range(MOST_ERRORS):
            entry = self.link.query(self.message(query.query)).decode("ascii", "replace").strip()
            number = entry.split(",", 1)[0].strip().lstrip("+")
            if number == query.none:
                return found
            found.append(entry[:120])
        return found

    def safe(self) -> list[str]:
        """Bring this instrument to its own safe setting, whatever fails on the way; what failed, in words."""
        failed = []
        for setting, written in self.driver.safe:
            try:
                self.send(setting, self.driver.number(setting, written))
            except LinkError as error:
                failed.append(f"{error.problem.where}: {error.problem.what}")
        return failed

    # -- captures

    def arm(self, order: ArmOrder) -> None:
        """Set up and start a capture; returns once the recorder says that it waits. Raises `LinkError`."""
        recorder.arm(self, order)

    def triggered(self) -> bool:
        """Whether the capture is complete. Raises `LinkError`."""
        return recorder.triggered(self)

    def captured(self, channels: Sequence[str]) -> recorder.Wave:
        """The waveforms of the last capture. Raises `LinkError`."""
        return recorder.fetch(self, channels)

    def wave_origin(self, armed: float, seen: float, order: ArmOrder, wave: recorder.Wave) -> float:
        """The bench time from which a wave's times count. `armed`: when it was started; `seen`: when it was complete."""
        card = self.driver.capture
        if card is not None and card.times == "since trigger":
            # nothing tells when the trigger came, but completion was seen within one look
            return seen - order.span - card.poll / 2
        return armed

    # -- inside

    def _programmed(self) -> plugins.Guarded | None:
        name = self.driver.program
        if name is None:
            return None
        make = plugins.load(name, f"driver card {self.part.driver}: program")
        return plugins.Guarded(make, self.link, name, sum(len(read.fields) for read in self.driver.reads))

    @property
    def _low_first(self) -> bool:
        return self.driver.link.words == "low first"

    def _read_number(self, setting: str, found: _Setting) -> float | None:
        if self._program is not None:
            self.link.open()
            return self._program.read_back(setting)
        return registers.read(self.link, self._models, found.part, self._low_first)

    def _compile(self, setting: str) -> _Setting:
        part = self.driver.settings[setting]
        unit = self.driver.kind.settings[setting].unit
        low, high = self.bench.allowed(f"{self.part.role}.{setting}")
        asks = None
        if self.driver.program is None and part.command is not None and part.read_back is not None:
            asks = self.message(part.read_back)
        if part.words is not None:
            return _Setting(setting, part, unit, 0.0, 1.0, 1.0, 0.0, 0.0, asks)
        factor, offset = conversion(part.unit, unit)
        digit = abs(factor) * 10.0**-part.decimals
        tolerance = max(si(part.within, unit) if part.within else 0.0, 0.51 * digit)
        return _Setting(setting, part, unit, low, high, factor, offset, tolerance, asks)

    def _written(self, found: _Setting, value: float) -> str:
        words = found.part.words
        if words is not None:
            if value not in (0.0, 1.0):
                raise self._error(f"{found.name} = {value:g}", "is a switch", "set it to 0 or 1")
            return words.on if value else words.off
        return f"{(value - found.offset) / found.factor + 0.0:.{found.part.decimals}f}"

    def _identity_text(self) -> str:
        if self._program is not None:
            return self._program.identity().strip()
        if self.driver.link.kind == "modbus":
            base = self.driver.link.base
            self._models = sunspec.models(self.link, base)
            self._locate()
            return sunspec.common(self.link, self._models, self.name)
        query = self.driver.identify.query or "*IDN?"
        return self.link.query(self.message(query)).decode("ascii", "replace").strip()

    def _locate(self) -> None:
        self._maps = []
        for read in self.driver.reads:
            fields = wanted(self.driver, self.part, read)
            if not fields:
                continue
            first, count = read.span()
            if read.model is not None and read.model not in self._models:
                there = ", ".join(map(str, self._models)) or "none"
                mend = f"it has models {there}; choose another driver card"
                raise self._error(f"SunSpec model {read.model}", "is not there", mend)
            start = self._models[read.model] if read.model is not None else (read.address or 0)
            decode = register_decoder(read, fields, self.driver.link.words)
            decode(
                self.link.read_registers(start + first, count)
            )  # it keeps the scale factors, which do not change
            self._maps.append((start + first, count, decode))

    def _prove(self) -> None:
        self.identify()
        self._polls = 0
        self.errors()  # what stood in the queue before is not of this run
        self._previous = None

    def _error(self, asked: str, what: str, mend: str) -> LinkError:
        return LinkError(self.where, f"{asked}: {what}", mend)


def _decodes(decode: TextDecoder, reply: bytes) -> bool:
    try:
        decode(reply)
    except ValueError:
        return False
    return True
