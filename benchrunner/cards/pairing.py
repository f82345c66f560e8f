"""The pairing card: the two inverters, the battery and the array that are tested together, as their nameplates say.

Its parts are in `pairing_parts`, the simulation's own parameters in `pairing_twin`.
"""

import itertools
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from benchrunner import units
from benchrunner.cards import reading
from benchrunner.cards.amounts import units_of
from benchrunner.cards.pairing_parts import (
    ArrayPart,
    BatteryInverterPart,
    BatteryPart,
    Connection,
    DcPv,
    FurtherPv,
    Part,
    PvInverterPart,
)
from benchrunner.cards.pairing_twin import TwinPart
from benchrunner.cards.reading import Document, Mended

EXPECTED_IRRADIANCE = 900.0  # W/m^2, for pairing.expected_pv_power
STANDARD_IRRADIANCE = 1000.0  # W/m^2, of standard test conditions (IEC 60904-3), cells at 25 degC


class PairingCard(Part):
    """A pairing as tested."""

    format: Literal[1]
    title: str = Field(min_length=1, max_length=120)
    topology: Literal["single-phase", "split-phase", "three-phase"]
    note: str = Field(default="", max_length=600)
    battery_inverter: BatteryInverterPart
    pv_inverter: PvInverterPart
    battery: BatteryPart
    array: ArrayPart
    further_pv: tuple[FurtherPv, ...] = Field(default=(), max_length=2)
    dc_pv: DcPv | None = None
    twin: TwinPart = TwinPart()

    @property
    def phases(self) -> int:
        """Phases against neutral: 1, 2 (the legs of split-phase) or 3."""
        return {"single-phase": 1, "split-phase": 2, "three-phase": 3}[self.topology]

    @property
    def phase_voltage(self) -> float:
        """V of a phase against neutral; the nameplate of a split-phase inverter gives the voltage between the legs."""
        return self.battery_inverter.rated_voltage / (2.0 if self.topology == "split-phase" else 1.0)

    @property
    def pv_inverters(self) -> "tuple[tuple[PvInverterPart, ArrayPart], ...]":
        """All PV inverters on the bus, each with its array, the pairing's own first."""
        return ((self.pv_inverter, self.array), *((more.inverter, more.array) for more in self.further_pv))

    def connection(self, inverter: PvInverterPart) -> Connection:
        """Between which conductors a PV inverter lies."""
        usual: dict[str, Connection] = {
            "single-phase": "L1", "split-phase": "L1-L2", "three-phase": "three-phase",
        }  # fmt: skip
        return inverter.connection or usual[self.topology]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        b, pv, c = self.battery_inverter, self.pv_inverter, self.battery
        chains = [
            ("battery_inverter", ("rated_frequency", "shift_start", "shift_stop", "shift_maximum"), b),
            ("battery_inverter", ("dc_trip_low", "float_voltage", "absorption_voltage", "dc_trip_high"), b),
            ("pv_inverter", ("trip_low", "island_start", "island_zero"), pv),
            ("pv_inverter", ("trip_low", "grid_start", "grid_zero"), pv),
            ("battery", ("protection_voltage_low", "nominal_voltage", "protection_voltage"), c),
        ]
        for part, names, values in chains:
            for lower, upper in itertools.pairwise(names):
                if getattr(values, lower) > getattr(values, upper):
                    raise Mended(
                        f"has {part}.{lower} above {part}.{upper}", "check the two figures on the nameplate"
                    )
        for name, (low, high) in (
            ("enter_service_frequency", pv.enter_service_frequency),
            ("enter_service_voltage", pv.enter_service_voltage),
        ):
            if low >= high:
                raise Mended(f"has an empty window pv_inverter.{name}", "give the lower bound first")
        self._fits_its_bus()
        return self

    def _fits_its_bus(self) -> None:
        b = self.battery_inverter
        there = {
            "single-phase": {"L1"}, "split-phase": {"L1", "L2", "L1-L2"},
            "three-phase": {"L1", "L2", "L3", "three-phase"},
        }[self.topology]  # fmt: skip
        for inverter, _ in self.pv_inverters:
            if self.connection(inverter) not in there:
                raise Mended(
                    f"puts {inverter.name} on {inverter.connection}, which a {self.topology} bus has not",
                    f"one of: {', '.join(sorted(there))}",
                )
        if self.battery.chemistry != "lead-acid" and (b.equalise_voltage or b.temperature_compensation):
            raise Mended(
                f"gives a {self.battery.chemistry} battery an equalising or temperature-compensated charge",
                "leave battery_inverter.equalise_voltage and temperature_compensation out: lead-acid only",
            )
        if b.grid_voltage_window[0] >= b.grid_voltage_window[1]:
            raise Mended(
                "has an empty window battery_inverter.grid_voltage_window", "give the lower bound first"
            )
        if b.grid_frequency_window and b.grid_frequency_window[0] >= b.grid_frequency_window[1]:
            raise Mended(
                "has an empty window battery_inverter.grid_frequency_window", "give the lower bound first"
            )
        if b.low_battery_voltage and b.restart_voltage and b.restart_voltage <= b.low_battery_voltage:
            raise Mended(
                "restarts at or below the voltage at which it switched itself off",
                "give battery_inverter.restart_voltage above low_battery_voltage",
            )

    def values(self) -> dict[str, units.Quantity]:
        """All that a procedure may use, as `pairing.<part>.<key>`; ratios and times in SI."""
        found: dict[str, units.Quantity] = {}
        for part_name in ("battery_inverter", "pv_inverter", "battery", "array"):
            part = getattr(self, part_name)
            for key, unit in units_of(type(part)).items():
                value = getattr(part, key)
                if isinstance(value, (int, float)):
                    found[f"pairing.{part_name}.{key}"] = units.Quantity(float(value), unit)
        found["pairing.battery.cells"] = units.Quantity(float(self.battery.cells), "1")
        # power over all phases for each ampere in every line conductor
        factor = 3.0 if self.topology == "three-phase" else 1.0
        volts = self.battery_inverter.rated_voltage * factor
        found["pairing.phases"] = units.Quantity(float(self.phases), "1")
        found["pairing.phase_voltage"] = units.Quantity(self.phase_voltage, "V")
        found["pairing.power_per_ampere"] = units.Quantity(volts, "V")
        sun = EXPECTED_IRRADIANCE / STANDARD_IRRADIANCE
        found["pairing.pv_rated_power"] = units.Quantity(
            float(sum(inverter.rated_power for inverter, _ in self.pv_inverters)), "W"
        )
        found["pairing.expected_pv_power"] = units.Quantity(
            float(
                sum(
                    min(array.peak_power * sun, inverter.rated_power) for inverter, array in self.pv_inverters
                )
            ),
            "W",
        )
        return found

    def guards(self) -> tuple[dict[str, Any], ...]:
        """The equipment's own trip limits, as keyword arguments of a planned guard (channel values in SI)."""
        b, c = self.battery_inverter, self.battery

        def guard(
            name: str, channel: str, low: float | None, high: float | None, unit: str, delay: float, says: str
        ) -> dict[str, Any]:
            return {
                "id": name, "channel": channel, "low": low, "high": high, "unit": unit, "delay": delay,
                "says": says, "origin": "pairing card",
            }  # fmt: skip

        highest = max(b.shift_maximum, b.throw_off or 0.0)
        return (
            guard("battery-voltage", "battery.voltage", None, c.protection_voltage, "V", 0.2,
                  "battery voltage at the threshold of the battery's own protection"),
            guard("cell-voltage", "battery.cell_voltage_max", None, c.cell_protection_voltage, "V", 0.2,
                  "highest cell at the threshold of the battery's own protection"),
            guard("charge-current", "battery.current", -c.over_current, c.over_current, "A",
                  c.over_current_delay / 2, "battery current above the battery's over-current limit"),
            guard("bus-voltage", "bus.voltage", None, 1.2 * b.rated_voltage, "V", 0.5,
                  "bus voltage more than 20 % above rated"),
            guard("bus-frequency", "bus.frequency", None, highest + 0.5, "Hz", 1.0,
                  "bus frequency above all that the battery inverter is set to"),
        )  # fmt: skip


def fit_pairing(document: Document) -> PairingCard:
    """A pairing card from a TOML document. Raises `Refused` with every problem found."""
    return reading.fit(document, PairingCard)


def read_pairing(path: Path | str) -> PairingCard:
    """A pairing card from a file. Raises `Refused` with every problem found."""
    return fit_pairing(reading.load(path))
