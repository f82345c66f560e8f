"""`benchrunner compare` and `archive` on records of real runs of the simulated bench: exit codes, page, JSON."""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

import benchrunner
from benchrunner.cli.main import main


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines as they are before they are wrapped."""
    monkeypatch.setenv("COLUMNS", "300")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The sound pairing with four seeds and the weak one with one, all with load rejection."""
    folder = tmp_path_factory.mktemp("runs")
    kinds = {f"sound{seed}": ("tarn6-corrie5", seed) for seed in range(4)} | {"weak": ("tarn6-scree5", 0)}
    return {
        name: benchrunner.run("load-rejection", pairing, "simulated", seed=seed, out=folder / name).path
        for name, (pairing, seed) in kinds.items()
    }


def last(text: str) -> dict:
    return json.loads(text.strip().splitlines()[-1])


def test_the_same_run_with_another_seed_is_no_change(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page = tmp_path / "page.html"
    repeats = [str(runs["sound2"]), str(runs["sound3"])]
    code = main(
        [
            "compare",
            str(runs["sound1"]),
            str(runs["sound0"]),
            "--repeats",
            *repeats,
            "--html",
            str(page),
            "--json",
        ]
    )
    said = capsys.readouterr().out
    found = last(said)
    assert code == 0 and found["verdict"] in ("no change", "improved") and found["counts"]["worse"] == 0
    assert "SIMULATED BENCH" in said and found["simulated"] and len(found["repeats"]) == 2
    text = page.read_text("utf-8")
    assert (
        "SIMULATED BENCH" in text and "<script" not in text and "http" not in text.replace("http-equiv", "")
    )
    pictures = re.findall(r'<svg class="plot".*?</svg>', text, re.S)
    assert len(pictures) == len(found["steps"]) >= 6
    for picture in pictures:  # vectors, both traces in every panel that has readings in both
        classes = [path.get("class") for path in ET.fromstring(picture).iter("path")]
        assert "trace" in classes and "baseline" in classes and "<image" not in picture


def test_without_repeats_what_hangs_on_the_wave_cannot_be_told(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["compare", str(runs["sound3"]), str(runs["sound0"]), "--json"])
    found = last(capsys.readouterr().out)
    assert code == 3 and found["counts"]["worse"] == 0
    open_ = [check for check in found["checks"] if check["verdict"] == "cannot tell"]
    assert {check["measure"] for check in open_} <= {"peak", "half_cycle_maximum", "half_cycle_minimum"}


def test_a_weak_pairing_is_worse_than_the_sound_one(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["compare", str(runs["weak"]), str(runs["sound0"]), "--json"])
    found = last(capsys.readouterr().out)
    worse = {check["id"]: check for check in found["checks"] if check["verdict"] == "worse"}
    assert code == found["exit"] == 1 and {"the run", "curtail-time", "charge-energy"} <= set(worse)
    assert (worse["curtail-time"]["before"], worse["curtail-time"]["now"]) == ("pass", "fail")
    assert {"group": "equipment", "name": "pv_inverter.firmware", "before": "1.9.0", "now": "1.1.4"} in found[
        "changes"
    ]
    assert main(["compare", str(runs["sound0"]), str(runs["weak"])]) in (
        0,
        3,
    )  # the other way round nothing is worse


def test_bad_input_is_refused(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    record = str(runs["sound0"])
    for words in (
        [record, str(tmp_path / "absent")],
        [record, record],
        [record, str(runs["weak"]), "--html", record],
        [record, str(runs["sound1"]), "--repeats", str(runs["weak"])],
    ):
        before = runs["sound0"].read_bytes()
        assert main(["compare", *words]) == 2
        said = capsys.readouterr().err
        assert said.startswith("refused: ") and "mend: " in said and runs["sound0"].read_bytes() == before


def test_the_archive_keeps_finds_and_forgets(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    place = ["--archive", str(tmp_path / "archive"), "--json"]
    assert main(["archive", "search", *place]) == 2 and "no such archive" in capsys.readouterr().err
    assert main(["archive", "add", *(str(path) for path in runs.values()), *place]) == 0
    capsys.readouterr()
    assert main(["archive", "search", *place, "--verdict", "fail", "--pairing", "tarn6-*", "--firmware", "pv_inverter=1.1.*",
                 "--channel", "bus.frequency maximum > 52.5 Hz", "--check", "curtail-time=fail", "--from", "2020-01-01"]) == 0  # fmt: skip
    found = last(capsys.readouterr().out)
    assert found["total"] == 1 and Path(found["found"][0]["path"]).read_bytes() == runs["weak"].read_bytes()
    assert main(["archive", "forget", found["found"][0]["id"][:12], *place]) == 0
    assert main(["archive", "rebuild", *place]) == 0
    assert last(capsys.readouterr().out) == {"records": 4, "left_out": []}
    assert main(["archive", "add", str(runs["weak"]), str(tmp_path / "absent"), *place]) == 2
    assert main(["archive", "search", *place, "--verdict", "good", "--from", "soon", "--channel", "x"]) == 2
    said = capsys.readouterr().err
    assert said.count("refused: --") == 3  # all problems at once
