"""DC source and DC load. The plant has no terminals for them on its battery side, so each stands on an electrical model of
its own, declared on the bench card: a source on a resistance, a load on a voltage behind a resistance.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import replace

from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.metering import Meter, Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.own_model import ComputedTaps
from benchrunner.sim.emulators.parameters import Choice, Number, Switch
from benchrunner.sim.emulators.scpi import Command

HEADERS = {"voltage": ":VOLTage[:DC]", "current": ":CURRent[:DC]", "power": ":POWer[:DC]"}


class _DcInstrument(ScpiEmulator):
    """Its terminals' voltage and current follow from its settings; `*RST`: all settings zero, off."""

    shown = ("voltage", "current", "power")

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        self.voltage = self.current = self.power = 0.0
        self.resistance = 1000.0
        self.mode = "CURR"
        self.on = False
        own = {f"{quantity}_tap": f"own.{quantity}" for quantity in self.shown}
        super().__init__(plant, name, replace(options, own={**own, **options.own}), seed)

    def _meter(self, seed: int) -> Meter:
        taps = {
            "own.voltage": lambda: self.terminals()[0],
            "own.current": lambda: self.terminals()[1],
            "own.power": lambda: math.prod(self.terminals()),
        }
        return Meter(ComputedTaps(self.plant, taps), self.name, self.options, seed, self.shown)

    def terminals(self) -> tuple[float, float]:
        """Voltage (V) and current (A) at its terminals."""
        raise NotImplementedError

    def reset(self) -> None:
        self.voltage = self.current = self.power = 0.0
        self.resistance, self.mode, self.on = 1000.0, "CURR", False

    def _number(self, header: str, name: str, high: float, unit: str, low: float = 0.0) -> list[Command]:
        def take(value: float) -> None:
            setattr(self, name, value)

        def tell() -> str:
            return f"{getattr(self, name):.3f}"

        return [Command(header, take, Number(low=low, high=high, unit=unit)), Command(f"{header}?", tell)]

    def _switch(self, on: bool) -> None:
        self.on = on


class DcSource(_DcInstrument):
    """Holds its voltage into `load_resistance` (10 ohm unless the card says otherwise) up to its current limit."""

    def commands(self) -> Iterable[Command]:
        return [
            *readings(self, HEADERS),
            *self._number("[SOURce]:VOLTage", "voltage", 80.0, "V"),
            *self._number("[SOURce]:CURRent", "current", 120.0, "A"),
            Command("OUTPut[:STATe]", self._switch, Switch()),
            Command("OUTPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def terminals(self) -> tuple[float, float]:
        if not self.on:
            return 0.0, 0.0
        resistance = self.options.number("load_resistance", 10.0)
        current = min(self.voltage / resistance, self.current)
        return current * resistance, current


class DcLoad(_DcInstrument):
    """Draws from `source_voltage` (52 V) behind `source_resistance` (20 mohm): no more than that can give."""

    def commands(self) -> Iterable[Command]:
        modes = Choice(words=("CURRent", "POWer", "RESistance"))
        return [
            *readings(self, HEADERS),
            *self._number("[SOURce]:CURRent", "current", 120.0, "A"),
            *self._number("[SOURce]:POWer", "power", 6000.0, "W"),
            *self._number("[SOURce]:RESistance", "resistance", 1000.0, "OHM", 0.01),
            Command("[SOURce]:FUNCtion", self._choose, modes),
            Command("[SOURce]:FUNCtion?", lambda: self.mode),
            Command("INPut[:STATe]", self._switch, Switch()),
            Command("INPut[:STATe]?", lambda: str(int(self.on))),
        ]

    def _choose(self, mode: str) -> None:
        self.mode = mode

    def terminals(self) -> tuple[float, float]:
        source, inner = (
            self.options.number("source_voltage", 52.0),
            self.options.number("source_resistance", 0.02),
        )
        if not self.on:
            return source, 0.0
        drawn: dict[str, Callable[[], float]] = {
            "CURR": lambda: min(self.current, source / inner),
            "RES": lambda: source / (inner + self.resistance),
            # the smaller root of (source - inner i) i = power; where there is none, the most that can be drawn
            "POW": lambda: (source - math.sqrt(max(0.0, source**2 - 4 * inner * self.power))) / (2 * inner),
        }
        current = drawn[self.mode]()
        return source - inner * current, current
