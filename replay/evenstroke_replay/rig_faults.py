"""Faults of board, line and cable, scripted by time, between a virtual board and its host.

A script is a list of faults, each with the time (seconds after the first start of a run) at which it begins. What
happens depends on the script, the seed and the board's bytes alone, so that the same fault can be had again.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from evenstroke_protocol import wire
from evenstroke_protocol.events import ResetCause

from .rig_source import RigError
from .virtual_board import VirtualBoard


class FaultKind(enum.Enum):
    """What can go wrong. `value` and `lasts_s` mean what is said here; others are ignored."""

    DROP = "drop"  # each frame is lost with probability `value`, for `lasts_s`
    CORRUPT = "corrupt"  # each bit is flipped with probability `value`, for `lasts_s`
    DUPLICATE = "duplicate"  # each frame comes twice with probability `value`, for `lasts_s`
    STALL = "stall"  # nothing comes for `lasts_s`; then all of it at once
    RESET = "reset"  # the board forgets its run and says hello
    VANISH = "vanish"  # the port is gone for `lasts_s`
    CLOCK = "clock"  # the board's clock is fast by `value` ppm from here on


@dataclass(frozen=True, slots=True)
class Fault:
    at_s: float
    kind: FaultKind
    value: float = 0.0
    lasts_s: float = 0.0


def parse_fault(text: str) -> Fault:
    """A fault from `AT:KIND[:VALUE[:LASTS]]`, for example `3.5:corrupt:1e-4:2` or `5:vanish:0:1.5`.

    Raises RigError with what was expected.
    """
    parts = text.split(":")
    expected = "AT:KIND[:VALUE[:LASTS]], seconds after the first start, KIND one of " + ", ".join(
        kind.value for kind in FaultKind
    )
    try:
        numbers = [float(part) for part in (parts[0], *parts[2:4])]
        fault = Fault(numbers[0], FaultKind(parts[1]), *numbers[1:])
    except (ValueError, IndexError) as error:
        raise RigError(
            "this is no fault that the rig knows",
            where="fault",
            expected=expected,
            found=text,
            todo="write it so",
        ) from error
    share = fault.kind in (FaultKind.DROP, FaultKind.CORRUPT, FaultKind.DUPLICATE)
    if len(parts) > 4 or fault.at_s < 0 or fault.lasts_s < 0 or (share and not 0 <= fault.value <= 1):
        raise RigError(
            "this fault cannot be played",
            where="fault",
            expected=expected + "; times not negative, a probability between 0 and 1",
            found=text,
            todo="write it so",
        )
    return fault


class FaultyBoard:
    """A virtual board with a script of faults; the surface of `VirtualBoard` as a transport uses it.

    The engine goes on through resets and unplugging, as a real one does. `here` says whether the port is
    there now; while it is not, the transport hides it. `dropped_frames` and `flipped_bits` count what was done.
    """

    def __init__(self, board: VirtualBoard, faults: Sequence[Fault], seed: int = 1) -> None:
        self._board = board
        self._board.engine_goes_on = True
        self._faults = sorted(faults, key=lambda fault: fault.at_s)
        self._done: set[int] = set()
        self._random = np.random.default_rng(seed)
        self._now_s = 0.0
        self._began_s: float | None = None
        self._fast = 1.0
        self._held = bytearray()
        self.dropped_frames = self.doubled_frames = self.flipped_bits = 0

    @property
    def now_s(self) -> float:
        """The transport's time, seconds; the board's own runs off when its clock is wrong."""
        return self._now_s

    @property
    def streaming(self) -> bool:
        return self._board.streaming

    @property
    def clipped(self) -> dict[int, int]:
        return self._board.clipped

    @property
    def here(self) -> bool:
        """Whether the port is there."""
        return not self._on(FaultKind.VANISH)

    def receive(self, data: bytes) -> None:
        if self.here:
            self._board.receive(data)

    def hang_up(self) -> None:
        self._board.hang_up()
        self._held.clear()

    def advance(self, to_s: float) -> bytes:
        """What reaches the host up to a time of the transport, faults and all."""
        passed = max(0.0, to_s - self._now_s)
        self._now_s = max(to_s, self._now_s)
        if self._began_s is None and self._board.streaming:
            self._began_s = self._now_s
        self._begin_what_is_due()
        sent = self._board.advance(self._board.now_s + passed * self._fast)
        if not self.here:
            return b""
        self._held += self._damaged(sent)
        if self._on(FaultKind.STALL):
            return b""
        out, self._held = bytes(self._held), bytearray()
        return out

    def _script_s(self) -> float:
        return self._now_s - self._began_s if self._began_s is not None else -1.0

    def _on(self, kind: FaultKind) -> Fault | None:
        """The fault of that kind that is in force now."""
        now = self._script_s()
        return next((f for f in self._faults if f.kind is kind and f.at_s <= now < f.at_s + f.lasts_s), None)

    def _begin_what_is_due(self) -> None:
        for number, fault in enumerate(self._faults):
            if number in self._done or fault.at_s > self._script_s() or self._began_s is None:
                continue
            self._done.add(number)
            if fault.kind is FaultKind.RESET:
                self._board.reset(ResetCause.BROWN_OUT)
            elif fault.kind is FaultKind.VANISH:
                self._board.hang_up()
                self._held.clear()
            elif fault.kind is FaultKind.CLOCK:
                self._fast = 1.0 + fault.value * 1e-6

    def _damaged(self, sent: bytes) -> bytes:
        drop, double, corrupt = (
            self._on(kind) for kind in (FaultKind.DROP, FaultKind.DUPLICATE, FaultKind.CORRUPT)
        )
        if not sent or not (drop or double or corrupt):
            return sent
        out = bytearray()
        for piece in sent.split(wire.DELIMITER)[:-1]:  # the board sends whole frames
            frame = piece + wire.DELIMITER
            if drop is not None and self._random.random() < drop.value:
                self.dropped_frames += 1
                continue
            out += frame
            if double is not None and self._random.random() < double.value:
                self.doubled_frames += 1
                out += frame
        if corrupt is not None and out:
            bits = np.unpackbits(np.frombuffer(bytes(out), dtype=np.uint8))
            flips = self._random.random(bits.size) < corrupt.value
            self.flipped_bits += int(flips.sum())
            out = bytearray(np.packbits(bits ^ flips).tobytes())
        return bytes(out)
