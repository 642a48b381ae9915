"""The window itself, without a screen, with real key and mouse events."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from evenstroke_dsp.messages import Mark, StartRecording, State, StopRecording
from evenstroke_replay.recording import open_recording
from evenstroke_viewer.asking import Control
from evenstroke_viewer.feed import Delivery, Player, Playing
from evenstroke_viewer.look import DARK, LIGHT, TYPE_SCALES, Look
from evenstroke_viewer.replay_feed import ReplayFeed
from evenstroke_viewer.units import PressureUnit
from evenstroke_viewer.windows.view import PictureView
from PySide6.QtCore import QPoint, QSettings, Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest
from recordings import record
from scenarios import stream_of
from screens import NoFeed

LIMIT_MS = 600_000


class Asked:
    """Stands where the daemon's control socket stands: what was asked, and what is answered."""

    def __init__(self, monkeypatch, answer=None):
        self.requests = []

        def ask_aside(control, request, answered):
            self.requests.append((control.address, request))
            answered(answer)

        monkeypatch.setattr("evenstroke_viewer.windows.main_window.ask_aside", ask_aside)


@pytest.fixture
def window(windows, scenes):
    made = windows(NoFeed(), control=Control())
    made._timer.stop()
    made.model = scenes("odd")
    shown(made)
    made.redraw()
    return made


def shown(window):
    window.show()
    window.activateWindow()
    assert QTest.qWaitForWindowActive(window, LIMIT_MS)
    return window


def press(window, key, modifiers=Qt.KeyboardModifier.NoModifier):
    QTest.keyClick(window.focusWidget() or window, key, modifiers)


def test_number_keys_and_the_mouse_choose_views(window):
    for number in range(1, len(window.views) + 1):
        press(window, Qt.Key.Key_0 + number)
        assert window._tabs.currentIndex() == number - 1
        assert window.views[number - 1].isVisible()
    QTest.mouseClick(window._tabs, Qt.MouseButton.LeftButton, pos=window._tabs.tabRect(0).center())
    assert window._tabs.currentIndex() == 0
    press(window, Qt.Key.Key_Tab, Qt.KeyboardModifier.ControlModifier)
    assert window._tabs.currentIndex() == 1


def test_m_marks_the_moment_at_which_it_was_pressed(window, monkeypatch):
    asked = Asked(monkeypatch)
    at_s = window.model.now_s
    press(window, Qt.Key.Key_M)
    assert window._note.isVisible() and window._note.hasFocus()
    QTest.keyClicks(window._note, "coughed, d and u are letters here")
    QTest.keyClick(window._note, Qt.Key.Key_Return)
    (address, request) = asked.requests[0]
    assert address == "tcp://127.0.0.1:7721"
    assert isinstance(request, Mark)
    assert request.text == f"coughed, d and u are letters here (at {at_s:.2f} s)"
    assert window.look.theme is LIGHT and window.model.pressure_unit is PressureUnit.KPA
    assert not window._note.isVisible()
    assert window.model.marks[-1].at_s == at_s
    assert "Marked" in window._notice_line.text()


def test_escape_marks_nothing(window, monkeypatch):
    asked = Asked(monkeypatch)
    press(window, Qt.Key.Key_M)
    QTest.keyClick(window._note, Qt.Key.Key_Escape)
    assert not window._note.isVisible() and asked.requests == []
    press(window, Qt.Key.Key_U)  # keys mean their own again
    assert window.model.pressure_unit is PressureUnit.BAR


def test_r_begins_and_closes_a_recording_and_says_what_was_refused(window, monkeypatch, scenes):
    asked = Asked(monkeypatch, answer="the disk is full")
    press(window, Qt.Key.Key_R)
    window.model = scenes("rest")  # not recording
    press(window, Qt.Key.Key_R)
    assert [type(request) for _, request in asked.requests] == [StopRecording, StartRecording]
    assert window._notice_line.text() == "Not done: the disk is full"


def test_dark_light_large_and_units(window):
    press(window, Qt.Key.Key_D)
    assert window.look.theme is DARK
    for scale in TYPE_SCALES[1:]:
        press(window, Qt.Key.Key_L)
        assert window.look.type_scale == scale
    press(window, Qt.Key.Key_0)
    assert window.look.type_scale == 1.0
    for unit in ("bar", "psi", "inHg"):
        press(window, Qt.Key.Key_U)
        window.redraw()
        assert any(f"\N{NO-BREAK SPACE}{unit} " in text for text in window.views[0].canvas.picture.texts)


def test_the_window_s_state_is_kept(windows, tmp_path):
    def settings():
        return QSettings(str(tmp_path / "kept.ini"), QSettings.Format.IniFormat)

    closed = windows(NoFeed(), settings=settings())
    shown(closed)
    closed.resize(700, 600)  # the screen that is not there has 800 x 800
    for key in (Qt.Key.Key_D, Qt.Key.Key_L, Qt.Key.Key_U, Qt.Key.Key_3):
        press(closed, key)
    closed.close()
    again = windows(NoFeed(), settings=settings())
    assert (again.look, again.model.pressure_unit) == (closed.look, PressureUnit.BAR)
    assert again.views[again._tabs.currentIndex()].name == "Carpet"
    assert (again.width(), again.height()) == (700, 600)


def test_a_spoilt_state_file_does_no_harm(windows, tmp_path):
    path = tmp_path / "spoilt.ini"
    path.write_text("[General]\ntheme=plaid\ntype_scale=9\npressure_unit=furlong\nview=Attic\ngeometry=7\n")
    window = windows(NoFeed(), settings=QSettings(str(path), QSettings.Format.IniFormat))
    assert (window.look.theme, window.look.type_scale) == (LIGHT, 1.0)
    assert window._tabs.currentIndex() == 0


def test_every_picture_view_is_saved_as_png_and_svg(window, tmp_path):
    for number, view in enumerate(window.views):
        if not isinstance(view, PictureView):
            continue
        window.show_view(number)
        window.save_view(tmp_path / f"{number}.png")
        image = QImage(str(tmp_path / f"{number}.png"))
        assert (image.width(), image.height()) == (2 * view.width(), 2 * view.height())
        window.save_view(tmp_path / f"{number}.svg")
        root = ElementTree.parse(tmp_path / f"{number}.svg").getroot()
        drawn = [e.tag.rpartition("}")[2] for e in root.iter()]
        assert {"title", "desc", "text"} <= set(drawn)
        words = "".join(root.itertext())
        assert "intake" in words


def test_what_cannot_be_saved_is_said(window, tmp_path):
    window.save_view(tmp_path / "no such folder" / "view.png")
    assert window._notice_line.text().startswith("Not saved")
    window.save_view(tmp_path / "view.gif")  # another format's name becomes a PNG's
    assert (tmp_path / "view.gif.png").is_file()


def test_the_keys_are_shown_and_fit(window):
    press(window, Qt.Key.Key_F1)
    shown = window._help
    assert shown.isVisible()
    for words in ("mark this moment", "kPa, bar, psi, inHg", "save this view"):
        assert words in shown.text()
    assert "pause the replay" not in shown.text()
    for view in window.views:  # those of the other views as well: nobody should have to look for them
        assert all(words in shown.text() for _, words in view.keys), view.name
    assert window.rect().contains(shown.geometry())
    assert shown.heightForWidth(shown.width()) <= shown.height()
    press(window, Qt.Key.Key_F1)
    assert not shown.isVisible()


@pytest.mark.parametrize("size", [(1280, 720), (640, 360)])
def test_the_keys_of_a_replay_fit_the_smallest_window_in_large_type(windows, tmp_path, size):
    recording = open_recording(record(tmp_path / "six.mcap", 3.0), check_all=False)
    window = shown(windows(ReplayFeed(recording, recording.setup, paused=True)))
    window.use_look(Look(LIGHT, 2.0))
    window.resize(*size)
    for number in range(len(window.views)):
        window.show_view(number)
        press(window, Qt.Key.Key_F1)
        assert "pause the replay" in window._help.text()
        assert window.rect().contains(window._help.geometry())
        assert window._help.heightForWidth(window._help.width()) <= window._help.height()
        press(window, Qt.Key.Key_F1)


def test_the_wheel_shows_another_comparison(window):
    window.show_view(1)
    wheel = window.views[1]
    first = wheel.canvas.picture.words
    press(window, Qt.Key.Key_Right)
    window.redraw()
    second = wheel.canvas.picture.words
    assert second != first and second.startswith("starter")
    press(window, Qt.Key.Key_Left)
    window.redraw()
    assert wheel.canvas.picture.words == first
    spot = wheel.canvas.picture.spots[0]
    QTest.mouseClick(wheel.canvas, Qt.MouseButton.LeftButton, pos=QPoint(int(spot.x) + 5, int(spot.y) + 5))
    window.redraw()
    assert wheel.canvas.picture.words == second


def test_a_click_into_the_carpet_shows_that_pulse(window):
    window.show_view(2)
    canvas = window.views[2].canvas
    spot = canvas.picture.spots[1 * 6 + 2]
    QTest.mouseClick(canvas, Qt.MouseButton.LeftButton, pos=QPoint(int(spot.x) + 4, int(spot.y) + 4))
    window.redraw()
    assert any(spot.words[1:] in text for text in canvas.picture.texts)
    press(window, Qt.Key.Key_Down)
    window.redraw()
    below = canvas.picture.spots[2 * 6 + 2]
    assert any(below.words[1:] in text for text in canvas.picture.texts)
    press(window, Qt.Key.Key_C)
    window.redraw()
    assert any(text.startswith("starter") for text in canvas.picture.texts)
    press(window, Qt.Key.Key_Home)


def test_nothing_is_drawn_anew_while_nothing_changes(window):
    canvas = window.views[0].canvas
    window.redraw()
    before = canvas.picture
    for _ in range(10):
        window.redraw()
    assert canvas.picture is before
    window.model.take(window.model.cycles[-1])
    window.redraw()
    assert canvas.picture is before  # composed anew, and found to be the same


def test_the_timer_fetches_and_draws(windows, qtbot):
    feed = NoFeed()
    window = windows(feed)
    window.show()
    for message in stream_of("cranking"):
        feed.inbox.put(message)
    qtbot.waitUntil(lambda: window.model.state is not None, timeout=LIMIT_MS)
    qtbot.waitUntil(lambda: "Keep cranking" in (window.views[0].canvas.picture.words), timeout=LIMIT_MS)
    delivery = feed.inbox.take()
    assert isinstance(delivery, Delivery) and delivery.messages == ()


class Waited(NoFeed, Player):
    """A recording of which a jump is waited for, or not."""

    def __init__(self):
        super().__init__()
        self.stayed = 0

    def do(self, command):
        raise AssertionError(command)

    def stay(self):
        self.stayed += 1


def test_escape_gives_up_a_jump_and_means_its_own_at_other_times(windows):
    feed = Waited()
    window = windows(feed)
    window._timer.stop()
    shown(window)
    feed.inbox.put(next(m for m in stream_of("odd") if isinstance(m, State)))
    feed.inbox.put(Playing(3.0, 600.0, 1.0, paused=True, to_s=595.0, share=0.4))
    window.advance()
    assert "40" in window._band.picture.words and "Esc" in window._band.picture.words
    assert window._scrub.value() == 30  # still where it is
    press(window, Qt.Key.Key_Escape)
    assert feed.stayed == 1
    feed.inbox.put(Playing(3.0, 600.0, 1.0, paused=True))
    window.advance()
    press(window, Qt.Key.Key_Escape)
    press(window, Qt.Key.Key_M)
    QTest.keyClick(window._note, Qt.Key.Key_Escape)
    assert feed.stayed == 1 and not window._note.isVisible()


def test_a_recording_is_played_and_scrubbed_by_keys_and_slider(windows, qtbot, tmp_path):
    recording = open_recording(record(tmp_path / "six.mcap", 6.0), check_all=False)
    window = windows(ReplayFeed(recording, recording.setup, paused=True))
    shown(window)

    def playing():
        return window.model.playing

    qtbot.waitUntil(lambda: playing() is not None and window._scrub.maximum() > 50, timeout=LIMIT_MS)
    assert window._scrub.isVisible()
    window.seek_tenths(45)
    qtbot.waitUntil(lambda: abs(playing().at_s - 4.5) < 0.2 and playing().to_s is None, timeout=LIMIT_MS)
    assert len(window.model.cycles) > 2
    assert window._scrub.value() == pytest.approx(45, abs=2)
    press(window, Qt.Key.Key_Comma)
    qtbot.waitUntil(lambda: abs(playing().at_s - 3.5) < 0.2, timeout=LIMIT_MS)
    press(window, Qt.Key.Key_Period)
    qtbot.waitUntil(lambda: abs(playing().at_s - 4.5) < 0.2, timeout=LIMIT_MS)
    press(window, Qt.Key.Key_Plus)
    qtbot.waitUntil(lambda: playing().speed == 2.0, timeout=LIMIT_MS)
    press(window, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: not playing().paused or playing().at_s > 5.5, timeout=LIMIT_MS)
    press(window, Qt.Key.Key_R)
    assert "nothing to record" in window._notice_line.text()
    window._note_at_s = 1.0
    press(window, Qt.Key.Key_M)
    QTest.keyClick(window._note, Qt.Key.Key_Return)
    assert "Marked here only" in window._notice_line.text()
