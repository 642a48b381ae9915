"""Low-pass conditioning without delay, as samples come.

Each probe is filtered forward as it comes and backward over a short look-ahead, so that the result has
no phase and every time read from it refers to the unfiltered signal.

The work is done on frames of fixed length, counted from the first sample: that is why the result
cannot depend on how the samples were cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from .blocks import Bools, Floats

FRAME_S = 0.040
THINNED_HZ = 1000.0
"""Conditioned signals are kept at about this rate, twenty times the usual pass band, or at `_THINNED_OVER_CORNER`
times the widest corner where that is more."""
_THINNED_OVER_CORNER = 5.0
"""What folds back into the pass band then lies four corners up, where two passes leave 0.0094 of it
(1 / (1 + 0.4142 * 4^4), the square of a second-order Butterworth whose two passes are 3 dB down at the corner)."""

ORDER_PER_PASS = 2
_TWO_PASSES = (math.sqrt(2.0) - 1.0) ** (-1.0 / (2 * ORDER_PER_PASS))
"""Two passes of a filter of corner f0 are 3 dB down at f0 / this factor: 1/(1+x^(2n)) = 1/sqrt(2)."""
_SETTLED = 16.0
"""Look-ahead in time constants of the slowest pole: what is cut off weighs exp(-16) = 1e-7."""
_LARGEST_FRACTION_OF_RATE = 0.45
_GAP_REACH = 0.6
"""Of the corner's period: so far a gap reaches into the values beside it. What stands in for the lost samples may be any
step away from what they were, and the two passes' step response is within 2 % of its height from there on."""


def _corner_per_pass(lowpass_hz: float, rate_hz: float) -> float:
    """Corner of one pass, Hz, pre-warped as the bilinear transform wants it; NaN above half the rate."""
    if not 0 < lowpass_hz < rate_hz / 2:
        return math.nan
    return rate_hz / math.pi * math.atan(_TWO_PASSES * math.tan(math.pi * lowpass_hz / rate_hz))


def butterworth_sections(lowpass_hz: float, rate_hz: float) -> Floats:
    """Second-order sections of one pass, shape (sections, 6); two passes are 3 dB down at `lowpass_hz`.

    Raises ValueError where the corner does not fit below half the sampling rate.
    """
    corner = _corner_per_pass(lowpass_hz, rate_hz)
    if not 0 < corner < _LARGEST_FRACTION_OF_RATE * rate_hz:
        raise ValueError(f"a low-pass of {lowpass_hz} Hz does not fit a sampling rate of {rate_hz} Hz")
    return np.asarray(signal.butter(ORDER_PER_PASS, corner, fs=rate_hz, output="sos"), dtype=np.float64)


@dataclass(slots=True)
class _Group:
    """Channels that share a low-pass; scipy filters them in one call."""

    rows: list[int]
    sections: Floats | None
    settle: int  # look-ahead samples that this corner needs
    gap_reach: int  # samples beside a lost one that are as good as lost; fewer than `settle`
    steady: Floats | None  # sosfilt_zi of the sections
    state: Floats | None = None


class Conditioner:
    """Filters frames of several channels and thins them; output lags by `lookahead` samples.

    lowpass_hz: the corner of each channel, None = left as it is. rate_hz: sampling rate. After the
    constructor: `frame` (samples per frame), `keep_every` (thinning), `lookahead` (samples). A
    corner that does not fit the rate is left out and its channel listed in `unfiltered`.
    """

    def __init__(self, lowpass_hz: Sequence[float | None], rate_hz: float) -> None:
        self.rate_hz = rate_hz
        widest = max((asked for asked in lowpass_hz if asked is not None), default=0.0)
        self.keep_every = max(1, int(rate_hz // max(THINNED_HZ, _THINNED_OVER_CORNER * widest)))
        self.frame = self.keep_every * max(1, round(FRAME_S * rate_hz / self.keep_every))
        self.unfiltered: list[int] = []
        self._channels = len(lowpass_hz)
        by_corner: dict[float | None, list[int]] = {}
        for row, asked in enumerate(lowpass_hz):
            fits = asked is not None and (
                _corner_per_pass(asked, rate_hz) < _LARGEST_FRACTION_OF_RATE * rate_hz
            )
            if asked is not None and not fits:
                self.unfiltered.append(row)
            by_corner.setdefault(asked if fits else None, []).append(row)
        self._groups = [self._group(corner, rows) for corner, rows in by_corner.items()]
        self.lookahead = max((g.settle for g in self._groups), default=0)
        self._forward = np.empty((self._channels, 0))
        self._gap_reach = max((g.gap_reach for g in self._groups), default=0)
        # Lost samples, from `_gap_reach` before the first one of `_forward` on.
        self._lost = np.zeros((self._channels, self._gap_reach), dtype=bool)
        self._held = np.full(self._channels, np.nan)  # last good value; NaN before the first

    def _group(self, corner: float | None, rows: list[int]) -> _Group:
        if corner is None:
            return _Group(rows, None, 0, 0, None)
        sections = butterworth_sections(corner, self.rate_hz)
        slowest = 2 * math.pi * corner * _TWO_PASSES * math.sin(math.pi / (2 * ORDER_PER_PASS))
        steady = np.asarray(signal.sosfilt_zi(sections), dtype=np.float64)
        settle, reach = _SETTLED / slowest * self.rate_hz, _GAP_REACH / corner * self.rate_hz
        return _Group(rows, sections, math.ceil(settle), math.ceil(reach), steady)

    def push(self, volts: Floats) -> tuple[Floats, Bools] | None:
        """Takes one whole frame, shape (channels, frame); what is no finite number is lost.

        Returns the next thinned frame and its lost mask, shapes (channels, frame // keep_every),
        or None while the look-ahead fills. The mask holds also what a gap spoils beside it.
        """
        self._filter_forward(volts)
        if self._forward.shape[1] < self.frame + self.lookahead:
            return None
        return self._filter_backward(self.frame)

    def finish(self, volts: Floats) -> tuple[Floats, Bools]:
        """Takes the last, possibly shorter frame; returns all that was still held back."""
        self._filter_forward(volts)
        return self._filter_backward(self._forward.shape[1])

    def _filter_forward(self, volts: Floats) -> None:
        if not volts.shape[1]:
            return
        lost = ~np.isfinite(volts)
        out = self._hold(volts, lost) if lost.any() else np.array(volts, dtype=np.float64)
        unborn = np.isnan(self._held)
        self._held = np.where(unborn & lost.all(axis=1), np.nan, out[:, -1])
        for group in self._groups:
            if group.sections is None or group.steady is None:
                continue
            if group.state is None:
                group.state = np.zeros((group.sections.shape[0], len(group.rows), 2))
            # A channel begins as if its first good value had stood for ever.
            born = np.flatnonzero(unborn[group.rows])
            group.state[:, born] = group.steady[:, None, :] * out[group.rows, 0][born][None, :, None]
            out[group.rows], group.state = signal.sosfilt(
                group.sections, out[group.rows], axis=1, zi=group.state
            )
        self._forward = np.concatenate([self._forward, out], axis=1)
        self._lost = np.concatenate([self._lost, lost], axis=1)

    def _hold(self, volts: Floats, lost: Bools) -> Floats:
        """Lost samples take the last good value, or the first to come, so that a gap does not ring."""
        first = np.argmax(~lost, axis=1)
        first_good = np.where(lost.all(axis=1), 0.0, volts[np.arange(self._channels), first])
        before = np.where(np.isnan(self._held), first_good, self._held)
        padded = np.concatenate([before[:, None], volts], axis=1)
        good = np.concatenate([np.ones((self._channels, 1), dtype=bool), ~lost], axis=1)
        last_good = np.maximum.accumulate(np.where(good, np.arange(padded.shape[1]), 0), axis=1)
        return np.asarray(np.take_along_axis(padded, last_good, axis=1)[:, 1:])

    def _filter_backward(self, done: int) -> tuple[Floats, Bools]:
        thinned = np.empty((self._channels, -(-done // self.keep_every)))
        for group in self._groups:
            ahead = self._forward[group.rows, : done + group.settle]
            if group.sections is not None and group.steady is not None and ahead.shape[1]:
                reverse = ahead[:, ::-1]
                state = group.steady[:, None, :] * reverse[:, :1][None, :, :]
                ahead = signal.sosfilt(group.sections, reverse, axis=1, zi=state)[0][:, ::-1]
            thinned[group.rows] = ahead[:, : done : self.keep_every]
        if done:
            every = np.arange(0, done, self.keep_every)
            lost = np.add.reduceat(self._spoilt(done), every, axis=1, dtype=int) > 0
        else:
            lost = np.empty((self._channels, 0), dtype=bool)
        self._forward = self._forward[:, done:]
        self._lost = self._lost[:, done:]
        return thinned, lost

    def _spoilt(self, done: int) -> Bools:
        """Of the first `done` samples held: those that are lost or too near to one that is."""
        if not self._lost.any():
            return np.zeros((self._channels, done), dtype=bool)
        before = np.zeros((self._channels, self._lost.shape[1] + 1), dtype=int)
        np.cumsum(self._lost, axis=1, out=before[:, 1:])
        out = np.empty((self._channels, done), dtype=bool)
        here = np.arange(done) + self._gap_reach
        for group in self._groups:
            first, after = here - group.gap_reach, np.minimum(here + group.gap_reach + 1, self._lost.shape[1])
            rows = before[group.rows]
            out[group.rows] = rows[:, after] > rows[:, first]
        return out
