"""The window in which points of the model are marked on a photo.

A list of points, those worth most first; the photo with a loupe; what the camera comes to, after
every mark. All that is known without Qt is in ``nightview.photo.marking``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PySide6.QtCore import QLineF, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QAction,
    QCloseEvent,
    QColor,
    QImage,
    QKeyEvent,
    QKeySequence,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
)
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QMainWindow,
    QMessageBox,
    QSizePolicy,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from nightview.errors import NightviewError
from nightview.photo.image import PhotoImage, read_photo
from nightview.photo.marking import Judged, Pixel, judged, typed
from nightview.scene.faults import label
from nightview.scene.photo_model import Photo
from nightview.scene.write_marks import marked, unmarked
from nightview.site.build import build
from nightview.window.document import Document

LOUPE_PX, LARGER = 190, 6.0
NEAR_PX = 9.0
"""A press so near to a mark takes hold of it."""
NUDGE_PX, FAR_NUDGE_PX = 1.0, 10.0
BACK, LINE, HIDDEN, MARK, CHOSEN, SHADE = (
    QColor(*rgba)
    for rgba in ((24, 25, 27), (255, 214, 64), (255, 214, 64, 70), (64, 230, 255), (255, 80, 200),
                 (0, 0, 0, 150))
)  # fmt: skip
STYLE = """
QWidget { background: #202225; color: #e1e0da; }
QListWidget, QLineEdit { background: #18191b; border: 1px solid #3c3f43; }
QListWidget::item:selected { background: #3a4a50; color: #ffffff; }
QLineEdit:focus, QListWidget:focus { border-color: #78cde1; }
QLabel#good { color: #9fd8a8; }
QLabel#bad { color: #f0c674; }
"""
HELP = (
    "Click the point on the photo; hold the button to place it under the loupe. Arrows: 1 px, with Shift 10. "
    "Delete: take the mark away. W: lines on or off. Ctrl+Z, Ctrl+Y, Ctrl+S."
)


class PhotoPane(QWidget):
    """The photo with marks and wireframe; tells where it is pressed.

    placed : a pixel of the file was chosen for the selected point. taken : the mark of that name
    was taken hold of.
    """

    placed = Signal(float, float)
    taken = Signal(str)

    def __init__(self, image: PhotoImage) -> None:
        super().__init__()
        self.photo = image
        codes = np.rint(255 * np.clip(image.srgb, 0.0, 1.0)).astype(np.uint8)
        self._codes = np.ascontiguousarray(codes)  # kept: the QImage does not copy them
        height, width = codes.shape[:2]
        self.image = QImage(self._codes.data, width, height, 3 * width, QImage.Format.Format_RGB888)
        # The loupe looks at the file itself, which may be finer than what is worked with.
        self._fine = self._codes if image.fine is None else np.ascontiguousarray(image.fine)
        height, width = self._fine.shape[:2]
        self.fine = QImage(self._fine.data, width, height, 3 * width, QImage.Format.Format_RGB888)
        self.found: Judged | None = None
        self.selected = ""
        self.lines = True
        self._held: QPointF | None = None
        self._over: QPointF | None = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(QSize(320, 220))
        self.setAccessibleName("photo")

    # --- places -----------------------------------------------------------------------------------

    def frame(self) -> QRectF:
        """Where the photo stands in the pane."""
        wide, tall = self.image.width(), self.image.height()
        share = min(self.width() / wide, self.height() / tall)
        size = wide * share, tall * share
        return QRectF((self.width() - size[0]) / 2, (self.height() - size[1]) / 2, *size)

    def to_file(self, at: QPointF) -> Pixel:
        """A place of the pane in the file's pixels, held within the picture."""
        frame, (wide, tall) = self.frame(), self.photo.size
        x = (at.x() - frame.left()) / frame.width() * wide
        y = (at.y() - frame.top()) / frame.height() * tall
        scale = self.photo.scale
        return min(max(x, 0.0), wide) / scale, min(max(y, 0.0), tall) / scale

    def from_file(self, pixel: Pixel) -> QPointF:
        """A pixel of the file in the pane."""
        return self._from_image(pixel[0] * self.photo.scale, pixel[1] * self.photo.scale)

    def _from_image(self, x: float, y: float) -> QPointF:
        frame, (wide, tall) = self.frame(), self.photo.size
        return QPointF(
            frame.left() + x / wide * frame.width(), frame.top() + y / tall * frame.height()
        )

    # --- the mouse --------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Take hold of a mark, or begin to place the selected point."""
        if event.button() != Qt.MouseButton.LeftButton or not self.frame().contains(
            event.position()
        ):
            return
        for row in self.found.rows if self.found else ():
            if row.pixel is not None:
                apart = QLineF(self.from_file(row.pixel), event.position()).length()
                if apart <= NEAR_PX and row.name != self.selected:
                    self.taken.emit(row.name)
                    break
        self._held = event.position()
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """The loupe follows."""
        self._over = event.position()
        if self._held is not None:
            self._held = event.position()
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """The point is there."""
        if event.button() == Qt.MouseButton.LeftButton and self._held is not None:
            self._held = None
            self.placed.emit(*self.to_file(event.position()))

    def leaveEvent(self, event: object) -> None:  # noqa: N802
        """No loupe without a pointer."""
        self._over = None
        self.update()

    # --- drawing ----------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Photo, lines, marks, loupe."""
        painter = QPainter(self)
        painter.setRenderHints(
            QPainter.RenderHint.Antialiasing | QPainter.RenderHint.SmoothPixmapTransform
        )
        painter.fillRect(self.rect(), BACK)
        painter.drawImage(self.frame(), self.image)
        painter.setClipRect(self.frame())
        if self.found is not None:
            if self.lines:
                self._draw_lines(painter, self.found)
            self._draw_marks(painter, self.found)
        painter.setClipping(False)
        if self._over is not None and self.frame().contains(self._over):
            self._draw_loupe(painter, self._over)
        painter.end()

    def _draw_lines(self, painter: QPainter, found: Judged) -> None:
        for shown, colour, width in ((False, HIDDEN, 1.0), (True, LINE, 1.2)):
            painter.setPen(QPen(colour, width))
            ends = found.segments[found.seen == shown]
            painter.drawLines([QLineF(self._from_image(*a), self._from_image(*b)) for a, b in ends])

    def _draw_marks(self, painter: QPainter, found: Judged) -> None:
        for row in found.rows:
            chosen = row.name == self.selected
            if row.pixel is not None:
                self._cross(painter, self.from_file(row.pixel), CHOSEN if chosen else MARK)
            elif chosen and row.shown is not None:  # where it is to be expected
                painter.setPen(QPen(CHOSEN, 1.5, Qt.PenStyle.DashLine))
                painter.drawEllipse(self.from_file(row.shown), 12.0, 12.0)

    def _cross(self, painter: QPainter, at: QPointF, colour: QColor, size: float = 8.0) -> None:
        for pen in (QPen(SHADE, 4.0), QPen(colour, 1.6)):
            painter.setPen(pen)
            painter.drawLine(at - QPointF(size, 0), at + QPointF(size, 0))
            painter.drawLine(at - QPointF(0, size), at + QPointF(0, size))

    def loupe_frame(self, over: QPointF) -> QRectF:
        """Where the loupe stands: in an upper corner, away from the pointer."""
        left = over.x() > self.width() / 2
        x = 8.0 if left else self.width() - LOUPE_PX - 8.0
        return QRectF(x, 8.0, LOUPE_PX, LOUPE_PX)

    def _draw_loupe(self, painter: QPainter, over: QPointF) -> None:
        x, y = self.to_file(over)
        half = LOUPE_PX / LARGER / 2
        target = self.loupe_frame(over)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, False)
        painter.fillRect(target, BACK)
        painter.drawImage(target, self.fine, QRectF(x - half, y - half, 2 * half, 2 * half))
        painter.setPen(QPen(CHOSEN, 1.0))
        middle = target.center()
        painter.drawLine(QLineF(target.left(), middle.y(), target.right(), middle.y()))
        painter.drawLine(QLineF(middle.x(), target.top(), middle.x(), target.bottom()))
        painter.setPen(QPen(MARK, 1.0))
        corners = [target.topLeft(), target.topRight(), target.bottomRight(), target.bottomLeft()]
        painter.drawPolygon(QPolygonF(corners))


class Marker(QMainWindow):
    """One photo of a scene, being marked."""

    def __init__(self, path: Path, photo: str) -> None:
        """Errors: as ``Document``, ``read_photo`` and ``build``; the photo is one of the scene's."""
        super().__init__()
        self.document = Document(path)
        self.name = photo
        self.site = build(self.document.scene)
        file = self.document.scene.folder / self.photo.file
        self.image = read_photo(file, f"{label('photo', photo)}: file", fine=True)
        self.selected = ""
        self.found: Judged
        self.pane = PhotoPane(self.image)
        self.list = QListWidget()
        self.list.setAccessibleName("points")
        self.filter = QLineEdit(placeholderText="find a point")
        self.pixel = QLineEdit(placeholderText="pixel, as 812, 455")
        self.told = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.what = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self._lay_out()
        self._connect()
        self.setStyleSheet(STYLE)
        self.resize(1400, 820)
        self.refresh(choose=True)
        self.pane.setFocus()

    @property
    def photo(self) -> Photo:
        """The photo as the scene has it now."""
        return next(one for one in self.document.scene.photos if one.name == self.name)

    def _lay_out(self) -> None:
        side = QWidget()
        column = QVBoxLayout(side)
        for widget in (self.filter, self.list, self.what, self.pixel):
            column.addWidget(widget)
        column.setStretchFactor(self.list, 1)
        main = QWidget()
        rows = QVBoxLayout(main)
        rows.addWidget(self.pane, 1)
        strip = QHBoxLayout()
        strip.addWidget(self.told, 1)
        rows.addLayout(strip)
        rows.addWidget(QLabel(HELP, wordWrap=True))
        splitter = QSplitter()
        splitter.addWidget(side)
        splitter.addWidget(main)
        splitter.setSizes([380, 1020])
        splitter.setStretchFactor(1, 1)
        self.setCentralWidget(splitter)

    def _connect(self) -> None:
        self.pane.placed.connect(self.place)
        self.pane.taken.connect(self.select)
        self.list.currentItemChanged.connect(self._chosen)
        self.filter.textChanged.connect(lambda _: self._fill())
        self.pixel.returnPressed.connect(self._typed)
        for words, keys, deed in (
            ("Undo", QKeySequence.StandardKey.Undo, self.undo),
            ("Redo", QKeySequence("Ctrl+Y"), self.redo),
            ("Save", QKeySequence.StandardKey.Save, self.save),
        ):
            action = QAction(words, self)
            action.setShortcut(keys)
            action.triggered.connect(deed)
            self.addAction(action)

    # --- what is done -----------------------------------------------------------------------------

    def select(self, name: str) -> None:
        """Take a point in hand."""
        self.selected = self.pane.selected = name
        row = self.found.row(name)
        self.what.setText("" if row is None else row.what)
        at = None if row is None else row.pixel
        self.pixel.setText("" if at is None else f"{at[0]:g}, {at[1]:g}")
        for number in range(self.list.count()):
            item = self.list.item(number)
            if item.data(Qt.ItemDataRole.UserRole) == name:
                self.list.blockSignals(True)
                self.list.setCurrentItem(item)
                self.list.blockSignals(False)
        self.pane.update()

    def place(self, x: float, y: float) -> None:
        """Mark the selected point at a pixel of the file; a new one is followed by the next worth most."""
        if not self.selected:
            return
        row = self.found.row(self.selected)
        new = row is None or row.pixel is None
        name = self.selected
        self._change(lambda text: marked(text, self.name, name, (x, y)), f"mark {name}", choose=new)

    def remove(self) -> None:
        """Take the selected point's mark away."""
        name = self.selected
        self._change(lambda text: unmarked(text, self.name, name), f"no mark {name}", choose=False)

    def undo(self) -> None:
        """One step back."""
        self.document.undo()
        self.refresh()

    def redo(self) -> None:
        """One step forth again."""
        self.document.redo()
        self.refresh()

    def save(self) -> bool:
        """Write the marks into the scene file; whether that went well."""
        try:
            self.document.save()
        except NightviewError as error:
            self._tell(str(error), False)
            return False
        self._title()
        return True

    def _change(self, change, said: str, choose: bool) -> None:  # type: ignore[no-untyped-def]
        try:
            self.document.change(change, said)
        except NightviewError as error:  # two marks on one pixel, say: all stays as it was
            self._tell(str(error), False)
            return
        self.refresh(choose)

    def _typed(self) -> None:
        try:
            self.place(*typed(self.pixel.text(), self.image))
        except NightviewError as error:
            self._tell(str(error), False)

    # --- what is shown ----------------------------------------------------------------------------

    def refresh(self, choose: bool = False) -> None:
        """Judge the marks anew and show it. choose : go on to the point worth marking next."""
        self.found = self.pane.found = judged(self.site, self.photo, self.image)
        self._tell(self.found.told, self.found.good)
        self._title()
        self._fill()
        self.select(self.found.following if choose or not self.selected else self.selected)

    def _fill(self) -> None:
        self.list.blockSignals(True)
        self.list.clear()
        wanted = self.filter.text().lower().split()
        for row in self.found.rows:
            if all(word in row.name.lower() for word in wanted):
                item = QListWidgetItem(_line(row.name, row.order, row.pixel, row.off_px))
                item.setData(Qt.ItemDataRole.UserRole, row.name)
                item.setToolTip(row.what)
                self.list.addItem(item)
        self.list.blockSignals(False)

    def _chosen(self, item: QListWidgetItem | None, _: object = None) -> None:
        if item is not None:
            self.select(item.data(Qt.ItemDataRole.UserRole))

    def _tell(self, words: str, good: bool) -> None:
        self.told.setObjectName("good" if good else "bad")
        self.told.setStyleSheet("")  # the style by name is looked up anew
        self.told.style().polish(self.told)
        self.told.setText(words)

    def _title(self) -> None:
        changed = " – not saved" if self.document.is_changed else ""
        self.setWindowTitle(f"{self.name} – {self.document.path.name}{changed}")

    # --- keys and the end -------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Nudge, take away, hide the lines."""
        steps = {
            Qt.Key.Key_Left: (-1, 0), Qt.Key.Key_Right: (1, 0),
            Qt.Key.Key_Up: (0, -1), Qt.Key.Key_Down: (0, 1),
        }  # fmt: skip
        key = Qt.Key(event.key())
        row = self.found.row(self.selected)
        if key in steps and row is not None and row.pixel is not None:
            far = event.modifiers() & Qt.KeyboardModifier.ShiftModifier
            by = FAR_NUDGE_PX if far else NUDGE_PX
            x, y = (at + by * step for at, step in zip(row.pixel, steps[key], strict=True))
            wide, tall = (side / self.image.scale for side in self.image.size)
            self.place(min(max(x, 0.0), wide), min(max(y, 0.0), tall))
        elif key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace) and row is not None:
            self.remove()
        elif key == Qt.Key.Key_W:
            self.pane.lines = not self.pane.lines
            self.pane.update()
        else:
            super().keyPressEvent(event)

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Ask before marks are lost."""
        if self.document.is_changed:
            buttons = QMessageBox.StandardButton
            asked = QMessageBox(self)
            asked.setText("The marks are not saved.")
            asked.setStandardButtons(buttons.Save | buttons.Discard | buttons.Cancel)
            answer = asked.exec()
            if answer == buttons.Cancel or (answer == buttons.Save and not self.save()):
                event.ignore()
                return
        event.accept()


def _line(name: str, order: int | None, pixel: Pixel | None, off_px: float | None) -> str:
    """A point's line in the list."""
    if pixel is not None:
        return f"✓ {name}" + ("" if off_px is None else f"   {off_px:.1f} px off")
    return f"{order}. {name}" if order is not None else f"    {name}"


def run(path: Path, photo: str) -> int:
    """Open the window and stay until it is closed; the exit status."""
    app = QApplication.instance() or QApplication([])
    window = Marker(path, photo)
    window.show()
    return int(app.exec())
