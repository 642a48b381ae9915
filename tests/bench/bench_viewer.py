"""What the window costs, and how late it is.

    python tests/bench/bench_viewer.py [--seconds 10] [--recording-seconds 600] [--only frames|delay|start|typing|scrub]

frames: how often a second the window looks for what is new and paints what has changed, its share of one core, and the
processor's time for each frame, for streams of 4 x 10 and 8 x 50 kS/s, each view, and the strip with ten seconds in sight.
Floor: a plain window that takes in the same stream and fills itself with one colour thirty times a second.
delay: from a published cycle to the pixels that show it (a new row of the view Carpet painted), milliseconds. Floor: a bare
ZeroMQ subscriber in the same process.
start: from the process's start to the first frame painted, seconds. Floor: Qt's own, of a plain window.
typing: from a key typed into the set-up's form to the frame that shows what it changed, milliseconds: into fields of a whole
set-up (one that nothing else depends on, one that changes what the check says, one whose every letter is an error). Floor:
the same keys into the same kind of line with nothing behind it.
scrub: from a wish to be elsewhere in a recording to the frame that shows what was known there, and to its waveforms as
sampled; beginning with its end while nothing was played yet, when the window's frames are counted, too. Floor: the bare
player through all of it, and through the ten seconds that are shown.
load: how many processes wanted to run meanwhile (the system's average over a minute); figures of time are worth little where
it is above the number of cores.
Offscreen unless QT_QPA_PLATFORM says otherwise; an X server or a desktop adds its own.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests" / "viewer"), str(ROOT / "tests" / "soak")]

import msgspec  # noqa: E402
import numpy as np  # noqa: E402
import zmq  # noqa: E402
from evenstroke_dsp.messages import TOPIC_OF, Balance, Cycle, Wave, WaveData, encode_header  # noqa: E402
from evenstroke_viewer.feed import Handed, Jumped, LiveFeed  # noqa: E402
from evenstroke_viewer.windows.main_window import FRAME_MS, MainWindow, application  # noqa: E402
from evenstroke_viewer.windows.strip_view import StripView  # noqa: E402
from PySide6.QtCore import QSettings, QTimer  # noqa: E402
from PySide6.QtGui import QColor, QPainter  # noqa: E402
from PySide6.QtWidgets import QApplication, QWidget  # noqa: E402
from scenarios import stream_of  # noqa: E402

BLOCK_S = 0.05


class Source:
    """Publishes a made-up stream of so many inputs in real time, from a process of its own."""

    def __init__(self, inputs: int, rate_hz: int) -> None:
        code = (
            f"import sys; sys.path[:0] = {sys.path[:2]!r}\n"
            f"import bench_viewer as b; b.publish({inputs}, {rate_hz})"
        )
        self._process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])},
        )
        assert self._process.stdout is not None
        self.address = self._process.stdout.readline().strip()

    def close(self) -> None:
        self._process.terminate()
        self._process.wait()


def publish(inputs: int, rate_hz: int) -> None:
    """In the other process: for ever, waves at the rate and the cycles of a real scene three times a second."""
    socket = zmq.Context().socket(zmq.PUB)
    port = socket.bind_to_random_port("tcp://127.0.0.1")
    sys.stdout.write(f"tcp://127.0.0.1:{port}\n")
    sys.stdout.flush()
    began, sent = time.monotonic(), 0
    scene = [m for m in stream_of("odd") if not isinstance(m, WaveData)]
    wanted = iter_forever(scene)
    numbers: dict[str, int] = {}
    while True:
        ahead_s = began + sent * BLOCK_S - time.monotonic()
        if ahead_s > 0:
            time.sleep(ahead_s)
        for kind, rate in (("raw", rate_hz), ("conditioned", 1000)):
            count = round(rate * BLOCK_S)
            times = sent * BLOCK_S + np.arange(count) / rate
            values = np.sin(2 * np.pi * 10 * times)[None, :] + 0.1 * np.random.default_rng(
                sent
            ).standard_normal((inputs, count))
            header = Wave(
                sequence=numbers.setdefault("wave", 0),
                kind=kind,  # type: ignore[arg-type]
                probes=tuple(f"probe {k}" for k in range(inputs)),
                units=("kPa",) * inputs,
                shape=(inputs, count),
                t0_s=sent * BLOCK_S,
                dt_s=1 / rate,
            )
            numbers["wave"] += 1
            socket.send_multipart([b"wave", encode_header(header), values.astype("<f4").tobytes()])
        if sent % 6 == 0:
            for _ in range(3):
                message = next(wanted)
                topic = TOPIC_OF[type(message)]
                number = numbers.setdefault(topic, 0)
                numbers[topic] += 1
                changed = msgspec.structs.replace(message, sequence=number)
                if isinstance(changed, Cycle):
                    at_s = sent * BLOCK_S
                    changed = msgspec.structs.replace(changed, index=number, from_s=at_s - 0.6, to_s=at_s)
                socket.send_multipart([topic.encode(), encode_header(changed)])
        sent += 1


def iter_forever(items: list) -> Iterator:  # type: ignore[type-arg]
    while True:
        yield from items


def window_on(feed: object, folder: str) -> MainWindow:
    application([])
    settings = QSettings(str(Path(folder) / "window.ini"), QSettings.Format.IniFormat)
    window = MainWindow(feed, settings, None)  # type: ignore[arg-type]
    window.resize(1280, 720)
    window.show()
    return window


def spin(seconds: float, until: Callable[[], bool] = lambda: False) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        QApplication.processEvents()
        if until():
            return True
        time.sleep(0.0005)
    return until()


class Plain(QWidget):
    """What takes in a stream and shows nothing of it."""

    def __init__(self, feed: LiveFeed) -> None:
        super().__init__()
        self._feed = feed
        self._timer = QTimer(self)
        self._timer.timeout.connect(self._advance)
        self.resize(1280, 720)
        self.show()
        feed.start()
        self._timer.start(FRAME_MS)

    def _advance(self) -> None:
        self._feed.inbox.take()
        self.update()

    def paintEvent(self, _: object) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor("#ffffff"))
        painter.end()


def core_share_of_plain(seconds: float, address: str) -> float:
    application([])
    feed = LiveFeed(address)
    plain = Plain(feed)
    spin(1.0)
    cpu, began = time.process_time(), time.monotonic()
    spin(seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - began)
    plain.close()
    plain.deleteLater()
    feed.close()
    return share


def frames(seconds: float, folder: str) -> dict[str, object]:
    result: dict[str, object] = {}
    for inputs, rate_hz in ((4, 10_000), (8, 50_000)):
        source = Source(inputs, rate_hz)
        floor = core_share_of_plain(seconds, source.address)
        result[f"{inputs} x {rate_hz // 1000} kS/s, floor"] = {"core_share": round(floor, 3)}
        window = window_on(LiveFeed(source.address), folder)
        spin(60, lambda model=window.model: model.now_s > 10.0)  # type: ignore[misc]
        shown = [(number, view, view.name) for number, view in enumerate(window.views)]
        strip = next(view for view in window.views if isinstance(view, StripView))
        shown.append((window.views.index(strip), strip, "Strip, 10 s in sight"))
        for number, view, name in shown:
            if name != view.name:
                strip.sight = replace(strip.sight, seconds=10.0)
            window.show_view(number)
            spin(0.5)
            before, cpu, began = window.frames, time.process_time(), time.monotonic()
            spin(seconds)
            took, cpu = time.monotonic() - began, time.process_time() - cpu
            painted = window.frames - before
            result[f"{inputs} x {rate_hz // 1000} kS/s, {name}"] = {
                "frames_per_s": round(painted / took, 1),
                "core_share": round(cpu / took, 3),
                "ratio_to_floor": round(cpu / took / floor, 1),
                "processor_ms_per_frame": round(1000 * cpu / max(1, painted), 1),
                "dropped_or_missed": window.model.dropped + window.model.missed,
            }
        window.close()
        source.close()
    return result


def delay(cycles: int, folder: str) -> dict[str, float]:
    """Cycles and balances published from this process; each painted when the words of a view have changed."""
    context = zmq.Context()
    socket = context.socket(zmq.XPUB)
    socket.linger = 0
    port = socket.bind_to_random_port("tcp://127.0.0.1")
    window = window_on(LiveFeed(f"tcp://127.0.0.1:{port}"), folder)
    window.show_view(2)  # the carpet gains a row with each cycle
    socket.recv()
    scene = [m for m in stream_of("odd") if isinstance(m, (Cycle, Balance))]
    first = next(m for m in stream_of("odd") if type(m).__name__ == "State")
    socket.send_multipart([b"state", encode_header(first)])
    spin(1.0)
    painted = threading.Event()
    canvas = window.views[2].canvas  # type: ignore[attr-defined]
    paint = canvas.paintEvent

    def painting(event: object) -> None:
        paint(event)
        painted.set()

    canvas.paintEvent = painting
    template = next(m for m in scene if isinstance(m, Cycle) and m.left_out is None)
    delays = []
    rng = np.random.default_rng(1)
    for number in range(cycles):
        spin(float(rng.uniform(0.1, 0.2)))
        at_s = 0.6 * number
        cycle = msgspec.structs.replace(
            template, sequence=number, index=number, from_s=at_s, to_s=at_s + 0.6, probes=template.probes
        )
        painted.clear()
        began = time.perf_counter()
        socket.send_multipart([b"cycle", encode_header(cycle)])
        spin(5.0, painted.is_set)
        delays.append(1000 * (time.perf_counter() - began))
    window.close()
    bare = zmq_delay_ms(context, encode_header(template))
    socket.close()
    context.term()
    return {
        "p50_ms": round(float(np.median(delays)), 1),
        "p99_ms": round(float(np.quantile(delays, 0.99)), 1),
        "floor_p50_ms": round(bare, 3),
        "of_it_half_a_frame_ms": FRAME_MS / 2,
    }


def zmq_delay_ms(context: zmq.Context[zmq.Socket[bytes]], header: bytes) -> float:
    socket, listener = context.socket(zmq.XPUB), context.socket(zmq.SUB)
    socket.linger = listener.linger = 0
    port = socket.bind_to_random_port("tcp://127.0.0.1")
    listener.subscribe(b"")
    listener.connect(f"tcp://127.0.0.1:{port}")
    socket.recv()  # it listens
    took = []
    for _ in range(100):
        began = time.perf_counter()
        socket.send_multipart([b"cycle", header])
        listener.recv_multipart()
        took.append(1000 * (time.perf_counter() - began))
    listener.close()
    socket.close()
    return float(np.median(took))


_PLAIN = """
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication, QWidget

class Plain(QWidget):
    def paintEvent(self, event):
        print("painted", flush=True)
        QTimer.singleShot(0, QApplication.quit)

app = QApplication([])
plain = Plain()
plain.resize(1280, 720)
plain.show()
app.exec()
"""

_STARTED = """
import tempfile
from pathlib import Path
from evenstroke_viewer import command_watch
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication
from evenstroke_viewer.windows.view import PictureWidget

paint = PictureWidget.paintEvent

def painting(widget, event):
    paint(widget, event)
    print("painted", flush=True)
    QTimer.singleShot(0, QApplication.quit)

PictureWidget.paintEvent = painting
with tempfile.TemporaryDirectory() as folder:
    command_watch.state_file = lambda: Path(folder) / "window.ini"
    command_watch.command.main(["--connect", "tcp://127.0.0.1:9"], standalone_mode=False)
"""


def started_s(code: str) -> float:
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.readline()
    took = time.perf_counter() - began
    process.wait()
    return took


def start(rounds: int) -> dict[str, float]:
    """`evenstroke watch` in a process of its own each time, from its start to the first picture painted."""
    both = [(started_s(_STARTED), started_s(_PLAIN)) for _ in range(rounds)]
    took, floor = (float(np.median(each)) for each in zip(*both, strict=True))
    return {
        "median_s": round(took, 2),
        "worst_s": round(max(each[0] for each in both), 2),
        "floor_median_s": round(floor, 2),
        "ratio_to_floor": round(took / floor, 1),
    }


def typing(keys: int, folder: str) -> dict[str, object]:
    """Each key is typed once the one before is shown, into a window that draws itself on demand."""
    from evenstroke_replay.setup_files import load_setup
    from evenstroke_viewer.setup_document import SetupDocument
    from evenstroke_viewer.windows.form_widgets import TextLine
    from PySide6.QtCore import Qt
    from PySide6.QtTest import QTest
    from screens import NoFeed

    window = window_on(NoFeed(), folder)
    window._timer.stop()
    form = next(view for view in window.views if view.name == "Set-up")
    window.show_view(window.views.index(form))
    text = load_setup("demo")[1]

    def typed(line: TextLine, words: str) -> list[float]:
        took = []
        for letter in (words * keys)[:keys]:
            began = time.perf_counter()
            QTest.keyClick(line, Qt.Key.Key_Backspace if letter == "<" else letter)
            QApplication.processEvents()
            took.append(1000 * (time.perf_counter() - began))
        return took

    alone = TextLine()
    alone.resize(600, 30)
    alone.show()
    spin(0.5)
    floor = typed(alone, "87.5<<<<")
    result: dict[str, object] = {"floor_ms": _spread(floor)}
    for name, path, words in (
        ("engine.bore_mm", ("engine", "bore_mm"), "<4"),
        ("fitted volume", ("probe", 3, "added_volume_cc"), "<4"),
        ("firing order, wrong and right", ("engine", "firing_order"), "<4"),
    ):
        form._use(SetupDocument(text, "demo.toml"), Path("demo.toml"), text)  # type: ignore[attr-defined]
        spin(0.5)
        editor = form.editors[path]  # type: ignore[attr-defined]
        editor.take_focus()
        took = typed(editor.line, words)
        result[name] = {
            **_spread(took),
            "ratio_of_medians": round(float(np.median(took) / np.median(floor)), 1),
        }
    alone.close()
    window.close()
    return result


def _spread(took: list[float]) -> dict[str, float]:
    return {
        "p50_ms": round(float(np.median(took)), 2),
        "p99_ms": round(float(np.quantile(took, 0.99)), 2),
        "worst_ms": round(max(took), 2),
    }


def scrub(seconds: float, jumps: int, folder: str) -> dict[str, object]:
    """Anywhere within what was played before, and once to the end of what was not."""
    from datetime import UTC, datetime

    from evenstroke_replay.pacing import SeekTo
    from evenstroke_replay.playback import Playback
    from evenstroke_replay.recorder import Recorder
    from evenstroke_replay.recording import open_recording
    from evenstroke_viewer.replay_feed import ReplayFeed
    from long_stream import SETUP, SETUP_TEXT, pieces

    path = Path(folder) / "long.mcap"
    with Recorder(path, SETUP_TEXT, started_at=datetime.now(UTC)) as recorder:
        for data, host_ns in pieces(seconds):
            recorder.received(data, host_ns)
    feed = ReplayFeed(open_recording(path, check_all=False), SETUP, paused=True)
    window = window_on(feed, folder)
    spin(60, lambda: window.model.playing is not None)

    jumped: list[object] = []
    take = window.model.take

    def taking(message: Handed) -> None:
        take(message)
        if isinstance(message, Jumped):
            jumped.append(message)

    window.model.take = taking  # type: ignore[method-assign]

    def jump(to_s: float) -> tuple[float, float]:
        jumped.clear()
        began = time.perf_counter()
        feed.do(SeekTo(to_s))
        spin(600, lambda: bool(jumped))
        known = time.perf_counter() - began
        spin(
            600,
            lambda: (
                (playing := window.model.playing) is not None
                and abs(playing.at_s - to_s) < 0.2
                and playing.to_s is None
            ),
        )
        return known, time.perf_counter() - began

    before = window.frames
    first = jump(seconds - 5.0)
    per_s = (window.frames - before) / first[1]
    places = np.random.default_rng(2).uniform(0.0, seconds - 5.0, jumps)
    took = [jump(float(to_s)) for to_s in places]
    window.close()
    known, there = zip(*took, strict=True)
    began, cpu = time.perf_counter(), time.process_time()
    playback = Playback(open_recording(path, check_all=False), SETUP)
    while playback.next() is not None:
        pass
    floor, cpu = time.perf_counter() - began, time.process_time() - cpu
    ten_s = 10.0 * floor / seconds
    return {
        "first_jump_to_the_end_s": round(first[1], 1),
        "frames_per_s_meanwhile": round(per_s, 1),
        "floor_bare_player_s": round(floor, 1),
        "of_the_processor_s": round(cpu, 1),
        "ratio_to_floor": round(first[1] / floor, 2),
        "then_cycles_and_words_p50_s": round(float(np.median(known)), 3),
        "then_waveforms_too_p50_s": round(float(np.median(there)), 2),
        "then_waveforms_too_worst_s": round(max(there), 2),
        "floor_ten_seconds_s": round(ten_s, 2),
        "then_ratio_to_floor": round(float(np.median(there)) / ten_s, 2),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=10.0, help="of each view and stream")
    parser.add_argument("--cycles", type=int, default=200, help="whose delay is measured")
    parser.add_argument("--rounds", type=int, default=5, help="of starting")
    parser.add_argument("--keys", type=int, default=60, help="typed into each field")
    parser.add_argument("--recording-seconds", type=float, default=600.0)
    parser.add_argument("--jumps", type=int, default=20)
    parser.add_argument("--only", choices=("frames", "delay", "start", "typing", "scrub"))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        parts: dict[str, Callable[[], object]] = {
            "frames": lambda: frames(given.seconds, folder),
            "delay": lambda: delay(given.cycles, folder),
            "start": lambda: start(given.rounds),
            "typing": lambda: typing(given.keys, folder),
            "scrub": lambda: scrub(given.recording_seconds, given.jumps, folder),
        }
        result = {name: work() for name, work in parts.items() if given.only in (None, name)}
    result["load"] = round(os.getloadavg()[0], 1)
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")


if __name__ == "__main__":
    main()
