"""The view Probes."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.probes import Panel, Probes, moved, panel_of
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView


class ProbesView(PictureView):
    name = "Probes"
    keys = (
        (
            "arrows",
            "in the probes: one probe, all that is wrong with it and what to do; a click does it, too",
        ),
        ("Home", "in the probes: the worst one again"),
    )

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._probes = Probes()
        self._panel: Panel | None = None
        self.chosen: int | None = None
        self.canvas.chosen.connect(lambda name: self._choose(int(name)))
        for sequence, by in (("Up", -1), ("Left", -1), ("Down", 1), ("Right", 1)):
            QShortcut(
                QKeySequence(sequence),
                self,
                lambda by=by: self._choose(moved(self._panel, by) if self._panel is not None else None),
                context=Qt.ShortcutContext.WindowShortcut,
            )
        QShortcut(
            QKeySequence("Home"), self, lambda: self._choose(None), context=Qt.ShortcutContext.WindowShortcut
        )

    def _choose(self, card: int | None) -> None:
        self.chosen = card
        self.forget()

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        self._panel = panel_of(model, self.chosen)
        return self._probes.picture(model, self._panel, width, height, look)
