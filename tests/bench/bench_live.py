"""What `evenstroke listen` costs: processor share, losses and latency, through a pseudo-terminal.

    python tests/bench/bench_live.py [--seconds 60] [--streams 4x10000 8x50000]

The real rig and the real daemon, recording and publishing, each in a process of its own. The floor is
measured in the same run: a bare pyserial read loop that throws the same stream away, and a bare ZeroMQ hop.
Ratios to the floor travel between machines; the absolute figures do not. Five minutes: --seconds 300.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
import tempfile
import time
from bisect import bisect_left
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import zmq
from evenstroke_dsp.blocks import SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.messages import Cycle, Health
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NeedData
from evenstroke_replay.recording import RecordedBytes, open_recording
from evenstroke_viewer.subscriber import Subscriber

ROLES = (
    "intake_pulse", "exhaust_pulse", "starter_current", "battery_voltage",
    "cylinder_pressure", "crankcase_pulse", "manifold_pressure", "other",
)  # fmt: skip
SHORT_S = 2.0
"""A second, short run: what it costs is start and end, and is taken off."""

FLOOR = """
import sys, time
from evenstroke_daemon.link import Link
from evenstroke_dsp.setup import parse_setup
from pathlib import Path
setup = parse_setup(Path(sys.argv[2]).read_text())
link = Link(sys.argv[1], setup.acquisition.baud, on_change=lambda s: None, stop_wanted=lambda: False,
            monotonic_ns=time.monotonic_ns)
link.open(); link.identify()
link.start(setup.acquisition.rate_hz, tuple(sorted(p.input for p in setup.probe)))
port, until, size = link._serial, time.monotonic() + float(sys.argv[3]), 0
while time.monotonic() < until:
    size += len(port.read(65536))
link.stop(); link.close("done")
print(size)
"""


def setup_text(analog: int, rate_hz: int) -> str:
    probes = [
        f'[[probe]]\nname = "{role}"\nrole = "{role}"\ninput = {i}\n'
        + ("cylinder = 5\n" if role == "cylinder_pressure" else "")
        for i, role in enumerate(ROLES[:analog])
    ]
    probes.append(f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = {analog}\ncylinder = 1\n')
    return (
        'schema = 1\ntitle = "bench"\n[engine]\ncylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\n'
        "displacement_cc = 2988\ncompression_ratio = 9.4\nbore_mm = 88.0\nstroke_mm = 81.9\nrod_mm = 140.0\n"
        '[conditions]\nfuel = "disabled"\nignition = "disabled"\n'
        f"[acquisition]\nrate_hz = {rate_hz}\nbaud = 12000000\n" + "".join(probes)
    )


@contextlib.contextmanager
def rig(setup: Path, seconds: float) -> Iterator[str]:
    process = subprocess.Popen(
        [
            sys.executable, "-m", "evenstroke_daemon", "rig", "--setup", str(setup),
            "--rest", "0.5", "--cranking", str(seconds + 20),
        ],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.wait()


def processor_s(process: subprocess.Popen[str]) -> float:
    """Processor seconds of a child that has ended or is about to."""
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return used.ru_utime + used.ru_stime


def floor_run(setup: Path, seconds: float) -> float:
    with rig(setup, seconds) as port:
        process = subprocess.Popen(
            [sys.executable, "-c", FLOOR, port, str(setup), str(seconds)],
            stdout=subprocess.DEVNULL,
            text=True,
        )
        return processor_s(process)


def listen_run(setup: Path, seconds: float, folder: Path) -> tuple[float, int, list[tuple[int, object]]]:
    """Processor seconds, exit code, and every cycle and health message with the time of its arrival."""
    said = setup.with_suffix(".stderr")
    with rig(setup, seconds) as port, said.open("w") as stderr:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "evenstroke_daemon", "listen", "--port", port, "--setup", str(setup),
                "--record", str(folder), "--publish", "tcp://127.0.0.1:0", "--seconds", str(seconds),
            ],
            stdout=subprocess.DEVNULL, stderr=stderr, text=True,
        )  # fmt: skip
        while not (address := re.search(r"publishing at (\S+)\n", said.read_text())):
            time.sleep(0.01)
        heard: list[tuple[int, object]] = []
        with Subscriber(address[1], ("cycle", "health")) as subscriber:
            while True:
                message = subscriber.receive(0.2)
                if message is not None:
                    heard.append((time.monotonic_ns(), message))
                elif os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT):
                    break
        used = processor_s(process)
        return used, process.returncode, heard


def latencies_ms(recording: Path, heard: list[tuple[int, object]]) -> tuple[list[float], list[float]]:
    """Until a cycle's message arrived, milliseconds: from the arrival of its last sample, and from the
    arrival of the bytes with which the pipeline, replayed, could first say it (what filters wait for is
    in the first figure only)."""
    source = open_recording(recording)
    feed, decoder, pipeline = BoardFeed(source.setup), FrameDecoder(), Pipeline(source.setup)
    ends: list[float] = []
    arrived: list[int] = []
    could_say: dict[int, int] = {}
    for item in source.items():
        if not isinstance(item, RecordedBytes):
            continue
        decoder.receive(item.data)
        end = ends[-1] if ends else 0.0
        while not isinstance(event := decoder.next_event(), NeedData):
            for block in feed.feed(event, item.host_ns):
                if isinstance(block, SampleBlock):
                    end = max(end, block.t0 + block.samples * block.dt)
                for message in pipeline.push(block):
                    if isinstance(message, Cycle):
                        could_say[message.sequence] = item.host_ns
        ends.append(end)
        arrived.append(item.host_ns)
    cycles = [(at_ns, message) for at_ns, message in heard if isinstance(message, Cycle)]
    whole = [(at_ns - arrived[min(bisect_left(ends, m.to_s), len(ends) - 1)]) / 1e6 for at_ns, m in cycles]
    ours = [(at_ns - could_say[m.sequence]) / 1e6 for at_ns, m in cycles if m.sequence in could_say]
    return whole, ours


def hop_ms() -> list[float]:
    """A bare ZeroMQ hop on loopback, milliseconds, 500 times."""
    context = zmq.Context()
    publisher, subscriber = context.socket(zmq.XPUB), context.socket(zmq.SUB)
    port = publisher.bind_to_random_port("tcp://127.0.0.1")
    subscriber.subscribe("")
    subscriber.connect(f"tcp://127.0.0.1:{port}")
    publisher.recv()
    took = []
    for _ in range(500):
        sent = time.monotonic_ns()
        publisher.send(b"x" * 500)
        subscriber.recv()
        took.append((time.monotonic_ns() - sent) / 1e6)
    context.destroy(linger=0)
    return took


def bench(analog: int, rate_hz: int, seconds: float) -> dict[str, object]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        setup = folder / "bench.toml"
        setup.write_text(setup_text(analog, rate_hz))
        floor = (floor_run(setup, seconds) - floor_run(setup, SHORT_S)) / (seconds - SHORT_S)
        short, _, _ = listen_run(setup, SHORT_S, folder / "short")
        used, code, heard = listen_run(setup, seconds, folder / "long")
        share = (used - short) / (seconds - SHORT_S)
        health = [message for _, message in heard if isinstance(message, Health)][-1]
        (recording,) = (folder / "long").iterdir()
        whole, ours = latencies_ms(recording, heard)
        return {
            "stream": f"{analog} x {rate_hz} Hz, {health.bytes_received / seconds / 1000:.0f} kB/s, {seconds:g} s",
            "share_of_a_core": round(share, 4),
            "floor_share_of_a_core": round(floor, 4),
            "ratio_to_floor": round(share / floor, 2) if floor > 0 else None,
            "exit_code": code,
            "scans": health.samples,
            "lost_scans": health.lost_samples,
            "dropped": {queue.queue: queue.dropped for queue in health.queues},
            "recording_bytes_per_second": round(health.bytes_recorded / seconds),
            "cycles": len(whole),
            "last_sample_to_message_ms_p50_p99": quantiles(whole),
            "could_be_said_to_message_ms_p50_p99": quantiles(ours),
            "zmq_hop_ms_p50_p99": quantiles(hop_ms()),
        }


def quantiles(values: list[float]) -> list[float] | None:
    return [round(float(q), 2) for q in np.percentile(values, [50, 99])] if values else None


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--streams", nargs="+", default=["4x10000", "8x50000"], metavar="INPUTSxHZ")
    options = parser.parse_args()
    for stream in options.streams:
        analog, rate_hz = map(int, stream.split("x"))
        sys.stdout.write(
            msgspec.json.format(msgspec.json.encode(bench(analog, rate_hz, options.seconds))).decode()
        )
        sys.stdout.write("\n")


if __name__ == "__main__":
    main()
