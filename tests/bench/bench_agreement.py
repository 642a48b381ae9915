"""The firmware's core against the Python implementation, at length: every byte heard and every byte sent must agree.

    python tests/bench/bench_agreement.py [--megabytes 10] [--corpus FOLDER]

Streams of commands, whole, damaged, cut and joined, go through the core compiled for this computer (with its undefined
behaviour sanitizer) and through the Python decoder: same commands, same refusals, same damage. The core then lives through
them as a board, with samples, edges, lost triggers and a slow line as they come, and what it sends must be, byte for byte,
what the Python encoder makes of what the Python decoder reads in it; its answers must be those to the commands that Python
found. --corpus takes inputs that libFuzzer has kept (`make -C firmware_protocol/firmware fuzz`). Ends with 1 and the stream
at the first difference.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import ctypes
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.commands import BadCommand, Identify, Ping, Start, Stop
from evenstroke_protocol.decoder import CommandDecoder, FrameDecoder
from evenstroke_protocol.events import NEED_DATA, Ack, Counters, Edges, Hello, Loss, Samples
from evenstroke_protocol.wire import Kind

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"
STREAM = 20_000
ROOM = 1 << 24
ENCODE = {
    Hello: encoder.encode_hello,
    Samples: encoder.encode_samples,
    Edges: encoder.encode_edges,
    Counters: encoder.encode_counters,
    Ack: encoder.encode_ack,
}


class Core:
    """One board made of the core; there is only one, since the core keeps its state in static memory."""

    def __init__(self, library: Path) -> None:
        self._c = ctypes.CDLL(str(library))
        self._c.host_run.restype = ctypes.c_size_t
        self._c.host_frame.restype = ctypes.c_size_t
        self._c.host_commands.restype = ctypes.c_size_t
        self._c.host_hear.restype = ctypes.c_bool
        self._c.host_inputs.restype = ctypes.c_uint8
        self._c.host_drive.restype = ctypes.c_size_t
        self._room = ctypes.create_string_buffer(ROOM)
        self._c.host_reset(1, 7, 0)
        self.decoder = FrameDecoder()
        self.tick = 0

    def reset(self, tick: int = 0) -> None:
        self._c.host_reset(2, 8, ctypes.c_uint32(tick))
        self.tick = tick

    def run(self, room: int = 65536) -> bytes:
        sent = ctypes.create_string_buffer(room)
        count = self._c.host_run(sent, ctypes.c_size_t(room))
        return sent.raw[:count]

    def events(self) -> list[object]:
        self.decoder.receive(self.run())
        return list(iter(self.decoder.next_event, NEED_DATA))

    def say(self, framed: bytes) -> list[object]:
        events: list[object] = []
        for byte in framed:
            while not self._c.host_hear(byte):
                events += self.events()
        return events + self.events()

    def at(self, tick: int) -> None:
        self.tick = tick
        self._c.host_ticks(ctypes.c_uint32(tick % 2**32))

    def scans(self, counts: np.ndarray) -> None:
        for row in counts.astype("<u2"):
            self._c.host_scan(row.tobytes())

    def tear(self, scans: int, triggers: int) -> None:
        self._c.host_tear(ctypes.c_uint16(scans), ctypes.c_uint32(triggers))

    def edge(self, tick: int, rising: bool) -> None:
        self._c.host_edge(ctypes.c_uint32(tick % 2**32), rising)

    def frame(self, payload: bytes, step: int) -> bytes:
        framed = ctypes.create_string_buffer(256)
        size = self._c.host_frame(payload, len(payload), step, framed)
        return framed.raw[:size]

    def commands(self, data: bytes) -> list[bytes]:
        room = len(data) + 1
        found = ctypes.create_string_buffer(16 * room)
        count = self._c.host_commands(data, ctypes.c_size_t(len(data)), found, ctypes.c_size_t(room))
        return [found.raw[16 * k : 16 * k + 16] for k in range(count)]

    def drive(self, data: bytes) -> bytes:
        """All that it sends while these bytes happen to it (host.c, `host_drive`)."""
        count = self._c.host_drive(data, ctypes.c_size_t(len(data)), self._room, ctypes.c_size_t(ROOM))
        assert count < ROOM, "more was sent than there is room for"
        return ctypes.string_at(self._room, count)


def by_python(data: bytes) -> Iterator[bytes]:
    """What the Python decoder makes of a host's bytes, as `host_commands` writes it."""
    decoder = CommandDecoder()
    decoder.receive(data)
    while (event := decoder.next_event()) is not NEED_DATA:
        match event:
            case Loss():
                yield b"\x02" + bytes(15)
            case BadCommand(command=kind, token=token, status=status):
                yield bytes([1, kind, status, 0]) + token.to_bytes(2, "little") + bytes(10)
            case Start():
                yield b"".join(
                    [
                        bytes([1, Kind.START, 0, event.run]),
                        event.token.to_bytes(2, "little"),
                        wire.mask_of(event.inputs).to_bytes(2, "little"),
                        event.rate_hz.to_bytes(4, "little"),
                        bytes([event.counting, 0, 0, 0]),
                    ]
                )
            case Identify(token=token) | Stop(token=token) | Ping(token=token):
                kinds = {Identify: Kind.IDENTIFY, Stop: Kind.STOP, Ping: Kind.PING}
                yield bytes([1, kinds[type(event)], 0, 0]) + token.to_bytes(2, "little") + bytes(10)


def same(by_c: bytes, by_py: bytes) -> bool:
    """Rate 0 and no inputs are refused by the core's board, against the facts, not by its parser."""
    if by_c[0] == by_py[0] == 1 and by_c[1] == by_py[1] == Kind.START and by_py[2] in (3, 4):
        unfit = by_c[8:12] == bytes(4) if by_py[2] == 3 else by_c[6:8] == bytes(2)
        return unfit and by_c[2] == 0 and by_c[4:6] == by_py[4:6]
    if by_c[0] == 1 and by_c[2] != 0:  # refused: only kind, status and token are answered
        by_c = by_c[:3] + bytes(1) + by_c[4:6] + bytes(10)
    return by_c == by_py


def agree(core: Core, data: bytes) -> None:
    by_c, by_py = core.commands(data), list(by_python(data))
    assert len(by_c) == len(by_py), data.hex()
    for c, py in zip(by_c, by_py, strict=True):
        assert same(c, py), (data.hex(), c.hex(), py.hex())


def streams(seed: int, size: int) -> bytes:
    """Commands, whole, damaged, cut and joined, with other bytes between them."""
    draw = random.Random(seed)
    data = bytearray()
    while len(data) < size:
        token, run = draw.randrange(65536), draw.randrange(1, 256)
        rate = draw.choice([2500, 5000, 10000, 1, draw.randrange(1, 2**32)])
        inputs = tuple(i for i in range(draw.choice([5, 5, 16])) if draw.random() < 0.5) or (0,)
        part = bytearray(
            draw.choice(
                [
                    encoder.encode_identify(token),
                    encoder.encode_ping(token),
                    encoder.encode_stop(token),
                    encoder.encode_start(token, run, rate, inputs, draw.random() < 0.5),
                    encoder.frame(draw.randbytes(draw.randrange(1, 251))),
                    encoder.frame(
                        bytes([draw.choice([0x81, 0x82, 0x83, 0x84])]) + draw.randbytes(draw.randrange(20))
                    ),
                ]
            )
        )
        match draw.randrange(6):
            case 0:
                part[draw.randrange(len(part))] ^= 1 << draw.randrange(8)
            case 1:
                del part[draw.randrange(len(part)) :]
            case 2:
                part = bytearray(draw.randbytes(draw.randrange(1, 700)))
            case 3:
                part = bytearray(draw.randrange(1, 256) for _ in range(draw.randrange(250, 1100))) + b"\0"
        data += part
    return bytes(data)


def heard_by(driven: bytes) -> bytes:
    """The bytes on the line that a driven core hears."""
    mode, data = driven[0], driven[1:]
    if not mode & 8:
        return data
    line, at = bytearray(), 0
    while at < len(data):
        payload = data[at + 1 : at + 1 + (data[at] & 31)]
        if payload:
            line += encoder.frame(payload)
        at += 1 + len(payload)
    return bytes(line)


def agree_driven(core: Core, driven: bytes) -> tuple[int, int]:
    """Drive the core; bytes heard and sent. Raises AssertionError where Python disagrees about either."""
    heard = heard_by(driven)
    agree(core, heard)
    sent = core.drive(driven)
    decoder = FrameDecoder()
    decoder.receive(sent)
    events = list(iter(decoder.next_event, NEED_DATA))
    again = b"\0" + b"".join(ENCODE[type(event)](event) for event in events if not isinstance(event, Loss))
    assert again == sent, driven.hex()
    answered = [(e.command, e.token) for e in events if isinstance(e, Ack)]
    asked = [(c[1], int.from_bytes(c[4:6], "little")) for c in by_python(heard) if c[0] == 1]
    assert answered == asked, driven.hex()
    return len(heard), len(sent)


def inputs(corpus: Path | None) -> Iterator[bytes]:
    """What libFuzzer kept, then streams without end."""
    if corpus is not None:
        yield from (data for path in sorted(corpus.iterdir()) if (data := path.read_bytes()))
    seed = 1000
    while True:
        yield bytes([seed % 8]) + streams(seed, STREAM)
        seed += 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=float, default=10.0)
    parser.add_argument("--corpus", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        try:
            subprocess.run(
                ["make", "-s", "-C", str(FIRMWARE), f"BUILD={folder}", "host"],
                check=True,
                stdout=subprocess.DEVNULL,
            )
        except (subprocess.CalledProcessError, FileNotFoundError):
            print("not measured: this needs make and gcc")
            return 0
        core = Core(Path(folder) / "libcore.so")
    count = heard = sent = 0
    began = time.process_time()
    for data in inputs(given.corpus):
        try:
            one_heard, one_sent = agree_driven(core, data)
        except AssertionError as difference:
            print(f"core and Python differ: {difference}")
            return 1
        count, heard, sent = count + 1, heard + one_heard, sent + one_sent
        if heard >= given.megabytes * 1e6 and sent >= given.megabytes * 1e6:
            break
    print(
        f"{count} streams: {heard / 1e6:.1f} million bytes heard and {sent / 1e6:.1f} million bytes sent, all agreed "
        f"({time.process_time() - began:.0f} s of CPU)"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
