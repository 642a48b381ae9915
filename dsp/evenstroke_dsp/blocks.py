"""What goes into the pipeline: samples, edges and gaps, whatever they came from.

All times are seconds on the recording's own time axis (0 = its first sample, or
the file's own seconds for an imported capture). Inputs are named by the key that
the set-up uses: the board's input index, or the column's name of a capture.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

InputKey = int | str
"""A board's input index, or a capture's column name."""


@dataclass(frozen=True, slots=True, eq=False)
class SampleBlock:
    """Evenly sampled volts of several inputs.

    volts: shape (len(inputs), samples), volts; NaN where a capture's cell was empty.
    t0: time of sample 0 of the first input, seconds.
    dt: sampling period, seconds.
    skew: seconds from one input's sample to the next one's within a scan.
    offsets: seconds from t0 to each input's first sample, where they are not multiples of `skew`.
    """

    inputs: tuple[InputKey, ...]
    volts: Floats
    t0: float
    dt: float
    skew: float = 0.0
    offsets: tuple[float, ...] = ()

    @property
    def input_offsets(self) -> tuple[float, ...]:
        """Seconds from t0 to the first sample of each input, shape (len(inputs),)."""
        return self.offsets or tuple(k * self.skew for k in range(len(self.inputs)))

    @property
    def samples(self) -> int:
        return int(self.volts.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class EdgeBlock:
    """Level changes of one input, oldest first; complete up to `until`.

    times: shape (edges,), seconds. rising: shape (edges,).
    until: every edge before this time has now been reported, seconds.
    """

    input: InputKey
    times: Floats
    rising: Bools
    until: float


class GapReason(StrEnum):
    """Why samples or level changes never arrived."""

    SAMPLES_MISSING = "samples_missing"  # whole blocks were lost on the way from the board
    BOARD_DROPPED = "board_dropped"  # the board itself had no room for them
    EDGES_MISSING = "edges_missing"  # level changes alone were lost on the way
    LINK_LOST = "link_lost"  # the board went away, or began anew
    PIPELINE_BEHIND = "pipeline_behind"  # this computer was too slow to look at them; a recording has them
    RECORDING_DAMAGED = "recording_damaged"
    CAPTURE_GAP = "capture_gap"  # a capture's own rows are too far apart

    @property
    def takes_everything(self) -> bool:
        """Whether what any input sent then is missing, level changes included, and not samples alone."""
        return self in (GapReason.LINK_LOST, GapReason.PIPELINE_BEHIND, GapReason.RECORDING_DAMAGED)


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that never arrived: `lost_samples` scans are missing before the next block."""

    t_from: float
    t_to: float
    lost_samples: int
    reason: GapReason


Block = SampleBlock | EdgeBlock | Gap
