"""Which channels are drawn in which strip, and the limits that belong there."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchrunner.app.model.course import Bar
from benchrunner.app.model.run import RunState
from benchrunner.app.model.signs import with_minus
from benchrunner.app.model.traces import Trace

# Measures whose value is a level of the channel itself, so that their limit may be drawn over its trace. Limits of the
# instantaneous wave or of durations may not: the trace shows polled values.
LEVELS = ("mean", "minimum", "maximum", "last", "half_cycle_maximum", "half_cycle_minimum")
_RARE = 0.01  # share of readings at either end that may be left off the chart
_NEAR = 0.5  # a limit within so many heights of the readings is brought onto the chart
DC_LEVELS = ("peak", "lowest")  # of a DC channel they are levels too


@dataclass(frozen=True, slots=True)
class Line:
    """One trace in a strip. `role` names its colour, `dash` its pattern, so that it is known without colour too."""

    channel: str
    label: str
    role: str
    dash: str = "solid"


@dataclass(frozen=True, slots=True)
class Strip:
    """One chart. Values are drawn as `value * scale` in `unit` with `places` decimals; `least`: smallest height drawn."""

    id: str
    title: str
    unit: str
    lines: tuple[Line, ...]
    least: float
    scale: float = 1.0
    places: int = 2
    shown: bool = True
    signed: bool = False  # shown with its sign: flows
    bounds: tuple[float, float] = (-math.inf, math.inf)  # what the quantity can be at all, as drawn


STRIPS: tuple[Strip, ...] = (
    Strip("frequency", "Frequency", "Hz", (Line("bus.frequency", "bus", "bus"),), least=0.5),
    Strip("bus-voltage", "Bus voltage", "V", (Line("bus.voltage", "bus", "bus"),), least=10.0, places=1, shown=False),
    Strip("battery-voltage", "Battery voltage", "V", (Line("battery.voltage", "battery", "battery"),), least=1.0),
    Strip(
        "battery-current", "Battery current", "A", (Line("battery.current", "battery", "battery"),),
        least=5.0, places=1, signed=True,
    ),
    Strip(
        "power", "Power", "kW",
        (
            Line("pv.power", "PV", "pv"),
            Line("load.power", "load", "load", "dash"),
            Line("battery_inverter.power", "battery inv.", "battery_inverter", "dashdot"),
            Line("grid.power", "grid", "grid", "dot"),
        ),
        least=0.5, scale=1e-3, signed=True,
    ),
    Strip(
        "soc", "State of charge", "%", (Line("battery.soc", "battery", "battery"),),
        least=5.0, scale=100.0, places=1, bounds=(0.0, 100.0),
    ),
    Strip(
        "cells", "Cell voltage", "V",
        (Line("battery.cell_voltage_max", "highest", "battery"), Line("battery.cell_voltage_min", "lowest", "battery", "dot")),
        least=0.05, places=3, shown=False,
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Band:
    """A limit in a strip, as drawn: beyond `value` (above if `upper`) is out of bounds. `step` None: the whole run."""

    value: float
    upper: bool
    kind: str  # "guard" or "check"
    text: str
    step: int | None = None
    role: str = ""  # the line it belongs to, where a strip has several


def bands(strip: Strip, prepared: dict[str, Any]) -> list[Band]:
    """Guards (the whole run) and limits of checks (their own step) that belong in a strip; equal ones once."""
    channels = {line.channel: line.role if len(strip.lines) > 1 else "" for line in strip.lines}
    found: list[Band] = []
    tightest: dict[tuple[str, bool], Band] = {}
    for guard in prepared.get("guards", []):
        if guard["channel"] in channels:
            for key, upper in (("low", False), ("high", True)):
                if guard[key] is None:
                    continue
                value = guard[key] * strip.scale
                band = Band(
                    value, upper, "guard", f"guard {value:.{strip.places}f} {strip.unit}: {guard['says']}"
                )
                held = tightest.get((guard["channel"], upper))
                if held is None or (value < held.value if upper else value > held.value):
                    tightest[guard["channel"], upper] = band
    found += tightest.values()
    for step in prepared.get("steps", []):
        for check in step.get("checks", []):
            channel = check["of"]
            if channel not in channels or not _is_level(check["measure"], channel):
                continue
            for key, upper in (("low", False), ("high", True)):
                if check[key] is not None:
                    value, text = check[key] * strip.scale, f"limit of {check['id']}"
                    found.append(Band(value, upper, "check", text, int(step["index"]), channels[channel]))
    unique: dict[tuple[float, bool, str, int | None, str], Band] = {}
    for band in found:
        unique.setdefault((round(band.value, 9), band.upper, band.kind, band.step, band.role), band)
    return list(unique.values())


def span_of(band: Band, course: Sequence[Bar], end: float) -> tuple[float, float] | None:
    """From when to when a band holds; None where its step has no place on the course."""
    if band.step is None:
        return 0.0, end
    for bar in course:
        if bar.step.index == band.step:
            return bar.start, max(bar.planned, bar.end)
    return None


@dataclass(frozen=True, slots=True)
class Height:
    """What a strip's value axis spans; `below`, `above`: the extreme of rare readings that lie off the chart, if any."""

    low: float
    high: float
    below: float | None = None
    above: float | None = None


def value_range(
    strip: Strip,
    traces: dict[str, Trace],
    start: float,
    end: float,
    limits: Iterable[Band] = (),
) -> Height:
    """The height to draw: readings shown, limits that lie near them, and at least the strip's least height.

    A few readings far off (a meter's window over a transfer) would flatten all others: they are named instead.
    """
    parts = [
        part
        for line in strip.lines
        if (trace := traces.get(line.channel)) is not None and len(part := trace.part(start, end))
    ]
    if not parts:
        return Height(0.0, strip.least)
    values = np.concatenate(parts) * strip.scale
    least, most = float(values.min()), float(values.max())
    low, high = (float(q) for q in np.quantile(values, (_RARE, 1.0 - _RARE)))
    below = above = None
    allowed = 2.0 * max(high - low, strip.least)
    if low - least > allowed:
        below = least
    else:
        low = least
    if most - high > allowed:
        above = most
    else:
        high = most
    height = max(high - low, strip.least)
    near_low, near_high = low - _NEAR * height, high + _NEAR * height
    for band in limits:
        if near_low <= band.value <= near_high:
            low, high = min(low, band.value), max(high, band.value)
    if high - low < strip.least:
        middle = (low + high) / 2
        low, high = middle - strip.least / 2, middle + strip.least / 2
    margin = 0.13 * (high - low)  # so that the axis has room to name its lowest and highest line
    low, high = low - margin, high + margin
    return Height(max(low, strip.bounds[0] - 1.0), min(high, strip.bounds[1] + 1.0), below, above)


def steady(held: tuple[float, float], wanted: tuple[float, float]) -> tuple[float, float]:
    """The height to draw next: the held one as long as it suits, so that the picture does not tremble."""
    height = wanted[1] - wanted[0]
    fits = held[0] <= wanted[0] and held[1] >= wanted[1]
    return held if fits and (held[1] - held[0]) <= 1.6 * height else wanted


def summary(strip: Strip, run: RunState) -> str:
    """The strip in words, for those who do not see it."""
    parts = []
    for line in strip.lines:
        trace = run.traces.get(line.channel)
        if trace is None or trace.least > trace.most:
            continue
        last = trace.last
        text = f"{line.label} " if len(strip.lines) > 1 else ""
        text += (
            f"now {last * strip.scale:.{strip.places}f} {strip.unit}"
            if last == last
            else "no valid reading now"
        )
        text += f", lowest {trace.least * strip.scale:.{strip.places}f}, highest {trace.most * strip.scale:.{strip.places}f}"
        parts.append(text)
    return with_minus(f"{strip.title}: {'; '.join(parts)}.") if parts else f"{strip.title}: no readings yet."


def guard_text(strip: Strip, limits: Iterable[Band]) -> str:
    """The guards of a strip in a few words: "guard 47 … 52.5 Hz"."""
    low = [f"{b.value:g}" for b in limits if b.kind == "guard" and not b.upper]
    high = [f"{b.value:g}" for b in limits if b.kind == "guard" and b.upper]
    if not low and not high:
        return ""
    said = f"{low[0]} … {high[0]}" if low and high else f"≥ {low[0]}" if low else f"≤ {high[0]}"
    return f"guard {said} {strip.unit}".replace("-", "−")


def figure(strip: Strip, value: float) -> str:
    """A value as the strip shows it: with sign where it is a flow, a dash where there is none."""
    if value != value:
        return "–"
    text = f"{value * strip.scale:{'+' if strip.signed else ''}.{strip.places}f}".replace("-", "−")
    if float(text.replace("−", "-")) == 0.0:
        text = text.lstrip("+−")
    return f"{text} {strip.unit}"


def _is_level(measure: str, channel: str) -> bool:
    return measure in LEVELS or (measure in DC_LEVELS and channel.startswith("battery."))
