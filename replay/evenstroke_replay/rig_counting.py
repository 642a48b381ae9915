"""The counting test signal: what a board sends in place of its ADC so that loss is arithmetic."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def counting_signal(first_scan: int, scans: int, inputs: int, bits: int) -> npt.NDArray[np.uint16]:
    """Counts of scans first_scan ... first_scan + scans - 1 of a run, shape (scans, inputs).

    Input j of scan k counts k * inputs + j, modulo 2**bits.
    """
    numbers = np.arange(first_scan * inputs, (first_scan + scans) * inputs, dtype=np.int64)
    return (numbers % (1 << bits)).astype(np.uint16).reshape(scans, inputs)
