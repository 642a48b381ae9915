"""Memory of a window over a 20-minute recording played as fast as it goes, each view shown in turn.

    python tests/soak/viewer_memory.py [--seconds 1200]

Prints the resident memory for each minute of the recording from the sixth on: by then the player has
had as many copies of its state as it ever keeps (32), and every ring is full. Copies grow a little with the cycles in
them, and are thinned when there are too many. Exit code 1 where the second half needs 5 % more than the first.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import msgspec
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_viewer.replay_feed import ReplayFeed
from evenstroke_viewer.windows.main_window import MainWindow, application
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

sys.path.insert(0, str(Path(__file__).parent))
from long_stream import SETUP, SETUP_TEXT, pieces
from memory_hour import resident_mb

SETTLED_S = 360.0
MOST_GROWTH = 1.05


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=1200.0)
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.mcap"
        with Recorder(path, SETUP_TEXT, started_at=datetime.now(UTC)) as recorder:
            for data, host_ns in pieces(seconds):
                recorder.received(data, host_ns)
        application([])
        feed = ReplayFeed(open_recording(path, check_all=False), SETUP, speed=AS_FAST_AS_IT_GOES)
        settings = QSettings(str(Path(folder) / "window.ini"), QSettings.Format.IniFormat)
        window = MainWindow(feed, settings, None)
        window.show()
        began, by_minute, shown = time.monotonic(), dict[int, float](), 0
        while window.model.playing is None or not window.model.playing.paused:
            QApplication.processEvents()
            time.sleep(0.001)
            at_s = window.model.now_s
            if at_s >= SETTLED_S and int(at_s // 60) not in by_minute:
                by_minute[int(at_s // 60)] = round(resident_mb(), 1)
                shown = (shown + 1) % len(window.views)
                window.show_view(shown)
        window.close()
    values = list(by_minute.values())
    half = len(values) // 2
    grew = max(values[half:]) > MOST_GROWTH * max(values[:half])
    result = {
        "resident_mb_by_minute": by_minute,
        "times_real_time": round(seconds / (time.monotonic() - began), 1),
        "grew": grew,
    }
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")
    return int(grew)


if __name__ == "__main__":
    sys.exit(main())
