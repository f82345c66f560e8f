"""A plant of constants for tests of the bench room: what is set shows in the taps, nothing else moves."""

import numpy as np

from benchrunner.sim.layout import TAPS

VALUES = {
    "load.voltage": 230.0, "load.current": 4.0, "load.power": 920.0, "pv_source.voltage": 380.0,
    "pv_source.current": 5.0, "pv_source.power": 1900.0, "grid.closed": 1.0, "grid.voltage": 230.0,
    "grid.current": 1.0, "grid.power": 230.0, "grid.frequency": 50.0, "grid_source.voltage": 230.0,
    "grid_source.frequency": 50.0, "bus.voltage": 230.0, "bus.frequency": 50.0, "bus.current": 3.0,
    "battery_inverter.current": 3.0, "battery_inverter.power": 690.0, "battery_inverter.state": 1.0,
    "battery_inverter.stage": 1.0, "pv.voltage": 230.0, "pv.current": 8.0, "pv.power": 1840.0,
    "pv.frequency": 50.0, "pv_inverter.state": 4.0, "battery.voltage": 53.2, "battery.cell_side_voltage": 53.2,
    "battery.current": 20.0, "battery.power": 1064.0, "battery.soc": 0.5, "battery.cell_voltage_max": 3.34,
    "battery.cell_voltage_min": 3.31, "battery.temperature": 298.15, "relays.pv_contactor": 1.0,
    "relays.battery_contactor": 1.0, "relays.inverter_enable": 1.0, "interlock.closed": 1.0, "dc_link.voltage": 400.0,
}  # fmt: skip


class SteadyPlant:
    """Holds its taps; `follow` delays what is set (a contact that takes its time)."""

    step = 0.01

    def __init__(self, follow: float = 0.0) -> None:
        self.taps = tuple(TAPS)
        self.numbers = {tap: VALUES.get(tap, 0.0) for tap in TAPS}
        self.now = 0.0
        self.follow = follow
        self.waiting: list[tuple[float, str, float]] = []
        self.sets: list[tuple[float, str, float]] = []
        self.advances = 0
        self.events: list[object] = []

    def advance(self, until: float) -> None:
        assert until >= self.now, "time went backwards"
        self.advances += 1
        self.now = until
        for item in [w for w in self.waiting if w[0] <= until]:
            self.waiting.remove(item)
            self.numbers[item[1]] = item[2]

    def set(self, name: str, value: float) -> None:
        self.sets.append((self.now, name, value))
        if name in self.numbers:
            if self.follow:
                self.waiting.append((self.now + self.follow, name, value))
            else:
                self.numbers[name] = value

    def setting(self, name: str) -> float:
        return self.numbers.get(
            name, {"load.on": 1.0, "pv_source.temperature": 298.15, "pv_source.on": 1.0}.get(name, 0.0)
        )

    def value(self, tap: str) -> float:
        return self.numbers[tap]

    def window_mean(self, taps: "np.ndarray", t_from: float, t_to: float) -> "np.ndarray":
        return np.array([self.numbers[self.taps[int(k)]] for k in taps])
