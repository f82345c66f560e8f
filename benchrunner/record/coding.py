"""How a column of numbers lies in a Parquet file, so that it is small and comes back bit for bit.

Each field's metadata says it in `coding`; where there is none, the numbers lie there as they are (records of version 1):

- `plain`: as they are (float64; int64 for numbers, uint64 for flags).
- `decimal`: whole numbers (int64) of the digit that the meter sent, `exponent` behind the point: value = n / 10**exponent.
  Divide, never multiply by 0.1 or 0.01: a quotient of two exact numbers is correctly rounded (IEEE 754-2019, 5.4.1), and so is
  the meter's decimal text when it is read, hence the same float. Null: no valid reading (NaN). Taken only where every number of
  the column comes back with the same bits; a negative zero, an infinity or digits that no power of ten holds keep it `plain`.
- `bits`: for times. The float64's own bits as int64 (in little-endian order on both sides): they grow as the time does, by nearly
  the same each time. In numpy: `column.view("float64")`.

Whole numbers are written with DELTA_BINARY_PACKED (Parquet's format, encodings), everything with zstd.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

PLAIN_KIND, DECIMAL, BITS = "plain", "decimal", "bits"
MOST_EXPONENT = 15
EXACT = 2.0**53  # up to here every whole number is a float64
NAN = np.array(np.nan).view(np.int64)  # the bits of the one NaN that null stands for

Floats = npt.NDArray[np.float64]


class Coding(NamedTuple):
    """How one column is coded."""

    kind: str
    exponent: int = 0

    def facts(self) -> dict[str, str]:
        """As it stands in the field's metadata."""
        return {"coding": self.kind, **({"exponent": str(self.exponent)} if self.kind == DECIMAL else {})}

    def said(self) -> str:
        """As it stands in the record's header."""
        return f"{DECIMAL} {self.exponent}" if self.kind == DECIMAL else self.kind


PLAIN = Coding(PLAIN_KIND)


def coding_of(metadata: Mapping[bytes, bytes] | None) -> Coding:
    """The coding that a field's metadata tells. Raises `ValueError` for one that this program does not know."""
    facts = metadata or {}
    kind = facts.get(b"coding", PLAIN_KIND.encode()).decode("ascii", "replace")
    if kind == DECIMAL:
        text = facts.get(b"exponent", b"").decode("ascii", "replace")
        if text.isdigit() and len(text) <= 2 and int(text) <= MOST_EXPONENT:
            return Coding(DECIMAL, int(text))
        raise ValueError(f"decimal with the exponent {text[:10]!r}")
    if kind not in (PLAIN_KIND, BITS):
        raise ValueError(f"the unknown coding {kind[:20]!r}")
    return Coding(kind)


def whole(values: Floats, exponent: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_] | None] | None:
    """The values as whole numbers of 10**-exponent, and which are missing (None: none is).

    None as a whole where one of them would not come back bit for bit.
    """
    power = 10.0**exponent
    missing = values != values
    some = bool(missing.any())
    if some:
        if not (values.view(np.int64)[missing] == NAN).all():
            return None
        values = np.where(missing, 0.0, values)
    with np.errstate(over="ignore"):
        scaled = np.rint(values * power)
    if len(scaled) and not max(-float(scaled.min()), float(scaled.max())) <= EXACT:
        return None
    numbers = scaled.astype(np.int64)
    back = numbers / power
    if not np.array_equal(back.view(np.int64), values.view(np.int64)):
        return None
    return numbers, missing if some else None


def fitting(values: Floats, first: int = 0) -> Coding:
    """The coding that fits these values; `first`: the exponent that is tried first (the meter's last digit)."""
    few = np.concatenate([values[:64], values[len(values) // 2 :][:64], values[-64:]])
    for exponent in dict.fromkeys((min(max(first, 0), MOST_EXPONENT), *range(MOST_EXPONENT + 1))):
        if whole(few, exponent) is not None and whole(values, exponent) is not None:
            return Coding(DECIMAL, exponent)
    return PLAIN


def digits(resolution: float) -> int:
    """Places behind the point that show one digit of `resolution`; 0 where it is unknown."""
    if not 0.0 < resolution < 1.0:
        return 0
    return next(
        (k for k in range(MOST_EXPONENT) if abs(resolution * 10**k - round(resolution * 10**k)) < 1e-6), 0
    )


def encode(values: npt.NDArray[Any], coding: Coding) -> Any:
    """The values as an Arrow array; None where they do not fit the coding."""
    import pyarrow as pa

    if coding.kind == DECIMAL:
        found = whole(values, coding.exponent)
        if found is None:
            return None
        return as_it_is(found[0], pa.int64(), found[1])
    return (
        as_it_is(values.view(np.int64), pa.int64()) if coding.kind == BITS else as_it_is(values, pa.float64())
    )


def decode(column: Any, coding: Coding) -> npt.NDArray[Any]:
    """The values of an Arrow array as they were before, NaN for none."""
    if coding.kind == PLAIN_KIND:
        return numbers_of(column)
    if coding.kind == BITS:
        return numbers_of(column).view(np.float64)
    if not column.null_count:
        return numbers_of(column) / 10.0**coding.exponent
    valid, raw = column.buffers()
    bits = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")
    there = bits[column.offset : column.offset + len(column)] == 1
    numbers = np.frombuffer(raw, np.int64, len(column), 8 * column.offset)
    return np.where(there, numbers / 10.0**coding.exponent, np.nan)


def as_it_is(numbers: npt.NDArray[Any], kind: Any, missing: npt.NDArray[np.bool_] | None = None) -> Any:
    """A numpy column as an Arrow array on the same memory. (`pa.array` would load pandas to ask whether it is one of its.)"""
    import pyarrow as pa

    valid = None if missing is None else pa.py_buffer(np.packbits(~missing, bitorder="little"))
    return pa.Array.from_buffers(kind, len(numbers), [valid, pa.py_buffer(np.ascontiguousarray(numbers))])


def numbers_of(column: Any) -> npt.NDArray[Any]:
    """An Arrow array of numbers as a numpy array, NaN for none; without pandas where it can be."""
    kind = np.dtype(column.type.to_pandas_dtype())
    if column.null_count or kind.kind not in "iuf" or not len(column):
        found: npt.NDArray[Any] = column.to_numpy(zero_copy_only=False)
        return found
    return np.frombuffer(
        column.buffers()[1], dtype=kind, count=len(column), offset=column.offset * kind.itemsize
    )
