"""What a board says, decoded: the events that `FrameDecoder.next_event` returns.

Ticks are the board's own clock. On the wire they are 32 bits and wrap (at 2 MHz every
2147 s); here they are unwrapped, run by run, to Python integers. The first tick seen of a
run stands as it is, every later one is the number nearest to the latest that agrees in its
low 32 bits. So ticks of samples, edges and counters of ONE run compare; samples and
until_ticks of a run never go back. Ticks of different runs do not compare.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt


class InputKind(enum.IntEnum):
    """How the board reads one of its inputs."""

    ANALOG = 0
    EDGE = 1


class ResetCause(enum.IntEnum):
    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 3
    WATCHDOG = 4


class AckStatus(enum.IntEnum):
    DONE = 0
    UNKNOWN_COMMAND = 1
    BAD_LENGTH = 2
    RATE_NOT_POSSIBLE = 3
    NO_SUCH_INPUT = 4
    NOT_NOW = 5  # the run number of the run before, too
    BAD_VALUE = 6  # run 0, or a flag that does not exist


class LogLevel(enum.IntEnum):
    INFO = 0
    WARNING = 1
    ERROR = 2


class LossReason(enum.Enum):
    """Why bytes or blocks did not become data. Every loss has one of these reasons."""

    NOT_COBS = "not_cobs"  # the frame breaks the COBS coding rule
    TOO_SHORT = "too_short"  # shorter than a kind byte and its CRC
    TOO_LONG = "too_long"  # no delimiter within the longest possible frame
    BAD_CRC = "bad_crc"
    UNKNOWN_KIND = "unknown_kind"
    BAD_LENGTH = "bad_length"  # length is not exactly what the header implies
    BAD_FIELD = "bad_field"  # a header field holds a value the specification forbids
    SAMPLES_MISSING = "samples_missing"  # sequence numbers jumped: whole blocks never arrived
    EDGES_MISSING = "edges_missing"  # likewise for edge frames
    REPEATED = "repeated"  # a block that came before; dropped


@dataclass(frozen=True, slots=True)
class NeedData:
    """Nothing more to decode until more bytes are received."""


NEED_DATA = NeedData()


@dataclass(frozen=True, slots=True)
class InputInfo:
    """One of the board's inputs; its place in `Hello.inputs` is its index everywhere."""

    kind: InputKind
    name: str  # what is printed on the board, ASCII


@dataclass(frozen=True, slots=True)
class Hello:
    protocol_version: int
    board: str
    firmware: str  # "major.minor.patch"
    serial_number: int  # 64 bits, 0 = the board has none
    boot_count: int  # differs after every reset, where the board can remember; else 0
    reset_cause: ResetCause
    clock_hz: int  # ticks per second, nominal
    adc_bits: int
    adc_reference_mv: int
    block_scans: int  # the most scans one samples frame holds with every analog input on
    rates_hz: tuple[int, ...]  # scan rates (per input) that `start` accepts
    inputs: tuple[InputInfo, ...]
    run: int  # run number of the stream in progress, 0 = not streaming
    tick: int  # raw 32-bit tick when the hello was built

    @property
    def analog_inputs(self) -> tuple[int, ...]:
        return tuple(i for i, info in enumerate(self.inputs) if info.kind is InputKind.ANALOG)

    @property
    def edge_inputs(self) -> tuple[int, ...]:
        return tuple(i for i, info in enumerate(self.inputs) if info.kind is InputKind.EDGE)


@dataclass(slots=True, eq=False)
class Samples:
    """One block of scans. Scan k of input j was taken at tick + k*scan_ticks + j*skew_ticks.

    Its fields are final for the type checker only: a frozen dataclass takes five times as long
    to make, which alone is twice the time of un-stuffing and checking its frame.
    """

    run: Final[int]
    sequence: Final[int]
    tick: Final[int]  # unwrapped, of the first scan's first input
    scan_ticks: Final[int]
    skew_ticks: Final[int]  # from one input of a scan to the next
    bits: Final[int]  # 10, 12 or 16; a count of 2**bits would be the ADC's reference
    counting: Final[bool]  # the counting test signal instead of the ADC
    inputs: Final[tuple[int, ...]]  # indices into Hello.inputs, ascending
    counts: Final[npt.NDArray[np.uint16]]  # shape (scans, len(inputs)), read-only when decoded

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Samples):
            return NotImplemented
        return self._header() == other._header() and np.array_equal(self.counts, other.counts)

    def _header(self) -> tuple[object, ...]:
        return (
            self.run,
            self.sequence,
            self.tick,
            self.scan_ticks,
            self.skew_ticks,
            self.bits,
            self.counting,
            self.inputs,
        )


@dataclass(frozen=True, slots=True)
class Edge:
    tick: int  # unwrapped
    input: int
    rising: bool


@dataclass(frozen=True, slots=True)
class Edges:
    """Level changes, oldest first. Every edge before `until_tick` has now been reported.

    No edge lies before the until_tick of the frame before.
    """

    run: int
    sequence: int
    until_tick: int  # unwrapped
    edges: tuple[Edge, ...]


@dataclass(frozen=True, slots=True)
class Counters:
    """What the board itself lost since the run began."""

    run: int
    tick: int  # unwrapped, when the counters were read
    overruns: int  # ADC triggers that came while a conversion was under way
    blocks_dropped: int  # sample blocks that found no free buffer; they got no sequence number
    edges_missed: int
    commands_rejected: int  # frames to the board that made no valid command, and commands it refused


@dataclass(frozen=True, slots=True)
class Log:
    level: LogLevel
    text: str


@dataclass(frozen=True, slots=True)
class Ack:
    command: int
    token: int
    status: AckStatus
    value: int  # for `start`: the scan period really used, ticks; else 0


@dataclass(frozen=True, slots=True)
class Loss:
    """Bytes or blocks that did not become data, with where and why.

    bytes_lost: coded bytes that gave no event, delimiters not counted. blocks_lost: numbered blocks
    known to be missing. The two overlap: a damaged block is counted in bytes where it broke, and in
    blocks when the next of its series comes.
    """

    reason: LossReason
    offset: int  # byte offset in everything received since the decoder was made
    expected: str
    got: str
    bytes_lost: int = 0
    blocks_lost: int = 0
    run: int | None = field(default=None)


Event = Hello | Samples | Edges | Counters | Log | Ack | Loss
