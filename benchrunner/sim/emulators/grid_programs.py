"""A program inside a grid source: sag, swell or ramp, armed and triggered, carried out by the source's own clock.

`EXCursion:VOLTage <V>` and `EXCursion:FREQuency <Hz>` (0: stays) say where it goes, `...:SLEW` how fast (0: at once), and
`EXCursion:DURation <s>` how long from the trigger until it begins to return. `EXCursion:ARM ON`, then `EXCursion:TRIGger ON`;
`EXCursion:TRIGger?` -> 1 once it was triggered. OFF for either, or any new voltage or frequency, ends it.
"""

import math
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from benchrunner.sim.emulators.parameters import Number, ScpiError, Switch
from benchrunner.sim.emulators.scpi import Command

MOST_STEPS = 2000  # of a voltage ramp
LONGEST = 3600.0  # s
LEAST_FREQUENCY = 40.0  # Hz
# header -> name, range, unit, places behind the point
NUMBERS: dict[str, tuple[str, float, float, str, int]] = {
    "EXCursion:VOLTage": ("voltage", 0.0, 500.0, "V", 2),
    "EXCursion:VOLTage:SLEW": ("rate", 0.0, 1e6, "", 1),
    "EXCursion:FREQuency": ("frequency", 0.0, 70.0, "HZ", 3),
    "EXCursion:FREQuency:SLEW": ("frequency_rate", 0.0, 20.0, "", 2),
    "EXCursion:DURation": ("duration", 0.0, LONGEST, "S", 4),
}
Base = Callable[[], tuple[float, float, float]]


class GridProgram:
    """The program of one source. `base` tells voltage, frequency and frequency rate outside the program."""

    def __init__(self, plant: Any, owner: str, base: Base) -> None:
        self.plant, self.owner, self.base = plant, owner, base
        self.values = {
            "voltage": base()[0],
            "rate": 0.0,
            "frequency": 0.0,
            "frequency_rate": 0.0,
            "duration": 0.0,
        }
        self.armed = self.triggered = False

    def commands(self) -> Iterable[Command]:
        """Its commands, below `[SOURce]`."""
        for header, (name, low, high, unit, places) in NUMBERS.items():
            number = Number(low=low, high=high, unit=unit)
            yield Command(f"[SOURce]:{header}", partial(self._set, name, places), number)
            yield Command(f"[SOURce]:{header}?", partial(self._ask, name, places))
        yield Command("[SOURce]:EXCursion:ARM", self._arm, Switch())
        yield Command("[SOURce]:EXCursion:ARM?", lambda: str(int(self.armed)))
        yield Command("[SOURce]:EXCursion:TRIGger", self._trigger, Switch())
        yield Command("[SOURce]:EXCursion:TRIGger?", lambda: str(int(self.triggered)))

    def _set(self, name: str, places: int, value: float) -> None:
        if self.armed:
            raise ScpiError(-221, "disarm it first")
        if name == "frequency" and 0.0 < value < LEAST_FREQUENCY:
            raise ScpiError(-222)
        self.values[name] = round(value, places)

    def _ask(self, name: str, places: int) -> str:
        return f"{self.values[name]:.{places}f}"

    def _arm(self, on: bool) -> None:
        if not on:
            self.end()
            return
        if not hasattr(self.plant, "agenda"):
            raise ScpiError(-241)
        if self.plant.agenda.waits(self.owner):
            raise ScpiError(-221, "it runs")
        voltage, frequency = self._ramps()
        if max(voltage, frequency) > self.values["duration"]:
            raise ScpiError(-221, "it would have to return before it has come there")
        self.armed, self.triggered = True, False

    def _ramps(self) -> tuple[float, float]:
        """How long voltage and frequency take to come there, s."""
        base_voltage, base_frequency, _ = self.base()
        v = self.values
        volts = abs(v["voltage"] - base_voltage)
        hertz = abs(v["frequency"] - base_frequency) if v["frequency"] else 0.0
        return (
            volts / v["rate"] if v["rate"] else 0.0,
            hertz / v["frequency_rate"] if v["frequency_rate"] else 0.0,
        )

    def _trigger(self, on: bool) -> None:
        if not on:
            self.end()
            self.triggered = False
            return
        if not self.armed:
            raise ScpiError(-211)
        self.armed, self.triggered = False, True
        base_voltage, base_frequency, base_rate = self.base()
        v, now = self.values, float(self.plant.now)
        back = now + v["duration"]
        voltage_time, frequency_time = self._ramps()
        self._ramp(now, base_voltage, v["voltage"], voltage_time)
        self._ramp(back, v["voltage"], base_voltage, voltage_time)
        if v["frequency"]:
            add = partial(self.plant.agenda.add, self.owner)
            add(now, "grid.frequency_rate", v["frequency_rate"])
            add(now, "grid.frequency", v["frequency"])
            add(back, "grid.frequency", base_frequency)
            add(back + frequency_time, "grid.frequency_rate", base_rate)
        for _, name, value in self.plant.agenda.due(now):  # what comes at once
            self.plant.set(name, value)

    def _ramp(self, begin: float, first: float, last: float, takes: float) -> None:
        if first == last:
            return
        steps = min(MOST_STEPS, max(1, math.ceil(takes / self.plant.step)))
        for k in range(1, steps + 1):
            value = last if k == steps else first + (last - first) * k / steps
            self.plant.agenda.add(self.owner, begin + takes * k / steps, "grid.voltage", round(value, 4))

    def end(self, voltage: bool = True) -> None:
        """End it at once and put back what it moved; `voltage` False: whoever ends it sets the voltage."""
        self.armed = False
        if not hasattr(self.plant, "agenda") or not self.plant.agenda.drop(self.owner):
            return
        base_voltage, base_frequency, base_rate = self.base()
        if voltage:
            self.plant.set("grid.voltage", base_voltage)
        self.plant.set("grid.frequency_rate", base_rate)
        self.plant.set("grid.frequency", base_frequency)
