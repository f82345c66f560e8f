"""The compiled writing of a reply against Python's own formatting of the same numbers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.sim.emulators import metering

RESOLUTIONS = (0.001, 0.01, 0.05, 0.1, 0.5, 1.0, 2.0, 10.0, 1e-6)


def written(resolutions, values):
    """What the kernel writes, or None where it leaves that to Python."""
    table = np.zeros((len(values), 10))
    for row, resolution in enumerate(resolutions):
        places = metering.decimals(resolution)
        table[row, metering.RESOLUTION] = resolution
        table[row, metering.SCALE], table[row, metering.PLACES] = 10.0**places, places
    text = bytearray(metering.LONGEST_NUMBER * len(values))
    length = metering._write(table, np.array(values), np.frombuffer(text, dtype=np.uint8))
    return bytes(text[:length]) if length else None


@settings(max_examples=400)
@given(
    st.lists(st.tuples(st.sampled_from(RESOLUTIONS), st.integers(-(10**8), 10**8)), min_size=1, max_size=7)
)
def test_numbers_are_written_as_python_writes_them(given_):
    """Values as a meter leaves them: a whole number of digits times the digit."""
    resolutions = [resolution for resolution, _ in given_]
    values = [math.floor(number + 0.5) * resolution for resolution, number in given_]
    expected = ",".join(
        f"{value + 0.0:.{metering.decimals(resolution)}f}"
        for resolution, value in zip(resolutions, values, strict=True)
    )
    assert written(resolutions, values) == expected.encode()


def test_no_value_and_overload_are_written_as_scpi_has_them():
    values = [math.nan, 230.0, math.inf, -math.inf]
    assert (
        written([0.1] * 4, values) == b"9.91E37,230.0,9.9E37,9.9E37"
    )  # SCPI-1999, vol. 1, 7.2.1.4 and 7.2.1.5


@pytest.mark.parametrize("value", [0.3335, 1e16])
def test_what_has_no_such_digits_is_left_to_python(value):
    assert written([0.001], [value]) is None
