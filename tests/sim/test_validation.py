"""The validation tables: every row within what is allowed; the page as it is kept; and a plant that is wrong is found out."""

import json
from pathlib import Path

import pytest

from benchrunner.cli.main import main
from benchrunner.sim.validation import PARTS, tables
from benchrunner.sim.validation.rows import Row, Table, markdown, published

HERE = Path(__file__).resolve().parent
PAGE = HERE.parent.parent / "resources" / "guide" / "validation.md"


@pytest.mark.filterwarnings("ignore")  # the reference libraries' own
@pytest.mark.parametrize("part", PARTS)
def test_every_row_lies_within_what_is_allowed(part: str) -> None:
    (table,) = tables((part,))
    beyond = [f"{row.given}: {row.ours} against {row.reference}" for row in table.rows if not row.ok]
    assert not beyond
    assert len(table.rows) >= 5 and not table.left_out


def test_the_published_points_are_those_of_the_tests() -> None:
    """One set of facts: what is shipped says the same as the tests' own copies."""
    shared = 0
    for path in (HERE.parent / "vectors").glob("*/*.json"):
        for row in json.loads(path.read_text(encoding="utf-8")):
            there = published().get(row.get("id", ""))
            if there is not None and path.parent.name != "pv":  # there the modules' names differ
                assert (there["input"], there["expected"]) == (row["input"], row["expected"]), row["id"]
                shared += 1
    assert shared > 25


def test_the_page_is_the_one_that_the_command_writes() -> None:
    """Title and row of every table stand in the kept page; figures may differ in their last digits between machines."""
    page = PAGE.read_text(encoding="utf-8")
    for table in tables(("array", "network")):
        assert f"## {table.title}" in page
        for row in table.rows:
            assert f"| {row.given} |" in page, (
                "made anew with: benchrunner validate --out resources/guide/validation.md --replace"
            )


def test_a_row_beyond_is_told(tmp_path: Path) -> None:
    bad = Table(
        "Part", "says", (Row("x", 1.0, 2.0, 0.5, "V", "somewhere"), Row("y", 1.0, 1.0, 0.0, "V", "elsewhere"))
    )
    assert not bad.ok
    assert "**beyond**" in markdown([bad], ["numpy 0"]) and "**1 of 2 rows" in markdown([bad], [])


def test_a_wrong_plant_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """An array model with a tenth more current fails its table."""
    from benchrunner.sim.array import PvArray

    right = PvArray.operating_point
    monkeypatch.setattr(
        PvArray,
        "operating_point",
        lambda *a: tuple(x * f for x, f in zip(right(*a), (1.1, 1.0, 1.1), strict=True)),
    )
    (table,) = tables(("array",))
    assert not table.ok


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["validate", "--part", "network", "--out", str(tmp_path / "page.md")]) == 0
    assert "rows within what is allowed" in capsys.readouterr().out
    assert "## Bus, grid and loads" in (tmp_path / "page.md").read_text(encoding="utf-8")
    assert main(["validate", "--part", "nothing"]) == 2
    assert main(["validate", "--part", "network", "--out", str(tmp_path / "no" / "page.md")]) == 2
