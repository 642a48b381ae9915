"""What a recording's noise-free signals say of each cylinder: crest to trough by stroke, and whose stroke that is."""

from __future__ import annotations

import numpy as np
from scipy import signal

from .engines import Kind
from .sensors import GRID_HZ


def low_passed(y: np.ndarray) -> np.ndarray:
    """Zero phase, 50 Hz, two poles each way."""
    sos = signal.butter(2, 50.0, fs=GRID_HZ, output="sos")
    return signal.sosfiltfilt(sos, y - y[0])


def sizes(
    theta: np.ndarray, y: np.ndarray, kind: Kind, trough_deg: float, seen: tuple[int, ...], steady: np.ndarray
) -> np.ndarray:
    """Crest to following trough of y (low-passed) near each cylinder's trough_deg; shape (cycles, seen), NaN where not whole."""
    fire = kind.firing_deg()
    at = {c: (fire[c - 1] + trough_deg) % 720.0 for c in seen}
    order = sorted(seen, key=lambda c: at[c])
    inside = np.flatnonzero(steady)
    lo, hi = theta[inside[0]], theta[inside[-1]]
    events = []
    for k in range(int(lo // 720) - 1, int(hi // 720) + 2):
        events += [(at[c] + 720.0 * k, c, k) for c in order]
    found = []
    moving = np.maximum.accumulate(theta)
    for j, (deg, c, k) in enumerate(events):
        if j == 0 or j == len(events) - 1:
            continue
        # Beyond a quarter of the way to the next one's trough its fall may already be deeper than a small pulse's own.
        a = max((deg + events[j - 1][0]) / 2, deg - 110)
        b = min(deg + (events[j + 1][0] - deg) / 4, deg + 110)
        if a < lo + 360 or b > hi:
            found.append((c, k, None, np.nan))
            continue
        i0, i1 = np.searchsorted(moving, [a, b])
        trough = i0 + int(np.argmin(y[i0:i1]))
        found.append((c, k, trough, y[trough]))
    out: dict[tuple[int, int], float] = {}
    for j in range(1, len(found)):
        c, k, trough, low = found[j]
        before = found[j - 1][2]
        out[(c, k)] = (
            np.nan
            if trough is None or before is None or before >= trough
            else float(np.max(y[before:trough]) - low)
        )
    cycles = sorted({k for _, k in out})
    table = np.array([[out.get((c, k), np.nan) for c in sorted(seen)] for k in cycles])
    return table[~np.isnan(table).all(axis=1)]


def deviations(table: np.ndarray) -> np.ndarray:
    """Per cent of the mean of all, by cylinder."""
    mean = np.nanmedian(table[~np.isnan(table).any(axis=1)], axis=0)  # a one-off is no deviation that repeats
    return 100.0 * (mean / np.mean(mean) - 1.0)


def folded(theta: np.ndarray, y: np.ndarray, steady: np.ndarray, step: float = 5.0) -> np.ndarray:
    """Mean of y by crank angle after cylinder 1's firing TDC."""
    which = ((theta[steady] % 720.0) / step).astype(int)
    return np.bincount(which, y[steady], minlength=int(720 / step)) / np.maximum(
        1, np.bincount(which, minlength=int(720 / step))
    )


def trough_place(
    theta: np.ndarray,
    y: np.ndarray,
    kind: Kind,
    seen: tuple[int, ...],
    steady: np.ndarray,
    lo: float,
    hi: float,
) -> float:
    """Where after its own firing TDC a cylinder's trough is, as a mean of all seen; looked for from lo to hi."""
    step = 5.0
    mean = folded(theta, y, steady, step)
    fire = kind.firing_deg()
    together = np.mean([np.roll(mean, -round(fire[c - 1] / step)) for c in seen], axis=0)
    a, b = int(lo / step), int(hi / step)
    index = np.arange(a, b) % len(together)
    return float((a + int(np.argmin(together[index]))) * step)
