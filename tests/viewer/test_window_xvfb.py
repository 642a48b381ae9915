"""The window on a real X server: some of the tests without a screen, run by themselves; and keys and mouse from outside it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from evenstroke_viewer.windows import VIEWS
from PySide6.QtCore import QSettings
from recordings import record
from x_server import needs_xvfb, passes_on_an_x_server

_EVENTS = "number_keys or marks_the_moment or click or keys_are_shown or state_is_kept"


LIMIT_S = 900
_WATCH = "from evenstroke_viewer.command_watch import command; command()"
_WIDE = 1280  # the window's own width when it is shown for the first time


@needs_xvfb
def test_the_window_s_tests_pass_on_an_x_server():
    passes_on_an_x_server(Path(__file__).with_name("test_window_main.py"), _EVENTS)


@needs_xvfb
@pytest.mark.skipif(
    shutil.which("xdotool") is None,
    reason="no xdotool: no key and no click came to the window from the X server",
)
def test_keys_and_clicks_that_the_x_server_sends_do_what_they_say(tmp_path):
    """`evenstroke watch` as a user starts it; nothing of Qt is called from here. What was done is in the state that it
    keeps when Ctrl+Q ends it."""
    path = record(tmp_path / "six.mcap", 4.0)
    names = [kind.removesuffix("View") for _, kind in VIEWS]
    strip = names.index("Strip")
    click = (str(round((strip + 0.5) * _WIDE / len(VIEWS))), "12")
    # Without a window in its own memory xdotool's keys and clicks come by the server's test extension, as a keyboard's do. The
    # last key ends the window that its release would go to.
    events = "; ".join(
        (
            "xdotool search --sync --onlyvisible --name '^evenstroke$' windowfocus --sync "
            f"mousemove --window %1 {' '.join(click)}",
            "xdotool key d key u key u key 3 key space click 1 key Down",
            "xdotool key ctrl+q 2>/dev/null",
        )
    )
    running = subprocess.Popen(
        [
            *("xvfb-run", "--auto-servernum", "--server-args=-screen 0 1600x1000x24", "sh", "-c"),
            f'"{sys.executable}" -c "{_WATCH}" --quick "$0" & {events}; wait $!',
            str(path),
        ],
        env={**os.environ, "QT_QPA_PLATFORM": "xcb", "XDG_CONFIG_HOME": str(tmp_path / "state")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        _, said = running.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired:
        os.killpg(running.pid, signal.SIGTERM)
        raise
    assert (running.returncode, said) == (0, "")
    kept = QSettings(str(tmp_path / "state" / "evenstroke" / "window.ini"), QSettings.Format.IniFormat)
    assert {key: kept.value(key) for key in ("theme", "pressure_unit", "view")} == {
        "theme": "dark",
        "pressure_unit": "psi",
        "view": "Strip",
    }
