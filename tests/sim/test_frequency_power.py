"""Frequency-power curves against worked points of the standards (`tests/vectors/frequency-power`)."""

import math

import numpy as np
import pytest

from benchrunner.sim import FrequencyCurve, frequency_power
from benchrunner.sim.kernel.pv_inverter import cap

DROOP = [f"FW-{k:02d}" for k in range(3, 13)]
GRADIENT = [f"FW-{k:02d}" for k in range(16, 21)]
LINE = [f"FW-{k:02d}" for k in range(24, 29)]


@pytest.mark.parametrize("row", DROOP)
def test_droop_of_ieee_1547(row, vectors):
    """IEEE 1547-2018, 6.5.2.7.2, tables 23 and 24."""
    case = vectors("frequency-power")[row]
    given = case["input"]
    curve = FrequencyCurve.droop(60.0, given["dbOF"], given["kOF"], given["dbUF"], given["kUF"])
    power = frequency_power(curve, given["f_Hz"], given["p_pre"], given["p_avl"])
    assert float(power) == pytest.approx(case["expected"], abs=1e-6)


def test_droop_of_another_setting(vectors):
    """Dead band 0.036 Hz, k = 0.04 (FW-30)."""
    case = vectors("frequency-power")["FW-30"]
    curve = FrequencyCurve.droop(60.0, case["input"]["db_Hz"], case["input"]["k"])
    assert float(frequency_power(curve, 61.0)) == pytest.approx(case["expected"], abs=1e-6)


@pytest.mark.parametrize("row", GRADIENT)
def test_gradient_of_en_50549(row, vectors):
    """EN 50549-1:2019, 4.6.1: threshold 50.2 Hz, droop 5 %."""
    case = vectors("frequency-power")[row]
    given = case["input"]
    curve = FrequencyCurve.gradient(50.0, given["f1_Hz"], given["s"])
    assert float(frequency_power(curve, given["f_Hz"], given["PM_pu"])) == pytest.approx(
        case["expected"], abs=1e-6
    )


def test_gradient_scales_with_the_power_at_crossing(vectors):
    """FW-22: 40 % of rating at crossing, not of rating."""
    case = vectors("frequency-power")["FW-22"]
    curve = FrequencyCurve.gradient(50.0, 50.2, case["input"]["s"])
    power = frequency_power(curve, case["input"]["f_Hz"], case["input"]["PM_of_rating"])
    assert float(power) == pytest.approx(case["expected"], abs=1e-6)


@pytest.mark.parametrize("row", LINE)
def test_line_of_as_nzs_4777(row, vectors):
    """AS/NZS 4777.2:2020, Australia A: 100 % at 50.25 Hz, none at 52.0 Hz."""
    case = vectors("frequency-power")[row]
    curve = FrequencyCurve(50.25, 52.0, "power at crossing")
    power = frequency_power(curve, case["input"]["f_Hz"], case["input"]["PM_pu"])
    assert float(power) == pytest.approx(case["expected"], abs=1e-6)


def test_the_plant_follows_the_same_lines():
    """The compiled cap and the public function are two writings of one rule."""
    for number, reference in enumerate(("rated power", "power at crossing", "droop")):
        curve = FrequencyCurve(50.7, 51.7, reference)
        for frequency in np.linspace(50.0, 52.5, 51):
            for before in (0.2, 0.7, 1.0):
                ours = min(before, cap(50.7, 51.7, float(number), before, float(frequency)))
                assert ours == pytest.approx(float(frequency_power(curve, frequency, before)), abs=1e-12)


def test_open_loop_response_time(card, record):
    """90 % of a change comes at the response time (IEEE 1547-2018, 3.1); one lag gives T / ln 10 (FW-13)."""
    from benchrunner.sim.plant import Plant

    for seconds in (1.0, 2.0, 5.0):
        plant = Plant(
            card(pv_inverter={"response_time": seconds}),
            start={"pv_source.irradiance": 1000.0, "pv_inverter.on": 1},
        )
        plant.advance(5.0)
        before = plant.value("pv.power")
        plant.set("grid.frequency", 51.2)  # half-way down the island profile, within the grid window
        times, rows = record(plant, 5.0 + 6 * seconds)
        power = rows["pv.power"]
        assert power[-1] == pytest.approx(0.5 * 5000.0, rel=2e-3)
        reached = times[np.argmax(power < before + 0.9 * (power[-1] - before))] - 5.0
        assert reached == pytest.approx(seconds, rel=0.05)


def test_time_constant_of_the_response(vectors):
    """FW-13, FW-14: the closed forms that the response time rests on."""
    rows = vectors("frequency-power")
    tau = rows["FW-13"]["input"]["T90_s"] / math.log(10.0)
    assert tau == pytest.approx(rows["FW-13"]["expected"]["tau_s"], abs=1e-6)
    final = float(frequency_power(FrequencyCurve.droop(), 61.0))
    at_two = final + (1.0 - final) * math.exp(-2.0 / tau)
    assert at_two == pytest.approx(rows["FW-14"]["expected"], abs=1e-6)


def test_bad_curves_are_refused():
    with pytest.raises(ValueError, match="zero must lie above start"):
        FrequencyCurve(51.0, 50.0)
    with pytest.raises(ValueError, match="together"):
        FrequencyCurve(50.0, 51.0, "droop", low_start=49.0)
