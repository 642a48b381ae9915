"""Every golden frame through one helper: whole, byte by byte, after garbage, before it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from evenstroke_protocol.commands import BadCommand, Identify, Ping, Start, Stop
from evenstroke_protocol.decoder import CommandDecoder, FrameDecoder
from evenstroke_protocol.events import (
    Ack,
    Counters,
    Edges,
    Hello,
    Log,
    Loss,
    LossReason,
    Samples,
)

FOLDER = Path(__file__).parents[2] / "firmware_protocol"
VECTORS: dict[str, Any] = json.loads((FOLDER / "vectors.json").read_text(encoding="utf-8"))

Drain = Callable[[FrameDecoder | CommandDecoder, Iterable[bytes]], list[object]]

GARBAGE = b"\x37\x11\xfe\x05"  # no frame: its code points beyond its end


def decoder_for(vector: dict[str, Any]) -> FrameDecoder | CommandDecoder:
    return FrameDecoder() if vector["from"] == "board" else CommandDecoder()


def feed_every_way(vector: dict[str, Any], drain: Drain) -> list[object]:
    """The events of a frame alone, after checking that company and chunks do not change them."""
    framed = bytes.fromhex(vector["framed"])
    whole = drain(decoder_for(vector), [framed])
    assert drain(decoder_for(vector), [bytes([b]) for b in framed]) == whole
    assert drain(decoder_for(vector), [b"\0\0", framed, b"\0"]) == _shifted(whole, 2)

    lead_in = [GARBAGE + b"\0", framed]
    garbage_first, *rest = drain(decoder_for(vector), lead_in)
    assert isinstance(garbage_first, Loss)
    assert (garbage_first.offset, garbage_first.bytes_lost) == (0, len(GARBAGE))
    assert rest == _shifted(whole, len(GARBAGE) + 1)
    assert drain(decoder_for(vector), [b"".join(lead_in)]) == [garbage_first, *rest]

    *before, garbage_last = drain(decoder_for(vector), [framed + GARBAGE, b"\0"])
    assert before == whole
    assert isinstance(garbage_last, Loss)
    assert (garbage_last.offset, garbage_last.bytes_lost) == (len(framed), len(GARBAGE))
    return whole


def _shifted(events: list[object], by: int) -> list[object]:
    return [
        Loss(e.reason, e.offset + by, e.expected, e.got, e.bytes_lost, e.blocks_lost, e.run)
        if isinstance(e, Loss)
        else e
        for e in events
    ]


def wire_fields(event: object) -> dict[str, Any]:
    """An event's fields as vectors.json writes them, spelt out here on purpose."""
    low32 = 2**32
    match event:
        case Hello():
            return {
                "kind": "hello",
                "protocol_version": event.protocol_version,
                "board": event.board,
                "firmware": event.firmware,
                "serial_number": event.serial_number,
                "boot_count": event.boot_count,
                "reset_cause": int(event.reset_cause),
                "clock_hz": event.clock_hz,
                "adc_bits": event.adc_bits,
                "adc_reference_mv": event.adc_reference_mv,
                "block_scans": event.block_scans,
                "rates_hz": list(event.rates_hz),
                "inputs": [{"kind": int(i.kind), "name": i.name} for i in event.inputs],
                "run": event.run,
                "tick": event.tick,
            }
        case Samples():
            return {
                "kind": "samples",
                "run": event.run,
                "sequence": event.sequence,
                "tick": event.tick % low32,
                "scan_ticks": event.scan_ticks,
                "skew_ticks": event.skew_ticks,
                "bits": event.bits,
                "counting": event.counting,
                "inputs": list(event.inputs),
                "counts": event.counts.tolist(),
            }
        case Edges():
            return {
                "kind": "edges",
                "run": event.run,
                "sequence": event.sequence,
                "until_tick": event.until_tick % low32,
                "edges": [
                    {"tick": e.tick % low32, "input": e.input, "rising": e.rising} for e in event.edges
                ],
            }
        case Counters():
            return {
                "kind": "counters",
                "run": event.run,
                "tick": event.tick % low32,
                "overruns": event.overruns,
                "blocks_dropped": event.blocks_dropped,
                "edges_missed": event.edges_missed,
                "commands_rejected": event.commands_rejected,
            }
        case Log():
            return {"kind": "log", "level": int(event.level), "text": event.text}
        case Ack():
            return {
                "kind": "ack",
                "command": event.command,
                "token": event.token,
                "status": int(event.status),
                "value": event.value,
            }
        case Start():
            return {
                "kind": "start",
                "token": event.token,
                "run": event.run,
                "rate_hz": event.rate_hz,
                "inputs": list(event.inputs),
                "counting": event.counting,
            }
        case Identify() | Stop() | Ping():
            return {"kind": type(event).__name__.lower(), "token": event.token}
    raise AssertionError(f"not an event with a frame of its own: {event}")


def by_name(section: str) -> Any:
    return pytest.mark.parametrize("vector", VECTORS[section], ids=lambda vector: vector["name"])


@by_name("frames")
def test_golden_frame(vector: dict[str, Any], drain: Drain) -> None:
    (event,) = feed_every_way(vector, drain)
    assert wire_fields(event) == vector["fields"]
    body = cobs.decode(bytes.fromhex(vector["framed"])[:-1])
    crc_bytes = 4 if vector["fields"]["kind"] in ("samples", "edges") else 2
    assert body[:-crc_bytes].hex() == vector["payload"]


@by_name("damaged")
def test_damaged_frame(vector: dict[str, Any], drain: Drain) -> None:
    (loss,) = feed_every_way(vector, drain)
    assert isinstance(loss, Loss)
    assert loss.reason.value == vector["loss"]
    assert (loss.offset, loss.bytes_lost) == (0, len(vector["framed"]) // 2 - 1)
    assert loss.expected
    assert loss.got


@by_name("refused")
def test_refused_command(vector: dict[str, Any], drain: Drain) -> None:
    (bad,) = feed_every_way(vector, drain)
    assert isinstance(bad, BadCommand)
    assert {"command": bad.command, "token": bad.token, "status": int(bad.status)} == vector["ack"]


@by_name("frames")
def test_any_damaged_bit_of_a_golden_frame_is_noticed(vector: dict[str, Any], drain: Drain) -> None:
    framed = bytes.fromhex(vector["framed"])
    for at in range(len(framed) - 1):
        for bit in range(8):
            damaged = bytearray(framed)
            damaged[at] ^= 1 << bit
            events = drain(decoder_for(vector), [bytes(damaged)])
            assert events
            assert all(isinstance(event, Loss) for event in events), (at, bit)


def test_every_kind_and_every_reason_that_one_frame_can_show_is_there() -> None:
    kinds = {vector["fields"]["kind"] for vector in VECTORS["frames"]}
    assert kinds == {
        *("hello", "samples", "edges", "counters", "log", "ack"),
        *("identify", "start", "stop", "ping"),
    }
    needs_company = {LossReason.SAMPLES_MISSING, LossReason.EDGES_MISSING, LossReason.REPEATED}
    shown = {vector["loss"] for vector in VECTORS["damaged"]}
    assert shown == {reason.value for reason in LossReason if reason not in needs_company}


def test_the_longest_frames_reach_the_limit() -> None:
    longest = max(len(vector["framed"]) // 2 for vector in VECTORS["frames"])
    assert longest == 256
    first_codes = {vector["framed"][:2] for vector in VECTORS["frames"]}
    assert "ff" in first_codes  # a body of 254 bytes without a zero


def test_the_file_is_what_its_generator_writes() -> None:
    done = subprocess.run(
        [sys.executable, str(FOLDER / "make_vectors.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
