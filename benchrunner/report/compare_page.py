"""A comparison as one HTML page that needs nothing else: table of shifts, what went in differently, traces laid over each other.

The baseline's trace is grey and broken, the record's is whole: told apart without colour too.
"""

from pathlib import Path

import numpy as np

from benchrunner.record.compare import Comparison
from benchrunner.record.compare.traces import Aligned
from benchrunner.record.opened import Record
from benchrunner.report import words
from benchrunner.report.compare_words import figures
from benchrunner.report.decimate import Floats, shown_unit
from benchrunner.report.place import place
from benchrunner.report.svg import Limit, Panel, Trace, stack

HERE = Path(__file__).parent
NO_LEVEL = 1e30  # beyond it a number is an instrument's word for overload
SHAPES = {  # word -> a shape of its own, so that colour is never needed
    "worse": "M2 3H14L8 14Z",
    "improved": "M2 13H14L8 2Z",
    "no change": "M2 5H14V7H2ZM2 9H14V11H2Z",
    "cannot tell": "M8 1L15 8L8 15L1 8Z",
}
CLASSES = {"worse": "fail", "improved": "pass", "no change": "quiet", "cannot tell": "inconclusive"}


def write_page(found: Comparison, out: Path | str) -> Path:
    """Write the page to `out` (replaced at once if it exists); gives its path. Raises `Refused`."""
    records = (found.record, found.baseline, *found.repeats)
    return place(render(found).encode(), out, *(record.path for record in records), option="--html")


def render(found: Comparison) -> str:
    """The page as text."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=select_autoescape(default=True), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    css = "\n".join((HERE / name).read_text("utf-8") for name in ("sheet.css", "compare.css"))
    return environment.get_template("compare.html.j2").render(
        css=Markup(css),
        found=found,
        header=found.record.header,
        before=found.baseline.header,
        simulated=found.record.simulated or found.baseline.simulated,
        words=words,
        figures=figures,
        mark=lambda verdict: Markup(mark(str(verdict))),
        steps=[(step, Markup(overlay(found, step))) for step in found.steps],  # our own SVG, its text escaped
        moved=[row for row in found.rows if row.result.verdict != "no change"],
        same=[row for row in found.rows if row.result.verdict == "no change"],
    )


def mark(verdict: str) -> str:
    """A verdict as word and shape."""
    shape = f'<svg viewBox="0 0 16 16" aria-hidden="true"><path d="{SHAPES.get(verdict, "")}"/></svg>'
    return f'<span class="verdict {CLASSES.get(verdict, "quiet")}">{shape}{verdict if verdict in SHAPES else ""}</span>'


def overlay(found: Comparison, step: Aligned) -> str:
    """Both traces of each channel of a step over the time since its start, as SVG; empty where nothing was read."""
    length = max(step.now.end - step.now.start, step.before.end - step.before.start)
    room = max(0.04 * length, 0.2)
    panels = [
        p for name in step.channels if (p := _panel(found, step, name, -room, length + room)) is not None
    ]
    says = f"{step.title}: record over baseline, from the step's start: {', '.join(p.label for p in panels)}"
    return stack(panels, -room, length + room, says)


def _panel(found: Comparison, step: Aligned, name: str, start: float, end: float) -> Panel | None:
    sides: list[tuple[Record, float, str]] = [
        (found.baseline, step.before.start, "baseline"),
        (found.record, step.now.start, "trace"),
    ]
    traces = []
    for record, zero, kind in sides:
        times, values = _cut(record, name, zero, start, end)
        period = next((s.period for s in record.plan.sources if name in s.channels), 1.0)
        traces.append(Trace(times, values, kind, gap=max(5 * period, 2.5)))
    everything = np.concatenate([t.values for t in traces])
    if not np.isfinite(everything).any():
        return None
    unit, scale, offset = shown_unit(name, found.record.plan.channels[name].unit, everything)
    traces = [Trace(t.times, t.values + offset, t.kind, t.gap) for t in traces]
    return Panel(name, unit, tuple(traces), _limits(found, step, name, offset), scale, 84.0)


def _cut(record: Record, name: str, zero: float, start: float, end: float) -> tuple[Floats, Floats]:
    try:
        times, values = record.channel(name)
    except KeyError:
        return np.zeros(0), np.zeros(0)
    inside = slice(*np.searchsorted(times, [zero + start, zero + end]))
    return times[inside] - zero, np.where(np.abs(values[inside]) < NO_LEVEL, values[inside], np.nan)


def _limits(found: Comparison, step: Aligned, name: str, offset: float) -> tuple[Limit, ...]:
    """The limits that are levels of the channel itself."""
    unit = found.record.plan.channels[name].unit
    levels = ("maximum", "minimum", "mean", "peak", "lowest")
    return tuple(
        Limit(
            None if check.low is None else check.low + offset,
            None if check.high is None else check.high + offset,
            check.title or check.id, 0.0, step.now.end - step.now.start,
        )
        for planned in found.record.plan.order.steps
        if planned.id == step.id
        for check in planned.checks
        if check.of == name and check.unit == unit and check.measure in levels and check.needs == "polled"
    )  # fmt: skip
