"""The view Words."""

from __future__ import annotations

from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.sentence import words_picture
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView


class WordsView(PictureView):
    name = "Words"
    shows_waves = False

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        return words_picture(model, width, height, look)
