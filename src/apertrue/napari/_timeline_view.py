"""The timeline of the watch: offsets, the limit, and when it will be crossed. Draws; computes nothing."""

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from ..overlay.colors import BEAM, MOVE, PANEL, QUIET, TEXT, UNKNOWN
from ._watch_model import Timeline

_LEAST_PAST_H, _FUTURE_H = 0.5, 1.0


class TimelineView(QWidget):
    """Offset in % of the aperture radius over the hours."""

    def __init__(self) -> None:
        super().__init__()
        self.timeline = Timeline()
        em = self.fontMetrics().height()
        self.setMinimumHeight(9 * em)
        self.setAccessibleName("Timeline of the offset with its forecast")

    def show_timeline(self, timeline: Timeline) -> None:
        """Draw this one."""
        self.timeline = timeline
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(PANEL))
        em = self.fontMetrics().height()
        area = QRectF(2.6 * em, 1.6 * em, self.width() - 3.4 * em, self.height() - 3.3 * em)
        t = self.timeline
        past = max([_LEAST_PAST_H, *(h for h, *_ in t.points)])
        future = max([_FUTURE_H, *(h * 1.1 for h in (t.check_h, t.crossing_h[1]) if h is not None and h < 12)])
        top = 1.15 * max([1.6 * t.limit, *(v + (s or 0.0) for _, v, s in t.points)])

        def at(hours: float, percent: float) -> QPointF:
            x = area.left() + (hours + past) / (past + future) * area.width()
            return QPointF(x, area.bottom() - percent / top * area.height())

        painter.setPen(QColor(QUIET))
        painter.drawText(QPointF(4, 1.1 * em), "offset, %")
        painter.drawText(QPointF(4, at(0, t.limit).y() + 0.35 * em), f"{t.limit:g}")
        painter.drawText(QPointF(4, area.bottom()), "0")
        painter.drawLine(area.bottomLeft(), area.bottomRight())
        # "now" always; the ends only where they do not run into it.
        metrics, base, now = self.fontMetrics(), area.bottom() + 1.3 * em, at(0, 0).x()
        half = metrics.horizontalAdvance("now") / 2
        painter.drawText(QPointF(now - half, base), "now")
        for text, right in ((f"−{past:.1f} h", False), (f"+{future:.1f} h", True)):
            wide = metrics.horizontalAdvance(text)
            left = self.width() - 4 - wide if right else area.left() - wide / 3
            if left > now + half + 4 if right else left + wide < now - half - 4:
                painter.drawText(QPointF(left, base), text)
        if top > 2.2 * t.limit:
            painter.drawText(QPointF(4, at(0, 0.9 * top).y()), f"{0.9 * top:.0f}")
        painter.setPen(QPen(QColor(QUIET), 1, Qt.PenStyle.DotLine))
        painter.drawLine(at(0, 0), at(0, top))
        if not t.points:
            # Above the limit's line: nothing runs through the words.
            free = QRectF(area.left(), area.top(), area.width(), at(0, t.limit).y() - area.top())
            painter.setPen(QColor(QUIET))
            painter.fillRect(free.adjusted(0, 1, 0, -2), QColor(PANEL))
            painter.drawText(free, int(Qt.AlignmentFlag.AlignCenter), "No picture with an offset yet")
        painter.setPen(QPen(QColor(UNKNOWN), 1.5, Qt.PenStyle.DashLine))
        painter.drawLine(at(-past, t.limit), at(future, t.limit))
        early, median = t.crossing_h
        if early is not None and median is not None and early < future:
            begin, end = at(max(early, 0.0), t.limit), at(min(max(median, 0.0), future), t.limit)
            painter.setPen(QPen(QColor(MOVE), 5))
            painter.drawLine(begin, end)
        if t.check_h is not None and t.check_h < future:
            painter.setPen(QPen(QColor(TEXT), 1.5))
            due = at(max(t.check_h, 0.0), 0.0)
            painter.drawLine(due, QPointF(due.x(), area.bottom() - 0.9 * em))
        painter.setPen(QPen(QColor(BEAM), 2))
        painter.setBrush(QColor(BEAM))
        for hours, percent, sigma in t.points:
            place = at(-hours, percent)
            if sigma:
                painter.drawLine(at(-hours, max(percent - sigma, 0.0)), at(-hours, percent + sigma))
            painter.drawEllipse(place, 2.5, 2.5)
        painter.end()
