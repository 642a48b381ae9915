"""Do a sync's first events keep step with the beats that each compression makes in pulses, current or voltage?

A rhythm by itself is found in two seconds (`rhythm_tracker`); a sync that says how far apart beats should be lets them be counted
at once: the signal is demodulated at that pace (a Hann window three beats long), and the phase's course, unwrapped, says by
how many degrees the crank went on from one event to the next, at whatever speed it spun up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG
from .history import History
from .rhythm_tracker import RhythmSource, RhythmTracker

FEWEST = 3
_ARM = 1.5  # beats on either side of a moment that its phase is taken from
_STEPS = 16  # to a beat
_LEAST_COHERENCE = 0.35  # amplitude of the beat in what is left without its trend; white noise has some 0.2
_WEAKEST = 0.2  # of the usual beat, anywhere


def degrees_at(
    times: Sequence[float], every_deg: float, rhythm: RhythmTracker, history: History
) -> Floats | None:
    """Crank degrees from the first event to each, shape (times,), by the first source whose beats are followed from the first
    event to the last; None where there is none. times: at least two, ascending, seconds."""
    for source in rhythm.sources:
        beat_deg = CYCLE_DEG / source.heard_deg.size
        beat_s = (times[-1] - times[-2]) * beat_deg / every_deg
        turns = _beats_at(times, beat_s, source, history)
        if turns is not None:
            return turns * beat_deg
    return None


def _beats_at(times: Sequence[float], beat_s: float, source: RhythmSource, history: History) -> Floats | None:
    """Beats from the first event to each; None where they are not followed all the way."""
    heard = source.listen(history, times[0], times[-1])
    if heard is None:
        return None
    before = source.listen(history, times[0] - (_ARM + 0.5) * beat_s, times[-1])
    t, x = heard if before is None else before
    step = beat_s / _STEPS
    grid = np.arange(t[0], t[-1], step)
    arm = round(_ARM * _STEPS)
    if grid.size <= 2 * arm + 1:
        return None
    y = np.interp(grid, t, x)
    # A mean over one beat knows nothing of it: what is left has no trend, such as the starter's inrush dying away.
    box = np.ones(_STEPS + 1)
    box[[0, -1]] = 0.5
    y = y - np.convolve(y, box, "same") / np.convolve(np.ones(y.size), box, "same")
    window = 0.5 + 0.5 * np.cos(math.pi * np.arange(-arm, arm + 1) / (arm + 1))
    turned = y * np.exp(-2j * math.pi * np.arange(grid.size) / _STEPS)
    z = 2.0 * np.convolve(turned, window, "same") / np.convolve(np.ones(grid.size), window, "same")
    inside = (grid >= times[0] - step) & (grid <= times[-1] + step)
    usual = float(np.median(np.abs(z[inside])))
    rest = float(y[inside].std())
    if rest <= 0 or usual < _LEAST_COHERENCE * math.sqrt(2.0) * rest:
        return None
    if float(np.abs(z[inside]).min()) < _WEAKEST * usual:
        return None
    beats = np.arange(grid.size) / _STEPS + np.unwrap(np.angle(z)) / (2.0 * math.pi)
    at = np.interp(np.asarray(times), grid, beats)
    return np.asarray(at - at[0])
