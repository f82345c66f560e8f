"""Tables kept between runs: the same to the last bit, worked out anew where the file is not as it should be."""

import os

import numpy as np
import pytest

from benchrunner.sim import array, kept, open_circuit

SHAPE = (3,)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(kept, "_folder", lambda: tmp_path)
    return tmp_path


class Source:
    """Works a table out and counts how often."""

    def __init__(self):
        self.times = 0

    def __call__(self):
        self.times += 1
        return np.array([1.0, 1.0 / 3.0, -2e-300])


def ask(source, of=(1, 2.5)):
    return kept.kept(__file__, "numpy", of, SHAPE, source)


def test_a_kept_table_is_the_same_and_not_worked_out_again(folder):
    source = Source()
    first, second = ask(source), ask(source)
    assert source.times == 1
    assert first.tobytes() == second.tobytes()
    ask(source, of=(1, 2.5000000000000004))
    assert source.times == 2, "other arguments, another table"


@pytest.mark.parametrize(
    "damage", [b"", b"rubbish", b"\x93NUMPY", "nan", "shape", "objects"], ids=lambda item: str(item)
)
def test_a_damaged_file_is_worked_out_anew(folder, damage):
    source = Source()
    expected = ask(source)
    (file,) = folder.glob("*.npy")
    if damage == "nan":
        np.save(file, np.array([1.0, np.nan, 2.0]))
    elif damage == "shape":
        np.save(file, np.zeros(4))
    elif damage == "objects":
        np.save(file, np.array([{}, 1, 2], dtype=object))
    else:
        file.write_bytes(damage)
    assert ask(source).tobytes() == expected.tobytes()
    assert source.times == 2
    ask(source)
    assert source.times == 2, "and the file was mended"


def test_without_a_folder_it_is_worked_out_each_time(monkeypatch):
    monkeypatch.setattr(kept, "_folder", lambda: None)
    source = Source()
    ask(source), ask(source)
    assert source.times == 2


def test_no_more_than_a_bound_is_kept(folder, monkeypatch):
    monkeypatch.setattr(kept, "MOST", 2)
    for k in range(5):
        ask(Source(), of=k)
    assert len(list(folder.iterdir())) == 2


def test_a_full_folder_makes_room_for_what_is_new_and_keeps_what_is_used(folder, monkeypatch):
    """A folder that only fills up would let every run load pvlib again, and a served bench fall silent meanwhile."""
    monkeypatch.setattr(kept, "MOST", 8)
    used = Source()
    ask(used, of="used")
    for k in range(30):
        for path in (
            folder.iterdir()
        ):  # a clock of files may be coarse: all else is older than what is asked for next
            os.utime(path, (path.stat().st_atime, path.stat().st_mtime - 10.0))
        ask(Source(), of=k)
        ask(used, of="used")
    assert used.times == 1
    newest = Source()
    ask(newest, of=29)
    assert newest.times == 0
    assert len(list(folder.iterdir())) <= 8


def test_the_plants_own_tables_are_kept_to_the_last_bit(folder):
    module = array.PvArray(41.1, 11.6, 34.5, 11.01, cells_in_series=66, modules_in_series=14)
    array._solve.cache_clear()
    power, curve = module.curve(913.0, 301.0)
    array._solve.cache_clear()
    again, curve_again = module.curve(913.0, 301.0)
    assert (power, curve.tobytes()) == (again, curve_again.tobytes())
    table = open_circuit.table(16, 0.003)
    assert table.tobytes() == open_circuit.table(16, 0.003).tobytes()
    assert len(list(folder.glob("*.npy"))) == 2
    array._solve.cache_clear()
