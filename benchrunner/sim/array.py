"""Owns the PV array: a single-diode model through pvlib (De Soto 2006), its maximum power and its voltage.

Ranges: irradiance 0 to 1600 W/m^2, cell temperature -40 to 100 degC; uniform, no shading, no mismatch.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchrunner.sim.kept import kept

Array = npt.NDArray[np.float64]
KELVIN = 273.15
BOLTZMANN, CHARGE = 1.380649e-23, 1.602176634e-19  # J/K, C: exact in the SI of 2019
BAND_GAP = 1.121  # eV, crystalline silicon, and its change per kelvin (De Soto 2006)
BAND_GAP_CHANGE = -0.0002677
CURVE_POINTS = 65


@dataclass(frozen=True, slots=True)
class PvArray:
    """An array by its modules' data-sheet values at standard test conditions (1000 W/m^2, 25 degC).

    Voltages V, currents A; `current_coefficient` as a ratio per kelvin; `parameters`: the module's five parameters of
    the single-diode model at those conditions (A, A, ohm, ohm, V), where they are known.
    """

    open_circuit_voltage: float
    short_circuit_current: float
    voltage: float
    current: float
    current_coefficient: float = 0.0005
    cells_in_series: int = 60
    modules_in_series: int = 1
    strings: int = 1
    parameters: tuple[float, float, float, float, float] | None = None  # I_L, I_o, R_s, R_sh, a; else fitted

    def operating_point(self, irradiance: float, temperature: float) -> tuple[float, float, float]:
        """Power, voltage and current of the whole array at its maximum power point, W, V, A.

        `irradiance` in W/m^2 in the plane of the array, `temperature` of the cells in K.
        """
        power, voltage, _ = _solve(self, float(irradiance), float(temperature))
        return power, voltage, power / voltage if voltage else 0.0

    def curve(self, irradiance: float, temperature: float) -> tuple[float, Array]:
        """Maximum power, W, and the array's voltage at `CURVE_POINTS` even shares of it, from none to all."""
        power, _, curve = _solve(self, float(irradiance), float(temperature))
        return power, curve


@lru_cache(maxsize=64)
def single_diode(array: PvArray) -> dict[str, float]:
    """The module's five parameters at standard test conditions that reproduce its data-sheet points.

    For an ideality and a series resistance the three points (short circuit, open circuit, maximum power) are linear
    in photo current, saturation current and shunt conductance; the series resistance is the one at which power is
    stationary at the maximum power point, the ideality the lowest of 1.0..1.6 that leaves a positive shunt.
    Raises `ValueError` where no module can have these values.
    """
    if array.parameters is not None:
        names = ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")
        return dict(zip(names, array.parameters, strict=True))
    from scipy.optimize import brentq

    thermal = BOLTZMANN * (25.0 + KELVIN) / CHARGE
    points = (
        (array.open_circuit_voltage, 0.0),
        (0.0, array.short_circuit_current),
        (array.voltage, array.current),
    )

    def solve(a: float, r_s: float) -> tuple[float, float, float, float]:
        inner = np.array([v + i * r_s for v, i in points])
        # scaled by the largest exponential, so that the system stays well conditioned
        top = float(inner.max() / a)
        matrix = np.stack([np.ones(3), -(np.exp(inner / a - top) - np.exp(-top)), -inner], axis=1)
        photo, scaled, shunt = np.linalg.solve(matrix, np.array([i for _, i in points]))
        conductance = scaled / a * np.exp(inner[2] / a - top) + shunt
        slope = -conductance / (1.0 + r_s * conductance)  # dI/dV at the maximum power point
        return (
            float(array.current + array.voltage * slope),
            float(photo),
            float(scaled * np.exp(-top)),
            float(shunt),
        )

    most = (array.open_circuit_voltage - array.voltage) / array.current
    for ideality in np.arange(1.0, 1.61, 0.05):
        a = ideality * array.cells_in_series * thermal
        tries = np.linspace(0.0, 0.98 * most, 60)
        error = [solve(a, r)[0] for r in tries]
        for k in range(len(tries) - 1):
            if error[k] * error[k + 1] < 0:
                r_s = float(brentq(lambda r, a=a: solve(a, r)[0], tries[k], tries[k + 1], xtol=1e-12))
                _, photo, saturation, shunt = solve(a, r_s)
                if shunt > 1e-5 and saturation > 0.0 and r_s > 0.0:
                    return {
                        "I_L_ref": photo,
                        "I_o_ref": saturation,
                        "R_s": r_s,
                        "R_sh_ref": 1.0 / shunt,
                        "a_ref": a,
                    }
    raise ValueError(
        "no single-diode model passes through the module's open-circuit, short-circuit and maximum-power values"
    )


def load() -> None:
    """Load what solves the array now. Where time runs, the first sun that no table is kept of must not wait for it."""
    import scipy.optimize  # noqa: F401


@lru_cache(maxsize=512)
def _solve(array: PvArray, irradiance: float, temperature: float) -> tuple[float, float, Array]:
    """Maximum power, its voltage, and the voltage at even shares of it (on the high side), for the whole array."""
    if not (0.0 <= irradiance <= 1600.0 and 233.0 <= temperature <= 374.0):
        raise ValueError(f"{irradiance:g} W/m^2 and {temperature:g} K lie outside the model's range")
    if irradiance < 1.0:
        return 0.0, 0.0, np.zeros(CURVE_POINTS)
    found = kept(
        __file__,
        "pvlib",
        (array, irradiance, temperature),
        (2 + CURVE_POINTS,),
        lambda: _work_out(array, irradiance, temperature),
    )
    curve = found[2:]
    curve.setflags(write=False)
    return float(found[0]), float(found[1]), curve


def _work_out(array: PvArray, irradiance: float, temperature: float) -> Array:
    """What `_solve` gives, one after the other."""
    from pvlib import pvsystem

    reference = single_diode(array)
    five = pvsystem.calcparams_desoto(
        irradiance,
        temperature - KELVIN,
        alpha_sc=array.current_coefficient * array.short_circuit_current,
        a_ref=reference["a_ref"],
        I_L_ref=reference["I_L_ref"],
        I_o_ref=reference["I_o_ref"],
        R_sh_ref=reference["R_sh_ref"],
        R_s=reference["R_s"],
        EgRef=BAND_GAP,
        dEgdT=BAND_GAP_CHANGE,
    )
    best = pvsystem.singlediode(*five)
    v_oc, v_mp, p_mp = float(best["v_oc"]), float(best["v_mp"]), float(best["p_mp"])
    volts = np.linspace(v_mp, v_oc, 400)
    watts = volts * np.asarray(pvsystem.i_from_v(volts, *five))
    watts[0], watts[-1] = p_mp, 0.0
    curve = np.interp(np.linspace(0.0, p_mp, CURVE_POINTS), watts[::-1], volts[::-1])
    size = array.modules_in_series
    return np.concatenate([[p_mp * size * array.strings, v_mp * size], curve * size])
