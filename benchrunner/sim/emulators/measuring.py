"""Further measuring instruments: power analyser, multimeter, temperature logger, irradiance sensor."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from benchrunner.cards.checksum import opened, sealed
from benchrunner.sim.emulators.base import ScpiEmulator, readings
from benchrunner.sim.emulators.elements import crossed_elements
from benchrunner.sim.emulators.metering import NOT_AVAILABLE, Meter, Plant, tap_of
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.own_model import ComputedTaps
from benchrunner.sim.emulators.parameters import Channels, Number, Switch
from benchrunner.sim.emulators.relay_board import AsciiEmulator
from benchrunner.sim.emulators.scpi import Command

ELEMENTS = (1, 2, 3)
INPUTS = 8
RANGES = (1.0, 10.0, 100.0, 1000.0)  # V, of the multimeter
ZERO_CELSIUS = 273.15  # K
JOULES = 3600.0  # in a watt-hour


class PowerAnalyser(ScpiEmulator):
    """Three elements in one reply; energies while integration runs, summed from what the plant did between queries.

    The plant remembers some twenty seconds, so a longer pause between two queries counts with its last twenty.
    """

    shown = tuple(f"{what}_{n}" for n in ELEMENTS for what in ("voltage", "current", "power", "frequency"))
    unsigned = tuple(f"{what}_{n}" for n in ELEMENTS for what in ("voltage", "current"))

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        places = {tap: place for place, tap in enumerate(plant.taps)}
        found = [tap_of(plant, options, f"power_{n}") for n in ELEMENTS]
        self._taps = [places.get(tap, -1) for tap in found]
        self._factors = [options.quantity(f"power_{n}").factor for n in ELEMENTS]
        assert self.meter is not None
        for one in crossed_elements(plant, options, self.shown):
            self.meter.cross(one)
        self._energy = [0.0] * len(ELEMENTS)  # J
        self._integrating, self._until = False, plant.now

    def commands(self) -> Iterable[Command]:
        return [
            Command("FETCh?", self._all),
            Command("READ?", self._all),
            Command("FETCh:ENERgy?", self._energies),
            Command("[SENSe]:INTegrate[:STATe]", self._integrate, Switch()),
            Command("[SENSe]:INTegrate[:STATe]?", lambda: str(int(self._integrating))),
        ]

    def reset(self) -> None:
        self._integrate(False)

    def _all(self) -> str:
        assert self.meter is not None
        parts = self.meter.text().split(",")
        for place in range(3, len(parts), 4):  # no frequency without a voltage
            if abs(float(parts[place])) < 1.0:
                parts[place] = NOT_AVAILABLE
        return ",".join(parts)

    def _integrate(self, on: bool) -> None:
        self._sum()
        if on and not self._integrating:
            self._energy = [0.0] * len(ELEMENTS)
        self._integrating = on

    def _sum(self) -> None:
        now = self.plant.now
        if self._integrating and now > self._until:
            taps = np.array([max(0, tap) for tap in self._taps], dtype=np.int64)
            means = self.plant.window_mean(taps, max(self._until, now - 20.0), now)
            for k, mean in enumerate(means.tolist()):
                self._energy[k] += mean * self._factors[k] * (now - self._until)
        self._until = now

    def _energies(self) -> str:
        self._sum()
        return ",".join(
            NOT_AVAILABLE if tap < 0 else f"{energy / JOULES:.4f}"
            for tap, energy in zip(self._taps, self._energy, strict=True)
        )


class Multimeter(ScpiEmulator):
    """DC voltage alone; it takes the next range that holds the value asked for, and is overloaded beyond 1.2 of it."""

    shown = ("voltage",)

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        self.range = RANGES[-1]
        super().__init__(plant, name, options, seed)

    def commands(self) -> Iterable[Command]:
        return [
            *readings(self, {}),
            Command("FETCh:VOLTage[:DC]?", self._voltage),
            Command("MEASure:VOLTage[:DC]?", self._voltage),
            Command(
                "[SENSe]:VOLTage[:DC]:RANGe", self._set_range, Number(low=0.0, high=RANGES[-1], unit="V")
            ),
            Command("[SENSe]:VOLTage[:DC]:RANGe?", lambda: f"{self.range:.0f}"),
        ]

    def reset(self) -> None:
        self.range = RANGES[-1]

    def _set_range(self, value: float) -> None:
        self.range = next(one for one in RANGES if value <= one)

    def _voltage(self) -> str:
        assert self.meter is not None
        text = self.meter.text()
        return text if abs(float(text)) <= 1.2 * self.range or float(text) > 9e36 else "9.9E37"


class TemperatureLogger(ScpiEmulator):
    """Eight inputs, in kelvin; an input without a sensor has no reading."""

    shown = tuple(f"temperature_{n}" for n in range(1, INPUTS + 1))

    def commands(self) -> Iterable[Command]:
        return [*readings(self, {}), Command("FETCh:TEMPerature?", self._inputs, Channels(count=INPUTS))]

    def _inputs(self, channels: tuple[int, ...]) -> str:
        assert self.meter is not None
        parts = self.meter.text().split(",")
        return ",".join(parts[n - 1] for n in channels)


class IrradianceSensor(AsciiEmulator):
    """`G?` -> irradiance (W/m2) and its own temperature (degC), both as the array sees them. Lines carry a checksum."""

    shown = ("irradiance", "temperature")

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        own = {"irradiance_tap": "own.irradiance", "temperature_tap": "own.temperature"}
        super().__init__(plant, name, replace(options, own={**own, **options.own}), seed)

    def _meter(self, seed: int) -> Meter:
        plant = self.plant
        taps = {
            "own.irradiance": lambda: plant.setting("pv_source.irradiance"),
            "own.temperature": lambda: plant.setting("pv_source.temperature") - ZERO_CELSIUS,
        }
        return Meter(ComputedTaps(plant, taps), self.name, self.options, seed, self.shown)

    def line(self, text: str) -> str:
        assert self.meter is not None
        try:
            asked = opened("xor", b"*", text.encode("ascii", "replace")).decode("ascii")
        except ValueError:
            return _with_checksum("? checksum")
        if asked == "N?":
            return _with_checksum(self.identity)
        return _with_checksum(self.meter.text() if asked == "G?" else "? unknown")


def _with_checksum(text: str) -> str:
    return sealed("xor", b"*", text.encode("ascii", "replace")).decode("ascii")
