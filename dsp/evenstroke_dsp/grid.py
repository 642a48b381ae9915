"""Puts sample blocks onto one even time grid, with lost samples as NaN, cut into frames.

A change of rate, or a hole longer than `LONGEST_FILLED_S`, ends the grid: filters and searches start
anew on the next one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .blocks import Floats, InputKey, SampleBlock

LONGEST_FILLED_S = 2.0
_SAME_PERIOD = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Samples of all sampled inputs: volts shape (inputs, samples), NaN = lost."""

    volts: Floats
    t0: float
    dt: float
    last: bool  # no more samples on this grid


@dataclass(frozen=True, slots=True)
class GridStart:
    """A new time grid begins: what depends on the sampling rate is built anew."""

    inputs: tuple[InputKey, ...]
    t0: float
    dt: float
    offsets: tuple[float, ...]


class SampleGrid:
    """Collects blocks with `add`, gives whole frames with `frames`; `frame_length` is set from outside
    once a `GridStart` has been seen."""

    def __init__(self) -> None:
        self.frame_length = 0
        self._pieces: list[Floats] = []
        self._held = 0
        self._start: GridStart | None = None
        self._taken = 0  # samples handed out since the grid began

    def add(self, block: SampleBlock) -> Iterator[GridStart | Frame]:
        """Yields what becomes ready through this block, oldest first."""
        start = self._start
        if start is not None:
            expected = start.t0 + (self._taken + self._held) * start.dt
            missing = round((block.t0 - expected) / start.dt)
            same = block.inputs == start.inputs and abs(block.dt / start.dt - 1.0) < _SAME_PERIOD
            if not same or missing * start.dt > LONGEST_FILLED_S or missing < 0:
                yield from self.finish()
            elif missing:
                self._append(np.full((len(block.inputs), missing), np.nan))
        if self._start is None:
            self._start = GridStart(block.inputs, block.t0, block.dt, block.input_offsets)
            self._taken = 0
            yield self._start
        self._append(np.asarray(block.volts, dtype=np.float64))
        yield from self._whole_frames()

    def finish(self) -> Iterator[Frame]:
        """Ends the grid: the rest as one last, possibly empty frame."""
        if self._start is None:
            return
        yield from self._whole_frames()
        yield self._take(self._held, last=True)
        self._start = None
        self._pieces = []

    def _append(self, volts: Floats) -> None:
        self._pieces.append(volts)
        self._held += volts.shape[1]

    def _whole_frames(self) -> Iterator[Frame]:
        while self._held >= self.frame_length:
            yield self._take(self.frame_length, last=False)

    def _take(self, count: int, *, last: bool) -> Frame:
        assert self._start is not None
        if len(self._pieces) != 1:
            inputs = len(self._start.inputs)
            self._pieces = [np.concatenate(self._pieces, axis=1) if self._pieces else np.empty((inputs, 0))]
        joined = self._pieces[0]
        frame = Frame(joined[:, :count], self._start.t0 + self._taken * self._start.dt, self._start.dt, last)
        self._pieces = [joined[:, count:]]
        self._held -= count
        self._taken += count
        return frame
