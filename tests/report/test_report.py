"""The report: complete, self-contained, true to the record, and harmless whatever the record says."""

import contextlib
import json
import os
import re
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import pytest
import record_sample

from benchrunner.cli.main import main
from benchrunner.core.messages import Event
from benchrunner.errors import Refused
from benchrunner.record import canonical, container
from benchrunner.record.opened import Record
from benchrunner.record.recover import recover
from benchrunner.record.seal import seal
from benchrunner.report import words
from benchrunner.report.html import render, write_report


def crashed(folder: Path) -> None:
    """A journal as a process leaves it that dies: written, not closed, its lock let go, and a while ago."""
    log = record_sample.write(folder, ended=False, close=False)
    log.sync()
    log._lock.release()
    for path in folder.iterdir():
        os.utime(path, (1.0e9, 1.0e9))


class Reader(HTMLParser):
    """Text, tags and attributes, and that every tag is closed in its place."""

    VOID = frozenset({"meta", "br", "rect", "circle", "path", "img", "link"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)
        assert not self.open, self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def html(record: Path) -> str:
    return render(Record.open(record))


@pytest.fixture(scope="module")
def page(html: str) -> Reader:
    return Reader(html)


def test_what_a_report_must_hold(page: Reader, record: Path) -> None:
    """ISO/IEC 17025:2017, 7.8.2.1, as far as the record knows it (trade list C7), and our own rules."""
    header = Record.open(record).header
    for wanted in (
        "Load rejection on a nearly full battery", "Tarn-6 with Corrie-5", "Highmoor Training Laboratory", "A. Tester",
        header["started"], header["procedure"]["sha256"], header["pairing"]["sha256"], header["bench"]["sha256"],
        "HIGHMOOR,AC METER,1,1.0", "HM-0012", "2026-01-10", "2027-01-10", "load_before", "3 kW",
        "Hazardous voltage on the load terminals", "Battery too high", "0.0.test", header["digests"]["readings"],
        "DEMO KEY", header["signer"]["key"], "PV source off", words.CAUTION, words.ACCREDITED, words.ITEMS,
        words.RULES["guarded"], words.RULES["simple"], words.UNCERTAINTY, words.SAFE["confirmed"], "End of the report",
    ):  # fmt: skip
        assert wanted in page.text, wanted


def test_a_simulated_bench_says_so_in_what_repeats_on_every_page(html: str, page: Reader) -> None:
    running = html.split('<header class="running">')[1].split("</header>")[0]
    assert words.SIMULATED in running
    assert page.text.count(words.SIMULATED) >= 3
    assert re.search(r"\.running \{[^}]*display: table-header-group", html)
    assert "(simulated bench)" in html.split("<title>")[1].split("</title>")[0]


def test_a_real_bench_does_not_carry_the_mark(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run", simulated=False)
    text = render(Record.open(seal(tmp_path / "run", tmp_path / "x.bench")))
    assert "SIMULATED" not in Reader(text).text


def test_nothing_comes_from_elsewhere(page: Reader, html: str) -> None:
    assert not {tag for tag, _ in page.tags} & {
        "script",
        "link",
        "img",
        "iframe",
        "object",
        "embed",
        "form",
        "base",
    }
    for tag, attributes in page.tags:
        for name in attributes:
            assert name not in ("src", "srcset", "action") and not name.startswith("on"), (tag, name)
            assert name != "href" or (attributes[name] or "").startswith("#"), attributes[name]
    assert "@import" not in html
    assert "url(" not in html
    assert any(tag == "meta" and "default-src 'none'" in (a.get("content") or "") for tag, a in page.tags)


def test_the_checks_are_those_of_the_record(page: Reader) -> None:
    assert "3 checks: 2 pass, 1 not judged." in page.text
    assert "57.20 V" in page.text
    assert "0.13 V" in page.text
    assert "at most 58.4 V" in page.text
    assert "+1.20 V" in page.text
    assert "+9.2 U" in page.text
    assert "218.5 V to 241.5 V" in page.text
    assert "the run ended before this check was judged" in page.text


def test_each_step_has_its_pictures(html: str) -> None:
    assert html.count('<svg class="plot"') >= 4
    assert "Captured waveforms, 2 kS/s" in html
    assert "does not carry: phase_jump; prescribed, not computed: noise, harmonics of battery.voltage" in html
    assert 'class="trigger"' in html
    assert "Battery peak: at most 58.4 V" in html
    assert "Bus voltage: 218.5 to 241.5 V" in html


def test_pictures_have_words_for_who_cannot_see_them(page: Reader) -> None:
    labels = [a.get("aria-label") for tag, a in page.tags if tag == "svg" and a.get("class") == "plot"]
    assert labels
    assert all(labels)
    assert any("battery.voltage from 56" in (label or "") for label in labels)


def test_verdicts_are_shape_and_word_and_not_colour_alone(html: str) -> None:
    shapes = dict(re.findall(r'<span class="verdict ([a-z-]+)"><svg[^>]*>(<[^>]+>)', html))
    assert set(shapes) == {"pass", "not-judged"}
    assert len(set(shapes.values())) == 2
    assert "</svg>pass</span>" in html
    assert "#009e73" in html, "bluish green of the Okabe-Ito palette"


def test_light_dark_and_paper(html: str) -> None:
    assert "prefers-color-scheme: dark" in html
    assert "@media print" in html
    assert "size: A4" in html


def test_a_damaged_record_says_so_before_anything_else(record: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(record) as file:
        members = {i.filename: file.read(i) for i in file.infolist()}
    header = json.loads(members["header.json"])
    header["verdict"] = "fail"
    container.write(tmp_path / "x.bench", list({**members, "header.json": canonical.dumps(header)}.items()))
    text = Reader(render(Record.open(tmp_path / "x.bench"))).text
    assert "This record does not verify" in text
    assert text.index("does not verify") < text.index("What was tested")
    assert "signatures/0001.jws" in text


def test_a_run_that_did_not_finish_says_so(tmp_path: Path) -> None:
    crashed(tmp_path / "run")
    text = Reader(render(Record.open(recover(tmp_path / "run").record))).text
    assert "Did not finish" in text
    assert "The program ended before the run did." in text
    assert "could NOT be confirmed" in text
    assert "breaks off after" in text
    assert "; the run did not finish: what was left out is what Checks calls not judged" in text


def test_what_recover_says_fits_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    crashed(tmp_path / "run")
    assert main(["recover", str(tmp_path / "run")]) == 0
    said = capsys.readouterr().out
    assert "Nothing after that moment is known; no reading was added." in " ".join(said.split())
    assert [line for line in said.splitlines() if len(line) > 100 and not line.startswith("record: ")] == []


def test_what_is_said_where_no_order_of_making_safe_is_on_record() -> None:
    from benchrunner.report.content import no_safe_order

    safe = {"state": "not confirmed", "steps": []}
    assert "made safe afterwards is NOT known" in no_safe_order({"safe": safe, "gap": {"after": 1.0}})
    assert no_safe_order({"safe": safe, "gap": None}) == "No order of the safe order was given."


def test_an_unfinished_empty_run_can_be_shown(tmp_path: Path) -> None:
    from benchrunner.record.journal import Journal

    log = Journal.create(tmp_path / "run", record_sample.facts())
    log.event(Event(0.0, "ended", {"exit": 4, "finished": False, "ended_by": "start", "safe": "not needed"}))
    log.close()
    text = Reader(render(Record.open(seal(tmp_path / "run", tmp_path / "x.bench")))).text
    assert "No step was begun." in text
    assert "Nothing had been switched on." in text
    assert "Nothing had been switched on, so no order of the safe order was given." in text


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    bad = '<script>alert("x")</script><img src=x onerror=y>'
    log = record_sample.write(tmp_path / "run", close=False, ended=False, deviations=(bad,))
    log.fact("instruments", [{"name": bad, "identity": bad, "accuracy": bad}])
    log.event(Event(1.0, "check", {"step": bad, "id": bad, "title": bad, "verdict": bad, "unit": bad, "rule": bad,
                                   "value": 1.0, "low": None, "high": 2.0, "reason": bad, "of": bad, "measure": bad}))  # fmt: skip
    log.event(Event(1.0, "note", {"text": bad, "level": bad}))
    log.event(Event(1.0, "safe", {"id": bad, "says": bad, "phase": bad, "text": bad}))
    log.event(
        Event(1.0, "ended", {"finished": False, "ended_by": bad, "reason": bad, "safe": bad, "exit": 4})
    )
    log.close()
    text = render(Record.open(seal(tmp_path / "run", tmp_path / "x.bench")))
    page = Reader(text)
    assert not {tag for tag, _ in page.tags} & {"script", "img"}
    assert "alert" in page.text


@pytest.mark.parametrize(
    "missing", ["procedure", "checks", "safe", "counts", "digests", "program", "duration"]
)
def test_a_header_without_its_parts_is_refused_in_words(missing: str, record: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(record) as file:
        members = {i.filename: file.read(i) for i in file.infolist()}
    header = json.loads(members["header.json"])
    for change in ({k: v for k, v in header.items() if k != missing}, {**header, missing: "x"}):
        path = tmp_path / "x.bench"
        path.unlink(missing_ok=True)
        container.write(path, list({**members, "header.json": canonical.dumps(change)}.items()))
        with contextlib.suppress(Refused):  # shown or refused; never any other exception
            render(Record.open(path))


def test_writing(record: Path, tmp_path: Path) -> None:
    out = write_report(record, tmp_path / "r.html")
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")
    write_report(Record.open(record), out)
    assert [p.name for p in tmp_path.glob("*r.html*")] == ["r.html"]
    with pytest.raises(Refused, match="cannot be written"):
        write_report(record, tmp_path / "no" / "such" / "folder.html")


@pytest.mark.parametrize(
    ("check", "value", "u", "limit", "margin", "in_u"),
    [
        ({"value": 57.1234, "uncertainty": 0.131, "high": 58.4, "margin": 1.2766, "unit": "V"},
         "57.12 V", "0.13 V", "at most 58.4 V", "+1.28 V", "+9.7 U"),
        ({"value": 40497.8, "uncertainty": 252.2, "high": 403200.0, "margin": 362702.2, "unit": "J"},
         "11.249 Wh", "0.070 Wh", "at most 112 Wh", "+100.751 Wh", "> +100 U"),
        ({"value": 0.01515, "uncertainty": 8.2e-5, "high": 0.02, "margin": 0.00485, "unit": "s"},
         "15.150 ms", "0.082 ms", "at most 20 ms", "+4.850 ms", "+59.1 U"),
        ({"value": 3.0, "uncertainty": None, "low": 3.0, "margin": 0.0, "unit": "1"},
         "3", "not evaluated", "at least 3", "+0", ""),
        ({"value": 0.945, "uncertainty": 0.01, "low": 0.9, "high": 0.97, "margin": 0.025, "unit": "1", "of": "battery.soc"},
         "94.5 %", "1.0 % points", "90 % to 97 %", "+2.5 % points", "+2.5 U"),
        ({"value": 0.031, "uncertainty": 0.01, "high": 0.05, "margin": 0.019, "unit": "1", "of": "battery.soc", "measure": "span"},
         "3.1 % points", "1.0 % points", "at most 5 % points", "+1.9 % points", "+1.9 U"),
        ({"value": 3.0, "uncertainty": 0.0, "high": 2.0, "margin": -1.0, "unit": "1", "of": "battery.soc", "measure": "count_above"},
         "3", "0", "at most 2", "\u22121", ""),
        ({"value": 4.2, "uncertainty": 0.7, "high": 5.0, "margin": 0.8, "unit": "K", "of": "battery.temperature", "measure": "span"},
         "4.20 K", "0.70 K", "at most 5 K", "+0.80 K", "+1.1 U"),
        ({"value": 4.2, "uncertainty": 0.7, "high": 5.0, "margin": 0.8, "unit": "K", "of": "heat", "measure": "spread of peak"},
         "4.20 K", "0.70 K", "at most 5 K", "+0.80 K", "+1.1 U"),
        ({"value": 298.15, "uncertainty": 1.0, "high": 318.15, "margin": 20.0, "unit": "K", "of": "battery.temperature"},
         "25.0 \u00b0C", "1.0 \u00b0C", "at most 45 \u00b0C", "+20.0 \u00b0C", "+20.0 U"),
        ({"value": 0.01628, "uncertainty": 0.0238, "high": 0.3490658503988659, "margin": 0.33279, "unit": "rad"},
         "0.9 deg", "1.4 deg", "at most 20 deg", "+19.1 deg", "+14.0 U"),
        ({"value": None, "uncertainty": None, "high": 5.0, "margin": None, "unit": "Hz"},
         "no value", "\u2013", "at most 5 Hz", "\u2013", ""),
        ({"value": 59.0, "uncertainty": 0.1, "high": 58.4, "margin": -0.6, "unit": "V"},
         "59.00 V", "0.10 V", "at most 58.4 V", "\u22120.60 V", "\u22126.0 U"),
        ({"value": 0.0, "high": 0.0, "margin": 0.0, "unit": "V"}, "0 V", "not evaluated", "at most 0 V", "+0 V", ""),
        ({"value": float("nan"), "unit": "V"}, "no value", "\u2013", "no limit", "\u2013", ""),
    ],
)  # fmt: skip
def test_figures(check: dict[str, object], value: str, u: str, limit: str, margin: str, in_u: str) -> None:
    """Worked by hand; JCGM 100, 7.2.6: at most two digits of the uncertainty, the value to the same place."""
    found = words.figures(check)
    assert (found.value, found.uncertainty, found.limit, found.margin, found.in_u) == (
        value,
        u,
        limit,
        margin,
        in_u,
    )


def test_durations() -> None:
    assert [words.span(s) for s in (0.5, 42.0, 200.0, 7500.0)] == [
        "0.5 s",
        "42 s",
        "3 min 20 s",
        "2 h 05 min",
    ]


def test_the_reason_for_what_was_not_judged_is_said_once(tmp_path: Path) -> None:
    crashed(tmp_path / "run")
    record = Record.open(recover(tmp_path / "run").record)
    unjudged = [check for check in record.checks if check["verdict"] == "not judged"]
    assert unjudged
    text = Reader(render(record)).text
    assert (
        text.count(f"Not judged : {unjudged[0]['reason']}")
        + text.count(f"Not judged: {unjudged[0]['reason']}")
        == 1
    )


def test_a_note_is_no_deviation_and_an_overdue_calibration_is_said() -> None:
    from benchrunner.report.content import instrument
    from benchrunner.report.notes import changed

    header = {"deviations": [], "overridden": [], "overrides": {}, "notes": [{"text": "fine weather"}]}
    assert changed(header) == 0
    assert changed({**header, "deviations": ["fan blocked"], "overrides": {"load_before": "2 kW"}}) == 2
    assert instrument({"name": "bus", "due": "2026-11-24"}, "2026-11-25")["due"] == "2026-11-24 OVERDUE"
    assert instrument({"name": "bus", "due": "2026-11-25"}, "2026-11-25")["due"] == "2026-11-25"
    assert instrument({"name": "bus"}, "2026-11-25")["due"] == "not stated"


def test_every_item_of_the_clauses_has_its_place(page: Reader) -> None:
    """ISO/IEC 17025:2017: 7.8.2.1 a to p, 7.8.3.1 a to e, 7.8.6.1 and 7.8.6.2, each once."""
    for item in (
        *(f"7.8.2.1 {k}" for k in "abcdefghijklmnop"),
        *(f"7.8.3.1 {k}" for k in "abcde"),
        "7.8.6.1",
        "7.8.6.2",
    ):
        assert len(re.findall(rf"{re.escape(item)}(?![\w.])", page.text)) == 1, item


def test_nobody_is_told_to_run_again_what_failed() -> None:
    """A failed check that a guard cut short: the advice is that of a failure."""
    from types import SimpleNamespace
    from typing import Any, cast

    from benchrunner.report.content import summary

    header: dict[str, Any] = {
        "verdict": "fail",
        "finished": False,
        "deviations": [],
        "overridden": [],
        "overrides": {},
    }
    nobody = cast("Any", SimpleNamespace(signatures=()))
    assert words.NEXT["fail"] in summary([], header, nobody)["sense"]
    assert words.NEXT[""] in summary([], {**header, "verdict": "pass"}, nobody)["sense"]


def test_missed_polls_and_skew_are_stated() -> None:
    from benchrunner.report.notes import deviations, messages

    polls = {"instrument": "bus_meter", "period": 0.1, "polls": 97, "missed": 3, "failed": 1}
    skew = {
        "instrument": "load",
        "against": "bus_meter",
        "skew": -0.031,
        "standard_uncertainty": 0.012,
        "steps": 4,
    }
    header = {
        "deviations": [], "overridden": [], "overrides": {}, "notes": [],
        "further": {"polling": [polls, {**polls, "instrument": "load", "missed": 0, "failed": 0}], "skew": [skew]},
    }  # fmt: skip
    assert deviations(header) == []
    said = messages(header)
    assert len(said) == 2
    assert "bus_meter: 3 missed and 1 without a reading, of 100" in said[0]
    assert (
        "31 ms after bus_meter (standard uncertainty 12 ms, 4 steps); readings are not corrected" in said[1]
    )
    for broken in ({}, {"further": None}, {"further": {"polling": "x", "skew": [3, {"skew": "y"}]}}):
        assert messages({**header, "further": None, **broken}) == []
