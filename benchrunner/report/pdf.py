"""The report of a record as PDF: set by typst from our own template, plots as vectors, tagged for PDF/UA-1.

Whatever a record says goes in as strings of a JSON file and is never evaluated as markup. Nothing is fetched: no package,
no font. The result is identified by the digests of the data, never by the bytes of the PDF.
"""

import json
import re
import tempfile
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any, Literal, cast

from benchrunner.errors import Problem, Refused
from benchrunner.record.opened import Record
from benchrunner.report.content import Svg, record_number
from benchrunner.report.laboratory import LaboratoryCard
from benchrunner.report.made import make
from benchrunner.report.place import place
from benchrunner.report.plain import breakable

HERE = Path(__file__).parent
Paper = Literal["a4", "letter"]
PAPERS: Mapping[Paper, str] = {"a4": "a4", "letter": "us-letter"}
UNBROKEN = frozenset({"code", "key"})  # digests: they fit their column, and are copied from the page
PANELS_AT_ONCE = 2  # so that a step's pictures fill the page that its words are on
ACCESSIBLE: Literal["ua-1"] = "ua-1"
LABEL = re.compile(r'aria-label="([^"]*)"')
VIEW = re.compile(r'viewBox="0 0 ([0-9.]+) ([0-9.]+)"')


def write_pdf(
    record: Record | Path | str,
    out: Path | str,
    laboratory: LaboratoryCard | None = None,
    paper: Paper = "a4",
    signer: Any = None,
) -> Path:
    """Write the report as PDF to `out`; with `signer` (see `report.pdf_signature`) signed. Raises `Refused`."""
    record = record if isinstance(record, Record) else Record.open(record)
    made = render_pdf(record, laboratory, paper)
    if signer is not None:
        made = signer.sign(made, f"record {record_number(record)}")
    return place(made, out, record.path)


def render_pdf(record: Record, laboratory: LaboratoryCard | None = None, paper: Paper = "a4") -> bytes:
    """The report as PDF. Raises `Refused` for a damaged record."""
    return make(record, laboratory, lambda content: set_pages(content, "sheet.typ", paper), PANELS_AT_ONCE)


def set_pages(content: Mapping[str, Any], template: str, paper: Paper, **inputs: str) -> bytes:
    """Plain data set by one of our templates, which finds `inputs` in sys.inputs. Raises `Refused` where it cannot be set."""
    import typst

    with tempfile.TemporaryDirectory(prefix="benchrunner-report-") as made:
        work = Path(made)
        (work / "pictures").mkdir()
        data = cast("dict[str, Any]", _without_pictures(dict(content), work / "pictures"))
        (work / "content.json").write_text(json.dumps(data), encoding="utf-8")
        (work / "page.typ").write_bytes((HERE / template).read_bytes())
        failures = []
        attempts: list[Any] = [[ACCESSIBLE], []]
        for standards in attempts:  # a character without a glyph bars the standard, not the report
            try:
                pages = typst.compile(
                    work / "page.typ", root=work, format="pdf", sys_inputs={"paper": PAPERS[paper], **inputs},
                    pdf_standards=standards, package_path=work, package_cache_path=work,
                )  # fmt: skip
                return bytes(pages)
            except typst.TypstError as error:
                failures.append(str(error))
        raise Refused(
            Problem(
                "the PDF",
                f"cannot be set: {failures[-1][:300]}",
                "take --html; this is a mistake of the program",
            )
        )


def _without_pictures(value: Any, folder: Path) -> Any:
    """The same data with every SVG put into a file of its own, and long words made breakable."""
    if isinstance(value, Svg):
        return _picture(value, folder)["file"] if value else ""
    if isinstance(value, str):
        return breakable(value)
    if isinstance(value, dict):
        if "svg" in value and "caption" in value:
            drawn = _picture(value["svg"], folder) if value["svg"] else {"file": "", "alt": ""}
            return {"caption": breakable(value["caption"]), **drawn}
        return {k: v if k in UNBROKEN else _without_pictures(v, folder) for k, v in value.items()}
    if isinstance(value, list):
        return [_without_pictures(v, folder) for v in value]
    return value


def _picture(svg: str, folder: Path) -> dict[str, str]:
    from html import unescape

    label, view = LABEL.search(svg[:20000]), VIEW.search(svg[:200])
    size = f'width="{view[1]}" height="{view[2]}" ' if view else ""
    styled = svg.replace("<svg ", f'<svg xmlns="http://www.w3.org/2000/svg" {size}', 1)
    styled = styled.replace(">", f"><style>{_style()}</style>", 1)
    name = f"{sum(1 for _ in folder.iterdir()) + 1}.svg"
    (folder / name).write_text(styled, encoding="utf-8")
    return {"file": name, "alt": unescape(label[1]) if label else ""}


def _style() -> str:
    return (HERE / "plot.css").read_text("utf-8")


def pages_of(pdf: bytes) -> int:
    """How many pages a PDF has."""
    from pyhanko.pdf_utils.reader import PdfFileReader

    return int(PdfFileReader(BytesIO(pdf)).root["/Pages"]["/Count"])
