"""The course: the procedure drawn to time scale under the charts, each check pinned at the moment it was judged."""

from collections.abc import Sequence

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QHelpEvent, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QToolTip, QWidget

from benchrunner.app.model import texts
from benchrunner.app.model.course import Bar, Pin, bar_at, pins
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.shapes import verdict_shape

_PIN = 15.0
_BAR = 30.0
_CAPTION = 15.0  # below the bars: the name of what is too narrow to hold it
MAKE_SAFE = "make safe"


class CourseView(QWidget):
    """Bars and pins on the time axis of the charts above. Left and right walk through the steps and read each out."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._bars: Sequence[Bar] = ()
        self._checks: Sequence[dict[str, object]] = ()
        self._now: float | None = None
        self._safe: tuple[float, float] | None = None
        self._span = (0.0, 60.0)
        self._edges = (60.0, 600.0)
        self._chosen: int | None = None
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Course of the procedure")
        self.setFixedHeight(int(_BAR + _PIN + _CAPTION + 10))

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        self.update()

    def set_span(self, low: float, high: float) -> None:
        """The time shown by the charts, s."""
        self._span = (low, high)
        self.update()

    def set_edges(self, left: float, right: float) -> None:
        """Where the charts' time axis begins and ends, px."""
        if (left, right) != self._edges:
            self._edges = (left, right)
            self.update()

    def show_course(
        self,
        course: Sequence[Bar],
        checks: Sequence[dict[str, object]],
        now: float,
        over: bool = False,
        safe_since: float | None = None,
    ) -> None:
        """Draw this course; `safe_since`: when making safe began, if it did."""
        self._bars, self._checks = course, checks
        self._now = None if over else now
        self._safe = None if safe_since is None else (safe_since, now)
        self.update()

    def words(self) -> str:
        """The course in words."""
        said = {
            "done": "done",
            "current": "going on",
            "coming": "coming",
            "failed": "failed",
            "skipped": "skipped",
            "stopped": "stopped",
        }
        found = [f"step {bar.step.index + 1}, {bar.step.title}: {said[bar.look]}" for bar in self._bars]
        return "; ".join(found + ([self._safe_says()] if self._safe is not None else []))

    def _safe_says(self) -> str:
        assert self._safe is not None
        start, end = self._safe
        return f"{MAKE_SAFE}: from {texts.clock(start)} {'on' if self._now is not None else 'to ' + texts.clock(end)}"

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt
        return QSize(600, int(_BAR + _PIN + _CAPTION + 10))

    # ---------------------------------------------------------------- painting

    def _x(self, time: float) -> float:
        low, high = self._span
        left, right = self._edges
        return left + (time - low) / max(high - low, 1e-9) * (right - left)

    def _time(self, x: float) -> float:
        low, high = self._span
        left, right = self._edges
        return low + (x - left) / max(right - left, 1.0) * (high - low)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        theme = self._theme
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(theme.base))
        left, right = self._edges
        painter.setPen(QColor(theme.muted))
        font = QFont(self.font())
        font.setPointSizeF(max(8.0, font.pointSizeF() - 1))
        painter.setFont(font)
        top = _PIN + 8
        painter.drawText(
            QRectF(4, top, left - 10, _BAR),
            Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft,
            "Course",
        )
        painter.setClipRect(QRectF(left, 0, right - left, self.height()))
        for bar in self._bars:
            self._paint_bar(painter, bar, top)
        if self._safe is not None:
            self._paint_safe(painter, self._safe, top)
        for pin in self._pins():
            self._paint_pin(painter, pin)
        if self._now is not None and self._bars:
            painter.setPen(QPen(QColor(theme.text), 1, Qt.PenStyle.DotLine))
            x = self._x(self._now)
            painter.drawLine(QPointF(x, 0), QPointF(x, self.height()))
        painter.setClipping(False)
        if self.hasFocus():
            painter.setPen(QPen(QColor(theme.focus), 2))
            painter.drawRect(QRectF(left - 2, 1, right - left + 4, self.height() - 2))
        painter.end()

    def _paint_bar(self, painter: QPainter, bar: Bar, top: float) -> None:
        theme = self._theme
        start, end, planned = self._x(bar.start), self._x(bar.end), self._x(bar.planned)
        if planned < self._edges[0] or start > self._edges[1]:
            return
        solid = QColor(theme.roles["bus"])
        whole = QRectF(start, top, max(planned - start - 1.5, 1.5), _BAR)
        if bar.look == "coming":
            self._hatch(painter, whole)
        elif bar.look == "current":
            self._hatch(painter, whole)
            painter.fillRect(QRectF(start, top, max(end - start, 2.0), _BAR), solid)
        else:
            fill = QColor(theme.raised)
            if bar.look in ("done", "failed"):
                fill = QColor(solid)
                fill.setAlpha(150 if theme.name == "dark" else 130)
            painter.fillRect(whole, fill)
            if bar.look in ("failed", "stopped"):
                painter.setPen(QPen(QColor(theme.verdicts["fail"]), 3))
                painter.drawLine(whole.topRight() - QPointF(1, 0), whole.bottomRight() - QPointF(1, 0))
        if self._chosen == bar.step.index and self.hasFocus():
            painter.setPen(QPen(QColor(theme.text), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(whole.adjusted(0, 1, 0, -1))
        self._label(painter, bar, whole)

    def _paint_safe(self, painter: QPainter, span: tuple[float, float], top: float) -> None:
        """Making safe: outlined and named, inside where there is room for it, else below."""
        start, end = self._x(span[0]), self._x(span[1])
        box = QRectF(start, top, max(end - start, 4.0), _BAR)
        painter.fillRect(box, QColor(self._theme.warn))
        painter.setPen(QPen(QColor(self._theme.warn_text), 1))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(box)
        width = painter.fontMetrics().horizontalAdvance(MAKE_SAFE) + 8.0
        if width < box.width():
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, MAKE_SAFE)
        elif box.right() > self._edges[0] and box.left() < self._edges[1]:
            painter.setPen(QColor(self._theme.text))
            left = min(max(box.center().x() - width / 2, self._edges[0]), self._edges[1] - width)
            below = QRectF(left, top + _BAR + 1, width, _CAPTION)
            painter.drawText(below, Qt.AlignmentFlag.AlignCenter, MAKE_SAFE)

    def _label(self, painter: QPainter, bar: Bar, whole: QRectF) -> None:
        shown = whole.intersected(QRectF(self._edges[0], 0, self._edges[1] - self._edges[0], self.height()))
        room = shown.adjusted(5, 0, -4, 0)
        if room.width() < 12:
            return
        metrics = painter.fontMetrics()
        name = bar.step.id.rsplit("/", 1)[-1]
        text = f"{bar.step.index + 1} {name}"
        if metrics.horizontalAdvance(text) > room.width():
            text = str(bar.step.index + 1)
            if metrics.horizontalAdvance(text) > room.width():
                return
        painter.setPen(QColor(self._theme.text))
        if bar.look == "current" and self._x(bar.end) - room.left() > metrics.horizontalAdvance(text) / 2:
            painter.setPen(QColor("#ffffff" if self._theme.name == "light" else "#101214"))
            if self._x(bar.end) - room.left() < metrics.horizontalAdvance(text):
                backing = QRectF(
                    room.left() - 2, room.center().y() - 8, metrics.horizontalAdvance(text) + 4, 16
                )
                painter.fillRect(backing, QColor(self._theme.roles["bus"]))
        elif bar.look in ("coming", "current"):
            width = metrics.horizontalAdvance(text)
            backing = QRectF(room.left() - 2, room.center().y() - 8, width + 4, 16)
            painter.fillRect(backing, QColor(self._theme.base))
        painter.drawText(room, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, text)

    def _hatch(self, painter: QPainter, rect: QRectF) -> None:
        colour = QColor(self._theme.muted)
        colour.setAlpha(110)
        painter.fillRect(rect, QBrush(colour, Qt.BrushStyle.BDiagPattern))
        painter.setPen(QPen(QColor(self._theme.rule), 1))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(rect)

    def _pins(self) -> list[Pin]:
        low, high = self._span
        apart = (high - low) / max(self._edges[1] - self._edges[0], 1.0) * 46
        return pins(self._checks, apart)

    def _paint_pin(self, painter: QPainter, pin: Pin) -> None:
        x = self._x(pin.at)
        painter.setPen(QPen(QColor(self._theme.muted), 1))
        painter.drawLine(QPointF(x, _PIN + 2), QPointF(x, _PIN + 8 + _BAR))
        metrics = painter.fontMetrics()
        widths = [_PIN + (metrics.horizontalAdvance(str(n)) + 4 if n > 1 else 3) for _, n in pin.counts]
        place = min(max(x - _PIN / 2, self._edges[0] + 1), self._edges[1] - sum(widths))
        for (verdict, number), width in zip(pin.counts, widths, strict=True):
            verdict_shape(painter, self._theme, verdict, QPointF(place + _PIN / 2, _PIN / 2 + 2), _PIN)
            if number > 1:
                painter.setPen(QColor(self._theme.text))
                painter.drawText(
                    QRectF(place + _PIN + 1, 1, 40, _PIN + 2), Qt.AlignmentFlag.AlignVCenter, str(number)
                )
            place += width

    # ---------------------------------------------------------------- reading it

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            time = self._time(event.pos().x())
            bar = bar_at(self._bars, time)
            safe = self._safe is not None and self._safe[0] <= time <= self._safe[1]
            QToolTip.showText(
                event.globalPos(), self._safe_says() if safe else _says(bar) if bar else "", self
            )
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt
        if event.key() in (Qt.Key.Key_Left, Qt.Key.Key_Right) and self._bars:
            way = -1 if event.key() == Qt.Key.Key_Left else 1
            indices = [bar.step.index for bar in self._bars]
            held = (
                indices.index(self._chosen) if self._chosen in indices else (-1 if way > 0 else len(indices))
            )
            self._chosen = indices[min(max(held + way, 0), len(indices) - 1)]
            bar = next(b for b in self._bars if b.step.index == self._chosen)
            self.setAccessibleDescription(_says(bar))
            middle = (max(self._x(bar.start), self._edges[0]) + min(self._x(bar.planned), self._edges[1])) / 2
            QToolTip.showText(self.mapToGlobal(QPointF(middle, 0).toPoint()), _says(bar), self)
            self.update()
        else:
            super().keyPressEvent(event)


def _says(bar: Bar) -> str:
    step = bar.step
    lines = [f"{step.index + 1}. {step.title}" + (f" (repeat {step.repeat})" if step.repeat else "")]
    if bar.look == "coming":
        lines.append(f"expected to take {texts.clock(step.expected)}, at most {texts.clock(step.at_most)}")
    elif bar.look == "current":
        lines.append(f"since {texts.clock(bar.start)}; at most {texts.clock(step.at_most)}")
    else:
        lines.append(f"{bar.look}, {texts.clock(bar.start)} to {texts.clock(bar.end)}")
    lines += [f"Caution: {caution}" for caution in step.cautions]
    if step.says:
        lines.append(step.says)
    if step.text:
        lines.append(step.text)
    if step.checks:
        lines.append(f"{step.checks} check{'s' if step.checks > 1 else ''}")
    return "\n".join(lines)
