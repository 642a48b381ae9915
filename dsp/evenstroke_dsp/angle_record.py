"""What each probe read in each steady cranking cycle, against crank angle."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from .blocks import Floats
from .cycles import CycleSpan
from .engine import CYCLE_DEG
from .features import LONGEST_ARM_DEG
from .history import History
from .measurement import ProbeMeasurer
from .setup import Probe

STEP_DEG = 1.0
BEYOND_DEG = LONGEST_ARM_DEG
"""Each cycle is kept with so much on either side: any window up to twice as long is then unbroken."""
_KEPT_CYCLES = 60
ROLES = frozenset({"intake_pulse", "manifold_pressure", "exhaust_pulse", "cylinder_pressure"})


@dataclass(frozen=True, slots=True)
class _Row:
    firing_deg: dict[int, float]
    values: Floats  # every STEP_DEG from BEYOND_DEG before the cycle to BEYOND_DEG after it
    rpm: float
    uncertainty_deg: float
    delay_deg: float


@dataclass(slots=True)
class AngleRecord:
    """The last cycles of one probe; only those whose cylinders are named and whose angle's uncertainty is known."""

    probe: Probe
    _rows: deque[_Row] = field(default_factory=lambda: deque(maxlen=_KEPT_CYCLES))
    unnamed_cycles: int = 0

    def add(self, measurer: ProbeMeasurer, span: CycleSpan, history: History) -> None:
        """One cycle, of which the history holds BEYOND_DEG on either side."""
        named = {p.cylinder: p.firing_deg for p in span.places if p.cylinder is not None}
        uncertainty = span.uncertainty_deg
        if len(named) < len(span.places) or uncertainty is None:
            self.unnamed_cycles += 1
            return
        degrees = np.arange(-BEYOND_DEG, CYCLE_DEG + BEYOND_DEG, STEP_DEG)
        values = measurer.values_at(span, history, degrees)
        if values is not None:
            delay_deg = measurer.delay_s * 6.0 * span.rpm
            self._rows.append(_Row(named, values, span.rpm, uncertainty, delay_deg))

    @property
    def cycles(self) -> int:
        return len(self._rows)

    @property
    def rpm(self) -> float:
        return float(np.mean([row.rpm for row in self._rows]))

    @property
    def uncertainty_deg(self) -> float:
        """Half a 95 % interval of the crank angle, either way: the mean over the cycles, since it does not average out."""
        return float(np.mean([row.uncertainty_deg for row in self._rows]))

    @property
    def delay_deg(self) -> float:
        """What the gas takes from the valves to the probe, crank degrees; already taken off."""
        return float(np.mean([row.delay_deg for row in self._rows]))

    def window(self, cylinder: int, low_deg: float, high_deg: float) -> Floats:
        """(cycles, degrees) the signal from `low_deg` to just before `high_deg` of that cylinder's own angle.

        At most 2 * BEYOND_DEG long, or just one cycle.
        """
        length = round((high_deg - low_deg) / STEP_DEG)
        out = np.empty((len(self._rows), length))
        for k, row in enumerate(self._rows):
            begin = (row.firing_deg[cylinder] + low_deg + BEYOND_DEG) % CYCLE_DEG
            places = begin / STEP_DEG + np.arange(length)
            values = row.values
            if (
                length > 2 * BEYOND_DEG
            ):  # a whole cycle has its seam somewhere: drift must not make a step there
                places = (places - BEYOND_DEG) % CYCLE_DEG + BEYOND_DEG
                first = round(BEYOND_DEG / STEP_DEG)
                drift = values[first + round(CYCLE_DEG / STEP_DEG)] - values[first]
                values = values - drift * (np.arange(values.size) - first) * STEP_DEG / CYCLE_DEG
            out[k] = np.interp(places, np.arange(values.size), values)
        return out
