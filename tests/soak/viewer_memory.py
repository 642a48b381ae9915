"""Memory of a window over a 20-minute recording played as fast as it goes, all views shown again and again.

    python tests/soak/viewer_memory.py [--seconds 1200] [--every 60]

every: seconds from one crank of nine seconds to the next. With --seconds 300 --every 12 as many cycles come in a quarter of
the time: five minutes of recording instead of twenty.

The second half is looked at: by then every view was shown several times and the rings of waveforms are full. What is
resident is read after the collector ran and malloc gave back what it holds in reserve, so that what grows is in use. A line
through the values has a slope; exit code 1 where it is steeper than what may grow:

- for each cycle, what the player remembers of it for the judgement (16 to 20 kB where it plays alone, up to 1000 cycles) and
  what the window shows of it (6.5 kB, up to 1000 cycles);
- 0.3 MB for each minute: one block of waveforms as sampled that is kept by mistake each second is more (0.5 MB).

What grew is named by the types of Python's objects that became more.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import os
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import msgspec
import numpy as np
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_viewer.replay_feed import ReplayFeed
from evenstroke_viewer.windows.main_window import MainWindow, application
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

sys.path.insert(0, str(Path(__file__).parent))
from long_stream import EVERY_S, SETUP, SETUP_TEXT, pieces
from memory_hour import resident_mb

CYCLE_MB = 0.026
MINUTE_MB = 0.3
LOOKS = 40
"""How often memory is read."""
VIEW_S = 3.0
"""Of the recording, until the next view is shown."""


def in_use_mb() -> float:
    gc.collect()
    ctypes.CDLL("libc.so.6").malloc_trim(0)
    return resident_mb()


def slope(at: list[float], values: list[float]) -> tuple[float, float]:
    """Of a least-squares line, and its standard error."""
    x = np.asarray(at) - np.mean(at)
    y = np.asarray(values) - np.mean(values)
    steep = float(x @ y / (x @ x))
    rest = y - steep * x
    return steep, float(np.sqrt(rest @ rest / (len(x) - 2) / (x @ x)))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=1200.0)
    parser.add_argument("--every", type=float, default=EVERY_S)
    given = parser.parse_args()
    seconds = given.seconds
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.mcap"
        with Recorder(path, SETUP_TEXT, started_at=datetime.now(UTC)) as recorder:
            for data, host_ns in pieces(seconds, every_s=given.every):
                recorder.received(data, host_ns)
        application([])
        feed = ReplayFeed(open_recording(path, check_all=False), SETUP, speed=AS_FAST_AS_IT_GOES)
        settings = QSettings(str(Path(folder) / "window.ini"), QSettings.Format.IniFormat)
        window = MainWindow(feed, settings, None)
        window.show()
        began, shown = time.monotonic(), 0
        at_s: list[float] = []
        resident: list[float] = []
        cycles: list[int] = []
        middle: Counter[str] = Counter()
        while window.model.playing is None or not window.model.playing.paused:
            QApplication.processEvents()
            time.sleep(0.001)
            now_s = window.model.now_s
            if now_s >= shown * VIEW_S:
                shown += 1
                window.show_view(shown % len(window.views))
            if now_s >= (len(at_s) + 1) * seconds / LOOKS:
                at_s.append(now_s)
                resident.append(in_use_mb())
                cycles.append(window.model.cycles[-1].sequence + 1 if window.model.cycles else 0)
                if len(at_s) == LOOKS // 2:
                    middle = Counter(type(thing).__name__ for thing in gc.get_objects())
        more = Counter(type(thing).__name__ for thing in gc.get_objects())
        more.subtract(middle)
        window.close()
    half = len(at_s) // 2
    minutes = (at_s[-1] - at_s[half]) / 60.0
    steep, doubt = slope([s / 60.0 for s in at_s[half:]], resident[half:])
    may = MINUTE_MB + CYCLE_MB * (cycles[-1] - cycles[half]) / minutes
    grew = steep - 2.0 * doubt > may or resident[-1] - resident[half] > 2.0 * may * minutes
    result = {
        "resident_mb": {f"{s:.0f} s": round(mb, 1) for s, mb in zip(at_s, resident, strict=True)},
        "cycles": cycles[-1],
        "slope_mb_per_minute": round(steep, 3),
        "its_standard_error": round(doubt, 3),
        "may_be_mb_per_minute": round(may, 3),
        "objects_more_in_the_second_half": dict(more.most_common(8)),
        "times_real_time": round(seconds / (time.monotonic() - began), 1),
        "grew": grew,
    }
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")
    return int(grew)


if __name__ == "__main__":
    sys.exit(main())
