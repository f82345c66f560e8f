"""Benches made for tests: small cards on the drivers that we ship."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from benchrunner.cards import reading
from benchrunner.cards.bench import Bench, fit_bench, read_bench

ROOT = Path(__file__).parents[2]


def bench_of(text: str, simulated: bool = False) -> Bench:
    """A bench from card text below the usual head."""
    head = f'format = 1\ntitle = "test bench"\nsimulated = {str(simulated).lower()}\n'
    return fit_bench(reading.parse((head + text).encode(), "test.toml"))


def instrument_text(name: str, role: str, klass: str, driver: str, address: str, more: str = "") -> str:
    return (
        f'[instruments.{name}]\nrole = "{role}"\nclass = "{klass}"\ndriver = "{driver}"\n'
        f'address = "{address}"\nperiod = "100 ms"\ntimeout = "300 ms"\n{more}\n'
    )


@pytest.fixture(scope="session")
def simulated() -> Bench:
    return read_bench(ROOT / "resources/benches/simulated.toml")


@pytest.fixture(scope="session")
def loopback() -> Bench:
    return read_bench(ROOT / "resources/benches/loopback.toml")
