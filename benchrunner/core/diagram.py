"""Draws the states of a run and of a step from the tables of `states`, as text, as Mermaid and as SVG.

Run as a program it writes one of them: `python -m benchrunner.core.diagram text|mermaid|svg [run|step]`.
"""

import sys
from collections.abc import Mapping
from enum import StrEnum
from html import escape

from benchrunner.core.states import MOVES, STEP_MOVES

Table = Mapping[tuple[StrEnum, StrEnum], StrEnum]
RUN: Table = {(before, cause): after for (before, cause), after in MOVES.items()}
STEP: Table = {(before, cause): after for (before, cause), after in STEP_MOVES.items()}
TABLES: dict[str, Table] = {"run": RUN, "step": STEP}
_COLUMN, _ROW, _BOX = 250, 96, (176, 40)


def arrows(table: Table) -> dict[tuple[StrEnum, StrEnum], list[StrEnum]]:
    """From and to -> all causes, in the table's order."""
    found: dict[tuple[StrEnum, StrEnum], list[StrEnum]] = {}
    for (before, cause), after in table.items():
        found.setdefault((before, after), []).append(cause)
    return found


def text(table: Table) -> str:
    """One line for each move."""
    lines = []
    for place in _places(table):
        lines.append(str(place))
        for (before, cause), after in table.items():
            if before is place:
                lines.append(f"    {cause}  ->  {after}")
        if lines[-1] == str(place):
            lines.append("    (final)")
    return "\n".join(lines) + "\n"


def mermaid(table: Table) -> str:
    """A Mermaid state diagram."""
    lines = ["stateDiagram-v2"]
    lines += [f'    state "{place}" as {place.name}' for place in _places(table)]
    for (before, after), causes in arrows(table).items():
        lines.append(f"    {before.name} --> {after.name}: {'; '.join(causes).replace(':', ',')}")
    lines += [
        f"    {place.name} --> [*]" for place in _places(table) if not any(key[0] is place for key in table)
    ]
    return "\n".join(lines) + "\n"


def svg(table: Table, title: str) -> str:
    """A self-contained SVG: places in columns by their distance from the first, arrows numbered, causes listed below."""
    columns = _columns(table)
    centre: dict[StrEnum, tuple[float, float]] = {}
    for x, column in enumerate(columns):
        for y, place in enumerate(column):
            centre[place] = (20 + _BOX[0] / 2 + x * _COLUMN, 70 + _BOX[1] / 2 + y * _ROW)
    width = 40 + _BOX[0] + (len(columns) - 1) * _COLUMN
    top = 70 + _ROW * max(len(column) for column in columns)
    lines, legend = [], []
    for number, ((before, after), causes) in enumerate(arrows(table).items(), 1):
        lines.append(_arrow(centre[before], centre[after], number))
        legend.append(f"{number}  {before} → {after}: {'; '.join(causes)}")
    height = top + 20 + 18 * len(legend)
    boxes = [
        f'<rect x="{x - _BOX[0] / 2:g}" y="{y - _BOX[1] / 2:g}" width="{_BOX[0]}" height="{_BOX[1]}" rx="4" '
        f'fill="white" stroke="black"/><text x="{x:g}" y="{y + 4:g}" text-anchor="middle">{escape(_short(place))}</text>'
        for place, (x, y) in centre.items()
    ]
    notes = [f'<text x="20" y="{top + 20 + 18 * i}">{escape(line)}</text>' for i, line in enumerate(legend)]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {max(width, 760)} {height}" '
        f'font-family="sans-serif" font-size="12"><title>{escape(title)}</title>'
        '<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7" orient="auto">'
        '<path d="M0 0 10 5 0 10z"/></marker></defs><rect width="100%" height="100%" fill="white"/>'
        f'<text x="20" y="30" font-size="16">{escape(title)}</text>'
    )
    return "\n".join([head, *lines, *boxes, *notes, "</svg>"]) + "\n"


def _places(table: Table) -> list[StrEnum]:
    kind = type(next(iter(table.values())))
    return list(kind)


def _columns(table: Table) -> list[list[StrEnum]]:
    """Places by their distance from the first; those that nothing leaves stand last."""
    places = _places(table)
    final = [place for place in places if not any(before is place for before, _ in table)]
    columns, left = [[places[0]]], [place for place in places[1:] if place not in final]
    while left:
        reached = {after for (before, _), after in table.items() if before in columns[-1]}
        column = [place for place in left if place in reached] or left
        columns.append(column)
        left = [place for place in left if place not in column]
    return [*columns, final]


def _arrow(begin: tuple[float, float], end: tuple[float, float], number: int) -> str:
    """A curve from box to box that keeps clear of the boxes between, with its number on a white field."""
    (x0, y0), (x1, y1) = begin, end
    half_width, half_height = _BOX[0] / 2, _BOX[1] / 2
    columns, rows = abs(x1 - x0) / _COLUMN, abs(y1 - y0) / _ROW
    turn_x, turn_y = (x0 + x1) / 2, (y0 + y1) / 2
    if x0 == x1:  # down or up the right-hand side
        x0 = x1 = x0 + half_width
        turn_x = x0 + 24 * rows
    elif x1 > x0 and y0 == y1 and columns > 1.5:  # over the boxes between
        y0, y1 = y0 - half_height, y1 - half_height
        turn_y = y0 - 24
    elif x1 > x0:
        x0, x1 = x0 + half_width, x1 - half_width
        turn_x = (x0 + x1) / 2
    else:  # back, below
        y0, y1 = y0 + half_height, y1 + half_height
        turn_x, turn_y = (x0 + x1) / 2, max(y0, y1) + 24
    label_x, label_y = (x0 + 2 * turn_x + x1) / 4, (y0 + 2 * turn_y + y1) / 4
    return (
        f'<path d="M{x0:g} {y0:g} Q{turn_x:g} {turn_y:g} {x1:g} {y1:g}" fill="none" stroke="#555" '
        f'marker-end="url(#tip)"/><rect x="{label_x - 9:g}" y="{label_y - 8:g}" width="18" height="16" fill="white"/>'
        f'<text x="{label_x:g}" y="{label_y + 4:g}" text-anchor="middle">{number}</text>'
    )


def _short(place: StrEnum) -> str:
    words = str(place)
    return words if len(words) <= 30 else words[:29] + "…"


def main(arguments: list[str]) -> int:
    """Write one picture to the standard output."""
    kinds = {"text": text, "mermaid": mermaid}
    what = arguments[0] if arguments else "text"
    name = arguments[1] if len(arguments) > 1 else "run"
    if name not in TABLES or (what != "svg" and what not in kinds):
        print("python -m benchrunner.core.diagram text|mermaid|svg [run|step]", file=sys.stderr)
        return 2
    sys.stdout.write(svg(TABLES[name], f"States of a {name}") if what == "svg" else kinds[what](TABLES[name]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
