"""Writes vectors.json: frames, and damaged frames, for every implementation of the wire format.

python firmware_protocol/make_vectors.py            write the file
python firmware_protocol/make_vectors.py --check    exit 1 when the file is not what would be written
"""

from __future__ import annotations

import dataclasses
import enum
import json
import sys
from pathlib import Path

import numpy as np
from cobs import cobs
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.events import (
    Ack,
    AckStatus,
    Counters,
    Edge,
    Edges,
    Hello,
    InputInfo,
    InputKind,
    Log,
    LogLevel,
    LossReason,
    ResetCause,
    Samples,
)
from evenstroke_protocol.wire import Kind

FILE = Path(__file__).with_name("vectors.json")

BIG = 2**32 - 1

PLAIN_HELLO = Hello(
    protocol_version=1,
    board="bench board",
    firmware="0.1.0",
    serial_number=0x0123456789ABCDEF,
    boot_count=7,
    reset_cause=ResetCause.POWER_ON,
    clock_hz=2_000_000,
    adc_bits=10,
    adc_reference_mv=5000,
    block_scans=46,
    rates_hz=(2500, 5000, 10000),
    inputs=(
        InputInfo(InputKind.ANALOG, "A0"),
        InputInfo(InputKind.ANALOG, "A1"),
        InputInfo(InputKind.EDGE, "D8"),
    ),
    run=0,
    tick=123456,
)

SMALLEST_HELLO = Hello(
    protocol_version=1,
    board="b",
    firmware="0",
    serial_number=0,
    boot_count=0,
    reset_cause=ResetCause.UNKNOWN,
    clock_hz=1,
    adc_bits=1,
    adc_reference_mv=1,
    block_scans=1,
    rates_hz=(1,),
    inputs=(InputInfo(InputKind.ANALOG, "0"),),
    run=0,
    tick=0,
)

LARGEST_HELLO = Hello(
    protocol_version=1,
    board="B" * 32,
    firmware="255.255.255-beta",
    serial_number=2**64 - 1,
    boot_count=BIG,
    reset_cause=ResetCause.WATCHDOG,
    clock_hz=BIG,
    adc_bits=16,
    adc_reference_mv=65535,
    block_scans=255,
    rates_hz=tuple(BIG - 15 + k for k in range(16)),
    inputs=(
        *(InputInfo(InputKind(k % 2), f"{k:05d}") for k in range(15)),
        InputInfo(InputKind.EDGE, "x"),
    ),
    run=255,
    tick=BIG,
)


def samples(bits: int, inputs: tuple[int, ...], counts: list[list[int]], **fields: int | bool) -> Samples:
    values: dict[str, int | bool] = {
        "run": 1,
        "sequence": 0,
        "tick": 1000,
        "scan_ticks": 200,
        "skew_ticks": 26,
        "counting": False,
        **fields,
    }
    return Samples(
        run=values["run"],
        sequence=values["sequence"],
        tick=values["tick"],
        scan_ticks=values["scan_ticks"],
        skew_ticks=values["skew_ticks"],
        bits=bits,
        counting=bool(values["counting"]),
        inputs=inputs,
        counts=np.array(counts, dtype=np.uint16),
    )


def counting(bits: int, inputs: tuple[int, ...], scans: int, first: int = 0) -> list[list[int]]:
    """The counting test signal from scan `first` of the run on."""
    columns = len(inputs)
    return [[((first + k) * columns + j) % 2**bits for j in range(columns)] for k in range(scans)]


def board_events() -> list[tuple[str, Hello | Samples | Edges | Counters | Log | Ack]]:
    four = (0, 1, 2, 3)
    every = tuple(range(16))
    return [
        ("hello", PLAIN_HELLO),
        ("hello with the smallest fields", SMALLEST_HELLO),
        ("hello of 252 bytes with the largest fields", LARGEST_HELLO),
        ("hello of a later version", dataclasses.replace(PLAIN_HELLO, protocol_version=2)),
        ("samples, 10 bit, one group", samples(10, four, [[0x001, 0x102, 0x203, 0x3FF]])),
        ("samples, 10 bit, group filled up with zeros", samples(10, (0, 2, 5), [[1023, 512, 1], [2, 3, 4]])),
        (
            "samples, 10 bit, longest frame, counting",
            samples(10, four, counting(10, four, 46, 230), sequence=5, tick=46000, counting=True),
        ),
        ("samples, 12 bit, one group", samples(12, (0, 1), [[0x123, 0xFED]])),
        ("samples, 12 bit, group filled up with zeros", samples(12, (3,), [[4095], [0], [2048]])),
        ("samples, 12 bit, longest frame", samples(12, (0, 1, 2), counting(12, (0, 1, 2), 50, 1350))),
        ("samples, 16 bit", samples(16, (0, 1), [[0x0123, 0xFEDC], [0, 0xFFFF]])),
        ("samples, 16 bit, all sixteen inputs", samples(16, every, counting(16, every, 7), skew_ticks=13)),
        (
            "samples, largest fields",
            samples(16, (15,), [[65535]], run=255, sequence=BIG, tick=BIG, scan_ticks=BIG, skew_ticks=65535),
        ),
        (
            "samples without a zero byte, 255 coded bytes",
            samples(10, (0, 1, 2, 8), [[1023] * 4] * 46, **NO_ZEROS),
        ),
        ("samples of zeros", samples(10, four, [[0] * 4] * 46)),
        ("edges, none", Edges(1, 0, 100_000, ())),
        ("edges, one each way", Edges(1, 1, 200_000, (Edge(150_000, 2, True), Edge(151_000, 2, False)))),
        (
            "edges, two at the same tick",
            Edges(1, 2, 300_000, (Edge(250_000, 0, True), Edge(250_000, 15, True))),
        ),
        ("edges before and after the tick wraps", Edges(1, 3, 5, (Edge(-3, 2, True), Edge(4, 2, False)))),
        (
            "edges, longest frame",
            Edges(255, BIG, BIG, tuple(Edge(BIG - 47 + k, k % 16, k % 2 == 0) for k in range(47))),
        ),
        ("counters, nothing lost", Counters(1, 2_000_000, 0, 0, 0, 0)),
        ("counters, largest fields", Counters(255, BIG, BIG, BIG, BIG, BIG)),
        ("log", Log(LogLevel.WARNING, "reference voltage is low")),
        ("log, empty", Log(LogLevel.INFO, "")),
        ("log, longest frame", Log(LogLevel.ERROR, "~" * 249)),
        ("ack of start", Ack(Kind.START, 0x1234, AckStatus.DONE, 200)),
        ("ack, largest fields", Ack(255, 65535, AckStatus.BAD_VALUE, BIG)),
    ]


NO_ZEROS = {"sequence": 0x01010101, "tick": 0x01010101, "scan_ticks": 0x01010101, "skew_ticks": 0x0101}


def encode(event: Hello | Samples | Edges | Counters | Log | Ack) -> bytes:
    match event:
        case Hello():
            return encoder.encode_hello(event)
        case Samples():
            return encoder.encode_samples(event)
        case Edges():
            return encoder.encode_edges(event)
        case Counters():
            return encoder.encode_counters(event)
        case Log():
            return encoder.encode_log(event)
        case Ack():
            return encoder.encode_ack(event)


def fields_of(event: object) -> dict[str, object]:
    """The fields as they go on the wire: ticks of 32 bits, enumerations as numbers."""
    fields: dict[str, object] = {"kind": type(event).__name__.lower()}
    for field in dataclasses.fields(event):  # type: ignore[arg-type]
        fields[field.name] = _plain(field.name, getattr(event, field.name))
    return fields


def _plain(name: str, value: object) -> object:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple):
        return [_plain(name, item) for item in value]
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(f.name, getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, enum.IntEnum):
        return int(value)
    if name in ("tick", "until_tick") and isinstance(value, int):
        return value % 2**32
    return value


def body_of(framed: bytes) -> bytes:
    return cobs.decode(framed[:-1])


def payload_of(framed: bytes) -> bytes:
    body = body_of(framed)
    return body[: -wire.CRC32_BYTES if body[0] in wire.CRC32_KINDS else -wire.CRC16_BYTES]


def coded(body: bytes) -> bytes:
    """A frame with whatever stands for its CRC."""
    return cobs.encode(body) + wire.DELIMITER


def changed(event: Hello | Samples | Edges | Counters | Log | Ack, at: int, value: int) -> bytes:
    """The event's frame with one payload byte changed and the CRC right for it."""
    payload = bytearray(payload_of(encode(event)))
    payload[at] = value
    return encoder.frame(bytes(payload))


def flipped(framed: bytes) -> bytes:
    """The frame with one bit of its last body byte, a CRC byte, flipped."""
    body = bytearray(body_of(framed))
    body[-1] ^= 0x10
    return coded(bytes(body))


def damaged_from_board() -> list[tuple[str, bytes, LossReason]]:
    one = samples(10, (0, 1, 2), [[1, 2, 3]])
    edges = Edges(1, 0, 1000, (Edge(900, 2, True), Edge(950, 2, False)))
    counters = Counters(1, 5, 0, 0, 0, 0)
    log = Log(LogLevel.INFO, "text")
    ack = Ack(Kind.PING, 1, AckStatus.DONE, 0)
    every = [
        ("hello", PLAIN_HELLO),
        ("samples", one),
        ("edges", edges),
        ("counters", counters),
        ("log", log),
        ("ack", ack),
    ]
    longer = [
        (name, encoder.frame(payload_of(encode(event)) + b"\x01"), LossReason.BAD_LENGTH)
        for name, event in every
    ]
    shorter = [
        (name, encoder.frame(payload_of(encode(event))[:-1]), LossReason.BAD_LENGTH) for name, event in every
    ]
    bad_crc = [(name, flipped(encode(event)), LossReason.BAD_CRC) for name, event in every]
    bad_field = LossReason.BAD_FIELD
    return [
        ("code beyond the frame's end", b"\x05\x11\x00", LossReason.NOT_COBS),
        ("nothing in the frame", b"\x01\x00", LossReason.TOO_SHORT),
        ("a kind byte alone", coded(b"\x06"), LossReason.TOO_SHORT),
        ("samples with two bytes of CRC", coded(b"\x02\x01\x02"), LossReason.TOO_SHORT),
        ("256 bytes before the delimiter", b"\x11" * 256 + b"\x00", LossReason.TOO_LONG),
        *[(f"{name} with a CRC bit flipped", framed, reason) for name, framed, reason in bad_crc],
        ("samples with a CRC-16", coded(payload_of(encode(one)) + b"\x12\x34"), LossReason.BAD_CRC),
        ("kind 0x00", encoder.frame(b"\x00\x01"), LossReason.UNKNOWN_KIND),
        ("kind 0x7F", encoder.frame(b"\x7f\x01"), LossReason.UNKNOWN_KIND),
        ("a host's ping", encoder.encode_ping(1), LossReason.UNKNOWN_KIND),
        *[(f"{name} with a byte too many", framed, reason) for name, framed, reason in longer],
        *[(f"{name} with a byte too few", framed, reason) for name, framed, reason in shorter],
        ("samples header cut off", encoder.frame(payload_of(encode(one))[:12]), LossReason.BAD_LENGTH),
        ("hello of version 0", changed(PLAIN_HELLO, 1, 0), bad_field),
        ("hello with reset cause 5", changed(PLAIN_HELLO, 14, 5), bad_field),
        ("hello with input kind 2", changed(PLAIN_HELLO, 44, 2), bad_field),
        ("samples of run 0", changed(one, 1, 0), bad_field),
        ("samples with scan_ticks 0", changed(one, 10, 0), bad_field),
        ("samples whose inputs overrun the scan", changed(one, 14, 100), bad_field),
        ("samples without an input", changed(one, 16, 0), bad_field),
        ("samples without a scan", changed(one, 18, 0), bad_field),
        ("samples of 11 bits", changed(one, 19, 11), bad_field),
        ("samples filled up with something else than zeros", changed(one, 24, 0xC0), bad_field),
        ("edges of run 0", changed(edges, 1, 0), bad_field),
        ("edge at until_tick", changed(edges, 16, 0xE8), bad_field),
        ("edges out of order", changed(edges, 16, 0x80), bad_field),
        ("edge with bit 4 of its input set", changed(edges, 15, 0x92), bad_field),
        ("edge with bit 5 of its input set", changed(edges, 15, 0xA2), bad_field),
        ("edge with bit 6 of its input set", changed(edges, 15, 0xC2), bad_field),
        ("counters of run 0", changed(counters, 1, 0), bad_field),
        ("log of level 3", changed(log, 1, 3), bad_field),
        ("log with a line feed", changed(log, 3, 0x0A), bad_field),
        ("ack of status 7", changed(ack, 4, 7), bad_field),
    ]


def commands() -> list[tuple[str, bytes, dict[str, object]]]:
    every = tuple(range(16))
    return [
        ("identify", encoder.encode_identify(1), {"kind": "identify", "token": 1}),
        (
            "start",
            encoder.encode_start(0x0201, 1, 10000, (0, 1, 2), False),
            {
                "kind": "start",
                "token": 0x0201,
                "run": 1,
                "rate_hz": 10000,
                "inputs": [0, 1, 2],
                "counting": False,
            },
        ),
        (
            "start, largest fields",
            encoder.encode_start(65535, 255, BIG, every, True),
            {
                "kind": "start",
                "token": 65535,
                "run": 255,
                "rate_hz": BIG,
                "inputs": list(every),
                "counting": True,
            },
        ),
        ("stop", encoder.encode_stop(2), {"kind": "stop", "token": 2}),
        ("ping", encoder.encode_ping(65535), {"kind": "ping", "token": 65535}),
        ("ping, token 0", encoder.encode_ping(0), {"kind": "ping", "token": 0}),
    ]


def refused() -> list[tuple[str, bytes, dict[str, int]]]:
    """Commands that arrive whole, and the status of the ack that answers them."""
    start = payload_of(encoder.encode_start(0x0201, 1, 10000, (0, 1, 2), False))

    def started(at: int, value: bytes) -> bytes:
        return encoder.frame(start[:at] + value + start[at + len(value) :])

    def answer(command: int, token: int, status: AckStatus) -> dict[str, int]:
        return {"command": command, "token": token, "status": int(status)}

    unknown, length = AckStatus.UNKNOWN_COMMAND, AckStatus.BAD_LENGTH
    return [
        ("unknown command", encoder.frame(b"\x90\x01\x02"), answer(0x90, 0x0201, unknown)),
        ("unknown command without a token", encoder.frame(b"\x90"), answer(0x90, 0, unknown)),
        ("ping without a token", encoder.frame(b"\x84\x01"), answer(0x84, 0, length)),
        ("ping with a byte too many", encoder.frame(b"\x84\x01\x02\x03"), answer(0x84, 0x0201, length)),
        ("start with a byte too few", encoder.frame(start[:-1]), answer(0x82, 0x0201, length)),
        ("start of run 0", started(3, b"\0"), answer(0x82, 0x0201, AckStatus.BAD_VALUE)),
        ("start with an unknown flag", started(10, b"\x02"), answer(0x82, 0x0201, AckStatus.BAD_VALUE)),
        ("start at 0 Hz", started(4, b"\0\0\0\0"), answer(0x82, 0x0201, AckStatus.RATE_NOT_POSSIBLE)),
        ("start without inputs", started(8, b"\0\0"), answer(0x82, 0x0201, AckStatus.NO_SUCH_INPUT)),
    ]


def document() -> str:
    frames = []
    for name, event in board_events():
        framed = encode(event)
        fields = fields_of(event)
        frames.append({"name": name, "from": "board", "fields": fields, **_hex(framed)})
    for name, framed, fields in commands():
        frames.append({"name": name, "from": "host", "fields": fields, **_hex(framed)})
    damaged = [
        {"name": name, "from": "board", "framed": framed.hex(), "loss": reason.value}
        for name, framed, reason in damaged_from_board()
    ]
    ping = encoder.encode_ping(3)
    damaged += [
        {
            "name": "ping with a CRC bit flipped",
            "from": "host",
            "framed": flipped(ping).hex(),
            "loss": "bad_crc",
        },
        {
            "name": "half a ping",
            "from": "host",
            "framed": coded(body_of(ping)[:2]).hex(),
            "loss": "too_short",
        },
    ]
    answers = [
        {"name": name, "from": "host", "framed": framed.hex(), "ack": ack} for name, framed, ack in refused()
    ]
    whole = {
        "schema": "evenstroke.wire_vectors/1",
        "protocol_version": wire.PROTOCOL_VERSION,
        "frames": frames,
        "damaged": damaged,
        "refused": answers,
    }
    lines = [f'"{key}": {json.dumps(whole[key])}' for key in ("schema", "protocol_version")]
    for key in ("frames", "damaged", "refused"):
        rows = ",\n".join(json.dumps(row) for row in whole[key])  # type: ignore[attr-defined]
        lines.append(f'"{key}": [\n{rows}\n]')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _hex(framed: bytes) -> dict[str, str]:
    return {"payload": payload_of(framed).hex(), "framed": framed.hex()}


def main(arguments: list[str]) -> int:
    if arguments not in ([], ["--check"]):
        sys.stderr.write((__doc__ or "") + "\n")
        return 2
    text = document()
    if not arguments:
        FILE.write_text(text, encoding="utf-8")
        return 0
    if FILE.exists() and FILE.read_text(encoding="utf-8") == text:
        return 0
    sys.stderr.write(
        f"{FILE} is not what make_vectors.py writes: run it without --check and look at the difference\n"
    )
    return 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
