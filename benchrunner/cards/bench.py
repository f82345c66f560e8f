"""The bench card: which instrument does what on this bench, how well it reads, and how the bench is made safe.

`read_bench` joins the card with the driver cards that it names; everything else takes that `Bench`.
"""

import datetime
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator

from benchrunner import data, units
from benchrunner.cards import places, reading
from benchrunner.cards.classes import CLASSES
from benchrunner.cards.driver import ONE_OF_CLASSES, DriverCard, Part, fit_driver
from benchrunner.cards.quantities import Dotted, Label, Name, PositiveSeconds, Ratio, Seconds, dotted, si
from benchrunner.cards.reading import Document, KeyPath, Mended
from benchrunner.errors import Problem, Refused

MOST_INSTRUMENTS = 60
MOST_NAMED = 20  # channels in one message
_PORT = re.compile(r"\{port(?:\+(\d{1,3}))?\}")
_ADDRESS = re.compile(
    r"^(memory|modbus://[A-Za-z0-9.:_-]+/\d{1,3}|rtu:[^\s]{1,100}/\d{1,3}|socket://[A-Za-z0-9._-]+:\d{1,5}"
    r"|serial:[^\s]{1,100}|ASRL[^\s:]{1,100}::INSTR|[A-Z]+[0-9]*::[^\s]{1,160})$"
)


class Accuracy(Part):
    """Limits of error of one quantity, taken as rectangular half-widths (JCGM 100:2008, 4.3.7).

    `of_range` and `resolution` (one digit) are absolute, texts in the quantity's unit.
    """

    of_reading: Ratio = 0.0
    of_range: str | None = None
    resolution: str | None = None


class Input(Accuracy):
    """One input of a waveform recorder: the channel on it, and probe or clamp `ratio` (channel = ratio * input)."""

    channel: Dotted
    ratio: float = 1.0


class InstrumentPart(Part):
    """One instrument: what it is, where it is, how well it reads, and when that was last proved.

    `channels` names the channel of each quantity (default `role.quantity`; "" leaves one out), `ratio` the clamp or
    divider ratio, `reversed` quantities whose clamp or shunt sits the other way round. `limits` narrows a setting's
    range to what this wiring bears. `between` names, for each switch setting, the two nodes it joins.
    """

    role: Name
    klass: str = Field(alias="class", json_schema_extra=ONE_OF_CLASSES)
    driver: Label
    address: str
    period: Seconds = Field(default=0.0, description="between polls; 0 s: not polled")
    channels: dict[Name, str] = Field(default_factory=dict)
    ratio: dict[Name, float] = Field(default_factory=dict)
    reversed: list[Name] = Field(default_factory=list)
    accuracy: dict[Name, Accuracy] = Field(default_factory=dict)
    largest: dict[Name, str] = Field(
        default_factory=dict,
        description="full scale of a quantity, behind clamp or divider; beyond it: overload",
    )
    inputs: dict[str, Input] = Field(default_factory=dict)
    update: Seconds = Field(default=0.0, description="update period of the meter")
    window: Seconds = Field(default=0.0, description="averaging window of the meter")
    frozen_after: Seconds = Field(
        default=0.0,
        description="the same reply for longer than this is a frozen display and no reading; 0 s: never. For instruments "
        "whose last digits always move, or that count a heartbeat; a reply of zeros alone is never taken for frozen",
    )
    delivers: Literal["polled", "half-cycle"] = "polled"
    limits: dict[Name, tuple[str, str]] = Field(default_factory=dict)
    between: dict[Name, tuple[str, str]] = Field(default_factory=dict)
    synchronism_check: bool = Field(
        default=False, description="a relay blocks closing between unlike live buses"
    )
    identity: str = Field(
        default="*", max_length=200, description="identity pattern, tighter than the driver card's"
    )
    serial: str = Field(default="", max_length=60)
    calibrated: datetime.date | None = None
    due: datetime.date | None = None
    certificate: str = Field(
        default="", max_length=60, description="number of the calibration certificate, and who issued it"
    )
    timeout: PositiveSeconds | None = Field(default=None, description="instead of the driver card's")
    simulated: dict[Name, str | float | bool] = Field(
        default={}, description="options of the simulated instrument"
    )

    @field_validator("klass")
    @classmethod
    def _known_class(cls, value: str) -> str:
        if value not in CLASSES:
            raise Mended(f"is {value!r}, which is no known class", "classes: " + ", ".join(sorted(CLASSES)))
        return value

    @field_validator("address")
    @classmethod
    def _known_address(cls, value: str) -> str:
        if not _ADDRESS.match(_PORT.sub("1", value)):
            mend = (
                "memory, a VISA address (TCPIP0::host::port::SOCKET), modbus://host:port/unit, rtu:DEVICE/unit, "
                "serial:DEVICE or socket://host:port"
            )
            raise Mended(f"is {value!r}, which is no address", mend)
        return value

    def at(self, port_base: int) -> str:
        """The address with `{port+n}` resolved."""
        return _PORT.sub(lambda found: str(port_base + int(found.group(1) or 0)), self.address)


class Confirm(Part):
    """An independent reading: the channel must come between `above` and `below` (either may be left out)."""

    channel: Dotted
    above: str | None = None
    below: str | None = None


class When(Part):
    """Wait for the channel's magnitude to fall below this, but no longer than `at_latest`."""

    channel: Dotted
    below: str


class SafePart(Part):
    """One order of the safe order: sent once, read back by `confirm`, tried again in rounds while unconfirmed."""

    id: Label
    set: tuple[Dotted, bool | str]
    says: str = Field(min_length=1, max_length=200)
    confirm: Confirm
    timeout: PositiveSeconds
    when: When | None = None
    at_latest: Seconds = 0.0
    fallback: tuple[Dotted, bool | str] | None = None


class GuardPart(Part):
    """A trip limit of the wiring or the instruments; `delay`: for how long it must be crossed."""

    id: Label
    channel: Dotted
    low: str | None = None
    high: str | None = None
    delay: Seconds = 0.0
    says: str = Field(min_length=1, max_length=200)


class Wiring(Part):
    """The bench's nodes that something can hold live on its own, besides what is switched on to them."""

    live: list[str] = Field(default_factory=list)


class Served(Part):
    """Where the simulated instruments are served on this machine: ports `port_base + n`, the control port likewise."""

    port_base: int = Field(default=27300, ge=1024, le=65000)
    control: int = Field(
        default=0, ge=0, le=500, description="the control port is port_base + this (lockstep only)"
    )


class WatchdogPart(Part):
    """The watchdog of this bench's runs: a process beside the engine, and a relay where the bench has one.

    `limit`: for how long the engine may stand still (wall time) before the watchdog ends it and makes the bench safe.
    `prove_relay`: let each watchdog relay expire once before the run, and see that it opens.
    """

    limit: PositiveSeconds = 3.0
    relay_time: PositiveSeconds = Field(
        default=3.0,
        description="after which the watchdog relays of this bench open; they are fed at a quarter of it",
    )
    prove_relay: bool = False


class BenchCard(Part):
    """One bench."""

    format: Literal[1]
    title: str = Field(min_length=1, max_length=120)
    laboratory: str = Field(default="", max_length=120)
    says: str = Field(default="", max_length=1000)
    simulated: bool
    draft: bool = Field(
        default=False,
        description="written by `find`, not finished: `check` lists what is missing, no run starts",
    )
    attended: bool = True
    visa_library: str = Field(
        default="@py",
        min_length=1,
        max_length=300,
        description="@py, or the path of an installed VISA library (then TCP sockets go through it too)",
    )
    interlock: Dotted | Literal[""] = ""
    instruments: dict[Name, InstrumentPart] = Field(min_length=1, max_length=MOST_INSTRUMENTS)
    safe: list[SafePart] = Field(default_factory=list)
    guards: list[GuardPart] = Field(default_factory=list)
    wiring: Wiring = Wiring()
    values: dict[Name, str] = Field(default_factory=dict)
    served: Served | None = None
    watchdog: WatchdogPart = WatchdogPart()
    lock_after_trip: bool | None = Field(
        default=None,
        description="after a trip the bench is locked until a named person releases it; where not said: a real bench is, "
        "a simulated one is not",
    )


@dataclass(frozen=True)
class Placed:
    """A quantity of an instrument on this bench: its place in a poll, its channel and the channel's unit."""

    index: int  # in the poll's values
    quantity: str
    channel: str
    unit: str


@dataclass(frozen=True)
class Bench:
    """A bench card together with the driver cards that it names, and the files they were read from."""

    card: BenchCard
    drivers: dict[str, DriverCard]  # by instrument
    document: Document = field(repr=False)
    driver_documents: dict[str, Document] = field(repr=False)  # by driver name

    @property
    def simulated(self) -> bool:
        """Every screen and every page says so."""
        return self.card.simulated

    @cached_property
    def in_memory(self) -> bool:
        """All instruments are emulators in this process."""
        return all(part.address == "memory" for part in self.card.instruments.values())

    def placed(self, instrument: str) -> tuple[Placed, ...]:
        """The quantities that one poll of the instrument brings to channels, in poll order."""
        part, driver = self.card.instruments[instrument], self.drivers[instrument]
        found = []
        for index, quantity in enumerate(driver.quantities()):
            channel = part.channels.get(quantity, f"{part.role}.{quantity}")
            if channel:
                found.append(Placed(index, quantity, channel, driver.kind.reads[quantity].unit))
        return tuple(found)

    @cached_property
    def channel_units(self) -> dict[str, str]:
        """Unit of every polled channel."""
        return {p.channel: p.unit for name in self.card.instruments for p in self.placed(name)}

    @cached_property
    def settings(self) -> dict[str, tuple[str, str]]:
        """Every setting of this bench, `role.setting`, as (instrument, setting of its driver card)."""
        return {
            f"{part.role}.{setting}": (name, setting)
            for name, part in self.card.instruments.items()
            for setting in self.drivers[name].settings
        }

    def setting_unit(self, setting: str) -> str:
        """SI unit of a setting ("1" for a switch)."""
        instrument, name = self.settings[setting]
        return self.drivers[instrument].kind.settings[name].unit

    def allowed(self, setting: str) -> tuple[float, float]:
        """What a setting may be: the driver card's range, narrowed by the bench card's limits (SI)."""
        instrument, name = self.settings[setting]
        low, high = self.drivers[instrument].allowed(name)
        limits = self.card.instruments[instrument].limits.get(name)
        if limits:
            unit = self.setting_unit(setting)
            low, high = max(low, si(limits[0], unit)), min(high, si(limits[1], unit))
        return low, high

    def setting_value(self, setting: str, value: bool | str) -> float:
        """A setting's value as a card writes it, as the number that orders carry."""
        instrument, name = self.settings[setting]
        return self.drivers[instrument].number(name, value)

    def values(self) -> dict[str, units.Quantity]:
        """The card's own values for procedures, as `bench.NAME`."""
        return {f"bench.{name}": units.parse(text) for name, text in self.card.values.items()}


Found = Iterator[tuple[KeyPath, str, str]]


def bench_problems(bench: Bench) -> Found:
    """What the card and its driver cards together show to be wrong, as (key path, what, mend)."""
    for name, part in bench.card.instruments.items():
        yield from _instrument_problems(bench, name, part)
    yield from _shared_addresses(bench)
    seen: dict[str, str] = {}
    for name, part in bench.card.instruments.items():
        if twin := _twin(bench, name, seen):
            what = f"{part.role!r} is also the role of {twin!r}, another {part.klass}: all their channels have one name"
            yield ("instruments", name, "role"), what, "trace the wires of both, and give each its own role"
            continue
        for place in bench.placed(name):
            here: KeyPath = ("instruments", name, "channels", place.quantity)
            if place.channel in seen:
                what = f"the channel {place.channel!r} also comes from {seen[place.channel]!r}"
                yield here, what, 'give one of them another name, or "" to leave it out'
            seen[place.channel] = name
    roles: dict[tuple[str, str], str] = {}
    for name, part in bench.card.instruments.items():
        for setting in bench.drivers[name].settings:
            if (part.role, setting) in roles:
                what = f"the setting {part.role}.{setting} also belongs to {roles[part.role, setting]!r}"
                yield ("instruments", name, "role"), what, "give one of them another role"
            roles[part.role, setting] = name
    interlock = bench.card.interlock
    if interlock and interlock not in bench.channel_units:
        yield (
            ("interlock",),
            f"no instrument reads {interlock!r}",
            "name a channel of an interlock instrument",
        )
    for name, text in bench.card.values.items():
        try:
            units.parse(text)
        except units.UnitError as error:
            yield ("values", name), error.what, error.mend
    yield from _safe_problems(bench)
    yield from _guard_problems(bench)


def _twin(bench: Bench, name: str, seen: dict[str, str]) -> str:
    """An earlier instrument of the same class whose channels have the very names of this one's; "" where there is none."""
    own = {place.channel for place in bench.placed(name)}
    others = {seen.get(channel, "") for channel in own}
    twin = others.pop() if len(others) == 1 else ""
    return twin if twin and bench.card.instruments[twin].klass == bench.card.instruments[name].klass else ""


def _instrument_problems(bench: Bench, name: str, part: InstrumentPart) -> Found:
    driver, here = bench.drivers[name], ("instruments", name)
    if driver.klass != part.klass:
        yield (
            (*here, "driver"),
            f"{part.driver!r} drives class {driver.klass}, not {part.klass}",
            "change either",
        )
    if part.address == "memory" and not bench.card.simulated:
        yield (*here, "address"), "is memory, on a bench that is not simulated", "give its real address"
    if "{port" in part.address and bench.card.served is None:
        yield (*here, "address"), "uses {port}, and the card has no [served]", "add [served] with port_base"
    wanted = {"visa": ("::",), "serial": ("serial:", "socket:"), "modbus": ("modbus:", "rtu:")}[
        driver.link.kind
    ]
    if part.address != "memory" and not any(mark in part.address for mark in wanted):
        yield (
            (*here, "address"),
            f"does not suit the driver's {driver.link.kind} link",
            f"it has {' or '.join(wanted)}",
        )
    read = set(driver.quantities())
    for key in ("channels", "ratio", "accuracy", "largest"):
        for quantity in getattr(part, key):
            if quantity not in read:
                known = ", ".join(sorted(read)) or "nothing"
                yield (*here, key, quantity), f"its driver reads no {quantity!r}", f"it reads: {known}"
    for quantity in set(part.reversed) - read:
        yield (*here, "reversed"), f"its driver reads no {quantity!r}", "name quantities that it reads"
    for quantity, channel in part.channels.items():
        if channel:
            try:
                dotted(channel)
            except Mended as error:
                yield (*here, "channels", quantity), error.what, error.mend
    if part.period == 0 and driver.reads:
        yield (
            (*here, "period"),
            "is missing, so nothing would read this instrument",
            'give period = "200 ms", say',
        )
    if 0 < part.frozen_after <= 2 * max(part.update, part.period):
        mend = "give several times the longer of period and update, or leave it out"
        yield (*here, "frozen_after"), "is so short that an honest display would count as frozen", mend
    for quantity in set(part.accuracy) & read:
        accuracy, unit = part.accuracy[quantity], driver.kind.reads[quantity].unit
        yield from _accuracy_problems((*here, "accuracy", quantity), accuracy, unit)
    for quantity, text in part.largest.items():
        if quantity in read:
            yield from _quantity_problems(
                (*here, "largest", quantity), text, driver.kind.reads[quantity].unit
            )
    for setting, limits in part.limits.items():
        known_setting = driver.kind.settings.get(setting)
        if setting not in driver.settings or known_setting is None:
            yield (
                (*here, "limits", setting),
                "its driver has no such setting",
                f"it has: {', '.join(driver.settings)}",
            )
            continue
        for text in limits:
            yield from _quantity_problems((*here, "limits", setting), text, known_setting.unit)
    if part.inputs and driver.capture is None:
        yield (*here, "inputs"), "belongs to waveform recorders", "remove it"
    if driver.capture is not None:
        for number, plug in part.inputs.items():
            where: KeyPath = (*here, "inputs", number)
            if not number.isdigit() or not 1 <= int(number) <= driver.capture.inputs:
                yield (
                    where,
                    "is no input of this recorder",
                    f"inputs are numbered 1 to {driver.capture.inputs}",
                )
            if plug.ratio == 0:
                yield (*where, "ratio"), "is zero", "give the probe or clamp ratio"
            wired_unit = bench.channel_units.get(plug.channel)
            if wired_unit is not None:
                yield from _accuracy_problems(where, plug, wired_unit)
        wired = [plug.channel for plug in part.inputs.values()]
        for channel in sorted({c for c in wired if wired.count(c) > 1}):
            yield (*here, "inputs"), f"{channel!r} is on two inputs", "leave one of them out"
    if part.calibrated and part.due and part.due <= part.calibrated:
        yield (*here, "due"), "is not after the calibration", "check both dates"


def _shared_addresses(bench: Bench) -> Found:
    """Two instruments at one place: each would read, and set, what the card says of the other."""
    base = bench.card.served.port_base if bench.card.served else 0
    met: list[tuple[places.Place, str]] = []
    for name, part in bench.card.instruments.items():
        here = places.place(part.at(base))
        if here is None:
            continue
        earlier = next((other for place, other in met if places.same(place, here)), "")
        if earlier:
            yield (
                ("instruments", name, "address"),
                f"{name} is at the address of {earlier} ({bench.card.instruments[earlier].address})",
                f"give each its own address: `benchrunner find` tells who answers where; if {name} and {earlier} are "
                "one instrument, keep one of the two",
            )
        met.append((here, name))


def _safe_problems(bench: Bench) -> Found:
    ids = [part.id for part in bench.card.safe]
    for index, part in enumerate(bench.card.safe):
        here: KeyPath = ("safe", index)
        if ids.count(part.id) > 1:
            yield (*here, "id"), f"{part.id!r} is used twice", "give each its own"
        for key in ("set", "fallback"):
            pair = getattr(part, key)
            if pair is None:
                continue
            setting, value = pair
            if setting not in bench.settings:
                yield (
                    (*here, key),
                    f"no instrument has {setting!r}",
                    f"there are: {', '.join(sorted(bench.settings))}",
                )
                continue
            try:
                number = bench.setting_value(setting, value)
            except Mended as error:
                yield (*here, key), error.what, error.mend
                continue
            low, high = bench.allowed(setting)
            if not low <= number <= high:
                unit = bench.setting_unit(setting)
                yield (
                    (*here, key),
                    f"{setting} cannot be {number:g} {unit}",
                    f"it takes {low:g} to {high:g} {unit}",
                )
        confirmed = bench.channel_units.get(part.confirm.channel)
        if confirmed is None:
            yield _unread(bench, (*here, "confirm"), part.confirm.channel)
        else:
            if part.confirm.above is None and part.confirm.below is None:
                yield (*here, "confirm"), "has no bound", "give above or below"
            for text in (part.confirm.above, part.confirm.below):
                if text is not None:
                    yield from _quantity_problems((*here, "confirm"), text, confirmed)
        if part.when is not None:
            waited = bench.channel_units.get(part.when.channel)
            if waited is None:
                yield _unread(bench, (*here, "when"), part.when.channel)
            else:
                yield from _quantity_problems((*here, "when"), part.when.below, waited)
            if part.at_latest == 0:
                yield (
                    here,
                    "waits for a reading without at_latest",
                    "a reading may never come: give at_latest",
                )


def _guard_problems(bench: Bench) -> Found:
    for index, part in enumerate(bench.card.guards):
        here: KeyPath = ("guards", index)
        unit = bench.channel_units.get(part.channel)
        if unit is None:
            yield _unread(bench, (*here, "channel"), part.channel)
            continue
        if part.low is None and part.high is None:
            yield here, "has no bound", "give low or high"
        for key in ("low", "high"):
            if (text := getattr(part, key)) is not None:
                yield from _quantity_problems((*here, key), text, unit)


def _unread(bench: Bench, path: KeyPath, channel: str) -> tuple[KeyPath, str, str]:
    """A channel that no instrument reads; the mend tells how a meter's quantity gets its name."""
    quantity = channel.rpartition(".")[2]
    near = sorted(name for name in bench.channel_units if name.rpartition(".")[2] == quantity)
    mend = (
        f"there are: {', '.join(near or sorted(bench.channel_units)[:MOST_NAMED]) or 'none'}; or give the meter that "
        f'measures it, under [instruments.NAME.channels], the line {quantity} = "{channel}"'
    )
    return path, f"no instrument reads {channel!r}", mend


def _quantity_problems(path: KeyPath, text: str, unit: str) -> Found:
    try:
        si(text, unit)
    except Mended as error:
        yield path, error.what, error.mend


def _accuracy_problems(path: KeyPath, accuracy: Accuracy, unit: str) -> Found:
    for text in (accuracy.of_range, accuracy.resolution):
        if text is not None:
            yield from _quantity_problems(path, text, unit)


def fit_bench(document: Document, driver_documents: dict[str, Document] | None = None) -> Bench:
    """The bench in a document; driver cards are looked up by name unless given. Raises `Refused` with every problem."""
    card = reading.fit(document, BenchCard)
    documents = dict(driver_documents or {})
    cards: dict[str, DriverCard] = {}
    problems: list[Problem] = []
    for name, part in card.instruments.items():
        if part.driver in cards:
            continue
        try:
            if part.driver not in documents:
                documents[part.driver] = reading.load(data.find(part.driver, "drivers"))
            cards[part.driver] = fit_driver(documents[part.driver])
        except Refused as error:
            if not documents.get(part.driver):
                where = ("instruments", name, "driver")
                mend = error.problems[0].mend
                problems.append(document.problem(where, f"there is no driver card {part.driver!r}", mend))
            else:
                problems.extend(error.problems)
    if problems:
        raise Refused(problems)
    drivers = {name: cards[part.driver] for name, part in card.instruments.items()}
    bench = Bench(card, drivers, document, documents)
    problems = [document.problem(path, what, mend) for path, what, mend in bench_problems(bench)]
    if problems:
        raise Refused(problems)
    return bench


def read_bench(path: Path | str) -> Bench:
    """The bench in a file, joined with its driver cards. Raises `Refused` with every problem."""
    return fit_bench(reading.load(path))
