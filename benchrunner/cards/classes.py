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

ELEMENTS = 6  # of a power analyser, at most
INPUTS = 16  # of a temperature logger, at most

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
                "resistance": Setting("ohm", "number", "resistance, instead of a power"),
                "current": Setting("A", "number", "current drawn at nominal voltage, instead of a power"),
                "crest_factor": Setting(
                    "1", "number", "of the current; above that of a sine: drawn as a rectifier does"
                ),
                "power_l1": Setting("W", "number", "power of phase 1 alone"),
                "power_l2": Setting("W", "number", "power of phase 2 alone"),
                "power_l3": Setting("W", "number", "power of phase 3 alone"),
                "power_l1_l2": Setting("W", "number", "power of what lies between the legs of split-phase"),
                "constant_power": Setting("W", "number", "power that stays as the voltage changes"),
                "reactive_power": Setting("var", "number", "inductive reactive power at nominal voltage"),
                "phase_cut_power": Setting("W", "number", "power of a phase-cut resistance, uncut"),
                "phase_cut_angle": Setting("rad", "number", "at which it is switched on in each half wave"),
                "motor_power": Setting("W", "number", "rated power of a motor, which starts as this is set"),
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
                "open_circuit_voltage": Setting(
                    "V", "number", "of the array on its curve, at 1000 W/m^2 and 25 degC"
                ),
                "short_circuit_current": Setting("A", "number", "likewise"),
                "maximum_power_voltage": Setting("V", "number", "likewise"),
                "maximum_power_current": Setting("A", "number", "likewise"),
                "curve": Setting("1", "switch", "the curve through these points is in force"),
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
                "voltage_l1": Setting("V", "number", "open-circuit RMS voltage of phase 1 against neutral"),
                "voltage_l2": Setting("V", "number", "open-circuit RMS voltage of phase 2 against neutral"),
                "voltage_l3": Setting("V", "number", "open-circuit RMS voltage of phase 3 against neutral"),
                "phase": Setting("rad", "number", "phase angle; a change makes the phase jump"),
                "resistance": Setting("ohm", "number", "resistance behind which the source lies"),
                "reactance": Setting("ohm", "number", "reactance behind which the source lies"),
                "frequency_rate": Setting(
                    "Hz/s", "number", "at which the frequency goes to a new value; 0: at once"
                ),
                "program_voltage": Setting(
                    "V", "number", "RMS voltage to which its program goes: sag or swell"
                ),
                "program_rate": Setting("V/s", "number", "at which it goes there and back; 0: at once"),
                "program_frequency": Setting("Hz", "number", "frequency to which its program goes; 0: stays"),
                "program_frequency_rate": Setting(
                    "Hz/s", "number", "at which it goes there and back; 0: at once"
                ),
                "program_duration": Setting("s", "number", "from the trigger until it begins to return"),
                "program_armed": Setting("1", "switch", "the program waits for its trigger"),
                "program_triggered": Setting("1", "switch", "triggers the program; off ends it"),
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
                "own_current": A,
                "state": Quantity("1", "operating state, SunSpec enumeration"),
            },
            {
                "power_limit": Setting("1", "number", "limit of its power, as a ratio of its rating"),
                "limited": Setting("1", "switch", "whether that limit is in force"),
                "connected": Setting("1", "switch", "told to connect to the bus, or to leave it"),
            },
        ),
        _klass(
            "power_analyser",
            "AC power analyser with several elements, each a voltage and a current",
            {
                quantity: Quantity(unit, f"{says} of element {n}")
                for n in range(1, ELEMENTS + 1)
                for quantity, unit, says in (
                    (f"voltage_{n}", "V", "RMS voltage"),
                    (f"current_{n}", "A", "RMS current"),
                    (f"power_{n}", "W", "active power"),
                    (f"frequency_{n}", "Hz", "frequency"),
                    (f"energy_{n}", "J", "energy since integration began,"),
                )
            },
            {"integrate": Setting("1", "switch", "integration of energy; switching it on begins at zero")},
        ),
        _klass(
            "multimeter",
            "multimeter on one quantity",
            {"voltage": V, "current": A, "resistance": Quantity("ohm", "resistance")},
            {"range": Setting("V", "number", "range of its voltage input")},
        ),
        _klass(
            "dc_source",
            "DC source",
            {"voltage": V, "current": A, "power": W},
            {
                "voltage": Setting("V", "number", "voltage"),
                "current": Setting("A", "number", "current limit"),
                "on": Setting("1", "switch", "output on"),
            },
        ),
        _klass(
            "dc_load",
            "DC load",
            {"voltage": V, "current": A, "power": W},
            {
                "current": Setting("A", "number", "current drawn"),
                "power": Setting("W", "number", "power drawn, instead of a current"),
                "resistance": Setting("ohm", "number", "resistance, instead of a current"),
                "on": Setting("1", "switch", "input on"),
            },
        ),
        _klass(
            "temperature_logger",
            "data logger for temperatures",
            {f"temperature_{n}": Quantity("K", f"temperature of input {n}") for n in range(1, INPUTS + 1)},
        ),
        _klass(
            "irradiance_sensor",
            "irradiance sensor beside the array",
            {
                "irradiance": Quantity("W/m^2", "irradiance"),
                "temperature": Quantity("K", "temperature of the sensor"),
            },
        ),
        _klass("waveform", "oscilloscope or transient recorder", {}),
    )
}
