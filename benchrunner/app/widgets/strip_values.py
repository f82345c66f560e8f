"""At the right of the charts: the name of each strip, its lines' samples, their newest values and the guards."""

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetrics, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from benchrunner.app.model import strips, texts
from benchrunner.app.widgets.strip_plot import DASHES

if TYPE_CHECKING:
    from benchrunner.app.widgets.charts import StripCharts

GUTTER = 168  # px


class StripValues(QWidget):
    """At the right of each strip: its name, and each line's sample and newest value (or the one under the cursor)."""

    def __init__(self, charts: "StripCharts") -> None:
        super().__init__(charts)
        self._charts = charts
        self.setFixedWidth(GUTTER)

    def _small(self) -> QFont:
        small = QFont(self.font())
        small.setPointSizeF(max(8.0, small.pointSizeF() - 1))
        return small

    def needed(self, lines: int) -> float:
        """The height at which a strip's name and its lines stand one below the other without touching, px."""
        return (lines + 1) * float(QFontMetrics(self._small()).height()) - 2.0

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        charts = self._charts
        theme, run, cursor = charts.theme, charts.shown_run, charts.reading_line
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(theme.base))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        small = self._small()
        bold = QFont(small)
        bold.setBold(True)
        for strip, place in charts.strip_tops():
            top = place.top() - self.y()
            held = charts.plots[strip.id]
            painter.setFont(bold)
            painter.setPen(QColor(theme.text))
            row = float(painter.fontMetrics().height())
            rows = min(row, (place.height() + 2) / (len(strip.lines) + 1))
            painter.drawText(QRectF(8, top, GUTTER - 10, row), Qt.AlignmentFlag.AlignLeft, strip.title)
            name = painter.fontMetrics().horizontalAdvance(strip.title)
            painter.setFont(small)
            painter.setPen(QColor(theme.muted))
            unit = QRectF(8 + name + 6, top, GUTTER - 14 - name, row)
            painter.drawText(unit, Qt.AlignmentFlag.AlignLeft, f"in {strip.unit}")
            for number, line in enumerate(strip.lines, 1):
                y = top + number * rows
                pen = QPen(QColor(theme.roles[line.role]), 2, DASHES[line.dash])
                painter.setPen(pen)
                painter.drawLine(QPointF(8, y + row / 2), QPointF(30, y + row / 2))
                painter.setPen(QColor(theme.text))
                value = float("nan")
                if run is not None:
                    trace = run.traces.get(line.channel)
                    if cursor is not None and trace is not None:
                        value = trace.at(cursor)
                    elif trace is not None:
                        value = run.value(
                            line.channel
                        )  # one that is too old is not shown, at the end neither
                text = strips.figure(strip, value)
                if len(strip.lines) > 1:
                    painter.drawText(QRectF(34, y, 76, row), Qt.AlignmentFlag.AlignLeft, line.label)
                painter.drawText(QRectF(34, y, GUTTER - 40, row), Qt.AlignmentFlag.AlignRight, text)
            extra = (
                [f"▼ down to {strips.figure(strip, held.off[0] / strip.scale)}"]
                if held.off[0] is not None
                else []
            )
            extra += (
                [f"▲ up to {strips.figure(strip, held.off[1] / strip.scale)}"]
                if held.off[1] is not None
                else []
            )
            extra += [text] if (text := strips.guard_text(strip, held.bands)) else []
            painter.setPen(QColor(theme.muted))
            y = top + (len(strip.lines) + 1) * rows
            for text in extra:
                if y + row > place.bottom() - self.y() + 3:
                    break
                painter.drawText(QRectF(8, y, GUTTER - 14, row), Qt.AlignmentFlag.AlignRight, text)
                y += rows
        if cursor is not None:
            painter.setFont(small)
            painter.setPen(QColor(theme.muted))
            bottom = QRectF(8, self.height() - 18, GUTTER - 14, 16)
            painter.drawText(bottom, Qt.AlignmentFlag.AlignRight, f"at {texts.clock(cursor)}")
        painter.end()
