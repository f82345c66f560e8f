"""A compared check's numbers in words: both values, what the margin moved by and what it had to, in one unit."""

from dataclasses import dataclass

from benchrunner.record.compare import Row
from benchrunner.report import words


@dataclass(frozen=True, slots=True)
class ShiftFigures:
    """Texts; a dash where there is no number."""

    reference: str
    value: str
    shift: str
    margin_shift: str
    needed: str
    expanded: str
    spread: str
    limit: str


def figures(row: Row) -> ShiftFigures:
    """All numbers of a row in the unit that suits its largest, to the place of what the shift is held against."""
    result = row.result

    def cell(value: float | None, margin: float | None = None) -> words.Figures:
        return words.figures(
            {"unit": row.unit, "of": row.of, "measure": row.measure, "value": value, "low": row.low, "high": row.high,
             "uncertainty": result.needed or result.expanded, "margin": margin}
        )  # fmt: skip

    def amount(number: float | None) -> str:  # a difference takes no offset (temperatures) and no sign
        return cell(result.value, number).margin.lstrip("+") if number is not None else words.DASH

    def text(value: float | None) -> str:
        return cell(value).value if value is not None else words.DASH

    def signed(number: float | None) -> str:
        return cell(result.value, number).margin if number is not None else words.DASH

    return ShiftFigures(
        text(result.reference),
        text(result.value),
        signed(result.shift),
        signed(result.margin_shift),
        amount(result.needed),
        amount(result.expanded),
        amount(result.spread),
        cell(result.value).limit if row.low is not None or row.high is not None else words.DASH,
    )
