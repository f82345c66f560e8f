"""One strip of the charts: its axes, its curves and a pool of limit lines, made once and reused."""

import pyqtgraph as pg
from PySide6.QtCore import Qt

from benchrunner.app.model import strips, texts

DASHES = {
    "solid": Qt.PenStyle.SolidLine,
    "dash": Qt.PenStyle.DashLine,
    "dot": Qt.PenStyle.DotLine,
    "dashdot": Qt.PenStyle.DashDotLine,
}
AXIS = 58  # px for the value axis at the left
_APART = 12.0  # px at least between two values of an axis
_LIMITS = 24  # limit items per strip


class TimeAxis(pg.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Bench time as minutes and seconds, with ticks at round times."""

    _STEPS = (0.1, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800, 86400)

    def tickSpacing(self, low: float, high: float, size: float) -> list[tuple[float, float]]:  # noqa: N802 - pyqtgraph
        wanted = (high - low) / max(2.0, size / 90.0)
        step = next((s for s in self._STEPS if s >= wanted), self._STEPS[-1])
        return [(step, 0)]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:  # noqa: N802
        if spacing < 1:
            return [f"{int(v // 60)}:{v % 60:04.1f}" for v in values]
        return [texts.clock(round(v)) if v >= 0 else "" for v in values]


class ValueAxis(pg.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Values with the minus sign that the rest of the window writes, never so close that one covers another."""

    def tickSpacing(self, low: float, high: float, size: float) -> list[tuple[float, float]]:  # noqa: N802 - pyqtgraph
        levels: list[tuple[float, float]] = super().tickSpacing(low, high, size)
        if not levels or not high > low:
            return levels
        spacing, offset = levels[0]
        while spacing * size / (high - low) < _APART:
            spacing *= 2.0
        return [(spacing, offset), *levels[1:]]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:  # noqa: N802 - pyqtgraph
        return [text.replace("-", "\u2212") for text in super().tickStrings(values, scale, spacing)]


class StripPlot:
    """One strip's plot with its curves and a pool of limit lines."""

    def __init__(self, strip: strips.Strip, plot: pg.PlotItem) -> None:
        self.strip, self.plot = strip, plot
        self.curves = [pg.PlotDataItem(connect="finite") for _ in strip.lines]
        self.limits = [pg.PlotCurveItem() for _ in range(_LIMITS)]
        self.now = pg.InfiniteLine(angle=90, movable=False)
        self.cursor = pg.InfiniteLine(angle=90, movable=False)
        self.cursor.hide()
        for limit in self.limits:
            limit.hide()
            plot.addItem(limit, ignoreBounds=True)
        for curve in self.curves:
            plot.addItem(curve)
            curve.setDownsampling(auto=True, method="peak")
            curve.setClipToView(True)
        plot.addItem(self.now, ignoreBounds=True)
        plot.addItem(self.cursor, ignoreBounds=True)
        plot.disableAutoRange()
        plot.setMenuEnabled(False)
        plot.hideButtons()
        plot.setMouseEnabled(x=True, y=False)
        plot.getAxis("left").setWidth(AXIS)
        plot.getAxis("left").setStyle(maxTickLevel=0)
        self.bands: list[strips.Band] = []
        self.height: tuple[float, float] = (0.0, strip.least)
        self.off: tuple[float | None, float | None] = (None, None)  # readings that lie off the chart
