"""How long instruments have been on, as far as is known from when they answered."""

from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.bench import warming
from benchrunner.bench.prechecks import WARM_UP, pass_gates
from benchrunner.cards.bench import Bench, read_bench

NEEDS = 1800.0  # s


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench that is said to be real, whose battery meter warms up for half an hour."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return card(tmp_path, monkeypatch, "simulated = false")


def card(folder: Path, monkeypatch: pytest.MonkeyPatch, simulated: str) -> Bench:
    monkeypatch.setenv("BENCHRUNNER_PATH", str(folder))
    (folder / "drivers").mkdir(exist_ok=True)
    driver = data.find("dc-meter-scpi", "drivers").read_text(encoding="utf-8")
    (folder / "drivers/warm-meter.toml").write_text(
        driver.replace('class = "dc_meter"', 'class = "dc_meter"\nwarm_up = "30 min"'), encoding="utf-8"
    )
    text = data.find("loopback", "resources", "benches").read_text(encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(
        text.replace("simulated = true", simulated, 1).replace('"dc-meter-scpi"', '"warm-meter"'),
        encoding="utf-8",
    )
    return read_bench(path)


def rows(serial: str = "B-1") -> list[dict[str, str]]:
    return [
        {"name": "battery_meter", "address": "TCPIP0::127.0.0.1::1::SOCKET", "identity": f"x,y,{serial},1"},
        {"name": "bus_meter", "address": "TCPIP0::127.0.0.1::2::SOCKET", "identity": "x,z,A-1,1"},
    ]


def left(bench: Bench, now: float, serial: str = "B-1") -> float:
    (one,) = warming.look(bench, rows(serial), now=now)
    assert (one.instrument, one.needs) == ("battery_meter", NEEDS)
    return one.left


def test_it_counts_from_the_first_answer_for_as_long_as_answers_come(bench: Bench) -> None:
    assert left(bench, 1000.0) == NEEDS
    assert left(bench, 1000.0 + warming.UNSEEN) == NEEDS - 600.0
    assert left(bench, 1000.0 + 2 * warming.UNSEEN) == NEEDS - 1200.0
    assert left(bench, 1000.0 + 4 * warming.UNSEEN) == NEEDS, "nobody saw it for too long"


def test_another_instrument_or_another_clock_begins_anew(bench: Bench) -> None:
    assert left(bench, 1000.0) == NEEDS
    assert left(bench, 1300.0, serial="B-2") == NEEDS
    assert left(bench, 1600.0, serial="B-2") == NEEDS - 300.0
    assert left(bench, 1200.0, serial="B-2") == NEEDS, "the clock was set back"


@pytest.mark.parametrize(
    "kept", [b"\xff\xfe", b"[1, 2]", b'{"a": [1]}', b'{"a": ["x", "y"]}', b"[" * 50_000, b" " * 200_000]
)
def test_what_is_kept_is_not_trusted(bench: Bench, kept: bytes) -> None:
    path = warming._path(bench, None)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(kept)
    assert left(bench, 1000.0) == NEEDS
    assert left(bench, 1001.0) == NEEDS - 1.0


def test_what_is_simulated_needs_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    simulated = card(tmp_path, monkeypatch, "simulated = true")
    assert warming.warm_ups(simulated) == {} and warming.look(simulated, rows()) == []


def test_it_may_be_passed_by_a_named_person_alone(bench: Bench) -> None:
    named = pass_gates(bench, "bench.toml", overrides=[WARM_UP], by="C. Beck", why="warm since morning")
    assert not [one for one in named.problems if "override" in one.where]
    nameless = pass_gates(bench, "bench.toml", overrides=[WARM_UP])
    assert [one for one in nameless.problems if one.where == "--override"]
