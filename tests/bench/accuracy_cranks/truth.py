"""What is true of a simulated crank: whose pulse is where, and how even the pulses are.

Reads only the noise-free pressure and the true crank angle. It shares no code with the judgement and has no
sync to guess from, no probe corner to undo and no noise to average: plain numpy.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]

CYCLE_DEG = 720.0
_DRAWS_MOST_DEG = 435.0
"""Of cylinder angle: the piston is fastest some 75 degrees after intake TDC (common practice, no source)."""
_DRAWS_DEG = (360.0, 540.0)
"""Intake stroke, in cylinder angle."""
_FAR_MORE = 1.5
"""Times as much of a fall: where strokes merge and two made about as much of it, it is either's."""
_SETTLED_CYCLES = 2
"""The plenum is still being emptied during the first two cycles of a crank."""


@dataclass(frozen=True)
class Stroke:
    """One cylinder's intake pulse in one cycle: samples of its crest, its trough and the next pulse's crest."""

    cylinder: int
    cycle: int
    crest: int
    trough: int
    next_crest: int


def low_passed(x: Floats, rate_hz: float, corner_hz: float = 50.0) -> Floats:
    """Without delay, 3 dB down at about the corner: what a pulse is measured on."""
    return np.asarray(signal.sosfiltfilt(signal.butter(2, corner_hz * 1.25, fs=rate_hz, output="sos"), x))


def band_rms(x: Floats, rate_hz: float, low_hz: float = 0.5, high_hz: float = 50.0) -> float:
    """RMS of what lies between two frequencies, by the discrete Fourier transform (Parseval)."""
    spectrum = np.fft.rfft(x - x.mean())
    frequency = np.fft.rfftfreq(x.size, 1 / rate_hz)
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    return float(np.sqrt(2.0 * np.sum(np.abs(spectrum[inside]) ** 2)) / x.size)


def strokes_of(
    x: Floats, theta_deg: Floats, firing_deg: Sequence[float], heard: Sequence[int], rate_hz: float
) -> list[Stroke]:
    """Every complete intake pulse, in order of time.

    x: pressure, shape (samples,). theta_deg: engine angle, unwrapped. firing_deg: of cylinder 1, 2, ...
    A pulse's crest is the highest place since the steepest fall of the pulse before, its trough the lowest
    one until the steepest fall of the pulse after.
    """
    smooth = low_passed(x, rate_hz)
    turning = np.maximum.accumulate(theta_deg)
    slope = np.gradient(smooth)
    gaps = np.diff(
        np.sort([firing_deg[c - 1] for c in heard] + [min(firing_deg[c - 1] for c in heard) + 720])
    )
    reach = float(min(gaps)) / 2
    marks: list[tuple[int, int, int]] = []
    first_cycle = int(np.floor(turning[0] / CYCLE_DEG)) - 1
    for cycle in range(first_cycle, int(turning[-1] // CYCLE_DEG) + 1):
        for c in heard:
            at = cycle * CYCLE_DEG + firing_deg[c - 1] + _DRAWS_MOST_DEG
            a, b = np.searchsorted(turning, (at - reach, at + reach))
            if a > 0 and b < turning.size and b - a > 3:
                marks.append((int(a + np.argmin(slope[a:b])), c, cycle))
    marks.sort()
    out: list[Stroke] = []
    crests = [
        before[0] + int(np.argmax(smooth[before[0] : here[0] + 1]))
        for before, here in itertools.pairwise(marks)
    ]
    for k in range(1, len(marks) - 1):
        mark, c, cycle = marks[k]
        trough = mark + int(np.argmin(smooth[mark : marks[k + 1][0] + 1]))
        out.append(Stroke(c, cycle, crests[k - 1], trough, crests[k]))
    return out


def settled(strokes: Sequence[Stroke]) -> list[Stroke]:
    """Those of whole cycles in which the plenum has been emptied."""
    first = min(s.cycle for s in strokes) + 1 + _SETTLED_CYCLES
    last = max(s.cycle for s in strokes) - 1
    return [s for s in strokes if first <= s.cycle <= last]


def mean_cycle(x: Floats, theta_deg: Floats, rate_hz: float, settled_from: int) -> Floats:
    """Mean over whole cycles, from a sample on, at every degree of engine angle, shape (720,)."""
    turning = np.maximum.accumulate(theta_deg)
    first = int(np.ceil(turning[settled_from] / CYCLE_DEG))
    grid = np.arange(first * CYCLE_DEG, turning[-1] // CYCLE_DEG * CYCLE_DEG)
    return np.asarray(
        np.interp(grid, turning, low_passed(x, rate_hz)).reshape(-1, int(CYCLE_DEG)).mean(axis=0)
    )


def made_elsewhere(
    cylinder: int, fall_deg: tuple[float, float], lost: Floats, firing_deg: Sequence[float]
) -> bool:
    """Whether another cylinder's stroke made far more than this one's of a fall from one engine angle to a later one.

    lost: what each cylinder's stroke does to the mean cycle's pressure, that is the healthy one less that in which its intake
    valve stays shut, shape (cylinders, 720). Only those that draw during the fall are asked: a shut valve alters the speed too.
    """
    grid, (begin, end) = np.arange(CYCLE_DEG), fall_deg
    made = {}
    for c, (own, firing) in enumerate(zip(lost, firing_deg, strict=True), start=1):
        into = (begin - firing) % CYCLE_DEG
        if into < _DRAWS_DEG[1] and into + end - begin > _DRAWS_DEG[0]:
            high, low = np.interp((begin % CYCLE_DEG, end % CYCLE_DEG), grid, own, period=CYCLE_DEG)
            made[c] = high - low
    return not made or made.get(cylinder, 0.0) < max(made.values()) / _FAR_MORE


def deviations(
    x: Floats, strokes: Sequence[Stroke], heard: Sequence[int], rate_hz: float
) -> dict[int, float]:
    """Each cylinder's mean drop, per cent of the mean of all: the noise-free balance."""
    smooth = low_passed(x, rate_hz)
    drops: dict[int, list[float]] = {c: [] for c in heard}
    for s in settled(strokes):
        drops[s.cylinder].append(float(smooth[s.crest] - smooth[s.trough]))
    mean = {c: float(np.mean(d)) for c, d in drops.items()}
    level = float(np.mean(list(mean.values())))
    return {c: 100.0 * (m / level - 1.0) for c, m in mean.items()}


def scaled_strokes(x: Floats, strokes: Sequence[Stroke], factors: Sequence[float]) -> Floats:
    """The pressure with each pulse made larger or smaller, from its crest to the next pulse's.

    The line between the two crests stays; what dips below it is multiplied, so that nothing jumps.
    """
    out = x.copy()
    for s, factor in zip(strokes, factors, strict=True):
        inside = np.arange(s.crest, s.next_crest + 1)
        line = np.interp(inside, (s.crest, s.next_crest), (x[s.crest], x[s.next_crest]))
        out[inside] = line + (x[inside] - line) * factor
    return out
