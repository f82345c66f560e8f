"""The energy balance against closed forms, and its uncertainty against JCGM 100 worked by hand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.core.plan import Channel
from benchrunner.report.balance import LOAD, SOURCES, Balance, Term, balance, energy
from benchrunner.report.power_sums import _places, _wh

NAMES = ("grid.power", "pv.power", "battery_inverter.power", "load.power")
TIMES = np.arange(0.0, 60.1, 0.5)


def channels(**more: float) -> dict[str, Channel]:
    return {name: Channel(name, "W", **more) for name in NAMES}  # type: ignore[arg-type]


def series(*watts: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    return {name: (TIMES, np.full(len(TIMES), w)) for name, w in zip(NAMES, watts, strict=True)}


PERIODS = dict.fromkeys(NAMES, 0.5)


def test_steady_powers_that_add_up_close() -> None:
    found = balance(series(500.0, 2000.0, -300.0, 2200.0), channels(of_range=5.0), PERIODS, 10.0, 46.0)
    assert found.terms["pv.power"].energy == pytest.approx(2000.0 * 36.0)  # type: ignore[union-attr]
    assert found.residue == pytest.approx(0.0, abs=1e-6)
    assert found.closes is True


def test_uncertainty_by_hand() -> None:
    """JCGM 100, 4.3.7: 5 W as a rectangle is 5/sqrt(3) W; over 36 s the same error throughout; four meters, k = 2."""
    found = balance(series(500.0, 2000.0, -300.0, 2200.0), channels(of_range=5.0), PERIODS, 10.0, 46.0)
    assert found.expanded == pytest.approx(2.0 * math.sqrt(4.0) * 5.0 / math.sqrt(3.0) * 36.0)


def test_a_reversed_clamp_does_not_close() -> None:
    found = balance(series(500.0, -2000.0, -300.0, 2200.0), channels(of_range=5.0), PERIODS, 10.0, 46.0)
    assert found.closes is False
    assert found.residue == pytest.approx(-4000.0 * 36.0)


def test_a_ramp_by_the_trapezoidal_rule() -> None:
    term = energy(TIMES, 100.0 * TIMES, 3.25, 20.75, Channel("pv.power", "W"), 0.5)
    assert term is not None
    assert term.energy == pytest.approx(50.0 * (20.75**2 - 3.25**2))


def test_what_cannot_be_said_is_not_said() -> None:
    known = channels(of_range=5.0)
    four = series(1.0, 1.0, 1.0, 3.0)
    without = balance({k: v for k, v in four.items() if k != "pv.power"}, known, PERIODS, 0.0, 60.0)
    assert (without.residue, without.closes) == (None, None)
    assert "pv.power" in without.reason
    gap = (TIMES > 20.0) & (TIMES < 40.0)
    silent = {**four, "load.power": (TIMES, np.where(gap, np.nan, 3.0))}
    assert balance(silent, known, PERIODS, 0.0, 60.0).reason == "too few readings of load.power"
    assert balance(silent, known, PERIODS, 0.0, 19.0).closes is True
    unknown = {**known, "load.power": Channel("load.power", "W", evaluated=False)}
    found = balance(four, unknown, PERIODS, 0.0, 60.0)
    assert found.residue == pytest.approx(0.0, abs=1e-9)
    assert found.expanded is None
    assert found.closes is None


@given(st.integers(1, 58), st.integers(0, 9999), st.floats(1.0, 5e3))
def test_a_step_of_a_load_stays_within_the_uncertainty_whenever_it_falls(
    at: int, share: int, watts: float
) -> None:
    """A step between two readings: the trapezoidal rule errs by at most half a period of it, 1.73 standard uncertainties."""
    exact = at + share / 10_000 * 0.5
    term = energy(TIMES, np.where(exact < TIMES, watts, 0.0), 0.0, 60.0, Channel("load.power", "W"), 0.5)
    assert term is not None
    assert term.uncertainty is not None
    assert abs(term.energy - watts * (60.0 - exact)) <= 1.7321 * term.uncertainty + 1e-6 * watts


def test_a_row_is_shown_to_the_second_digit_of_its_uncertainty() -> None:
    """All figures of a row to one place, however large the load: 113.6 beside 69.728 cannot be added up by eye."""
    terms = {
        name: Term(wh * 3600.0, 1.0)
        for name, wh in zip((*SOURCES, LOAD), (0.0254, 69.7284, 43.9085, 113.625), strict=True)
    }
    row = Balance(terms, 0.0374 * 3600.0, 1.237 * 3600.0)
    places = _places(row)
    assert places == 1
    assert [_wh(terms[n].energy, places) for n in (*SOURCES, LOAD)] == ["0.0", "69.7", "43.9", "113.6"]
    assert _wh(row.residue or 0.0, places, "+") == "+0.0"
    assert _wh(-0.001 * 3600.0, 1) == "0.0"
    assert _places(Balance(terms, 0.0, 0.047 * 3600.0)) == 3
    assert _places(Balance(terms, 0.0, 230.0 * 3600.0)) == 0
    assert _places(Balance(terms, 0.0, None)) == 1
    assert _places(Balance({}, None, None)) == 3
