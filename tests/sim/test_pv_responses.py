"""The PV inverter alone on an ideal bus: latching, volt-var, volt-watt, trips of two levels, enter service, faint light.

Values: `tests/vectors/frequency-power` and `trip-ride-through` (standard and table named in each row).
"""

import math

import numpy as np
import pytest

from benchrunner.cards.pairing_parts import FurtherTrips, VoltVar, VoltWatt
from benchrunner.sim.layout import KIND, PV_MODE, Q, V, W
from benchrunner.sim.validation.pv_inverter import Alone


def alone(card, sun=5000.0, on=True, **twin):
    """One PV inverter by itself on a bus whose voltage and frequency the test sets."""
    return Alone(card, 60.0, on, sun, **twin)


def australian(card, vectors, **over):
    """AS/NZS 4777.2:2020 as FW-23 gives it."""
    e = vectors("frequency-power")["FW-23"]["expected"]
    return card(
        pv_inverter={
            "profile": "grid", "grid_start": e["f_start_Hz"], "grid_zero": e["f_zero_Hz"], "grid_trip": 53.0,
            "reference": "power at crossing", "latching": True, "release_below": e["f_start_Hz"] - e["hysteresis_Hz"],
            "recovery_time": 60.0 / (e["ramp_pct_per_min"] / 100.0), "response_time": 0.2, **over,
        }
    )  # fmt: skip


def test_latching_holds_the_lowest_until_release(card, vectors):
    """FW-29: power holds the lowest value reached until the frequency has fallen below the release."""
    case = vectors("frequency-power")["FW-29"]
    bench = alone(australian(card, vectors), sun=6000.0).set_bus(50.0, 1.0).hold(1.0)
    full = bench.share
    found = [bench.hold(5.0, f).share / full for f in case["input"]["f_sequence_Hz"][:-1]]
    assert found == pytest.approx(case["expected"][:-1], abs=2e-3)
    bench.hold(1.0, case["input"]["f_sequence_Hz"][-1])
    assert found[-1] < bench.share / full < found[-1] + 0.01  # released, and on its ramp


def test_release_ramps_at_its_rate(card, vectors):
    """FW-23: 16.67 % of rated power a minute."""
    bench = alone(australian(card, vectors), sun=6000.0).set_bus(50.0, 1.0).hold(1.0).hold(5.0, 51.5)
    bench.hold(2.0, 50.0)
    before = bench.share
    bench.hold(60.0, 50.0)
    assert bench.share - before == pytest.approx(0.1667, abs=2e-3)


def test_without_latching_power_follows_back(card, vectors):
    bench = alone(australian(card, vectors, latching=False, recovery_time=0.0), sun=6000.0)
    bench.set_bus(50.0, 1.0).hold(1.0).hold(5.0, 51.0).hold(5.0, 50.5)
    assert bench.share == pytest.approx(0.857143, abs=2e-3)  # FW-25


# ---------------------------------------------------------------- voltage


def test_volt_var_goes_through_its_points(card):
    """IEEE 1547-2018, 5.3.3, table 8, category B defaults (from memory): 0.44 at 0.92, none from 0.98 to 1.02, -0.44 at 1.08."""
    made = card(pv_inverter={"volt_var": VoltVar(response_time="0.5 s"), "rated_apparent_power": 6000.0})
    for volts, expected in (
        (0.90, 0.44),
        (0.92, 0.44),
        (0.95, 0.22),
        (0.98, 0.0),
        (1.0, 0.0),
        (1.02, 0.0),
        (1.05, -0.22),
        (1.08, -0.44),
    ):
        bench = alone(made).set_bus(50.0, volts).hold(8.0, 50.0, volts)
        assert bench.y[V.reactive_power] / bench.q[Q.apparent] == pytest.approx(expected, abs=2e-3), volts


def test_volt_var_takes_its_response_time(card):
    """Response time: 90 % of the final change (IEEE 1547-2018, 3.1)."""
    made = card(pv_inverter={"volt_var": VoltVar(response_time="5.0 s"), "rated_apparent_power": 6000.0})
    bench = alone(made).set_bus(50.0, 1.08).hold(5.0, 50.0, 1.08)
    assert bench.y[V.reactive_power] / bench.q[Q.apparent] == pytest.approx(-0.44 * 0.9, abs=2e-3)


def test_vars_go_before_watts(card):
    made = card(pv_inverter={"volt_var": VoltVar(response_time="0.5 s"), "rated_apparent_power": 5000.0})
    bench = alone(made, sun=7000.0).set_bus(50.0, 1.08).hold(8.0, 50.0, 1.08)
    assert bench.y[V.reactive_power] == pytest.approx(-0.44 * 5000, rel=2e-3)
    assert bench.y[V.power] == pytest.approx(5000 * math.sqrt(1 - 0.44**2), rel=2e-3)


def test_volt_watt(card):
    """IEEE 1547-2018, 5.4.2, table 10 (from memory): full at 1.06, 20 % at 1.10, a straight line between."""
    made = card(pv_inverter={"volt_watt": VoltWatt(response_time="0.5 s"), "trip_voltage_high": 300.0})
    for volts, expected in ((1.0, 1.0), (1.06, 1.0), (1.08, 0.6), (1.10, 0.2), (1.12, 0.2)):
        bench = alone(made, sun=7000.0).set_bus(50.0, volts).hold(8.0, 50.0, volts)
        assert bench.share == pytest.approx(expected, abs=2e-3), volts


def test_curves_that_do_not_rise_are_refused():
    for make in (lambda: VoltVar(voltages=(1.0, 0.9, 1.02, 1.08)), lambda: VoltWatt(voltages=(1.1, 1.0))):
        with pytest.raises(ValueError, match="do not rise"):
            make()


# ---------------------------------------------------------------- trips


def category(card, vectors, row):
    """An inverter with the default trips of a category of IEEE 1547-2018."""
    v = vectors("trip-ride-through")[row]["expected"]
    f = vectors("trip-ride-through")["TR-04"]["expected"]
    rated = 230.0
    return card(
        pv_inverter={
            "profile": "grid", "responds": False, "trip_voltage_high": v["OV1"][0] * rated,
            "trip_voltage_high_delay": v["OV1"][1], "trip_voltage_low": v["UV1"][0] * rated,
            "trip_voltage_low_delay": v["UV1"][1], "grid_trip": f["OF1"][0], "trip_delay": f["OF1"][1],
            "trip_low": f["UF1"][0], "trip_low_delay": f["UF1"][1],
            "further_trips": FurtherTrips(
                frequency_high=f"{f['OF2'][0]} Hz", frequency_high_delay=f"{f['OF2'][1]} s", frequency_low=f"{f['UF2'][0]} Hz",
                frequency_low_delay=f"{f['UF2'][1]} s", voltage_high=f"{v['OV2'][0] * rated} V", voltage_high_delay=f"{v['OV2'][1]} s",
                voltage_low=f"{v['UV2'][0] * rated} V", voltage_low_delay=f"{v['UV2'][1]} s",
            ),
        }
    )  # fmt: skip


def test_voltage_trips_of_category_three(card, vectors):
    """TR-15: constant voltage for a time: trips or not (IEEE 1547-2018, table 13)."""
    case = vectors("trip-ride-through")["TR-15"]
    for given, expected in zip(case["input"], case["expected"], strict=True):
        bench = alone(category(card, vectors, "TR-03"), voltage_window=0.005).hold(1.0, 60.0)
        bench.hold(given["T_s"], 60.0, given["V"])
        assert any(kind == KIND.pv_trip for _, kind, _ in bench.events) is expected, given


def test_frequency_trips(card, vectors):
    """TR-16 (IEEE 1547-2018, tables 18 and 19)."""
    case = vectors("trip-ride-through")["TR-16"]
    for given, expected in zip(case["input"], case["expected"], strict=True):
        bench = alone(category(card, vectors, "TR-03"), frequency_window=0.005).hold(1.0, 60.0)
        bench.hold(given["T_s"], given["f"])
        assert any(kind == KIND.pv_trip for _, kind, _ in bench.events) is expected, given


@pytest.mark.parametrize("row", ["TR-01", "TR-02", "TR-03"])
def test_each_level_clears_in_its_time(card, vectors, row):
    """Clearing times of every voltage level of every category: no earlier than 90 % of it, no later than it and 0.1 s."""
    levels = vectors("trip-ride-through")[row]["expected"]
    for name, (volts, seconds) in levels.items():
        beyond = volts + (0.01 if name.startswith("OV") else -0.01)
        bench = alone(category(card, vectors, row), voltage_window=0.005).hold(1.0, 60.0)
        bench.hold(seconds + 0.5, 60.0, beyond)
        trips = [t - 1.0 for t, kind, _ in bench.events if kind == KIND.pv_trip]
        assert trips, name
        assert 0.9 * seconds <= trips[0] <= seconds + 0.1, name


# ---------------------------------------------------------------- entering service, and too little light


def american(card, vectors):
    e = vectors("trip-ride-through")["TR-12"]["expected"]
    return card(
        pv_inverter={
            "enter_service_voltage": (e["V_pu"][0] * 230.0, e["V_pu"][1] * 230.0), "enter_service_frequency": tuple(e["f_Hz"]),
            "enter_service_delay": e["delay_s"], "ramp_time": e["ramp_s"], "island_trip": 63.0, "island_start": 61.0, "island_zero": 62.5,
        }
    )  # fmt: skip


def test_enter_service_waits_for_its_window(card, vectors):
    """TR-13 (IEEE 1547-2018, 4.10)."""
    case = vectors("trip-ride-through")["TR-13"]
    for given, expected in zip(case["input"], case["expected"], strict=True):
        bench = alone(american(card, vectors), on=False, voltage_window=0.005)
        bench.set_bus(given["f"], given["V"])
        bench.hold(min(given["t_s"], 400.0), given["f"], given["V"])
        assert bool(bench.y[V.mode] == PV_MODE.on) is expected, given


def test_enter_service_ramps(card, vectors):
    """TR-14: a straight line over 300 s."""
    case = vectors("trip-ride-through")["TR-14"]
    bench = alone(american(card, vectors), sun=7000.0, on=False).set_bus(60.0, 1.0).hold(300.01, 60.0)
    found = [bench.share]
    for first, then in zip(case["input"]["t_s"], case["input"]["t_s"][1:], strict=False):
        found.append(bench.hold(then - first, 60.0).share)
    assert found == pytest.approx(case["expected"], abs=2e-3)


def test_faint_light_ends_in_starting_again_and_again(card):
    """At dawn the array wakes it and cannot carry it: it enters service, gives up, waits and enters again (common practice)."""
    made = card(pv_inverter={"enter_service_delay": 20.0})
    bench = alone(made, sun=45.0, on=False, hold_power=60.0, hold_time=10.0).set_bus(50.0, 1.0).hold(200.0)
    joined = [t for t, kind, _ in bench.events if kind == KIND.pv_connect]
    left = [t for t, kind, cause in bench.events if kind == KIND.pv_trip and cause == 5.0]
    assert len(joined) >= 5 and len(left) >= 5
    assert np.diff(joined) == pytest.approx(np.full(len(joined) - 1, 30.0), abs=0.1)
    brighter = alone(made, sun=200.0, on=False, hold_power=60.0).set_bus(50.0, 1.0).hold(200.0)
    assert [kind for _, kind, _ in brighter.events] == [KIND.pv_connect]


def test_night_puts_it_to_sleep(card):
    bench = alone(card(), sun=3000.0).set_bus(50.0, 1.0).hold(1.0)
    bench.w[W.p_array] = 0.0
    bench.hold(1.0)
    assert bench.y[V.mode] == PV_MODE.asleep and bench.y[V.current] == 0.0
