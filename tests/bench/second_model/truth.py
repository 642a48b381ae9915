"""What is true of a simulated crank, from its noise-free pressures by true crank angle: each cylinder's drop.

Crest to trough of plenum pressure after a zero-phase 50 Hz low-pass (second-order Butterworth forward and back). Troughs are the
minima nearest the engine's own typical trough, a crest the greatest pressure in the firing interval before it. Whose trough it
is was found by shutting one cylinder's intake valve and looking which trough goes (`NEAR_DEG` in study.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from engine_model import OUTPUT_STEP_S, Crank, Engine
from scipy.signal import butter, sosfiltfilt

LOWPASS_HZ = 50.0


@dataclass(frozen=True)
class Pulses:
    """size: (cycles, cylinders) in Pa. at_deg: the trough's angle after the cylinder's own firing TDC, degrees."""

    size: np.ndarray
    at_deg: np.ndarray

    def deviation(self, reference: list[int] | None = None) -> np.ndarray:
        """Per cent of the mean of the reference cylinders (numbers from 1), shape (cylinders,)."""
        mean = self.size.mean(axis=0)
        base = mean.mean() if reference is None else mean[[c - 1 for c in reference]].mean()
        return 100 * (mean / base - 1)


def smooth(signal: np.ndarray, lowpass_hz: float = LOWPASS_HZ) -> np.ndarray:
    sos = butter(2, lowpass_hz / 0.8, fs=1 / OUTPUT_STEP_S, output="sos")
    return sosfiltfilt(sos, signal)


def by_angle(crank: Crank, signal: np.ndarray, from_s: float, to_s: float) -> tuple[np.ndarray, int]:
    """Whole cycles of a signal on a one-degree grid, shape (cycles, 720), and the number of the first one."""
    turning = (crank.time > from_s) & (crank.time < to_s)
    angle = crank.angle_deg[turning]
    first = int(np.ceil(angle[0] / 720))
    last = int(np.floor(angle[-1] / 720))
    grid = np.arange(first * 720, last * 720)
    return np.interp(grid, crank.angle_deg, signal).reshape(-1, 720), first


def pulses(
    engine: Engine,
    crank: Crank,
    signal: np.ndarray,
    centre_deg: float,
    from_s: float = 2.2,
    to_s: float = 10.6,
) -> Pulses:
    """Trough and the crest before it, for each cylinder; `centre_deg` is where a trough is looked for after the firing TDC."""
    rows, _ = by_angle(crank, smooth(signal), from_s, to_s)
    flat = rows.ravel()
    n = engine.cylinders
    tdc = engine.firing_tdc_deg()
    cycles = len(rows)
    spacing = 720 / n if len(set(engine.intervals_deg)) == 1 else min(engine.intervals_deg)
    size = np.full((cycles, n), np.nan)
    at = np.full((cycles, n), np.nan)
    half = int(spacing / 2)
    for cycle in range(1, cycles - 1):
        for i in range(n):
            middle = int(cycle * 720 + tdc[i] + centre_deg)
            trough = middle - half + int(np.argmin(flat[middle - half : middle + half + 1]))
            crest = flat[trough - int(spacing) : trough + 1].max()
            size[cycle, i] = crest - flat[trough]
            at[cycle, i] = trough - cycle * 720 - tdc[i]
    keep = ~np.isnan(size).any(axis=1)
    return Pulses(size[keep], at[keep])


def trough_centre(engine: Engine, crank: Crank, signal: np.ndarray, near_deg: float) -> float:
    """Typical place of the trough after a cylinder's own firing TDC, the one within half a firing interval of `near_deg`."""
    rows, _ = by_angle(crank, smooth(signal), 2.2, 10.6)
    n = engine.cylinders
    mean = rows.mean(axis=0)
    total = sum(np.roll(mean, -round(t)) for t in engine.firing_tdc_deg()) / n
    spacing = 720 / n if len(set(engine.intervals_deg)) == 1 else min(engine.intervals_deg)
    grid = np.arange(int(near_deg - spacing / 2), int(near_deg + spacing / 2))
    return float(grid[np.argmin(total[grid % 720])])
