"""The report of a record as one HTML file that needs nothing else: no script, no font, no picture from anywhere.

What the record says is text and stays text: the template escapes all of it, and the pictures are our own SVG.
"""

from pathlib import Path
from typing import Any

from benchrunner.record.opened import Record
from benchrunner.report.laboratory import LaboratoryCard
from benchrunner.report.made import make
from benchrunner.report.place import place
from benchrunner.report.svg import verdict_mark

HERE = Path(__file__).parent


def write_report(
    record: Record | Path | str, out: Path | str, laboratory: LaboratoryCard | None = None
) -> Path:
    """Write the report of a record to `out` (replaced at once if it exists); gives its path. Raises `Refused`."""
    record = record if isinstance(record, Record) else Record.open(record)
    return place(render(record, laboratory).encode("utf-8"), out, record.path)


def render(record: Record, laboratory: LaboratoryCard | None = None) -> str:
    """The report as text. Raises `Refused` for a record whose header or parts are not what the format says."""
    return make(record, laboratory, _fill)


def _fill(content: dict[str, Any]) -> str:
    return fill("sheet.html.j2", content)


def fill(template: str, content: dict[str, Any]) -> str:
    """One of our templates with plain data in it; everything is escaped but our own SVG."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateError, select_autoescape
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=select_autoescape(default=True), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.globals.update(svg=Markup, mark=lambda verdict: Markup(verdict_mark(verdict)))
    css = Markup((HERE / "sheet.css").read_text("utf-8"))
    try:
        return environment.get_template(template).render(content, css=css)
    except TemplateError as error:
        raise ValueError(str(error)) from error
