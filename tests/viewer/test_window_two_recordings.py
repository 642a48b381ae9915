"""Two recordings in their window: files named with keys, judged aside, shown."""

from __future__ import annotations

import pytest
from cut_text import cut_texts
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.two_recordings import Laid, lay
from PySide6.QtCore import QSettings, Qt
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication
from screens import NoFeed
from two_cranks import HOSE, hose_and_none, scene, twelve, unnamed, with_hose, write_recording

PATIENCE_MS = 60_000


@pytest.fixture
def window(windows, qtbot):
    made = windows(NoFeed())
    made.resize(1280, 720)
    made.show()
    qtbot.waitExposed(made)
    made.show_view([view.name for view in made.views].index("Two recordings"))
    return made


class NoPhysics:
    """Says nothing of any engine: half a minute for one that nobody has."""

    def prediction(self, setup):
        return None


@pytest.fixture
def view(window):
    found = next(view for view in window.views if view.name == "Two recordings")
    found.physics = NoPhysics()
    return found


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recordings")
    return (
        write_recording(scene(-14.0, HOSE), folder, "with-hose"),
        write_recording(scene(0.0), folder, "without"),
    )


def press(qtbot, window, words):
    for letter in words:
        qtbot.keyClicks(QApplication.focusWidget() or window, letter)


def key(qtbot, window, which, modifier=Qt.KeyboardModifier.NoModifier):
    qtbot.keyClick(QApplication.focusWidget() or window, which, modifier)


def name_both(qtbot, window, first, second):
    press(qtbot, window, "e")
    qtbot.keyClicks(QApplication.focusWidget(), str(first))
    for _ in range(2):  # over the button that chooses
        key(qtbot, window, Qt.Key.Key_Tab)
    qtbot.keyClicks(QApplication.focusWidget(), str(second))
    key(qtbot, window, Qt.Key.Key_Return)


def show(view, laid):
    view.laid, view.place = laid, 0
    view._show()


def test_two_files_are_named_with_keys_judged_and_shown(window, view, qtbot, recordings):
    with qtbot.waitSignal(view._judged, timeout=PATIENCE_MS):
        name_both(qtbot, window, *recordings)
        assert "being judged" in view.canvas.picture.words
    QApplication.processEvents()
    assert isinstance(view.laid, Laid)
    words = view.canvas.picture.words
    assert "Cylinder 2's intake pulse reads" in words and "apart" in words
    assert view.laid.compared.first.file == recordings[0].name
    # Letters are the window's keys again.
    press(qtbot, window, "d")
    assert window.look.theme == DARK


def test_another_comparison_by_keys_and_another_unit(window, view, qtbot):
    show(view, hose_and_none())
    first = view.canvas.picture.texts[0]
    key(qtbot, window, Qt.Key.Key_Right)
    assert view.canvas.picture.texts[0] != first
    key(qtbot, window, Qt.Key.Key_Left)
    assert view.canvas.picture.texts[0] == first
    press(qtbot, window, "u")
    window.redraw()
    assert any(text.startswith("full: first") and text.endswith("bar") for text in view.canvas.picture.texts)


def test_a_file_that_is_not_there_or_no_recording_is_said_with_what_to_do(
    window, view, qtbot, recordings, tmp_path
):
    (tmp_path / "capture.csv").write_text("time_s,intake\n0,1\n", encoding="utf-8")
    for second, said, todo in (
        (tmp_path / "absent.mcap", "cannot be read", "path"),
        (tmp_path / "capture.csv", "no recording", "evenstroke import"),
    ):
        for line in view.names:
            line.clear()
        with qtbot.waitSignal(view._judged, timeout=PATIENCE_MS):
            name_both(qtbot, window, recordings[0], second)
        QApplication.processEvents()
        words = view.canvas.picture.words
        assert view.laid is None and "Not compared" in words and said in words and todo in words


def names_of(window):
    view = next(v for v in window.views if v.name == "Two recordings")
    return view, [line.text() for line in view.names]


def test_the_recording_that_is_played_comes_first(windows, qtbot, tmp_path):
    settings = QSettings(str(tmp_path / "kept.ini"), QSettings.Format.IniFormat)
    one, other = tmp_path / "one.mcap", tmp_path / "other.mcap"
    window = windows(NoFeed(), settings=settings, played=Played(one, "", "of one.mcap"))
    view, names = names_of(window)
    assert names == [str(one), ""]
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=PATIENCE_MS)
    window.show_view(window.views.index(view))
    assert "name the second" in view.canvas.picture.words
    press(qtbot, window, "e")
    assert view.names[1].hasFocus()
    view.names[1].setText(str(other))
    window.close()
    # The other one first the next time, and what it was compared with stays beside it.
    window = windows(NoFeed(), settings=settings, played=Played(other, "", "of other.mcap"))
    assert names_of(window)[1] == [str(other), str(one)]


def test_only_the_last_pair_that_was_asked_for_is_shown(view):
    view._asked = 2
    view._take(1, hose_and_none())
    assert view.laid is None
    view._take(2, hose_and_none())
    assert view.laid is not None


def test_without_names_it_asks_for_them(window, view, qtbot):
    view.compare()
    assert view.names[0].hasFocus()
    assert "name the first and the second" in view.canvas.picture.words


def test_the_names_are_there_again_next_time(windows, tmp_path):
    settings = QSettings(str(tmp_path / "kept.ini"), QSettings.Format.IniFormat)
    first = windows(NoFeed(), settings=settings)
    next(v for v in first.views if v.name == "Two recordings").names[1].setText("b.mcap")
    first.close()
    second = windows(NoFeed(), settings=settings)
    names = [line.text() for line in next(v for v in second.views if v.name == "Two recordings").names]
    assert names == ["", "b.mcap"]


@pytest.mark.parametrize(
    ("look", "size"),
    [
        pytest.param(Look(LIGHT), (1280, 720), id="nominal"),
        pytest.param(Look(DARK, 2.0), (1280, 720), id="large"),
        pytest.param(Look(LIGHT), (640, 360), id="200 %"),
        pytest.param(Look(LIGHT, 2.0), (640, 360), id="200 % and large"),
    ],
)
def test_no_text_is_cut(window, view, look, size):
    window.resize(*size)
    window.use_look(look)
    for laid in (None, hose_and_none(), twelve(), lay(with_hose(), unnamed())):
        show(view, laid)
        for place in range(len(laid.choices) if laid is not None else 1):
            view.place = place
            view._show()
            QApplication.processEvents()
            view.grab()
            assert [text.words for text in view.canvas.unfit] + cut_texts(view) == [], place


def test_it_is_saved_as_a_picture(window, view, tmp_path):
    show(view, hose_and_none())
    for suffix in ("png", "svg"):
        window.save_view(tmp_path / f"two.{suffix}")
        assert "Saved" in window._notice_line.text()
    assert QImage(str(tmp_path / "two.png")).width() == 2 * view.canvas.width()
    assert "Cylinder 2" in (tmp_path / "two.svg").read_text(encoding="utf-8")
