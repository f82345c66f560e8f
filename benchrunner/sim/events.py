"""Owns what the plant says happened: the events, and the values just before and just after each.

`PlantEvent.t` is in plant seconds: exact for orders (`load-step`, `grid-lost`, `grid-back`, `contactor`,
`setting`: the moment of the order; the envelope follows from the next point of the internal grid on) and for
`dc-trip` (within 1/20 of the grid), else the point of the internal grid at which the change begins.

Keys of `data`, all floats in SI, by kind:

==================  ==========================================================================================
load-step           resistance_before, resistance_after (ohm, inf: none), power_before, power_after (W, nominal)
grid-lost           (the grid switch opened) voltage, frequency, current
grid-back           (the grid switch closed) voltage, frequency of the grid behind it
transfer-start      (the battery inverter noticed; its relay begins to open) voltage, frequency of the bus, cause (1 voltage,
                    2 frequency, 3 more passed through its transfer relay than that bears)
transfer            (relay open, the battery inverter picks up) lost_at (s: when the grid last changed), voltage (of the
                    bus just before)
island-start        (started alone on a dead bus) dc_voltage
sync-start          throwing_off (1: raises frequency first), frequency
re-transfer         (relay closed onto the grid) slip (Hz, bus less grid), angle (rad, bus ahead), difference (V, bus
                    less grid)
pv-trip             cause (1 over-frequency, 2 under-frequency, 3 over-voltage, 4 under-voltage, 5 too little light),
                    value (Hz, V or W, as the PV inverter measured it), which (of the PV inverters: 1, 2...)
pv-connect          voltage, frequency as measured, which
protection-opened   cause (1 pack over-voltage, 2 cell over-voltage, 3 over-current, 4 pack under-voltage, 5 cell
                    under-voltage, 6 heat, 7 charged in the cold; -1: closed again), voltage (pack), current
dc-trip             high (1 over-voltage, -1 under-voltage), voltage (DC link)
inverter-stop       cause (1 disabled, 2 overload, 3 bus held down at the current limit, 4 low battery); value (mode
                    before, AC power, or battery voltage)
throw-off           (the highest shift did not hold the limits: PV is thrown off) begins (1, or 0 as it ends), frequency
contactor           which (0 PV AC contactor, 1 battery contactor, 2 inverter enable), closed (1 or 0)
stage               before, after (charge stage: 1 bulk, 2 absorption, 3 float, 4 rest, 5 equalise)
setting             (grid voltage or frequency, irradiance, temperature, PV source) before, after
==================  ==========================================================================================
"""

from dataclasses import dataclass, field

from benchrunner.sim.layout import KIND, TAPS

NAMES: dict[int, str] = {
    value: name.replace("re_transfer", "re-transfer").replace("_", "-")
    for name, value in KIND._asdict().items()
}
KEYS: dict[int, tuple[str, ...]] = {
    KIND.load_step: ("resistance_before", "resistance_after", "power_before", "power_after"),
    KIND.grid_lost: ("voltage", "frequency", "current"),
    KIND.grid_back: ("voltage", "frequency"),
    KIND.transfer_start: ("voltage", "frequency", "cause"),
    KIND.transfer: ("lost_at", "voltage"),
    KIND.island_start: ("dc_voltage",),
    KIND.sync_start: ("throwing_off", "frequency"),
    KIND.re_transfer: ("slip", "angle", "difference"),
    KIND.pv_trip: ("cause", "value", "which"),
    KIND.pv_connect: ("voltage", "frequency", "which"),
    KIND.protection_opened: ("cause", "voltage", "current"),
    KIND.dc_trip: ("high", "voltage"),
    KIND.inverter_stop: ("cause", "value"),
    KIND.contactor: ("which", "closed"),
    KIND.stage: ("before", "after"),
    KIND.setting: ("before", "after"),
    KIND.throw_off: ("begins", "frequency"),
}


@dataclass(frozen=True, slots=True)
class PlantEvent:
    """One thing that happened; `before` and `after` give every tap at the grid points on either side of `t`.

    `after` is empty until the plant has been advanced over the step in which the event falls.
    """

    t: float
    kind: str
    data: dict[str, float] = field(default_factory=dict)
    row_before: tuple[float, ...] = field(default=(), repr=False)
    row_after: tuple[float, ...] = field(default=(), repr=False)

    @property
    def before(self) -> dict[str, float]:
        """Taps at the last grid point at or before `t`."""
        return dict(zip(TAPS, self.row_before, strict=bool(self.row_before)))

    @property
    def after(self) -> dict[str, float]:
        """Taps at the next grid point."""
        return dict(zip(TAPS, self.row_after, strict=bool(self.row_after)))


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Every tap at the points of the internal grid just before (`t_before` <= t) and just after (`t_after` > t)."""

    t_before: float
    t_after: float
    before: dict[str, float]
    after: dict[str, float]
