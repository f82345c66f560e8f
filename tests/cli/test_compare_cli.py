"""`benchrunner compare` and `archive` on records of real runs of the simulated bench: exit codes, page, JSON."""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

import benchrunner
from benchrunner.cli.main import main

DATA = Path(benchrunner.__file__).parents[1]
CARD = DATA / "resources" / "pairings" / "tarn6-corrie5.toml"
PROCEDURE = DATA / "procedures" / "load-rejection.toml"


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines as they are before they are wrapped."""
    monkeypatch.setenv("COLUMNS", "300")


# A new firmware of the PV inverter that brings another setting: backs off earlier, later, or answers more slowly.
UPDATES = {
    "earlier": ("2.0.0", {'island_start = "50.7 Hz"': 'island_start = "50.5 Hz"', 'island_zero = "51.7 Hz"': 'island_zero = "51.3 Hz"'}),
    "later": ("2.0.1", {'island_zero = "51.7 Hz"': 'island_zero = "52.0 Hz"'}),
    "slower": ("2.0.2", {'response_time = "1 s"': 'response_time = "3 s"'}),
}  # fmt: skip


def changed(text: str, changes: dict[str, str]) -> str:
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Load rejection on the simulated bench: the sound pairing with four seeds, with three updates, and with a procedure whose
    capture never triggers and one of whose checks has another name; and the weak pairing.
    """
    folder = tmp_path_factory.mktemp("runs")
    kinds = {f"sound{seed}": ("load-rejection", "tarn6-corrie5", seed) for seed in range(4)}
    kinds["weak"] = ("load-rejection", "tarn6-scree5", 0)
    for number, (name, (firmware, changes)) in enumerate(UPDATES.items()):
        card = folder / f"cards-{name}" / "tarn6-corrie5.toml"
        card.parent.mkdir()
        card.write_text(
            changed(CARD.read_text("utf-8"), {'firmware = "1.9.0"': f'firmware = "{firmware}"', **changes}),
            "utf-8",
        )
        kinds[name] = ("load-rejection", str(card), 10 + number)
    procedures = {"blind": {'change = "least_drop"': 'change = "500 A"'}, "renamed": {'id = "frequency-peak"': 'id = "frequency-top"'}}  # fmt: skip
    for number, (name, words) in enumerate(procedures.items()):
        file = folder / f"procedure-{name}" / "load-rejection.toml"
        file.parent.mkdir()
        file.write_text(changed(PROCEDURE.read_text("utf-8"), words), "utf-8")
        kinds[name] = (str(file), "tarn6-corrie5", 20 + number)
    return {
        name: benchrunner.run(procedure, pairing, "simulated", seed=seed, out=folder / name).path
        for name, (procedure, pairing, seed) in kinds.items()
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
    assert code == found["exit"] == 1 and {"the run", "curtail-time"} <= set(worse)
    assert (worse["curtail-time"]["before"], worse["curtail-time"]["now"]) == ("pass", "fail")
    assert {"group": "equipment", "name": "pv_inverter.firmware", "before": "1.9.0", "now": "1.1.4"} in found[
        "changes"
    ]
    assert main(["compare", str(runs["sound0"]), str(runs["weak"])]) in (
        0,
        3,
    )  # the other way round nothing is worse


def compared(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str], name: str, *more: str
) -> tuple[int, dict, dict[str, dict]]:
    """An update against the sound pairing and its repeats: exit code, all of it, its checks by id."""
    repeats = [str(runs[f"sound{seed}"]) for seed in (1, 2, 3)]
    code = main(["compare", str(runs[name]), str(runs["sound0"]), "--repeats", *repeats, *more, "--json"])
    found = last(capsys.readouterr().out)
    return code, found, {check["id"]: check for check in found["checks"]}


def test_a_pv_inverter_that_backs_off_earlier_is_improved(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Its curve begins 0.2 Hz and ends 0.4 Hz lower: less frequency is needed for the same power, by physics."""
    code, found, checks = compared(runs, capsys, "earlier")
    assert code == 0 and found["verdict"] == "improved" and not found["counts"]["worse"]
    peak = checks["frequency-peak"]
    assert (
        peak["verdict"] == "improved"
        and peak["by"] == "repeatability"
        and peak["before"] == peak["now"] == "pass"
    )
    assert 0.1 < peak["margin_shift"] < 0.4 and peak["margin_shift"] > 10 * peak["needed"]
    assert checks["charge-energy"]["verdict"] == checks["curtail-time"]["verdict"] == "improved"
    changes = {c["name"]: (c["before"], c["now"]) for c in found["changes"]}
    assert changes["pv_inverter.firmware"] == ("1.9.0", "2.0.0")
    assert changes["pv_inverter.island_zero"] == ("51.7 Hz", "51.3 Hz")


@pytest.mark.parametrize(
    ("name", "worse"),
    [
        ("later", {"frequency-peak", "curtail-time"}),
        ("slower", {"frequency-peak", "curtail-time", "charge-energy", "reached"}),
    ],
)
def test_a_regression_is_found_though_every_check_still_passes(
    name: str, worse: set[str], runs: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page = tmp_path / "page.html"
    code, found, checks = compared(runs, capsys, name, "--html", str(page))
    assert found["record"]["verdict"] == "pass" and {c["now"] for c in checks.values()} <= {
        "pass",
        "finished",
    }
    assert code == 1 and {i for i, c in checks.items() if c["verdict"] == "worse"} == worse
    assert not found["counts"]["improved"] and not found["counts"]["cannot tell"]
    assert all(c["margin_shift"] < -c["needed"] < 0 for c in checks.values() if c["verdict"] == "worse")
    drop = next(step for step in found["steps"] if step["id"] == "drop")
    assert (
        "bus.frequency" in drop["channels"] and "battery.current" in drop["channels"]
    )  # what moved is drawn
    text = page.read_text("utf-8")
    assert "Highest frequency against the PV inverter" in text and " UTC, against " in text
    if name == "slower":  # the limit hangs on the card
        limit = next(c for c in found["changes"] if c["group"] == "limits")
        assert (limit["name"], limit["before"], limit["now"]) == (
            "drop/curtail-time",
            "at most 10 s, guarded",
            "at most 20 s, guarded",
        )


def test_the_example_of_the_guide_is_what_is_printed(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`slower` has the example's card and seed. Figures may differ in the last place elsewhere; words and verdicts may not."""
    monkeypatch.setenv("COLUMNS", "110")
    repeats = [str(runs[f"sound{seed}"]) for seed in (1, 2, 3)]
    assert main(["compare", str(runs["slower"]), str(runs["sound0"]), "--repeats", *repeats]) == 1
    said = capsys.readouterr().out
    page = (DATA / "resources" / "guide" / "compare.md").read_text("utf-8")
    (block,) = re.findall(r"```\n(.*?)```", page, re.S)

    def words(text: str) -> list[str]:
        return re.sub(r"[+-]?[0-9]+\.[0-9]+ (s|Wh|Hz)\b", "figure", text).split()

    assert " ".join(words(block)) in " ".join(words(said))


def test_a_check_that_is_missing_in_one_cannot_be_told(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    code, found, checks = compared(runs, capsys, "renamed")
    assert code == 3 and found["verdict"] == "cannot tell" and not found["counts"]["worse"]
    assert found["counts"]["cannot tell"] == 2
    assert checks["frequency-top"]["reason"] == "the baseline has no such check"
    assert checks["frequency-peak"]["reason"] == "the record has no such check"
    assert checks["frequency-top"]["value"] > 50 and checks["frequency-top"]["reference"] is None
    assert "procedure" in {c["group"] for c in found["changes"]}


def test_a_check_without_a_value_cannot_be_told(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """The capture did not trigger: nothing is known of the wave, and the step waited for it, with PV into the battery."""
    code, _, checks = compared(runs, capsys, "blind")
    for name in ("bus-instantaneous", "bus-half-cycle", "bus-sag", "battery-peak"):
        assert checks[name]["verdict"] == "cannot tell" and "no value in the record" in checks[name]["reason"]
        assert (checks[name]["before"], checks[name]["now"]) == ("pass", "inconclusive")
        assert checks[name]["value"] is None and checks[name]["margin_shift"] is None
    assert (
        code == 1 and checks["charge-energy"]["verdict"] == "worse"
    )  # something worse outweighs what is open


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
    assert last(capsys.readouterr().out) == {"records": len(runs) - 1, "left_out": []}
    assert main(["archive", "add", str(runs["weak"]), str(tmp_path / "absent"), *place]) == 2
    assert main(["archive", "search", *place, "--verdict", "good", "--from", "soon", "--channel", "x"]) == 2
    said = capsys.readouterr().err
    assert said.count("refused: --") == 3  # all problems at once
