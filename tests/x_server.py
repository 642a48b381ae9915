"""Tests of windows that run without a screen, run once more on a real X server, in a process of their own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ON_AN_X_SERVER = os.environ.get("QT_QPA_PLATFORM") == "xcb"
needs_xvfb = pytest.mark.skipif(
    shutil.which("xvfb-run") is None, reason="no Xvfb: the window was not shown on an X server"
)


def passes_on_an_x_server(tests: Path, which: str) -> None:
    """Run those tests of a file whose names fit, as pytest's -k has it; fails with all that they said."""
    ran = subprocess.run(
        [
            *("xvfb-run", "--auto-servernum", "--server-args=-screen 0 1600x1000x24"),
            *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", which, str(tests)),
        ],
        env={**os.environ, "QT_QPA_PLATFORM": "xcb"},
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[1],
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
