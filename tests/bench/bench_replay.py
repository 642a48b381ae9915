"""What reading a recording costs, against a bare read of the same file by the public MCAP reader in the same run.

    python tests/bench/bench_replay.py [--seconds 600] [--rounds 3]

A recording of 4 x 10 kS/s, of which 9 s in every minute are cranking. Ratios to the floor travel between
machines; the absolute figures do not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from evenstroke_replay.playback import Playback
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.recovery import recover
from mcap.reader import make_reader

sys.path.insert(0, str(Path(__file__).parents[1] / "soak"))
from long_stream import SETUP, SETUP_TEXT, pieces


def bare_read(path: Path) -> None:
    with path.open("rb") as stream:
        for _ in make_reader(stream, validate_crcs=True).iter_messages(log_time_order=False):
            pass


def decode(path: Path) -> None:
    for _ in blocks_of(open_recording(path, check_all=False), SETUP):
        pass


def play(path: Path) -> None:
    playback = Playback(open_recording(path, check_all=False), SETUP)
    while playback.next() is not None:
        pass


def took_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def seeks(path: Path, seconds: float) -> dict[str, float]:
    """Processor seconds of opening, of going forward to 90 %, and from there back by ten seconds."""
    began = time.process_time()
    playback = Playback(open_recording(path, check_all=False), SETUP)
    opened = time.process_time()
    playback.seek(seconds * 0.9)
    there = time.process_time()
    playback.seek(seconds * 0.9 - 10.0)
    back = time.process_time()
    playback.seek_cycle(5)
    cycle = time.process_time()
    return {
        "open_s": round(opened - began, 4),
        "forward_to_90_percent_s": round(there - opened, 2),
        "then_10_s_back_s": round(back - there, 2),
        "then_to_cycle_5_s": round(cycle - back, 2),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "bench.mcap"
        recording_s = 0.0
        recorder = Recorder(path, SETUP_TEXT, started_at=datetime.now(UTC))
        for data, host_ns in pieces(options.seconds):
            began = time.process_time()
            recorder.received(data, host_ns)
            recording_s += time.process_time() - began
        close_s = took_s(recorder.close)
        cases: dict[str, Callable[[], object]] = {
            "bare read": lambda: bare_read(path),
            "open and check all": lambda: open_recording(path),
            "decode to blocks": lambda: decode(path),
            "decode and pipeline": lambda: play(path),
        }
        times: dict[str, list[float]] = {case: [] for case in cases}
        for _ in range(options.rounds):
            for case, work in cases.items():
                times[case].append(took_s(work))
        outs = iter(range(options.rounds))
        times["recover"] = [
            took_s(lambda: recover(path, path.with_name(f"{next(outs)}.mcap"))) for _ in range(options.rounds)
        ]
        floor = sorted(times["bare read"])[options.rounds // 2]
        table = {}
        for case, values in times.items():
            median = sorted(values)[len(values) // 2]
            table[case] = {
                "processor_s": round(median, 2),
                "times_real_time": round(options.seconds / median),
                "ratio_to_bare_read": round(median / floor, 2),
            }
        result = {
            "recorded_s": options.seconds,
            "file_bytes": path.stat().st_size,
            "rounds": options.rounds,
            "recording": {"processor_s": round(recording_s, 2), "close_s": round(close_s, 2)},
            "reading": table,
            "seeking": seeks(path, options.seconds),
        }
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")


if __name__ == "__main__":
    main()
