"""The strip charts: one below the other on one time axis, with limits, and the newest values at their right.

Plots, curves and limit items are made once and reused; only data and visibility change.
"""

from collections.abc import Sequence

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QWidget

from benchrunner.app.model import strips
from benchrunner.app.model.course import Bar
from benchrunner.app.model.run import RunState
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.focus_ring import WANTS_RING
from benchrunner.app.widgets.strip_plot import DASHES, StripPlot, TimeAxis, ValueAxis
from benchrunner.app.widgets.strip_values import StripValues


class StripCharts(QWidget):
    """All strips. `refresh` draws the run's state; `span_changed` tells the time shown (s) so that the course can follow."""

    span_changed = Signal(float, float)
    redraw_wanted = Signal()  # another time is wanted: limits and heights have to be placed anew

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme = theme
        self.shown_run: RunState | None = None
        self._course: Sequence[Bar] = ()
        self._follow = 0.0  # s shown; 0: the whole run
        self._held = False  # the person moved the time axis by hand
        self.reading_line: float | None = None
        self._setting = False
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Strip charts")
        self.setProperty(WANTS_RING, True)
        self._view = pg.GraphicsLayoutWidget()
        self._view.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._view.setAccessibleName("Strip charts, drawn")
        for part in self._view.findChildren(QWidget):
            part.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # the charts as a whole take the focus
        self._view.ci.layout.setSpacing(2)
        self._view.ci.layout.setContentsMargins(0, 2, 0, 0)
        self._values = StripValues(self)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(2, 2, 2, 2)
        layout.setSpacing(0)
        layout.addWidget(self._view, 1)
        layout.addWidget(self._values)
        self.plots: dict[str, StripPlot] = {}
        first: pg.PlotItem | None = None
        for row, strip in enumerate(strips.STRIPS):
            plot = self._view.addPlot(
                row=row, col=0, axisItems={"bottom": TimeAxis("bottom"), "left": ValueAxis("left")}
            )
            if first is None:
                first = plot
                plot.getViewBox().sigXRangeChanged.connect(self._range_changed)
            else:
                plot.setXLink(first)
            self.plots[strip.id] = StripPlot(strip, plot)
        assert first is not None
        self._first = first
        self.shown = {strip.id: strip.shown for strip in strips.STRIPS}
        self._arrange()
        self.set_theme(theme)
        self._view.scene().sigMouseMoved.connect(self._mouse)
        self._view.viewport().installEventFilter(self)
        self._set_range(0.0, 60.0)

    # ---------------------------------------------------------------- what the window calls

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self.theme = theme
        self._view.setBackground(theme.base)
        for held in self.plots.values():
            for side in ("left", "bottom"):
                axis = held.plot.getAxis(side)
                axis.setPen(pg.mkPen(theme.rule, width=1))
                axis.setTextPen(QColor(theme.muted))
                axis.setTickFont(self._tick_font())
            held.plot.showGrid(x=True, y=True, alpha=0.18 if theme.name == "light" else 0.22)
            held.now.setPen(pg.mkPen(theme.muted, width=1, style=Qt.PenStyle.DotLine))
            held.cursor.setPen(pg.mkPen(theme.text, width=1))
            for curve, line in zip(held.curves, held.strip.lines, strict=True):
                pen = pg.mkPen(theme.roles[line.role], width=2, style=DASHES[line.dash])
                curve.setPen(pen)
        self._style_limits()
        self._values.update()

    def set_run(self, run: RunState) -> None:
        """Show another run, from its beginning."""
        self.shown_run = run
        self._held, self.reading_line = False, None
        for held in self.plots.values():
            held.bands = strips.bands(held.strip, run.prepared)
            held.height = (0.0, held.strip.least)
            for curve in held.curves:
                curve.setData([], [])
        self._style_limits()

    def take_limits(self) -> None:
        """Read the limits anew once the run is prepared."""
        if self.shown_run is not None:
            for held in self.plots.values():
                held.bands = strips.bands(held.strip, self.shown_run.prepared)
            self._style_limits()

    def follow(self, seconds: float) -> None:
        """Show the newest `seconds`, or the whole run for 0."""
        self._follow, self._held = seconds, False
        self.redraw_wanted.emit()

    def show_strip(self, strip: str, shown: bool) -> None:
        """Show or hide one strip."""
        self.shown[strip] = shown
        self._arrange()

    def refresh(self, course: Sequence[Bar], end: float) -> None:
        """Draw the run as it stands; `end`: where the course is expected to end, s."""
        run = self.shown_run
        if run is None:
            return
        self._course = course
        now = run.at
        if not self._held:
            if self._follow:
                self._set_range(
                    max(0.0, now - 0.85 * self._follow), max(now, 0.85 * self._follow) + 0.15 * self._follow
                )
            else:
                self._set_range(0.0, max(end, now, 10.0) * 1.01)
        start, stop = self.span()
        for held in self.plots.values():
            if not self.shown[held.strip.id]:
                continue
            for curve, line in zip(held.curves, held.strip.lines, strict=True):
                trace = run.traces.get(line.channel)
                if trace is not None and len(trace):
                    times, values = trace.arrays()
                    curve.setData(times, values * held.strip.scale)
            held.plot.getAxis("left").setStyle(
                showValues=any(line.channel in run.traces for line in held.strip.lines)
            )
            self._place_limits(held, start, stop)
            # While the bench is made safe everything goes to zero: that must not flatten what the run showed.
            until = stop if run.safe_since is None or run.safe_since <= start else min(stop, run.safe_since)
            wanted = strips.value_range(
                held.strip, run.traces, start, until, self._in_sight(held, start, stop)
            )
            held.height = strips.steady(held.height, (wanted.low, wanted.high))
            held.off = (wanted.below, wanted.above)
            held.plot.setYRange(*held.height, padding=0)
            held.now.setPos(now)
            held.now.setVisible(run.ended is None)
        self._values.update()

    def describe(self) -> None:
        """Bring the text for those who do not see the charts up to date."""
        if self.shown_run is not None:
            shown = [held.strip for held in self.plots.values() if self.shown[held.strip.id]]
            self.setAccessibleDescription(" ".join(strips.summary(strip, self.shown_run) for strip in shown))

    def span(self) -> tuple[float, float]:
        """The time shown, s."""
        low, high = self._first.getViewBox().viewRange()[0]
        return float(low), float(high)

    def edges(self) -> tuple[float, float]:
        """Left and right edge of the time axis in this widget, px."""
        box = self._first.getViewBox().sceneBoundingRect()
        offset = float(self._view.x())
        return box.left() + offset, box.right() + offset

    def strip_tops(self) -> list[tuple[strips.Strip, QRectF]]:
        """Each strip shown, and its place in this widget, px."""
        return [
            (
                held.strip,
                held.plot.getViewBox().sceneBoundingRect().translated(self._view.x(), self._view.y()),
            )
            for held in self.plots.values()
            if self.shown[held.strip.id]
        ]

    # ---------------------------------------------------------------- keyboard and mouse

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt
        low, high = self.span()
        width = high - low
        key = event.key()
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            way = -1 if key == Qt.Key.Key_Left else 1
            at = (
                self.reading_line
                if self.reading_line is not None
                else (self.shown_run.at if self.shown_run else high)
            )
            self._set_cursor(min(max(at + way * width / 100, low), high))
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal, Qt.Key.Key_Minus):
            factor = 2.0 if key == Qt.Key.Key_Minus else 0.5
            middle = self.reading_line if self.reading_line is not None else (low + high) / 2
            self._held = True
            self.redraw_wanted.emit()
            self._set_range(middle - width * factor / 2, middle + width * factor / 2)
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown):
            moved = -0.5 * width if key == Qt.Key.Key_PageUp else 0.5 * width
            self._held = True
            self.redraw_wanted.emit()
            self._set_range(low + moved, high + moved)
        elif key == Qt.Key.Key_Home:
            self._held = False
            self._set_cursor(None)
            self.redraw_wanted.emit()
        else:
            super().keyPressEvent(event)

    def eventFilter(self, watched: object, event: QEvent) -> bool:  # noqa: N802 - Qt
        if event.type() == QEvent.Type.Leave:
            self._set_cursor(None)
        elif event.type() == QEvent.Type.MouseButtonDblClick:
            self._held = False
            self.redraw_wanted.emit()
        elif event.type() == QEvent.Type.MouseButtonPress:
            self.setFocus(Qt.FocusReason.MouseFocusReason)
        return False

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt
        super().resizeEvent(event)
        self._values.update()

    def _mouse(self, place: QPointF) -> None:
        box = self._first.getViewBox()
        time = box.mapSceneToView(place).x()
        low, high = self.span()
        self._set_cursor(time if low <= time <= high else None)

    def _set_cursor(self, time: float | None) -> None:
        self.reading_line = time
        for held in self.plots.values():
            held.cursor.setVisible(time is not None)
            if time is not None:
                held.cursor.setPos(time)
        self._values.update()

    # ---------------------------------------------------------------- inside

    def _set_range(self, low: float, high: float) -> None:
        self._setting = True
        self._first.getViewBox().setXRange(low, high, padding=0)
        self._setting = False

    def _range_changed(self, _box: object, span: tuple[float, float]) -> None:
        if not self._setting:
            self._held = True
            self.redraw_wanted.emit()
        self.span_changed.emit(float(span[0]), float(span[1]))

    def _arrange(self) -> None:
        """Put the strips shown one below the other; only the last has the time axis."""
        layout = self._view.ci
        for held in self.plots.values():
            if held.plot in layout.items:
                layout.removeItem(held.plot)
        shown = [held for held in self.plots.values() if self.shown[held.strip.id]]
        for row, held in enumerate(shown):
            layout.addItem(held.plot, row=row, col=0)
            held.plot.setMinimumHeight(self._values.needed(len(held.strip.lines)))
            last = row == len(shown) - 1
            axis = held.plot.getAxis("bottom")
            axis.setStyle(showValues=last)
            axis.setHeight(None if last else 3)
        self._values.update()

    def _tick_font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(max(7.5, font.pointSizeF() - 1.5))
        return font

    def _style_limits(self) -> None:
        for held in self.plots.values():
            for item, band in zip(held.limits, held.bands, strict=False):
                guard = band.kind == "guard"
                colour = self.theme.roles["guard" if guard else band.role or "limit"]
                style = Qt.PenStyle.DashDotLine if guard else Qt.PenStyle.DashLine
                item.setPen(pg.mkPen(colour, width=1.4, style=style))
                fill = QColor(colour)
                fill.setAlpha(26 if guard else 16 if band.role else 34)
                item.setBrush(fill)
            for item in held.limits[len(held.bands) :]:
                item.hide()

    def _in_sight(self, held: StripPlot, start: float, stop: float) -> list[strips.Band]:
        found = []
        for band in held.bands:
            span = strips.span_of(band, self._course, stop)
            if span is not None and span[1] >= start and span[0] <= stop:
                found.append(band)
        return found

    def _place_limits(self, held: StripPlot, start: float, stop: float) -> None:
        low, high = held.height
        reach = high - low
        axis = held.plot.getAxis("left")
        for item, band in zip(held.limits, held.bands, strict=False):
            span = strips.span_of(band, self._course, stop)
            coming = (
                band.step is not None
                and self.shown_run is not None
                and span is not None
                and span[0] >= self.shown_run.at
            )
            off = not low <= band.value <= high
            if not axis.style[
                "showValues"
            ]:  # without a reading the height means nothing, nor where a limit lies in it
                item.hide()
                continue
            if span is None or span[1] <= start or span[0] >= stop or (coming and off):
                item.hide()
                continue
            beyond = max(high, band.value) + reach if band.upper else min(low, band.value) - reach
            item.setFillLevel(beyond)
            item.setData(np.array([span[0], max(span[1], span[0])]), np.array([band.value, band.value]))
            item.show()
