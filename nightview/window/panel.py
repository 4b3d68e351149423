"""The panel at the side: the lamps, the chosen one, and figures."""

from __future__ import annotations

from PySide6.QtCore import QSignalBlocker, Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QFormLayout,
    QGroupBox,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QSlider,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from nightview.lamps.catalogue import builtin_lamps
from nightview.window.edits import fixture_of
from nightview.window.figures import Findings, lamp_facts, load_of
from nightview.window.session import Session

WARMEST_K, COOLEST_K, STEP_K = 1800, 6500, 100
TOLD = 12


class Panel(QWidget):
    """What is known of the lamps. chosen : another lamp is chosen in the list."""

    chosen = Signal()

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.list = QListWidget()
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.list.setAccessibleName("lamps")
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
        self.facts = QLabel(textFormat=Qt.TextFormat.PlainText, wordWrap=True)
        self.load = QLabel(wordWrap=True)
        self.hot = QLabel(wordWrap=True)
        self.findings = QListWidget()
        self.findings.setAccessibleName("findings")
        self.findings.setWordWrap(True)
        self.findings.setFocusPolicy(Qt.FocusPolicy.ClickFocus)

        form = QFormLayout()
        form.addRow("lamp", self.lamp)
        form.addRow("shown", self.on)
        form.addRow("dim", self.dim)
        form.addRow("", self.dim_told)
        form.addRow("colour", self.cct)
        form.addRow(self.facts)
        self.box = QGroupBox("No lamp chosen")
        self.box.setLayout(form)
        layout = QVBoxLayout(self)
        layout.addWidget(QLabel("Lamps"))
        layout.addWidget(self.list, 3)
        layout.addWidget(self.box)
        layout.addWidget(QLabel("Figures"))
        layout.addWidget(self.load)
        layout.addWidget(self.hot)
        layout.addWidget(QLabel("Findings in this state"))
        layout.addWidget(self.findings, 2)
        self.setMinimumWidth(15 * self.fontMetrics().averageCharWidth() * 2)

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
            for k, (name, (on, dim, cct_k)) in enumerate(session.now().items()):
                zone = session.lamps[k].zone
                told = f"{100 * dim:.0f} %, {cct_k:.0f} K" if on else "off"
                self.list.item(k).setText(f"{name}   {zone}   {told}")
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
            self.box.setTitle("No lamp chosen")
            self.facts.setText("")
            self.dim_told.setText("")
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
            self.cct.setValue(round(cct_k))
        self.facts.setText(
            "\n".join(f"{k}: {v}" for k, v in lamp_facts(session.site, name) if k != "lamp")
        )

    def show_findings(self, found: Findings) -> None:
        """Show what the checks say."""
        hot = found.hot_spot
        self.hot.setText(
            "No wall in view is lit"
            if hot is None
            else f"Hottest: {hot.lux:.0f} lx on {hot.wall}, {hot.ratio:.1f} times its lit mean"
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

    def _lamp_set(self, index: int) -> None:
        self.session.set_lamp(self.lamp.itemText(index))
        self.chosen.emit()

    def _dim_set(self, percent: int) -> None:
        self._set("dim", percent / 100.0, "dim")

    def _set(self, key: str, value: float | bool, merge: str | None = None) -> None:
        self.session.set_shown(key, value, merge)
        self.refresh()
