"""The view Two recordings: two cranks judged aside, laid over each other."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

from evenstroke_protocol.errors import EvenstrokeError
from PySide6.QtCore import QSettings, Qt, Signal
from PySide6.QtGui import QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import QFileDialog, QGridLayout, QLabel, QVBoxLayout, QWidget

from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.two_recordings import Laid, laid_picture, lay, waiting_picture
from evenstroke_viewer.units import PressureUnit
from evenstroke_viewer.view_model import ViewModel

from .form_widgets import Button, TextLine
from .painting import font
from .view import PictureWidget, View

if TYPE_CHECKING:
    from evenstroke_replay.physics_cache import PhysicsCache

_NOTHING = ("Two recordings of one engine, over each other.", "Press E, and name the first and the second.")
_ONE = (
    "This recording, and another one of the same engine, over each other.",
    "Press E, and name the second.",
)
_BOTH = (
    "This recording, and the one from last time, over each other.",
    "Press E, then Enter to compare them.",
)
_WORKING = (
    "The two recordings are being judged.",
    "Wait: some seconds; up to half a minute for an engine that was never judged here.",
)


class TwoRecordingsView(View):
    name = "Two recordings"
    keys = (
        ("E", "in two recordings: name the files; Enter compares"),
        ("Ctrl+O, Ctrl+Shift+O", "in two recordings: choose the first, the second"),
        ("Left, Right", "in two recordings: another comparison"),
        ("Esc", "in two recordings: leave the names"),
    )
    _judged = Signal(int, object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.physics: PhysicsCache | None = None  # the user's own, once it is asked
        self._beside: Path | None = None  # where other recordings are likely
        self.laid: Laid | None = None
        self.place = 0
        self._asked = 0
        self._waits: tuple[str, str] = _NOTHING
        self._unit = PressureUnit.KPA
        self._look = Look()
        self._shown: object = None
        self._lay_out()
        self._judged.connect(self._take)

    def _lay_out(self) -> None:
        self.names: list[TextLine] = []
        self.chooser = QWidget()
        grid = QGridLayout(self.chooser)
        grid.setContentsMargins(8, 3, 8, 3)
        grid.setSpacing(4)
        for column, words in enumerate(("First", "Second")):
            line = TextLine()
            line.setAccessibleName(f"{words} recording")
            line.setPlaceholderText("a recording, .mcap")
            line.returnPressed.connect(self.compare)
            button = Button("Choose", one_of_a_row=True)
            button.clicked.connect(lambda _=False, which=column: self._ask_for(which))
            grid.addWidget(QLabel(words), 0, 3 * column)
            grid.addWidget(line, 0, 3 * column + 1)
            grid.addWidget(button, 0, 3 * column + 2)
            grid.setColumnStretch(3 * column + 1, 1)
            self.names.append(line)
        button = Button("Compare", one_of_a_row=True)
        button.clicked.connect(lambda _=False: self.compare())
        grid.addWidget(button, 0, 6)
        self.canvas = PictureWidget()
        self.canvas.setAccessibleName(self.name)
        column_layout = QVBoxLayout(self)
        column_layout.setContentsMargins(0, 0, 0, 0)
        column_layout.setSpacing(0)
        column_layout.addWidget(self.chooser)
        column_layout.addWidget(self.canvas, 1)
        inside = Qt.ShortcutContext.WidgetWithChildrenShortcut
        QShortcut(QKeySequence("Esc"), self, self._leave, context=inside)
        for sequence, does in (
            ("E", self.enter_names),
            ("Ctrl+O", lambda: self._ask_for(0)),
            ("Ctrl+Shift+O", lambda: self._ask_for(1)),
            ("Right", lambda: self._other(1)),
            ("Left", lambda: self._other(-1)),
        ):
            QShortcut(QKeySequence(sequence), self, does)

    # --- which two -------------------------------------------------------------------------------------

    def enter_names(self) -> None:
        """The focus to the first name that is lacking."""
        line = next((line for line in self.names if not line.text().strip()), self.names[0])
        line.setFocus()
        line.selectAll()

    def _leave(self) -> None:
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()

    def _ask_for(self, which: int) -> None:
        words = "Choose the second recording" if which else "Choose the first recording"
        where = self.names[which].text() or (str(self._beside) if self._beside is not None else "")
        dialog = QFileDialog(self, words, where, "Recordings (*.mcap);;All files (*)")
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: self._chosen(which, path))
        dialog.open()

    def _chosen(self, which: int, path: str) -> None:
        self.names[which].setText(path)
        if all(line.text().strip() for line in self.names):
            self.compare()

    def compare(self) -> None:
        """Judge both aside, then show them; what is wrong with one of them is said."""
        names = [line.text().strip() for line in self.names]
        if not all(names):
            self._wait(_ONE if names[0] else _NOTHING)
            self.enter_names()
            return
        self._leave()
        self._asked += 1
        self._wait(_WORKING)
        paths = [Path(name).expanduser() for name in names]
        threading.Thread(target=self._judge, args=(self._asked, *paths), name="compare", daemon=True).start()

    def _judge(self, number: int, first: Path, second: Path) -> None:
        # They load SciPy, which takes seconds: only who compares waits for that.
        from evenstroke_replay.judging import is_recording, judge_path
        from evenstroke_replay.physics_cache import PhysicsCache, default_folder
        from evenstroke_replay.shelf import Shelf, shelf_folder

        if self.physics is None:
            self.physics = PhysicsCache(default_folder())
        found: object
        try:
            for path in (first, second):
                if not is_recording(path):
                    raise EvenstrokeError(
                        "this is no recording",
                        where=path.name,
                        todo="a capture as CSV becomes one by `evenstroke import`",
                    )
            shelf = Shelf(shelf_folder())
            found = lay(*(judge_path(path, physics=self.physics, shelf=shelf) for path in (first, second)))
        except EvenstrokeError as error:
            found = error
        try:
            self._judged.emit(number, found)
        except RuntimeError:
            return  # the window is closed meanwhile

    def _take(self, number: int, found: object) -> None:
        if number != self._asked:
            return  # of two that nobody asks for any more
        if isinstance(found, Laid):
            self.laid, self.place = found, 0
            self._show()
        elif isinstance(found, EvenstrokeError):
            why = f"{found.where}: {found.problem}" + (f" ({found.found})" if found.found else "")
            self._wait((f"Not compared. {why}.", _capital(found.todo) or _NOTHING[1]))

    def _wait(self, words: tuple[str, str]) -> None:
        self.laid, self._waits = None, words
        self._show()

    def _other(self, step: int) -> None:
        self.place += step
        self._show()

    # --- how it looks ------------------------------------------------------------------------------------

    def refresh(self, model: ViewModel, look: Look) -> None:
        wanted = (look, model.pressure_unit, self.width(), self.height())
        if wanted != self._shown:
            self._shown = wanted
            self._look, self._unit = look, model.pressure_unit
            self._style()
            self._show()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self._style()
        self._show()

    def _style(self) -> None:
        wide, high = float(max(1, self.width())), float(max(1, self.height()))
        size = max(9, round(min(self._look.px(15.0, wide, 1.2 * high), wide / 72.0)))
        self.chooser.setFont(font(size))  # handed down to all that is in it

    def _compose(self, width: float, height: float) -> Picture:
        if self.laid is None:
            return waiting_picture(*self._waits, width, height, self._look)
        return laid_picture(self.laid, self.place, self._unit, width, height, self._look)

    def _show(self) -> None:
        layout = self.layout()
        if layout is not None:
            layout.activate()
        self.canvas.show_picture(
            self._compose(float(max(1, self.canvas.width())), float(max(1, self.canvas.height())))
        )

    def save(self, path: Path) -> None:
        self.canvas.save(path, f"evenstroke: {self.name}")

    def offer(self, played: Played) -> None:
        first, second = (line.text().strip() for line in self.names)
        path = played.path.absolute()
        if second == str(path):  # it was the second last time: what it was compared with comes second now
            self.names[1].setText("" if first == second else first)
        self.names[0].setText(str(path))
        self._beside = path.parent
        self._waits = _ONE if not self.names[1].text() else _BOTH

    def keep(self, settings: QSettings) -> None:
        settings.setValue("two_recordings", [line.text() for line in self.names])

    def restore(self, settings: QSettings) -> None:
        kept = settings.value("two_recordings")
        if isinstance(kept, list):
            for line, name in zip(self.names, kept, strict=False):
                line.setText(str(name))


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:] + "." if words else ""
