"""Faults of board, line and cable, scripted by time, between a virtual board and its host.

A script is a list of faults, each with the time (seconds after the first start of a run) at which it begins. What
comes out depends on the script, the seed, the board and when the host spoke, not on how time was cut into steps; so
the same fault can be had again. (A transport in real time hears its host a little sooner or later each time.)
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from evenstroke_protocol import wire
from evenstroke_protocol.events import ResetCause

from .rig_source import RigError
from .virtual_board import VirtualBoard

_MOST_PPM = 100_000.0


class FaultKind(enum.Enum):
    """What can go wrong. `value` and `lasts_s` mean what is said here; others are ignored."""

    DROP = "drop"  # each frame is lost with probability `value`, for `lasts_s`
    CORRUPT = "corrupt"  # each bit is flipped with probability `value`, for `lasts_s`
    DUPLICATE = "duplicate"  # each frame comes twice with probability `value`, for `lasts_s`
    STALL = "stall"  # nothing comes for `lasts_s`; then all of it at once
    RESET = "reset"  # the board forgets its run and says hello
    VANISH = "vanish"  # the port is gone for `lasts_s`
    CLOCK = "clock"  # the board's clock drifts for `lasts_s` until it is fast by `value` ppm, and stays so


_SHARES = frozenset({FaultKind.DROP, FaultKind.CORRUPT, FaultKind.DUPLICATE})
_LASTING = _SHARES | {FaultKind.STALL, FaultKind.VANISH}


@dataclass(frozen=True, slots=True)
class Fault:
    """One line of a script: seconds after the first start, what, how much of it, for how many seconds.

    Raises RigError for what cannot be played, or would do nothing.
    """

    at_s: float
    kind: FaultKind
    value: float = 0.0
    lasts_s: float = 0.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(number) for number in (self.at_s, self.value, self.lasts_s)):
            wrong = "finite numbers"
        elif self.at_s < 0 or self.lasts_s < 0:
            wrong = "times that are not negative"
        elif self.kind in _SHARES and not 0 < self.value <= 1:
            wrong = "a probability above 0, up to 1, as VALUE"
        elif self.kind in _LASTING and self.lasts_s == 0:
            wrong = f"LASTS, how many seconds the {self.kind.value} goes on"
        elif self.kind is FaultKind.CLOCK and abs(self.value) > _MOST_PPM:
            wrong = f"at most {_MOST_PPM:.0f} ppm either way as VALUE"
        else:
            return
        raise RigError(
            "this fault cannot be played",
            where="fault",
            expected=wrong,
            found=f"{self.at_s:g}:{self.kind.value}:{self.value:g}:{self.lasts_s:g}",
            todo="correct it, for example 3.5:corrupt:1e-4:2 or 5:vanish:0:1.5",
        )


def parse_fault(text: str) -> Fault:
    """A fault from `AT:KIND[:VALUE[:LASTS]]`, for example `3.5:corrupt:1e-4:2` or `5:vanish:0:1.5`.

    Raises RigError with what was expected.
    """
    parts = text.split(":")
    try:
        if len(parts) > 4:
            raise ValueError(text)
        at_s, *numbers = [float(part) for part in (parts[0], *parts[2:])]
        kind = FaultKind(parts[1])
    except (ValueError, IndexError) as error:
        raise RigError(
            "this is no fault that the rig knows",
            where="fault",
            expected="AT:KIND[:VALUE[:LASTS]], AT in seconds after the first start, KIND one of "
            + ", ".join(kind.value for kind in FaultKind),
            found=repr(text),
            todo="write it so, for example 3.5:corrupt:1e-4:2 or 5:vanish:0:1.5",
        ) from error
    return Fault(at_s, kind, *numbers)


class FaultyBoard:
    """A virtual board with a script of faults; the surface of `VirtualBoard` as a transport uses it.

    The engine goes on through resets and unplugging, as a real one does. `here` says whether the port is
    there now; while it is not, the transport hides it. `dropped_frames`, `doubled_frames` and `flipped_bits`
    count what was done.
    """

    def __init__(self, board: VirtualBoard, faults: Sequence[Fault], seed: int = 1) -> None:
        self._board = board
        self._board.engine_goes_on = True
        self._faults = sorted(faults, key=lambda fault: fault.at_s)
        self._clock_faults = [fault for fault in self._faults if fault.kind is FaultKind.CLOCK]
        # When anything begins or ends, seconds of the script: between two of these nothing changes.
        self._turns = sorted({s for f in self._faults for s in (f.at_s, f.at_s + f.lasts_s)})
        self._begun = 0  # faults whose beginning is past
        # One generator for each, so that none of them depends on what the others drew.
        self._drops, self._doubles, self._flips = (
            np.random.default_rng(part) for part in np.random.SeedSequence(seed).spawn(3)
        )
        self._now_s = board.now_s
        self._began_s: float | None = None
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
        return self._on(FaultKind.VANISH) is None

    def receive(self, data: bytes) -> None:
        if not self.here:
            return
        self._board.receive(data)
        if self._began_s is None and self._board.streaming:
            self._began_s = self._now_s
            self._begin_what_is_due()

    def hang_up(self) -> None:
        self._board.hang_up()
        self._held.clear()

    def advance(self, to_s: float) -> bytes:
        """What reaches the host up to a time of the transport, faults and all.

        Where the port vanishes on the way, time stops there: the transport has to see it, however short it is.
        """
        out = bytearray()
        while self._now_s < to_s:
            was_here = self.here
            # In force until the next turn; so asked for before time moves there.
            drop, double, corrupt = map(self._on, (FaultKind.DROP, FaultKind.DUPLICATE, FaultKind.CORRUPT))
            self._now_s = min(to_s, self._next_turn_s())
            sent = self._board.advance(self._board_s())
            if was_here:
                self._held += self._damaged(sent, drop, double, corrupt)
            self._begin_what_is_due()
            if self._on(FaultKind.STALL) is None:
                out += self._held
                self._held.clear()
            if was_here and not self.here:
                break
        return bytes(out)

    def _script_s(self) -> float:
        return self._now_s - self._began_s if self._began_s is not None else -1.0

    def _next_turn_s(self) -> float:
        """When something begins or ends next, in the transport's time."""
        if self._began_s is None:
            return math.inf
        return next((at for turn in self._turns if (at := self._began_s + turn) > self._now_s), math.inf)

    def _on(self, kind: FaultKind) -> Fault | None:
        """The fault of that kind that is in force from now on."""
        if self._began_s is None:
            return None
        # Compared in the transport's time, as `_next_turn_s` does: a difference would be rounded another way.
        now, zero = self._now_s, self._began_s
        return next(
            (
                f
                for f in self._faults
                if f.kind is kind and zero + f.at_s <= now < zero + (f.at_s + f.lasts_s)
            ),
            None,
        )

    def _board_s(self) -> float:
        """The board's own time now: summed from the start, for a step's few ppm are less than one of its ticks."""
        gained = ppm = 0.0
        now = self._script_s()
        never = Fault(max(now, 0.0), FaultKind.CLOCK)
        for fault, following in pairwise([*(f for f in self._clock_faults if f.at_s < now), never]):
            passed = following.at_s - fault.at_s
            drifting = min(passed, fault.lasts_s)
            share = drifting / fault.lasts_s if fault.lasts_s > 0 else 1.0
            reached = ppm + (fault.value - ppm) * share
            gained += (ppm + reached) / 2 * drifting + reached * (passed - drifting)
            ppm = reached
        return self._now_s + gained * 1e-6

    def _begin_what_is_due(self) -> None:
        if self._began_s is None:
            return
        while (
            self._begun < len(self._faults) and self._began_s + self._faults[self._begun].at_s <= self._now_s
        ):
            fault = self._faults[self._begun]
            self._begun += 1
            if fault.kind is FaultKind.RESET:
                self._board.reset(ResetCause.BROWN_OUT)
            elif fault.kind is FaultKind.VANISH:
                self.hang_up()

    def _damaged(self, sent: bytes, drop: Fault | None, double: Fault | None, corrupt: Fault | None) -> bytes:
        """What arrives of whole frames, under the faults in force while the board sent them."""
        if not sent or not (drop or double or corrupt):
            return sent
        out = bytearray()
        for piece in sent.split(wire.DELIMITER)[:-1]:
            frame = piece + wire.DELIMITER
            if drop is not None and self._drops.random() < drop.value:
                self.dropped_frames += 1
                continue
            out += frame
            if double is not None and self._doubles.random() < double.value:
                self.doubled_frames += 1
                out += frame
        if corrupt is not None and out:
            bits = np.unpackbits(np.frombuffer(bytes(out), dtype=np.uint8))
            flips = self._flips.random(bits.size) < corrupt.value
            self.flipped_bits += int(flips.sum())
            out = bytearray(np.packbits(bits ^ flips).tobytes())
        return bytes(out)
