"""The view Carpet."""

from __future__ import annotations

from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.carpet import Carpet, Place, carpet_of, carpet_picture, most_rows, moved, probes_of
from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView


class CarpetView(PictureView):
    name = "Carpet"
    shows_waves = False
    keys = (
        ("arrows", "in the carpet: choose a patch; its waveform shows"),
        ("Home", "in the carpet: follow the newest cycle"),
        ("C", "in the carpet: another probe"),
    )

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._probe = 0
        self._place: Place | None = None
        self._drawn: tuple[ViewModel, Carpet] | None = None
        self.canvas.chosen.connect(self._choose)
        for sequence, rows, columns in (("Up", -1, 0), ("Down", 1, 0), ("Left", 0, -1), ("Right", 0, 1)):
            QShortcut(QKeySequence(sequence), self, lambda r=rows, c=columns: self._move(r, c))
        QShortcut(QKeySequence("Home"), self, self._follow)
        QShortcut(QKeySequence("C"), self, self._other_probe)

    def _choose(self, name: str) -> None:
        sequence, column = name.split("/")
        self._place = Place(int(sequence), int(column))
        self.forget()

    def _move(self, rows: int, columns: int) -> None:
        if self._drawn is not None:
            self._place = moved(*self._drawn, rows, columns)
            self.forget()

    def _follow(self) -> None:
        self._place = None
        self.forget()

    def _other_probe(self) -> None:
        self._probe += 1
        self.forget()

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        carpet = carpet_of(model, self._probe, self._place, most_rows(height))
        self._drawn = (model, carpet) if carpet is not None else None
        return carpet_picture(model, carpet, len(probes_of(model)), width, height, look)
