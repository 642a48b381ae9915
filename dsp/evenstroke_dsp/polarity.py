"""Is a pulse probe the right way up? From its pulse's place in the cycle and from how its level moves.

Three pieces of evidence: the phases of the mean pulse's orders (`pulse_evidence`); the level as the crank
begins to turn, since the plenum's pressure falls then whatever the throttle, and the pipe's rises a little,
which even an AC-coupled probe shows for a moment; and the lopsidedness of the exhaust pulses of few cylinders,
since the dip as a valve opens is sharper than the rise that follows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid

from .blocks import Floats
from .mean_cycle import MeanCycle
from .pulse_evidence import PulseEvidence

_TAKEN_RIGHT, _STATED_RIGHT = 3.0, 30.0
"""Odds before looking that a probe is the way up that nearly all are, and that `positive_is` is right where somebody wrote it."""
INVERTED_FROM = 9.0
"""Odds from which a probe is taken as inverted and corrected."""
DOUBTFUL_FROM = 0.2
"""Odds of being inverted from which its comparisons are limited."""

_QUIET_S = 0.1
_LEAST_REST_S = 0.3
_LEVEL_OVER_S = 1.0
_QUIET_SHARE, _QUIET_LEAST_SHARE = 0.35, 0.05
_QUIET_TIMES = 1.5
"""A window is loud, and the crank turns, from so many times the swing of the recording's first windows on, within those shares
of a pulse's height. A share alone is no measure: beside one cylinder whose valve stays shut the height is that of its own
blow-back, four times the others', and the plenum has been emptied before one of those comes. Where turning began before the
recording did, its own swing is the measure and nothing is ever louder: no rest is found, as must be."""
_LEVEL: dict[str, tuple[float, float]] = {"intake_pulse": (-0.1, 3.5), "exhaust_pulse": (0.06, 1.5)}
"""Step, in heights of the pulse, for each unit of the logarithm of the likelihood ratio, and its bound. In
simulated cranks the intake's level falls by 0.02 (8 Hz corner) to 16 heights (none) and never rises; the
exhaust's rises by up to 0.4."""
_SKEWNESS_MOST = 1.0
_LOPSIDED, _SKEWED_EITHER_WAY = range(5, 9), 0.8
"""The skewness of the exhaust of up to four cylinders lies between -2 and 0.3 for most simulated engines and corners; it may
not decide alone. The pulses of five to eight overlap, and pipes that ring make them lopsided either way, of which nothing is
taken up to the second: upright sixes of a second model of engines came to 0.3 to 0.7 (tests/bench/second_model)."""


@dataclass(frozen=True, slots=True)
class LevelStep:
    """The level before the crank began to turn, when that was (seconds), and how far the level of the first
    second after is from it, in heights of the pulse."""

    rest: float
    begin_s: float
    heights: float


def level_step(t: Floats, x: Floats, height: float, low_corner_hz: float | None = None) -> LevelStep | None:
    """How the level moves as the crank begins to turn; None without a rest before it.

    t, x: the signal from rest into the crank, shape (samples,). height: crest to trough of the mean cycle.
    low_corner_hz: of an AC-coupled probe where it is known: the level is then what it would be without it.
    """
    if t.size < 16 or not height > 0:
        return None
    each = max(4, round(_QUIET_S * (t.size - 1) / (t[-1] - t[0])))
    windows = x[: x.size // each * each].reshape(-1, each)
    swings = np.ptp(windows, axis=1)
    first = float(swings[: round(_LEAST_REST_S / _QUIET_S)].max())
    limit = float(np.clip(_QUIET_TIMES * first, _QUIET_LEAST_SHARE * height, _QUIET_SHARE * height))
    loud = np.flatnonzero(swings > limit)
    quiet = int(loud[0]) if loud.size else windows.shape[0]
    begin = quiet * each
    if quiet * _QUIET_S < _LEAST_REST_S or begin >= t.size:
        return None
    end = int(np.searchsorted(t, t[begin] + _LEVEL_OVER_S))
    if end - begin < 2 * each:
        return None
    rest = float(np.median(windows[:quiet]))
    moved = x[begin:end] - rest
    if low_corner_hz is not None:
        # 1 + w/s, as `undo_low_corner` has it, from the rest on, where the probe reads its bias.
        moved = moved + 2 * math.pi * low_corner_hz * cumulative_trapezoid(moved, x=t[begin:end], initial=0)
    return LevelStep(rest, float(t[begin]), float(moved.mean()) / height)


def odds_before_looking(*, stated: bool) -> float:
    """Odds that a probe is the other way up than stated, before its signal says anything. stated: the file says which it is."""
    return 1.0 / (_STATED_RIGHT if stated else _TAKEN_RIGHT)


def odds_of_inverted(
    role: str,
    evidence: PulseEvidence | None,
    step: LevelStep | None,
    mean: MeanCycle | None,
    cylinders: int,
    *,
    stated: bool = False,
) -> float | None:
    """Odds that the probe is the other way up than stated; None where nothing tells.

    step: `level_step`, its heights positive upward in the stated polarity. mean: the mean pulse, in the stated polarity.
    cylinders: how many the probe hears. stated: the set-up's file says which way up it is.
    """
    if evidence is None and step is None:
        return None
    odds = odds_before_looking(stated=stated)
    if evidence is not None:
        odds *= evidence.for_inverted
    if step is not None and role in _LEVEL:
        scale, most = _LEVEL[role]
        odds *= math.exp(float(np.clip(-step.heights / scale, -most, most)))
    if role == "exhaust_pulse" and mean is not None and mean.cycles >= 2:
        nothing = _SKEWED_EITHER_WAY if cylinders in _LOPSIDED else 0.0
        skewness = math.copysign(max(abs(mean.skewness) - nothing, 0.0), mean.skewness)
        odds *= math.exp(float(np.clip(skewness, -_SKEWNESS_MOST, _SKEWNESS_MOST)))
    return odds
