"""The pane that shows the picture, with what is drawn over it, and takes the mouse."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QImage,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from nightview.window.session import Session
from nightview.window.steering import orbit, pan, zoom
from nightview.window.studio import Picture, Pixels

MOST = (1280, 720)
"""A picture is drawn no larger than this; a larger pane shows it enlarged."""
LEAST = (320, 180)
RATIO = 16 / 9
DEGREES_A_PANE = 180.0
HANDLE_PX = 8
BACK, INK, MARK, CHOSEN = (QColor(*rgb) for rgb in (
    (24, 25, 27), (225, 224, 218), (200, 198, 190), (120, 205, 225)))  # fmt: skip


class Pane(QWidget):
    """The picture. looked_at : the pointer is over a place of it (x, y in its pixels), or left it."""

    looked_at = Signal(object)
    picked = Signal()
    dragged = Signal()

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.image: QImage | None = None
        self.beside: QImage | None = None
        self.wipe, self.split = True, 0.5
        self.show_marks = True
        self.hot_spot: tuple[float, float, float] | None = None
        self._held: str | None = None
        self._from = QPointF()
        self._moved = False
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(QSize(320, 200))
        self.setAccessibleName("picture")
        self._resizing = QTimer(self, singleShot=True, interval=250)
        self._resizing.timeout.connect(self.fit)

    # --- pictures ---------------------------------------------------------------------------------

    def show_picture(self, picture: Picture) -> None:
        """Take a picture."""
        self.image = _image(picture.pixels)
        self.update()

    def show_sketch(self, pixels: Pixels) -> None:
        """Take a sketch, to stand until the picture settles."""
        self.image = _image(pixels)
        self.update()

    def show_beside(self, picture: Picture | None) -> None:
        """Take the picture of the other state, or drop it."""
        self.beside = None if picture is None else _image(picture.pixels)
        self.update()

    def fit(self) -> None:
        """Ask for a picture in the pane's own pixels."""
        ratio = self.devicePixelRatioF()
        wide = min(self.width() * ratio, self.height() * ratio * RATIO, MOST[0])
        width = max(LEAST[0], int(wide) // 16 * 16)
        self.session.see(size=(width, round(width / RATIO)))

    # --- places -----------------------------------------------------------------------------------

    def frame(self, second: bool = False) -> QRectF:
        """Where the picture, or the second of two side by side, stands in the pane."""
        width, height = float(self.width()), float(self.height())
        left = top = 0.0
        if self.beside is not None and not self.wipe:
            if width > height * RATIO:  # beside each other or one above the other: as is larger
                width /= 2
                left = width if second else 0.0
            else:
                height /= 2
                top = height if second else 0.0
        wide = min(width, height * RATIO)
        tall = wide / RATIO
        return QRectF(left + (width - wide) / 2, top + (height - tall) / 2, wide, tall)

    def to_picture(self, at: QPointF) -> tuple[float, float]:
        """A place of the pane in the picture's pixels."""
        frame = self.frame()
        if self.beside is not None and not self.wipe and self.frame(True).contains(at):
            frame = self.frame(True)
        wide, tall = self.session.shot.size
        return (
            (at.x() - frame.left()) / frame.width() * wide,
            (at.y() - frame.top()) / frame.height() * tall,
        )

    def from_picture(self, x: float, y: float, second: bool = False) -> QPointF:
        """A place of the picture in the pane."""
        frame = self.frame(second)
        wide, tall = self.session.shot.size
        return QPointF(
            frame.left() + x / wide * frame.width(), frame.top() + y / tall * frame.height()
        )

    @property
    def _reach(self) -> float:
        """So far from a handle, in the picture's pixels, it is still meant."""
        return 12.0 * self.session.shot.size[0] / max(self.frame().width(), 1.0)

    # --- drawing ----------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the picture and what is over it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.fillRect(self.rect(), BACK)
        frame = self.frame()
        if self.image is None:
            painter.setPen(INK)
            lamps = len(self.session.lamps)
            words = (
                f"The light of {lamps} lamps is being traced, once; changes are quick after that."
            )
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(self.rect().adjusted(20, 20, -20, -20), flags, words)
            return
        painter.drawImage(frame, self.image)
        if self.beside is not None:
            self._paint_beside(painter, frame)
        painter.setClipRect(frame)
        if self.show_marks:
            self._paint_marks(painter)
        painter.end()

    def _paint_beside(self, painter: QPainter, frame: QRectF) -> None:
        assert self.beside is not None
        if not self.wipe:
            painter.drawImage(self.frame(True), self.beside)
            self._paint_label(painter, frame, self.session.shot.state, left=True)
            self._paint_label(painter, self.frame(True), self.session.other or "", left=True)
            return
        at = frame.left() + self.split * frame.width()
        painter.save()
        painter.setClipRect(QRectF(at, frame.top(), frame.right() - at, frame.height()))
        painter.drawImage(frame, self.beside)
        painter.restore()
        painter.setPen(QPen(INK, 1.5))
        painter.drawLine(QPointF(at, frame.top()), QPointF(at, frame.bottom()))
        self._paint_label(painter, frame, self.session.shot.state, left=True)
        self._paint_label(painter, frame, self.session.other or "", left=False)

    def _paint_label(self, painter: QPainter, frame: QRectF, state: str, *, left: bool) -> None:
        text = self.session.label(state)
        metrics = painter.fontMetrics()
        box = QRectF(metrics.boundingRect(text)).adjusted(-6, -3, 6, 3)
        x = frame.left() + 8 if left else frame.right() - box.width() - 8
        box.moveTo(x, frame.top() + 8)
        painter.fillRect(box, QColor(16, 17, 19, 200))
        painter.setPen(INK)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def _paint_marks(self, painter: QPainter) -> None:
        session = self.session
        for marker in session.markers():
            at = self.from_picture(*marker.at)
            chosen = marker.lamp == session.selected
            colour = QColor(CHOSEN if chosen else MARK)
            colour.setAlpha(110 if marker.hidden and not chosen else 230)
            painter.setPen(QPen(colour, 2.0 if chosen else 1.2))
            painter.setBrush(colour if marker.on else Qt.BrushStyle.NoBrush)
            size = 5.0 if chosen else 3.5
            painter.drawEllipse(at, size, size)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            if chosen:
                painter.drawEllipse(at, 10.0, 10.0)
                spot = session.spot_px()
                if spot is not None:
                    end = self.from_picture(*spot)
                    painter.setPen(QPen(colour, 1.2, Qt.PenStyle.DashLine))
                    painter.drawLine(at, end)
                    painter.setPen(QPen(colour, 2.0))
                    painter.drawRect(QRectF(end.x() - 6, end.y() - 6, 12, 12))
                small = QFont(painter.font())
                painter.setFont(small)
                painter.drawText(at + QPointF(13, -6), marker.lamp)
        if self.hot_spot is not None:
            places, depth = session.shot.camera.project(np.array([self.hot_spot]))
            if depth[0] > 0.1:
                at = self.from_picture(float(places[0, 0]), float(places[0, 1]))
                painter.setPen(QPen(INK, 1.2))
                painter.drawLine(at + QPointF(-6, 0), at + QPointF(6, 0))
                painter.drawLine(at + QPointF(0, -6), at + QPointF(0, 6))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Have the picture drawn in the new size, once it rests."""
        self._resizing.start()

    # --- the mouse --------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Take a lamp, its spot, the wipe's edge, or the scene itself."""
        self._from, self._moved = event.position(), False
        x, y = self.to_picture(event.position())
        if event.button() in (Qt.MouseButton.RightButton, Qt.MouseButton.MiddleButton):
            self._held = "pan"
            return
        if event.button() != Qt.MouseButton.LeftButton:
            return
        if self.beside is not None and self.wipe and self._on_edge(event.position()):
            self._held = "edge"
        elif self.show_marks and (lamp := self.session.pick(x, y, self._reach)) is not None:
            self._held = "lamp"
            self.session.take(lamp)
            self.picked.emit()
        elif self.show_marks and self.session.on_spot(x, y, self._reach):
            self._held = "spot"
            self.session.take_spot()
        else:
            self._held = "orbit"
        self.update()

    def _on_edge(self, at: QPointF) -> bool:
        frame = self.frame()
        return abs(at.x() - (frame.left() + self.split * frame.width())) <= HANDLE_PX

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Lead what is held, or tell of what is below."""
        at = event.position()
        x, y = self.to_picture(at)
        step = at - self._from
        if self._held is None:
            wide, tall = self.session.shot.size
            inside = 0 <= x < wide and 0 <= y < tall
            self.looked_at.emit((x, y) if inside else None)
            edge = self.beside is not None and self.wipe and self._on_edge(at)
            self.setCursor(Qt.CursorShape.SplitHCursor if edge else Qt.CursorShape.ArrowCursor)
            return
        if not self._moved and abs(step.x()) + abs(step.y()) < 3:
            return
        self._moved = True
        if self._held == "edge":
            frame = self.frame()
            self.split = min(max((at.x() - frame.left()) / frame.width(), 0.0), 1.0)
        elif self._held in ("lamp", "spot"):
            upright = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
            self.session.drag(x, y, upright)
            self.dragged.emit()
        else:
            view, across = self.session.shot.view, max(self.frame().width(), 1.0)
            if self._held == "orbit":
                turn = DEGREES_A_PANE / across
                view = orbit(view, step.x() * turn, step.y() * turn)
            else:
                view = pan(view, -step.x() / across, step.y() / across)
            self.session.lead(view)
            self._from = at
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Let go; a press on nothing that did not move lets go of the lamp."""
        if self._held in ("lamp", "spot"):
            self.session.let_go()
            self.dragged.emit()
        elif self._held == "orbit" and not self._moved:
            self.session.select(None)
            self.picked.emit()
        self._held = None
        self.update()

    def leaveEvent(self, event: object) -> None:  # noqa: N802
        """Nothing is below the pointer."""
        self.looked_at.emit(None)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Go nearer or away."""
        self.session.lead(zoom(self.session.shot.view, event.angleDelta().y() / 120.0))
        self.update()


def _image(pixels: Pixels) -> QImage:
    """The pixels (h, w, 3) as an image of its own."""
    height, width = pixels.shape[:2]
    return QImage(
        pixels.tobytes(), width, height, 3 * width, QImage.Format.Format_RGB888
    ).copy()  # fmt: skip
