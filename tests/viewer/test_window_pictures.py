"""Every view looks as it did when somebody last looked at it: compared with stored pictures.

Edges of letters may differ a little with the version of Qt; a word that is cut, moved or missing may not.
"""

from __future__ import annotations

import re
import sys

import numpy as np
import pytest
import readme_picture
from evenstroke_viewer.windows import VIEWS
from PySide6.QtGui import QImage
from screens import STORED, Shot, stored_shots

BLOCK = 8
"""Pixels; what differs is averaged over a block, so that an edge's smoothing counts little and a letter much."""
TOLERANCE = 45.0
"""Of 255, in the worst block."""

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="not compared here: other systems smooth letters in other ways"
)


def pixels(image: QImage) -> np.ndarray:
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).astype(float)


def worst_block(one: QImage, other: QImage) -> float:
    """The largest difference of two pictures of one size, averaged over blocks; of 255."""
    a, b = pixels(one), pixels(other)
    assert a.shape == b.shape
    high, wide = (n // BLOCK for n in a.shape[:2])
    difference = (a - b)[: high * BLOCK, : wide * BLOCK]
    blocks = difference.reshape(high, BLOCK, wide, BLOCK, 3).mean(axis=(1, 3))
    return float(np.abs(blocks).max())


def test_every_view_is_among_the_stored_ones(photographer):
    assert len(photographer.views) == len(VIEWS)
    wanted = {f"{shot.name}.png" for shot in stored_shots(photographer.views)}
    assert wanted == {path.name for path in STORED.glob("*.png")}, "python tests/viewer/screens.py --stored"


def test_pictures_are_as_stored(photographer, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    differing = []
    for shot in stored_shots(photographer.views):
        image = photographer.take(shot)
        stored = QImage(str(STORED / f"{shot.name}.png"))
        assert not stored.isNull(), f"{shot.name} is not stored"
        if (worst := worst_block(image, stored)) > TOLERANCE:
            image.save(str(folder / f"{shot.name}.png"))
            differing.append(f"{shot.name} ({worst:.0f})")
    assert not differing, (
        f"{', '.join(differing)}: compare {folder} with {STORED}, and where the new ones are right: "
        "python tests/viewer/screens.py --stored"
    )


def test_the_readme_s_picture_is_drawn_by_evenstroke_and_read_rightly(qapp, tmp_path):
    readme_picture.draw(tmp_path / "anew.png")
    worst = worst_block(QImage(str(tmp_path / "anew.png")), QImage(str(readme_picture.STORED)))
    assert worst <= TOLERANCE, "make readme-picture, and look at what the README says of it"
    assert readme_picture.STORED.stat().st_size < 200_000
    readme = (readme_picture.STORED.parents[1] / "README.md").read_text(encoding="utf-8")
    below = readme.split("(viewer/what-repeats.png)")[1].split("\n\n")[1]
    intervals = re.findall(r"\([^()]*\d to [^()]*\d\)", below)
    assert len(intervals) == 3
    drawn = "\n".join(readme_picture.picture().texts)
    assert [i for i in intervals if i not in drawn] == []
    (intake,) = [c for c in readme_picture.model().comparisons if (c.probe, c.feature) == ("intake", "drop")]
    verdicts = {b.cylinder: b.verdict for b in intake.cylinders}
    assert [verdicts[n] for n in (4, 1, 5)] == ["smaller", "even", "undecided"]


def test_a_cut_label_would_be_noticed(photographer, monkeypatch):
    from evenstroke_viewer.windows import painting

    shot = Shot("Wheel of the cycle", "odd")
    whole = photographer.take(shot)
    draw = painting._write

    def cut(painter, text):
        # As an elided label would be: its last two letters are missing.
        import dataclasses

        if text.words.startswith("starter") or text.words.startswith("intake"):
            text = dataclasses.replace(text, words=text.words[:-2])
        return draw(painter, text)

    monkeypatch.setattr(painting, "_write", cut)
    photographer.window.views[1].canvas.update()
    assert worst_block(photographer.take(shot), whole) > 1.5 * TOLERANCE


def test_the_same_picture_twice_is_the_same(photographer):
    shot = Shot("Carpet", "odd")
    assert worst_block(photographer.take(shot), photographer.take(shot)) == 0.0
