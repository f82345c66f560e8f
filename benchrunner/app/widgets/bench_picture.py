"""The bench as a one-line diagram after IEC 60617, with live values.

An arrow never moves: it points in the positive direction of its flow, the sign is in the number beside it.
"""

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from benchrunner.app.model.bench import BenchView, Flow
from benchrunner.app.theme import Theme

_HEIGHT = 184
_TOP, _LOW = 52.0, 130.0  # the two rows


class BenchPicture(QWidget):
    """Draws a `BenchView`. Lines: thick where voltage or power is read, thin where none is, dotted where it is not known."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: BenchView | None = None
        self._over = ""
        self._names = {"battery_inverter": "battery inverter", "pv_inverter": "PV inverter"}
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setAccessibleName("Bench picture")
        self.setFixedHeight(_HEIGHT)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        self.update()

    def show_view(self, view: BenchView, over: str = "") -> None:
        """Draw these values; `over`: the run is over, and when they were last read."""
        if (view, over) != (self._view, self._over):
            self._view, self._over = view, over
            self.update()

    def describe(self) -> None:
        """Bring the text for those who do not see the picture up to date."""
        if self._view is not None:
            self.setAccessibleDescription(
                (f"As last read at {self._over}. " if self._over else "") + self._view.words()
            )

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt
        return QSize(1000, _HEIGHT)

    # ---------------------------------------------------------------- painting

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(self._theme.base))
        if self._view is not None:
            self._paint(painter, self._view)
        if self.hasFocus():
            painter.setPen(QPen(QColor(self._theme.focus), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))
        painter.end()

    def _paint(self, p: QPainter, v: BenchView) -> None:
        width = float(self.width())
        bus = width * 0.5
        left, right = 64.0, width - 64.0
        # grid row
        switch, relay = left + (bus - left) * 0.50, left + (bus - left) * 0.78
        self._wire(p, left + 17, switch - 16, _TOP, v.mains_live)
        self._wire(p, switch + 16, relay - 16, _TOP, v.grid_live)
        self._wire(p, relay + 16, bus, _TOP, v.bus_live)
        self._source(p, left, _TOP)
        self._switch(p, switch, _TOP, v.grid_closed)
        self._switch(p, relay, _TOP, v.transfer_closed)
        self._box(p, relay, _TOP)
        self._label(p, left, _TOP - 24, "grid")
        self._label(p, switch, _TOP - 24, "grid switch", _state_word(v.grid_closed))
        self._label(p, relay, _TOP - 24, "transfer relay", _state_word(v.transfer_closed))
        self._value(p, (switch + relay) / 2, _TOP + 18, v.grid_text)
        self._flow(p, left + (switch - left) * 0.52, _TOP, v.grid, 1)
        # PV row
        inverter, contactor = left + (bus - left) * 0.36, left + (bus - left) * 0.80
        self._wire(p, left + 20, inverter - 20, _LOW, v.sun_live)
        self._wire(p, inverter + 20, contactor - 16, _LOW, v.bus_live if v.pv_contactor else None)
        self._wire(p, contactor + 16, bus, _LOW, v.bus_live)
        self._sun(p, left, _LOW)
        self._converter(p, inverter, _LOW, "=", "~")
        self._switch(p, contactor, _LOW, v.pv_contactor)
        self._label(p, left, _LOW - 24, "PV source")
        self._label(p, inverter, _LOW - 24, "PV inverter")
        self._label(p, contactor, _LOW - 24, "PV contactor", _state_word(v.pv_contactor))
        self._value(p, left + 4, _LOW + 33, v.sun_text)
        self._value(p, inverter, _LOW + 33, v.pv_inverter_state or "–", False)
        self._flow(p, (inverter + contactor) / 2, _LOW, v.pv, 1)
        # load row
        self._wire(p, bus, right - 24, _TOP, v.bus_live)
        self._load(p, right, _TOP)
        self._label(p, right, _TOP - 24, "load")
        self._flow(p, bus + (right - bus) * 0.55, _TOP, v.load, 1)
        # battery row
        converter, breaker = bus + (right - bus) * 0.44, bus + (right - bus) * 0.70
        self._wire(p, bus, converter - 20, _LOW, v.bus_live)
        self._wire(
            p, converter + 20, breaker - 16, _LOW, None if v.battery_text == "–" else v.battery_contactor
        )
        self._wire(p, breaker + 16, right - 18, _LOW, True)
        self._converter(p, converter, _LOW, "~", "=")
        self._switch(p, breaker, _LOW, v.battery_contactor)
        self._battery(p, right, _LOW)
        self._label(p, converter, _LOW - 24, "battery inverter")
        self._label(p, breaker, _LOW - 24, "battery contactor", _state_word(v.battery_contactor))
        self._label(p, right, _LOW - 24, "battery")
        enabled = {True: "", False: " · not enabled", None: ""}[v.inverter_enabled]
        self._value(p, converter, _LOW + 33, (v.battery_inverter_state or "–") + enabled, False)
        self._value(p, breaker + 4, _LOW + 33, v.battery_text)
        self._value(p, right - 4, _LOW + 33, v.soc_text)
        self._flow(p, bus + (converter - bus) * 0.52, _LOW, v.battery_inverter, -1)
        self._flow(p, (breaker + right) / 2 + 6, _LOW, v.battery, 1)
        # bus
        self._bus(p, bus, v)
        if self._over:
            self._value(p, (bus + right) / 2 + 60, _TOP - 36, f"As last read at {self._over}, not live")
        if v.interlock is not None:
            self._label(p, bus + 90, _TOP - 34, f"interlock {'closed' if v.interlock else 'OPEN'}")

    def _pen(self, live: bool | None) -> QPen:
        if live:
            return QPen(QColor(self._theme.text), 2.6)
        if live is None:
            return QPen(QColor(self._theme.muted), 1.4, Qt.PenStyle.DotLine)
        return QPen(QColor(self._theme.muted), 1.4)

    def _wire(self, p: QPainter, start: float, end: float, y: float, live: bool | None) -> None:
        p.setPen(self._pen(live))
        p.drawLine(QPointF(start, y), QPointF(end, y))

    def _symbol_pen(self, p: QPainter) -> None:
        p.setPen(QPen(QColor(self._theme.text), 1.8))
        p.setBrush(QColor(self._theme.base))

    def _source(self, p: QPainter, x: float, y: float) -> None:
        self._symbol_pen(p)
        p.drawEllipse(QPointF(x, y), 17, 17)
        self._tilde(p, x, y, 10)

    def _tilde(self, p: QPainter, x: float, y: float, half: float) -> None:
        path = QPainterPath(QPointF(x - half, y))
        path.cubicTo(
            QPointF(x - half * 0.5, y - half * 0.9), QPointF(x - half * 0.1, y - half * 0.5), QPointF(x, y)
        )
        path.cubicTo(
            QPointF(x + half * 0.1, y + half * 0.5),
            QPointF(x + half * 0.5, y + half * 0.9),
            QPointF(x + half, y),
        )
        p.setBrush(Qt.BrushStyle.NoBrush)
        p.drawPath(path)

    def _switch(self, p: QPainter, x: float, y: float, closed: bool | None) -> None:
        self._symbol_pen(p)
        ends = QPointF(x - 16, y), QPointF(x + 16, y)
        p.setBrush(QColor(self._theme.text))
        for end in ends:
            p.drawEllipse(end, 2.2, 2.2)
        pen = QPen(QColor(self._theme.text), 2.4 if closed else 1.8)
        if closed is None:
            pen.setStyle(Qt.PenStyle.DotLine)
        p.setPen(pen)
        p.drawLine(ends[0], ends[1] if closed else QPointF(x + 12, y - 13))

    def _box(self, p: QPainter, x: float, y: float) -> None:
        p.setPen(QPen(QColor(self._theme.muted), 1, Qt.PenStyle.DashLine))
        p.setBrush(Qt.BrushStyle.NoBrush)
        p.drawRect(QRectF(x - 23, y - 17, 46, 26))

    def _converter(self, p: QPainter, x: float, y: float, first: str, second: str) -> None:
        self._symbol_pen(p)
        p.drawRect(QRectF(x - 20, y - 20, 40, 40))
        p.drawLine(QPointF(x - 20, y + 20), QPointF(x + 20, y - 20))
        for kind, cx, cy in ((first, x - 9, y - 9), (second, x + 9, y + 9)):
            if kind == "~":
                self._tilde(p, cx, cy, 7)
            else:
                p.drawLine(QPointF(cx - 6, cy - 2.5), QPointF(cx + 6, cy - 2.5))
                p.drawLine(QPointF(cx - 6, cy + 2.5), QPointF(cx + 6, cy + 2.5))

    def _sun(self, p: QPainter, x: float, y: float) -> None:
        """A photovoltaic cell: the cell's two plates in a frame, light coming in."""
        self._symbol_pen(p)
        p.drawRect(QRectF(x - 20, y - 18, 40, 36))
        p.drawLine(QPointF(x - 20, y + 4), QPointF(x - 4, y + 4))
        p.drawLine(QPointF(x + 4, y + 4), QPointF(x + 20, y + 4))
        p.drawLine(QPointF(x - 4, y - 4), QPointF(x - 4, y + 12))
        p.setPen(QPen(QColor(self._theme.text), 3))
        p.drawLine(QPointF(x + 4, y), QPointF(x + 4, y + 8))
        p.setPen(QPen(QColor(self._theme.text), 1.4))
        for shift in (-8.0, 2.0):
            tip = QPointF(x + shift + 3, y - 6)
            p.drawLine(QPointF(x + shift - 5, y - 15), tip)
            p.drawLine(tip, tip + QPointF(-4.5, -1))
            p.drawLine(tip, tip + QPointF(-1, -4.5))

    def _load(self, p: QPainter, x: float, y: float) -> None:
        self._symbol_pen(p)
        p.drawRect(QRectF(x - 24, y - 9, 48, 18))
        p.drawLine(QPointF(x - 14, y + 16), QPointF(x + 14, y - 16))
        p.drawLine(QPointF(x + 14, y - 16), QPointF(x + 7, y - 13))
        p.drawLine(QPointF(x + 14, y - 16), QPointF(x + 12, y - 9))

    def _battery(self, p: QPainter, x: float, y: float) -> None:
        self._symbol_pen(p)
        for k in range(3):
            cx = x - 16 + k * 12
            p.setPen(QPen(QColor(self._theme.text), 1.8))
            p.drawLine(QPointF(cx, y - 15), QPointF(cx, y + 15))
            p.setPen(QPen(QColor(self._theme.text), 3.2))
            p.drawLine(QPointF(cx + 6, y - 8), QPointF(cx + 6, y + 8))

    def _bus(self, p: QPainter, x: float, v: BenchView) -> None:
        pen = QPen(QColor(self._theme.text if v.bus_live else self._theme.muted), 6)
        if v.bus_live is None:
            pen = QPen(QColor(self._theme.muted), 4, Qt.PenStyle.DotLine)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        p.setPen(pen)
        p.drawLine(QPointF(x, _TOP - 22), QPointF(x, _LOW + 22))
        self._label(p, x, _TOP - 34, "bus")
        self._value(p, x, _LOW + 36, v.bus_text)

    def _font(self, bold: bool = False, smaller: float = 1.0) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(max(8.0, font.pointSizeF() - smaller))
        font.setBold(bold)
        return font

    def _label(self, p: QPainter, x: float, y: float, text: str, state: str = "") -> None:
        p.setFont(self._font())
        p.setPen(QColor(self._theme.muted))
        if state:
            text = f"{text}: {state}"
        self._text(p, x, y - 4, text)

    def _value(self, p: QPainter, x: float, y: float, text: str, bold: bool = True) -> None:
        p.setFont(self._font(bold, 0.0 if bold else 1.0))
        p.setPen(QColor(self._theme.text))
        self._text(p, x, y, text)

    def _text(self, p: QPainter, x: float, y: float, text: str) -> None:
        """Centred at x, but never over the widget's edge."""
        width = p.fontMetrics().horizontalAdvance(text) + 4.0
        start = min(max(x - width / 2, 4.0), self.width() - width - 4.0)
        p.drawText(QRectF(start, y - 10, width, 20), Qt.AlignmentFlag.AlignCenter, text)

    def _flow(self, p: QPainter, x: float, y: float, flow: Flow, way: int) -> None:
        colour = QColor(self._theme.text if flow.flows else self._theme.muted)
        p.setPen(Qt.PenStyle.NoPen)
        p.setBrush(colour)
        p.drawPolygon(
            QPolygonF([QPointF(x + way * 8, y), QPointF(x - way * 6, y - 7), QPointF(x - way * 6, y + 7)])
        )
        p.setFont(self._font(True, 0.0))
        p.setPen(QColor(self._theme.text))
        self._text(p, x, y + 18, flow.text)


def _state_word(closed: bool | None) -> str:
    return {True: "closed", False: "open", None: "?"}[closed]
