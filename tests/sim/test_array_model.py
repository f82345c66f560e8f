"""The single-diode array against published operating points (`tests/vectors/pv`, two modules of a public data set)."""

import numpy as np
import pytest

from benchrunner.sim import PvArray

MODULES = {"A": ("PV-01", 60), "B": ("PV-02", 60)}
ROWS = [f"PV-{k:02d}" for k in range(4, 16)]


def array(vectors, module, **more):
    values = vectors("pv")[MODULES[module][0]]["expected"]
    return PvArray(
        open_circuit_voltage=values["V_oc_ref"],
        short_circuit_current=values["I_sc_ref"],
        voltage=1.0,
        current=1.0,
        # the data set's Adjust corrects the temperature coefficient of the current, in per cent (Dobos 2012)
        current_coefficient=values["alpha_sc"] * (1 - values["Adjust"] / 100) / values["I_sc_ref"],
        cells_in_series=MODULES[module][1],
        parameters=tuple(values[k] for k in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")),
        **more,
    )


@pytest.mark.parametrize("row", ROWS)
def test_operating_points(row, vectors):
    case = vectors("pv")[row]
    given, expected = case["input"], case["expected"]
    power, voltage, current = array(vectors, given["module"]).operating_point(
        given["G_eff"], given["Tcell_C"] + 273.15
    )
    assert power == pytest.approx(expected["p_mp"], rel=1e-4)
    assert voltage == pytest.approx(expected["v_mp"], rel=1e-3)
    assert current == pytest.approx(expected["i_mp"], rel=1e-3)


def test_curve_runs_from_open_circuit_to_maximum_power(vectors):
    case = vectors("pv")["PV-05"]
    module = array(vectors, "A")
    power, curve = module.curve(800.0, 45.0 + 273.15)
    assert curve[0] == pytest.approx(case["expected"]["v_oc"], rel=1e-4)
    assert curve[-1] == pytest.approx(case["expected"]["v_mp"], rel=1e-3)
    assert np.all(np.diff(curve) < 0)
    assert power == pytest.approx(case["expected"]["p_mp"], rel=1e-4)


def test_fit_passes_through_the_data_sheet():
    """Known by hand: the fitted model gives back the three points that it was fitted to."""
    module = PvArray(41.1, 11.60, 34.5, 11.01, 0.0005, 66)
    power, voltage, current = module.operating_point(1000.0, 298.15)
    assert (voltage, current) == (pytest.approx(34.5, rel=1e-6), pytest.approx(11.01, rel=1e-6))
    assert power == pytest.approx(34.5 * 11.01, rel=1e-6)
    assert module.curve(1000.0, 298.15)[1][0] == pytest.approx(41.1, rel=1e-6)


def test_series_and_strings_scale(vectors):
    one = array(vectors, "A").operating_point(700.0, 300.0)
    many = array(vectors, "A", modules_in_series=9, strings=2).operating_point(700.0, 300.0)
    assert many[0] == pytest.approx(18 * one[0])
    assert many[1] == pytest.approx(9 * one[1])
    assert many[2] == pytest.approx(2 * one[2])


def test_dark_gives_nothing_and_range_is_held(vectors):
    module = array(vectors, "A")
    assert module.operating_point(0.0, 298.15) == (0.0, 0.0, 0.0)
    for irradiance, temperature in ((-1.0, 298.15), (1700.0, 298.15), (900.0, 200.0), (float("nan"), 298.15)):
        with pytest.raises(ValueError, match="range"):
            module.operating_point(irradiance, temperature)


def test_impossible_module_is_refused():
    with pytest.raises(ValueError, match="no single-diode model"):
        PvArray(30.0, 9.0, 29.9, 8.99).operating_point(1000.0, 298.15)
