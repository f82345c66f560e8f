"""Compiled kernels of other versions of the program are cleared away, and nothing else is touched."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchrunner.sim import warm
from benchrunner.sim.compiled import clear_old


def test_only_the_newest_others_stay(tmp_path):
    numba = tmp_path / "numba"
    names = [f"{k:016x}" for k in range(6)]
    for age, name in enumerate(names):
        inner = numba / name / "kernel_1"
        inner.mkdir(parents=True)
        (inner / "step.run-1.py311.nbi").write_bytes(b"index")
        (inner / "step.run-1.py311.1.nbc").write_bytes(b"code")
        if age == 0:  # what is not numba's stays, with its folder
            (numba / name / "notes.txt").write_text("mine", encoding="utf-8")
        os.utime(numba / name, (1_000_000 + age, 1_000_000 + age))
    (numba / "not ours").mkdir()
    current = numba / names[2]
    assert clear_old(current, keep=2) == 2
    left = sorted(place.name for place in numba.iterdir())
    assert left == sorted([names[0], names[2], names[4], names[5], "not ours"])
    assert (numba / names[0] / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (current / "kernel_1" / "step.run-1.py311.nbi").exists()


def test_what_is_not_compiled_yet_is_said_before_it_is(tmp_path, monkeypatch):
    """A first start compiles for most of a minute: whoever waits is told, before and not after."""

    class ToldError(Exception):
        pass

    def say(line):
        raise ToldError(line)

    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    with pytest.raises(ToldError, match="up to a minute, once"):
        warm.ready(say)
    inner = tmp_path / "kernel_1"
    inner.mkdir()
    for name in warm.LAST:
        assert not warm.kept()
        (inner / name.replace("*", "1.py311")).write_bytes(b"index")
    assert warm.kept()
    warm.ready(say)


def test_the_names_looked_for_are_kernels_that_there_are():
    for name in warm.LAST:
        stem, function = name.split("-")[0].split(".")
        assert any(
            f"def {function}(" in file.read_text(encoding="utf-8")
            for file in Path(warm.__file__).parent.rglob(f"{stem}.py")
        ), name


def test_a_plant_starts_without_linear_algebra_and_leaves_it_to_whoever_needs_it():
    """scipy.linalg is a fifth of what a start takes; somebody else's kernel that multiplies matrices compiles all the same."""
    script = """
import sys
from benchrunner import data
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.plant import Plant
Plant(read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))).advance(1.0)
assert "scipy.linalg" not in sys.modules
import numba, numpy
a, b = numpy.arange(6.0).reshape(2, 3), numpy.arange(12.0).reshape(3, 4)
assert (numba.njit(lambda x, y: x @ y)(a, b) == a @ b).all()
assert numpy.allclose(numba.njit(lambda x: numpy.cov(x))(a), numpy.cov(a))
assert "scipy.linalg" in sys.modules
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
