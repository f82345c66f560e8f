"""What can be chosen, and what a chosen run would be."""

from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.app.model.choices import choices, read_choice
from benchrunner.app.model.preview import preview

PAIRING = str(data.find("tarn6-corrie5", "resources", "pairings"))
BENCH = str(data.find("simulated", "resources", "benches"))


def test_all_shipped_files_are_offered_by_title() -> None:
    for kind, place in (
        ("procedure", data.folder("procedures")),
        ("pairing", data.folder("resources") / "pairings"),
        ("bench", data.folder("resources") / "benches"),
    ):
        offered = choices(kind)
        assert {Path(c.name).name for c in offered} == {path.name for path in place.glob("*.toml")}
        assert all(c.title and c.title != Path(c.name).stem for c in offered)


def test_a_lab_file_hides_a_shipped_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = tmp_path / "procedures"
    own.mkdir()
    (own / "load-rejection.toml").write_text('title = "Our own"\n', encoding="utf-8")
    monkeypatch.setenv("BENCHRUNNER_PATH", str(tmp_path))
    found = choices("procedure")
    assert found[0].title == "Our own" and found[0].origin == "lab"
    assert sum(Path(c.name).stem == "load-rejection" for c in found) == 1


@pytest.mark.parametrize("raw", [b"\xff\xfe\x00", b"title = [", b"title = " + b"[" * 100_000, b""])
def test_a_file_that_cannot_be_read_shows_its_name(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "odd.toml"
    path.write_bytes(raw)
    assert read_choice(path).title == "odd"


@pytest.mark.parametrize("path", sorted(data.folder("procedures").glob("*.toml")), ids=lambda p: p.stem)
def test_every_shipped_procedure_can_be_previewed_on_the_sound_pairing(path: Path) -> None:
    pairing, bench = PAIRING, BENCH
    if path.stem == "wiring-proof-legs":  # needs several phases
        pairing = str(data.find("fell15-ridge12", "resources", "pairings"))
        bench = str(data.find("simulated-three-phase", "resources", "benches"))
    shown = preview(str(path), pairing, bench, {})
    assert shown.problems == ()
    assert shown.simulated is True
    assert shown.cautions and shown.purpose
    assert shown.prepared["steps"]
    for parameter in shown.parameters:
        assert parameter.says and parameter.default and parameter.low and parameter.high
        assert "pairing." not in parameter.low + parameter.high


def test_ranges_are_worked_out_with_their_units() -> None:
    shown = preview(str(data.find("load-rejection", "procedures")), PAIRING, BENCH, {"load_before": "2.5 kW"})
    load = next(p for p in shown.parameters if p.name == "load_before")
    assert load.default == "min(pv_possible, pairing.battery_inverter.rated_power)"
    assert (load.low, load.high, load.value) == ("500 W", "6 kW", "2.5 kW")


def test_all_problems_are_told_at_once_and_the_parameters_stay() -> None:
    shown = preview(
        str(data.find("load-rejection", "procedures")),
        PAIRING,
        BENCH,
        {"load_before": "9 km", "irradiance": "1 MW/m^2"},
    )
    assert len(shown.problems) >= 2
    assert {p.name for p in shown.parameters} >= {"load_before", "load_after", "irradiance"}
    assert not shown.prepared


def test_a_load_that_the_bench_does_not_take_is_refused_with_the_reason() -> None:
    shown = preview(
        str(data.find("load-rejection", "procedures")),
        str(data.find("dune9-spit7", "resources", "pairings")),
        BENCH,
        {"load_before": "9 kW"},
    )
    assert any("9000 W is out of range" in p.what for p in shown.problems)


def test_a_missing_file_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    shown = preview(str(tmp_path / "none.toml"), PAIRING, str(tmp_path / "neither.toml"), {})
    assert len(shown.problems) >= 2
