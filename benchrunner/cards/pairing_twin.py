"""The simulation's own parameters of a pairing card, apart from the nameplates, so that a fit can replace them."""

from typing import Annotated

from pydantic import Field

from benchrunner.cards.amounts import (
    Amount,
    Farads,
    Hertz,
    HertzPerSecond,
    Joules,
    Kelvins,
    KelvinsOrNone,
    Ohms,
    OhmsOrNone,
    PerSecond,
    Ratio,
    Share,
    Time,
    TimeOrNone,
    VoltsOrNone,
    Watts,
    WattsOrNone,
)
from benchrunner.cards.pairing_parts import Part


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
