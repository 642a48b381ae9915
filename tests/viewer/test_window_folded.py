"""The folded pulses in their window: keys, clicks, any probe and one cylinder alone without a word cut, saving."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.messages import WaveData
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.windows.folded_view import FoldedView
from PySide6.QtCore import QPoint, Qt
from scenarios import stream_of

LOOKS = [
    (Look(LIGHT), (1280, 720)),
    (Look(DARK, 2.0), (1280, 720)),
    (Look(LIGHT), (640, 360)),
]


@pytest.fixture
def folded(in_front):
    """The main window with the folded pulses in front, and the view."""
    return in_front(FoldedView)


def test_no_word_is_cut_whatever_the_probe(folded, scenes, show):
    window, view = folded
    model = scenes("disturbed")
    for look in LOOKS:
        for probe in range(5):
            for only in (None, 0):
                view.probe, view.only = probe, only
                view.forget()
                show(window, model, look)
                assert view.canvas.unfit == [], (look, probe, only)


def test_keys_and_clicks_choose_probe_and_cylinder(folded, scenes, qtbot, show):
    window, view = folded
    show(window, scenes("odd"))
    assert view.canvas.picture.words.startswith("intake drop")
    spot = view.canvas.picture.spots[3]
    at = QPoint(round(spot.x + spot.width / 2), round(spot.y + spot.height / 2))
    qtbot.mouseClick(view.canvas, Qt.MouseButton.LeftButton, pos=at)
    window.redraw()
    assert [s.words for s in view.canvas.picture.spots] == [spot.words]
    qtbot.mouseClick(view.canvas, Qt.MouseButton.LeftButton, pos=at)
    window.redraw()
    assert len(view.canvas.picture.spots) == 6
    seen = []
    for _ in range(7):
        qtbot.keyClick(view, Qt.Key.Key_P)
        seen.append(view.only)
    assert seen == [0, 1, 2, 3, 4, 5, None]
    qtbot.keyClick(view, Qt.Key.Key_Left)
    assert view.only == 5
    qtbot.keyClick(view, Qt.Key.Key_Home)
    assert view.only is None
    qtbot.keyClick(view, Qt.Key.Key_C)
    window.redraw()
    assert view.canvas.picture.words.startswith("starter compression")


def test_it_is_drawn_anew_when_a_cycle_comes_and_not_for_waveforms(folded, scenes, show):
    window, view = folded
    model = scenes("odd")
    show(window, model)
    before = view.canvas.picture
    wave = next(m for m in stream_of("odd") if isinstance(m, WaveData))
    model.take(wave)
    window.redraw()
    assert view.canvas.picture is before
    model.take(msgspec.structs.replace(model.cycles[-1], sequence=model.cycles[-1].sequence + 1))
    window.redraw()
    assert view.canvas.picture is not before


def test_it_is_saved(folded, scenes, tmp_path, show):
    window, view = folded
    show(window, scenes("disturbed"))
    for suffix in (".png", ".svg"):
        view.save(tmp_path / f"folded{suffix}")
        assert (tmp_path / f"folded{suffix}").stat().st_size > 20_000
    assert "pressure in 5" in (tmp_path / "folded.svg").read_text()
