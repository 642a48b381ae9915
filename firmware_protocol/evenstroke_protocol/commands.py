"""What a host says to a board, decoded: the events that `CommandDecoder.next_event` returns."""

from __future__ import annotations

from dataclasses import dataclass

from evenstroke_protocol.events import AckStatus, Loss


@dataclass(frozen=True, slots=True)
class Identify:
    """Answered by a hello, then an ack."""

    token: int  # 0..65535, echoed in the ack


@dataclass(frozen=True, slots=True)
class Start:
    """Begin run `run`; a run in progress ends first."""

    token: int
    run: int  # 1..255, another than the run before
    rate_hz: int  # scans per second; one of Hello.rates_hz
    inputs: tuple[int, ...]  # analog inputs to sample AND edge inputs to report, ascending
    counting: bool  # the counting test signal instead of the ADC


@dataclass(frozen=True, slots=True)
class Stop:
    """End the run: what is left of it, its last counters, then the ack."""

    token: int


@dataclass(frozen=True, slots=True)
class Ping:
    """Answered by an ack."""

    token: int


@dataclass(frozen=True, slots=True)
class BadCommand:
    """A frame that arrived whole and cannot be obeyed: the board answers with an ack of this status."""

    command: int  # the kind byte as it came
    token: int  # 0 where the frame is too short to hold one
    status: AckStatus


Command = Identify | Start | Stop | Ping | BadCommand
CommandEvent = Command | Loss
