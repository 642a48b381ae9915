"""The window on a real X server, with keys and mouse: some of the tests without a screen, run by themselves."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_EVENTS = "number_keys or marks_the_moment or click or keys_are_shown or state_is_kept"


@pytest.mark.skipif(
    shutil.which("xvfb-run") is None, reason="no Xvfb: the window was not shown on an X server"
)
def test_the_window_s_tests_pass_on_an_x_server():
    tests = Path(__file__).with_name("test_window_main.py")
    ran = subprocess.run(
        [
            *("xvfb-run", "--auto-servernum", "--server-args=-screen 0 1600x1000x24"),
            *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", _EVENTS, str(tests)),
        ],
        env={**os.environ, "QT_QPA_PLATFORM": "xcb"},
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
