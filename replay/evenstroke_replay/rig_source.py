"""What the virtual board listens to: a source of volts and level changes on its own time axis.

A source knows no board. It is asked for the volts of an input at given times, each input at the
times at which the board really samples it, and for level changes between two times. Its answers
depend on those times alone: noise is drawn on a fixed grid, numbered from the source's
beginning, so that nothing changes with the way in which a run is cut into calls.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_protocol.events import InputInfo

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MOST_INPUTS = 16
"""The wire format names the sampled inputs in a mask of 16 bits."""


class RigError(EvenstrokeError):
    """The virtual rig was asked for something that it cannot do."""


class SourceEdge(NamedTuple):
    """A level change: seconds on the source's axis, input, and the new level's direction."""

    t: float
    input: int
    rising: bool


class Source(Protocol):
    """Anything that a virtual board can be wired to. Time 0 is the moment when the host says start."""

    @property
    def inputs(self) -> tuple[InputInfo, ...]:
        """The inputs that are wired, in the board's order."""

    @property
    def ends_at_s(self) -> float | None:
        """When there is nothing more to play, seconds; from then on volts hold. None: at rest for ever."""

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        """Volts of analog inputs.

        times: shape (len(inputs), n), seconds: row j holds the times at which inputs[j] is sampled,
        ascending. Returns the same shape, finite throughout.
        """

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        """Level changes of the edge inputs with t_from <= t < t_to, oldest first."""


class EdgeTimeline:
    """The level changes of several inputs in one order of time.

    changes: per input, times (n,) in seconds and whether each one rises (n,).
    """

    def __init__(self, changes: dict[int, tuple[Floats, Bools]]) -> None:
        times = np.concatenate([t for t, _ in changes.values()] or [np.empty(0)])
        order = np.argsort(times, kind="stable")
        self._times: Floats = times[order]
        numbers = [np.full(len(t), i, np.int64) for i, (t, _) in changes.items()]
        self._inputs = np.concatenate(numbers or [np.empty(0, np.int64)])[order]
        self._rising = np.concatenate([up for _, up in changes.values()] or [np.empty(0, np.bool_)])[order]

    def between(self, t_from: float, t_to: float) -> list[SourceEdge]:
        """Those with t_from <= t < t_to, oldest first."""
        first, last = np.searchsorted(self._times, (t_from, t_to), side="left")
        return [
            SourceEdge(float(t), int(i), bool(up))
            for t, i, up in zip(
                self._times[first:last], self._inputs[first:last], self._rising[first:last], strict=True
            )
        ]


class GridNoise:
    """Gaussian noise of unit variance, one value per point of a grid, from a counter-based generator.

    Point i of stream k is the same number whenever and in whatever portions it is asked for.
    Between the points the noise is interpolated linearly, which leaves its density far below the
    grid's rate as it was.
    """

    _BLOCK = 4096
    _MOST_KEPT = 64

    def __init__(self, seed: int, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self._seed = seed
        self._kept: dict[tuple[int, int], Floats] = {}

    def _block(self, stream: int, number: int) -> Floats:
        kept = self._kept.get((stream, number))
        if kept is None:
            # Block numbers before time 0 are negative; the counter is not.
            generator = np.random.Generator(
                np.random.Philox(key=[self._seed, stream], counter=[0, 0, number % (1 << 64), 0])
            )
            kept = generator.standard_normal(self._BLOCK)
            if len(self._kept) >= self._MOST_KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[stream, number] = kept
        return kept

    def at(self, stream: int, times: Floats) -> Floats:
        """Noise of one stream at ascending times (n,), seconds; shape (n,)."""
        place = times * self.rate_hz
        below = np.floor(place)
        index = below.astype(np.int64)
        first, last = int(index[0]) // self._BLOCK, (int(index[-1]) + 1) // self._BLOCK
        grid = np.concatenate([self._block(stream, number) for number in range(first, last + 1)])
        index -= first * self._BLOCK
        left = grid[index]
        return np.asarray(left + (place - below) * (grid[index + 1] - left))
