"""The measuring part of a simulated instrument: averages the plant over its window, errs, rounds and formats.

A value depends on the plant's past, the seed, the instrument, the quantity and the number of the meter's update, and
on nothing else; so the same bench gives the same values in memory and over any link.
"""

import math
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from benchrunner.sim.compiled import compiled
from benchrunner.sim.emulators import draws
from benchrunner.sim.emulators.options import Options

AC_SHOWN = ("voltage", "current", "power", "apparent_power", "reactive_power", "power_factor", "frequency")
AC_TAPPED = ("voltage", "current", "power", "frequency")
LEAST_VOLTAGE = 20.0  # V; below it an AC meter cannot lock on to a frequency
OVERLOAD, NOT_AVAILABLE = "9.9E37", "9.91E37"
Values = npt.NDArray[np.float64]
draws_normal = draws.normal  # a kernel can call only what it sees as a name of this module


class Plant(Protocol):
    """What an emulator uses of the plant."""

    taps: tuple[str, ...]
    step: float

    @property
    def now(self) -> float: ...

    def value(self, tap: str) -> float: ...

    def set(self, name: str, value: float) -> None: ...

    def setting(self, name: str) -> float: ...

    def window_mean(self, taps: npt.NDArray[np.int64], t_from: float, t_to: float) -> Values: ...

    def window(self, t_from: float, t_to: float) -> tuple[int, int]: ...


# columns of the parameter table, one row for each shown quantity
GAIN, OFFSET, OF_READING, OF_RANGE, RESOLUTION, LARGEST, FACTOR, UNSIGNED, SCALE, PLACES = range(10)
TAP, PRESENT, KEY = range(3)  # rows of the plan, one column for each tapped quantity
LONGEST_NUMBER = 24  # bytes: sign, 16 digits, the point, the comma, and some to spare
MINUS, POINT, COMMA, ZERO = b"-.,0"
OVER, NONE = np.frombuffer(OVERLOAD.encode(), np.uint8), np.frombuffer(NOT_AVAILABLE.encode(), np.uint8)


@compiled
def _mean(ring: Any, first: int, last: int, tap: int) -> float:
    """Mean of a tap over the plant's steps first..last."""
    length = ring.shape[0]
    total = 0.0
    for n in range(first, last + 1):
        total += ring[n % length, tap]
    return float(total / (last - first + 1))


@compiled
def _mean_alive(ring: Any, first: int, last: int, tap: int) -> float:
    """Mean of a frequency over the steps at which there is one; 0 where it is missing for more than half of them.

    A meter counts the cycles that are there: a gap of some milliseconds does not pull the frequency towards zero.
    """
    length = ring.shape[0]
    total, alive = 0.0, 0
    for n in range(first, last + 1):
        value = ring[n % length, tap]
        if value > 0.0:
            total += value
            alive += 1
    return float(total / alive) if 2 * alive > last - first + 1 else 0.0


@compiled
def _average(ring: Any, first: int, last: int, plan: Any, alternating: bool, means: Any) -> None:
    """The mean of each tapped quantity; the fourth of an AC meter is its frequency."""
    for k in range(means.shape[0]):
        if alternating and k == 3:
            means[k] = _mean_alive(ring, first, last, plan[TAP, k])
        else:
            means[k] = _mean(ring, first, last, plan[TAP, k])


@compiled
def _read(update: Any, means: Any, plan: Any, table: Any, out: Any) -> int:
    """Displayed values into `out`; 0 where all are plain numbers, 1 where one is not."""
    count = means.shape[0]
    alternating = out.shape[0] != count
    odd = 0
    for k in range(count):
        row = k if not alternating or k < 3 else 6
        if not plan[PRESENT, k]:
            out[row] = np.nan
            continue
        true = means[k]
        if abs(true) > table[row, LARGEST]:
            out[row] = np.inf
            continue
        limit = table[row, OF_READING] * abs(true) + table[row, OF_RANGE]
        noise = draws_normal(np.uint64(plan[KEY, k]), np.uint64(update))
        shown = true * (1.0 + table[row, GAIN]) + table[row, OFFSET] + limit * noise
        out[row] = max(0.0, shown) if table[row, UNSIGNED] else shown
    if alternating:
        voltage, current, power = out[0], out[1], out[2]
        if math.isinf(voltage) or math.isinf(current):
            if plan[PRESENT, 2]:
                out[2] = np.inf
            out[3] = out[4] = out[5] = np.inf
        else:
            apparent = abs(voltage * current)
            out[3] = apparent
            out[4] = math.sqrt(max(0.0, apparent * apparent - power * power))
            out[5] = max(-1.0, min(1.0, power / apparent)) if apparent > 1.0 else np.nan
            if math.isnan(power) or math.isnan(apparent):
                out[4] = out[5] = np.nan
        if (not math.isnan(voltage) and abs(voltage) < 20.0) or means[3] <= 0.0:
            out[6] = np.nan
    for row in range(out.shape[0]):
        value = out[row]
        if math.isnan(value) or math.isinf(value):
            odd = 1
            continue
        digit = table[row, RESOLUTION]
        out[row] = math.floor(value * table[row, FACTOR] / digit + 0.5) * digit
    return odd


@compiled
def _write(table: Any, out: Any, text: Any) -> int:
    """The values as decimal numbers with commas between, into `text`; their length, 0 where one cannot be written so.

    Each value is a whole number of its last shown digit, so that writing that whole number is exact.
    """
    end = 0
    for row in range(out.shape[0]):
        if row:
            text[end] = COMMA
            end += 1
        if math.isnan(out[row]) or math.isinf(out[row]):
            word = NONE if math.isnan(out[row]) else OVER
            text[end : end + word.shape[0]] = word
            end += word.shape[0]
            continue
        scaled = out[row] * table[row, SCALE]
        whole = np.rint(scaled)
        if not abs(scaled - whole) < 1e-3 or abs(whole) > 1e15:
            return 0
        left = int(whole)
        if left < 0:
            text[end] = MINUS
            end += 1
            left = -left
        places = int(table[row, PLACES])
        digits = places + 1
        tens = int(table[row, SCALE]) * 10
        while left >= tens:
            tens *= 10
            digits += 1
        k = end + digits + (1 if places else 0)
        end = k
        for place in range(digits):
            if place == places and places:
                k -= 1
                text[k] = POINT
            k -= 1
            text[k] = ZERO + left % 10
            left //= 10
    return end


@compiled
def _show(
    ring: Any, first: int, last: int, update: int, plan: Any, table: Any, means: Any, out: Any, text: Any
) -> int:
    """Average, read and write in one go: the length of the reply in `text`, 0 where it has to be written otherwise."""
    _average(ring, first, last, plan, out.shape[0] != means.shape[0], means)
    _read(update, means, plan, table, out)
    return int(_write(table, out, text))


class Crossed(NamedTuple):
    """An element whose clamp sits on another conductor than its voltage lead: active power of voltage there and current here.

    `power`, `voltage`: its places among the tapped quantities; `taps`: voltage at the clamp's conductor and the reactive
    power of the whole circuit, taken as spread evenly; `cosine`, `sine` of the nominal angle from that voltage to its own.
    """

    power: int
    voltage: int
    taps: npt.NDArray[np.int64]
    cosine: float
    sine: float
    phases: int


class Meter:
    """Reads some of the plant's taps. `shown`: the quantities in a reply's order; AC meters derive three of them."""

    def __init__(
        self,
        plant: Plant,
        name: str,
        options: Options,
        seed: int,
        shown: tuple[str, ...],
        part: str = "",
        unsigned: tuple[str, ...] = (),
    ) -> None:
        self.shown, self.unsigned = shown, unsigned  # unsigned: RMS values, which no error makes negative
        self.update, self.window = options.update, options.window
        self._plant = plant
        self._alternating = shown == AC_SHOWN
        tapped = AC_TAPPED if self._alternating else shown
        found = [tap_of(plant, options, quantity, part) for quantity in tapped]
        places = {tap: place for place, tap in enumerate(plant.taps)}
        keys = np.array([draws.key(seed, name, quantity) for quantity in tapped], dtype=np.uint64)
        self._plan = np.array(
            [[places[tap] if tap else 0 for tap in found], [bool(tap) for tap in found], keys.view(np.int64)],
            dtype=np.int64,
        )
        self._taps = self._plan[TAP]
        self._table = np.array([self._row(options, seed, name, quantity) for quantity in shown])
        self._means, self._out = np.empty(len(tapped)), np.empty(len(shown))
        self._template = ",".join(f"%.{int(row[PLACES])}f" for row in self._table)
        self._written = bytearray(LONGEST_NUMBER * len(shown))
        self._bytes = np.frombuffer(self._written, dtype=np.uint8)
        self._ring: Values | None = getattr(plant, "ring", None)
        self._step = options.update or plant.step
        # a meter's updates do not keep step with the bench: they begin at a time of its own
        self._phase = (0.1 + 0.8 * draws.uniform(draws.key(seed, name, "updates"), 0)) * options.update
        self._last, self._reply = -2, b""
        # a clamp round another conductor: its current meets this meter's own voltage
        foreign = str(options.own.get("clamp_voltage_tap", ""))
        self._foreign = np.array([places[foreign]], dtype=np.int64) if foreign in places else None
        self._crossed: list[Crossed] = []  # elements whose clamp and voltage lead sit on different conductors
        self.forced = ""  # a fault of the values: stuck, overload or missing

    def cross(self, one: Crossed) -> None:
        """From now on this element's power is that of two conductors."""
        self._crossed.append(one)

    def _row(self, options: Options, seed: int, name: str, quantity: str) -> list[float]:
        known = options.quantity(quantity)
        fixed = draws.key(seed, name, quantity + " fixed error")
        gain, offset = (2.0 * draws.uniform(fixed, k) - 1.0 for k in (0, 1))
        return [
            options.fixed * gain * known.of_reading,
            options.fixed * offset * known.of_range,
            options.noise * known.of_reading,
            options.noise * known.of_range,
            known.resolution * abs(known.factor),
            known.largest,
            known.factor,
            float(quantity in self.unsigned),
            10.0 ** decimals(known.resolution * abs(known.factor)),
            float(decimals(known.resolution * abs(known.factor))),
        ]

    @property
    def updates(self) -> int:
        """The number of the newest update at the plant's time; -1 before the first."""
        return math.floor((self._plant.now - self._phase) / self._step)

    def values(self, update: int | None = None) -> Values:
        """Displayed values in the order of `shown`: inf where overloaded, NaN where not available."""
        update = self.updates if update is None else update
        if update < 0 or self.forced == "missing":
            return np.full(len(self.shown), np.nan)
        if self.forced == "overload":
            return np.full(len(self.shown), np.inf)
        self._measure(update)
        return self._out.copy()

    def _measure(self, update: int) -> bool:
        """Displayed values of an update into `_out`. False where one of them is no plain number."""
        if self._ring is not None:
            first, last = self._plant.window(*self._window(update))
            _average(self._ring, first, last, self._plan, self._alternating, self._means)
        else:
            self._means[:] = self._plant.window_mean(self._taps, *self._window(update))
        if self._foreign is not None:
            there = float(self._plant.window_mean(self._foreign, *self._window(update))[0])
            self._means[2] *= self._means[0] / there if there > 1.0 else 0.0
        for one in self._crossed:
            there, reactive = self._plant.window_mean(one.taps, *self._window(update)).tolist()
            turned = one.cosine * self._means[one.power] - one.sine * reactive / one.phases
            self._means[one.power] = turned * self._means[one.voltage] / there if there > 1.0 else 0.0
        return not _read(update, self._means, self._plan, self._table, self._out)

    def _window(self, update: int) -> tuple[float, float]:
        end = self._phase + update * self._step
        return (max(0.0, end - self.window) if self.window else end), end

    def reply(self) -> bytes:
        """All values as the reply of a SCPI instrument, `9.9E37` for overload and `9.91E37` for not available."""
        update = math.floor((self._plant.now - self._phase) / self._step)
        if update == self._last:
            return self._reply
        if self.forced:
            if self.forced == "stuck" and self._reply:
                return self._reply
            if self.forced != "stuck":
                return ",".join(
                    [OVERLOAD if self.forced == "overload" else NOT_AVAILABLE] * len(self.shown)
                ).encode()
        self._last = update
        self._reply = self._fresh(update)
        return self._reply

    def _fresh(self, update: int) -> bytes:
        if update < 0:
            return ",".join([NOT_AVAILABLE] * len(self.shown)).encode()
        if self._ring is not None and self._foreign is None and not self._crossed:
            first, last = self._plant.window(*self._window(update))
            length = _show(
                self._ring, first, last, update, self._plan, self._table, self._means, self._out, self._bytes
            )
            if length:
                return bytes(self._written[:length])
        plain = self._measure(update)
        if plain:
            return (self._template % tuple(self._out.tolist())).encode()
        shown = zip(self._template.split(","), self._out.tolist(), strict=True)
        return ",".join(_shown(form, value) for form, value in shown).encode()

    def text(self) -> str:
        """The same as text."""
        return self.reply().decode("ascii")

    def one(self, quantity: str) -> str:
        """One value of the same reply."""
        return self.text().split(",")[self.shown.index(quantity)]

    def force(self, kind: str) -> None:
        """Force the values (a fault), or let them go again with an empty text."""
        if kind == "stuck" and self.forced != "stuck":
            self.text()
        if kind != self.forced:
            self.forced = kind
            self._last = self._last if kind == "stuck" else -2


def _shown(form: str, value: float) -> str:
    if math.isnan(value):
        return NOT_AVAILABLE
    return OVERLOAD if math.isinf(value) else form % value


def decimals(resolution: float) -> int:
    """Places behind the point that show one digit of `resolution`."""
    for places in range(10):
        if abs(round(resolution * 10**places) - resolution * 10**places) < 1e-6 * resolution * 10**places:
            return places
    return 10


def tap_of(plant: Plant, options: Options, quantity: str, part: str = "") -> str:
    """The plant's tap behind a quantity; empty where the plant has none.

    The card's channel comes first. Where that is no tap, the meter's other clamps and leads tell where it is wired:
    `bus.current` of a meter whose power is `battery_inverter.power` is `battery_inverter.current`.
    """
    channel = options.channels.get(quantity, "")
    named = str(options.own.get(f"{quantity}_tap", "")) or channel or f"{options.role}.{quantity}"
    if named in plant.taps:
        return named
    for other in ("power", "current", "voltage", "frequency"):
        neighbour = options.channels.get(other, "").partition(".")[0]
        if neighbour and f"{neighbour}.{quantity}" in plant.taps:
            return f"{neighbour}.{quantity}"
    return f"{part}.{quantity}" if f"{part}.{quantity}" in plant.taps else ""
