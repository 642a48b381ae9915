"""Received bytes to events: `FrameDecoder` for a host, `CommandDecoder` for a board.

    decoder.receive(data)                   any chunks, any bytes
    decoder.next_event() -> event | NEED_DATA

Any bytes give events or a Loss, never an exception, and the same ones however they are
cut into chunks. Frames are decoded when they are asked for, so what is held is what was
received and not yet asked for.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import pairwise
from typing import Final

import numpy as np

from evenstroke_protocol import wire
from evenstroke_protocol.commands import BadCommand, CommandEvent, Identify, Ping, Start, Stop
from evenstroke_protocol.crc import RESIDUE16, RESIDUE32, crc16, crc32
from evenstroke_protocol.events import (
    NEED_DATA,
    Ack,
    AckStatus,
    Counters,
    Edge,
    Edges,
    Event,
    Hello,
    InputInfo,
    InputKind,
    Log,
    LogLevel,
    Loss,
    LossReason,
    NeedData,
    ResetCause,
    Samples,
)
from evenstroke_protocol.framing import Body, FrameSplitter
from evenstroke_protocol.packing import Counts, unpack
from evenstroke_protocol.runs import HALF, WRAP, Numbered, RunTracker, signed32
from evenstroke_protocol.wire import Kind

_SHAPE: Final = slice(10, 20)  # scan_ticks to format: what frames must share to be unpacked together
_SAMPLES: Final = int(Kind.SAMPLES)
_SHORTEST_SAMPLES: Final = wire.SAMPLES.size + wire.CRC32_BYTES


class _BadFrameError(Exception):
    """Why one frame is refused; becomes a Loss."""

    def __init__(self, reason: LossReason, expected: str, got: str) -> None:
        super().__init__(reason, expected, got)
        self.reason = reason
        self.expected = expected
        self.got = got


@dataclass(frozen=True, slots=True)
class _Shape:
    """What the samples frames of one group have in common."""

    scan_ticks: int
    skew_ticks: int
    bits: int
    counting: bool
    inputs: tuple[int, ...]
    scans: int
    span_ticks: int  # from the first scan until just after the last one began


@dataclass(frozen=True, slots=True)
class _RawEdges:
    offset: int
    size: int
    run: int
    sequence: int
    until_tick: int  # 32 bits
    edges: tuple[tuple[int, int, bool], ...]  # ticks relative to until_tick, input, rising


@dataclass(frozen=True, slots=True)
class _RawCounters:
    run: int
    tick: int  # 32 bits
    totals: tuple[int, int, int, int]


_Row = tuple[Body, int, int, int, Counts | Loss]
"""A frame, its run, sequence and 32-bit tick, its counts or why it is refused."""


class _Group:
    """Samples frames that share all but run, sequence, tick and counts: they are unpacked in one go.

    Their CRC was found right. `rows` gives them in the order in which they were added.
    """

    __slots__ = ("bodies", "length", "packed_shape", "rows", "shape")
    shape: _Shape  # once unpacked, unless every frame is refused for its shape

    def __init__(self, packed_shape: bytes, length: int) -> None:
        self.packed_shape = packed_shape
        self.length = length
        self.bodies: list[Body] = []
        self.rows: Iterator[_Row] = iter(())

    def unpack(self) -> None:
        bodies, length = self.bodies, self.length
        try:
            shape = _samples_shape(self.packed_shape, length)
        except _BadFrameError as bad:
            self.rows = iter([(body, 0, 0, 0, _loss(body, bad)) for body in bodies])
            return
        joined = b"".join([body[2] for body in bodies])
        packed = np.frombuffer(joined, dtype=np.uint8).reshape(-1, length)
        counts = unpack(packed[:, wire.SAMPLES.size : length - wire.CRC32_BYTES], shape.bits)
        used = shape.scans * len(shape.inputs)
        blocks = counts[:, :used].reshape(-1, shape.scans, len(shape.inputs))
        blocks.setflags(write=False)
        numbers = np.frombuffer(joined, dtype=_numbers(length))
        runs = numbers["run"].tolist()
        sequences, ticks = numbers["sequence"].tolist(), numbers["tick"].tolist()
        results: list[Counts | Loss] = list(blocks)
        if used < counts.shape[1]:
            filled_wrong = _BadFrameError(
                LossReason.BAD_FIELD, "zeros up to the last group's end", "other bits"
            )
            for place in np.flatnonzero(counts[:, used:].any(axis=1)):
                results[place] = _loss(bodies[place], filled_wrong)
        if 0 in runs:
            for place in np.flatnonzero(numbers["run"] == 0):
                results[place] = _loss(bodies[place], _zero_run())
        self.shape = shape
        self.rows = zip(bodies, runs, sequences, ticks, results, strict=True)


_Parsed = _Group | _RawEdges | _RawCounters | Hello | Log | Ack | Loss


class FrameDecoder:
    """What a board sends, decoded. One object for one byte stream from its beginning."""

    def __init__(self) -> None:
        self._splitter = FrameSplitter()
        self._tracker = RunTracker()
        self._events: deque[Event] = deque()

    @property
    def buffered(self) -> int:
        """Bytes received and not yet decoded."""
        return self._splitter.buffered

    def receive(self, data: bytes | bytearray | memoryview) -> None:
        """Take in bytes as they came, in any chunks."""
        self._splitter.receive(data)

    def next_event(self) -> Event | NeedData:
        """The next event, or NEED_DATA until more bytes are received."""
        while not self._events:
            bodies = self._splitter.take()
            if not bodies:
                return NEED_DATA
            self._deliver(_parse_all(bodies))
        return self._events.popleft()

    def _deliver(self, parsed: list[_Parsed]) -> None:
        tracker, deliver = self._tracker, self._events.append
        for item in parsed:
            if isinstance(item, _Group):  # first, there are so many
                (offset, size, _), run, sequence, raw_tick, counts = next(item.rows)
                if isinstance(counts, Loss):
                    deliver(counts)
                    continue
                shape = item.shape
                if run != tracker.run:
                    tracker.enter(run)
                series = tracker.samples
                jump = series.jump(sequence)
                if jump:
                    deliver(_jumped(series, LossReason.SAMPLES_MISSING, offset, size, run, sequence, jump))
                    if jump < 0:
                        continue
                tick = tracker.unwrap(raw_tick)
                if not series.advances(tick, tick + shape.span_ticks):
                    deliver(_overlaps(series, offset, size, run, tick))
                    continue
                deliver(
                    Samples(
                        run,
                        sequence,
                        tick,
                        shape.scan_ticks,
                        shape.skew_ticks,
                        shape.bits,
                        shape.counting,
                        shape.inputs,
                        counts,
                    )
                )
            elif isinstance(item, _RawEdges):
                self._deliver_edges(item)
            elif isinstance(item, _RawCounters):
                tracker.enter(item.run)
                deliver(Counters(item.run, tracker.unwrap(item.tick), *item.totals))
            else:
                if isinstance(item, Hello) and item.run == 0:
                    tracker.ended()
                elif isinstance(item, Ack) and item.command == Kind.START and item.status is AckStatus.DONE:
                    tracker.started()
                deliver(item)

    def _deliver_edges(self, raw: _RawEdges) -> None:
        self._tracker.enter(raw.run)
        series, deliver = self._tracker.edges, self._events.append
        jump = series.jump(raw.sequence)
        if jump:
            reason = LossReason.EDGES_MISSING
            deliver(_jumped(series, reason, raw.offset, raw.size, raw.run, raw.sequence, jump))
            if jump < 0:
                return
        until = self._tracker.unwrap(raw.until_tick)
        edges = tuple(Edge(until + before, index, rising) for before, index, rising in raw.edges)
        begins = edges[0].tick if edges else until
        if series.advances(begins, until):
            deliver(Edges(raw.run, raw.sequence, until, edges))
        else:
            deliver(_overlaps(series, raw.offset, raw.size, raw.run, begins))


class CommandDecoder:
    """What a host sends, decoded: the same surface for a board written in Python."""

    def __init__(self) -> None:
        self._splitter = FrameSplitter()
        self._events: deque[CommandEvent] = deque()

    @property
    def buffered(self) -> int:
        """Bytes received and not yet decoded."""
        return self._splitter.buffered

    def receive(self, data: bytes | bytearray | memoryview) -> None:
        """Take in bytes as they came, in any chunks."""
        self._splitter.receive(data)

    def next_event(self) -> CommandEvent | NeedData:
        """The next command or Loss, or NEED_DATA until more bytes are received.

        A BadCommand came whole and is to be answered with an ack of its status; a Loss made no
        valid frame and is not answered, only counted.
        """
        while not self._events:
            bodies = self._splitter.take()
            if not bodies:
                return NEED_DATA
            for body in bodies:
                self._events.append(body if isinstance(body, Loss) else _parse_command(body))
        return self._events.popleft()


def _parse_all(bodies: list[Body | Loss]) -> list[_Parsed]:
    """Everything that does not depend on what came before, in order."""
    parsed: list[_Parsed] = []
    groups: dict[tuple[bytes, int], _Group] = {}
    group = _Group(b"", 0)
    for body in bodies:
        if isinstance(body, Loss):
            parsed.append(body)
            continue
        payload = body[2]
        length = len(payload)
        if length >= _SHORTEST_SAMPLES and payload[0] == _SAMPLES and crc32(payload) == RESIDUE32:
            shape = payload[_SHAPE]
            if shape != group.packed_shape or length != group.length:
                group = groups.setdefault((shape, length), _Group(shape, length))
            group.bodies.append(body)
            parsed.append(group)  # stands for its next row
        else:
            parsed.append(_parse_one(body))
    for group in groups.values():
        group.unpack()
    return parsed


@cache  # at most one for each length of a frame
def _numbers(length: int) -> np.dtype[np.void]:
    """The fields in which frames of one shape and length differ."""
    return np.dtype(
        {
            "names": ["run", "sequence", "tick"],
            "formats": ["u1", "<u4", "<u4"],
            "offsets": [1, 2, 6],
            "itemsize": length,
        }
    )


@lru_cache(maxsize=64)
def _samples_shape(packed: bytes, length: int) -> _Shape:
    scan_ticks, skew_ticks, mask, scans, form = wire.SAMPLES_SHAPE.unpack(packed)
    bits = form & ~wire.COUNTING
    inputs = wire.inputs_of(mask)
    _require(bits in wire.GROUPS, "10, 12 or 16 bits", f"{bits} bits")
    _require(mask > 0, "at least one input in the mask", "none")
    _require(scans > 0, "at least one scan", "none")
    _require(scan_ticks > 0, "a scan period above 0 ticks", "0")
    _require(
        (len(inputs) - 1) * skew_ticks < scan_ticks,
        f"{len(inputs)} inputs within a scan of {scan_ticks} ticks",
        f"{skew_ticks} ticks from one to the next",
    )
    implied = wire.packed_bytes(scans * len(inputs), bits)
    _exact(length, wire.SAMPLES.size + implied + wire.CRC32_BYTES)
    return _Shape(
        scan_ticks=scan_ticks,
        skew_ticks=skew_ticks,
        bits=bits,
        counting=bool(form & wire.COUNTING),
        inputs=inputs,
        scans=scans,
        span_ticks=(scans - 1) * scan_ticks + 1,
    )


def _parse_one(body: Body) -> _Parsed:
    try:
        payload = _checked(body[2])
        match payload[0]:
            case Kind.HELLO:
                return _hello(payload)
            case Kind.SAMPLES:  # too short for its header, else it would be in a group
                _exact(len(payload), wire.SAMPLES.size, at_least=True)
            case Kind.EDGES:
                return _edges(body, payload)
            case Kind.COUNTERS:
                return _counters(payload)
            case Kind.LOG:
                return _log(payload)
            case Kind.ACK:
                return _ack(payload)
        raise _BadFrameError(LossReason.UNKNOWN_KIND, "a kind that a board sends", f"0x{payload[0]:02X}")
    except _BadFrameError as bad:
        return _loss(body, bad)


def _checked(payload_and_crc: bytes) -> bytes:
    """The payload, once its CRC is found right."""
    length = len(payload_and_crc)
    wide = length > 0 and payload_and_crc[0] in wire.CRC32_KINDS
    crc_bytes = wire.CRC32_BYTES if wide else wire.CRC16_BYTES
    if length < 1 + crc_bytes:
        raise _BadFrameError(LossReason.TOO_SHORT, f"at least {1 + crc_bytes} bytes", f"{length}")
    right = crc32(payload_and_crc) == RESIDUE32 if wide else crc16(payload_and_crc) == RESIDUE16
    payload, stated = payload_and_crc[:-crc_bytes], payload_and_crc[-crc_bytes:]
    if not right:
        computed = crc32(payload) if wide else crc16(payload)
        digits = 2 * crc_bytes
        raise _BadFrameError(
            LossReason.BAD_CRC,
            f"CRC 0x{computed:0{digits}X} over {len(payload)} bytes of kind 0x{payload[0]:02X}",
            f"0x{int.from_bytes(stated, 'little'):0{digits}X}",
        )
    return payload


def _hello(payload: bytes) -> Hello:
    fixed = wire.HELLO.size
    _exact(len(payload), fixed, at_least=True)
    (
        _,
        version,
        serial_number,
        boot_count,
        reset_cause,
        clock_hz,
        adc_bits,
        adc_reference_mv,
        block_scans,
        run,
        tick,
        rate_count,
        input_count,
        board_length,
        firmware_length,
    ) = wire.HELLO.unpack_from(payload)
    reader = _Reader(payload, fixed)
    rates = tuple(int.from_bytes(reader.take(wire.RATE.size), "little") for _ in range(rate_count))
    inputs: list[InputInfo] = []
    for _ in range(input_count):
        kind, name_length = reader.take(wire.INPUT.size)
        _require(kind in (0, 1), "input kind 0 or 1", f"{kind}")
        name = _text(reader.take(name_length))
        _between("an input's name", len(name), 1, wire.LONGEST_INPUT_NAME)
        inputs.append(InputInfo(InputKind(kind), name))
    board = _text(reader.take(board_length))
    firmware = _text(reader.take(firmware_length))
    # A later version may append: a host must still be able to say whose board this is and which
    # version it speaks.
    _exact(len(payload), reader.at, at_least=version != wire.PROTOCOL_VERSION)
    _between("protocol version", version, 1, 255)
    _between("reset cause", reset_cause, 0, max(ResetCause))
    _between("clock_hz", clock_hz, 1, 2**32 - 1)
    _between("adc_bits", adc_bits, 1, 16)
    _between("adc_reference_mv", adc_reference_mv, 1, 65535)
    _between("block_scans", block_scans, 1, 255)
    _between("number of rates", rate_count, 1, wire.MOST_RATES)
    _between("number of inputs", input_count, 1, wire.MOST_INPUTS)
    _between("length of the board's name", board_length, 1, wire.LONGEST_BOARD_NAME)
    _between("length of the firmware's name", firmware_length, 1, wire.LONGEST_FIRMWARE_NAME)
    ascending = rates[0] > 0 and all(a < b for a, b in pairwise(rates))
    _require(ascending, "rates above 0, ascending", str(rates))
    _require(any(i.kind is InputKind.ANALOG for i in inputs), "at least one analog input", "none")
    return Hello(
        protocol_version=version,
        board=board,
        firmware=firmware,
        serial_number=serial_number,
        boot_count=boot_count,
        reset_cause=ResetCause(reset_cause),
        clock_hz=clock_hz,
        adc_bits=adc_bits,
        adc_reference_mv=adc_reference_mv,
        block_scans=block_scans,
        rates_hz=rates,
        inputs=tuple(inputs),
        run=run,
        tick=tick,
    )


def _edges(body: Body, payload: bytes) -> _RawEdges:
    _exact(len(payload), wire.EDGES.size, at_least=True)
    _, run, sequence, until, count = wire.EDGES.unpack_from(payload)
    _exact(len(payload), wire.EDGES.size + count * wire.EDGE.size)
    if run == 0:
        raise _zero_run()
    edges: list[tuple[int, int, bool]] = []
    earlier = -HALF
    for tick, flags in wire.EDGE.iter_unpack(payload[wire.EDGES.size :]):
        before = signed32(tick - until)
        if not earlier <= before < 0:
            order = "ascending ticks before until_tick"
            raise _BadFrameError(LossReason.BAD_FIELD, order, f"{before:+d} ticks from it")
        if flags & wire.EDGE_UNUSED:
            unused = "bits 4 to 6 of an edge's input zero"
            raise _BadFrameError(LossReason.BAD_FIELD, unused, f"0x{flags:02X}")
        edges.append((before, flags & 0x0F, flags >= wire.RISING))
        earlier = before
    return _RawEdges(body[0], body[1], run, sequence, until, tuple(edges))


def _counters(payload: bytes) -> _RawCounters:
    _exact(len(payload), wire.COUNTERS.size)
    _, run, tick, overruns, dropped, missed, rejected = wire.COUNTERS.unpack(payload)
    if run == 0:
        raise _zero_run()
    return _RawCounters(run, tick, (overruns, dropped, missed, rejected))


def _log(payload: bytes) -> Log:
    _exact(len(payload), wire.LOG.size, at_least=True)
    _, level, length = wire.LOG.unpack_from(payload)
    _exact(len(payload), wire.LOG.size + length)
    _between("log level", level, 0, max(LogLevel))
    return Log(LogLevel(level), _text(payload[wire.LOG.size :]))


def _ack(payload: bytes) -> Ack:
    _exact(len(payload), wire.ACK.size)
    _, command, token, status, value = wire.ACK.unpack(payload)
    _between("ack status", status, 0, max(AckStatus))
    return Ack(command, token, AckStatus(status), value)


def _parse_command(body: Body) -> CommandEvent:
    try:
        payload = _checked(body[2])
        return _command(payload)
    except _BadFrameError as bad:
        return _loss(body, bad)


def _command(payload: bytes) -> CommandEvent:
    kind = payload[0]
    token = int.from_bytes(payload[1:3], "little") if len(payload) >= wire.COMMAND.size else 0
    match kind:
        case Kind.IDENTIFY | Kind.STOP | Kind.PING:
            if len(payload) != wire.COMMAND.size:
                return BadCommand(kind, token, AckStatus.BAD_LENGTH)
            if kind == Kind.IDENTIFY:
                return Identify(token)
            return Stop(token) if kind == Kind.STOP else Ping(token)
        case Kind.START:
            if len(payload) != wire.START.size:
                return BadCommand(kind, token, AckStatus.BAD_LENGTH)
            _, _, run, rate_hz, mask, flags = wire.START.unpack(payload)
            if run == 0 or flags & ~wire.START_COUNTING:
                return BadCommand(kind, token, AckStatus.BAD_VALUE)
            if rate_hz == 0:
                return BadCommand(kind, token, AckStatus.RATE_NOT_POSSIBLE)
            if mask == 0:
                return BadCommand(kind, token, AckStatus.NO_SUCH_INPUT)
            return Start(token, run, rate_hz, wire.inputs_of(mask), bool(flags & wire.START_COUNTING))
    return BadCommand(kind, token, AckStatus.UNKNOWN_COMMAND)


class _Reader:
    """Takes variable parts one after another and refuses to run beyond the end."""

    def __init__(self, payload: bytes, at: int) -> None:
        self._payload = payload
        self.at = at

    def take(self, count: int) -> bytes:
        end = self.at + count
        _exact(len(self._payload), end, at_least=True)
        part = self._payload[self.at : end]
        self.at = end
        return part


def _text(raw: bytes) -> str:
    _require(all(0x20 <= byte <= 0x7E for byte in raw), "printable ASCII", repr(raw))
    return raw.decode("ascii")


def _between(what: str, value: int, lowest: int, highest: int) -> None:
    _require(lowest <= value <= highest, f"{what} {lowest} to {highest}", str(value))


def _require(holds: bool, expected: str, got: str) -> None:
    if not holds:
        raise _BadFrameError(LossReason.BAD_FIELD, expected, got)


def _exact(length: int, implied: int, *, at_least: bool = False) -> None:
    if length < implied or (length > implied and not at_least):
        at_least_text = "at least " if at_least else ""
        raise _BadFrameError(
            LossReason.BAD_LENGTH, f"{at_least_text}{implied} bytes, as the header implies", f"{length}"
        )


def _jumped(
    series: Numbered, missing: LossReason, offset: int, size: int, run: int, sequence: int, jump: int
) -> Loss:
    """A sequence number that jumped on (blocks are missing) or back (a block that came before)."""
    return Loss(
        reason=missing if jump > 0 else LossReason.REPEATED,
        offset=offset,
        expected=f"{series.name} block {(sequence - jump) % WRAP} of run {run}",
        got=f"{series.name} block {sequence}",
        bytes_lost=0 if jump > 0 else size,
        blocks_lost=max(jump, 0),
        run=run,
    )


def _overlaps(series: Numbered, offset: int, size: int, run: int, begins: int) -> Loss:
    """A block that reaches back into the time that the one before it reported."""
    return Loss(
        reason=LossReason.BAD_FIELD,
        offset=offset,
        expected=f"{series.name} from tick {series.reported_to} on, where the block before ended",
        got=f"tick {begins}",
        bytes_lost=size,
        blocks_lost=1,
        run=run,
    )


def _zero_run() -> _BadFrameError:
    return _BadFrameError(LossReason.BAD_FIELD, "run 1 to 255", "0")


def _loss(body: Body, bad: _BadFrameError) -> Loss:
    return Loss(reason=bad.reason, offset=body[0], expected=bad.expected, got=bad.got, bytes_lost=body[1])
