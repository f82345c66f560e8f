"""The shapes of verdicts, drawn the same wherever they occur: told apart without colour."""

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF, qGray

from benchrunner.app.theme import Theme


def verdict_shape(painter: QPainter, theme: Theme, verdict: str, centre: QPointF, size: float) -> None:
    """Pass: filled disc with a tick. Fail: square with a cross. Inconclusive: diamond with a question mark. Else a ring."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    colour = theme.colour(verdict)
    half = size / 2
    ink = QColor("#ffffff") if qGray(colour.rgb()) < 150 else QColor("#16181a")
    stroke = QPen(ink, max(1.5, size / 9), Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    x, y = centre.x(), centre.y()
    if verdict == "pass":
        painter.drawEllipse(centre, half, half)
        painter.setPen(stroke)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(
            [
                QPointF(x - half * 0.45, y),
                QPointF(x - half * 0.1, y + half * 0.4),
                QPointF(x + half * 0.5, y - half * 0.4),
            ]
        )
    elif verdict == "fail":
        painter.drawRect(QRectF(x - half * 0.9, y - half * 0.9, size * 0.9, size * 0.9))
        painter.setPen(stroke)
        arm = half * 0.45
        painter.drawLine(QPointF(x - arm, y - arm), QPointF(x + arm, y + arm))
        painter.drawLine(QPointF(x - arm, y + arm), QPointF(x + arm, y - arm))
    elif verdict == "inconclusive":
        painter.drawPolygon(
            QPolygonF(
                [QPointF(x, y - half), QPointF(x + half, y), QPointF(x, y + half), QPointF(x - half, y)]
            )
        )
        painter.setPen(ink)
        font = painter.font()
        font.setBold(True)
        font.setPixelSize(max(8, round(size * 0.68)))
        painter.setFont(font)
        painter.drawText(QRectF(x - half, y - half, size, size), Qt.AlignmentFlag.AlignCenter, "?")
    else:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(colour, max(1.5, size / 9)))
        painter.drawEllipse(centre, half * 0.8, half * 0.8)
        if verdict == "not applicable":
            painter.drawLine(QPointF(x - half * 0.4, y), QPointF(x + half * 0.4, y))
    painter.restore()
