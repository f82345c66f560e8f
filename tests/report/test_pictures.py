"""The drawing: nothing that matters is lost on the way to the screen, and it stands where it belongs."""

import math
import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.report.decimate import envelope, runs_of_finite
from benchrunner.report.svg import (
    BETWEEN,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    Limit,
    Mark,
    Panel,
    Trace,
    margin_scale,
    number,
    stack,
    ticks,
    verdict_mark,
)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=3000), st.integers(2, 200))
@settings(max_examples=150, deadline=None)
def test_decimation_keeps_the_extremes_the_ends_and_the_order(values: list[float], columns: int) -> None:
    v = np.array(values)
    t = np.arange(len(v)) * 0.1
    times, kept = envelope(t, v, columns)
    assert kept.max() == v.max()
    assert kept.min() == v.min()
    assert (times[0], times[-1]) == (t[0], t[-1])
    assert (np.diff(times) > 0).all()
    assert len(times) <= max(2 * columns + 2, 2)
    assert np.isin(times, t).all(), "no point is made up"


def test_one_sample_in_a_million_stays_visible() -> None:
    v = np.zeros(1_000_000)
    v[654_321] = 1.0
    times, kept = envelope(np.arange(1e6), v, 640)
    assert times[kept == 1.0].tolist() == [654_321.0]


def test_extremes_of_every_column_are_kept() -> None:
    draw = np.random.default_rng(3)
    t = np.sort(draw.uniform(0, 100, 50_000))
    v = draw.normal(size=50_000)
    times, kept = envelope(t, v, 100)
    edges = np.linspace(t[0], t[-1], 101)
    for a, b in pairwise(edges):
        inside = (t >= a) & (t < b)
        shown = (times >= a) & (times < b)
        assert kept[shown].max() == v[inside].max()
        assert kept[shown].min() == v[inside].min()


def test_missing_values_and_silences_leave_a_gap() -> None:
    t = np.array([0.0, 1, 2, 3, 10, 11, 12])
    v = np.array([1.0, math.nan, 2, 3, 4, 5, math.inf])
    runs = runs_of_finite(t, v, gap=5.0)
    assert [r[1].tolist() for r in runs] == [[1.0], [2.0, 3.0], [4.0, 5.0]]
    assert runs_of_finite(t, np.full(7, math.nan)) == []


def drawn(svg: str) -> ET.Element:
    return ET.fromstring(svg)


def points(path: str) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)]


def test_a_trace_and_its_limit_stand_on_one_scale() -> None:
    t = np.linspace(0.0, 10.0, 11)
    panel = Panel("battery.voltage", "V", (Trace(t, 50.0 + t),), (Limit(None, 58.0, "peak", 2.0, 8.0),))
    root = drawn(stack([panel], 0.0, 10.0, "says"))
    trace = points(next(e for e in root if e.get("class") == "trace").get("d", ""))
    limit = next(e for e in root if e.get("class") == "limit").get("d", "")
    match = re.fullmatch(r"M([\d.]+) ([\d.]+)H([\d.]+)", limit)
    assert match is not None
    x0, level, x1 = map(float, match.groups())
    at = next(y for x, y in trace if abs(x - (LEFT + 0.8 * (WIDTH - LEFT - RIGHT))) < 0.1)
    assert level == pytest.approx(at, abs=0.11), "the trace is at 58 V when t is 8 s"
    assert x0 == pytest.approx(LEFT + 0.2 * (WIDTH - LEFT - RIGHT), abs=0.1)
    assert x1 == pytest.approx(LEFT + 0.8 * (WIDTH - LEFT - RIGHT), abs=0.1)
    band = next(e for e in root if e.get("class") == "band")
    assert float(band.get("y", "")) == pytest.approx(level, abs=0.1)
    assert float(band.get("y", "")) + float(band.get("height", "")) == pytest.approx(TOP + HEIGHT, abs=0.2)


def test_a_far_limit_does_not_flatten_the_trace() -> None:
    t = np.linspace(0.0, 10.0, 101)
    panel = Panel("bus.voltage", "V", (Trace(t, 230.0 + 0.2 * np.sin(t)),), (Limit(100.0, 400.0, "wide"),))
    root = drawn(stack([panel], 0.0, 10.0, "says"))
    ys = [y for _, y in points(next(e for e in root if e.get("class") == "trace").get("d", ""))]
    assert max(ys) - min(ys) > 0.6 * HEIGHT
    texts = [e.text or "" for e in root if e.get("class") == "bound"]
    assert "\u2191" in texts
    assert "\u2193" in texts
    assert "wide: 100 to 400 V" in texts


@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=1, max_size=12),
    st.lists(st.text("abcdefghij kl", min_size=1, max_size=150), min_size=12, max_size=12),
    st.lists(st.floats(0, 100), max_size=40),
)
@settings(max_examples=150, deadline=None)
def test_no_word_stands_where_a_trace_can_run(
    bounds: list[tuple[float, float]], names: list[str], marks: list[float]
) -> None:
    """Names of limits and numbers of steps lie outside every plotting area, within the picture, and clear of each other."""
    t = np.linspace(0.0, 100.0, 101)
    limits = tuple(Limit(min(b), max(b), name) for b, name in zip(bounds, names, strict=False))
    panels = [Panel(f"panel.{k}", "V", (Trace(t, 20 * np.sin(t / (k + 1))),), limits) for k in range(3)]
    root = drawn(stack(panels, 0.0, 100.0, "says", [Mark(m, str(k)) for k, m in enumerate(marks, 1)]))
    fields = [
        [float(e.get(k, "")) for k in ("x", "y", "width", "height")]
        for e in root
        if e.get("class") == "field"
    ]
    height = float((root.get("viewBox") or "").split()[3])
    boxes = []
    for text in (
        e for e in root if e.tag.endswith("text") and (e.get("class") or "").split()[0] in ("bound", "moment")
    ):
        wide = 5.2 * len(text.text or "")
        x, y = float(text.get("x", "")), float(text.get("y", ""))
        left = x - wide / 2 if "mid" in (text.get("class") or "") else x
        assert left >= 0
        assert y <= height
        if x < WIDTH - RIGHT:
            assert left + wide <= WIDTH + 1
        for fx, fy, width, tall in fields:
            outside = left >= fx + width or left + wide <= fx or y <= fy or y - 8 >= fy + tall
            assert outside, (text.text, x, y)
        boxes.append((left, left + wide, y))
    for k, (a0, a1, ay) in enumerate(boxes):
        for b0, b1, by in boxes[k + 1 :]:
            assert abs(ay - by) >= 8 or a1 <= b0 or b1 <= a0


def test_step_marks_cross_no_word() -> None:
    t = np.linspace(0.0, 100.0, 101)
    root = drawn(
        stack(
            [Panel("a", "V", (Trace(t, t),)), Panel("b", "A", (Trace(t, t),))],
            0.0,
            100.0,
            "x",
            [Mark(40.0, "7")],
        )
    )
    line = next(e for e in root if e.get("class") == "mark").get("d", "")
    found = [(float(y0), float(y1)) for y0, y1 in re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", line)]
    fields = [
        (float(e.get("y", "")), float(e.get("y", "")) + float(e.get("height", "")))
        for e in root
        if e.get("class") == "field"
    ]
    assert np.array(found) == pytest.approx(np.array(fields), abs=0.2)


def test_no_reading_is_said_and_drawn_as_nothing() -> None:
    nothing = np.array([math.nan, math.nan])
    root = drawn(stack([Panel("x", "V", (Trace(np.array([0.0, 1.0]), nothing),))], 0.0, 1.0, "says"))
    assert any(e.text == "no valid reading" for e in root)
    assert not [e for e in root if e.get("class") == "trace"]


def test_text_is_escaped() -> None:
    bad = '<script>alert(1)</script>"&'
    svg = stack([Panel(bad, bad, (Trace(np.array([0.0, 1.0]), np.array([0.0, 1.0])),), (Limit(0.0, 1.0, bad),))],
                0.0, 1.0, bad, [Mark(0.5, bad)])  # fmt: skip
    assert "<script" not in svg
    assert drawn(svg).get("aria-label") == bad
    assert "<script" not in verdict_mark(bad)
    assert "<script" not in margin_scale(1.0, 0.1, 0.0, 2.0, bad)


def test_panels_do_not_overlap() -> None:
    t = np.linspace(0, 1, 5)
    root = drawn(stack([Panel(str(k), "V", (Trace(t, t),)) for k in range(3)], 0.0, 1.0, "says"))
    tops = [float(e.get("y", "")) for e in root if e.get("class") == "field"]
    assert np.diff(tops).tolist() == pytest.approx([HEIGHT + BETWEEN] * 2, abs=0.2)


@given(st.floats(-1e3, 1e3), st.floats(1e-6, 1e9), st.integers(1, 10))
def test_ticks_lie_inside_and_are_evenly_spaced(place: float, span: float, about: int) -> None:
    low = place * span  # a panel never spans less than a thousandth of its values
    found = ticks(low, low + span, about)
    assert len(found) <= 4 * about
    assert all(low - 1e-6 * span <= v <= low + span * (1 + 1e-6) for v in found)
    steps = np.diff(found)
    assert len(steps) == 0 or np.allclose(steps, steps[0], rtol=1e-3)
    assert ticks(1.0, 1.0, 4) == []
    assert ticks(math.nan, 1.0, 4) == []


def test_numbers_on_axes() -> None:
    assert number(50.0, 2.0) == "50"
    assert number(50.02, 0.1) == "50.02"
    assert number(-0.5, 3.0) == "\u22120.5"


def test_the_margin_at_a_glance_has_the_value_on_the_right_side_of_its_limit() -> None:
    def place(svg: str) -> tuple[float, float]:
        root = drawn(svg)
        value = next(float(e.get("cx", "")) for e in root if e.tag.endswith("circle"))
        limit = next(e.get("d", "") for e in root if e.get("class") == "limit")
        return value, float(re.findall(r"M([\d.]+)", limit)[0])

    value, limit = place(margin_scale(57.0, 0.2, None, 58.4, "pass"))
    assert value < limit
    value, limit = place(margin_scale(59.0, 0.2, None, 58.4, "fail"))
    assert value > limit
    assert margin_scale(1.0, 0.1, None, None, "pass") == ""
    assert "circle" not in margin_scale(None, None, 1.0, 2.0, "inconclusive")
    drawn(margin_scale(0.0, 0.0, 0.0, 0.0, "pass"))
    assert "nan" not in margin_scale(math.nan, math.nan, 1.0, math.inf, "pass")


def test_a_lone_reading_is_seen() -> None:
    """After a silence one reading alone, even the last: a dash of three pixels, not a hair's breadth at the edge."""
    times = np.array([0.0, 1.0, 9.0])
    drawn = stack([Panel("v", "V", (Trace(times, np.array([1.0, 1.2, 1.1]), gap=5.0),))], 0.0, 9.0, "says")
    paths = [p.get("d", "") for p in ET.fromstring(drawn).iter() if p.get("class") == "trace"]
    lone = re.search(r"M(\S+) \S+m-(\S+) 0h(\S+)$", paths[0])
    assert lone is not None
    x, back, along = map(float, lone.groups())
    assert (x, back, along) == (WIDTH - RIGHT, 1.5, 3.0)
