"""Owns the way from a pairing card's battery to the kernel's parameters, with what is usual for its chemistry."""

from typing import TYPE_CHECKING

from benchrunner.sim import open_circuit
from benchrunner.sim.chemistry import CHEMISTRIES

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

_NEVER = 1e9
_NO_LAYER = 1.0  # F, of a chemistry whose charging resistance does not rise: never used
RATE_TIME = 60.0  # s with which the rate effect on capacity follows the current (from memory)


def battery_parameters(card: "PairingCard") -> dict[str, float]:
    """What the kernel's battery needs, by the names of `layout.Parameters`."""
    c, t = card.battery, card.twin
    usual = CHEMISTRIES[c.chemistry]
    hours = c.rated_time / 3600.0
    low = c.cell_protection_voltage_low
    cold = c.charge_temperature_low if c.charge_temperature_low is not None else usual.cold
    return {
        "cells": c.cells,
        "capacity": c.capacity,
        "r0": t.series_resistance,
        "r1": t.fast_resistance,
        "c1": t.fast_time / t.fast_resistance,
        "r2": t.slow_resistance,
        "c2": t.slow_time / t.slow_resistance,
        "cell_spread": t.cell_spread,
        "heat_capacity": t.heat_capacity,
        "thermal_time": t.cooling_time,
        "ambient": t.ambient,
        "v_protection": c.protection_voltage,
        "v_protection_low": c.protection_voltage_low,
        "protection_delay": c.protection_delay,
        "v_cell_protection": c.cell_protection_voltage,
        "v_cell_protection_low": low if low is not None else usual.lowest,
        "over_current": c.over_current,
        "over_current_delay": c.over_current_delay,
        "hot": c.temperature_high,
        "cold": cold,
        "temperature_delay": c.temperature_delay,
        "reset_time": c.protection_reset,
        "charge_current_limit": c.charge_current_limit,
        "hysteresis": c.cells * _or(t.hysteresis_voltage, usual.hysteresis),
        "hysteresis_rate": usual.hysteresis_rate,
        "activation": _or(t.activation_temperature, usual.activation),
        "low_rise": usual.low_rise,
        "full_rise": usual.full_rise,
        "full_width": usual.full_width,
        "c_full": usual.double_layer * c.capacity / 3600.0 / c.cells or _NO_LAYER,
        "inefficiency": 1.0 - _or(t.charge_efficiency, usual.efficiency),
        "gas_current": usual.gas_current * c.capacity / 3600.0,
        "gas_voltage": usual.gas_voltage,
        "gas_temperature": usual.gas_temperature,
        "rate_exponent": max(0.0, _or(t.rate_exponent, usual.rate_exponent) - 1.0),
        "rate_current": c.capacity / 3600.0 / hours,
        "rate_time": RATE_TIME,
        "estimate_gain": t.soc_gain,
        "estimate_offset": t.soc_drift,
        "recalibrates": float(t.soc_recalibrates),
        "full_cell": 0.985 * c.charge_voltage_limit / c.cells,
        "full_current": 0.05 * c.capacity / 3600.0,
        "taper_from": c.charge_taper_from,
        "taper_least": c.charge_taper_least,
        "warm": cold + 10.0 if cold > 0.0 else 0.0,
        "v_temperature": c.cells * usual.v_temperature,
        "soc_first": open_circuit.FIRST,
        "soc_step": open_circuit.STEP,
    }


def _or(stated: float | None, usual: float) -> float:
    return usual if stated is None else stated
