"""Strip charts as plain SVG: the failing course in full line, its counterpart dashed, one time axis below.

Colours are those of Okabe and Ito's palette (published, told apart by colour-blind eyes); the two courses differ by
their line as well.
"""

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas

    from benchrunner.sim.failures.case import Case, Panel

Array = npt.NDArray[np.float64]
WIDTH, LEFT, RIGHT, TOP = 760, 78, 14, 34
STRIP, GAP, FOOT = 92, 14, 44
FAILS, HOLDS, LIMIT = "#0072B2", "#666666", "#D55E00"
MOST_POINTS = 700  # of a line: as many as can be seen


def picture(
    case: "Case", fails: "pandas.DataFrame", holds: "pandas.DataFrame", zero: float, subtitle: str
) -> str:
    """The plot of a case as SVG text. `zero`: the time of the table at which the plot's own axis has its zero."""
    begin, end = case.span
    height = TOP + len(case.panels) * (STRIP + GAP) + FOOT
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        'font-family="sans-serif" font-size="11" role="img">',
        f"<title>{escape(case.title)}</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="14" font-size="13" font-weight="bold">{escape(case.title)}</text>',
        f'<text x="{LEFT}" y="28" fill="#444444">{escape(subtitle)}</text>',
    ]
    for k, panel in enumerate(case.panels):
        y = TOP + k * (STRIP + GAP)
        out += _strip(panel, (fails, holds), zero, begin, end, y)
    bottom = TOP + len(case.panels) * (STRIP + GAP) - GAP
    for t in ticks(begin, end):
        x = _place(t, begin, end, LEFT, WIDTH - RIGHT)
        out.append(
            f'<line x1="{x:.1f}" y1="{bottom}" x2="{x:.1f}" y2="{bottom + 4}" stroke="#000000"/>'
            f'<text x="{x:.1f}" y="{bottom + 16}" text-anchor="middle">{t:g}</text>'
        )
    out.append(
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2:.0f}" y="{bottom + 32}" text-anchor="middle">time, s</text>'
    )
    out.append("</svg>")
    return "\n".join(out) + "\n"


def _strip(panel: "Panel", frames: tuple["pandas.DataFrame", "pandas.DataFrame"], zero: float, begin: float,
           end: float, y: int) -> list[str]:  # fmt: skip
    lines: list[tuple[Array, Array, str, str]] = []
    for frame, colour, dash in ((frames[1], HOLDS, "5 3"), (frames[0], FAILS, "")):
        times = np.asarray(frame.index, dtype=np.float64) - zero
        inside = (times >= begin - 1e-9) & (times <= end + 1e-9)
        for tap in panel.taps:
            values = np.asarray(frame[tap], dtype=np.float64)[inside] * panel.scale
            there = values != 0.0 if panel.zero_is_none else np.ones(len(values), dtype=bool)
            lines.append((*thinned(times[inside][there], values[there]), colour, dash))
    every = np.concatenate([values for _, values, _, _ in lines])
    low, high = float(every.min()), float(every.max())
    for _, at in panel.limits:  # a limit far from all that happened would flatten it
        if low - 0.6 * (high - low) <= at <= high + 0.6 * (high - low):
            low, high = min(low, at), max(high, at)
    room = 0.06 * (high - low) or max(0.5, 0.02 * abs(high))
    low, high = low - room, high + room
    bottom = y + STRIP
    out = [
        f'<rect x="{LEFT}" y="{y}" width="{WIDTH - LEFT - RIGHT}" height="{STRIP}" fill="none" stroke="#999999"/>',
        f'<text transform="translate(13 {y + STRIP / 2:.0f}) rotate(-90)" text-anchor="middle" font-size="10">'
        f"{escape(panel.label)}</text>",
    ]
    for value in ticks(low, high, 3):
        at = _place(value, low, high, bottom, y)
        out.append(
            f'<line x1="{LEFT}" y1="{at:.1f}" x2="{WIDTH - RIGHT}" y2="{at:.1f}" stroke="#e4e4e4"/>'
            f'<text x="{LEFT - 5}" y="{at + 4:.1f}" text-anchor="end">{value:g}</text>'
        )
    for name, at in panel.limits:
        if low <= at <= high:
            place = _place(at, low, high, bottom, y)
            out.append(
                f'<line x1="{LEFT}" y1="{place:.1f}" x2="{WIDTH - RIGHT}" y2="{place:.1f}" stroke="{LIMIT}" '
                f'stroke-dasharray="2 2"/><text x="{WIDTH - RIGHT - 4}" y="{place - 3:.1f}" text-anchor="end" '
                f'fill="{LIMIT}">{escape(name)}</text>'
            )
    for times, values, colour, dash in lines:
        points = " ".join(
            f"{_place(t, begin, end, LEFT, WIDTH - RIGHT):.1f},{_place(v, low, high, bottom, y):.1f}"
            for t, v in zip(times.tolist(), values.tolist(), strict=True)
        )
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        out.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="1.4"{dashes}/>')
    return out


def thinned(times: Array, values: Array) -> tuple[Array, Array]:
    """No more points than can be seen, the lowest and highest of each stretch kept."""
    if len(times) <= MOST_POINTS:
        return times, values
    keep: set[int] = {0, len(times) - 1}
    for part in np.array_split(np.arange(len(times)), MOST_POINTS // 2):
        keep |= {int(part[np.argmin(values[part])]), int(part[np.argmax(values[part])])}
    chosen = np.array(sorted(keep))
    return times[chosen], values[chosen]


def ticks(low: float, high: float, about: int = 7) -> list[float]:
    """Round numbers within [low, high]."""
    raw = (high - low) / about
    size = 10.0 ** np.floor(np.log10(raw))
    step = float(min((m * size for m in (1.0, 2.0, 2.5, 5.0, 10.0)), key=lambda s: abs(s - raw)))
    first = int(np.ceil(low / step - 1e-9))
    return [round(k * step, 10) + 0.0 for k in range(first, int(np.floor(high / step + 1e-9)) + 1)]


def _place(value: float, low: float, high: float, at_low: float, at_high: float) -> float:
    return at_low + (value - low) / (high - low) * (at_high - at_low)
