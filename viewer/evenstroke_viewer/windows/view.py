"""What every view is: a widget that shows a model, keeps up with it, and can be saved as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from PySide6.QtCore import QPoint, QRectF, QSettings, QSize, Qt, Signal
from PySide6.QtGui import QImage, QMouseEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QWidget

from evenstroke_viewer.drawing import Picture, Spot, Text
from evenstroke_viewer.look import Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.view_model import ViewModel

from .painting import paint, save_png, save_svg

PICTURE_SUFFIXES = (".png", ".svg")


class View(QWidget):
    """name: on its tab. The window calls `refresh` at most thirty times a second, and only for the view that shows."""

    name: ClassVar[str]
    keys: ClassVar[tuple[tuple[str, str], ...]] = ()
    """Keys that mean something in this view only, and what they do; for the help."""
    said = Signal(str)
    """Something that the window should say to the reader."""
    asks = Signal(object, str)
    """A request for the daemon, and what to say when it was done."""

    def refresh(self, model: ViewModel, look: Look) -> None:
        """Show the model as it is now, if anything in it has changed."""
        raise NotImplementedError

    def offer(self, played: Played) -> None:
        """Take up the recording that the window plays, as far as this view can use it; after `restore`."""

    def keep(self, settings: QSettings) -> None:
        """Put away what is to be there again next time."""

    def restore(self, settings: QSettings) -> None:
        """Take up what was put away last time."""

    def save(self, path: Path) -> None:
        """As a picture, its format by the suffix, .png or .svg. Raises OSError where it cannot be written."""
        if path.suffix.lower() == ".svg":
            generator = QSvgGenerator()
            generator.setFileName(str(path))
            generator.setSize(QSize(self.width(), self.height()))
            generator.setViewBox(QRectF(0, 0, self.width(), self.height()))
            generator.setTitle(f"evenstroke: {self.name}")
            painter = QPainter()
            if not painter.begin(generator):
                raise OSError(f"this picture cannot be written: {path}")
            self.render(painter, QPoint())
            painter.end()
            return
        image = QImage(self.size() * 2, QImage.Format.Format_ARGB32_Premultiplied)
        image.setDevicePixelRatio(2.0)
        self.render(image)
        if not image.save(str(path)):
            raise OSError(f"this picture cannot be written: {path}")


class PictureWidget(QWidget):
    """Shows one `Picture`, and knows its spots. unfit: texts that did not fit when it was last painted."""

    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.picture: Picture | None = None
        self.unfit: list[Text] = []
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    def show_picture(self, picture: Picture) -> None:
        if picture != self.picture:
            self.picture = picture
            self.setAccessibleDescription(picture.words)
            self.update()

    def save(self, path: Path, title: str) -> None:
        """What it shows, its format by the suffix, .png or .svg. Raises OSError where there is nothing, or no room."""
        if self.picture is None:
            raise OSError("nothing is shown yet that could be saved")
        if path.suffix.lower() == ".svg":
            save_svg(self.picture, path, title)
        else:
            save_png(self.picture, path)

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        if self.picture is not None:
            painter = QPainter(self)
            self.unfit = paint(painter, self.picture)
            painter.end()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        spot = self.spot_at(event.position().x(), event.position().y())
        if spot is not None:
            self.chosen.emit(spot.name)
        super().mousePressEvent(event)

    def spot_at(self, x: float, y: float) -> Spot | None:
        spots = self.picture.spots if self.picture is not None else ()
        return next(
            (s for s in reversed(spots) if s.x <= x <= s.x + s.width and s.y <= y <= s.y + s.height), None
        )


class PictureView(View):
    """A view that is one picture: a subclass says which, in `compose`. shows_waves: a new waveform may change it."""

    shows_waves: ClassVar[bool] = True

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.canvas = PictureWidget(self)
        self.canvas.setAccessibleName(self.name)
        self._shown: tuple[object, ...] | None = None

    def compose(self, model: ViewModel, width: float, height: float, look: Look) -> Picture:
        raise NotImplementedError

    def refresh(self, model: ViewModel, look: Look) -> None:
        revision = model.revision - (0 if self.shows_waves else model.waves)
        shows = (id(model), revision, look, self.width(), self.height())
        if shows != self._shown:
            self._shown = shows
            self.canvas.show_picture(self.compose(model, float(self.width()), float(self.height()), look))

    def forget(self) -> None:
        """Something besides the model has changed: compose anew at the next refresh."""
        self._shown = None

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self.canvas.setGeometry(self.rect())
        super().resizeEvent(event)

    def save(self, path: Path) -> None:
        self.canvas.save(path, f"evenstroke: {self.name}")
