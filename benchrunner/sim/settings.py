"""Owns what the plant can be told: the name of each setting, where it lies, its range and what it is at the start.

Units are SI; switches are 0 or 1. `pv_source.*` tells every array at once, `pv_source_2.*` the second PV
inverter's, `dc_source.*` the DC-coupled one. `pv_inverter.cut_back` (part of rated power that it may not give) and
`pv_inverter.held_off` tell every PV inverter, `pv_inverter_2.*` the second.
`load.power` is the whole linear load, divided evenly over the phases; `load.power_l1` and so on change one of them,
`load.power_l1_l2` what lies between the legs of split-phase. The other kinds of load stand beside it, each over all
phases: constant power, rectifier, phase-cut, motor (it starts as its power is set) and reactive power. `grid.voltage` is
meant as on the nameplate (between the legs of split-phase) and sets all phases, `grid.voltage_l1` one of them against
neutral. `grid.phase` (rad) makes the grid's phase jump by what it changes. Powers are those at nominal voltage.
"""

import math
from dataclasses import dataclass

from benchrunner.errors import Problem, Refused
from benchrunner.sim.layout import PV_MOST, U, W


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: its place among the inputs (-1: more than one; `rows`: of those PV inverters), range, value at the start."""

    index: int
    least: float
    most: float
    start: float | None = 0.0  # None: the nominal value of the pairing
    rows: tuple[int, ...] = ()
    fraction: bool = False  # a number between 0 and 1, no switch

    @property
    def is_switch(self) -> bool:
        """Only 0 or 1."""
        return (self.least, self.most) == (0.0, 1.0) and not self.fraction


def _switch(index: int, rows: tuple[int, ...] = ()) -> Setting:
    return Setting(index, 0.0, 1.0, 1.0, rows)


def _sources() -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    for role, rows in (
        ("pv_source", tuple(range(PV_MOST + 1))),
        ("dc_source", (PV_MOST,)),
        *((f"pv_source_{k + 1}", (k,)) for k in range(PV_MOST)),
    ):
        found[f"{role}.irradiance"] = Setting(W.irradiance, 0.0, 1600.0, 0.0, rows)
        found[f"{role}.temperature"] = Setting(W.temperature, 233.15, 373.15, 298.15, rows)
        found[f"{role}.on"] = _switch(W.on, rows)
    return found


def _inverters() -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    each = ((f"pv_inverter_{k + 1}", (k,)) for k in range(PV_MOST))
    for role, rows in (("pv_inverter", tuple(range(PV_MOST))), *each):
        found[f"{role}.cut_back"] = Setting(W.cut_back, 0.0, 1.0, 0.0, rows, fraction=True)
        found[f"{role}.held_off"] = Setting(W.held_off, 0.0, 1.0, 0.0, rows)
    return found


SETTINGS: dict[str, Setting] = {
    "load.power": Setting(-1, 0.0, 1e5),
    "load.power_l1": Setting(U.load_l1, 0.0, 1e5),
    "load.power_l2": Setting(U.load_l2, 0.0, 1e5),
    "load.power_l3": Setting(U.load_l3, 0.0, 1e5),
    "load.power_l1_l2": Setting(U.load_between, 0.0, 1e5),
    "load.reactive_power": Setting(U.load_reactive, -1e5, 1e5),
    "load.constant_power": Setting(U.load_constant, 0.0, 1e5),
    "load.rectifier_power": Setting(U.load_rectifier, 0.0, 1e5),
    "load.phase_cut_power": Setting(U.load_phase_cut, 0.0, 1e5),
    "load.phase_cut_angle": Setting(U.phase_cut_angle, 0.0, math.pi, math.pi / 2),
    "load.motor_power": Setting(U.load_motor, 0.0, 1e5),
    "load.on": _switch(U.load_on),
    "grid.closed": _switch(U.grid_closed),
    "grid.voltage": Setting(-1, 0.0, 1000.0, None),
    "grid.voltage_l1": Setting(U.grid_voltage_l1, 0.0, 1000.0, None),
    "grid.voltage_l2": Setting(U.grid_voltage_l2, 0.0, 1000.0, None),
    "grid.voltage_l3": Setting(U.grid_voltage_l3, 0.0, 1000.0, None),
    "grid.frequency": Setting(U.grid_frequency, 10.0, 100.0, None),
    "grid.frequency_rate": Setting(U.grid_rate, 0.0, 20.0),
    "grid.phase": Setting(-1, -math.tau, math.tau),
    "grid.resistance": Setting(U.grid_r, 0.0, 10.0, None),
    "grid.reactance": Setting(U.grid_x, 0.0, 10.0, None),
    "relays.pv_contactor": _switch(U.pv_contactor),
    "relays.battery_contactor": _switch(U.battery_contactor),
    "relays.inverter_enable": _switch(U.inverter_enable),
    "interlock.closed": _switch(U.interlock_closed),
    "battery_inverter.equalise": Setting(U.equalise, 0.0, 1.0, 0.0),
    **_sources(),
    **_inverters(),
}


def setting(name: str) -> Setting:
    """A setting by its name. Raises `Refused` where there is none."""
    if name not in SETTINGS:
        raise Refused(Problem(name, "is no setting of the plant", f"one of: {', '.join(SETTINGS)}"))
    return SETTINGS[name]


def checked(name: str, value: float) -> float:
    """The value of an order as it is taken: in range, and 0 or 1 for a switch. Raises `Refused`."""
    known = setting(name)
    value = float(value)
    if not known.least <= value <= known.most:
        raise Refused(
            Problem(
                name, f"{value!r} is out of range", f"give {known.least:g} to {known.most:g} in the SI unit"
            )
        )
    if known.is_switch:
        return 1.0 if value >= 0.5 else 0.0
    return value
