"""No samples, however odd, end in anything but values, NaN, or a `ValueError` in words; warnings count as
failures."""

import contextlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from benchrunner.measure import (
    frequency,
    frequency_track,
    gap,
    half_cycle_rms,
    harmonics,
    power,
    thd,
    window_rms,
)
from benchrunner.measure.catalogue import CATALOGUE, Series, Wave

odd = arrays.arrays(
    np.float64,
    st.integers(0, 120),
    elements=st.one_of(st.floats(-400, 400), st.sampled_from([0.0, 1e300, 9.9e37, np.nan, np.inf])),
)


@given(odd, st.sampled_from([1.0, 500.0, 20_000.0]), st.sampled_from([None, 50.0, 0.0, -5.0, np.nan, 1e9]))
@settings(max_examples=40, deadline=None)
def test_functions(x: np.ndarray, rate: float, f: float | None) -> None:
    frequency(x, rate)
    frequency_track(x, rate)
    for function in (half_cycle_rms, window_rms, harmonics, thd, gap):
        with contextlib.suppress(ValueError):
            function(x, rate, f)
    power(x, x[::-1], rate, f)


@given(odd)
@settings(max_examples=25, deadline=None)
def test_catalogue(x: np.ndarray) -> None:
    data = Series(0.1 * np.arange(x.size), x, np.full(x.size, 0.1), np.full(x.size, 0.01), "x", "V")
    whole = bool(x.size and (np.abs(x) < 1e60).all())
    for spec in CATALOGUE.values():
        arguments = {name: 0.5 if unit != "channel" else "x" for name, unit in spec.arguments.items()}
        for source in (data, Wave(x, 500.0, others={"x": Wave(x, 500.0)})):
            got = spec.evaluate(source, arguments)
            assert whole or np.isnan(got.value), spec.name
            assert np.isfinite(got.value) or got.note


@pytest.mark.parametrize("n", [31, 40, 401])
def test_half_a_wave_then_nothing(n: int) -> None:
    x = np.concatenate((np.sin(np.arange(n // 2) / 5), np.zeros(n - n // 2)))
    for values in (half_cycle_rms(x, 1000.0)[1], window_rms(x, 1000.0)[1]):
        assert np.isfinite(values).all()
