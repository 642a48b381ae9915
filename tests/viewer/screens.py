"""`make screens`: every view in every state, as pictures; prints the folder last.

python tests/viewer/screens.py [FOLDER] [--only TEXT]
python tests/viewer/screens.py --stored     makes those anew that the tests compare with; look at each before it is kept
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parent))

from evenstroke_viewer.feed import Inbox
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.windows.main_window import MainWindow, application
from own_states import OWN_STATES
from PySide6.QtCore import QSettings
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication
from scenarios import SCENES, model_of

NORMAL = Look(LIGHT)


@dataclass(frozen=True)
class Shot:
    """One picture: a view in a scene, at a window's size, logical pixels; ratio: pixels for each of them."""

    view: str
    scene: str
    look: Look = NORMAL
    size: tuple[int, int] = (1280, 720)
    suffix: str = ""

    @property
    def name(self) -> str:
        words = f"{self.view}-{self.scene}{'-' + self.suffix if self.suffix else ''}"
        return words.lower().replace(" ", "-")


def shots(views: list[str]) -> Iterator[Shot]:
    """Every view in every scene, and in some of them dark, with larger type, and at 200 % of 1280 x 720."""
    for view in views:
        own = OWN_STATES.get(view)
        for scene in own or SCENES:
            yield Shot(view, scene)
        for scene in own or ("odd", "disturbed", "12 cylinders"):
            yield Shot(view, scene, Look(DARK), suffix="dark")
            yield Shot(view, scene, Look(LIGHT, 2.0), suffix="large")
            yield Shot(view, scene, Look(LIGHT), (640, 360), suffix="200")


STORED = Path(__file__).parent / "pictures"
_STORED_SCENES = ("odd", "disturbed", "12 cylinders")
_STORED_WORDS = ("waiting", "stalled", "losing", "refused", "cranking", "even")


def stored_shots(views: list[str]) -> Iterator[Shot]:
    """Those that the tests compare with."""
    for view in views:
        own = tuple(OWN_STATES.get(view, ()))
        for scene in own or (*_STORED_SCENES, *(_STORED_WORDS if view == "Words" else ())):
            yield Shot(view, scene)
        last = own[-1] if own else "disturbed"
        yield Shot(view, last, Look(DARK), (640, 360), suffix="dark-200")


class NoFeed:
    """Stands where a feed stands: the model is filled beforehand."""

    where = "tcp://127.0.0.1:7720"

    def __init__(self) -> None:
        self.inbox = Inbox()

    def start(self) -> None:
        pass

    def close(self) -> None:
        pass


class Photographer:
    """One window, shown scene after scene."""

    def __init__(self, state_file: Path) -> None:
        application([]).setCursorFlashTime(
            0
        )  # a line's cursor that blinks would be in one picture and not in the next
        self.window = MainWindow(NoFeed(), QSettings(str(state_file), QSettings.Format.IniFormat), None)
        self.window._timer.stop()
        self.window.show()

    @property
    def views(self) -> list[str]:
        return [view.name for view in self.window.views]

    def take(self, shot: Shot) -> QImage:
        """The whole window, tabs and band with it."""
        window = self.window
        own = OWN_STATES.get(shot.view, {})
        window.model = model_of(shot.scene if shot.scene in SCENES else "odd")
        window.resize(*shot.size)
        window.use_look(shot.look)
        window.show_view(self.views.index(shot.view))
        if shot.scene in own:
            own[shot.scene](window.views[self.views.index(shot.view)])
        QApplication.processEvents()
        window.redraw()
        for _ in range(3):  # a bar that comes narrows what it scrolls, which is then laid out anew
            QApplication.processEvents()
        return window.grab().toImage()

    def close(self) -> None:
        self.window.close()


def fewer_colours(path: Path) -> None:
    """A third of the size; no colour moves by more than 15 of 255, which the comparison tolerates."""
    from PIL import Image

    image = Image.open(path).convert("RGB")
    # An octree keeps rare colours, which are the ones that mean something here.
    image.quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(path, optimize=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path("screens"))
    parser.add_argument("--only", default="", help="pictures whose name holds this")
    parser.add_argument("--stored", action="store_true", help="those that the tests compare with")
    given = parser.parse_args()
    if given.stored:
        given.folder = STORED
    given.folder.mkdir(parents=True, exist_ok=True)
    photographer = Photographer(given.folder / "window.ini")
    for shot in (stored_shots if given.stored else shots)(photographer.views):
        if given.only in shot.name:
            image = photographer.take(shot)
            if not image.save(str(given.folder / f"{shot.name}.png")):
                raise SystemExit(f"cannot write into {given.folder}")
            if given.stored:
                fewer_colours(given.folder / f"{shot.name}.png")
    photographer.close()
    (given.folder / "window.ini").unlink(missing_ok=True)
    print(given.folder.resolve())  # noqa: T201


if __name__ == "__main__":
    main()
