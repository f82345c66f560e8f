"""A small SVG writer for strip charts: panels of one quantity each, stacked on one time axis, with limit bands.

Knows nothing of records. All text is escaped; colours come from the page's style sheet by class, so that light, dark and
paper each have their own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape as markup_free

import numpy as np

from benchrunner.report.decimate import Floats, envelope, runs_of_finite
from benchrunner.report.plain import plain

WIDTH, LEFT, RIGHT, TOP, FOOT = 720.0, 64.0, 24.0, 18.0, 26.0
HEIGHT = 92.0  # of one panel
BETWEEN = 26.0
COLUMNS = 640
NAME = 12.0  # height of a row of limits' names, or of the numbers of steps
LETTER = 5.7  # width of a letter of such a name, on the safe side
MOST_NAMES = 8  # limits named at one panel; the rest stands in the table of checks
SQUEEZED = 0.12  # a limit that would press the trace into less than this share of the height is only named


def escape(text: str) -> str:
    """Text as an SVG may hold it: no markup, and no character that XML forbids or that turns the writing direction."""
    return markup_free(plain(text))


@dataclass(frozen=True)
class Trace:
    """One line. `gap`: a silence longer than this (s) is left open; `kind`: a class of the style sheet."""

    times: Floats
    values: Floats
    kind: str = "trace"
    gap: float = math.inf


@dataclass(frozen=True)
class Limit:
    """A low and/or high limit over a stretch of time (the whole width where not given)."""

    low: float | None
    high: float | None
    name: str
    start: float = -math.inf
    end: float = math.inf


@dataclass(frozen=True)
class Panel:
    """One quantity over time. `scale` turns SI into the unit shown (1e-3 for kW)."""

    label: str
    unit: str
    traces: tuple[Trace, ...]
    limits: tuple[Limit, ...] = ()
    scale: float = 1.0
    height: float = HEIGHT
    spans: tuple[float, float] | None = None  # what the height spans, where it does not follow the data


@dataclass(frozen=True)
class Mark:
    """A moment, drawn as a line through all panels, with a word at its top."""

    at: float
    text: str
    kind: str = "mark"


@dataclass
class _Canvas:
    start: float
    end: float
    parts: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)  # drawn last, over the marks

    def x(self, t: float) -> float:
        share = (t - self.start) / (self.end - self.start)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT)


def stack(
    panels: Sequence[Panel],
    start: float,
    end: float,
    says: str,
    marks: Sequence[Mark] = (),
    zero: float = 0.0,
) -> str:
    """The panels one above the other as an SVG element. Times in s; the axis is labelled from `zero`.

    `says` is the picture in words for who cannot see it.
    """
    if not panels or not end > start:
        return ""
    canvas = _Canvas(start, end)
    numbers = _numbers(canvas, marks)
    above = NAME * (1 + max((row for _, _, row in numbers), default=-1))
    top = TOP
    frames: list[tuple[float, float]] = []
    for panel in panels:
        top += _head(panel) + (above if not frames else 0.0)
        _panel(canvas, panel, top, above if not frames else 0.0)
        frames.append((top, top + panel.height))
        top += panel.height + BETWEEN
    bottom = top - BETWEEN
    height = bottom + FOOT
    _marks(canvas, marks, numbers, frames)
    _time_axis(canvas, bottom, zero)
    return (
        f'<svg class="plot" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escape(says)}">'
        f"<title>{escape(says)}</title>{''.join(canvas.parts + canvas.labels)}</svg>"
    )


def _panel(canvas: _Canvas, panel: Panel, top: float, above: float) -> None:
    left, right, bottom = LEFT, WIDTH - RIGHT, top + panel.height
    lines = [
        (trace, runs_of_finite(trace.times, trace.values * panel.scale, trace.gap)) for trace in panel.traces
    ]
    low, high = _range([v for _, runs in lines for _, v in runs], panel)
    span = high - low

    def y(value: float) -> float:
        return bottom - (value - low) / span * panel.height

    out = canvas.parts
    head = top - above - _head(panel) - 5
    canvas.labels.append(f'<text class="label" x="{left:.0f}" y="{head:.1f}">{escape(panel.label)}')
    canvas.labels.append(
        f'<tspan class="unit" dx="7">{escape(panel.unit)}</tspan></text>' if panel.unit else "</text>"
    )
    out.append(
        f'<rect class="field" x="{left}" y="{top:.1f}" width="{right - left}" height="{panel.height:.1f}"/>'
    )
    for limit in panel.limits:
        _band(canvas, limit, panel, (low, high), top)
    for value in _levels(low, high, panel):
        level = y(value)
        out.append(f'<path class="grid" d="M{left} {level:.1f}H{right}"/>')
        out.append(
            f'<text class="tick end" x="{left - 6}" y="{level + 3.5:.1f}">{number(value, span)}</text>'
        )
    for trace, runs in lines:
        path = []
        for times, values in runs:
            t, v = envelope(times, values, COLUMNS)
            xs = LEFT + np.clip((t - canvas.start) / (canvas.end - canvas.start), 0, 1) * (
                WIDTH - LEFT - RIGHT
            )
            ys = bottom - np.clip((v - low) / span, 0, 1) * panel.height
            points = " ".join(f"{a:.1f} {b:.1f}" for a, b in zip(xs.tolist(), ys.tolist(), strict=True))
            path.append(f"M{points}" if len(t) > 1 else f"M{points}m-1.5 0h3")  # a lone reading
        if path:
            out.append(f'<path class="{escape(trace.kind)}" d="{"".join(path)}"/>')
    _bounds(canvas, panel, (low, high), top)
    _names(canvas, panel, (low, high), head)
    if not any(runs for _, runs in lines):
        out.append(
            f'<text class="none" x="{(left + right) / 2}" y="{(top + bottom) / 2:.1f}">no valid reading</text>'
        )


def _band(canvas: _Canvas, limit: Limit, panel: Panel, shown: tuple[float, float], top: float) -> None:
    """The allowed band as a tint, under the trace."""
    x0, x1 = canvas.x(max(limit.start, canvas.start)), canvas.x(min(limit.end, canvas.end))
    upper = _level(limit.high, panel, shown, top) if limit.high is not None else top
    lower = _level(limit.low, panel, shown, top) if limit.low is not None else top + panel.height
    if x1 > x0 and lower > upper:
        box = f'x="{x0:.1f}" y="{upper:.1f}" width="{x1 - x0:.1f}" height="{lower - upper:.1f}"'
        canvas.parts.append(f'<rect class="band" {box}/>')


def _named(panel: Panel) -> list[tuple[str, Limit]]:
    """The limits of a panel with the letter that stands at each one's line; one alone needs none."""
    there = [limit for limit in panel.limits if limit.low is not None or limit.high is not None]
    return [(chr(ord("a") + k) if len(there) > 1 and k < 26 else "", limit) for k, limit in enumerate(there)]


def _texts(panel: Panel) -> list[str]:
    """What is written over the panel: every limit in words, with its unit."""
    named = _named(panel)
    texts = [
        " ".join(part for part in (letter, f"{plain(limit.name)}: {_allowed(limit, panel)}") if part)
        for letter, limit in named[:MOST_NAMES]
    ]
    most = int((WIDTH - LEFT - 30) / LETTER)
    texts = [text if len(text) <= most else f"{text[: most - 1]}\u2026" for text in texts]
    return texts + ([f"and {len(named) - MOST_NAMES} more, under Checks"] if len(named) > MOST_NAMES else [])


def _allowed(limit: Limit, panel: Panel) -> str:
    low, high = (_figure(b * panel.scale) if b is not None else "" for b in (limit.low, limit.high))
    said = f"{low} to {high}" if low and high else f"at most {high}" if high else f"at least {low}"
    return f"{said} {panel.unit}".rstrip()


def _figure(value: float) -> str:
    text = f"{value:.0f}" if abs(value) >= 1e5 else f"{value:.5g}"
    return text.replace("-", "\u2212")


def _places(panel: Panel) -> list[tuple[float, int]]:
    """Where each of the names stands: from the left, and in which row over the panel (0: beside its label)."""
    x = LEFT + 6.8 * len(panel.label) + 7.0 * len(panel.unit) + 26
    row, found = 0, []
    for text in _texts(panel):
        wide = 24 + LETTER * len(text)
        if x + wide > WIDTH and (row or x > LEFT):
            x, row = LEFT, row + 1
        found.append((x, row))
        x += wide + 12
    return found


def _head(panel: Panel) -> float:
    """What the names of a panel's limits need in height, beyond the row of its label."""
    return NAME * max((row for _, row in _places(panel)), default=0)


def _names(canvas: _Canvas, panel: Panel, shown: tuple[float, float], head: float) -> None:
    """The limits in words over the panel, outside the plotting area: no name can cross a trace."""
    for text, (x, row) in zip(_texts(panel), _places(panel), strict=True):
        y = head + row * NAME
        canvas.labels.append(f'<path class="limit" d="M{x:.1f} {y - 3.5:.1f}h18"/>')
        canvas.labels.append(f'<text class="bound" x="{x + 22:.1f}" y="{y:.1f}">{escape(text)}</text>')


def _bounds(canvas: _Canvas, panel: Panel, shown: tuple[float, float], top: float) -> None:
    """Each bound as a line over the trace, its letter at the right edge; a bound off the scale as an arrow there."""
    low, high = shown
    bottom = top + panel.height
    tags: list[tuple[float, str]] = []
    for letter, limit in _named(panel):
        x0, x1 = canvas.x(max(limit.start, canvas.start)), canvas.x(min(limit.end, canvas.end))
        for bound in (limit.low, limit.high):
            if bound is None or not x1 > x0:
                continue
            level = _level(bound, panel, shown, top)
            if low <= bound * panel.scale <= high:
                canvas.parts.append(f'<path class="limit" d="M{x0:.1f} {level:.1f}H{x1:.1f}"/>')
                tags.append((level + 3.5, letter))
            else:
                tags.append((level + 3.5, letter + ("\u2191" if level <= top else "\u2193")))
    last = -math.inf
    shared: dict[float, str] = {}
    for y, text in sorted(tags):
        if y - last < NAME - 2 and shared:  # too near: one tag for both
            key = next(reversed(shared))
            shared[key] += text if text not in shared[key] else ""
        else:
            shared[y] = text
            last = y
    for y, text in shared.items():
        if text:
            at = min(max(y, top + 8), bottom)
            canvas.parts.append(
                f'<text class="bound" x="{WIDTH - RIGHT + 3:.1f}" y="{at:.1f}">{escape(text)}</text>'
            )


def _level(bound: float, panel: Panel, shown: tuple[float, float], top: float) -> float:
    low, high = shown
    share = (min(max(bound * panel.scale, low), high) - low) / (high - low)
    return top + panel.height * (1 - share)


def _range(runs: Sequence[Floats], panel: Panel) -> tuple[float, float]:
    """What the height of the panel spans: the data, and the limits where they leave the data its room."""
    if panel.spans is not None:
        return panel.spans
    bounds = [b * panel.scale for limit in panel.limits for b in (limit.low, limit.high) if b is not None]
    if runs:
        low, high = min(float(v.min()) for v in runs), max(float(v.max()) for v in runs)
    elif bounds:
        low, high = min(bounds), max(bounds)
    else:
        low, high = 0.0, 1.0
    least = max(abs(low), abs(high)) * 1e-3 or 1.0
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    data = high - low
    for bound in sorted(bounds, key=lambda b: min(abs(b - low), abs(b - high))):
        wide = max(high, bound) - min(low, bound)
        if data / wide >= SQUEEZED:
            low, high = min(low, bound), max(high, bound)
    room = 0.06 * (high - low)
    return low - room, high + room


def _numbers(canvas: _Canvas, marks: Sequence[Mark]) -> list[tuple[float, str, int]]:
    """Where the words of the marks stand over the first panel, in up to two rows; what finds no room is left out."""
    ends = [-math.inf, -math.inf]
    found = []
    for mark in sorted(marks, key=lambda m: m.at):
        if not mark.text or not canvas.start <= mark.at <= canvas.end:
            continue
        half = 3.2 * len(mark.text)
        x = min(max(canvas.x(mark.at), half), WIDTH - half)
        row = next((k for k, end in enumerate(ends) if x - half > end + 3), None)
        if row is not None:
            found.append((x, mark.text, row))
            ends[row] = x + half
    return found


def _marks(
    canvas: _Canvas,
    marks: Sequence[Mark],
    numbers: Sequence[tuple[float, str, int]],
    frames: Sequence[tuple[float, float]],
) -> None:
    """Marks as lines within each panel, so that they cross no word; their words over the first panel."""
    for mark in sorted(marks, key=lambda m: m.at):
        if canvas.start <= mark.at <= canvas.end:
            x = canvas.x(mark.at)
            line = "".join(f"M{x:.1f} {top:.1f}V{bottom:.1f}" for top, bottom in frames)
            canvas.parts.append(f'<path class="{escape(mark.kind)}" d="{line}"/>')
    for x, text, row in numbers:
        y = frames[0][0] - 3 - row * NAME
        canvas.parts.append(f'<text class="moment mid" x="{x:.1f}" y="{y:.1f}">{escape(text)}</text>')


def _time_axis(canvas: _Canvas, bottom: float, zero: float) -> None:
    span = canvas.end - canvas.start
    per, unit = (
        (1e-3, "ms")
        if span < 0.5
        else (1.0, "s")
        if span <= 300
        else (60.0, "min")
        if span <= 3 * 3600
        else (3600.0, "h")
    )
    for value in ticks((canvas.start - zero) / per, (canvas.end - zero) / per, 8):
        x = canvas.x(value * per + zero)
        canvas.parts.append(f'<path class="grid" d="M{x:.1f} {bottom:.1f}v4"/>')
        canvas.parts.append(
            f'<text class="tick mid" x="{x:.1f}" y="{bottom + 15:.1f}">{number(value, span / per)}</text>'
        )
    canvas.parts.append(f'<text class="tick end" x="{LEFT - 10}" y="{bottom + 15:.1f}">time, {unit}</text>')


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten apart) from `low` to `high`, about so many."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    raw = span / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((m * power for m in (1.0, 2.0, 5.0) if m * power >= raw), 10.0 * power)
    first = math.ceil(low / step - 1e-9)
    found = [k * step for k in range(first, first + 4 * about) if k * step <= high + 1e-9 * span]
    return [0.0 if abs(v) < step * 1e-9 else v for v in found]


def _levels(low: float, high: float, panel: Panel) -> list[float]:
    if panel.spans is not None:
        return [float(k) for k in range(math.ceil(low), math.floor(high) + 1)]
    found = ticks(low, high, 4)
    return found if len(found) > 1 else ticks(low, high, 8)


def number(value: float, span: float) -> str:
    """A tick's or bound's value, with as many decimals as the span of the axis asks for."""
    decimals = max(0, min(6, 2 - math.floor(math.log10(span)))) if span > 0 else 3
    text = f"{value:.{decimals}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "\u2212")


def margin_scale(
    value: float | None, uncertainty: float | None, low: float | None, high: float | None, verdict: str
) -> str:
    """A check at a glance: the value with its uncertainty as a whisker, the limits as bars, the allowed side tinted."""
    bounds = [b for b in (low, high) if b is not None and math.isfinite(b)]
    if not bounds:
        return ""
    wide, tall, middle = 150.0, 22.0, 11.0
    u = uncertainty if uncertainty is not None and math.isfinite(uncertainty) else 0.0
    known = bounds + ([value - u, value + u] if value is not None and math.isfinite(value) else [])
    first, last = min(known), max(known)
    room = (last - first) * 0.25 or max(abs(last), 1.0) * 0.1
    first, last = first - room, last + room

    def x(v: float) -> float:
        return (v - first) / (last - first) * wide

    left = x(low) if low is not None else 0.0
    right = x(high) if high is not None else wide
    out = [f'<rect class="band" x="{left:.1f}" y="5" width="{max(right - left, 0):.1f}" height="12"/>']
    out += [f'<path class="limit" style="stroke-dasharray:none" d="M{x(b):.1f} 2v18"/>' for b in bounds]
    if value is not None and math.isfinite(value):
        if u:
            out.append(f'<path class="whisker" d="M{x(value - u):.1f} {middle}H{x(value + u):.1f}"/>')
        out.append(
            f'<circle class="value {escape(verdict.replace(" ", "-"))}" cx="{x(value):.1f}" cy="{middle}" r="3.4"/>'
        )
    return f'<svg class="scale" viewBox="0 0 {wide:.0f} {tall:.0f}" aria-hidden="true">{"".join(out)}</svg>'


SHAPES = {
    "pass": '<circle cx="7" cy="7" r="5.5"/>',
    "fail": '<path d="M7 0.8 13.2 7 7 13.2 0.8 7Z"/>',
    "inconclusive": '<path d="M7 1.2 13 12.4H1Z"/>',
    "not judged": '<path d="M2 6h10v2H2Z"/>',
    "not applicable": '<path d="M2 4h10v2H2ZM2 8h10v2H2Z"/>',
}


def verdict_mark(verdict: str) -> str:
    """The verdict as shape and word."""
    shape = SHAPES.get(verdict, SHAPES["not judged"])
    kind = verdict.replace(" ", "-") if verdict in SHAPES else "not-judged"
    return (
        f'<span class="verdict {kind}"><svg viewBox="0 0 14 14" aria-hidden="true">{shape}</svg>'
        f"{escape(verdict)}</span>"
    )
