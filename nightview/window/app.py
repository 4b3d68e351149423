"""The window itself."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, QRect, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QAction, QActionGroup, QCloseEvent, QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QListWidgetItem,
    QMainWindow,
    QPushButton,
    QScrollArea,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from nightview.errors import NightviewError, SceneFaultsError
from nightview.picture.looks import LOOKS
from nightview.scene.model import View
from nightview.window import edits
from nightview.window.keys import DEEDS, help_text
from nightview.window.pane import Pane
from nightview.window.panel import COOLEST_K, STEP_K, WARMEST_K, Panel
from nightview.window.session import Session
from nightview.window.steering import orbit, pan, walk, zoom

POLL_MS, KEEP_MS = 500, 2000
SAID_MS = 6000
COLUMN_CHARS = 60
"""So wide is a column of the help."""
WIDE, TALL = 1620, 860
FRAME = QSize(8, 36)
"""Room left for the frame that the desktop puts round a window."""
STEP_M, AIM_STEP_M, WALK_M, TURN_DEG = 0.05, 0.1, 0.5, 5.0
ARROWS = ("Left", "Right", "Up", "Down")
STYLE = """
QWidget { background: #202225; color: #e1e0da; }
QMenuBar::item:selected, QMenu::item:selected { background: #3a4a50; }
QGroupBox { border: 1px solid #3c3f43; margin-top: 1.2em; padding-top: 0.3em; }
QGroupBox::title { subcontrol-origin: margin; left: 6px; }
QListWidget, QComboBox, QSpinBox { background: #18191b; border: 1px solid #3c3f43; }
QListWidget::item:selected { background: #3a4a50; color: #ffffff; }
QPushButton { background: #33373b; border: 1px solid #4a4e53; padding: 3px 10px; }
QPushButton:focus, QComboBox:focus, QSpinBox:focus, QListWidget:focus { border-color: #78cde1; }
QWidget:disabled { color: #74746f; }
QFrame#bar { background: #4a3b1c; }
QFrame#bar QLabel { background: transparent; }
QStatusBar QLabel { padding: 0 8px; }
"""


class _Post(QObject):
    """Carries what the session's threads tell into the window's own."""

    told = Signal(str, object)


class Bar(QFrame):
    """A line above the picture that says what is the matter, with what can be done."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("bar")
        self.words = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.buttons: list[QPushButton] = []
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(10, 4, 10, 4)
        self._row.addWidget(self.words, 1)
        self.hide()

    def tell(self, words: str, *choices: tuple[str, Callable[[], None]]) -> None:
        """Say it; a choice is its words and what it does."""
        self.clear()
        self.words.setText(words)
        for text, deed in choices:
            button = QPushButton(text)
            button.clicked.connect(partial(self._choose, deed))
            self._row.addWidget(button)
            self.buttons.append(button)
        self.show()

    def _choose(self, deed: Callable[[], None], _: bool = False) -> None:
        self.clear()
        deed()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Enter chooses as Space does."""
        chosen = next((button for button in self.buttons if button.hasFocus()), None)
        if chosen is not None and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            chosen.click()
        else:
            super().keyPressEvent(event)

    def clear(self) -> None:
        """Nothing is the matter."""
        for button in self.buttons:
            self._row.removeWidget(button)
            button.deleteLater()
        self.buttons.clear()
        self.hide()


class Window(QMainWindow):
    """One scene in its window."""

    def __init__(self, path: Path) -> None:
        """Errors: as ``Session``."""
        super().__init__()
        self._post = _Post()
        self._post.told.connect(self._told)
        self.session = Session(path, self._post.told.emit)
        self.pane, self.panel, self.bar = Pane(self.session), Panel(self.session), Bar()
        self._pointer: tuple[float, float] | None = None
        self._ended = False
        self._lay_out()
        self.pane.looked_at.connect(self._looked_at)
        self.pane.picked.connect(self._refresh)
        self.pane.dragged.connect(self._refresh)
        self.panel.chosen.connect(self._refresh)
        self.panel.entered.connect(self.pane.setFocus)
        self.panel.findings.itemClicked.connect(self._finding_chosen)
        self._fill_menus()
        for interval, deed in ((POLL_MS, self._poll), (KEEP_MS, self._keep)):
            timer = QTimer(self, interval=interval)
            timer.timeout.connect(deed)
            timer.start()
        if self.session.offered:
            self.bar.tell(
                "There is work on this scene that was not saved last time.",
                ("Go on with it", partial(self._answer, True)),
                ("Throw it away", partial(self._answer, False)),
            )
        self._refresh()
        self.pane.setFocus()

    def _lay_out(self) -> None:
        side = QScrollArea(widgetResizable=True)
        side.setWidget(self.panel)
        side.setFrameShape(QFrame.Shape.NoFrame)
        main = QWidget()
        column = QVBoxLayout(main)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.bar)
        column.addWidget(self.pane, 1)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(main)
        split.addWidget(side)
        split.setStretchFactor(0, 1)
        split.setCollapsible(0, False)
        side.setMinimumWidth(
            self.panel.minimumSizeHint().width() + side.verticalScrollBar().sizeHint().width()
        )
        self.setCentralWidget(split)
        self.under, self.seen, self.exposed = QLabel(), QLabel(), QLabel()
        for line in (self.under, self.seen, self.exposed):
            line.setMinimumWidth(1)  # a long line must not widen the window
        self.statusBar().addWidget(self.under, 1)
        self.statusBar().addPermanentWidget(self.seen)
        self.statusBar().addPermanentWidget(self.exposed)
        self.keys_text = QLabel(textFormat=Qt.TextFormat.RichText)
        self.keys_text.setContentsMargins(12, 12, 12, 12)
        self.keys = QScrollArea(self, widgetResizable=True)
        self.keys.setWidget(self.keys_text)
        self.keys.hide()
        self.setStyleSheet(STYLE)

    def fit_screen(self) -> None:
        """Take the size that shows the picture in its own pixels, or what the screen has room for."""
        self.fit_into(self.screen().availableGeometry())

    def fit_into(self, room: QRect) -> None:
        """The same in that part of a screen."""
        self.resize(
            min(WIDE, room.width() - FRAME.width()), min(TALL, room.height() - FRAME.height())
        )
        self.move(room.topLeft())

    # --- menus and keys ---------------------------------------------------------------------------

    def _fill_menus(self) -> None:
        menus = {
            name: self.menuBar().addMenu(name)
            for name in ("Scene", "Change", "View", "State", "Look", "Lamp", "Help")
        }
        self.deeds: dict[str, QAction] = {}
        for deed in DEEDS:
            action = QAction(deed.words, self)
            action.setShortcuts([QKeySequence(key) for key in deed.keys])
            action.triggered.connect(lambda _=False, name=deed.name: self.do(name))
            if deed.keys[0].removeprefix("Shift+") in ARROWS:  # lists and sliders need them too
                action.setShortcutContext(Qt.ShortcutContext.WidgetShortcut)
                self.pane.addAction(action)
            else:
                self.addAction(action)
            if deed.menu:
                menus[deed.menu].addAction(action)
            self.deeds[deed.name] = action
        self._view_menu, self._state_menu = menus["View"], menus["State"]
        self._listed: list[QAction] = []
        self._list_views()

    def _list_views(self) -> None:
        for action in self._listed:
            self.removeAction(action)
            action.deleteLater()
        self._listed = []
        for number, view in enumerate(self.session.views):
            action = QAction(view.name, self)
            if number < 9:
                action.setShortcut(QKeySequence(str(number + 1)))
            action.triggered.connect(lambda _=False, view=view: self._see(view=view))
            self._view_menu.insertAction(self.deeds["home"], action)
            self.addAction(action)
            self._listed.append(action)
        group = QActionGroup(self)
        for state in self.session.states:
            action = QAction(self.session.label(state), self, checkable=True)
            action.setData(state)
            action.triggered.connect(lambda _=False, state=state: self._see(state=state))
            group.addAction(action)
            self._state_menu.insertAction(self.deeds["next_state"], action)
            self._listed.append(action)
        self._names = [view.name for view in self.session.views], self.session.states

    def do(self, name: str) -> None:
        """Do one of ``DEEDS``."""
        try:
            getattr(self, f"do_{name}")()
        except NightviewError as error:
            self._trouble(error)
        self._refresh()

    # --- what the session tells -------------------------------------------------------------------

    def _told(self, what: str, content: Any) -> None:
        if self._ended:
            return
        if what == "picture":
            self.pane.show_picture(content)
            self._show_exposure()
            self._show_under()
        elif what == "other":
            if self.session.other == content.shot.state:
                self.pane.show_beside(content)
        elif what == "sketch":
            self.pane.show_sketch(content)
        elif what == "findings":
            self.panel.show_findings(content)
            self.pane.hot_spot = content.hot_spot.at if content.hot_spot else None
            self.pane.update()
        elif what == "trouble":
            self._trouble(content)

    def _trouble(self, error: NightviewError) -> None:
        self.say(str(error).replace("\n", "; "))

    def say(self, words: str) -> None:
        """Say something for a while at the foot of the window."""
        self.statusBar().showMessage(words, SAID_MS)

    def _refresh(self) -> None:
        session, document = self.session, self.session.document
        self.panel.refresh()
        if self._names != ([view.name for view in session.views], session.states):
            self._list_views()
        for action in self._listed:
            if action.isCheckable():
                action.setChecked(action.data() == session.shot.state)
        self.deeds["undo"].setText(f"Undo {document.undoes}" if document.undoes else "Undo")
        self.deeds["redo"].setText(f"Redo {document.redoes}" if document.redoes else "Redo")
        self.deeds["undo"].setEnabled(bool(document.undoes))
        self.deeds["redo"].setEnabled(bool(document.redoes))
        star = " (not saved)" if document.is_changed else ""
        self.setWindowTitle(f"{session.scene.title} – {document.path.name}{star} – nightview")
        shot = session.shot
        look = "daylight, not calculated" if shot.day else shot.shown_as.label
        self.seen.setText(f"{shot.view.name} · {session.label(shot.state)} · {look}")
        if session.other is None:
            self.pane.show_beside(None)
        self._show_exposure()
        self.pane.update()

    def _show_exposure(self) -> None:
        ev100, locked = self.session.exposure
        if ev100 is None:
            self.exposed.setText("")
        else:
            words = "locked in the file" if locked else "follows the design"
            self.exposed.setText(f"EV {ev100:.1f}, {words}")

    def _looked_at(self, at: tuple[float, float] | None) -> None:
        self._pointer = at
        self._show_under()

    def _show_under(self) -> None:
        found = self.session.under(*self._pointer) if self._pointer else None
        if found is None:
            self.under.setText("")
            return
        lux = "no surface to measure" if found.lux is None else f"{_figure(found.lux)} lx"
        self.under.setText(f"{found.name}: {lux}, {_figure(found.cd_m2)} cd/m²")

    def _poll(self) -> None:
        document = self.session.document
        found = self.session.poll()
        if found == "reloaded":
            self.bar.clear()
            self.say(f"{document.path.name} was changed on disk and is taken up")
            self._refresh()
        elif found == "both changed" and not self.bar.isVisible():
            self.bar.tell(
                f"{document.path.name} was changed on disk, and here as well.",
                ("Take the file", self.do_reload),
                ("Keep what is here", self._keep_mine),
            )
        elif found == "wrong":
            self._show_fault()

    def _show_fault(self) -> None:
        fault = self.session.document.fault
        if fault is not None:
            first = str(fault.faults[0] if isinstance(fault, SceneFaultsError) else fault)
            more = len(fault.faults) - 1 if isinstance(fault, SceneFaultsError) else 0
            tail = f" (and {more} more)" if more else ""
            self.bar.tell(
                f"The file on disk cannot be shown. {first}{tail}. The last good one stays."
            )

    def _keep_mine(self) -> None:
        try:
            self.session.document.keep_mine()
        except NightviewError as error:
            self._trouble(error)
        self._refresh()

    def _keep(self) -> None:
        try:
            self.session.keep()
        except NightviewError as error:
            self._trouble(error)

    def _answer(self, take: bool) -> None:
        self.session.answer_offer(take)
        self._refresh()

    def _finding_chosen(self, item: QListWidgetItem) -> None:
        """Choose the lamp that a finding blames first."""
        lamps = item.data(Qt.ItemDataRole.UserRole) or ()
        known = {lamp.id for lamp in self.session.lamps}
        self.session.select(next((lamp for lamp in lamps if lamp in known), None))
        self._refresh()

    # --- deeds: the scene -------------------------------------------------------------------------

    def do_save(self) -> None:
        """Save the scene."""
        self.session.document.save()
        self.bar.clear()
        self.say(f"saved {self.session.document.path.name}")

    def do_save_as(self) -> None:
        """Save the scene under another name."""
        path, _ = QFileDialog.getSaveFileName(
            self, "Save as", str(self.session.document.path), "Scenes (*.toml)"
        )
        if path:
            self.session.document.save(Path(path))
            self.say(f"saved {path}")

    def do_reload(self) -> None:
        """Take up the file as it is on disk."""
        self.bar.clear()
        found = self.session.reload()
        if found == "wrong":
            self._show_fault()
        self._refresh()

    def do_picture(self) -> None:
        """Write what is on screen."""
        path = self.session.still_path()
        self.session.write_still(path)
        self.say(f"wrote {path}")

    def do_close(self) -> None:
        """Close the window."""
        self.close()

    def do_undo(self) -> None:
        """Undo."""
        said = self.session.undo()
        self.say(f"undone: {said}" if said else "nothing to undo")

    def do_redo(self) -> None:
        """Redo."""
        said = self.session.redo()
        self.say(f"done again: {said}" if said else "nothing to redo")

    # --- deeds: lamps -----------------------------------------------------------------------------

    def _step_lamp(self, step: int) -> None:
        ids = [lamp.id for lamp in self.session.lamps]
        if ids:
            now = self.session.selected
            number = ids.index(now) + step if now in ids else (0 if step > 0 else -1)
            self.session.select(ids[number % len(ids)])

    def do_next_lamp(self) -> None:
        """Choose the next lamp."""
        self._step_lamp(1)

    def do_last_lamp(self) -> None:
        """Choose the lamp before."""
        self._step_lamp(-1)

    def do_no_lamp(self) -> None:
        """Choose no lamp; close the help."""
        if self.keys.isVisible():
            self.do_help()
        else:
            self.session.select(None)

    def _chosen(self) -> str:
        if self.session.selected is None:
            raise NightviewError("lamp", "none is chosen", "click one, or press Page Down")
        return self.session.selected

    def do_switch(self) -> None:
        """Switch the lamp."""
        on, _, _ = self.session.now()[self._chosen()]
        self.session.set_shown("on", not on)

    def _dim(self, step: float) -> None:
        _, dim, _ = self.session.now()[self._chosen()]
        self.session.set_shown("dim", min(1.0, max(0.0, round(dim + step, 3))), "dim")

    def do_brighter(self) -> None:
        """Dim it less."""
        self._dim(0.05)

    def do_dimmer(self) -> None:
        """Dim it more."""
        self._dim(-0.05)

    def _colour(self, step_k: float) -> None:
        _, _, cct_k = self.session.now()[self._chosen()]
        self.session.set_shown("cct", min(COOLEST_K, max(WARMEST_K, cct_k + step_k)), "colour")

    def do_warmer(self) -> None:
        """Make its light warmer."""
        self._colour(-STEP_K)

    def do_cooler(self) -> None:
        """Make its light cooler."""
        self._colour(STEP_K)

    def do_wider(self) -> None:
        """Put in a wider beam."""
        self._chosen()
        self.session.other_beam(True)

    def do_narrower(self) -> None:
        """Put in a narrower beam."""
        self._chosen()
        self.session.other_beam(False)

    def do_name_lamp(self) -> None:
        """Go to the list of lamps that may be put in."""
        self._chosen()
        self.panel.lamp.setFocus()
        self.panel.lamp.showPopup()

    def do_add(self) -> None:
        """Add a lamp at the pointer, or in the middle of the picture."""
        wide, tall = self.session.shot.size
        self.session.add(*(self._pointer or (wide / 2, tall * 0.75)))

    def do_duplicate(self) -> None:
        """Duplicate the lamp."""
        self._chosen()
        self.session.duplicate()

    def do_mirror(self) -> None:
        """Mirror the lamp."""
        self._chosen()
        axis = self.session.mirror()
        if axis:
            self.say(f"mirrored about the middle of {axis}")

    def do_delete(self) -> None:
        """Delete the lamp, with its row; asks where it is on a cable."""
        fixture = edits.fixture_of(self.session.scene, self._chosen())
        cables = self.session.cables
        if not cables:
            self._delete()
            return
        named = " and ".join(f'"{name}"' for name in cables)
        many = "cables" if len(cables) > 1 else "cable"
        self.bar.tell(
            f'"{fixture.id}" is on the {many} {named}.',
            (f"Delete it, and take it off the {many}", self._delete),
            ("Keep it", self.pane.setFocus),
        )
        self.bar.buttons[0].setFocus()

    def _delete(self) -> None:
        row = len(edits.fixture_of(self.session.scene, self._chosen()).lamp_ids)
        self.session.delete()
        if self.session.selected is None:
            what = f"the row of {row} lamps" if row > 1 else "the lamp"
            self.say(f"{what} is deleted; Ctrl+Z brings it back")
        self._refresh()
        self.pane.setFocus()

    def do_row(self) -> None:
        """The whole row, or the lamp alone."""
        self._chosen()
        self.session.whole_row = not self.session.whole_row
        self.say("changes go to the whole row" if self.session.whole_row else
                 "in a state, changes go to the one lamp")  # fmt: skip

    def do_part(self) -> None:
        """Take the row apart."""
        self._chosen()
        if self.session.part():
            self.say("each lamp of the row now stands by itself; Ctrl+Z makes it a row again")

    def do_move_left(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(-STEP_M, 0.0)

    def do_move_right(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(STEP_M, 0.0)

    def do_move_away(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(0.0, STEP_M)

    def do_move_near(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(0.0, -STEP_M)

    def do_move_up(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(0.0, 0.0, STEP_M)

    def do_move_down(self) -> None:
        """Nudge the lamp."""
        self.session.nudge(0.0, 0.0, -STEP_M)

    def do_aim_left(self) -> None:
        """Aim the lamp."""
        self.session.aim_by(-AIM_STEP_M, 0.0)

    def do_aim_right(self) -> None:
        """Aim the lamp."""
        self.session.aim_by(AIM_STEP_M, 0.0)

    def do_aim_up(self) -> None:
        """Aim the lamp."""
        self.session.aim_by(0.0, AIM_STEP_M)

    def do_aim_down(self) -> None:
        """Aim the lamp."""
        self.session.aim_by(0.0, -AIM_STEP_M)

    # --- deeds: looking ---------------------------------------------------------------------------

    def _see(self, **changes: Any) -> None:
        self.session.see(**changes)
        self._refresh()

    def do_day(self) -> None:
        """Night or daylight."""
        self.session.see(day=not self.session.shot.day)

    def do_next_look(self) -> None:
        """The next look."""
        names = ("camera", "eye", "levels")
        assert set(names) == set(LOOKS)
        self.session.see(look=names[(names.index(self.session.shot.look) + 1) % len(names)])

    def do_quantity(self) -> None:
        """What levels show."""
        quantity = "cd" if self.session.shot.quantity == "lux" else "lux"
        self.session.see(look="levels", quantity=quantity)

    def do_marks(self) -> None:
        """Mark the lamps or not."""
        self.pane.show_marks = not self.pane.show_marks

    def do_lock(self) -> None:
        """Lock the exposure or not."""
        self.session.lock_exposure(not self.session.exposure[1])

    def do_lighter(self) -> None:
        """Expose longer."""
        self.session.expose(-1 / 3)

    def do_darker(self) -> None:
        """Expose shorter."""
        self.session.expose(1 / 3)

    def do_next_state(self) -> None:
        """The next state."""
        states = self.session.states
        number = states.index(self.session.shot.state) + 1
        self.session.see(state=states[number % len(states)])

    def do_compare(self) -> None:
        """The next state beside it."""
        others = [one for one in self.session.others if one != self.session.shot.state]
        now = self.session.other
        number = others.index(now) + 1 if now in others else 0
        self.session.compare(others[number % len(others)])

    def do_no_compare(self) -> None:
        """Nothing beside it."""
        self.session.compare(None)

    def do_wipe(self) -> None:
        """A wipe, or side by side."""
        self.pane.wipe = not self.pane.wipe

    def _wipe_by(self, step: float) -> None:
        self.pane.split = min(max(self.pane.split + step, 0.0), 1.0)

    def do_wipe_left(self) -> None:
        """Move the wipe's edge."""
        self._wipe_by(-0.05)

    def do_wipe_right(self) -> None:
        """Move the wipe's edge."""
        self._wipe_by(0.05)

    def do_home(self) -> None:
        """Back to the named view."""
        name = self.session.shot.view.name
        views = {view.name: view for view in self.session.views}
        self.session.see(view=views.get(name, self.session.views[0]))

    def _lead(self, view: View) -> None:
        self.session.lead(view)

    def do_ahead(self) -> None:
        """Walk."""
        self._lead(walk(self.session.shot.view, WALK_M, 0.0))

    def do_back(self) -> None:
        """Walk."""
        self._lead(walk(self.session.shot.view, -WALK_M, 0.0))

    def do_turn_left(self) -> None:
        """Turn."""
        self._lead(walk(self.session.shot.view, 0.0, 0.0, -TURN_DEG))

    def do_turn_right(self) -> None:
        """Turn."""
        self._lead(walk(self.session.shot.view, 0.0, 0.0, TURN_DEG))

    def do_step_left(self) -> None:
        """Sidestep."""
        self._lead(walk(self.session.shot.view, 0.0, -WALK_M))

    def do_step_right(self) -> None:
        """Sidestep."""
        self._lead(walk(self.session.shot.view, 0.0, WALK_M))

    def do_orbit_left(self) -> None:
        """Go round."""
        self._lead(orbit(self.session.shot.view, TURN_DEG, 0.0))

    def do_orbit_right(self) -> None:
        """Go round."""
        self._lead(orbit(self.session.shot.view, -TURN_DEG, 0.0))

    def do_orbit_up(self) -> None:
        """Go round."""
        self._lead(orbit(self.session.shot.view, 0.0, TURN_DEG))

    def do_orbit_down(self) -> None:
        """Go round."""
        self._lead(orbit(self.session.shot.view, 0.0, -TURN_DEG))

    def do_nearer(self) -> None:
        """Nearer."""
        self._lead(zoom(self.session.shot.view, 1.0))

    def do_farther(self) -> None:
        """Farther."""
        self._lead(zoom(self.session.shot.view, -1.0))

    def do_pan_left(self) -> None:
        """Aside."""
        self._lead(pan(self.session.shot.view, 0.05, 0.0))

    def do_pan_right(self) -> None:
        """Aside."""
        self._lead(pan(self.session.shot.view, -0.05, 0.0))

    def do_pan_up(self) -> None:
        """Aside."""
        self._lead(pan(self.session.shot.view, 0.0, -0.05))

    def do_pan_down(self) -> None:
        """Aside."""
        self._lead(pan(self.session.shot.view, 0.0, 0.05))

    def do_help(self) -> None:
        """Show or hide the keys."""
        if self.keys.isVisible():
            self.keys.hide()
            self.pane.setFocus()
            return
        views = tuple(view.name for view in self.session.views)
        across = self.width() // (COLUMN_CHARS * self.fontMetrics().averageCharWidth())
        self.keys_text.setText(help_text(views, min(max(across, 1), 3)))
        self.keys.setGeometry(self.rect())
        self.keys.show()
        self.keys.raise_()
        self.keys.setFocus()  # so that the arrow keys scroll it

    # --- the end ----------------------------------------------------------------------------------

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Keep what is unsaved beside the scene; nothing is asked."""
        if not self._ended:
            self._ended = True
            self.hide()  # gone at once, though a step of the light may have to end first
            self.session.end()
        event.accept()


def _figure(value: float) -> str:
    """Three figures, no exponent."""
    if value <= 0:
        return "0"
    digits = max(0, 2 - int(np.floor(np.log10(value))))
    return f"{value:.{min(digits, 5)}f}"


def run(path: Path) -> int:
    """Open the window on a scene and stay until it is closed. Errors: as ``Session``."""
    app = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(app, QApplication)
    window = Window(path)
    window.fit_screen()
    window.show()
    with closed_by_signals(window):
        return app.exec()


@contextmanager
def closed_by_signals(window: Window) -> Iterator[None]:
    """Ctrl+C in the terminal, or an end asked for from outside, closes the window as Close does.

    Python hears of a signal when it next runs: with the next timer of the window.
    """
    asked = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(one, lambda *_: window.close()) for one in asked]
    try:
        yield
    finally:
        for one, was in zip(asked, before, strict=True):
            signal.signal(one, was)
