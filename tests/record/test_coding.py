"""Columns of numbers: whole numbers where a meter sent digits, and every number back bit for bit, whatever comes."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.record import coding, tables
from benchrunner.record.coding import BITS, DECIMAL, PLAIN, Coding, decode, encode, fitting
from benchrunner.record.container import ContainerError
from benchrunner.record.tables import TableWriter, open_table


def bits(values: Any) -> bytes:
    return np.asarray(values, np.float64).tobytes()


@given(
    st.lists(st.integers(-(10**15), 10**15), min_size=1, max_size=200),
    st.integers(0, 9),
    st.integers(0, 9),
    st.booleans(),
)
def test_what_a_meter_writes_in_digits_is_coded_in_digits(
    numbers: list[int], places: int, first: int, holes: bool
) -> None:
    """The meter's text, read as Python and every C library read it (correctly rounded), is a quotient of whole numbers."""
    texts = [
        f"{'-' if n < 0 else ''}{abs(n) // 10**places}.{abs(n) % 10**places:0{places}d}" if places else str(n)
        for n in numbers
    ]
    values = np.array([float(text) + 0.0 for text in texts])
    if holes:
        values[::3] = np.nan
    found = fitting(values, first)
    assert found.kind == DECIMAL
    column = encode(values, found)
    assert column.type == pa.int64()
    assert bits(decode(column, found)) == bits(values)
    assert bits(decode(column.slice(1), found)) == bits(values[1:])


@given(st.lists(st.floats(width=64), min_size=1, max_size=60))
def test_any_numbers_come_back_bit_for_bit(numbers: list[float]) -> None:
    values = np.array(numbers)
    for one in (fitting(values), Coding(BITS), PLAIN):
        assert bits(decode(encode(values, one), one)) == bits(values)


def test_multiplying_would_not_give_the_meters_number() -> None:
    """Why the docstring says: divide."""
    numbers = np.arange(100_000)
    meter = np.array([float(f"{n // 100}.{n % 100:02d}") for n in numbers])
    assert bits(numbers / 100.0) == bits(meter)
    assert bits(numbers * 0.01) != bits(meter)


@pytest.mark.parametrize(
    "odd", [-0.0, np.inf, 1.0 / 3.0, 0.1 + 0.2, 2.0**53 + 2.0, np.array(0x7FF8000000000001).view(np.float64)]
)
def test_one_number_that_has_no_digits_keeps_the_column_as_it_is(odd: float) -> None:
    values = np.full(500, 230.04)
    assert fitting(values, 2) == Coding(DECIMAL, 2)
    values[123] = odd
    assert fitting(values, 2) == PLAIN


def schema(resolution: float = 0.01) -> pa.Schema:
    facts = {"channel": "bus.voltage", "unit": "V", "resolution": repr(resolution)}
    return pa.schema(
        [
            pa.field("seq", pa.int64(), False),
            pa.field("at", pa.float64(), False, {"unit": "s"}),
            pa.field("bus.voltage", pa.float64(), False, facts),
            pa.field("bus.frequency", pa.float64(), False, {**facts, "channel": "bus.frequency"}),
        ]
    )


def written(path: Path, columns: list[list[Any]]) -> TableWriter:
    table = TableWriter(path, schema())
    for piece in columns:
        table.add(piece)
    table.close()
    return table


def rows(count: int, voltage: Any, frequency: Any, begin: int = 0) -> list[Any]:
    number = np.arange(begin, begin + count)
    return [number, number * 0.1 + 0.003, np.full(count, voltage), np.full(count, frequency)]


@pytest.mark.parametrize(
    ("voltage", "frequency", "coded"),
    [
        (230.05, 49.98, ("decimal 2", "decimal 2")),
        (230.051, 49.98, ("decimal 3", "decimal 2")),  # a digit more than it seemed
        (230.05, 1.0 / 3.0, ("decimal 2", "plain")),
        (230.05123, -0.0, ("decimal 5", "plain")),  # both, one after the other
        (np.nan, np.inf, ("decimal 2", "plain")),
    ],
)
def test_later_rows_that_do_not_fit_change_the_whole_column(
    voltage: float, frequency: float, coded: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "ROW_GROUP", 100)
    pieces = [rows(100, 230.04, 50.01), rows(100, 230.0, 50.0, 100), rows(60, voltage, frequency, 200)]
    table = written(tmp_path / "t", pieces)
    said = {name: one.said() for name, one in table.codings.items()}
    assert said == {"seq": "plain", "at": "bits", "bus.voltage": coded[0], "bus.frequency": coded[1]}
    back = open_table((tmp_path / "t").read_bytes(), "t", schema()).columns()
    for column, *there in zip(back, *pieces, strict=True):
        assert column.tobytes() == np.concatenate(there).tobytes()
    assert not list(tmp_path.glob("*-before"))


def test_the_digest_does_not_tell_how_it_was_cut(tmp_path: Path) -> None:
    whole = written(tmp_path / "a", [rows(90, 230.04, 50.0)])
    parts = written(tmp_path / "b", [rows(40, 230.04, 50.0), rows(50, 230.04, 50.0, 40)])
    other = written(tmp_path / "c", [rows(90, 230.05, 50.0)])
    assert whole.digest() == parts.digest() != other.digest()


def test_the_recipe_of_the_docstring_works_as_written(tmp_path: Path) -> None:
    """`benchrunner.record.parts` says how a stranger reads a table in pandas; here it is done, word for word."""
    from benchrunner.record import parts

    values = np.round(np.linspace(229.0, 231.0, 500), 2)
    values[7] = np.nan
    columns = [np.arange(500), np.arange(500) * 0.1 + 0.003, values, np.full(500, 1.0 / 3.0)]
    written(tmp_path / "bus-meter.parquet", [columns])
    text = re.search(r"    import pyarrow.parquet.*?\n\n", str(parts.__doc__), re.DOTALL)
    assert text is not None
    lines = [line[4:] for line in text.group().replace("readings/", f"{tmp_path}/").splitlines()]
    names: dict[str, Any] = {}
    exec("\n".join(lines), names)
    frame = names["frame"]
    for name, column in zip(schema().names, columns, strict=True):
        assert frame[name].to_numpy().tobytes() == column.tobytes(), name


@pytest.mark.parametrize(
    "facts",
    [
        {"coding": "decimal", "exponent": "99"}, {"coding": "decimal"}, {"coding": "decimal", "exponent": "-1"},
        {"coding": "runes"}, {"coding": "\N{SNOWMAN}"},
    ],
)  # fmt: skip
def test_an_unknown_coding_is_one_clear_problem(facts: dict[str, str], tmp_path: Path) -> None:
    field = pa.field("at", pa.int64(), False, facts)
    pq.write_table(pa.Table.from_arrays([pa.array([1])], schema=pa.schema([field])), tmp_path / "t")
    with pytest.raises(ContainerError, match="coded as"):
        open_table((tmp_path / "t").read_bytes(), "t")


def test_a_column_of_another_type_than_its_coding_is_refused(tmp_path: Path) -> None:
    for kind, facts in ((pa.int64(), {}), (pa.float64(), {"coding": "bits"}), (pa.string(), {})):
        fields = [pa.field(f.name, f.type, metadata=f.metadata) for f in schema()]
        fields[2] = pa.field("bus.voltage", kind, metadata=facts)
        arrays = [pa.array([1], f.type) if f.type != pa.string() else pa.array(["x"]) for f in fields]
        pq.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields)), tmp_path / "t")
        with pytest.raises(ContainerError, match="other columns"):
            open_table((tmp_path / "t").read_bytes(), "t", schema())


def test_digits_of_a_resolution() -> None:
    assert [coding.digits(r) for r in (1.0, 0.1, 0.01, 0.005, 1e-6, 0.0, 10.0)] == [0, 1, 2, 3, 6, 0, 0]
