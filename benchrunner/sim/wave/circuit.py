"""The circuit of the time-domain model: its parts with their values, and where each value comes from.

Of each phase: a battery inverter's averaged bridge with filter choke and capacitor, a PV inverter's averaged bridge
behind a choke, the loads (resistive, an inductive branch, prescribed harmonics), and the grid as a source behind an
impedance. DC link, DC stage and battery are common to the phases:

    battery --R--+-- DC stage --+-- bridge --L--+-- bus --+--+-- relay -- grid switch -- R,L -- source
                 C_t           C_dc             C         |  |
                                                        load  PV choke -- PV bridge

A PV inverter between the legs of split-phase stands there as two halves, each against the neutral, and so does a load
between them. The inductive part of the loads is one choke with a resistance of `LOAD_FACTOR` of its reactance: that of a
standing motor (power factor 0.3, common practice).

Not modelled: pulses of the bridge (the averaged voltage stands for them), arcs in opening contacts (an
opening contact chops its current; a real arc may last to the next current zero, up to half a cycle),
saturation of chokes and of transformers (no transformer inrush), loads that are capacitive at an event, cables.
"""

import math
from dataclasses import dataclass, fields

ZERO = ("pv_trip_peak", "neutral_resistance")  # may be none
LOAD_FACTOR = 0.3  # of the inductive branch: resistance over reactance


@dataclass(frozen=True, slots=True)
class Circuit:
    """Values in SI units; defaults suit a single-phase 6 kVA, 230 V battery inverter (common practice).

    AC values are those of one phase against the neutral.
    """

    rated_voltage: float = 230.0  # V RMS
    rated_frequency: float = 50.0  # Hz
    rated_power: float = 6000.0  # VA, of the battery inverter
    phases: int = 1
    neutral_resistance: float = (
        0.0  # ohm, of the grid's neutral; in single-phase it is part of the grid's own
    )
    current_limit: float = 2.0  # battery inverter's peak current over the peak of its rated current
    filter_inductance: float = 0.8e-3  # H
    filter_resistance: float = 0.06  # ohm
    bus_capacitance: float = 25e-6  # F; filter capacitors of both inverters, seen as one
    bleed_resistance: float = 1.5e3  # ohm across the bus: discharge resistors, meters, filter losses
    grid_resistance: float = 0.25  # ohm
    grid_inductance: float = 0.4e-3  # H
    pv_inductance: float = 2.0e-3  # H
    pv_resistance: float = 0.1  # ohm
    pv_dc_voltage: float = 420.0  # V; its bridge cannot drive current against more
    pv_current_limit: float = 1.2 * 5000.0 / 230.0 * math.sqrt(2.0)  # A peak
    pv_trip_peak: float = (
        0.0  # V instantaneous; above it for `pv_trip_hold` the PV inverter lets go; 0: no such trip
    )
    pv_trip_hold: float = 1e-3  # s
    link_voltage: float = 400.0  # V, set-point of the DC stage
    link_capacitance: float = 2e-3  # F
    link_bandwidth: float = 25.0  # Hz, crossover of the DC stage's voltage control
    stage_resistance: float = 2e-3  # ohm on the battery side of the DC stage
    stage_lag: float = 0.3e-3  # s, current control of the DC stage
    stage_current_limit: float = 320.0  # A on the battery side
    terminal_capacitance: float = 20e-3  # F across the battery terminals of the inverter
    battery_resistance: float = 12e-3  # ohm: cells' own resistance, cables and contactor
    inner_bandwidth: float = 1500.0  # Hz, current control of the battery inverter
    outer_bandwidth: float = 350.0  # Hz, its voltage control
    resonant_rate: float = 80.0  # 1/s, rate at which the voltage control removes a remaining 50 Hz error
    pv_bandwidth: float = 1000.0  # Hz, current control of the PV inverter
    pll_rate: float = 50.0  # rad/s, natural frequency of the PV inverter's phase-locked loop
    loss_detection: float = (
        0.5e-3  # s for which the bus must be away from its course before the bridge pauses
    )
    control_period: float = 40e-6  # s
    step: float = 20e-6  # s; divides control_period

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not math.isfinite(value) or value < 0 or (value == 0 and item.name not in ZERO):
                raise ValueError(f"{item.name} is {value}; give a positive number")
        ratio = self.control_period / self.step
        if abs(ratio - round(ratio)) > 1e-9 or round(ratio) < 1:
            raise ValueError("the control period has to be a whole number of steps")
        if self.battery_resistance * self.terminal_capacitance < self.step:
            raise ValueError("battery_resistance x terminal_capacitance is shorter than a step can follow")

    @property
    def every(self) -> int:
        """Steps per control period."""
        return round(self.control_period / self.step)

    @property
    def peak_current(self) -> float:
        """The battery inverter's current limit, A peak."""
        return self.current_limit * math.sqrt(2.0) * self.rated_power / self.rated_voltage

    @property
    def link_gain(self) -> float:
        """Proportional gain of the DC stage, A (at the link) per V; the link alone is 1/(sC)."""
        return 2 * math.pi * self.link_bandwidth * self.link_capacitance

    @property
    def link_integral(self) -> float:
        """Integral gain of the DC stage, A/(V s): its corner at a fifth of the crossover."""
        return self.link_gain * 2 * math.pi * self.link_bandwidth / 5

    def ripple_share(self, angular: float) -> complex:
        """Battery-side power of the DC stage over bridge power, small signal, at `angular` rad/s.

        Closed loop of the link 1/(sC V), PI control and the stage's lag; standard small-signal analysis.
        """
        s = 1j * angular
        loop = (self.link_gain + self.link_integral / s) / (
            s * self.link_capacitance * (1 + s * self.stage_lag)
        )
        return loop / (1 + loop)
