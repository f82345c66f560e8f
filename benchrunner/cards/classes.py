"""The instrument classes: what each can read and set, with units and sense.

A class says what an instrument can do, a role what it does on a bench; a channel is `role.quantity`. Units are the
SI units of `benchrunner.units`; `1` is a ratio (state of charge, power factor) or a yes/no (closed = 1).
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that an instrument of a class reads."""

    unit: str
    says: str


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that an instrument of a class can be told."""

    unit: str
    kind: Literal["number", "switch"]
    says: str


@dataclass(frozen=True, slots=True)
class InstrumentClass:
    """What every instrument of this class offers; a driver card may read fewer quantities, never others."""

    name: str
    says: str
    reads: dict[str, Quantity]
    settings: dict[str, Setting]


def _klass(
    name: str, says: str, reads: dict[str, Quantity], settings: dict[str, Setting] | None = None
) -> InstrumentClass:
    return InstrumentClass(name, says, reads, settings or {})


V, A, W, HZ = (
    Quantity("V", "voltage"),
    Quantity("A", "current"),
    Quantity("W", "active power"),
    Quantity("Hz", "frequency"),
)
CLOSED = Quantity("1", "closed (1) or open (0), from an auxiliary contact")

CLASSES: dict[str, InstrumentClass] = {
    c.name: c
    for c in (
        _klass(
            "ac_meter",
            "AC power meter",
            {
                "voltage": Quantity("V", "RMS voltage"),
                "current": Quantity("A", "RMS current"),
                "power": W,
                "frequency": HZ,
                "apparent_power": Quantity("VA", "apparent power"),
                "reactive_power": Quantity("var", "reactive power"),
                "power_factor": Quantity("1", "power factor"),
            },
        ),
        _klass("dc_meter", "DC power meter with a shunt", {"voltage": V, "current": A, "power": W}),
        _klass(
            "ac_load",
            "AC load bank",
            {"voltage": V, "current": A, "power": W},
            {
                "power": Setting("W", "number", "power drawn at nominal voltage"),
                "on": Setting("1", "switch", "load connected"),
            },
        ),
        _klass(
            "pv_source",
            "PV array simulator or array with a disconnector",
            {"voltage": V, "current": A, "power": W},
            {
                "irradiance": Setting("W/m^2", "number", "irradiance on the array"),
                "temperature": Setting("K", "number", "cell temperature of the array"),
                "on": Setting("1", "switch", "source connected"),
            },
        ),
        _klass(
            "grid_switch",
            "grid switch upstream of the battery inverter's own transfer relay",
            {"closed": CLOSED},
            {"closed": Setting("1", "switch", "grid connected")},
        ),
        _klass(
            "grid_source",
            "AC source that stands for the grid",
            {"voltage": V, "frequency": HZ},
            {
                "voltage": Setting("V", "number", "open-circuit RMS voltage"),
                "frequency": Setting("Hz", "number", "frequency"),
            },
        ),
        _klass(
            "relay_board",
            "contactors and enables of the bench",
            {"pv_contactor": CLOSED, "battery_contactor": CLOSED, "inverter_enable": CLOSED},
            {
                "pv_contactor": Setting("1", "switch", "PV AC contactor closed"),
                "battery_contactor": Setting("1", "switch", "battery contactor closed"),
                "inverter_enable": Setting("1", "switch", "battery inverter enabled"),
            },
        ),
        _klass(
            "watchdog_relay",
            "watchdog relay in the hardware chain: opens when it is not fed",
            {"closed": CLOSED, "time_left": Quantity("s", "time until it opens, if it is not fed")},
            {"fed": Setting("1", "switch", "1 starts its time anew, 0 lets it open")},
        ),
        _klass("interlock", "interlock chain input (door, emergency stop)", {"closed": CLOSED}),
        _klass(
            "battery_monitor",
            "the battery management system's own values",
            {
                "soc": Quantity("1", "state of charge"),
                "cell_voltage_max": Quantity("V", "highest cell"),
                "cell_voltage_min": Quantity("V", "lowest cell"),
                "temperature": Quantity("K", "cell temperature"),
            },
        ),
        _klass(
            "inverter",
            "an inverter's own values (SunSpec)",
            {
                "own_power": W,
                "own_voltage": V,
                "own_frequency": HZ,
                "own_dc_voltage": Quantity("V", "DC voltage"),
                "state": Quantity("1", "operating state, SunSpec enumeration"),
            },
        ),
        _klass("waveform", "oscilloscope or transient recorder", {}),
    )
}
