"""The view Wheel of the cycle."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.choosing import choices, first_choice
from evenstroke_viewer.circle import NEXT, circle_picture
from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView


class WheelView(PictureView):
    name = "Wheel of the cycle"
    shows_waves = False
    keys = (("Left, Right", "in the wheel: another comparison"),)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._chosen: int | None = None
        self._shown_place = 0
        self.canvas.chosen.connect(lambda name: self._other(1) if name == NEXT else None)
        for sequence, step in (("Right", 1), ("Left", -1)):
            QShortcut(
                QKeySequence(sequence),
                self,
                lambda step=step: self._other(step),
                context=Qt.ShortcutContext.WindowShortcut,
            )

    def _other(self, step: int) -> None:
        self._chosen = self._shown_place + step
        self.forget()

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        among = choices(model)
        place = first_choice(model, among) if self._chosen is None else self._chosen
        self._shown_place = place % max(1, len(among))
        return circle_picture(model, width, height, look, self._chosen)
