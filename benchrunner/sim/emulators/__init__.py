"""The simulated instruments of a bench: the same objects answer in memory and over every link.

`build` makes them for a bench card; heavy parts load only then.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrunner.cards.bench import Bench
    from benchrunner.sim.emulators.base import Emulator
    from benchrunner.sim.emulators.metering import Plant
    from benchrunner.sim.emulators.options import Options


def make(plant: "Plant", name: str, options: "Options", seed: int = 1) -> "Emulator":
    """The emulator of one instrument, by its class. Raises `Refused` for a class that none is made for."""
    from importlib import import_module

    from benchrunner.errors import Problem, Refused

    if options.klass not in MADE_BY:
        known = ", ".join(sorted(MADE_BY))
        raise Refused(
            Problem(f"instruments.{name}", f"no emulator for class {options.klass!r}", f"there are: {known}")
        )
    module, kind = MADE_BY[options.klass]
    if options.klass == "inverter" and str(options.own.get("models", "")) == "103":
        module, kind = "sunspec_older", "OlderInverter"
    emulator: Emulator = getattr(import_module(f"{__name__}.{module}"), kind)(plant, name, options, seed)
    return emulator


def build(bench: "Bench", plant: "Plant", seed: int = 1) -> "dict[str, Emulator]":
    """Every instrument of a bench as an emulator on `plant`, by name. Raises `Refused` with every problem."""
    from benchrunner.errors import Problem, Refused
    from benchrunner.sim.emulators.options import from_bench

    made: dict[str, Emulator] = {}
    problems: list[Problem] = []
    for name in bench.card.instruments:
        try:
            made[name] = make(plant, name, from_bench(bench, name), seed)
        except Refused as error:
            problems.extend(error.problems)
    if problems:
        raise Refused(problems)
    return made


MADE_BY = {
    "ac_meter": ("ac_meter", "AcMeter"),
    "dc_meter": ("dc_meter", "DcMeter"),
    "ac_load": ("ac_load", "AcLoad"),
    "pv_source": ("pv_source", "PvSource"),
    "grid_switch": ("grid_switch", "GridSwitch"),
    "grid_source": ("grid_source", "GridSource"),
    "relay_board": ("relay_board", "RelayBoard"),
    "interlock": ("interlock", "Interlock"),
    "watchdog_relay": ("watchdog_relay", "WatchdogRelay"),
    "inverter": ("sunspec_devices", "Inverter"),
    "battery_monitor": ("sunspec_devices", "BatteryMonitor"),
    "waveform": ("scope", "Scope"),
    "power_analyser": ("measuring", "PowerAnalyser"),
    "multimeter": ("measuring", "Multimeter"),
    "temperature_logger": ("measuring", "TemperatureLogger"),
    "irradiance_sensor": ("measuring", "IrradianceSensor"),
    "dc_source": ("dc_bench", "DcSource"),
    "dc_load": ("dc_bench", "DcLoad"),
}
