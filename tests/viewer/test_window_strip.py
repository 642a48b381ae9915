"""The strip in its window: keys, clicks, and that it is saved."""

from __future__ import annotations

import pytest
from evenstroke_viewer.windows.strip_view import StripView
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QImage


@pytest.fixture
def strip(in_front):
    """The main window with the strip in front, and the strip."""
    return in_front(StripView)


def test_keys_zoom_hold_and_follow(strip, scenes, qtbot, show):
    window, view = strip
    model = scenes("odd")
    show(window, model)
    qtbot.keyClick(view, Qt.Key.Key_Down)
    assert view.sight.seconds == 10.0
    qtbot.keyClick(view, Qt.Key.Key_Up)
    qtbot.keyClick(view, Qt.Key.Key_Up)
    assert view.sight.seconds == 2.0
    qtbot.keyClick(view, Qt.Key.Key_Left)
    assert view.sight.until_s == pytest.approx(model.now_s - 0.5)
    window.redraw()
    assert any("HELD" in words for words in view.canvas.picture.texts)
    for _ in range(100):
        qtbot.keyClick(view, Qt.Key.Key_Left)
    assert view.sight.until_s == pytest.approx(model.oldest_s + 2.0)
    qtbot.keyClick(view, Qt.Key.Key_Home)
    assert view.sight.until_s is None
    qtbot.keyClick(view, Qt.Key.Key_Right)
    assert view.sight.until_s is None


def test_a_click_and_p_show_one_probe_alone(strip, scenes, qtbot, show):
    window, view = strip
    show(window, scenes("odd"))
    spot = next(s for s in view.canvas.picture.spots if s.name == "starter")
    at = QPoint(round(spot.x + spot.width / 2), round(spot.y + spot.height / 2))
    qtbot.mouseClick(view.canvas, Qt.MouseButton.LeftButton, pos=at)
    window.redraw()
    assert [s.name for s in view.canvas.picture.spots] == ["starter"]
    qtbot.keyClick(view, Qt.Key.Key_P)
    window.redraw()
    assert [s.name for s in view.canvas.picture.spots] == ["intake", "starter"]
    qtbot.keyClick(view, Qt.Key.Key_P)
    window.redraw()
    assert [s.name for s in view.canvas.picture.spots] == ["intake"]


def test_w_shows_one_waveform_or_both(strip, scenes, qtbot, show):
    window, view = strip
    show(window, scenes("odd"))
    seen = []
    for _ in range(3):
        qtbot.keyClick(view, Qt.Key.Key_W)
        seen.append(view.sight.shown)
    assert seen == ["conditioned", "raw", "both"]


def test_it_is_saved_as_it_shows(strip, scenes, tmp_path, show):
    window, view = strip
    show(window, scenes("losing"))
    view.save(tmp_path / "strip.png")
    view.save(tmp_path / "strip.svg")
    image = QImage(str(tmp_path / "strip.png"))
    assert image.width() == 2 * view.width()
    dark = sum(
        image.pixelColor(x, y).lightness() < 60
        for x in range(400, image.width(), 7)
        for y in range(0, image.height(), 7)
    )
    assert dark > 50  # the curves are there
    svg = (tmp_path / "strip.svg").read_text()
    assert svg.count("<polyline") >= 6
    assert "intake" in svg
