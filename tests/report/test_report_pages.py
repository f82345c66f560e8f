"""The pages of a real run's report as they are laid out, read back by poppler: full, numbered, named, on both papers."""

import re
import shutil
from pathlib import Path

import pytest
from test_pdf import CARD, pages, poppler

import benchrunner
from benchrunner.record.opened import Record
from benchrunner.report import words
from benchrunner.report.html import render
from benchrunner.report.laboratory import read_laboratory
from benchrunner.report.made import make
from benchrunner.report.pdf import Paper, set_pages, write_pdf

pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
FULL = 0.6  # of the height that text may take; of the last page and page one nothing is asked
MARGINS = 24.0 / 25.4 * 72.0, 19.0 / 25.4 * 72.0  # above and below, pt


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A load rejection on the simulated bench, as the shipped procedure does it."""
    return Path(
        benchrunner.run("load-rejection", out=tmp_path_factory.mktemp("pages"), load_before="4 kW").path
    )


@pytest.fixture(scope="module", params=["a4", "letter"])
def paper(request: pytest.FixtureRequest, run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its report on each paper."""
    size: Paper = request.param
    return write_pdf(run, tmp_path_factory.mktemp("paper") / "r.pdf", read_laboratory(CARD), size)


def test_every_page_says_simulated_and_its_number(paper: Path) -> None:
    there = pages(paper)
    for number, text in enumerate(there, 1):
        assert words.SIMULATED in text, number
        assert f"page {number} of {len(there)}" in text, number


def test_contents_name_the_pages_on_which_the_parts_are(paper: Path) -> None:
    there = [text.replace("\u2060", "") for text in pages(paper)]
    entries = re.findall(r"^\s*(\S.*?)[ .]*\.[ .]{3,}\s*(\d+)\s*$", there[1], re.M)
    assert len(entries) > 20
    for title, number in entries:
        assert re.sub(r"\s", "", title) in re.sub(r"\s", "", there[int(number) - 1]), (title, number)


def test_no_page_is_left_half_empty(paper: Path) -> None:
    """Where a step's pictures cannot be split, a page ended at 0.49 of its height."""
    found = []
    for page in poppler("pdftotext", paper, "-bbox").split("<page ")[1:]:
        height = float(re.search(r'height="([\d.]+)"', page)[1])  # type: ignore[index]
        top, bottom = MARGINS[0], height - MARGINS[1]
        lowest = max(float(y) for y in re.findall(r'yMax="([\d.]+)"', page) if float(y) < bottom)
        found.append((lowest - top) / (bottom - top))
    assert min(found[1:-1]) > FULL, [round(f, 2) for f in found]


def test_the_summary_page_holds_no_name_of_a_channel(paper: Path, run: Path) -> None:
    first = pages(paper)[0]
    channels = [str(c["name"]) for c in Record.open(run).header["channels"]]
    assert [name for name in channels if name in first] == []
    assert "load_before" not in first
    assert "times the measurement uncertainty" in re.sub(r"\s+", " ", first)
    assert not re.search(r"[0-9.] U\b", first)


def test_parameters_stand_with_words_and_units(paper: Path) -> None:
    text = re.sub(r"[ \u200b]+", " ", poppler("pdftotext", paper, "-layout"))
    assert re.search(
        r"State of charge to begin at, give or take 1 % 97\.5 % as the procedure says\s+charge\n", text
    )
    assert re.search(r"4 kW set for this run", text)
    assert "Start state: battery state of charge 96.5 % to 98.5 %" in text


def test_nothing_runs_over_the_edge(paper: Path) -> None:
    for page in poppler("pdftotext", paper, "-bbox").split("<page ")[1:]:
        width = float(re.search(r'width="([\d.]+)"', page)[1])  # type: ignore[index]
        right = max(float(x) for x in re.findall(r'xMax="([\d.]+)"', page))
        assert right < width - 17.0 / 25.4 * 72.0


def test_a_phone_gets_each_check_as_a_card(run: Path) -> None:
    html = render(Record.open(run))
    table = html.split('<table class="checks">')[1].split("</table>")[0]
    for row in table.split("<tr>")[2:]:
        assert re.findall(r'data-name="([A-Za-z]+)"', row) == [
            "Limit",
            "Value",
            "U",
            "Margin",
            "Rule",
            "Verdict",
        ]
    style = html.split("<style>")[1].split("</style>")[0]
    phone = style.rindex("@media (max-width: 640px)")
    assert style.rindex("columns: 2") < phone, "what the phone changes comes last, or it would not hold"
    assert "attr(data-name)" in style[phone:]
    assert "overflow-x: auto" in style[phone:]
    assert re.search(r"\.outcome > div \{ overflow-wrap: anywhere; min-width: 0; \}", style), (
        "a long reason stays in its box"
    )


def test_a_state_is_drawn_in_whole_numbers(run: Path) -> None:
    """SunSpec's states are numbers of a list: ticks at 2.999 and 3.001 would say nothing."""
    from benchrunner.report.pictures import Pictures
    from benchrunner.report.svg import Limit, _levels

    pictures = Pictures(Record.open(run))
    panel = pictures._panel(
        "pv_inverter.state", (Limit(3.0, None, "stays"), Limit(None, 4.0, "no fault")), window=(100.0, 190.0)
    )
    assert panel.spans is not None
    assert panel.spans[0] < 3.0 < 4.0 < panel.spans[1]
    ticks = _levels(*panel.spans, panel)
    assert len(ticks) >= 2
    assert ticks == [round(t) for t in ticks]


def test_the_start_state_stays_with_its_table(run: Path, tmp_path: Path) -> None:
    """Wherever the page ends: pushed down by more facts, they go to the next page together (3 to 7 rows parted them)."""

    def pushed(rows: int) -> bytes:
        filler = [{"what": f"Filler {k}", "says": "x", "code": ""} for k in range(rows)]
        return make(
            Record.open(run), None,
            lambda c: set_pages({**c, "facts": [*c["facts"], *filler], "steps": [], "checks": [], "overview": []}, "sheet.typ", "a4"),
        )  # fmt: skip

    for rows in (0, 3, 6, 9):
        (tmp_path / "r.pdf").write_bytes(pushed(rows))
        there = pages(tmp_path / "r.pdf")
        start = next(n for n, text in enumerate(there) if "Start state: battery" in text)
        assert "State of charge to begin at" in there[start], rows
