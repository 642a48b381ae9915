"""One run's bookkeeping: which sequence number comes next, and ticks that no longer wrap."""

from __future__ import annotations

from typing import Final

WRAP: Final = 1 << 32
HALF: Final = 1 << 31


def signed32(difference: int) -> int:
    """A difference of two wrapping 32-bit numbers as the nearest one: -2**31 up to 2**31 - 1."""
    return ((difference + HALF) & (WRAP - 1)) - HALF


class Numbered:
    """One of a run's two series of numbered blocks."""

    __slots__ = ("expected", "name", "reported_to")

    def __init__(self, name: str, expected: int | None) -> None:
        self.name = name
        self.expected = expected  # next sequence number; None: whatever comes first
        self.reported_to: int | None = None  # unwrapped tick at which the latest block ended

    def jump(self, sequence: int) -> int:
        """Blocks missing before this one (0: in order); negative: it came before. Takes note."""
        expected = self.expected
        jump = 0 if expected is None or sequence == expected else signed32(sequence - expected)
        if jump >= 0:
            self.expected = (sequence + 1) % WRAP
        return jump

    def advances(self, begins: int, ends: int) -> bool:
        """Whether a block of these unwrapped ticks begins where the last one ended, or later. Takes note."""
        if self.reported_to is not None and begins < self.reported_to:
            return False
        self.reported_to = ends
        return True


class RunTracker:
    """Follows the run in progress.

    The first block of a run is expected to have sequence 0 where the run must have begun
    under this decoder's eyes: after the ack of a start, after another run, or after a hello
    that ended one. A decoder that joined late takes whatever comes first.
    """

    def __init__(self) -> None:
        self.run: int | None = None
        self.samples = Numbered("samples", None)
        self.edges = Numbered("edges", None)
        self._latest_tick: int | None = None
        self._watching = False  # the next run begins under our eyes

    def started(self) -> None:
        """The board says that it begins a run; its number comes with its first frame."""
        self._watching = True
        self.run = None

    def ended(self) -> None:
        """The board says that it is not streaming."""
        if self.run is not None:
            self.started()

    def enter(self, run: int) -> None:
        """A frame of `run` came."""
        if run == self.run:
            return
        first = 0 if self._watching or self.run is not None else None
        self.run = run
        self.samples = Numbered("samples", first)
        self.edges = Numbered("edges", first)
        self._latest_tick = None
        self._watching = False

    def unwrap(self, tick: int) -> int:
        """A 32-bit tick on the run's own axis: the number nearest to the latest tick known."""
        latest = self._latest_tick
        if latest is None:
            self._latest_tick = tick
            return tick
        unwrapped = latest + ((tick - latest + HALF) & (WRAP - 1)) - HALF
        if unwrapped > latest:
            self._latest_tick = unwrapped
        return unwrapped
