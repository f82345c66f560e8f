"""A table of the report begins with its heading, its header and two rows on one page, wherever on the page it comes to lie.

The template's own preamble, with tables begun at every height of a page; read back by poppler.
"""

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

TEMPLATE = Path(__file__).parents[2] / "benchrunner" / "report" / "sheet.typ"
pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
STEP, HEIGHTS = 3, 84  # mm; a page of A4 has 254 between its margins, one of Letter 236
BODY = """
#for k in range(%d) {
  pagebreak(weak: true)
  [begun#(k)x]
  v(k * %dmm)
  [= head#(k)x]
  block(sticky: true, small[says#(k)x])
  ruled((1fr, 1fr), ([top#(k)x], [of]), range(%d).map(n => ([row#(k)x#(n)x], [\\ \\ ])))
}
"""


def where(tmp_path: Path, paper: str, rows: int) -> dict[str, int]:
    """The first page on which each word of such tables stands."""
    import typst

    preamble, _, _ = TEMPLATE.read_text(encoding="utf-8").partition("// ---- page one")
    texts = dict.fromkeys(("title", "subject", "simulated", "kind", "laboratory", "number", "bench"), "one")
    (tmp_path / "content.json").write_text(json.dumps(texts), encoding="utf-8")
    (tmp_path / "t.typ").write_text(preamble + BODY % (HEIGHTS, STEP, rows), encoding="utf-8")
    made = tmp_path / "t.pdf"
    typst.compile(tmp_path / "t.typ", output=made, root=tmp_path, sys_inputs={"paper": paper})
    done = subprocess.run(["pdftotext", "-layout", str(made), "-"], capture_output=True, check=True)
    found: dict[str, int] = {}
    for number, page in enumerate(done.stdout.decode("utf-8").split("\f")):
        for word in re.findall(r"(?:begun|head|says|top|row)\d+x(?:\d+x)?", page):
            found.setdefault(word, number)
    return found


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_a_table_begins_with_two_rows_on_the_page_of_its_heading(tmp_path: Path, paper: str) -> None:
    page = where(tmp_path, paper, 6)
    moved = 0
    for k in range(HEIGHTS):
        of = {page[f"{word}{k}x"] for word in ("head", "says", "top")} | {
            page[f"row{k}x{n}x"] for n in (0, 1)
        }
        assert len(of) == 1, f"begun {k * STEP} mm down the page: on pages {sorted(of)}"
        moved += of != {page[f"begun{k}x"]}
    assert 0 < moved < HEIGHTS / 3  # near the foot it moves to the next page, elsewhere it stays


def test_room_is_asked_for_and_given_back(tmp_path: Path) -> None:
    """A table that fits stays where it is, right below what stands above it."""
    page = where(tmp_path, "a4", 2)
    boxes = subprocess.run(
        ["pdftotext", "-bbox", str(tmp_path / "t.pdf"), "-"], capture_output=True, check=True
    )
    y = {
        word: float(at)
        for at, word in re.findall(
            r'yMin="([0-9.]+)"[^>]*>((?:says|top)[0-9]+x)<', boxes.stdout.decode("utf-8")
        )
    }
    for k in (0, 20, HEIGHTS - 1):  # in points: a line and the distance of two blocks
        assert 10.0 < y[f"top{k}x"] - y[f"says{k}x"] < 30.0
    assert page["row0x1x"] == page["begun0x"]
    stays = [k for k in range(HEIGHTS) if page[f"row{k}x1x"] == page[f"begun{k}x"]]
    assert stays == list(range(len(stays)))
    assert (
        len(stays) * STEP > 254 - 60
    )  # heading, sentence, header and two rows of three lines: less than 60 mm
