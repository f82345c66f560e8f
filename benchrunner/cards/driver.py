"""The driver card: how one family of instruments is read and set. Data only; nothing in it is executed.

Templates know exactly the placeholders that their key names (`{value}`, `{input}`), replaced as plain text.
A card is written against an open standard (IEEE 488.2-1992, SCPI-1999, SunSpec Modbus) and named after a class.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    field_validator,
)
from pydantic.config import JsonDict

from benchrunner.cards import reading
from benchrunner.cards.classes import CLASSES, InstrumentClass
from benchrunner.cards.quantities import Name, PerSecond, PositiveSeconds, Seconds, conversion, si
from benchrunner.cards.reading import Document, KeyPath, Mended
from benchrunner.errors import Refused

LONGEST_TEMPLATE = 200
MOST_REGISTERS = 125  # Modbus Application Protocol V1.1b3, 6.3: the most that one read may ask for
ONE_OF_CLASSES: JsonDict = {"enum": [*sorted(CLASSES)]}
Ends = Literal["\n", "\r\n", "\r", ""]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32", "sunssf", "enum16"]
WIDTH: dict[str, int] = {
    "int16": 1,
    "uint16": 1,
    "sunssf": 1,
    "enum16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
}


def _template(allowed: tuple[str, ...], needed: tuple[str, ...]) -> AfterValidator:
    def check(text: str) -> str:
        rest = text
        for word in allowed:
            rest = rest.replace("{" + word + "}", "")
        if "{" in rest or "}" in rest:
            known = ", ".join("{" + word + "}" for word in allowed) or "none"
            raise Mended(f"has a brace that is no known placeholder: {text!r}", f"placeholders here: {known}")
        if not text or len(text) > LONGEST_TEMPLATE or not rest.isprintable() or not rest.isascii():
            raise Mended(
                f"is no command: {text[:60]!r}",
                f"printable ASCII, 1 to {LONGEST_TEMPLATE} characters, no line ends",
            )
        for word in needed:
            if "{" + word + "}" not in text:
                raise Mended(f"lacks {{{word}}}: {text!r}", f"put {{{word}}} where it belongs in the command")
        return text

    return AfterValidator(check)


Plain = Annotated[str, _template((), ())]
WithValue = Annotated[str, _template(("value",), ("value",))]
WithInput = Annotated[str, _template(("input",), ("input",))]


class Part(BaseModel):
    """Base of every part of a card: unknown keys are errors, and a card never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)


class LinkPart(Part):
    """What kind of link, how messages end, how long to wait. Times are this program's, not the instrument's."""

    kind: Literal["visa", "serial", "modbus"]
    write_ends: Ends = "\n"
    read_ends: Ends = "\n"
    timeout: PositiveSeconds = 1.0
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    base: int = Field(default=40000, ge=0, le=65535, description="SunSpec base register (40000, 50000 or 0)")
    words: Literal["high first", "low first"] = "high first"
    checksum: Literal["none", "sum", "xor", "crc-16"] = Field(
        default="none", description="of each line on a serial link, in hexadecimal digits before its ends"
    )
    checksum_mark: str = Field(
        default="", max_length=1, pattern=r"^[ -~]?$", description="the character before the checksum, if any"
    )


class Identify(Part):
    """The identity query; for SunSpec, empty: manufacturer, model, serial number and version of common model 1.

    `pattern` is compared field by field (between commas) with `*` for any text; IEEE 488.2, 10.14 has four fields:
    manufacturer, model, serial number, firmware. The bench card may tighten it.
    """

    query: Plain | None = None
    pattern: str = Field(default="*,*,*,*", max_length=200)


class ReadField(Part):
    """One value of a reply. `quantity` empty: the value is skipped. `unit` is the instrument's own unit.

    For a register map: `at` is the register's offset (from the model's start, its ID register being 0, or from
    `address`), `scale_at` the offset of its SunSpec scale factor (value * 10^factor).
    """

    quantity: str = ""
    unit: str = "1"
    sign: Literal[1, -1] = 1
    scale: float = 1.0
    at: int | None = Field(default=None, ge=0, le=2000)
    type: RegisterType | None = None
    scale_at: int | None = Field(default=None, ge=0, le=2000)
    point: str = Field(default="", max_length=40, description="the standard's name of the point, for people")


class ReadPart(Part):
    """One query and the quantities in its reply, or one block of registers read at once (so that they belong together).

    `single`: one number or word; `comma list`: numbers between commas, as many as there are fields; `program`: the
    card's Python driver brings the numbers of all fields, in their units and order.
    """

    parse: Literal["single", "comma list", "register map", "program"]
    query: Plain | None = None
    model: int | None = Field(
        default=None, ge=1, le=65535, description="SunSpec model, found by walking the chain"
    )
    address: int | None = Field(default=None, ge=0, le=65535)
    fields: list[ReadField] = Field(min_length=1, max_length=64)

    def span(self) -> tuple[int, int]:
        """First offset and number of registers that cover all fields and their scale factors."""
        first = min(min(f.at or 0, f.scale_at if f.scale_at is not None else f.at or 0) for f in self.fields)
        end = max(max((f.at or 0) + WIDTH[f.type or "int16"], (f.scale_at or 0) + 1) for f in self.fields)
        return first, end - first


class Words(Part):
    """How a switch's two positions are written or read."""

    on: str = Field(max_length=40)
    off: str = Field(max_length=40)


class RegisterPart(Part):
    """Where a setting is written over Modbus: offset `at` from a SunSpec model's start or from `address`.

    The number written is value / 10^(scale factor at `scale_at`), rounded; a switch's `words` are its two numbers.
    """

    model: int | None = Field(default=None, ge=1, le=65535)
    address: int | None = Field(default=None, ge=0, le=65535)
    at: int = Field(ge=0, le=2000)
    type: RegisterType = "uint16"
    scale_at: int | None = Field(default=None, ge=0, le=2000)


class SettingPart(Part):
    """One setting: `command` with `{value}`, `range` as texts with units, `read_back` a query that returns it.

    Over Modbus `point` says where the value is written, and is read back from there; a card with a Python driver
    gives neither.

    A number is written in `unit` with `decimals` places; a switch in `words`. `settle`: wait before the read-back
    (a contactor takes time); `within`: by how much the read-back may differ, text with unit. `stays` false: it goes
    back by itself, as a trigger does; all others are looked at while a run lasts, and one that changed ends it.
    """

    command: WithValue | None = None
    point: RegisterPart | None = None
    answer: str | None = Field(
        default=None, max_length=40, description="what a command is answered with, if at all"
    )
    unit: str = "1"
    decimals: int = Field(default=3, ge=0, le=9)
    range: tuple[str, str] | None = None
    read_back: Plain | None = None
    within: str | None = None
    words: Words | None = None
    read_words: Words | None = None
    settle: Seconds = 0.0
    stays: bool = True


class CapturePart(Part):
    """How a waveform recorder is armed and read. Order of use: stop, rate, before, span, inputs, source, change, start.

    The preamble is a comma list of `preamble_fields`; sample value = scale * integer + offset, at the recorder's
    input. `times`: what start and trigger in it count from: `since armed` (the start command) or `since trigger`.
    `given_up`: the state of a recorder that will not come to `done` any more, where it has one.
    `lacks` (simulated recorders): a quoted comma list of measures that the waveform cannot carry. `prescribed` (the
    same): of one input, a quoted comma list of what in its wave was not computed, such as noise.
    """

    inputs: int = Field(ge=1, le=64)
    highest_rate: PerSecond
    longest: PositiveSeconds
    stop: Plain | None = None
    rate: WithValue
    before: WithValue
    span: WithValue
    input_on: WithInput
    input_off: WithInput | None = None
    source: WithInput
    change: WithValue
    start: Plain
    state: Plain
    waiting: str
    done: str
    given_up: str | None = None
    preamble: WithInput
    preamble_fields: tuple[Literal["points", "start", "rate", "trigger", "scale", "offset", ""], ...]
    data: WithInput
    data_format: Literal[
        "int16 big-endian", "int16 little-endian", "int8", "float32 big-endian", "float32 little-endian"
    ]
    times: Literal["since armed", "since trigger"] = "since armed"
    lacks: Plain | None = None
    prescribed: WithInput | None = None
    poll: PositiveSeconds = 0.05


WarmUp = Annotated[float, BeforeValidator(lambda value: _warm_up(value)), WithJsonSchema({"type": "string"})]
LONGEST_WARM_UP = 86_400.0  # s


def _warm_up(value: object) -> float:
    seconds = si(value, "s")
    if not 0 <= seconds <= LONGEST_WARM_UP:
        raise Mended(f"is {value!r}, which is no warm-up time", 'give up to a day, such as "30 min"')
    return seconds


class ErrorQuery(Part):
    """The error queue: asked after each setting until the reply starts with `none` (SCPI-1999, 21.8)."""

    query: Plain
    none: str = Field(default="0", max_length=20)


class DriverCard(Part):
    """One family of instruments of one class."""

    format: Literal[1]
    title: str = Field(min_length=1, max_length=120)
    klass: str = Field(alias="class", json_schema_extra=ONE_OF_CLASSES)
    says: str = Field(default="", max_length=1000)
    basis: list[str] = []
    latency: Seconds = Field(
        default=0.005, description="from the end of the query to the end of the reply, typical"
    )
    link: LinkPart
    program: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z][A-Za-z0-9_.-]{0,59}$",
        description="name of a Python driver (entry point group benchrunner.drivers), where a card cannot express it",
    )
    warm_up: WarmUp = Field(default=0.0, description="after switching on, until its accuracy holds")
    identify: Identify
    reads: list[ReadPart] = []
    settings: dict[Name, SettingPart] = {}
    capture: CapturePart | None = None
    errors: ErrorQuery | None = None
    safe: list[tuple[Name, bool | str]] = Field(
        default=[], description="settings in their order that make this instrument safe on its own"
    )

    @field_validator("klass")
    @classmethod
    def _known_class(cls, value: str) -> str:
        if value not in CLASSES:
            raise Mended(f"is {value!r}, which is no known class", "classes: " + ", ".join(sorted(CLASSES)))
        return value

    @property
    def kind(self) -> InstrumentClass:
        """The instrument class."""
        return CLASSES[self.klass]

    def quantities(self) -> tuple[str, ...]:
        """What one poll brings, in order."""
        return tuple(f.quantity for read in self.reads for f in read.fields if f.quantity)

    def allowed(self, setting: str) -> tuple[float, float]:
        """The allowed range of a setting in SI; a switch has 0..1."""
        part = self.settings[setting]
        if part.range is None:
            return 0.0, 1.0
        unit = self.kind.settings[setting].unit
        return si(part.range[0], unit), si(part.range[1], unit)

    def number(self, setting: str, value: bool | str) -> float:
        """A setting's value as written in a card as the number that orders carry (a switch is 0.0 or 1.0)."""
        known = self.kind.settings[setting]
        if known.kind == "switch":
            if not isinstance(value, bool):
                raise Mended(
                    f"{setting!r} is a switch, and {value!r} is neither true nor false", "write true or false"
                )
            return float(value)
        return si(value, known.unit)


Found = Iterator[tuple[KeyPath, str, str]]


def driver_problems(card: DriverCard) -> Found:
    """What no single key shows: each as (key path, what, mend)."""
    for index, read in enumerate(card.reads):
        yield from _read_problems(card, read, ("reads", index))
    names = card.quantities()
    for name in sorted({q for q in names if names.count(q) > 1}):
        yield ("reads",), f"{name!r} is read more than once", "leave quantity empty where it is repeated"
    for name, part in card.settings.items():
        yield from _setting_problems(card, name, part, ("settings", name))
    if (card.capture is not None) != (card.klass == "waveform"):
        yield (
            ("capture",),
            "[capture] belongs to class waveform, and only there",
            "add it, or change the class",
        )
    if card.capture is not None:
        missing = {"points", "start", "rate", "trigger", "scale", "offset"} - set(
            card.capture.preamble_fields
        )
        if missing:
            mend = 'name every field, "" for one to skip'
            yield ("capture", "preamble_fields"), f"lacks {', '.join(sorted(missing))}", mend
    for index, (name, value) in enumerate(card.safe):
        if name not in card.settings or name not in card.kind.settings:
            yield ("safe", index), f"names {name!r}, which is no setting of this card", "add the setting"
            continue
        try:
            card.number(name, value)
        except Mended as error:
            yield ("safe", index), error.what, error.mend
    if card.link.checksum != "none" and card.link.kind != "serial":
        yield ("link", "checksum"), "belongs to serial lines", "leave it out; other links have their own"
    if (
        card.program is not None
        and not any(read.parse == "program" for read in card.reads)
        and not card.settings
    ):
        yield ("program",), "has nothing to read or set", "give reads with parse = 'program', or settings"
    if card.link.kind != "modbus" and card.identify.query is None and card.program is None:
        yield ("identify",), "has no query", 'give query = "*IDN?", or what the instrument has'


def _read_problems(card: DriverCard, read: ReadPart, path: KeyPath) -> Found:
    registers = read.parse == "register map"
    if (read.parse == "program") != (card.program is not None):
        what = "parse = 'program' and the card's program belong together"
        yield (*path, "parse"), what, "give program = the name of the Python driver, or another parse"
    elif read.parse == "program":
        if read.query is not None or read.model is not None or read.address is not None:
            yield path, "its Python driver asks by itself", "leave out query, model and address"
    elif registers != (card.link.kind == "modbus"):
        yield (
            (*path, "parse"),
            f"a {card.link.kind} link cannot carry {read.parse!r}",
            "change the one or the other",
        )
    if registers:
        if (read.model is None) == (read.address is None) or read.query is not None:
            yield path, "a register map needs either model or address, and no query", "give model = 701, say"
        if any(field.at is None or field.type is None for field in read.fields):
            yield (
                (*path, "fields"),
                "a field of a register map lacks at or type",
                "give the offset and the type",
            )
        elif read.span()[1] > MOST_REGISTERS:
            what = f"spans {read.span()[1]} registers"
            yield (*path, "fields"), what, f"split it: one read may ask for {MOST_REGISTERS} at most"
    elif read.parse != "program":
        if read.query is None or read.model is not None or read.address is not None:
            yield (
                path,
                f"{read.parse!r} needs a query, and neither model nor address",
                'give query = "FETCh?"',
            )
        if read.parse == "single" and len(read.fields) != 1:
            yield (*path, "fields"), "a single value has one field", 'use parse = "comma list" for several'
    for index, field in enumerate(read.fields):
        if not field.quantity:
            continue
        here = (*path, "fields", index)
        if field.quantity not in card.kind.reads:
            known = ", ".join(sorted(card.kind.reads)) or "none"
            yield here, f"class {card.klass} reads no {field.quantity!r}", f"it reads: {known}"
            continue
        try:
            conversion(field.unit, card.kind.reads[field.quantity].unit)
        except Mended as error:
            yield here, error.what, error.mend


def _setting_problems(card: DriverCard, name: str, part: SettingPart, path: KeyPath) -> Found:
    known = card.kind.settings.get(name)
    yield from _way_problems(card, part, path)
    if known is None:
        there = ", ".join(sorted(card.kind.settings)) or "none"
        yield path, f"class {card.klass} has no setting {name!r}", f"it has: {there}"
    elif known.kind == "switch":
        if part.words is None:
            yield path, "a switch needs words", 'give words = { on = "ON", off = "OFF" }'
    elif part.words is not None or part.range is None:
        yield path, "a number needs a range and no words", 'give range = ["0 W", "6 kW"]'
    else:
        try:
            conversion(part.unit, known.unit)
            low, high = card.allowed(name)
            if low > high:
                yield (*path, "range"), "runs backwards", "give the lower bound first"
            if part.within is not None:
                si(part.within, known.unit)
        except Mended as error:
            yield path, error.what, error.mend


def _way_problems(card: DriverCard, part: SettingPart, path: KeyPath) -> Found:
    if card.program is not None:
        if part.command is not None or part.point is not None or part.read_back is not None:
            yield path, "its Python driver sets it", "leave out command, point and read_back"
    elif card.link.kind == "modbus":
        register = part.point
        if register is None or part.command is not None or part.read_back is not None:
            yield path, "a Modbus setting is written to a register and read back from it", "give point alone"
        elif (register.model is None) == (register.address is None):
            yield (*path, "point"), "needs either model or address", "give model = 123, say"
        elif part.words is not None and not (part.words.on.isdigit() and part.words.off.isdigit()):
            yield (*path, "words"), "are no numbers", 'give the two numbers, such as { on = "1", off = "0" }'
    elif part.command is None or part.point is not None:
        yield path, "has no command", 'give command = "POWer {value}"'


def fit_driver(document: Document) -> DriverCard:
    """The driver card in a document. Raises `Refused` with every problem."""
    card = reading.fit(document, DriverCard)
    problems = [document.problem(path, what, mend) for path, what, mend in driver_problems(card)]
    if problems:
        raise Refused(problems)
    return card


def read_driver(path: Path | str) -> DriverCard:
    """The driver card in a file. Raises `Refused` with every problem."""
    return fit_driver(reading.load(path))
