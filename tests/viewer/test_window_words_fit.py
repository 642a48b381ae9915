"""No word is cut: in every view, state, size and look each text fits its box."""

from __future__ import annotations

import re

import pytest
from evenstroke_viewer.look import LIGHT, Look
from evenstroke_viewer.units import PressureUnit
from evenstroke_viewer.windows.painting import fitting_size
from evenstroke_viewer.windows.view import PictureWidget
from own_states import OWN_STATES
from PySide6.QtGui import QFontMetricsF
from scenarios import SCENES
from screens import Shot

SIZES = {
    "1280x720": ((1280, 720), 1.0),
    "large type": ((1280, 720), 2.0),
    "200 %": ((640, 360), 1.0),
    "tall": ((900, 1400), 1.0),
}


FULLEST = ("disturbed", "losing", "stalled", "refused", "12 cylinders")


@pytest.mark.parametrize(
    ("scene", "size"),
    [(scene, "1280x720") for scene in SCENES] + [(scene, size) for size in SIZES for scene in FULLEST][5:],
)
def test_every_text_fits(photographer, scene, size):
    (wide, high), scale = SIZES[size]
    for view in photographer.views:
        if view in OWN_STATES and scene != FULLEST[0]:
            continue  # it shows no stream: its tests go through the states that it has
        photographer.take(Shot(view, scene, Look(LIGHT, scale), (wide, high)))
        for canvas in photographer.window.findChildren(PictureWidget):
            if canvas.isVisible():
                assert [text.words for text in canvas.unfit] == []
    tabs = photographer.window._tabs
    metrics = QFontMetricsF(tabs.font())
    for k in range(tabs.count()):
        assert metrics.horizontalAdvance(tabs.tabText(k)) <= tabs.tabRect(k).width()


def test_a_text_that_does_not_fit_is_noticed(photographer):
    from evenstroke_viewer.drawing import Text

    long = "incomprehensibilities " * 40
    assert fitting_size(Text(0, 0, 100, 30, long, 20, "#000000")) == (9, False)
    assert fitting_size(Text(0, 0, 400, 60, "short", 20, "#000000")) == (20, True)
    smaller, fits = fitting_size(Text(0, 0, 100, 30, "incomprehensibilities", 20, "#000000", least=5))
    assert fits and smaller < 20


def test_an_address_is_not_broken_behind_its_slashes_nor_a_number_from_its_unit(qapp):
    """Painted in a box that the words before it leave too little room in, it stands on a line of its own, whole."""
    from evenstroke_viewer.drawing import Picture, Text
    from evenstroke_viewer.windows.painting import font, load_fonts, paint
    from PySide6.QtGui import QImage, QPainter

    load_fonts()
    address = "tcp://127.0.0.1:7720"
    wide = QFontMetricsF(font(20)).horizontalAdvance(f"listens at {address[:10]}")

    def painted(words):
        image = QImage(400, 80, QImage.Format.Format_RGB32)
        text = Text(0, 0, wide, 80, words, 20, "#000000")
        painter = QPainter(image)
        assert paint(painter, Picture(400, 80, "#FFFFFF", (text,))) == []
        painter.end()
        return image

    assert painted(f"listens at {address}") == painted(f"listens at\n{address}")
    wide = QFontMetricsF(font(20)).horizontalAdvance("nothing for 1.2 ")
    assert painted("nothing for 1.2 s") == painted("nothing for\n1.2\N{NO-BREAK SPACE}s")


@pytest.mark.parametrize("scene", ["disturbed", "badly wired"])
def test_the_chosen_unit_of_pressure_is_every_pressure_s(photographer, scene):
    """Also of what sits behind another probe, or in the smallest type; a set-up file alone keeps its own units."""
    seen = 0
    for view in photographer.views:
        if view == "Set-up":
            continue
        photographer.take(Shot(view, scene))
        window = photographer.window
        for unit in PressureUnit:
            window.model.choose(unit)
            window.redraw()
            words = " ".join(
                text
                for canvas in window.findChildren(PictureWidget)
                if canvas.isVisible()
                for text in (*canvas.picture.texts, canvas.picture.words)
            )
            others = [other.value for other in PressureUnit if other is not unit]
            assert not [sign for sign in others if re.search(rf"\d\s*{sign}\b", words)], (view, unit)
            seen += bool(re.search(rf"\d\s*{unit.value}\b", words))
    window.model.choose(PressureUnit.KPA)
    assert seen >= 4 * len(PressureUnit)
