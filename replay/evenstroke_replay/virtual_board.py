"""A board that is not there: commands in, the bytes of a real one out, on a clock of its own.

No I/O and no clock: `receive` takes what the host sent, `advance(to_s)` moves the board's own time
and returns what has left its line by then, in whole frames. What comes out depends on the commands
and on the board's time when they came, not on how that time was cut into steps. The source's time 0
is the moment of the last start command.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.commands import BadCommand, Identify, Ping, Start, Stop
from evenstroke_protocol.decoder import CommandDecoder
from evenstroke_protocol.events import (
    NEED_DATA,
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
    Loss,
    ResetCause,
    Samples,
)
from evenstroke_protocol.wire import Kind

from .rig_counting import counting_signal
from .rig_source import MOST_INPUTS, RigError, Source

_EDGES_EVERY_S = 0.04
_COUNTERS_EVERY_S = 1.0
_LONGEST_BLOCK_S = 0.04
_LONGEST_STEP_S = 0.5
"""What is worked out in one go; it bounds memory and changes nothing else."""
_LINE_BITS_PER_BYTE = 10
_MOST_OF_THE_LINE = 0.9
"""A start that would fill more of the line is refused (SPEC.md, "Is the line fast enough?")."""
_BYTES_BESIDE_SAMPLES = 2400
"""A second's edges of a tooth wheel while cranking, and the counters (same place)."""


@dataclass(frozen=True, slots=True)
class BoardOptions:
    """What kind of board to play.

    adc_bits: 10, 12 or 16. baud: None for a line without limit. block_buffers: sample blocks that
    may wait for the line before whole ones are dropped. analog, edge: least number of inputs of
    each kind. first_tick: the raw tick counter at power-up. counting: send the counting test
    signal whatever the host asks for. careful: refuse what would fill the line, as the
    specification asks; a careless board takes it, and drops blocks.
    """

    name: str = "evenstroke virtual board"
    firmware: str = "1.0.0"
    serial_number: int = 0x5EED
    clock_hz: int = 2_000_000
    adc_bits: int = 12
    reference_mv: int = 5000
    rates_hz: tuple[int, ...] = (1000, 2000, 2500, 4000, 5000, 8000, 10_000, 20_000, 25_000, 40_000, 50_000)
    baud: int | None = 1_000_000
    block_buffers: int = 4
    analog: int = 4
    edge: int = 4
    first_tick: int = 0
    counting: bool = False
    careful: bool = True


@dataclass(slots=True)
class _Run:
    number: int
    counting: bool
    began: int  # tick of the first scan
    zero: int  # tick at which the source's time is 0
    scan_ticks: int
    skew_ticks: int
    block_scans: int
    analog: tuple[int, ...]
    edge: tuple[int, ...]
    scans: int = 0  # sent or dropped so far
    samples_sequence: int = 0
    edges_sequence: int = 0
    edges_until: int = 0
    counters_at: int = 0
    blocks_dropped: int = 0
    rejected: int = 0


class VirtualBoard:
    """One board, wired to a source. It had its power before its time 0, and has said its first hello.

    When the source has nothing more to play the inputs hold their last values, and a log says so.

    clipped: per input, how many samples lay outside the ADC's range and were cut off at its ends.
    Raises RigError for options that no board can have.
    """

    def __init__(self, source: Source, options: BoardOptions | None = None) -> None:
        self._source = source
        self._options = options if options is not None else BoardOptions()
        self._inputs = _inputs(source, self._options)
        _check(self._options)
        self._bits = self._options.adc_bits
        self._commands = CommandDecoder()
        self._now = 0  # ticks since the board's time 0
        self._booted = 0
        self._boot_count = 1
        self._reset_cause = ResetCause.POWER_ON
        self._run: _Run | None = None
        self._zero: int | None = None
        self.engine_goes_on = False
        """Whether the source's time runs on through resets and hang-ups, from the first start; else each
        start begins it anew."""
        self._line_free = 0.0
        self._line: deque[tuple[float, bytes]] = deque()  # when each frame has left, and its bytes
        self._waiting: deque[float] = deque()  # when each sample block has left
        self.clipped: dict[int, int] = {}

    @property
    def now_s(self) -> float:
        """The board's present time, seconds."""
        return self._now / self._options.clock_hz

    @property
    def streaming(self) -> bool:
        return self._run is not None

    @property
    def here(self) -> bool:
        """Whether its port is there: always, unless faults are scripted (rig_faults)."""
        return True

    @property
    def hello(self) -> Hello:
        """What the board would say of itself now."""
        o = self._options
        return Hello(
            protocol_version=wire.PROTOCOL_VERSION,
            board=o.name,
            firmware=o.firmware,
            serial_number=o.serial_number,
            boot_count=self._boot_count,
            reset_cause=self._reset_cause,
            clock_hz=o.clock_hz,
            adc_bits=o.adc_bits,
            adc_reference_mv=o.reference_mv,
            block_scans=wire.most_scans(sum(i.kind is InputKind.ANALOG for i in self._inputs), self._bits),
            rates_hz=o.rates_hz,
            inputs=self._inputs,
            run=self._run.number if self._run is not None else 0,
            tick=self._tick(self._now) % (1 << 32),
        )

    def receive(self, data: bytes) -> None:
        """Obey what the host sent, at the board's present time."""
        self._commands.receive(data)
        while (command := self._commands.next_event()) is not NEED_DATA:
            match command:
                case Identify(token=token):
                    self._send(self._now, encoder.encode_hello(self.hello))
                    self._acknowledge(Kind.IDENTIFY, token)
                case Ping(token=token):
                    self._acknowledge(Kind.PING, token)
                case Start():
                    self._start(command)
                case Stop(token=token):
                    self._end_run()
                    self._acknowledge(Kind.STOP, token)
                case BadCommand(command=kind, token=token, status=status):
                    self._reject()
                    self._acknowledge(kind, token, status)
                case Loss():
                    self._reject()

    def advance(self, to_s: float) -> bytes:
        """Move the board's time to `to_s` seconds after it was made; the bytes that have left by then.

        A time before the present one changes nothing.
        """
        to = round(to_s * self._options.clock_hz)
        step = int(_LONGEST_STEP_S * self._options.clock_hz)
        out: list[bytes] = []
        while self._now < to:
            upto = min(to, self._now + step)
            if self._run is not None:
                self._stream(self._run, upto)
            self._now = upto
        while self._line and self._line[0][0] <= self._now:
            out.append(self._line.popleft()[1])
        return b"".join(out)

    def hang_up(self) -> None:
        """The host closed the line: the run is over, and what had not left goes nowhere."""
        self._run = None
        self._line.clear()
        self._waiting.clear()
        self._line_free = float(self._now)
        self._commands = CommandDecoder()

    def reset(self, cause: ResetCause = ResetCause.EXTERNAL) -> None:
        """As if the board's reset had been pressed: what had not left is lost, its ticks begin again."""
        self.hang_up()
        self._booted = self._now
        self._boot_count += 1
        self._reset_cause = cause
        # The delimiter ends whatever frame the reset cut off.
        self._send(self._now, wire.DELIMITER + encoder.encode_hello(self.hello))

    # --- commands ----------------------------------------------------------------------------------

    def _start(self, command: Start) -> None:
        analog = tuple(i for i in command.inputs if self._is(i, InputKind.ANALOG))
        edge = tuple(i for i in command.inputs if self._is(i, InputKind.EDGE))
        rate = command.rate_hz
        scans = max(1, min(wire.most_scans(max(len(analog), 1), self._bits), int(_LONGEST_BLOCK_S * rate)))
        if rate not in self._options.rates_hz or self._too_much(rate, len(analog), scans):
            self._acknowledge(Kind.START, command.token, AckStatus.RATE_NOT_POSSIBLE)
            return
        if not analog or len(analog) + len(edge) != len(command.inputs):
            self._acknowledge(Kind.START, command.token, AckStatus.NO_SUCH_INPUT)
            return
        scan_ticks = self._options.clock_hz // rate
        self._run = _Run(
            number=command.run,
            counting=command.counting or self._options.counting,
            began=self._now,
            zero=self._zero if self._zero is not None and self.engine_goes_on else self._now,
            scan_ticks=scan_ticks,
            skew_ticks=scan_ticks // len(analog),
            block_scans=scans,
            analog=analog,
            edge=edge,
            edges_until=self._now,
            counters_at=self._now,
        )
        self._zero = self._run.zero
        self._acknowledge(Kind.START, command.token, value=scan_ticks)

    def _too_much(self, rate_hz: int, analog: int, block_scans: int) -> bool:
        """Whether the samples of a run would leave too little of the line."""
        if self._options.baud is None or not self._options.careful:
            return False
        fixed = wire.SAMPLES.size + wire.CRC32_BYTES + len(wire.DELIMITER) + 1
        block = fixed + wire.packed_bytes(block_scans * analog, self._bits)
        wanted = block * rate_hz / block_scans + _BYTES_BESIDE_SAMPLES
        return wanted * _LINE_BITS_PER_BYTE > _MOST_OF_THE_LINE * self._options.baud

    def _is(self, index: int, kind: InputKind) -> bool:
        return index < len(self._inputs) and self._inputs[index].kind is kind

    def _reject(self) -> None:
        if self._run is not None:
            self._run.rejected += 1

    def _acknowledge(
        self, kind: int, token: int, status: AckStatus = AckStatus.DONE, *, value: int = 0
    ) -> None:
        self._send(self._now, encoder.encode_ack(Ack(command=kind, token=token, status=status, value=value)))

    def _end_run(self) -> None:
        """Send what is left of the run, then its last counters."""
        run, self._run = self._run, None
        if run is None:
            return
        left = (self._now - run.began) // run.scan_ticks - run.scans
        for counts in self._counts(run, run.scans, 1, left):
            self._send_samples(run, self._now, counts)
        for at, edges, until in self._edge_frames(run, self._now):
            self._send_edges(run, at, edges, until)
        if run.edges_until < self._now:
            self._send_edges(run, self._now, self._edges(run, self._now), self._now)
        self._send_counters(run, self._now)

    # --- the stream ----------------------------------------------------------------------------------

    def _stream(self, run: _Run, upto: int) -> None:
        """Everything that becomes ready after the present and up to a tick, in its order."""
        jobs: list[tuple[int, int, Callable[[], object]]] = []
        block_ticks = run.block_scans * run.scan_ticks
        first = run.began + run.scans * run.scan_ticks
        blocks = (upto - first) // block_ticks
        for k, counts in enumerate(self._counts(run, run.scans, blocks, run.block_scans), 1):
            at = first + k * block_ticks
            jobs.append((at, 0, partial(self._send_samples, run, at, counts)))
        for at, edges, until in self._edge_frames(run, upto):
            jobs.append((at, 1, partial(self._send_edges, run, at, edges, until)))
        every = round(_COUNTERS_EVERY_S * self._options.clock_hz)
        for at in range(run.counters_at + every, upto + 1, every):
            jobs.append((at, 2, partial(self._send_counters, run, at)))
        ends = self._source.ends_at_s
        if ends is not None and self._now < (at := run.zero + round(ends * self._options.clock_hz)) <= upto:
            text = "nothing more to play: the inputs hold their last values"
            frame = encoder.encode_log(Log(level=LogLevel.INFO, text=text))
            jobs.append((at, 3, partial(self._send, at, frame)))
        for _, _, job in sorted(jobs, key=lambda job: job[:2]):
            job()

    def _counts(
        self, run: _Run, first_scan: int, blocks: int, block_scans: int
    ) -> Iterator[npt.NDArray[np.uint16]]:
        """ADC counts of whole blocks, worked out in one go, each (block_scans, inputs)."""
        scans = blocks * block_scans
        if scans <= 0:
            return
        if run.counting:
            counts = counting_signal(first_scan, scans, len(run.analog), self._bits)
        else:
            k = np.arange(first_scan, first_scan + scans, dtype=np.int64) * run.scan_ticks
            j = np.arange(len(run.analog), dtype=np.int64)[:, None] * run.skew_ticks
            volts = self._source.volts(run.analog, (k + j + (run.began - run.zero)) / self._options.clock_hz)
            counts = self._converted(run.analog, volts)
        for b in range(blocks):
            yield counts[b * block_scans : (b + 1) * block_scans]

    def _converted(self, inputs: tuple[int, ...], volts: npt.NDArray[np.float64]) -> npt.NDArray[np.uint16]:
        """Volts (inputs, n) to counts (n, inputs), as an ideal ADC does: floor(2**bits V / reference)."""
        full = 1 << self._bits
        steps = np.floor(volts * (full * 1000.0 / self._options.reference_mv))
        outside = (steps < 0) | (steps >= full)
        if outside.any():
            for i, n in zip(inputs, outside.sum(axis=1).tolist(), strict=True):
                if n:
                    self.clipped[i] = self.clipped.get(i, 0) + n
        return np.ascontiguousarray(np.clip(steps, 0, full - 1).astype(np.uint16).T)

    def _edges(self, run: _Run, until: int) -> list[Edge]:
        """Edges from the last report up to a tick, in ticks of the board's time."""
        hz = self._options.clock_hz
        # A tick early and late: the source's seconds may lie a rounding away from a whole tick.
        found = self._source.edges((run.edges_until - run.zero - 1) / hz, (until - run.zero + 1) / hz)
        return [
            Edge(tick=tick, input=e.input, rising=e.rising)
            for e in found
            if e.input in run.edge and run.edges_until <= (tick := run.zero + round(e.t * hz)) < until
        ]

    def _edge_frames(self, run: _Run, upto: int) -> Iterator[tuple[int, list[Edge], int]]:
        """When each edges frame is ready, up to a tick; its edges, and the tick it is complete to."""
        every = round(_EDGES_EVERY_S * self._options.clock_hz)
        edges = self._edges(run, upto)
        since = run.edges_until
        while True:
            at = since + every
            full = edges[wire.MOST_EDGES - 1].tick + 1 if len(edges) >= wire.MOST_EDGES else at
            count = sum(1 for e in edges if e.tick < min(at, full))
            at = until = min(at, full)
            if at > upto:
                return
            if count > wire.MOST_EDGES:
                # Several in one tick, and no room for all of them: they wait for the next frame.
                until = edges[wire.MOST_EDGES].tick
                count = sum(1 for e in edges if e.tick < until)
            yield at, edges[:count], until
            edges = edges[count:]
            since = until

    def _send_edges(self, run: _Run, at: int, edges: list[Edge], until: int) -> None:
        event = Edges(
            run=run.number,
            sequence=run.edges_sequence,
            until_tick=self._tick(until),
            edges=tuple(Edge(tick=self._tick(e.tick), input=e.input, rising=e.rising) for e in edges),
        )
        run.edges_sequence += 1
        run.edges_until = until
        self._send(at, encoder.encode_edges(event))

    def _send_samples(self, run: _Run, at: int, counts: npt.NDArray[np.uint16]) -> None:
        first = run.scans
        run.scans += len(counts)
        while self._waiting and self._waiting[0] <= at:
            self._waiting.popleft()
        if len(self._waiting) >= self._options.block_buffers:
            # It gets no sequence number: a jump of the ticks alone is the board's loss (SPEC.md, "samples").
            run.blocks_dropped += 1
            return
        sequence = run.samples_sequence
        run.samples_sequence += 1
        event = Samples(
            run=run.number,
            sequence=sequence,
            tick=self._tick(run.began + first * run.scan_ticks),
            scan_ticks=run.scan_ticks,
            skew_ticks=run.skew_ticks,
            bits=self._bits,
            counting=run.counting,
            inputs=run.analog,
            counts=counts,
        )
        self._waiting.append(self._send(at, encoder.encode_samples(event)))

    def _send_counters(self, run: _Run, at: int) -> None:
        run.counters_at = at
        self._send(
            at,
            encoder.encode_counters(
                Counters(
                    run=run.number,
                    tick=self._tick(at),
                    overruns=0,
                    blocks_dropped=run.blocks_dropped,
                    edges_missed=0,
                    commands_rejected=run.rejected,
                )
            ),
        )

    def _send(self, at: int, frame: bytes) -> float:
        """Put a frame on the line at a tick; the tick at which its last byte has left."""
        baud = self._options.baud
        takes = 0.0 if baud is None else len(frame) * _LINE_BITS_PER_BYTE / baud * self._options.clock_hz
        self._line_free = max(self._line_free, float(at)) + takes
        self._line.append((self._line_free, frame))
        return self._line_free

    def _tick(self, at: int) -> int:
        return at - self._booted + self._options.first_tick


def _inputs(source: Source, options: BoardOptions) -> tuple[InputInfo, ...]:
    """The source's inputs, and as many unwired ones as the board has besides."""
    inputs = list(source.inputs)
    for kind, least, name in (
        (InputKind.ANALOG, options.analog, "analog"),
        (InputKind.EDGE, options.edge, "edge"),
    ):
        missing = least - sum(i.kind is kind for i in inputs)
        free = MOST_INPUTS - len(inputs)
        inputs += [
            InputInfo(kind, f"{name} {n}")
            for n in itertools.islice(itertools.count(len(inputs)), max(0, min(missing, free)))
        ]
    return tuple(inputs)


def _check(options: BoardOptions) -> None:
    if options.adc_bits not in wire.GROUPS:
        raise RigError(
            "no such converter",
            where="virtual board",
            expected="10, 12 or 16 bits",
            found=f"{options.adc_bits} bits",
            todo="choose one of these",
        )
    odd = [rate for rate in options.rates_hz if options.clock_hz % rate]
    if odd:
        raise RigError(
            "a rate is no whole number of the board's ticks",
            where="virtual board",
            expected=f"divisors of {options.clock_hz} Hz",
            found=", ".join(map(str, odd)),
            todo="leave these rates out",
        )
