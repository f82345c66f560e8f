"""Owns the way from a pairing card to the plant's parameter arrays."""

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.sim.array import PvArray
from benchrunner.sim.battery_parameters import battery_parameters
from benchrunner.sim.chemistry import CHEMISTRIES
from benchrunner.sim.layout import CONNECTION, PV_MOST, STAGE, P, Q

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard
    from benchrunner.cards.pairing_parts import ArrayPart, PvInverterPart

Array = npt.NDArray[np.float64]
_NEVER = 1e9
LAYER_CROSSOVER = 1.0  # rad/s of the voltage loop on a battery whose voltage follows a double layer
LAYER_INTEGRAL = 0.2  # of that, where its integral part takes over
_CONNECTIONS: dict[str, float] = {
    "L1": CONNECTION.l1, "L2": CONNECTION.l2, "L3": CONNECTION.l3, "L1-L2": CONNECTION.l1_l2,
    "three-phase": CONNECTION.all_phases,
}  # fmt: skip
_REFERENCE = {"rated power": 0.0, "power at crossing": 1.0, "droop": 2.0}


def parameters(card: "PairingCard") -> Array:
    """The parameter array of `sim.layout` for a card."""
    values = {
        **battery_parameters(card), **_battery_inverter(card), **_charger(card), **_network(card),
    }  # fmt: skip
    compensation = card.battery_inverter.temperature_compensation
    if compensation is not None:
        values["v_temperature"] = -compensation * card.battery.cells
    return _filled(values, P._asdict())


def pv_parameters(card: "PairingCard") -> Array:
    """The parameter rows of the PV inverters, one for each of `PV_MOST` places; places without one are zero."""
    rows = np.zeros((PV_MOST, len(Q._fields)))
    for k, (inverter, _) in enumerate(card.pv_inverters):
        rows[k] = _filled(_pv_inverter(card, inverter), Q._asdict())
    return rows


def _filled(values: dict[str, float], places: dict[str, int]) -> Array:
    array = np.empty(len(places))
    for name, index in places.items():
        array[index] = values[name]
    return array


def _battery_inverter(card: "PairingCard") -> dict[str, float]:
    b, c, t = card.battery_inverter, card.battery, card.twin
    # volts for each ampere as the voltage loop meets them: resistances, and for lead-acid the double layer's charging in
    # its own time. Such a battery integrates, so its loop may do so only slowly: a fifth of the crossover, 45 degrees or more
    # of phase left with a PV inverter that answers in 1.5 s
    total = t.series_resistance + t.fast_resistance + t.slow_resistance
    integral = t.loop_integral
    layer = CHEMISTRIES[c.chemistry].double_layer * c.capacity / 3600.0 / c.cells
    if layer > 0.0:
        total += 1.0 / (layer * LAYER_CROSSOVER)
        integral = min(integral, LAYER_INTEGRAL * LAYER_CROSSOVER)
    window = b.grid_frequency_window or (b.rated_frequency - 1.5, b.rated_frequency + 1.5)
    return {
        "link_capacitance": t.link_capacitance,
        "bleed": t.bleed_resistance,
        "precharge": t.precharge_resistance,
        "dc_trip_high": b.dc_trip_high,
        "dc_trip_low": b.dc_trip_low,
        "p_rated": b.rated_power,
        "p_surge": b.surge_power,
        "overload_time": b.surge_time,
        "surge_time": t.limit_time,
        "sag_time": t.sag_time,
        "dc_nominal": c.nominal_voltage,
        "v_nominal": card.phase_voltage,
        "f_nominal": b.rated_frequency,
        "idle_loss": t.idle_loss,
        "linear_loss": t.linear_loss,
        "square_loss": t.square_loss,
        "standby_loss": t.standby_loss,
        "r_output": t.output_resistance,
        "r_transient": t.transient_resistance,
        "recovery_time": t.recovery_time,
        "detect_time": t.detect_time,
        "transfer_time": b.transfer_time,
        "transfer_spread": min(t.transfer_spread, max(0.0, b.transfer_time - t.detect_time)),
        "grid_wait": b.grid_wait,
        "loss_window": t.loss_window,
        "start_time": t.start_time,
        "grid_low": b.grid_voltage_window[0] * card.phase_voltage,
        "grid_high": b.grid_voltage_window[1] * card.phase_voltage,
        "grid_f_low": window[0],
        "grid_f_high": window[1],
        "charge_current": b.charge_current,
        "grid_charge_current": b.grid_charge_current,
        "charge_from_surplus": float(b.charge_from_surplus),
        "v_absorption": b.absorption_voltage,
        "v_float": b.float_voltage,
        "absorption_time": b.absorption_time,
        "tail_current": b.tail_current,
        "tail_hold": b.tail_hold,
        "full_soc": b.full_soc,
        "rebulk_soc": b.rebulk_soc,
        "after_charge": STAGE.rest if b.after_charge == "rest" else STAGE.float,
        "v_cell_limit": b.cell_voltage_limit if b.cell_voltage_limit is not None else _NEVER,
        "shift_start": b.shift_start - b.rated_frequency,
        "shift_stop": b.shift_stop - b.rated_frequency,
        "shift_maximum": b.shift_maximum - b.rated_frequency,
        "shift_rate": b.shift_rate,
        "loop_gain": t.loop_gain,
        "loop_integral": t.loop_integral,
        "voltage_integral": integral,
        "tracking_time": t.tracking_time,
        "measuring_time": t.measuring_time,
        "v_scale": b.rated_power / c.nominal_voltage * total,
        "throw_off": b.throw_off or 0.0,
        "sync_rate": t.sync_rate,
        "sync_angle": t.sync_angle,
        "sync_slip": t.sync_slip,
        "sync_voltage": t.sync_voltage * card.phase_voltage,
        "sync_hold": t.sync_hold,
        "pass_power": b.pass_through_power or _NEVER,
        "pass_time": b.pass_through_time,
        "give_up_after": b.give_up_after,
        "v_equalise": b.equalise_voltage or 0.0,
        "equalise_time": b.equalise_time,
        "v_low": b.low_battery_voltage or 0.0,
        "low_delay": b.low_battery_delay,
        "v_restart": b.restart_voltage or 1.04 * (b.low_battery_voltage or 0.0),
        "restart_wait": b.restart_wait,
        "restart_try": b.restart_try,
    }


def _pv_inverter(card: "PairingCard", pv: "PvInverterPart") -> dict[str, float]:
    """What the kernel's PV inverter needs, by the names of `layout.PvParameters`."""
    t, place = card.twin, card.connection(pv)
    rated_voltage = card.battery_inverter.rated_voltage if place == "L1-L2" else card.phase_voltage
    # of the lag that, after the dead time and the measuring window, brings 90 % of a change after the response time
    lag = max(0.02, (pv.response_time - t.frequency_delay) / math.log(10.0) - t.frequency_window)
    return {
        "present": 1.0,
        "connection": _CONNECTIONS[place],
        "phases": 3.0 if place == "three-phase" else 1.0,
        "v_rated": rated_voltage,
        "rated": pv.rated_power,
        "start": pv.start,
        "zero": pv.zero,
        "reference": _REFERENCE[pv.reference],
        "responds": float(pv.responds),
        "time": lag,
        "tracking": t.sun_following_time,
        "f_window": t.frequency_window,
        "f_delay": t.frequency_delay,
        "v_window": t.voltage_window,
        "f_trip": pv.trip,
        "f_trip_low": pv.trip_low,
        "f_trip_delay": pv.trip_delay,
        "v_trip": pv.trip_voltage_high,
        "v_trip_low": pv.trip_voltage_low,
        "v_trip_delay": pv.trip_voltage_high_delay,
        "v_trip_low_delay": pv.trip_voltage_low_delay,
        "enter_delay": pv.enter_service_delay,
        "ramp_time": pv.ramp_time,
        "enter_f_low": pv.enter_service_frequency[0],
        "enter_f_high": pv.enter_service_frequency[1],
        "enter_v_low": pv.enter_service_voltage[0],
        "enter_v_high": pv.enter_service_voltage[1],
        "cease_v": t.cease_voltage * rated_voltage,
        "recovery_time": t.cease_recovery,
        "loss0": t.pv_idle_loss,
        "loss1": t.pv_linear_loss,
        "loss2": t.pv_square_loss / pv.rated_power,
        "wake": t.wake_power,
        "hold": t.hold_power,
        "hold_time": t.hold_time,
        **_responses(pv, rated_voltage),
    }


def _responses(pv: "PvInverterPart", rated_voltage: float) -> dict[str, float]:
    """Further trips, latching, and what voltage does to power and vars; what a card does not state is switched off."""
    further, var, watt = pv.further_trips, pv.volt_var, pv.volt_watt
    voltages = var.voltages if var else (0.0, 0.0, 0.0, 0.0)
    return {
        "latches": float(pv.latching),
        "release": pv.release_below if pv.release_below is not None else pv.start,
        "recovery_rate": 1.0 / pv.recovery_time if pv.recovery_time > 0.0 else 0.0,
        "f_trip_low_delay": pv.trip_low_delay if pv.trip_low_delay is not None else pv.trip_delay,
        "f_trip2": further.frequency_high if further.frequency_high is not None else _NEVER,
        "f_trip2_delay": further.frequency_high_delay,
        "f_trip2_low": further.frequency_low if further.frequency_low is not None else -_NEVER,
        "f_trip2_low_delay": further.frequency_low_delay,
        "v_trip2": further.voltage_high if further.voltage_high is not None else _NEVER,
        "v_trip2_delay": further.voltage_high_delay,
        "v_trip2_low": further.voltage_low if further.voltage_low is not None else -_NEVER,
        "v_trip2_low_delay": further.voltage_low_delay,
        "apparent": pv.rated_apparent_power if pv.rated_apparent_power is not None else pv.rated_power,
        "var_v1": voltages[0] * rated_voltage,
        "var_v2": voltages[1] * rated_voltage,
        "var_v3": voltages[2] * rated_voltage,
        "var_v4": voltages[3] * rated_voltage,
        "var_q1": var.low if var else 0.0,
        "var_q4": var.high if var else 0.0,
        "var_time": var.response_time / math.log(10.0) if var else 0.0,
        "watt_v1": watt.voltages[0] * rated_voltage if watt else 0.0,
        "watt_v2": watt.voltages[1] * rated_voltage if watt else 0.0,
        "watt_p2": watt.least if watt else 1.0,
        "watt_time": watt.response_time / math.log(10.0) if watt else 0.0,
    }


def _charger(card: "PairingCard") -> dict[str, float]:
    """The charge controller of the DC-coupled array."""
    dc, t = card.dc_pv, card.twin
    return {
        "dc_present": float(dc is not None),
        "dc_current": dc.charger.rated_current if dc else 0.0,
        "dc_efficiency": dc.charger.efficiency if dc else 1.0,
        "dc_idle": dc.charger.idle_loss if dc else 0.0,
        "dc_tracking": t.sun_following_time,
        "v_charger": min(1.01 * card.battery_inverter.absorption_voltage, card.battery.charge_voltage_limit),
    }


def _network(card: "PairingCard") -> dict[str, float]:
    b, t = card.battery_inverter, card.twin
    return {
        "phases": float(card.phases),
        "v_factor": b.rated_voltage / card.phase_voltage,
        "grid_neutral": t.grid_neutral_resistance,
        "motor_inertia": t.motor_start_time / start_time_per_inertia(),
        "bus_rise": t.bus_rise,
        "bus_clamp": t.bus_clamp * card.phase_voltage,
        "drift": t.drift,
    }


def array_of(a: "ArrayPart") -> PvArray:
    """The array of a card's part."""
    return PvArray(
        open_circuit_voltage=a.module_open_circuit_voltage,
        short_circuit_current=a.module_short_circuit_current,
        voltage=a.module_voltage,
        current=a.module_current,
        current_coefficient=a.current_coefficient,
        cells_in_series=a.cells_in_series,
        modules_in_series=a.modules_in_series,
        strings=a.strings,
    )


def start_time_per_inertia() -> float:
    """Time in which a motor starts at rated voltage, to within 5 % of its rated slip, for an inertia constant of 1 s."""
    from benchrunner.sim.kernel.loads import MOTOR_R1, MOTOR_R2, MOTOR_X, RATED_SLIP, RATED_TORQUE

    slip = np.linspace(1.0, 1.05 * RATED_SLIP, 20_001)
    r = MOTOR_R1 + MOTOR_R2 / slip
    push = (MOTOR_R2 / slip) / (r * r + MOTOR_X**2) - RATED_TORQUE * ((1.0 - slip) / (1.0 - RATED_SLIP)) ** 2
    return float(np.trapezoid(1.0 / push, 1.0 - slip))
