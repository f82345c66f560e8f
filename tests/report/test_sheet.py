"""The pairing sheet: only what was tested, only from records that verify, real and simulated apart, and one page."""

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import record_sample
from test_report import Reader

from benchrunner.core.messages import Event
from benchrunner.errors import Refused
from benchrunner.record.facts import Verbatim
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.report import pairing_sheet, words
from benchrunner.report.content import record_number
from benchrunner.report.html import fill
from benchrunner.report.pairing_pages import one_page, write_sheet
from benchrunner.report.pairing_sheet import sheet
from benchrunner.report.pdf import pages_of

CARD = b"""format = 1
title = "Tarn-6 with Corrie-5"
[battery_inverter]
name = "Tarn-6"
serial = "HM-T6-0107"
firmware = "2.4.1"
shift_stop = "51.7 Hz"
[pv_inverter]
name = "Corrie-5"
firmware = "1.9.0"
"""

Make = Callable[..., Path]


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Make:
    """Seals a small run: `make(name, simulated=..., card=..., fail=..., started=...)`."""
    (tmp_path / "lab" / "resources" / "pairings").mkdir(parents=True)
    (tmp_path / "lab" / "resources" / "pairings" / "tarn-corrie.toml").write_bytes(CARD)
    (tmp_path / "records").mkdir()
    monkeypatch.setenv("BENCHRUNNER_PATH", str(tmp_path / "lab"))

    def one(name: str, *, simulated: bool = False, card: bytes = CARD, fail: bool = False, finished: bool = True,
            procedure: str = "load-rejection", started: str = "2026-03-02T09:15:00.000Z", title: str = "Tarn-6 with Corrie-5") -> Path:  # fmt: skip
        import dataclasses

        from benchrunner.record.journal import Journal

        facts = dataclasses.replace(
            record_sample.facts(simulated=simulated), started=started, pairing=Verbatim("tarn-corrie.toml", card, title),
            procedure=Verbatim(f"{procedure}.toml", b'format = 1\ntitle = "x"\n'),
        )  # fmt: skip
        log = Journal.create(tmp_path / f"{name}-run", facts)
        for seq, item in enumerate(record_sample.inputs(60), 1):
            log.input(seq, item)
        for output in record_sample.outputs():
            data = getattr(output, "data", {})
            if fail and data.get("id") == "battery-peak":
                output = Event(output.at, "check", {**data, "value": 59.0, "margin": -0.6, "verdict": "fail"})
            log.output(output)
        ended: dict[str, Any] = {"exit": 0, "verdict": "pass", "ended_by": "procedure" if finished else "operator",
                                 "finished": finished, "safe": "confirmed"}  # fmt: skip
        log.event(Event(7.6, "ended", ended))
        log.close()
        return seal(tmp_path / f"{name}-run", tmp_path / "records" / f"{name}.bench")

    return one


def test_firmware_settings_margins_and_what_was_not_tested(make: Make, tmp_path: Path) -> None:
    path = make("a")
    found = sheet("tarn-corrie", tmp_path / "records")
    assert found["variants"][0]["parts"].startswith(
        "Tarn-6 (HM-T6-0107) firmware 2.4.1; Corrie-5 firmware 1.9.0"
    )
    assert "shift stop 51.7 Hz" in found["variants"][0]["settings"]
    (row,) = found["procedures"]
    assert row["real"]["verdict"] == "inconclusive" or row["real"]["verdict"] == "pass"
    assert row["real"]["record"] == record_number(Record.open(path))
    assert row["simulated"] is None
    assert row["real"]["nearest"] == "+1.20 V (+9.2 U)"
    assert "Charge to full without load, then hold" in found["untested"]
    assert found["procedures"][0]["name"] not in found["untested"]


def test_real_and_simulated_stay_apart(make: Make, tmp_path: Path) -> None:
    make("real"), make("sim", simulated=True, procedure="grid-loss")
    found = sheet("tarn-corrie", tmp_path / "records")
    by = {r["name"]: r for r in found["procedures"]}
    assert by["Loss of the grid under load, repeated"]["real"] is None
    assert by["Loss of the grid under load, repeated"]["simulated"] is not None
    assert found["groups"][0]["mark"] == ""
    assert found["groups"][1]["mark"] == words.SIMULATED
    assert found["simulated"] == ""
    assert found["mixed"]


def test_only_simulated_records_carry_the_mark(make: Make, tmp_path: Path) -> None:
    make("sim", simulated=True)
    found = sheet("tarn-corrie", tmp_path / "records")
    assert found["simulated"] == words.SIMULATED
    text = Reader(fill("pairing_sheet.html.j2", found)).text
    assert text.count(words.SIMULATED) >= 3
    assert "No record from a real bench" in text


def test_a_failure_leaves_nothing_to_recommend(make: Make, tmp_path: Path) -> None:
    make("good", procedure="grid-loss"), make("bad", fail=True)
    group = sheet("tarn-corrie", tmp_path / "records")["groups"][0]
    assert group["limits"] == []
    assert "No limits are recommended" in group["against"]
    assert group["nearest"][0]["margin"].startswith("\u22120.60")


def test_a_run_that_did_not_finish_recommends_nothing(make: Make, tmp_path: Path) -> None:
    make("short", finished=False)
    found = sheet("tarn-corrie", tmp_path / "records")
    assert found["groups"][0]["limits"] == []
    assert found["procedures"][0]["real"]["verdict"] == "did not finish"
    make("failed", fail=True, finished=False, started="2026-04-02T09:15:00.000Z")
    row = sheet("tarn-corrie", tmp_path / "records")["procedures"][0]["real"]
    assert row["verdict"] == "fail"
    assert row["counts"].startswith("did not finish; 0 of 2 passed")


def test_another_firmware_is_another_state_and_limits_come_from_the_newest(
    make: Make, tmp_path: Path
) -> None:
    make("old", fail=True)
    make("new", card=CARD.replace(b"2.4.1", b"2.5.0"), started="2026-04-02T09:15:00.000Z")
    found = sheet("tarn-corrie", tmp_path / "records")
    assert ["2.5.0" in v["parts"] for v in found["variants"]] == [True, False]
    assert [v["now"] for v in found["variants"]] == [False, True]
    assert "No limits" not in found["groups"][0]["against"]


def test_what_does_not_verify_and_what_is_another_pairing_is_left_out(make: Make, tmp_path: Path) -> None:
    good, bad = make("good"), make("bad", started="2026-05-02T09:15:00.000Z")
    raw = bytearray(bad.read_bytes())
    raw[raw.index(b"PAR1") + 60] ^= 1
    bad.write_bytes(raw)
    (tmp_path / "records" / "junk.bench").write_bytes(b"no record")
    shutil.copy(good, tmp_path / "records" / "copy.bench")
    found = sheet("tarn-corrie", tmp_path / "records")
    assert found["count"].startswith("1 record: 1 of a real bench")
    assert any("do not verify" in line or "cannot be read" in line for line in found["left_out"])
    assert "1 file that cannot be read as records" in " ".join(found["left_out"])
    with pytest.raises(Refused, match="holds no record of the pairing"):
        sheet("tarn6-scree5", tmp_path / "records")


def test_from_an_archive(make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its index says which records are of the pairing; no other is opened, and one that was forgotten does not count."""
    from benchrunner.record.archive import Archive
    from benchrunner.record.archive.files import FORGOTTEN, RECORDS
    from benchrunner.record.archive.index import FILE_NAME

    assert (pairing_sheet.RECORDS, pairing_sheet.FORGOTTEN, pairing_sheet.INDEX) == (
        RECORDS,
        FORGOTTEN,
        FILE_NAME,
    )
    kept = make("kept")
    gone = make("gone", started="2026-05-02T09:15:00.000Z", fail=True)
    other = make("other", title="Another pairing", card=CARD.replace(b"HM-T6-0107", b"HM-T6-0999"))
    with Archive(tmp_path / "archive") as archive:
        added = [archive.add(path) for path in (kept, gone, other)]
        archive.forget(added[1].id)
    opened: list[Path] = []
    real = Record.open
    monkeypatch.setattr(Record, "open", lambda path: (opened.append(Path(path)), real(path))[1])
    found = sheet("tarn-corrie", tmp_path / "archive")
    assert added[0].path in opened
    assert not any(FORGOTTEN in path.parts for path in opened)
    assert found["count"].startswith(("1 record", "2 records"))  # by title or by the card's file name
    assert found["procedures"][0]["real"]["verdict"] == "pass"
    (tmp_path / "archive" / FILE_NAME).unlink()  # without an index: the files, without the forgotten ones
    assert sheet("tarn-corrie", tmp_path / "archive")["count"] == found["count"]


def test_records_below_a_hidden_folder_count(make: Make, tmp_path: Path) -> None:
    """A hidden folder above the one that was named is nobody's draft."""
    make("a")
    (tmp_path / ".lab").mkdir()
    shutil.copytree(tmp_path / "records", tmp_path / ".lab" / "records")
    assert sheet("tarn-corrie", tmp_path / ".lab" / "records")["count"].startswith("1 record")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_one_page_however_much_there_is(make: Make, tmp_path: Path, paper: Any) -> None:
    make("a"), make("s", simulated=True)
    found = sheet("tarn-corrie", tmp_path / "records")
    long = "A procedure with a title that somebody made much longer than any title has to be, on purpose " * 3
    found["procedures"] = [{**found["procedures"][0], "name": f"{k} {long}"} for k in range(26)]
    found["untested"] = [f"{k} {long[:60]}" for k in range(25)]
    assert pages_of(one_page(found, paper)) == 1


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
def test_both_kinds_written(make: Make, tmp_path: Path) -> None:
    make("a", title="Tarn-6 with Corrie-5")
    make("sim", simulated=True)
    out = write_sheet("tarn-corrie", tmp_path / "records", tmp_path / "x.pdf", "pdf")
    text = subprocess.run(
        ["pdftotext", "-layout", str(out), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert text.count("\f") == 1
    assert "page 1 of 1" in text
    assert words.SIMULATED in text
    assert re.search(r"Not tested", text)
    page = write_sheet("tarn-corrie", tmp_path / "records", tmp_path / "x.html", "html").read_text("utf-8")
    assert "Not tested" in Reader(page).text


@pytest.fixture(scope="session")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole run, made before a test has a home of its own: the compiled plant lies in the user's cache."""
    import benchrunner

    folder = tmp_path_factory.mktemp("whole")
    benchrunner.run("grid-loss", "tarn6-corrie5", "simulated", out=folder)
    return folder


def test_limits_of_a_whole_run_against_its_readings(whole: Path) -> None:
    """A real run on the simulated bench; the limits again from the readings with pandas, by the grid switch's last state."""
    import pandas as pd

    (path,) = whole.glob("*.bench")
    record = Record.open(path)
    assert record.verdict == "pass"
    group = sheet("tarn6-corrie5", whole)["groups"][1]
    rows = record.readings

    def of(name: str) -> pd.DataFrame:
        return rows[rows.channel == name][["time", "value"]].dropna().sort_values("time")

    def island(name: str) -> pd.Series:
        both = pd.merge_asof(of(name), of("grid.closed"), on="time", suffixes=("", "_closed"))
        return both[both.value_closed == 0.0].value

    says = {row["what"]: row["says"] for row in group["limits"]}
    number = record_number(record)
    assert says["PV power in island operation, at most"] == words.value(
        island("pv.power").max(), "W", "pv.power", 3
    )
    load = island("load.power")
    assert (
        says["Load in island operation"] == f"{max(load.min(), 0.0) / 1000:.2f} to {load.max() / 1000:.2f} kW"
    )
    assert island("pv.power").max() < of("pv.power").value.max() + 1e-9
    assert all(number in row["records"] for row in group["limits"][:-1])


def test_each_state_of_the_pairing_has_its_outcome(make: Make, tmp_path: Path) -> None:
    make("old", card=CARD.replace(b"2.4.1", b"2.0.0"), fail=True, started="2026-03-01T09:15:00.000Z")
    make("new", started="2026-03-02T09:15:00.000Z")
    row = sheet("tarn-corrie", tmp_path / "records")["procedures"][0]["real"]
    old = next(
        v["card"] for v in sheet("tarn-corrie", tmp_path / "records")["variants"] if "2.0.0" in v["parts"]
    )
    assert row["verdict"] == "pass"
    assert row["counts"] == f"1 of 2 passed; with card {old}: fail"
    assert row["of"], "the tightest margin says of which check it is"


def test_a_wiring_proof_is_none_of_what_was_not_tested(make: Make, tmp_path: Path) -> None:
    make("one")
    untested = sheet("tarn-corrie", tmp_path / "records")["untested"]
    assert any("Loss of the grid" in name for name in untested)
    assert not [name for name in untested if "Wiring proof" in name]


def test_a_setting_that_tells_two_states_apart_is_named(make: Make, tmp_path: Path) -> None:
    old = CARD.replace(b'"1.9.0"', b'"1.9.0"\nresponse_time = "1 s"')
    new = CARD.replace(b'"1.9.0"', b'"2.0.0"\nresponse_time = "3 s"')
    make("a", card=old)
    make("b", card=new, started="2026-03-03T09:15:00.000Z", finished=False)
    found = sheet("tarn-corrie", tmp_path / "records")
    said = [v["settings"] for v in found["variants"]]
    assert "response time 3 s" in said[0] and "response time 1 s" in said[1]
