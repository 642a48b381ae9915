"""kill -9 of a recording process at random moments: what it had flushed must be in what is salvaged.

    python tests/soak/killed_recorder.py [--times 200] [--seed 1]

The child records numbered pieces as fast as it can and says on a pipe, after each flush, how many are
in. The parent kills it at a random moment, salvages the file and looks for every piece that was confirmed.
Prints, over all times: how many pieces were confirmed, how many of them were lost (must be 0), and the
time that salvaging took.
"""

from __future__ import annotations

import argparse
import random
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import msgspec
from evenstroke_replay.recording import RecordedBytes, open_recording
from evenstroke_replay.recovery import recover
from mcap.reader import make_reader

SETUP_TEXT = (
    "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    '[[probe]]\nname = "i"\nrole = "intake_pulse"\ninput = 0\n'
)
CHILD = """
import os, random, struct, sys
from datetime import datetime
from pathlib import Path
from evenstroke_replay.recorder import HOLD_NS, Recorder
path, seed, pieces_of_5_ms = Path(sys.argv[1]), int(sys.argv[3]), 4
noise = random.Random(seed)
recorder = Recorder(path, sys.argv[2], started_at=datetime(2026, 11, 25))
number = 0
while True:
    host_ns = number * HOLD_NS // pieces_of_5_ms
    recorder.received(struct.pack("<Q", number) + noise.randbytes(400), host_ns)
    number += 1
    if recorder.due_ns is None:  # nothing is held back: all of it was flushed
        os.write(1, struct.pack("<Q", number))
"""
_NUMBER = struct.Struct("<Q")


@dataclass(frozen=True)
class Killed:
    """One child's end. confirmed: pieces it had said were flushed. kept: those of them in the salvaged file."""

    confirmed: int
    kept: int
    lost: int
    salvaged: int
    recovery_s: float
    file_bytes: int


def kill_once(folder: Path, seed: int) -> Killed:
    """Record, kill at a random moment, salvage, compare."""
    rng = random.Random(seed)
    path, out = folder / f"{seed}.mcap", folder / f"{seed}-recovered.mcap"
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), SETUP_TEXT, str(seed)], stdout=subprocess.PIPE
    )
    assert child.stdout is not None
    said = _NUMBER.unpack(child.stdout.read(_NUMBER.size))[0]  # it is under way
    for _ in range(rng.randrange(400)):
        said = _NUMBER.unpack(child.stdout.read(_NUMBER.size))[0]
    # From a confirmation to the kill: anything from nothing to a few flushes, unknown to both.
    until = time.monotonic() + rng.random() * 0.002
    while time.monotonic() < until:
        pass
    child.send_signal(signal.SIGKILL)
    child.wait()
    rest = child.stdout.read()
    child.stdout.close()
    whole = len(rest) // _NUMBER.size
    if whole:
        said = _NUMBER.unpack_from(rest, (whole - 1) * _NUMBER.size)[0]
    began = time.perf_counter()
    recover(path, out)
    took = time.perf_counter() - began
    recording = open_recording(out)
    assert recording.complete
    noise = random.Random(seed)
    numbers = []
    for item in recording.items():
        if isinstance(item, RecordedBytes):
            (number,) = _NUMBER.unpack_from(item.data)
            assert number == len(numbers), "pieces out of order"
            assert item.data[_NUMBER.size :] == noise.randbytes(400), "a piece that is not what was handed in"
            numbers.append(number)
    with out.open("rb") as stream:
        public = sum(1 for _ in make_reader(stream, validate_crcs=True).iter_messages(log_time_order=False))
    assert public == len(numbers)
    kept = min(said, len(numbers))
    size = path.stat().st_size
    path.unlink()
    out.unlink()
    return Killed(said, kept, said - kept, len(numbers), took, size)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        ends = [kill_once(Path(name), options.seed + k) for k in range(options.times)]
    times = [end.recovery_s for end in ends]
    result = {
        "kills": len(ends),
        "pieces_confirmed_as_flushed": sum(end.confirmed for end in ends),
        "of_these_lost": sum(end.lost for end in ends),
        "pieces_salvaged": sum(end.salvaged for end in ends),
        "file_bytes_median_max": [
            statistics.median(e.file_bytes for e in ends), max(e.file_bytes for e in ends)
        ],
        "recovery_s_median_max": [round(statistics.median(times), 4), round(max(times), 4)],
    }  # fmt: skip
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")
    if result["of_these_lost"]:
        sys.exit("pieces were lost that had been flushed")


if __name__ == "__main__":
    main()
