"""The view Folded."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.choosing import seats
from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.folded import FoldedPulses
from evenstroke_viewer.look import Look
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView


class FoldedView(PictureView):
    name = "Folded"
    shows_waves = False
    keys = (
        ("C", "in the folded pulses: another probe"),
        ("P, Left, Right", "in the folded pulses: one cylinder alone; a click does it, too"),
        ("Home", "in the folded pulses: all cylinders"),
    )

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._folded = FoldedPulses()
        self._cylinders = 0
        self.probe = 0
        self.only: int | None = None
        self.canvas.chosen.connect(lambda name: self._see(int(name) if self.only is None else None))
        for sequence, does in (
            ("C", self._other_probe),
            ("P", lambda: self._step(1)),
            ("Right", lambda: self._step(1)),
            ("Left", lambda: self._step(-1)),
            ("Home", lambda: self._see(None)),
        ):
            QShortcut(QKeySequence(sequence), self, does, context=Qt.ShortcutContext.WindowShortcut)

    def _see(self, only: int | None) -> None:
        self.only = only
        self.forget()

    def _step(self, by: int) -> None:
        """Each cylinder alone, one after the other, and all of them between the last and the first."""
        places: list[int | None] = [None, *range(self._cylinders)]
        at = places.index(self.only) if self.only in places else 0
        self._see(places[(at + by) % len(places)])

    def _other_probe(self) -> None:
        self.probe += 1
        self._see(None)

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        self._cylinders = len(seats(model))
        return self._folded.picture(model, self.probe, self.only, width, height, look)
