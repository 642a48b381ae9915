"""Long waveforms to what a screen can show: the least and the greatest value of each pixel column. No Qt here.

What is drawn touches every extreme, so that no spike is lost, and costs the same however many samples there are.
Lines are to be drawn one pixel wide: wider ones cost most of the frame rate.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def reduce_to_columns(
    samples: Floats, t0_s: float, dt_s: float, from_s: float, to_s: float, columns: int
) -> tuple[npt.NDArray[np.float64], Floats]:
    """Times and values, in order, that look like the samples in a window `columns` pixels wide.

    samples: shape (n,), equally spaced from t0_s; NaN where they were lost. from_s, to_s: the window, seconds.
    Where a column holds more than two samples it gives its least and its greatest, in the order in which they came;
    a column with a lost sample gives NaN beside them, so that the gap shows. With two samples a column or fewer they
    are given as they are.
    Returns two arrays of one length, at most 3 * columns + 6.
    """
    first = max(0, int(np.floor((from_s - t0_s) / dt_s)))
    last = min(len(samples), int(np.ceil((to_s - t0_s) / dt_s)) + 1)
    if last <= first or columns < 1:
        return np.empty(0), np.empty(0, np.float32)
    per_column = int(max(1.0, (to_s - from_s) / dt_s / columns))
    if per_column <= 2:
        return np.arange(first, last, dtype=np.float64) * dt_s + t0_s, samples[first:last]
    # Columns begin at whole multiples of their width, so that what is drawn does not flicker as time goes on.
    first -= first % per_column
    part = samples[first:last]
    count = -(-len(part) // per_column)
    padded = np.full(count * per_column, np.nan, np.float32)
    padded[: len(part)] = part
    table = padded.reshape(count, per_column)
    lost = np.isnan(table)
    low_at = np.where(lost, np.inf, table).argmin(axis=1)
    high_at = np.where(lost, -np.inf, table).argmax(axis=1)
    rows = np.arange(count)
    early, late = np.minimum(low_at, high_at), np.maximum(low_at, high_at)
    values = np.stack([table[rows, early], table[rows, late]], axis=1)
    begins = t0_s + dt_s * (first + rows * per_column)
    times: npt.NDArray[np.float64] = np.stack([begins + dt_s * early, begins + dt_s * late], axis=1)
    lost[-1, len(part) - (count - 1) * per_column :] = False  # what pads the last column was not lost
    gap = lost.any(axis=1)
    if gap.any():
        # Before a column that lacks samples: the line breaks there, and what arrived still shows.
        at = 2 * np.flatnonzero(gap)
        return (
            np.insert(times.ravel(), at, begins[gap]),
            np.insert(values.ravel(), at, np.float32(np.nan)),
        )
    return times.ravel(), values.ravel()
