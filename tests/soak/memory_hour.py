"""Memory over a simulated hour at 4 x 10 kS/s: recorder, decoder, feed and pipeline, faster than real time.

    python tests/soak/memory_hour.py [--seconds 3600]

Prints the resident memory at the start (after two minutes of the stream, when every filter and ring is full), in
the middle and at the end, how long closing took, and what the public reader makes of the file.
The virtual board's own memory is in the figures; it does not grow.
"""

from __future__ import annotations

import argparse
import gc
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NeedData
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.ring import RecentBytes
from mcap.reader import make_reader

sys.path.insert(0, str(Path(__file__).parent))
from long_stream import SETUP, SETUP_TEXT, pieces


def resident_mb() -> float:
    gc.collect()
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError("no VmRSS in /proc/self/status: this runs on Linux only")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=3600.0)
    seconds = parser.parse_args().seconds
    began = time.monotonic()
    marks = {"start": min(120.0, seconds / 4), "middle": seconds / 2, "end": seconds}
    memory: dict[str, float] = {}
    every_ten_minutes: list[float] = []
    decoder, feed, pipeline, ring = FrameDecoder(), BoardFeed(SETUP), Pipeline(SETUP), RecentBytes()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "hour.mcap"
        recorder = Recorder(path, SETUP_TEXT, started_at=datetime.now(UTC))
        received = messages = 0
        for data, host_ns in pieces(seconds):
            recorder.received(data, host_ns)
            ring.add(data, host_ns)
            received += len(data)
            decoder.receive(data)
            while not isinstance(event := decoder.next_event(), NeedData):
                for block in feed.feed(event, host_ns):
                    messages += len(pipeline.push(block))
            for mark, at_s in marks.items():
                if mark not in memory and host_ns >= at_s * 1e9:
                    memory[mark] = round(resident_mb(), 1)
            if host_ns >= (len(every_ten_minutes) + 1) * 600e9:
                every_ten_minutes.append(round(resident_mb(), 1))
                sys.stderr.write(f"{host_ns / 1e9:.0f} s: {every_ten_minutes[-1]} MB\n")
        closing = time.monotonic()
        recorder.close()
        closed = time.monotonic()
        memory["closed"] = round(resident_mb(), 1)
        with path.open("rb") as stream:
            summary = make_reader(stream).get_summary()
            assert summary is not None
            assert summary.statistics is not None
            counted, chunks = summary.statistics.message_count, len(summary.chunk_indexes)
        with path.open("rb") as stream:
            reader = make_reader(stream, validate_crcs=True)
            read = sum(len(m.data) for _, _, m in reader.iter_messages(log_time_order=False))
        assert read == received, (read, received)
        result = {
            "simulated_s": seconds,
            "took_s": round(closing - began, 1),
            "times_real_time": round(seconds / (closing - began), 1),
            "resident_mb": memory,
            "resident_mb_every_ten_minutes": every_ten_minutes,
            "received_bytes": received,
            "file_bytes": path.stat().st_size,
            "close_s": round(closed - closing, 2),
            "public_reader": {"messages": counted, "chunks": chunks, "bytes_as_received": read},
            "pipeline_messages": messages,
            "lost_samples": feed.lost_samples,
        }
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(result)).decode() + "\n")


if __name__ == "__main__":
    main()
