"""The pairing card: the two inverters, the battery and the array that are tested together, as their nameplates say.

Quantities stand as text with their unit; the model holds SI floats. Frequencies are absolute. The part `[twin]`
holds the simulation's own parameters, apart from the nameplates, so that a fit can replace it.
"""

import dataclasses
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args, get_origin

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from benchrunner import units
from benchrunner.cards import reading
from benchrunner.cards.quantities import si
from benchrunner.cards.reading import Document, Mended

EXPECTED_IRRADIANCE = 900.0  # W/m^2, for pairing.expected_pv_power
STANDARD_IRRADIANCE = 1000.0  # W/m^2, of standard test conditions (IEC 60904-3), cells at 25 degC
WEEK = 604_800.0  # s; no setting of an inverter or a battery waits longer


@dataclasses.dataclass(frozen=True)
class Amount:
    """Marks a field as a quantity: read from text with its unit, held as a float in `unit`."""

    unit: str
    example: str
    least: float | None = None  # None: more than 0
    most: float = 1e9  # far beyond any pairing: what lies above is a slip

    def read(self, value: Any) -> float:
        """The value in SI. Raises `Mended`."""
        number = si(value, self.unit)
        if self.least is not None and number < self.least:
            raise Mended(f"is {value!r}, which is too small", f"give at least {self.least:g} {self.unit}")
        if self.least is None and number <= 0.0:
            raise Mended(f"is {value!r}, which is too small", f"give more than 0 {self.unit}")
        if number > self.most:
            raise Mended(f"is {value!r}, which is too large", f"give at most {self.most:g} {self.unit}")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"type": ["string", "number"] if self.unit == "1" else "string", "examples": [self.example]}


Volts = Annotated[float, Amount("V", "56 V")]
VoltsOrNone = Annotated[float, Amount("V", "10 mV", 0.0)]
Amperes = Annotated[float, Amount("A", "60 A")]
AmperesOrNone = Annotated[float, Amount("A", "0 A", 0.0)]
Watts = Annotated[float, Amount("W", "6 kW")]
WattsOrNone = Annotated[float, Amount("W", "35 W", 0.0)]
VoltAmperes = Annotated[float, Amount("VA", "5 kVA")]
Hertz = Annotated[float, Amount("Hz", "50.7 Hz")]
HertzPerSecond = Annotated[float, Amount("Hz/s", "3 Hz/s")]
PerSecond = Annotated[float, Amount("1/s", "2 1/s")]
Time = Annotated[float, Amount("s", "60 s", most=WEEK)]
TimeOrNone = Annotated[float, Amount("s", "0 s", 0.0, WEEK)]
Charge = Annotated[float, Amount("C", "200 Ah")]
Ohms = Annotated[float, Amount("ohm", "12 mohm")]
OhmsOrNone = Annotated[float, Amount("ohm", "0 ohm", 0.0)]
Farads = Annotated[float, Amount("F", "20 mF")]
Joules = Annotated[float, Amount("J", "60 kJ")]
Kelvins = Annotated[float, Amount("K", "25 degC")]
KelvinsOrNone = Annotated[float, Amount("K", "2400 K", 0.0)]
Ratio = Annotated[float, Amount("1", "99 %", 0.0, 1000.0)]
Share = Annotated[float, Amount("1", "99 %", 0.0, 1.0)]
VoltsPerKelvin = Annotated[float, Amount("V/K", "4 mV/K", 0.0, 0.02)]
Connection = Literal["L1", "L2", "L3", "L1-L2", "three-phase"]


class Part(BaseModel):
    """A part of a card: no unknown keys, not changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Nameplate(Part):
    """What every device says about itself, and where its figures here came from."""

    name: str = Field(min_length=1, max_length=60)
    serial: str = Field(default="", max_length=60)
    firmware: str = Field(default="", max_length=60)
    source: str = Field(min_length=1, max_length=200, description="where these figures came from")


class BatteryInverterPart(Nameplate):
    """The grid-forming inverter: ratings, charging, frequency shift, behaviour at the grid."""

    rated_power: Watts
    rated_voltage: Volts = Field(description="of the bus that it forms")
    rated_frequency: Hertz
    surge_power: Watts
    surge_time: Time = Field(default=5.0, description="for how long it bears more than its rated power")
    charge_current: Amperes = Field(description="limit of the charge current, DC")
    absorption_voltage: Volts
    absorption_time: Time
    tail_current: Amperes = Field(description="absorption ends below this charge current")
    tail_hold: Time = 30.0
    full_soc: Share = Field(
        default=1.0, description="absorption ends at this state of charge; above 1: never"
    )
    after_charge: Literal["float", "rest"] = "float"
    float_voltage: Volts
    rebulk_soc: Share = Field(default=0.85, description="a new bulk below this state of charge")
    cell_voltage_limit: Volts | None = Field(default=None, description="highest cell that charging allows")
    grid_charge_current: AmperesOrNone = Field(default=0.0, description="charge current taken from the grid")
    charge_from_surplus: bool = Field(
        default=False, description="on the grid, charge from a PV surplus before exporting"
    )
    shift_start: Hertz = Field(description="bus frequency at which curtailment begins")
    shift_stop: Hertz = Field(description="bus frequency at which PV power should be none")
    shift_maximum: Hertz = Field(description="highest bus frequency of the shift")
    shift_rate: HertzPerSecond = 3.0
    throw_off: Hertz | None = Field(
        default=None, description="bus frequency that throws PV off before re-transfer when full"
    )
    transfer_time: Time = Field(description="from the loss of the grid to the bus being formed")
    grid_wait: Time = Field(description="for how long the grid must be good before re-transfer")
    grid_voltage_window: tuple[Ratio, Ratio] = Field(
        default=(0.85, 1.15), description="of rated voltage, every phase: outside it the grid counts as lost"
    )
    grid_frequency_window: tuple[Hertz, Hertz] | None = Field(
        default=None, description="outside it the grid counts as lost; unsaid: 1.5 Hz round rated"
    )
    pass_through_power: Watts | None = Field(
        default=None, description="what its transfer relay bears between grid and bus, all phases"
    )
    pass_through_time: Time = Field(default=5.0, description="for how long it bears more before it opens")
    equalise_voltage: Volts | None = Field(default=None, description="of an equalising charge (lead-acid)")
    equalise_time: Time = 3600.0
    temperature_compensation: VoltsPerKelvin | None = Field(
        default=None,
        description="by which charge voltages fall per kelvin above 25 degC, a cell; unsaid: as usual for the chemistry",
    )
    low_battery_voltage: Volts | None = Field(
        default=None, description="at which it switches itself off to spare the battery; unsaid: it does not"
    )
    low_battery_delay: Time = 10.0
    restart_voltage: Volts | None = Field(
        default=None, description="from which it starts again after that; unsaid: 4 % above the cut-off"
    )
    restart_wait: Time = Field(
        default=900.0, description="after which it forms the bus once more all the same, so that PV may come"
    )
    restart_try: Time = Field(default=180.0, description="for how long it then bears a low battery")
    give_up_after: Time = Field(
        default=30.0, description="at the highest shift without holding the limits: then it throws PV off"
    )
    dc_trip_high: Volts
    dc_trip_low: Volts


class VoltVar(Part):
    """Vars by voltage (IEEE 1547-2018, 5.3.3): four voltages, and the vars delivered at the first and the last.

    Voltages per unit of rated voltage, vars per unit of rated apparent power. The defaults are those of category B.
    """

    voltages: tuple[Ratio, Ratio, Ratio, Ratio] = (0.92, 0.98, 1.02, 1.08)
    low: Share = Field(default=0.44, description="delivered at the first voltage and below")
    high: Share = Field(default=0.44, description="taken at the last voltage and above")
    response_time: Time = Field(default=5.0, description="to 90 % of the final change")

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if list(self.voltages) != sorted(set(self.voltages)):
            raise Mended("the voltages do not rise", "give four voltages, each above the one before")
        return self


class VoltWatt(Part):
    """Power by voltage (IEEE 1547-2018, 5.4.2): full power up to the first voltage, `least` at the second and above."""

    voltages: tuple[Ratio, Ratio] = (1.06, 1.10)
    least: Share = 0.2
    response_time: Time = Field(default=10.0, description="to 90 % of the final change")

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.voltages[1] <= self.voltages[0]:
            raise Mended("the voltages do not rise", "give two voltages, the second above the first")
        return self


class FurtherTrips(Part):
    """Second levels of the trips, farther out and faster (or nearer and slower) than the first."""

    frequency_high: Hertz | None = None
    frequency_high_delay: TimeOrNone = 0.16
    frequency_low: Hertz | None = None
    frequency_low_delay: TimeOrNone = 0.16
    voltage_high: Volts | None = None
    voltage_high_delay: TimeOrNone = 0.16
    voltage_low: Volts | None = None
    voltage_low_delay: TimeOrNone = 0.16


class PvInverterPart(Nameplate):
    """The grid-following inverter: rating, frequency-power profiles, trips, enter service."""

    rated_power: Watts
    connection: Connection | None = Field(
        default=None, description="unsaid: L1, L1-L2 or three-phase, as the bus is"
    )
    responds: bool = Field(default=True, description="it has a frequency-power response at all")
    profile: Literal["grid", "island"] = Field(default="island", description="the profile set in it")
    reference: Literal["rated power", "power at crossing", "droop"] = "rated power"
    grid_start: Hertz
    grid_zero: Hertz
    grid_trip: Hertz
    island_start: Hertz
    island_zero: Hertz
    island_trip: Hertz
    trip_low: Hertz
    trip_delay: TimeOrNone = Field(default=0.1, description="of the frequency trips")
    response_time: Time = Field(description="to 90 % of the final change (IEEE 1547-2018, 3.1)")
    trip_voltage_high: Volts
    trip_voltage_low: Volts
    trip_voltage_high_delay: TimeOrNone = 0.2
    trip_voltage_low_delay: TimeOrNone = 2.0
    trip_low_delay: TimeOrNone | None = Field(
        default=None, description="of the under-frequency trip; unsaid: as trip_delay"
    )
    further_trips: FurtherTrips = FurtherTrips()
    latching: bool = Field(
        default=False,
        description="power stays at the lowest that the frequency asked for until it is released",
    )
    release_below: Hertz | None = Field(
        default=None, description="frequency of release; unsaid: the start of the response"
    )
    recovery_time: TimeOrNone = Field(
        default=0.0, description="from none to rated power once released; 0: at once"
    )
    volt_var: VoltVar | None = None
    volt_watt: VoltWatt | None = None
    rated_apparent_power: VoltAmperes | None = Field(default=None, description="unsaid: as the rated power")
    enter_service_delay: TimeOrNone
    ramp_time: Time
    enter_service_frequency: tuple[Hertz, Hertz]
    enter_service_voltage: tuple[Volts, Volts]

    @property
    def start(self) -> float:
        """Hz; of the profile that is set."""
        return self.island_start if self.profile == "island" else self.grid_start

    @property
    def zero(self) -> float:
        """Hz; of the profile that is set."""
        return self.island_zero if self.profile == "island" else self.grid_zero

    @property
    def trip(self) -> float:
        """Hz; of the profile that is set."""
        return self.island_trip if self.profile == "island" else self.grid_trip


class BatteryPart(Nameplate):
    """The battery and its own protection."""

    chemistry: Literal["LFP", "NMC", "lead-acid"]
    cells: int = Field(ge=1, le=1000, description="in series")
    capacity: Charge
    nominal_voltage: Volts
    charge_voltage_limit: Volts
    charge_current_limit: Amperes
    protection_voltage: Volts
    protection_voltage_low: Volts
    protection_delay: TimeOrNone
    cell_protection_voltage: Volts
    over_current: Amperes
    over_current_delay: TimeOrNone
    cell_protection_voltage_low: Volts | None = Field(
        default=None, description="lowest cell; default as usual for the chemistry"
    )
    temperature_high: Kelvins = Field(default=333.15, description="protection against heat")
    charge_temperature_low: Kelvins | None = Field(
        default=None, description="no charging below; default 0 degC for lithium"
    )
    temperature_delay: TimeOrNone = 5.0
    protection_reset: TimeOrNone = Field(
        default=0.0, description="held apart by the bench for so long, it closes again; 0: never by itself"
    )
    charge_taper_from: Share = Field(
        default=1.0, description="state of charge from which the allowed charge current falls; 1: not at all"
    )
    charge_taper_least: Share = Field(default=0.1, description="share of it that is left at full charge")
    rated_time: Time = Field(default=20 * 3600.0, description="discharge time for which capacity is rated")


class ArrayPart(Nameplate):
    """The array: modules in series and parallel; a module by its data-sheet values at standard test conditions."""

    peak_power: Watts
    modules_in_series: int = Field(ge=1, le=1000)
    strings: int = Field(default=1, ge=1, le=1000)
    module_open_circuit_voltage: Volts
    module_short_circuit_current: Amperes
    module_voltage: Volts = Field(description="at maximum power")
    module_current: Amperes = Field(description="at maximum power")
    current_coefficient: Ratio = Field(
        default=0.0005, description="of the short-circuit current, per kelvin, as a ratio"
    )
    cells_in_series: int = Field(default=60, ge=1, le=400)


class FurtherPv(Part):
    """One more PV inverter on the same bus, with its array."""

    inverter: PvInverterPart
    array: ArrayPart


class DcChargerPart(Nameplate):
    """A charge controller from an array to the battery side."""

    rated_current: Amperes = Field(description="into the battery side")
    efficiency: Share = 0.97
    idle_loss: WattsOrNone = 3.0


class DcPv(Part):
    """An array on the battery side, with its charge controller; the battery inverter's charging regulates it too."""

    charger: DcChargerPart
    array: ArrayPart


class TwinPart(Part):
    """The simulation's own parameters; none of them stands on a nameplate."""

    # battery
    series_resistance: Ohms = 0.012
    fast_resistance: Ohms = 0.008
    fast_time: Time = 30.0
    slow_resistance: Ohms = 0.012
    slow_time: Time = 600.0
    cell_spread: Ratio = Field(default=0.002, description="charge of the highest cell above the mean")
    heat_capacity: Joules = Field(default=60e3, description="per kelvin")
    cooling_time: Time = 5 * 3600.0
    ambient: Kelvins = 298.15
    hysteresis_voltage: VoltsOrNone | None = Field(
        default=None, description="of one cell: half the gap; default as usual for the chemistry"
    )
    activation_temperature: KelvinsOrNone | None = Field(
        default=None, description="activation energy of the resistances over the gas constant"
    )
    charge_efficiency: Share | None = Field(default=None, description="charge kept of charge put in")
    rate_exponent: Ratio | None = Field(
        default=None, description="Peukert's; 1: capacity is the same at every rate"
    )
    soc_error: Annotated[float, Amount("1", "2 %", -0.5, 0.5)] = Field(
        default=0.0, description="of the battery's own estimate at the start"
    )
    soc_gain: Ratio = Field(default=1.0, description="of the battery's own current meter")
    soc_drift: Annotated[float, Amount("A", "0.2 A", -10.0, 10.0)] = Field(
        default=0.0, description="offset of the battery's own current meter"
    )
    soc_recalibrates: bool = Field(default=False, description="its estimate goes to 100 % at full charge")
    # battery inverter
    idle_loss: WattsOrNone = 45.0
    linear_loss: Ratio = 0.018
    square_loss: Ratio = Field(default=0.022, description="of rated power, at rated power")
    standby_loss: WattsOrNone = 4.0
    link_capacitance: Farads = 0.03
    bleed_resistance: Ohms = 2000.0
    precharge_resistance: Ohms = 10.0
    output_resistance: OhmsOrNone = Field(default=0.05, description="virtual: droop of voltage with current")
    transient_resistance: OhmsOrNone = Field(default=0.8, description="dip before the voltage loop acts")
    recovery_time: Time = 0.03
    detect_time: TimeOrNone = 0.005
    transfer_spread: TimeOrNone = Field(
        default=0.004, description="by how much a transfer may be faster than the nameplate's time"
    )
    start_time: Time = 2.0
    measuring_time: Time = 0.02
    loop_gain: Ratio = 1.0
    loop_integral: PerSecond = 2.2
    tracking_time: Time = 1.0
    sync_rate: HertzPerSecond = 1.0
    sync_angle: Ratio = Field(default=0.015, description="of a cycle")
    sync_slip: Hertz = 0.15
    # PV inverter
    sun_following_time: Time = 0.15
    frequency_window: Time = 0.1
    frequency_delay: TimeOrNone = Field(default=0.1, le=5.0, description="dead time of the response")
    voltage_window: Time = 0.02
    cease_voltage: Ratio = Field(default=0.5, description="of rated voltage: feeds nothing below it")
    cease_recovery: Time = 0.5
    pv_idle_loss: WattsOrNone = 12.0
    pv_linear_loss: Ratio = 0.012
    pv_square_loss: Ratio = 0.012
    wake_power: Watts = 40.0
    hold_power: WattsOrNone = Field(
        default=0.0,
        description="at the terminals; with less light the PV inverter gives up and starts again; 0: never",
    )
    hold_time: Time = 10.0
    # grid and bus
    grid_resistance: OhmsOrNone = 0.15
    grid_reactance: OhmsOrNone = 0.10
    bus_rise: Time = 0.003
    bus_clamp: Ratio = Field(default=1.25, description="of rated voltage: where surge protection holds a bus")
    drift: HertzPerSecond = Field(default=5.0, description="of a bus that nobody forms")
    grid_neutral_resistance: OhmsOrNone = Field(
        default=0.05, description="of the neutral; in single-phase it is part of the grid's resistance"
    )
    loss_window: Time = Field(default=0.04, description="over which the battery inverter measures frequency")
    limit_time: Time = Field(default=0.02, description="for which it bears more than its surge power, taking")
    sag_time: Time = Field(
        default=0.5, description="for which it forms a bus below 70 % at its current limit"
    )
    sync_voltage: Ratio = Field(default=0.1, description="of rated voltage, difference at re-transfer")
    sync_hold: Time = Field(default=0.2, description="for which all windows must hold before re-transfer")
    motor_start_time: Time = Field(default=0.8, description="of a motor load at rated voltage")


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
            for key, unit in _units_of(type(part)).items():
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
        expected = self.array.peak_power * EXPECTED_IRRADIANCE / STANDARD_IRRADIANCE
        found["pairing.expected_pv_power"] = units.Quantity(
            float(min(expected, self.pv_inverter.rated_power)), "W"
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


def _units_of(part: type[BaseModel]) -> dict[str, str]:
    """Key -> SI unit of each quantity of a part (single ones, not windows)."""
    found: dict[str, str] = {}
    for name, info in part.model_fields.items():
        marks = list(info.metadata)
        for alternative in get_args(info.annotation):  # `Volts | None` keeps its mark on the inside
            marks += getattr(alternative, "__metadata__", ())
        if get_origin(info.annotation) is not tuple:
            for mark in marks:
                if isinstance(mark, Amount):
                    found[name] = mark.unit
    return found


def fit_pairing(document: Document) -> PairingCard:
    """A pairing card from a TOML document. Raises `Refused` with every problem found."""
    return reading.fit(document, PairingCard)


def read_pairing(path: Path | str) -> PairingCard:
    """A pairing card from a file. Raises `Refused` with every problem found."""
    return fit_pairing(reading.load(path))


def preflight(card: PairingCard) -> list[str]:
    """What speaks against this pairing before anything is switched on, in words; empty: nothing found.

    Rules of the trade (common practice): PV power must reach zero below the PV inverter's trip and inside the
    battery inverter's shift range; the trip must lie above that range; PV rating up to the battery inverter's; the
    battery must bear the whole PV power for the moment of a load rejection.
    """
    return list(_findings(card))


def _findings(card: PairingCard) -> Iterator[str]:
    for inverter, _ in card.pv_inverters:
        yield from _findings_of(card, inverter)
    yield from _findings_of_sizes(card)


def _findings_of(card: PairingCard, pv: PvInverterPart) -> Iterator[str]:
    b = card.battery_inverter
    hz = "{:.2f} Hz".format
    if not pv.responds:
        yield (
            f"{pv.name} has no frequency-power response: {b.name} cannot curtail it softly; on a full battery its"
            " surplus stays until something trips"
        )
    else:
        if pv.zero > b.shift_maximum:
            yield (
                f"{pv.name} reaches zero power at {hz(pv.zero)}, above the highest bus frequency of {b.name}"
                f" ({hz(b.shift_maximum)}): a full battery cannot be held"
            )
        elif pv.zero > b.shift_stop:
            yield (
                f"{pv.name} reaches zero power at {hz(pv.zero)}, above the end of the shift range of {b.name}"
                f" ({hz(b.shift_stop)}): only its reserve up to {hz(b.shift_maximum)} holds a full battery"
            )
        if pv.zero >= pv.trip:
            yield (
                f"{pv.name} trips at {hz(pv.trip)} before its power is down to zero at {hz(pv.zero)}: it will trip,"
                " wait and return instead of backing off"
            )
        if pv.start < b.rated_frequency + 0.1:
            yield f"{pv.name} begins to back off at {hz(pv.start)}, within 0.1 Hz of nominal: it will lose energy all day"
    if pv.trip <= b.shift_maximum:
        yield (
            f"the over-frequency trip of {pv.name} ({hz(pv.trip)}) lies inside the shift range of {b.name} (up to"
            f" {hz(b.shift_maximum)}): trip, wait and return, again and again (saw-tooth)"
        )
    elif not pv.responds:
        yield (
            f"the over-frequency trip of {pv.name} ({hz(pv.trip)}) lies outside the shift range of {b.name} (up to"
            f" {hz(b.shift_maximum)}): nothing stops an overcharge but the battery's own protection"
        )
    if b.throw_off is not None and b.throw_off <= pv.trip:
        yield (
            f"{b.name} throws PV off at {hz(b.throw_off)}, but {pv.name} trips only above {hz(pv.trip)}: at grid"
            " return a full battery may be charged on"
        )


def _findings_of_sizes(card: PairingCard) -> Iterator[str]:
    b, c = card.battery_inverter, card.battery
    names = " and ".join(inverter.name for inverter, _ in card.pv_inverters)
    power = sum(inverter.rated_power for inverter, _ in card.pv_inverters)
    if power > b.rated_power:
        yield (
            f"{names} ({power / 1e3:.1f} kW) {'are' if card.further_pv else 'is'} rated above {b.name}"
            f" ({b.rated_power / 1e3:.1f} kW): a load rejection can overload the battery inverter (1:1 rule)"
        )
    bears = b.rated_power / card.phases
    for phase, most in _phase_ratings(card).items():
        if card.phases > 1 and power <= b.rated_power < most * card.phases:
            yield (
                f"{names} put {most / 1e3:.1f} kW on {phase}, above the {bears / 1e3:.1f} kW that {b.name} bears in one"
                " phase: it must curtail them all for that phase"
            )
    current = power / c.nominal_voltage
    if current > c.charge_current_limit:
        yield (
            f"full PV power means {current:.0f} A into {c.name}, above its charge limit of"
            f" {c.charge_current_limit:.0f} A, at the moment of a load rejection"
        )
    peak = sum(array.peak_power for _, array in card.pv_inverters) + (
        card.dc_pv.array.peak_power if card.dc_pv else 0
    )
    per_kilowatt = c.capacity / 3600.0 * c.nominal_voltage / 48.0 / (peak / 1e3)
    if c.chemistry == "lead-acid" and per_kilowatt < 100.0:  # order of magnitude, common practice
        yield (
            f"{c.name} has {per_kilowatt:.0f} Ah at 48 V for each kilowatt of array, less than 100: near full charge it cannot"
            " take a load rejection"
        )
    if b.low_battery_voltage and (b.restart_voltage or 9e9) < 1.03 * b.low_battery_voltage:
        yield (
            f"{b.name} restarts at {b.restart_voltage:.1f} V, hardly above its low-battery cut-off at"
            f" {b.low_battery_voltage:.1f} V: a battery at rest comes back to that by itself, so it cycles"
        )
    if b.absorption_voltage > c.charge_voltage_limit:
        yield (
            f"{b.name} charges to {b.absorption_voltage:.1f} V, above the charge voltage limit of {c.name}"
            f" ({c.charge_voltage_limit:.1f} V)"
        )
    if c.protection_voltage >= b.dc_trip_high:
        yield (
            f"{b.name} trips on its DC side at {b.dc_trip_high:.1f} V, not above the protection of {c.name}"
            f" ({c.protection_voltage:.1f} V)"
        )
    if c.protection_voltage_low < b.dc_trip_low:
        yield (
            f"{c.name} lets the voltage fall to {c.protection_voltage_low:.1f} V, below the DC trip of {b.name}"
            f" ({b.dc_trip_low:.1f} V)"
        )


def _phase_ratings(card: PairingCard) -> dict[str, float]:
    """W of PV inverters on each phase, by their ratings."""
    names = [f"L{k + 1}" for k in range(card.phases)]
    found = dict.fromkeys(names, 0.0)
    for inverter, _ in card.pv_inverters:
        place = card.connection(inverter)
        on = {"three-phase": names, "L1-L2": names[:2]}.get(place, [place])
        for name in on:
            found[name] += inverter.rated_power / len(on)
    return found


__all__ = [
    "ArrayPart", "BatteryInverterPart", "BatteryPart", "Connection", "DcChargerPart", "DcPv", "FurtherPv", "PairingCard", "PvInverterPart", "TwinPart",
    "fit_pairing", "preflight", "read_pairing",
]  # fmt: skip
