"""A waveform recorder on the simulated plant: inputs, a trigger on a measured edge, a record, block data.

Its pre-trigger memory always runs, as with recorders that keep sampling while they wait. All of it happens
in plant time: the record is complete once the plant has passed trigger + span, however fast the plant is
moved along.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.sim.compiled import compiled
from benchrunner.sim.emulators import draws
from benchrunner.sim.emulators.base import ScpiEmulator
from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import Choice, Number, ScpiError, Switch, block
from benchrunner.sim.emulators.scpi import Command

INPUTS = 8
BITS = 14  # of the converter; codes are sent as int16
LONGEST_RECORD = 10.0  # s, before and span together
MOST_POINTS = 1_900_000  # of one input: what one block reply may hold
ALIASES = {"battery_inverter.current": "bus.current", "battery_inverter.voltage": "bus.voltage"}
RANGES = {"bus.voltage": 800.0, "grid.voltage": 800.0, "battery.voltage": 100.0, "battery.current": 500.0}
CURRENT_RANGE = 150.0  # A, of the clamps on the AC side
NOISE = 1e-4  # standard deviation, as a fraction of the range
GAIN_ERROR, OFFSET_ERROR = 5e-4, 5e-5  # limits of the fixed errors: of reading, of range
CLIPPED = ("peak", "lowest", "half_cycle_maximum", "half_cycle_minimum", "rms", "energy", "gap", "thd")


def _alias(channel: str) -> str:
    """The wave's own name of a channel, of whichever phase."""
    for name, own in ALIASES.items():
        if channel == name or channel.startswith(f"{name}_"):
            return own + channel[len(name) :]
    return channel


@compiled
def _digitise(samples, key, first, gain, offset, noise, step, top, codes):  # type: ignore[no-untyped-def]
    """Codes of the converter; returns how many samples were outside its range. `first`: number of the first sample."""
    outside = 0
    for k in range(samples.shape[0]):
        shown = samples[k] * (1.0 + gain) + offset + noise * draws_normal(key, first + np.uint64(k))
        code = math.floor(shown / step + 0.5)
        if code > top:
            code, outside = top, outside + 1
        elif code < -top:
            code, outside = -top, outside + 1
        codes[k] = code
    return outside


draws_normal = draws.normal


@dataclass
class Record:
    """One finished capture. Times in plant seconds; `codes[input]` are the converter's."""

    start: float
    trigger: float
    armed: float
    rate: float
    codes: dict[int, npt.NDArray[np.int16]]
    steps: dict[int, float]
    lacks: tuple[str, ...]
    prescribed: dict[int, tuple[str, ...]]  # input -> what of it is not computed: noise, harmonics


class _Job:
    """One capture to be computed, from a copy of what the plant knows: it may be done in another thread."""

    def __init__(
        self,
        compute: Callable[[], tuple[npt.NDArray[np.float64], tuple[str, ...]]],
        first: int,
        prescribed: tuple[str, ...],
    ) -> None:
        self._compute, self.first, self.prescribed = compute, first, prescribed
        self.samples: npt.NDArray[np.float64] | None = None
        self.lacks: tuple[str, ...] = ()
        self.error: Exception | None = None

    @property
    def done(self) -> bool:
        return self.samples is not None or self.error is not None

    def run(self) -> None:
        """Compute the samples; what fails is kept and raised where it is asked for."""
        try:
            samples, self.lacks = self._compute()
            self.samples = samples
        except Exception as error:
            self.error = error


class Scope(ScpiEmulator):
    """The recorder. `options.inputs` tells what each input is wired to; `options.own` may set `bits` and `noise`."""

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        wired = options.inputs or dict(enumerate(("bus.voltage", "battery.voltage", "battery.current"), 1))
        self.wired = {n: channel for n, channel in wired.items() if 1 <= n <= INPUTS}
        self.inputs = {n: _alias(channel) for n, channel in self.wired.items()}
        self.bits = int(min(16.0, max(8.0, options.number("bits", BITS))))
        self.reset()
        super().__init__(plant, name, options, seed)

    # -- settings
    # -------------------------------------------------------------------------------------------------

    def reset(self) -> None:
        """`*RST`: to the power-on settings; a record that is being made is given up."""
        self.rate, self.before, self.span = 20_000.0, 0.2, 1.0
        self.on = {n: False for n in range(1, INPUTS + 1)}
        self.source, self.change = 1, 10.0
        self.state = "IDLE"
        self.record: Record | None = None
        self._armed = self._looked = 0.0
        self._edge: float | None = None
        self._job: _Job | None = None

    def _range(self, number: int) -> float:
        channel = self.inputs[number]
        usual = RANGES.get(channel, RANGES.get(channel.rpartition("_")[0], CURRENT_RANGE))
        return self.options.number(f"{channel}_range", usual)

    def _set(self, name: str, value: float) -> None:
        self._refuse_while_waiting()
        setattr(self, name, value)

    def _refuse_while_waiting(self) -> None:
        if self._follow() == "WAIT":
            raise ScpiError(-221, "a record is being made")

    def _switch(self, number: int, on: bool) -> None:
        self._refuse_while_waiting()
        if on and number not in self.inputs:
            raise ScpiError(-241, f"input {number} is not wired")
        self.on[number] = on

    def _trigger_source(self, word: str) -> None:
        self._refuse_while_waiting()
        self.source = int(word[3:] or 1)

    # -- trigger and record
    # ---------------------------------------------------------------------------------------

    def _initiate(self) -> None:
        from benchrunner.sim.wave import CHANNELS, PHASE_CHANNELS

        if self._follow() == "WAIT":
            raise ScpiError(-213)
        if self.before + self.span > LONGEST_RECORD or (self.before + self.span) * self.rate > MOST_POINTS:
            raise ScpiError(-221, f"at most {LONGEST_RECORD:g} s and {MOST_POINTS} points")
        used = [n for n in self.on if self.on[n]]
        if not used or self.source not in self.inputs:
            raise ScpiError(-221, "switch inputs on and choose a wired trigger source")
        known = (*CHANNELS, *PHASE_CHANNELS)
        unknown = [self.inputs[n] for n in (*used, self.source) if self.inputs[n] not in known]
        if unknown:
            raise ScpiError(-241, f"no wave of {unknown[0]}")
        self.record, self._edge, self._job = None, None, None
        self._armed = self._looked = self.plant.now
        self.state = "WAIT"

    def _abort(self) -> None:
        self.state = "IDLE"
        self._edge = self._job = None

    def preparation(self) -> Callable[[], None] | None:
        if self.state != "WAIT":
            return None
        try:
            self._job = self._job or self._due()
        except (LookupError, ValueError):
            return None  # told when it is asked for
        return self._job.run if self._job is not None and not self._job.done else None

    def _follow(self) -> str:
        """Bring the state up to the plant's time."""
        if self.state == "WAIT":
            try:
                self._look()
            except LookupError:
                self._abort()
                self.scpi.report(-230, "the plant has moved past the record's span")
        return self.state

    def _due(self) -> _Job | None:
        """The capture that is to be computed now, if its trigger came and its span is over. Raises `LookupError`."""
        from benchrunner.sim.wave import edge_after, waveform
        from benchrunner.sim.wave.capture import envelope_for, prescribed

        # the plant's grid, not the moment of asking, says how far one can see
        now = math.floor(self.plant.now / self.plant.step + 1e-7) * self.plant.step
        if self._edge is None:
            self._edge = edge_after(self.plant, self.inputs[self.source], self.change, self._looked, now)
            self._looked = max(self._looked, now)
        if self._edge is None or now < self._edge + self.span:
            return None
        first = max(0, math.ceil((self._edge - self.before) * self.rate))
        last = math.floor((self._edge + self.span) * self.rate)
        names = tuple(self.inputs[n] for n in self.on if self.on[n])
        start, rate, count = first / self.rate, self.rate, last - first + 1
        stop = start + (count - 1) / rate
        envelope = envelope_for(self.plant, start, stop)
        parts = prescribed(envelope, names, start, stop)
        return _Job(lambda: waveform(envelope, names, start, rate, count), first, parts)

    def _look(self) -> None:
        job = self._job = self._job or self._due()
        if job is None:
            return
        if not job.done:
            job.run()
        first, samples, lacks = job.first, job.samples, job.lacks
        if isinstance(job.error, ValueError):  # a phase that this bus has not
            self._abort()
            self.scpi.report(-241, str(job.error))
            return
        if samples is None:
            assert job.error is not None
            raise job.error
        used = [n for n in self.on if self.on[n]]
        assert self._edge is not None
        # as the bench card names what is wired
        told = {self.inputs[n]: self.wired[n] for n in used}
        lacks = tuple(" ".join(told.get(word, word) for word in lack.split()) for lack in lacks)
        top = 2 ** (self.bits - 1) - 1
        codes: dict[int, npt.NDArray[np.int16]] = {}
        steps: dict[int, float] = {}
        outside = 0
        parts: dict[int, tuple[str, ...]] = {}
        for row, number in enumerate(used):
            full = self._range(number)
            steps[number] = full / (top + 1)
            codes[number] = np.empty(samples.shape[1], dtype=np.int16)
            fixed = draws.key(self.seed, self.name, f"{self.inputs[number]} fixed error")
            gain, offset = (2.0 * draws.uniform(fixed, k) - 1.0 for k in (0, 1))
            noise = self.options.number("noise", NOISE) * full
            parts[number] = tuple(part for part in ("noise" if noise else "", job.prescribed[row]) if part)
            key = np.uint64(draws.key(self.seed, self.name, self.inputs[number]))
            errors = (gain * GAIN_ERROR, offset * OFFSET_ERROR * full, noise)
            outside += _digitise(
                samples[row], key, np.uint64(first), *errors, steps[number], top, codes[number]
            )
        if outside:
            lacks = (*lacks, *(name for name in CLIPPED if name not in lacks))
        self.record = Record(
            first / self.rate, self._edge, self._armed, self.rate, codes, steps, lacks, parts
        )
        self.state = "DONE"

    def _of(self, word: str) -> tuple[Record, int]:
        self._follow()
        number = int(word[3:] or 1)
        if self.record is None or self.state != "DONE":
            raise ScpiError(-230, "there is no finished record")
        if number not in self.record.codes:
            raise ScpiError(-221, f"input {number} was off")
        return self.record, number

    def _preamble(self, word: str) -> str:
        """points, start, rate, trigger, scale, offset; start and trigger in seconds since INITiate."""
        record, number = self._of(word)
        start, trigger = record.start - record.armed, record.trigger - record.armed
        points = len(record.codes[number])
        return f"{points},{start:.9f},{record.rate:.12g},{trigger:.9f},{record.steps[number]:.12g},0"

    def _data(self, word: str) -> bytes:
        record, number = self._of(word)
        return block(record.codes[number].astype(">i2").tobytes())

    def _lacks(self) -> str:
        self._follow()
        if self.record is None:
            raise ScpiError(-230, "there is no finished record")
        return '"' + ",".join(self.record.lacks) + '"'

    def _prescribed(self, word: str) -> str:
        record, number = self._of(word)
        return '"' + ",".join(record.prescribed[number]) + '"'

    # -- language
    # -------------------------------------------------------------------------------------------------

    def commands(self) -> list[Command]:
        """The recorder's own commands."""
        an_input = Choice(words=("INPut",), last_number=INPUTS)
        rate = Number(low=10_000.0, high=200_000.0, unit="HZ")
        return [
            Command("RECord:RATE", lambda v: self._set("rate", v), rate),
            Command("RECord:RATE?", lambda: f"{self.rate:.12g}"),
            Command("RECord:BEFore", lambda v: self._set("before", v), Number(low=0.0, high=5.0, unit="S")),
            Command("RECord:BEFore?", lambda: f"{self.before:.9g}"),
            Command(
                "RECord:SPAN",
                lambda v: self._set("span", v),
                Number(low=1e-3, high=LONGEST_RECORD, unit="S"),
            ),
            Command("RECord:SPAN?", lambda: f"{self.span:.9g}"),
            Command("INPut<n>:STATe", self._switch, Switch(), last_number=INPUTS),
            Command("INPut<n>:STATe?", lambda n: str(int(self.on[n])), last_number=INPUTS),
            Command("TRIGger:SOURce", self._trigger_source, an_input),
            Command("TRIGger:SOURce?", lambda: f"INP{self.source}"),
            Command("TRIGger:CHANge", lambda v: self._set("change", v), Number(low=1e-6, high=1e6)),
            Command("TRIGger:CHANge?", lambda: f"{self.change:.9g}"),
            Command("INITiate[:IMMediate]", self._initiate),
            Command("ABORt", self._abort),
            Command("TRIGger:STATe?", self._follow),
            Command("TRACe:PREamble?", self._preamble, an_input),
            Command("TRACe:DATA?", self._data, an_input),
            Command("TRACe:LACKs?", self._lacks),
            Command("TRACe:PREScribed?", self._prescribed, an_input),
        ]
