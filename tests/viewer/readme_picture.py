"""The picture of the README: a stripe that repeats, a patch that is a one-off, and intervals over both, as the view Carpet
draws them.

python tests/viewer/readme_picture.py     draws it anew; look at it before it is kept, and at what the README says of it
"""

from __future__ import annotations

import dataclasses
import os
import sys
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parent))

from evenstroke_viewer.carpet import Place, carpet_of, carpet_picture, most_rows, probes_of
from evenstroke_viewer.drawing import Picture
from evenstroke_viewer.feed import Delivery
from evenstroke_viewer.look import LIGHT, Look
from evenstroke_viewer.view_model import ViewModel
from evenstroke_viewer.windows.main_window import application
from evenstroke_viewer.windows.painting import save_png
from scenarios import SCENES, messages
from screens import fewer_colours

STORED = Path(__file__).parents[2] / "viewer" / "what-repeats.png"
SIZE = (1280.0, 560.0)
CHOSEN = Place(sequence=5, column=5)
"""In the waveform of this cycle both the small pulse that repeats and the one-off are seen."""


def model() -> ViewModel:
    """A six on the rig while it still turns: cylinder 4 small in every cycle, cylinder 5 in one."""
    scene = dataclasses.replace(SCENES["odd"](), until_s=8.6)
    filled = ViewModel()
    filled.deliver(Delivery(tuple(messages(scene)), scene.silent_s, 0, 0, 0))
    return filled


def picture() -> Picture:
    filled = model()
    carpet = carpet_of(filled, 0, CHOSEN, most_rows(SIZE[1]))
    return carpet_picture(filled, carpet, len(probes_of(filled)), *SIZE, Look(LIGHT, 1.25))


def draw(path: Path) -> None:
    """Raises OSError where it cannot be written."""
    application([])
    save_png(picture(), path, ratio=1.0)
    fewer_colours(path)


if __name__ == "__main__":
    draw(STORED)
    print(STORED)  # noqa: T201
