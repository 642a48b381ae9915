"""The probes in their window: keys, clicks, up to sixteen probes without a word cut."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.windows.probes_view import ProbesView
from PySide6.QtCore import QPoint, Qt

LOOKS = [
    (Look(LIGHT), (1280, 720)),
    (Look(DARK, 2.0), (1280, 720)),
    (Look(LIGHT), (640, 360)),
]


@pytest.fixture
def probes(in_front):
    """The main window with the probes in front, and the view."""
    return in_front(ProbesView)


@pytest.mark.parametrize("count", [1, 3, 9, 16])
def test_any_number_of_probes_fits(probes, scenes, count, show):
    window, view = probes
    model = scenes("badly wired")
    some = (model.health.probes * 4)[:count]
    some = tuple(msgspec.structs.replace(p, probe=f"{p.probe} {k}") for k, p in enumerate(some))
    model.take(msgspec.structs.replace(model.health, probes=some))
    for look in LOOKS:
        show(window, model, look)
        assert len(view.canvas.picture.spots) == count
        assert view.canvas.unfit == [], look


def test_arrows_and_clicks_choose_and_home_goes_back(probes, scenes, qtbot, show):
    window, view = probes
    show(window, scenes("badly wired"))
    worst = view.canvas.picture.words
    qtbot.keyClick(view, Qt.Key.Key_Down)
    window.redraw()
    assert view.chosen is not None
    spot = view.canvas.picture.spots[0]
    at = QPoint(round(spot.x + spot.width / 2), round(spot.y + spot.height / 2))
    qtbot.mouseClick(view.canvas, Qt.MouseButton.LeftButton, pos=at)
    window.redraw()
    assert view.canvas.picture.words.startswith("intake (intake pulses): cut off.")
    qtbot.keyClick(view, Qt.Key.Key_Home)
    window.redraw()
    assert view.canvas.picture.words == worst


def test_it_is_saved(probes, scenes, tmp_path, show):
    window, view = probes
    show(window, scenes("badly wired"))
    for suffix in (".png", ".svg"):
        view.save(tmp_path / f"probes{suffix}")
        assert (tmp_path / f"probes{suffix}").stat().st_size > 5000
    assert "no signal" in (tmp_path / "probes.svg").read_text()
