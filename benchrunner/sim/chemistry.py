"""Owns what is usual for a battery chemistry where a pairing card does not say otherwise.

Where a figure has a published source it is named; the others are from memory and stand for the order of magnitude.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Figures of one cell, SI."""

    hysteresis: float  # V, half the gap between the branches of the open-circuit voltage
    hysteresis_rate: (
        float  # per unit state of charge; Plett 2004 (J. Power Sources 134, 277), one-state model
    )
    activation: float  # K, activation energy of the resistances over the gas constant
    low_rise: float  # of the resistances towards no charge, per unit
    full_rise: float  # of the charging resistance at full charge, per unit (form: Ceraolo 2000, IEEE Trans. Power Syst. 15, 1184)
    full_width: float
    double_layer: float  # F for each A h of a cell, both electrodes in series: Sulzer et al. 2019 (J. Electrochem. Soc. 166, A2363)
    efficiency: float  # charge kept of charge put in
    gas_current: (
        float  # A for each A h at 2.23 V and 20 degC: Schiffer et al. 2007 (J. Power Sources 168, 66)
    )
    gas_voltage: float  # 1/V, same source
    gas_temperature: float  # 1/K, same source
    rate_exponent: float  # Peukert's
    lowest: float  # V, protection of a cell
    cold: float  # K, no charging below; 0: no such limit
    v_temperature: float  # V/K of a cell: temperature compensation of the charge voltage (-3 to -5 mV/K, common practice)


CHEMISTRIES: dict[str, Chemistry] = {
    "LFP": Chemistry(0.010, 50.0, 2400.0, 0.6, 0.0, 0.05, 0.0, 0.998, 0.0, 0.0, 0.0, 1.0, 2.5, 273.15, 0.0),
    "NMC": Chemistry(0.002, 100.0, 3000.0, 0.8, 0.0, 0.05, 0.0, 0.999, 0.0, 0.0, 0.0, 1.0, 2.8, 273.15, 0.0),
    "lead-acid": Chemistry(
        0.0, 1.0, 1500.0, 1.5, 190.0, 0.04, 1.35, 0.99, 2e-4, 11.0, 0.06, 1.2, 1.75, 0.0, -0.004
    ),
}
