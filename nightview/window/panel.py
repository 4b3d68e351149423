"""The panel at the side: the lamps, the chosen one, and figures."""

from __future__ import annotations

from typing import cast

from PySide6.QtCore import QEvent, QObject, QSignalBlocker, Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QFormLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QSlider,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from nightview.lamps.catalogue import builtin_lamps
from nightview.scene.states import AS_DESIGNED
from nightview.window.edits import fixture_of
from nightview.window.figures import Findings, lamp_facts, load_of
from nightview.window.session import Session

WARMEST_K, COOLEST_K, STEP_K = 1800, 6500, 100
TOLD = 12
"""So many findings are told at most."""
LISTED = 9
"""So many lamps are seen of the list without scrolling."""


class Panel(QWidget):
    """What is known of the lamps. chosen : another lamp is chosen in the list. entered : a figure
    is written and Enter pressed, so that letters may be keys again."""

    chosen = Signal()
    entered = Signal()

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.list = QListWidget()
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.list.setAccessibleName("lamps")
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentItemChanged.connect(self._list_chosen)
        self.lamp = QComboBox()
        self.lamp.setAccessibleName("lamp of the chosen fixture")
        self.lamp.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.lamp.activated.connect(self._lamp_set)
        self.on = QCheckBox("on")
        self.on.clicked.connect(lambda on: self._set("on", bool(on)))
        self.dim = QSlider(Qt.Orientation.Horizontal)
        self.dim.setRange(0, 100)
        self.dim.setAccessibleName("dim")
        self.dim.valueChanged.connect(self._dim_set)
        self.dim.sliderReleased.connect(self.session.document.rest)
        self.dim_told = QLabel()
        self.cct = QSpinBox(minimum=WARMEST_K, maximum=COOLEST_K, singleStep=STEP_K, suffix=" K")
        self.cct.setAccessibleName("colour temperature")
        self.cct.setKeyboardTracking(False)
        self.cct.valueChanged.connect(lambda k: self._set("cct", float(k), "colour"))
        self.row = QCheckBox("the whole row")
        self.row.clicked.connect(self._row_set)
        self.cct.lineEdit().returnPressed.connect(self.entered)
        self.facts = QLabel(textFormat=Qt.TextFormat.PlainText, wordWrap=True)
        self.load = QLabel(wordWrap=True)
        self.hot = QLabel("Hottest: being worked out …", wordWrap=True)
        self.findings = QListWidget()
        self.findings.setAccessibleName("findings")
        self.findings.setWordWrap(True)
        self.findings.addItem("being worked out …")
        self.findings.setFocusPolicy(Qt.FocusPolicy.ClickFocus)

        form = QFormLayout()
        form.addRow("lamp", self.lamp)
        form.addRow("shown", self.on)
        dim = QHBoxLayout()
        dim.addWidget(self.dim, 1)
        dim.addWidget(self.dim_told)
        form.addRow("dim", dim)
        form.addRow("colour", self.cct)
        form.addRow("changes", self.row)
        form.addRow(self.facts)
        self.box = QGroupBox("No lamp chosen")
        self.box.setLayout(form)
        layout = QVBoxLayout(self)
        layout.addWidget(QLabel("Lamps"))
        layout.addWidget(self.list)
        layout.addWidget(self.box)
        layout.addWidget(QLabel("Figures"))
        layout.addWidget(self.load)
        layout.addWidget(self.hot)
        layout.addWidget(QLabel("Findings in this state"))
        layout.addWidget(self.findings, 1)
        for field in (
            self.lamp,
            self.dim,
            self.cct,
        ):  # turned over, as the panel scrolls: not changed
            field.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
            field.installEventFilter(self)
        self.dim_told.setMinimumWidth(self.fontMetrics().horizontalAdvance("100 %"))
        self.findings.setMinimumHeight(6 * self.fontMetrics().lineSpacing())
        self.setMinimumWidth(30 * self.fontMetrics().averageCharWidth())

    def eventFilter(self, field: QObject, event: QEvent) -> bool:  # noqa: N802
        """A wheel over a field turns the panel, unless the field has been chosen."""
        if event.type() == QEvent.Type.Wheel and not cast(QWidget, field).hasFocus():
            event.ignore()
            return True
        return super().eventFilter(field, event)

    # --- shown ------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the scene as it is now."""
        session = self.session
        with QSignalBlocker(self.list):
            ids = [lamp.id for lamp in session.lamps]
            if ids != [
                self.list.item(k).data(Qt.ItemDataRole.UserRole) for k in range(self.list.count())
            ]:
                self.list.clear()
                for name in ids:
                    item = QListWidgetItem(name)
                    item.setData(Qt.ItemDataRole.UserRole, name)
                    self.list.addItem(item)
                rows = min(max(len(ids), 3), LISTED)
                self.list.setFixedHeight(rows * (self.fontMetrics().height() + 1) + 6)
            for k, (name, (on, dim, cct_k)) in enumerate(session.now().items()):
                zone = session.lamps[k].zone
                told = f"{100 * dim:.0f} %, {cct_k:.0f} K" if on else "off"
                self.list.item(k).setText(f"{name}   {told}   {zone}")
                self.list.item(k).setToolTip(self.list.item(k).text())
            self.list.setCurrentRow(
                ids.index(session.selected) if session.selected in ids else -1
            )  # fmt: skip
        self._refresh_chosen()
        load = load_of(session.scene, session.shot.state)
        text = f"{load.on} of {load.lamps} lamps on, {load.watts:.0f} W, {load.va:.0f} VA"
        if load.supply_va is not None:
            text += f" of {load.supply_va:.0f} VA"
        if load.unknown:
            text += f"; {load.unknown} state no power"
        self.load.setText(text)

    def _refresh_chosen(self) -> None:
        session, name = self.session, self.session.selected
        self.box.setEnabled(name is not None)
        if name is None:
            self._show_none()
            return
        self.box.setTitle(name)
        on, dim, cct_k = session.now()[name]
        fixture = fixture_of(session.scene, name)
        lamps = list(dict.fromkeys((*session.scene.lamps, *builtin_lamps())))
        with QSignalBlocker(self.lamp):
            if [self.lamp.itemText(k) for k in range(self.lamp.count())] != lamps:
                self.lamp.clear()
                self.lamp.addItems(lamps)
            self.lamp.setCurrentText(fixture.lamp)
        with QSignalBlocker(self.on):
            self.on.setChecked(on)
        with QSignalBlocker(self.dim):
            if not self.dim.isSliderDown():
                self.dim.setValue(round(100 * dim))
        self.dim_told.setText(f"{100 * dim:.0f} %")
        with QSignalBlocker(self.cct):
            self.cct.setRange(WARMEST_K, COOLEST_K)
            self.cct.setSpecialValueText("")
            self.cct.setValue(round(cct_k))
        row = len(fixture.lamp_ids) > 1
        self.row.setEnabled(row and session.shot.state != AS_DESIGNED)
        self.row.setChecked(row and (session.whole_row or not self.row.isEnabled()))
        self.facts.setText(
            "\n".join(f"{k}: {v}" for k, v in lamp_facts(session.site, name) if k != "lamp")
        )

    def _show_none(self) -> None:
        """Fields without a value, since no lamp is chosen."""
        self.box.setTitle("No lamp chosen")
        self.facts.setText("")
        self.dim_told.setText("")
        for field in (self.lamp, self.on, self.dim, self.cct):
            field.blockSignals(True)
        self.lamp.setCurrentIndex(-1)
        self.on.setChecked(False)
        self.row.setChecked(False)
        self.dim.setValue(0)
        self.cct.setSpecialValueText(" ")
        self.cct.setRange(0, COOLEST_K)
        self.cct.setValue(0)
        for field in (self.lamp, self.on, self.dim, self.cct):
            field.blockSignals(False)

    def show_findings(self, found: Findings) -> None:
        """Show what the checks say."""
        hot = found.hot_spot
        self.hot.setText(
            "No wall in view is lit"
            if hot is None
            else f"Hottest (+): {hot.lux:.0f} lx on {hot.wall}, {hot.ratio:.1f} times its lit mean"
        )
        self.findings.clear()
        for result in found.results[:TOLD]:
            grade = result.verdict if result.counts else "taste"
            item = QListWidgetItem(f"{grade}: {result.check}, {result.place}. {result.said}")
            item.setToolTip(f"{result.said}\nlimit: {result.limit.source}")
            item.setData(Qt.ItemDataRole.UserRole, result.lamps)
            self.findings.addItem(item)
        if not found.results:
            self.findings.addItem("nothing found")
        elif len(found.results) > TOLD:
            self.findings.addItem(
                f"and {len(found.results) - TOLD} more; nightview check lists all"
            )

    # --- done -------------------------------------------------------------------------------------

    def _list_chosen(self, item: QListWidgetItem | None) -> None:
        if item is not None:
            self.session.select(item.data(Qt.ItemDataRole.UserRole))
            self._refresh_chosen()
            self.chosen.emit()

    def _row_set(self, whole: bool) -> None:
        self.session.whole_row = whole

    def _lamp_set(self, index: int) -> None:
        self.session.set_lamp(self.lamp.itemText(index))
        self.chosen.emit()

    def _dim_set(self, percent: int) -> None:
        self._set("dim", percent / 100.0, "dim")

    def _set(self, key: str, value: float | bool, merge: str | None = None) -> None:
        self.session.set_shown(key, value, merge)
        self.refresh()
