"""rig -> daemon -> ZeroMQ -> window, each its own process or thread; the daemon is killed and comes back."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
pytest.importorskip("PySide6", reason="no PySide6: the window was not watched")

from evenstroke_replay.recording import RecordedNote, open_recording
from evenstroke_replay.recording_format import Note
from evenstroke_viewer.asking import Control
from evenstroke_viewer.feed import LiveFeed
from evenstroke_viewer.replay_feed import ReplayFeed
from evenstroke_viewer.sentence import say
from evenstroke_viewer.windows.main_window import MainWindow, application
from evenstroke_viewer.windows.view import PictureView
from PySide6.QtCore import QSettings, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QFileDialog, QLineEdit
from setup_texts import CANNOT_START, FOUR, intake, sampled, spark
from x_server import ON_AN_X_SERVER, needs_xvfb, passes_on_an_x_server

LIMIT_MS = 120_000
SETUP = (
    FOUR.replace("[engine]", 'title = "watched"\n[engine]')
    + CANNOT_START
    + sampled(2000)
    + intake(input=0, low_corner_hz=1.0, volts_per_unit=0.5, volts_at_zero=2.5)
    + spark(input=1, offset_deg=-8)
)


def two_free_ports():
    with socket.socket() as one, socket.socket() as other:
        one.bind(("127.0.0.1", 0))
        other.bind(("127.0.0.1", 0))
        return one.getsockname()[1], other.getsockname()[1]


@pytest.fixture
def window(qtbot, tmp_path):
    stream, control = two_free_ports()
    application([])
    settings = QSettings(str(tmp_path / "window.ini"), QSettings.Format.IniFormat)
    made = MainWindow(LiveFeed(f"tcp://127.0.0.1:{stream}"), settings, Control(f"tcp://127.0.0.1:{control}"))
    qtbot.addWidget(made)
    made.addresses = ("--publish", f"tcp://127.0.0.1:{stream}", "--control", f"tcp://127.0.0.1:{control}")
    made.show()
    yield made
    made.close()


def press(window, key, modifiers=Qt.KeyboardModifier.NoModifier):
    QTest.keyClick(window.focusWidget() or window, key, modifiers)


def save_with_keys(window, until, path):
    """Ctrl+S, the file's name typed into the dialog, Enter."""
    press(window, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    until(lambda: any(d.isVisible() for d in window.findChildren(QFileDialog)))
    dialog = next(d for d in window.findChildren(QFileDialog) if d.isVisible())
    line = dialog.findChild(QLineEdit, "fileNameEdit")
    until(line.hasFocus)
    line.clear()
    QTest.keyClicks(line, str(path))
    QTest.keyClick(line, Qt.Key.Key_Return)
    until(path.is_file)
    window.activateWindow()  # as a window manager does; the screens of tests have none
    until(window.isActiveWindow)


def go_through_all_views(window, until):
    """By the number keys; each draws what has come, and no text of it is cut."""
    for number, view in enumerate(window.views, 1):
        press(window, Qt.Key.Key_0 + number)
        until(view.isVisible)
        if isinstance(view, PictureView):
            until(lambda view=view: view.canvas.picture is not None)
            window.grab()
            assert [text.words for text in view.canvas.unfit] == [], view.name
    press(window, Qt.Key.Key_1)


def test_it_waits_follows_marks_and_outlives_the_daemon(window, qtbot, program, rig, tmp_path):
    setup = tmp_path / "four.toml"
    setup.write_text(SETUP)

    def until(there):
        qtbot.waitUntil(there, timeout=LIMIT_MS)

    def listen():
        _, port = rig("--setup", setup, "--rest", "0.5", "--cranking", "30", "--alter", "intake", "4", "-20")
        return program(
            *("listen", "--port", port, "--setup", setup, "--quick", "--record", tmp_path / "kept"),
            *window.addresses,
        )

    until(lambda: window.model.revision > 0)
    assert say(window.model).sentence.startswith("Waiting")

    daemon = listen()
    until(lambda: len(window.model.cycles) >= 3)
    assert window.model.state.recording is not None
    window.activateWindow()
    QTest.keyClick(window, Qt.Key.Key_M)
    QTest.keyClicks(window._note, "coughed")
    QTest.keyClick(window._note, Qt.Key.Key_Return)
    until(lambda: window._notice_line.text() != "")
    assert window._notice_line.text() == "Marked: coughed"
    until(lambda: say(window.model).sentence.startswith("Cylinder 4's intake pulse"))
    go_through_all_views(window, until)
    press(window, Qt.Key.Key_3)
    for name in ("carpet.png", "carpet.svg"):
        save_with_keys(window, until, tmp_path / name)
    assert "intake" in (tmp_path / "carpet.svg").read_text()

    daemon.process.kill()
    until(lambda: say(window.model).sentence.startswith("Nothing is heard"))
    (kept,) = (tmp_path / "kept").glob("*.mcap")
    notes = [
        item.content.text
        for item in open_recording(kept, check_all=False).items()
        if isinstance(item, RecordedNote) and isinstance(item.content, Note)
    ]
    assert any(note.startswith("coughed (at ") for note in notes)

    before_s = window.model.state.at_s
    listen()
    until(lambda: window.model.state is not None and window.model.state.at_s < before_s)
    until(lambda: len(window.model.cycles) >= 2)
    assert [c.sequence for c in window.model.cycles] == list(range(len(window.model.cycles)))
    QTest.keyClick(window, Qt.Key.Key_R)
    until(lambda: window.model.state.recording is None)
    assert window._notice_line.text() == "The recording is closed."
    QTest.keyClick(window, Qt.Key.Key_R)
    until(lambda: window.model.state.recording is not None)
    assert len(list((tmp_path / "kept").glob("*.mcap"))) == 3

    # What the killed daemon left is played, with its mark, and scrubbed.
    recording = open_recording(kept, check_all=False)
    settings = QSettings(str(tmp_path / "played.ini"), QSettings.Format.IniFormat)
    played = MainWindow(ReplayFeed(recording, recording.setup), settings, None)
    qtbot.addWidget(played)
    played.show()
    played.activateWindow()
    until(played.isActiveWindow)
    press(played, Qt.Key.Key_Plus)
    until(lambda: played.model.playing is not None and played.model.playing.speed == 2.0)
    press(played, Qt.Key.Key_Space)
    until(lambda: played.model.playing.paused)
    for _ in range(3):
        press(played, Qt.Key.Key_F)
    until(lambda: say(played.model).sentence.startswith("Cylinder 4's intake pulse"))
    until(lambda: played.model.playing.to_s is None)
    assert [mark.words.split(" (at ")[0] for mark in played.model.marks] == ["coughed"]
    end_s = played.model.playing.at_s
    press(played, Qt.Key.Key_B)
    until(lambda: played.model.playing.to_s is None and played.model.playing.at_s < end_s - 1.0)
    assert played._scrub.maximum() >= int(10 * end_s)  # it was cut, and says nowhere how long it is
    played.seek_tenths(20)
    until(lambda: played.model.playing.to_s is None and abs(played.model.playing.at_s - 2.0) < 0.2)
    go_through_all_views(played, until)
    played.close()


@needs_xvfb
@pytest.mark.skipif(ON_AN_X_SERVER, reason="this is that X server")
def test_the_same_on_an_x_server():
    passes_on_an_x_server(Path(__file__), "outlives_the_daemon")
