"""The records that a search found, as lines that fit: a row each, and below it what finds no room beside it."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from benchrunner.cards.named import alike
from benchrunner.cli.wrapping import width, wrapped

if TYPE_CHECKING:
    from benchrunner.record.archive import Device, Found

HEAD = ("id", "started", "verdict", "pairing", "procedure")
PAIRING, PROCEDURE = 3, 4
LEAST = 12  # letters of a title that are shown however narrow it is
READABLE = 42  # letters for both titles: where they had fewer, firmware and marks go below
INVERTERS = (("battery inverter", "battery_inverter"), ("PV inverter", "pv_inverter"))
WIDEST = 24  # firmware beside the titles
BELOW = "below"
NOT_STATED = "-"


def found_lines(found: Sequence["Found"], equipment: Mapping[str, Sequence["Device"]]) -> list[str]:
    """Heading, rows, and how firmware is to be read. `equipment`: by the records' ids."""
    columns = width()
    rows = [
        [one.id[:12], one.started[:16].replace("T", " "), one.verdict, one.pairing, one.procedure]
        for one in found
    ]
    marks = [_marks(one) for one in found]
    versions = [firmware(equipment.get(one.id, ())) for one in found]
    beside = [" / ".join(" + ".join(of) or NOT_STATED for of in one.values()) for one in versions]
    beside = [text if len(text) <= WIDEST else BELOW for text in beside]

    table = [list(HEAD), *rows]
    with_firmware = [[*row, text] for row, text in zip(table, ["firmware", *beside], strict=True)]
    with_both = [[*row, text] for row, text in zip(with_firmware, ["", *marks], strict=True)]
    shown = next((t for t in (with_both, with_firmware) if _room(t, columns)), table)
    _shorten(shown, columns)
    widths = [max(map(len, column)) for column in zip(*shown, strict=True)]

    lines = []
    for n, row in enumerate(shown):
        lines.append("  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip())
        if n == 0:
            continue
        below = []
        if shown is table or beside[n - 1] == BELOW:
            said = [f"{name} {' + '.join(of) or 'not stated'}" for name, of in versions[n - 1].items()]
            below.append(f"firmware: {', '.join(said)}")
        if shown is not with_both and marks[n - 1]:
            below.append(marks[n - 1])
        if below:
            lines += wrapped("    " + "; ".join(below), "  ").splitlines()
    if shown is not table and any(text != BELOW for text in beside):
        lines.append(f"firmware: {' / '.join(name for name, _ in INVERTERS)}")
    return lines


def firmware(devices: Sequence["Device"]) -> dict[str, list[str]]:
    """Versions of the battery inverter and of each PV inverter, the pairing's own first; each version once."""
    found = {}
    for name, part in INVERTERS:
        of = [device.firmware for device in devices if device.part in alike(part)]
        found[name] = list(dict.fromkeys(text or NOT_STATED for text in of)) if any(of) else []
    return found


def _marks(found: "Found") -> str:
    marks = ["simulated"] if found.simulated else []
    marks += ["imported, not measured by us"] if found.imported else []
    marks += [] if found.finished else ["did not finish"]
    marks += [] if found.signatures else ["unsigned"]
    return ", ".join(marks)


def _room(table: Sequence[Sequence[str]], columns: int) -> bool:
    """Whether both titles keep enough beside everything else."""
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    titles = widths[PAIRING] + widths[PROCEDURE]
    left = columns - (sum(widths) - titles) - 2 * (len(widths) - 1)
    return left >= min(titles, READABLE)


def _shorten(table: list[list[str]], columns: int) -> None:
    """Shorten pairing and procedure, the longer one first, until a line fits; `--json` has them whole."""
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    while sum(widths) + 2 * (len(widths) - 1) > columns and max(widths[PAIRING], widths[PROCEDURE]) > LEAST:
        widths[PAIRING if widths[PAIRING] > widths[PROCEDURE] else PROCEDURE] -= 1
    for row in table:
        row[:] = [c if len(c) <= w else c[: w - 1] + "\u2026" for c, w in zip(row, widths, strict=True)]
