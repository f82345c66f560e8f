"""A small plant with the interface of the real one: taps that are plain functions of time, settings that act at once.

For tests of the instruments alone; what they measure is then known in closed form.
"""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

CURVES: dict[str, Callable[[float], float]] = {
    "bus.voltage": lambda t: 230.0,
    "bus.frequency": lambda t: 50.0 + 0.5 * math.sin(0.2 * t),
    "battery_inverter.power": lambda t: 1000.0 + 100.0 * t,
    "battery_inverter.current": lambda t: (1000.0 + 100.0 * t) / 230.0,
    "battery.voltage": lambda t: 53.0,
    "battery.current": lambda t: -20.0,
    "battery.power": lambda t: -1060.0,
    "battery.soc": lambda t: 0.945,
    "battery.soc_estimate": lambda t: 0.945,
    "battery.cell_voltage_max": lambda t: 3.338,
    "battery.cell_voltage_min": lambda t: 3.321,
    "battery.temperature": lambda t: 298.15,
    "pv_source.voltage": lambda t: 380.0,
    "pv_source.current": lambda t: 5.0,
    "pv_source.power": lambda t: 1900.0,
    "load.voltage": lambda t: 230.0,
    "interlock.closed": lambda t: 1.0,
    "battery_inverter.state": lambda t: 4.0,
    "pv_inverter.state": lambda t: 3.0,
    "pv.voltage": lambda t: 230.0,
    "pv.frequency": lambda t: 50.0,
    "pv.power": lambda t: 1800.0,
    "pv.current": lambda t: 1800.0 / 230.0,
}
SETTINGS = {
    "load.power": 0.0, "load.on": 0.0, "grid.closed": 1.0, "grid.voltage": 230.0, "grid.frequency": 50.0,
    "pv_source.irradiance": 0.0, "pv_source.temperature": 298.15, "pv_source.on": 0.0,
    "pv_inverter.cut_back": 0.0, "pv_inverter.held_off": 0.0,
    "relays.pv_contactor": 1.0, "relays.battery_contactor": 1.0, "relays.inverter_enable": 1.0,
}  # fmt: skip


class StandInPlant:
    """`curves` may be replaced by a test; `history` holds (time, name, value) of every setting."""

    step = 0.001

    def __init__(self) -> None:
        self.curves = dict(CURVES)
        self.settings = dict(SETTINGS)
        self.taps = (*self.curves, *SETTINGS, "grid.source_voltage", "grid.source_frequency")
        self.now = 0.0
        self.history: list[tuple[float, str, float]] = []

    def advance(self, until: float) -> None:
        assert until >= self.now
        self.now = until

    def set(self, name: str, value: float) -> None:
        assert name in self.settings, name
        self.settings[name] = float(value)
        self.history.append((self.now, name, float(value)))

    def setting(self, name: str) -> float:
        return self.settings[name]

    def at(self, tap: str, t: float) -> float:
        if tap == "load.power":
            return self.settings["load.power"] * self.settings["load.on"]
        if tap.startswith("grid.source_"):
            return self.settings["grid." + tap.removeprefix("grid.source_")]
        return self.settings[tap] if tap in self.settings else self.curves[tap](t)

    def value(self, tap: str) -> float:
        return self.at(tap, self.now)

    def window_mean(self, taps: npt.NDArray[np.int64], t_from: float, t_to: float) -> npt.NDArray[np.float64]:
        assert t_to <= self.now + 1e-9, "an instrument cannot read what is to come"
        times = [t_from + (k + 0.5) / 8 * (t_to - t_from) for k in range(8)]
        return np.array([sum(self.at(self.taps[tap], t) for t in times) / 8 for tap in taps])
