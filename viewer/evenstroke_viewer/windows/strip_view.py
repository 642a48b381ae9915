"""The view Strip."""

from __future__ import annotations

from dataclasses import replace

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.look import Look
from evenstroke_viewer.strip import SECONDS, Shown, Sight, Strip, lanes_of
from evenstroke_viewer.view_model import ViewModel

from .view import PictureView

_NEXT_SHOWN: dict[Shown, Shown] = {"both": "conditioned", "conditioned": "raw", "raw": "both"}


class StripView(PictureView):
    name = "Strip"
    keys = (
        ("Up, Down", "in the strip: fewer or more seconds in sight"),
        ("Left, Right", "in the strip: back or forward, and hold it there"),
        ("Home", "in the strip: follow what comes"),
        ("P", "in the strip: one probe alone, the next, then all; a click does it, too"),
        ("W", "in the strip: conditioned and raw waveforms, or one of them"),
    )

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._strip = Strip()
        self._model: ViewModel | None = None
        self.sight = Sight()
        self.canvas.chosen.connect(self._click)
        for sequence, does in (
            ("Up", lambda: self._zoom(-1)),
            ("Down", lambda: self._zoom(1)),
            ("Left", lambda: self._shift(-0.25)),
            ("Right", lambda: self._shift(0.25)),
            ("Home", lambda: self._see(replace(self.sight, until_s=None))),
            ("P", self._next_lane),
            ("W", lambda: self._see(replace(self.sight, shown=_NEXT_SHOWN[self.sight.shown]))),
        ):
            QShortcut(QKeySequence(sequence), self, does, context=Qt.ShortcutContext.WindowShortcut)

    def _see(self, sight: Sight) -> None:
        self.sight = sight
        self.forget()

    def _zoom(self, step: int) -> None:
        if self._model is not None:
            at = SECONDS.index(self.sight.of(self._model)) + step
            self._see(replace(self.sight, seconds=SECONDS[max(0, min(len(SECONDS) - 1, at))]))

    def _shift(self, share: float) -> None:
        """By a share of what is in sight, as far as samples are kept; forward to the newest: follow again."""
        model = self._model
        if model is None:
            return
        seconds = self.sight.of(model)
        until = (model.now_s if self.sight.until_s is None else self.sight.until_s) + share * seconds
        oldest = model.oldest_s + seconds
        self._see(
            replace(
                self.sight, until_s=None if until >= model.now_s else max(until, min(oldest, model.now_s))
            )
        )

    def _next_lane(self) -> None:
        if self._model is not None:
            lanes, only = len(lanes_of(self._model)), self.sight.only
            following = 0 if only is None else only + 1
            self._see(replace(self.sight, only=following if following < lanes else None))

    def _click(self, name: str) -> None:
        if self._model is not None:
            alone = lanes_of(self._model).index(name) if self.sight.only is None else None
            self._see(replace(self.sight, only=alone))

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        if self._model is not model:
            self._model = model
            self.sight = replace(self.sight, until_s=None, only=None)
        held = self.sight.until_s
        if held is not None and not model.oldest_s <= held <= model.now_s:  # a replay was sent elsewhere
            self.sight = replace(self.sight, until_s=None)
        return self._strip.picture(model, self.sight, width, height, look)
