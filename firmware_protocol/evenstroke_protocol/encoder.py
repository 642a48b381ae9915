"""Events and commands to framed bytes, delimiter included. Pure functions.

Each raises ProtocolUseError where the specification forbids the frame.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from cobs import cobs

from evenstroke_protocol import wire
from evenstroke_protocol.crc import crc16, crc32
from evenstroke_protocol.errors import ProtocolUseError
from evenstroke_protocol.events import Ack, Counters, Edges, Hello, InputKind, Log, Samples
from evenstroke_protocol.packing import pack
from evenstroke_protocol.runs import WRAP, signed32
from evenstroke_protocol.wire import Kind


def frame(payload: bytes) -> bytes:
    """Payload (kind byte first) with its CRC, COBS-coded, delimited."""
    _within("payload", len(payload), 1, wire.LONGEST_BODY, "bytes")
    if payload[0] in wire.CRC32_KINDS:
        body = payload + crc32(payload).to_bytes(wire.CRC32_BYTES, "little")
    else:
        body = payload + crc16(payload).to_bytes(wire.CRC16_BYTES, "little")
    _within("payload with CRC", len(body), 1, wire.LONGEST_BODY, "bytes")
    return bytes(cobs.encode(body)) + wire.DELIMITER


def encode_hello(hello: Hello) -> bytes:
    _within("hello.protocol_version", hello.protocol_version, 1, 255)
    _within("hello.serial_number", hello.serial_number, 0, 2**64 - 1)
    _within("hello.boot_count", hello.boot_count, 0, WRAP - 1)
    _within("hello.clock_hz", hello.clock_hz, 1, WRAP - 1)
    _within("hello.adc_bits", hello.adc_bits, 1, 16)
    _within("hello.adc_reference_mv", hello.adc_reference_mv, 1, 65535)
    _within("hello.block_scans", hello.block_scans, 1, 255)
    _within("hello.run", hello.run, 0, 255)
    _within("hello.rates_hz", len(hello.rates_hz), 1, wire.MOST_RATES, "rates")
    _within("hello.inputs", len(hello.inputs), 1, wire.MOST_INPUTS, "inputs")
    _ascending("hello.rates_hz", hello.rates_hz)
    for rate in hello.rates_hz:
        _within("hello.rates_hz", rate, 1, WRAP - 1)
    if not any(info.kind is InputKind.ANALOG for info in hello.inputs):
        raise ProtocolUseError(
            "no analog input", where="hello.inputs", expected="at least one analog input", found="none"
        )
    board = _ascii("hello.board", hello.board, 1, wire.LONGEST_BOARD_NAME)
    firmware = _ascii("hello.firmware", hello.firmware, 1, wire.LONGEST_FIRMWARE_NAME)
    parts = [
        wire.HELLO.pack(
            Kind.HELLO,
            hello.protocol_version,
            hello.serial_number,
            hello.boot_count,
            hello.reset_cause,
            hello.clock_hz,
            hello.adc_bits,
            hello.adc_reference_mv,
            hello.block_scans,
            hello.run,
            hello.tick % WRAP,
            len(hello.rates_hz),
            len(hello.inputs),
            len(board),
            len(firmware),
        )
    ]
    parts += [wire.RATE.pack(rate) for rate in hello.rates_hz]
    for info in hello.inputs:
        name = _ascii("hello.inputs name", info.name, 1, wire.LONGEST_INPUT_NAME)
        parts += [wire.INPUT.pack(info.kind, len(name)), name]
    return frame(b"".join([*parts, board, firmware]))


def encode_samples(samples: Samples) -> bytes:
    """samples.tick may be unwrapped; its low 32 bits go on the wire."""
    where = "samples"
    _numbered(where, samples.run, samples.sequence)
    if samples.bits not in wire.GROUPS:
        raise ProtocolUseError(
            "no such packing", where="samples.bits", expected="10, 12 or 16", found=str(samples.bits)
        )
    _inputs("samples.inputs", samples.inputs)
    columns = len(samples.inputs)
    counts = np.asarray(samples.counts)
    if counts.ndim != 2 or counts.shape[1] != columns or not np.issubdtype(counts.dtype, np.integer):
        raise ProtocolUseError(
            "counts do not fit the inputs",
            where="samples.counts",
            expected=f"integers of shape (scans, {columns})",
            found=f"{counts.dtype} of shape {counts.shape}",
        )
    _within("samples.counts", len(counts), 1, wire.most_scans(columns, samples.bits), "scans")
    if counts.min() < 0 or counts.max() >> samples.bits:
        raise ProtocolUseError(
            "a count does not fit its packing",
            where="samples.counts",
            expected=f"0 to {2**samples.bits - 1}",
            found=f"{counts.min()} to {counts.max()}",
        )
    _within("samples.scan_ticks", samples.scan_ticks, 1, WRAP - 1)
    _within("samples.skew_ticks", samples.skew_ticks, 0, 65535)
    if (columns - 1) * samples.skew_ticks >= samples.scan_ticks:
        raise ProtocolUseError(
            "a scan's last input would be taken after the next scan began",
            where="samples.skew_ticks",
            expected=f"{columns - 1} steps within {samples.scan_ticks} ticks",
            found=f"{samples.skew_ticks} ticks a step",
        )
    header = wire.SAMPLES.pack(
        Kind.SAMPLES,
        samples.run,
        samples.sequence,
        samples.tick % WRAP,
        samples.scan_ticks,
        samples.skew_ticks,
        wire.mask_of(samples.inputs),
        len(counts),
        samples.bits | (wire.COUNTING if samples.counting else 0),
    )
    return frame(header + pack(counts.astype(np.uint16), samples.bits))


def encode_edges(edges: Edges) -> bytes:
    """Ticks may be unwrapped; every edge lies before until_tick and they ascend."""
    _numbered("edges", edges.run, edges.sequence)
    _within("edges.edges", len(edges.edges), 0, wire.MOST_EDGES, "edges")
    parts = [
        wire.EDGES.pack(Kind.EDGES, edges.run, edges.sequence, edges.until_tick % WRAP, len(edges.edges))
    ]
    earlier = None
    for edge in edges.edges:
        _within("edge.input", edge.input, 0, wire.MOST_INPUTS - 1)
        before = signed32(edge.tick - edges.until_tick)
        if before >= 0 or (earlier is not None and before < earlier):
            raise ProtocolUseError(
                "edges out of order",
                where="edges.edges",
                expected=f"ascending ticks before until_tick {edges.until_tick}",
                found=f"tick {edge.tick}",
            )
        earlier = before
        parts.append(wire.EDGE.pack(edge.tick % WRAP, edge.input | (wire.RISING if edge.rising else 0)))
    return frame(b"".join(parts))


def encode_counters(counters: Counters) -> bytes:
    _within("counters.run", counters.run, 1, 255)
    totals = (counters.overruns, counters.blocks_dropped, counters.edges_missed, counters.commands_rejected)
    for total in totals:
        _within("counters", total, 0, WRAP - 1)
    return frame(wire.COUNTERS.pack(Kind.COUNTERS, counters.run, counters.tick % WRAP, *totals))


def encode_log(log: Log) -> bytes:
    text = _ascii("log.text", log.text, 0, wire.LONGEST_LOG)
    return frame(wire.LOG.pack(Kind.LOG, log.level, len(text)) + text)


def encode_ack(ack: Ack) -> bytes:
    _within("ack.command", ack.command, 0, 255)
    _within("ack.token", ack.token, 0, 65535)
    _within("ack.value", ack.value, 0, WRAP - 1)
    return frame(wire.ACK.pack(Kind.ACK, ack.command, ack.token, ack.status, ack.value))


def encode_identify(token: int) -> bytes:
    return _bare_command(Kind.IDENTIFY, token)


def encode_start(token: int, run: int, rate_hz: int, inputs: tuple[int, ...], counting: bool) -> bytes:
    """inputs: ascending indices into Hello.inputs, the analog ones to sample AND the edge ones to report."""
    _within("start.token", token, 0, 65535)
    _within("start.run", run, 1, 255)
    _within("start.rate_hz", rate_hz, 1, WRAP - 1)
    _inputs("start.inputs", inputs)
    flags = wire.START_COUNTING if counting else 0
    return frame(wire.START.pack(Kind.START, token, run, rate_hz, wire.mask_of(inputs), flags))


def encode_stop(token: int) -> bytes:
    return _bare_command(Kind.STOP, token)


def encode_ping(token: int) -> bytes:
    return _bare_command(Kind.PING, token)


def _bare_command(kind: Kind, token: int) -> bytes:
    _within(f"{kind.name.lower()}.token", token, 0, 65535)
    return frame(wire.COMMAND.pack(kind, token))


def _within(where: str, value: int, lowest: int, highest: int, unit: str = "") -> None:
    if not lowest <= value <= highest:
        suffix = f" {unit}" if unit else ""
        raise ProtocolUseError(
            "out of range", where=where, expected=f"{lowest} to {highest}{suffix}", found=f"{value}{suffix}"
        )


def _numbered(where: str, run: int, sequence: int) -> None:
    _within(f"{where}.run", run, 1, 255)
    _within(f"{where}.sequence", sequence, 0, WRAP - 1)


def _ascending(where: str, values: tuple[int, ...]) -> None:
    if any(later <= earlier for earlier, later in pairwise(values)):
        raise ProtocolUseError(
            "not ascending", where=where, expected="each above the last", found=str(values)
        )


def _inputs(where: str, inputs: tuple[int, ...]) -> None:
    _within(where, len(inputs), 1, wire.MOST_INPUTS, "inputs")
    for index in inputs:
        _within(where, index, 0, wire.MOST_INPUTS - 1)
    _ascending(where, inputs)


def _ascii(where: str, text: str, shortest: int, longest: int) -> bytes:
    if not (text.isascii() and text.isprintable()):
        raise ProtocolUseError(
            "not plain text", where=where, expected="printable ASCII (0x20 to 0x7E)", found=repr(text)
        )
    _within(where, len(text), shortest, longest, "characters")
    return text.encode("ascii")
