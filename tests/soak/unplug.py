"""The cable is pulled out and put back, again and again at random: is anything lost that had been flushed?

    python tests/soak/unplug.py [--times 50] [--seed 1]

The real rig, which makes its port vanish at random moments for random times, and the real daemon. Each session
lasts until a few unpluggings are over. What must hold: the recording is complete; what the daemon counted as received it
also recorded; every piece of the stream that is missing stands in the recording as a gap. Stated: how
long after the port's return samples came again, median and longest.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.messages import Health
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import RecordedBytes, open_recording
from evenstroke_viewer.subscriber import Subscriber

IN_A_SESSION = 5


def session(faults: list[tuple[float, float]], seconds: float, folder: Path) -> tuple[int, list[float], int]:
    """Exit code, seconds from each return of the port to samples, and bytes received but not recorded."""
    program = [sys.executable, "-m", "evenstroke_daemon"]
    scripted = [word for at, lasts in faults for word in ("--fault", f"{at:.3f}:vanish:0:{lasts:.3f}")]
    rig = subprocess.Popen(
        [*program, "rig", "--cranking", "60", *scripted],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert rig.stdout is not None
    try:
        port = rig.stdout.readline().strip()
        listen = subprocess.Popen(
            [*program, "listen", "--port", port, "--setup", "demo", "--record", str(folder), "--seconds", str(seconds),
             "--publish", "tcp://127.0.0.1:0", "--control", "none"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert listen.stdout is not None and listen.stderr is not None
        address = next(line.split()[-1] for line in listen.stderr if line.startswith("publishing at"))
        received = 0
        with Subscriber(address, topics=("health",)) as subscriber:
            while listen.poll() is None:
                message = subscriber.receive(timeout_s=0.5)
                if isinstance(message, Health):
                    received = message.bytes_received
        path = Path(listen.stdout.read().split()[-1])
    finally:
        rig.terminate()
        rig.wait()
    recording = open_recording(path)
    assert recording.complete, path
    recorded = sum(len(item.data) for item in recording.items() if isinstance(item, RecordedBytes))
    blocks = list(blocks_of(recording, recording.setup))
    gaps = [b for b in blocks if isinstance(b, Gap) and b.reason == "link_lost"]
    assert len(gaps) == len(faults), f"{len(gaps)} gaps for {len(faults)} unpluggings in {path}"
    assert any(isinstance(b, SampleBlock) and b.t0 > gaps[-1].t_to - 0.01 for b in blocks)
    back = [gap.t_to - gap.t_from - lasts for gap, (_, lasts) in zip(gaps, faults, strict=True)]
    return listen.returncode, back, received - recorded


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    back: list[float] = []
    missing = 0
    while len(back) < options.times:
        faults, at = [], 0.0
        for _ in range(min(IN_A_SESSION, options.times - len(back))):
            at += chance.uniform(1.5, 3.0)
            lasts = chance.uniform(0.05, 2.0)
            faults.append((at, lasts))
            at += lasts
        with tempfile.TemporaryDirectory() as folder:
            code, waits, lost = session(faults, at + 3.0, Path(folder))
        assert code == 3, f"it ended with {code}"
        back += waits
        missing += lost
        sys.stderr.write(f"{len(back)} unpluggings\n")
    sys.stdout.write(
        f"{len(back)} unpluggings; received and not recorded: {missing} bytes; from the port's return to samples: "
        f"median {statistics.median(back):.2f} s, longest {max(back):.2f} s\n"
    )
    assert missing == 0


if __name__ == "__main__":
    main()
