"""The parts of a pairing card: what stands on the nameplates of the inverters, the battery and the array.

Quantities stand as text with their unit; the model holds SI floats. Frequencies are absolute.
"""

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchrunner.cards.amounts import (
    Amperes,
    AmperesOrNone,
    Charge,
    Hertz,
    HertzPerSecond,
    Kelvins,
    Ratio,
    Share,
    Time,
    TimeOrNone,
    VoltAmperes,
    Volts,
    VoltsPerKelvin,
    Watts,
    WattsOrNone,
)
from benchrunner.cards.reading import Mended

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
