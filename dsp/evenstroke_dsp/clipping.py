"""When is a signal cut off at its end, by the converter's range or by an amplifier before it?

What is cut off stands still at one level, the same every time, between slopes that are steep right beside it. A pulse's own
crest does not: a parabola that stays within a band b of its vertex for some time has moved by 8 b when as much time again has
passed (arithmetic), and a level at which a signal rests between pulses is left slowly at first. A quiet signal that fills few
of the converter's steps stays in one step at each crest, and moves by less than that beside it.
"""

from __future__ import annotations

import bisect
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .blocks import Bools, Floats

Times = list[tuple[int, int]]

_BINS_HZ = 1000.0
"""The signal is looked at in bins about so long: noise that breaks a level in single samples is less in their means, and one that
is cut off for less time lost hardly any of its height."""
_MEMORY_S, _EVERY_S = 4.0, 0.48
_FEWEST_BINS, _LONGEST_S = 4, 0.4
"""A longer level is a rest, or a probe that died."""
_FEWEST = 3  # times at that level, within the memory: crests of their own differ in height
_BANDS = (0.005, 0.01)
"""Of the signal's swing: how far an amplifier's noise may take it from its level."""
_FAR = 32.0  # bands: the parabola's 8, and as much as bells need whose feet are flat
_STEEP = 0.3
"""Of the steepest slope within as much time again, how steep it is right beside the level."""
_EDGE_BINS = (3, 8)
_DENSE, _BROKEN, _SHORTEST_BINS = 0.5, 2, 2
"""Of a bin's samples, so many at the very end of what came put it there; noise from before the end breaks a level for so many
bins. Where that end is known to be one, so many bins at it are cut off as well."""
_KEPT_SPANS = 2000  # more than the pulses of the cycles that are looked at


@dataclass(frozen=True, slots=True)
class _Piece:
    """One frame in bins; by end (lower, upper): the outermost value, and how many of each bin's samples are there."""

    t0: float
    means: Floats
    outermost: tuple[float, float]
    there: tuple[Floats, Floats]


class ClippingFinder:
    """Feeds on a probe's frames in order of time; remembers when the signal stood at its end, on either side."""

    def __init__(self, rate_hz: float) -> None:
        self._every = max(1, round(rate_hz / _BINS_HZ))
        self._bin_s = self._every / rate_hz
        self._rest = np.empty(0)
        self._rest_from = 0.0
        self._pieces: deque[_Piece] = deque()
        self._step = np.inf
        self._until = self._looked_at = -np.inf
        self._spans: tuple[deque[tuple[float, float]], deque[tuple[float, float]]] = (
            deque(maxlen=_KEPT_SPANS),
            deque(maxlen=_KEPT_SPANS),
        )  # at the lower and at the upper end

    def push(self, values: Floats, t0: float) -> None:
        """One frame, shape (samples,); NaN = lost. t0: of its first sample, seconds."""
        if not self._rest.size:
            self._rest_from = t0
        values = np.concatenate([self._rest, values])
        whole = values.size // self._every * self._every
        self._rest = values[whole:]
        values = values[:whole]
        if not whole:
            return
        moves = np.abs(np.diff(values))
        moves = moves[moves > 0]
        self._step = min(self._step, float(moves.min())) if moves.size else self._step
        bins = values.reshape(-1, self._every)
        ends = (float(np.fmin.reduce(values)), float(np.fmax.reduce(values)))
        there = tuple((np.abs(bins - end) <= self._step / 2).mean(axis=1) for end in ends)
        self._pieces.append(_Piece(self._rest_from, bins.mean(axis=1), ends, (there[0], there[1])))
        self._until = self._rest_from + whole * self._bin_s / self._every
        self._rest_from = self._until
        while self._pieces[0].t0 < self._until - _MEMORY_S:
            self._pieces.popleft()
        if self._until - self._looked_at >= _EVERY_S:
            self._looked_at = self._until
            self._look()

    def remember(self, before: ClippingFinder) -> None:
        """What was found of the same probe on an earlier time grid."""
        for spans, earlier in zip(self._spans, before._spans, strict=True):
            spans.extend(earlier)

    def between(self, t_from: float, t_to: float) -> tuple[bool, bool]:
        """Whether the signal stood at its lower and at its upper end at any time between, seconds."""
        low, high = (_any_between(spans, t_from, t_to) for spans in self._spans)
        return low, high

    def share_since(self, t: float) -> float:
        """Of the time since then, for how much it stood at either end; 0 to 1."""
        since = max(t, self._pieces[0].t0) if self._pieces else t
        stood = sum(end - max(begin, since) for spans in self._spans for begin, end in spans if end > since)
        return stood / (self._until - since) if self._until > since else 0.0

    @property
    def until(self) -> float:
        """Up to when the signal is known, seconds."""
        return self._until

    def _look(self) -> None:
        t0, x = self._pieces[0].t0, np.concatenate([piece.means for piece in self._pieces])
        if not np.isfinite(x).any() or not np.isfinite(self._step):
            return
        swing = float(np.nanmax(x) - np.nanmin(x))
        for which, sign in enumerate((-1.0, 1.0)):
            turned = sign * x
            level = max(sign * piece.outermost[which] for piece in self._pieces if piece.there[which].any())
            dense = np.concatenate(
                [
                    piece.there[which] * (sign * piece.outermost[which] >= level - self._step / 2)
                    for piece in self._pieces
                ]
            )
            at_end = _apart(_times(dense >= _DENSE), _BROKEN)
            found = at_end if len(self._cut(turned, level, at_end, self._step)) >= _FEWEST else []
            for band in (max(self._step, share * swing) for share in _BANDS):
                highest = float(np.nanmax(turned))
                levels = self._cut(turned, highest, _times(turned > highest - band), band)
                found += levels if len(levels) >= _FEWEST else []
            spans = self._spans[which]
            for first, after in _apart(found):
                begin, end = t0 + first * self._bin_s, t0 + after * self._bin_s
                if (
                    _SHORTEST_BINS <= after - first <= _LONGEST_S / self._bin_s
                    and after < x.size
                    and (not spans or begin > spans[-1][1])
                ):
                    spans.append((begin, end))

    def _cut(self, x: Floats, level: float, times: Times, band: float) -> Times:
        """Those times at the level, first bin and the one after the last, that were reached and left as what is cut off is."""
        found = []
        for first, after in times:
            long = after - first
            if not _FEWEST_BINS <= long <= _LONGEST_S / self._bin_s:
                continue
            before, behind = x[max(first - long, 0) : first][::-1], x[after : after + long]
            if before.size == behind.size == long and all(
                _left_steeply(np.concatenate([[level], away]), band) for away in (before, behind)
            ):
                found.append((first, after))
        return found


def _any_between(spans: Sequence[tuple[float, float]], t_from: float, t_to: float) -> bool:
    """Whether any of these, in order and apart, lies between two times or across one. Asked of every pulse after every cycle."""
    first = bisect.bisect_left(spans, t_from, key=lambda span: span[1])
    return first < len(spans) and spans[first][0] <= t_to


def _left_steeply(away: Floats, band: float) -> bool:
    """Whether a signal leaves its level as one that was cut off does; away: its level, and as many bins as it stood there."""
    if np.isnan(away).any() or away[0] - away.min() <= _FAR * band:
        return False
    shortest, longest = _EDGE_BINS
    edge = min(max(away.size // 4, shortest), longest)
    slopes = away[:-edge] - away[edge:]
    return bool(slopes[0] >= _STEEP * slopes.max())


def _times(at: Bools) -> Times:
    """First bin of each time that it is so, and the one after the last."""
    turns = np.flatnonzero(np.diff(np.concatenate([[False], at, [False]]).astype(np.int8)))
    return list(zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True))


def _apart(times: Times, gap: int = 0) -> Times:
    """In order; those that overlap, or have no more than a gap of so many bins between them, taken together."""
    out: Times = []
    for first, after in sorted(times):
        if out and first <= out[-1][1] + gap:
            out[-1] = out[-1][0], max(after, out[-1][1])
        else:
            out.append((first, after))
    return out
