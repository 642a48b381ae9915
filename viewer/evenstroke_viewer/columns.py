"""A running waveform, pixel column by pixel column, each worked out once however long it stays in sight. No Qt here.

Columns lie at whole multiples of their width in time, so that nothing flickers as they pass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .view_model import WaveKeeper

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Columns `first` to before `first + n` of a waveform; column k lasts from k to k + 1 times `width_s`.

    low, high: (n,) the extremes, NaN where there is no sample; rising: (n,) whether it ends above its beginning; lost:
    (n,) whether a sample is missing there that others surround.
    """

    first: int
    width_s: float
    low: Values
    high: Values
    rising: Flags
    lost: Flags

    @property
    def begins_s(self) -> Values:
        """(n,) where each begins, seconds."""
        return np.asarray((self.first + np.arange(self.low.size)) * self.width_s)

    def gaps(self) -> list[tuple[float, float]]:
        """Stretches, seconds, in which samples are missing, as far as columns tell."""
        edges = np.diff(np.concatenate([[0], self.lost.astype(np.int8), [0]]))
        starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
        return [
            ((self.first + int(a)) * self.width_s, (self.first + int(b)) * self.width_s)
            for a, b in zip(starts, ends, strict=True)
        ]

    def band(self) -> tuple[Values, Values]:
        """(n,) the least and the greatest value to be filled in each column, so that it touches the one before it."""
        low, high = self.low.copy(), self.high.copy()
        before = ~np.isnan(self.high[:-1])
        np.minimum(low[1:], self.high[:-1], out=low[1:], where=before)
        np.maximum(high[1:], self.low[:-1], out=high[1:], where=before)
        return low, high

    def outline(self) -> tuple[Values, Values]:
        """Times and values of a line that touches both extremes of each column; NaN where there is none."""
        early = np.where(self.rising, self.low, self.high)
        late = np.where(self.rising, self.high, self.low)
        times = self.begins_s
        return (
            np.stack([times + 0.25 * self.width_s, times + 0.75 * self.width_s], axis=1).ravel(),
            np.stack([early, late], axis=1).ravel(),
        )


class RunningColumns:
    """The columns of one probe. What was worked out is kept until it is out of sight."""

    def __init__(self, probe: str) -> None:
        self._probe = probe
        self._keeper: WaveKeeper | None = None
        self._kept: Columns | None = None

    def between(self, keeper: WaveKeeper, from_s: float, to_s: float, width_s: float) -> Columns:
        """The complete columns that begin in this time, as far as samples go."""
        first = math.ceil(from_s / width_s - 1e-9)
        end = math.floor(min(to_s, keeper.until_s) / width_s + 1e-9)
        kept = self._kept
        if (
            kept is None
            or keeper is not self._keeper
            or kept.width_s != width_s
            or not kept.first <= first <= kept.first + kept.low.size
            or kept.first + kept.low.size > end
        ):
            kept = _work_out(keeper, self._probe, first, max(first, end), width_s)
        else:
            new = _work_out(keeper, self._probe, kept.first + kept.low.size, end, width_s)
            kept = _joined(kept, new, first)
        self._keeper, self._kept = keeper, kept
        return _surrounded(kept)


def _work_out(keeper: WaveKeeper, probe: str, first: int, end: int, width_s: float) -> Columns:
    count = end - first
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    rising, lost = np.zeros(count, np.bool_), np.ones(count, np.bool_)
    # A millionth of a column's width earlier: samples stand at multiples of their period only to rounding.
    edges = (first + np.arange(count + 1) - 1e-6) * width_s
    for piece in keeper.between(probe, first * width_s, end * width_s) if count > 0 else []:
        samples = piece.samples[0]
        places = np.clip(np.ceil((edges - piece.t0_s) / piece.dt_s), 0, samples.size).astype(np.int64)
        some = np.flatnonzero(np.diff(places) > 0)
        if not some.size:
            continue
        part = samples[: places[some[-1] + 1]]
        begins, ends = places[some], places[some + 1]
        missing = np.logical_or.reduceat(np.isnan(part), begins)
        low[some] = np.fmin(low[some], np.fmin.reduceat(part, begins))
        high[some] = np.fmax(high[some], np.fmax.reduceat(part, begins))
        rising[some] = samples[ends - 1] > samples[begins]
        whole = (piece.t0_s <= edges[some] + 1.01 * piece.dt_s) & (
            piece.t0_s + samples.size * piece.dt_s >= edges[some + 1] - 1.01 * piece.dt_s
        )
        lost[some] = missing | ~whole
        # Samples so far apart that columns between them hold none are not missing for that.
        inside = slice(int(some[0]), int(some[-1]) + 1)
        empty = np.diff(places)[inside] == 0
        lost[inside] &= ~empty
    return Columns(first, width_s, low, high, rising, lost)


def _joined(kept: Columns, new: Columns, first: int) -> Columns:
    """Both, from column `first` on."""
    drop = first - kept.first
    return Columns(
        first,
        kept.width_s,
        np.concatenate([kept.low, new.low])[drop:],
        np.concatenate([kept.high, new.high])[drop:],
        np.concatenate([kept.rising, new.rising])[drop:],
        np.concatenate([kept.lost, new.lost])[drop:],
    )


def _surrounded(columns: Columns) -> Columns:
    """The same without losses before the first sample and behind the last one: there is nothing yet."""
    have = np.flatnonzero(~np.isnan(columns.low))
    lost = columns.lost.copy()
    if have.size:
        lost[: have[0] + 1] = False
        lost[have[-1] + 1 :] = False
    else:
        lost[:] = False
    return Columns(columns.first, columns.width_s, columns.low, columns.high, columns.rising, lost)
