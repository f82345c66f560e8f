"""`report` and `sheet` from the command line: files where they were asked for, refusals in three parts."""

import subprocess
import sys
from pathlib import Path

import pytest

from benchrunner.cli.main import main
from benchrunner.report.laboratory import read_laboratory
from benchrunner.report.pdf import pages_of
from benchrunner.report.pdf_signature import make_certificate

CARD = Path(__file__).parents[2] / "resources" / "laboratories" / "highmoor.toml"


def code_of(words: list[str]) -> object:
    """The exit code, whichever way the command leaves."""
    try:
        return main(words)
    except SystemExit as left:
        return left.code


def test_report_as_html_and_as_pdf(record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(record), "--out", str(tmp_path / "a.html"), "--laboratory", str(CARD)]) == 0
    assert "Peat Lane" in (tmp_path / "a.html").read_text("utf-8")
    assert main(["report", str(record), "--pdf", "--paper", "Letter", "--out", str(tmp_path / "a.pdf")]) == 0
    assert pages_of((tmp_path / "a.pdf").read_bytes()) >= 4
    assert capsys.readouterr().out.split() == [str(tmp_path / "a.html"), str(tmp_path / "a.pdf")]


def test_the_ending_says_the_kind(record: Path, tmp_path: Path) -> None:
    assert main(["report", str(record), "--out", str(tmp_path / "a.pdf")]) == 0
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")


def test_a_signed_report(record: Path, tmp_path: Path) -> None:
    (tmp_path / "pass").write_text("peat\n", encoding="utf-8")
    p12, _ = make_certificate("Highmoor Training Laboratory", "peat", tmp_path / "lab.p12")
    out = tmp_path / "a.pdf"
    assert main(["report", str(record), "--pdf", "--out", str(out), "--sign-with", str(p12), "--passphrase-file", str(tmp_path / "pass")]) == 0  # fmt: skip
    assert b"/ETSI.CAdES.detached" in out.read_bytes()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--sign-with", "x.p12"], "give --pdf as well"),
        (["--pdf", "--out", "no/such/folder/a.pdf"], "cannot be written"),
        (["--laboratory", "none.toml"], "cannot be read"),
        (["--paper", "a5"], "--paper"),
        (["--paper", "letter"], "is of a PDF only"),
        (["--pdf", "--out", "x.html"], "ends in .html beside --pdf"),
        (["--html", "--out", "x.pdf"], "ends in .pdf beside --html"),
    ],
)
def test_refusals(more: list[str], says: str, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert code_of(["report", str(record), *more]) == 2
    said = capsys.readouterr().err
    assert "refused:" in said
    assert "mend:" in said
    assert says in said


def test_a_record_is_never_written_over(record: Path, tmp_path: Path) -> None:
    mine = tmp_path / "x.bench"
    mine.write_bytes(record.read_bytes())
    assert main(["report", str(mine), "--pdf", "--out", str(mine)]) == 2
    assert mine.read_bytes() == record.read_bytes()


def test_a_laboratory_card_says_all_its_mistakes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], record: Path
) -> None:
    card = tmp_path / "lab.toml"
    card.write_text('format = 1\n[laboratory]\nadress = "x"\n[work]\nplace = 3\n', encoding="utf-8")
    assert main(["report", str(record), "--laboratory", str(card)]) == 2
    said = capsys.readouterr().err
    assert f"{card}:3: laboratory.adress" in said
    assert f"{card}:5: work.place" in said
    assert "laboratory.name" in said
    assert read_laboratory(CARD).authorised is not None


def test_sheet_where_there_is_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", "tarn6-corrie5", "--from", str(tmp_path)]) == 2
    assert "holds no record of the pairing" in capsys.readouterr().err
    assert main(["sheet", "tarn6-corrie5", "--from", str(tmp_path / "none")]) == 2
    assert main(["sheet", "no-such-pairing", "--from", str(tmp_path)]) == 2


def test_the_typesetter_loads_only_when_a_pdf_is_made() -> None:
    code = "import sys; import benchrunner.report.html, benchrunner.report.pdf, benchrunner.report.pairing_pages; print([m for m in ('typst', 'pyhanko', 'jinja2') if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_a_certificate_of_ones_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from benchrunner.report.pdf_signature import read_signer

    (tmp_path / "pass").write_text("peat\n", encoding="utf-8")
    out = tmp_path / "lab.p12"
    words = ["keys", "certificate", "Highmoor Training Laboratory", "--out", str(out), "--passphrase-file", str(tmp_path / "pass")]  # fmt: skip
    assert main(words) == 0
    assert "no authority stands behind it" in capsys.readouterr().out
    assert read_signer(out, "peat").name == "Highmoor Training Laboratory"
    assert (tmp_path / "lab.pem").read_text("ascii").startswith("-----BEGIN CERTIFICATE")
    assert main(words) == 2
