"""The PDF: complete, tagged, vector, the same on every page, and harmless whatever the record says.

Read back by poppler (pdftotext, pdfinfo, pdffonts, pdfimages), a reader that is not ours.
"""

import re
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import pytest
import record_sample

from benchrunner.core.messages import Event
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.report import pdf, words
from benchrunner.report.content import record_number
from benchrunner.report.laboratory import read_laboratory
from benchrunner.report.pdf import pages_of, render_pdf, write_pdf

pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
CARD = Path(__file__).parents[2] / "resources" / "laboratories" / "highmoor.toml"


def poppler(tool: str, path: Path, *more: str) -> str:
    done = subprocess.run(
        [tool, *more, str(path), *(["-"] if tool == "pdftotext" else [])],
        capture_output=True,
        check=True,
        timeout=60,
    )
    return done.stdout.decode("utf-8")


def pages(path: Path) -> list[str]:
    return poppler("pdftotext", path, "-layout").split("\f")[:-1]


def squeezed(path: Path) -> str:
    """All text without spaces and line ends, since a column may break a word's line anywhere."""
    return re.sub(r"[\s\u200b]+", "", poppler("pdftotext", path))


@pytest.fixture(scope="module")
def made(record: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pdf(record, tmp_path_factory.mktemp("pdf") / "r.pdf", read_laboratory(CARD))


def test_every_page_carries_number_page_and_the_mark_of_a_simulated_bench(made: Path, record: Path) -> None:
    number = record_number(Record.open(record))
    texts = pages(made)
    assert len(texts) >= 4
    for at, text in enumerate(texts, 1):
        assert f"page {at} of {len(texts)}" in text
        assert number in text, f"the record's number is missing on page {at}"
        assert words.SIMULATED in text, f"the mark is missing on page {at}"
    assert f"End of the report of record {number}" in texts[-1]


def test_a_real_bench_does_not_carry_the_mark(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run", simulated=False)
    made = write_pdf(seal(tmp_path / "run", tmp_path / "x.bench"), tmp_path / "x.pdf")
    assert "SIMULATED" not in poppler("pdftotext", made)
    assert all("measured on the bench" in page for page in pages(made))


def test_what_a_report_must_hold(made: Path, record: Path) -> None:
    """ISO/IEC 17025:2017, 7.8.2.1, 7.8.3.1 and 7.8.6, and our own rules."""
    header, text = Record.open(record).header, squeezed(made)
    for wanted in (
        "Load rejection on a nearly full battery", "Tarn-6 with Corrie-5", "Test hall 2, Peat Lane, Highmoor",
        "Bench 1, test hall 2", "course in island operation", "2026-02-16", "M. Thorne, head of the laboratory",
        "18 to 24 degrees Celsius", "A. Tester", header["started"], header["procedure"]["sha256"],
        header["pairing"]["sha256"], header["bench"]["sha256"], "HIGHMOOR,AC METER,1,1.0", "HM-0012", "2026-01-10",
        "2027-01-10", "57.20 V", "0.13 V", "at most 58.4 V", "+1.20 V", "+9.2 U", "k = 2", "guarded", "Battery too high",
        "0.0.test", header["digests"]["readings"], header["digests"]["inputs"], "DEMO KEY", header["signer"]["key"],
        words.CAUTION, words.ACCREDITED, words.ITEMS, words.RULES["guarded"], words.RULES["simple"],
        "Hazardous voltage on the load terminals", "Contents", "claims no accreditation", "Energy balance",
    ):  # fmt: skip
        assert re.sub(r"\s+", "", wanted) in text, wanted
    clauses = [f"7.8.2.1{letter}" for letter in "abcdefghijklmnop"] + [
        "7.8.3.1a",
        "7.8.3.1b",
        "7.8.3.1c",
        "7.8.3.1d",
        "7.8.6.1",
    ]
    assert [c for c in clauses if c not in text] == []


def test_digests_can_be_copied_from_the_page(made: Path, record: Path) -> None:
    header, text = Record.open(record).header, poppler("pdftotext", made)
    for wanted in (header["procedure"]["sha256"], header["digests"]["readings"], header["signer"]["key"]):
        assert wanted in text


def test_what_nobody_stated_is_said_to_be_not_stated(record: Path, tmp_path: Path) -> None:
    text = squeezed(write_pdf(record, tmp_path / "r.pdf"))
    assert re.search(
        r"7\.8\.2\.1 e +Customer +not stated", poppler("pdftotext", tmp_path / "r.pdf", "-layout")
    )
    assert "addressnotstated" in text
    assert "Peat" not in text


def test_tagged_and_named_for_who_cannot_see_it(record: Path, made: Path) -> None:
    """PDF/UA-1 as typst itself checks it when it writes; title, language and alternative texts looked up in the file."""
    info = poppler("pdfinfo", made)
    assert re.search(r"Tagged:\s+yes", info)
    assert "Load rejection on a nearly full battery: Tarn-6 with Corrie-5 (simulated bench)" in info
    assert "pdfuaid" in poppler("pdfinfo", made, "-meta")
    from pyhanko.pdf_utils.reader import PdfFileReader

    root = PdfFileReader(BytesIO(made.read_bytes())).root
    assert root["/Lang"] == "en"
    found: list[str] = []

    def walk(node: object, depth: int = 0) -> None:
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, dict):
            if "/Alt" in node:
                found.append(str(node["/Alt"]))
            walk(node.get("/K"), depth + 1)
        elif isinstance(node, list) and depth < 60:
            for item in node:
                walk(item, depth + 1)

    walk(root["/StructTreeRoot"])
    assert any("battery.voltage from 56" in text for text in found)


def test_plots_are_vectors_and_fonts_are_in_the_file(made: Path) -> None:
    assert len(poppler("pdfimages", made, "-list").splitlines()) == 2, "a table head and no picture"
    fonts = poppler("pdffonts", made).splitlines()[2:]
    assert fonts
    assert all(re.search(r"\byes yes yes\b", line) for line in fonts), fonts


def test_contents_lead_to_their_sections(made: Path) -> None:
    links = poppler("pdfinfo", made, "-dests")
    assert links.count("XYZ") >= 16
    contents = pages(made)[1]
    assert re.search(r"Signatures\W+\d+", contents)


@pytest.mark.parametrize(("paper", "size"), [("a4", "595.276 x 841.89"), ("letter", "612 x 792")])
def test_papers(paper: pdf.Paper, size: str, record: Path, tmp_path: Path) -> None:
    assert size in poppler("pdfinfo", write_pdf(record, tmp_path / "r.pdf", paper=paper))


HOSTILE = [
    '#import "@preview/x:1.0.0": *', "#panic()", "$ x^2 $", "\\ \\u{41} `raw` ```", '<script>alert("x")</script>',
    '#read("/etc/passwd")', "= Heading\n- item", "*strong* _soft_ @label <label>", "a\u202eb\u2066c\u0007d\u200b",
    '<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>', "]]} #end {[", "\"'); #",
    "x" * 3000, "\ue000\uffff", "日本 😀",
]  # fmt: skip


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    bad = " ¦ ".join(HOSTILE)
    log = record_sample.write(tmp_path / "run", close=False, ended=False, deviations=(bad, *HOSTILE))
    log.fact("instruments", [{"name": bad, "identity": bad, "accuracy": bad, "serial": bad}])
    log.event(Event(1.0, "check", {"step": bad, "id": bad, "title": bad, "verdict": bad, "unit": bad, "rule": bad,
                                   "value": 1.0, "low": None, "high": 2.0, "reason": bad, "of": bad, "measure": bad}))  # fmt: skip
    log.event(Event(1.0, "note", {"text": bad, "level": bad}))
    log.event(Event(1.0, "safe", {"id": bad, "says": bad, "phase": bad, "text": bad}))
    log.event(
        Event(1.0, "ended", {"finished": False, "ended_by": bad, "reason": bad, "safe": bad, "exit": 4})
    )
    log.close()
    made = write_pdf(seal(tmp_path / "run", tmp_path / "x.bench"), tmp_path / "x.pdf")
    text = squeezed(made)
    for line in ('#import"@preview/x:1.0.0":*', "#panic()", "$x^2$", '#read("/etc/passwd")', "*strong*_soft_@label<label>",
                 "<script>alert", "[U+202E]", "[U+2066]", "[U+0007]", "`raw`"):  # fmt: skip
        assert line in text, line
    assert "root:x:0" not in text
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", text)
    assert len(poppler("pdfimages", made, "-list").splitlines()) <= 3, (
        "at most the colour glyph of a system font"
    )
    assert pages_of(made.read_bytes()) == len(pages(made))


def test_countersignatures_are_listed_as_verify_sees_them(record: Path, tmp_path: Path) -> None:
    mine = tmp_path / "c.bench"
    mine.write_bytes(record.read_bytes())
    key = SigningKey.from_seed("R. Viewer", bytes([7]) * 32)
    countersign(mine, key, comment="seen #1 and $2")
    text = squeezed(write_pdf(mine, tmp_path / "c.pdf"))
    assert "R.Viewer" in text
    assert key.public.thumbprint in text
    assert "seen#1and$2" in text
    assert record_number(Record.open(mine)) == record_number(Record.open(record))


def test_a_character_without_a_glyph_bars_the_standard_and_not_the_report(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import typst

    asked: list[object] = []
    real = typst.compile

    def compile_once(*args: object, **more: object) -> object:
        asked.append(more["pdf_standards"])
        if more["pdf_standards"]:
            raise typst.TypstError("PDF/UA-1 error: no glyph")
        return real(*args, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(typst, "compile", compile_once)
    content = {
        "title": "x", "made": "now", "count": "none", "simulated": "", "mixed": False, "left_out": [], "variants": [],
        "procedures": [], "cut": 0, "untested": [], "caution": "", "accredited": "",
        "groups": [{"there": False}, {"there": False}],
    }  # fmt: skip
    assert pdf.set_pages(content, "pairing_sheet.typ", "a4", size="9").startswith(b"%PDF")
    assert asked == [["ua-1"], []]


def test_the_same_content_in_both_kinds(record: Path, made: Path) -> None:
    from benchrunner.report.html import render

    page = re.sub(
        r"\s+",
        "",
        re.sub(r"<[^>]+>", "", render(Record.open(record), read_laboratory(CARD)).split("</style>")[1]),
    )
    text = squeezed(made)
    for wanted in (
        "Test hall 2, Peat Lane, Highmoor",
        "M. Thorne",
        "7.8.2.1 k",
        "Energy balance",
        "does not meter grid.power",
    ):
        assert re.sub(r"\s+", "", wanted) in page, wanted
        assert re.sub(r"\s+", "", wanted) in text, wanted


def test_rendering_gives_bytes_of_a_pdf(record: Path) -> None:
    assert render_pdf(Record.open(record)).startswith(b"%PDF-1.7")
