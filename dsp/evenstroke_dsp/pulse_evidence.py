"""What the mean pulse itself says of its probe: which way up it is, its low corner, its delay.

A stroke fixes where each order of its pulse lies in the cycle, give or take what engines differ in
(`pulse_phases`). An inverted probe turns every order by half a turn, a low corner makes low orders lead,
the gas path makes high orders lag: three patterns that can be told apart. The likelihood is taken over a
grid of all three at once, order by order, with a floor under each order so that none can decide alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .blocks import Floats
from .engine import CYCLE_DEG
from .mean_cycle import ORDERS, MeanCycle
from .pulse_phases import PULSE_PHASES

LOW_CORNERS_HZ: tuple[float, ...] = (0.0, *np.geomspace(0.05, 10.0, 16).tolist())
"""A bare disc of 20 nF +/- 30 % has 0.6 to 1.1 Hz into 10 Mohm and 6 to 11 Hz into 1 Mohm (arithmetic on
common practice); buffered ones and charge amplifiers go down to 0.05 Hz; a transducer has none."""
_NO_CORNER = 0.3
"""Share of probes of unknown corner that have none, such as transducers (common practice, no source)."""
CORNER_PRIOR: Floats = np.concatenate([[_NO_CORNER], np.full(16, (1.0 - _NO_CORNER) / 16)])

LONGEST_TRAVEL_M = {"intake_pulse": 1.0, "exhaust_pulse": 6.0}
"""From valve to probe: the length of a plenum and its hose, of an exhaust system (common practice, no source)."""

_STRANGER_DEG = 20.0
"""Added to the table's spreads: an engine that the simulation did not think of."""
FLOOR = 0.1
"""Share of each order's density that knows nothing."""
_TIMING_DEG = 8.0
"""By how much valve timing moves a pulse from engine to engine (standard deviation, as in the table)."""
_STEP_DEG = 3.0
_LEAST_HEARD = 0.3
LEAST_SHARE = 0.03  # of the largest order: a smaller one is made by unevenness and noise
PASSED_HZ = 45.0  # of the usual conditioning


@dataclass(frozen=True, slots=True)
class PulseEvidence:
    """Likelihoods of one probe's mean pulse, shape (polarity, corner, shift): polarity 0 is as stated.

    corners_hz: (corner,). shift_deg: (shift,), by how much later than its stroke the pulse comes.
    """

    likelihood: npt.NDArray[np.float64]
    corners_hz: Floats
    shift_deg: Floats

    @property
    def for_inverted(self) -> float:
        """Likelihood ratio: inverted against as stated, both over all corners and shifts."""
        as_stated, inverted = self.likelihood.sum(axis=(1, 2))
        return float(inverted / as_stated) if as_stated > 0 else math.inf

    def either_way_up(self, stated_right: float) -> float:
        """Likelihood of the mean pulse by this role, whichever way up; stated_right: odds before looking that it is as stated."""
        as_stated, inverted = self.likelihood.sum(axis=(1, 2))
        return float(max((stated_right * as_stated + inverted) / (stated_right + 1.0), np.finfo(float).tiny))

    def of_corner(self, *, inverted: bool) -> Floats:
        """(corner,) probability of each corner, once the polarity is settled."""
        weights = self.likelihood[int(inverted)].sum(axis=1)
        return np.asarray(weights / weights.sum())

    def of_shift(self, *, inverted: bool) -> Floats:
        """(shift,) probability of each shift, once the polarity is settled."""
        weights = self.likelihood[int(inverted)].sum(axis=0)
        return np.asarray(weights / weights.sum())


@dataclass(frozen=True, slots=True)
class ShiftPrior:
    """What is known of the shift before looking, degrees: a normal error of angle and valve timing, an even
    spread over what the gas may take, and the half cycle or the whole place where that is open."""

    error_deg: float
    longest_travel_deg: float
    half_cycle_open: bool
    places_known: bool

    def grid(self) -> tuple[Floats, Floats]:
        """Shifts and their probabilities, each shape (shift,)."""
        if not self.places_known:
            shifts = np.arange(-CYCLE_DEG / 2, CYCLE_DEG / 2, _STEP_DEG)
            return shifts, np.full(shifts.size, 1.0 / shifts.size)
        error = math.hypot(self.error_deg, _TIMING_DEG)
        reach = 2.5 * error
        shifts = np.arange(-reach, reach + self.longest_travel_deg + _STEP_DEG, _STEP_DEG)
        weights = self.of_shift_given_travel(shifts, self.travels()).mean(axis=1)
        if self.half_cycle_open:
            shifts = np.concatenate([shifts, shifts + CYCLE_DEG / 2])
            weights = np.concatenate([weights, weights])
        return shifts, np.asarray(weights / weights.sum())

    def travels(self) -> Floats:
        """Delays on the way that are thought possible, degrees."""
        return np.arange(0.0, self.longest_travel_deg + _STEP_DEG / 2, _STEP_DEG)

    def of_shift_given_travel(self, shifts: Floats, travels: Floats) -> Floats:
        """Density of each shift for each delay, shape (shift, travel), but for a constant."""
        error = math.hypot(self.error_deg, _TIMING_DEG)
        away = (shifts[:, None] - travels[None, :] + CYCLE_DEG / 4) % (CYCLE_DEG / 2) - CYCLE_DEG / 4
        return np.asarray(np.exp(-0.5 * (away / error) ** 2))


def evidence(
    mean: MeanCycle,
    heard: Floats,
    role: str,
    throttle: str | None,
    prior: ShiftPrior,
    *,
    corner_known: bool,
) -> PulseEvidence | None:
    """The likelihoods, prior included; None for a role that there is no table for, or too few cycles.

    heard: (ORDERS,) `array_factor` of the cylinders that the probe hears. throttle: "closed", "open" or
    None for unknown. corner_known: the corner has been undone, or there is none to undo.
    """
    tables = _tables(role, throttle)
    if not tables or mean.cycles < 2:
        return None
    shifts, shift_weights = prior.grid()
    corners = np.zeros(1) if corner_known else np.asarray(LOW_CORNERS_HZ)
    corner_weights = np.ones(1) if corner_known else CORNER_PRIOR
    found, error = mean.mean, mean.error
    sizes = np.abs(found)
    largest = float((sizes * (heard > _LEAST_HEARD))[1:].max())
    total = np.zeros((2, corners.size, shifts.size))
    for table in tables:
        log = np.zeros_like(total)
        for m in range(1, ORDERS):
            hz = m * mean.cycle_hz
            if heard[m] < _LEAST_HEARD or m not in table or hz > PASSED_HZ:
                continue
            if sizes[m] < LEAST_SHARE * largest or sizes[m] <= 2.0 * error[m]:  # nought of a dead probe too
                continue
            phase, spread = table[m]
            sigma = math.hypot(math.radians(math.hypot(spread, _STRANGER_DEG)), error[m] / sizes[m])
            lead = np.arctan2(corners, hz)[:, None] - m * np.radians(shifts)[None, :] / 2.0
            off = float(np.angle(found[m])) - math.radians(phase) - lead
            log += np.log(
                np.stack(
                    [
                        (1 - FLOOR) * wrapped_density(off - turn, sigma) + FLOOR / math.tau
                        for turn in (0, math.pi)
                    ]
                )
            )
        total += np.exp(log)
    if not total.any():
        return None
    return PulseEvidence(
        total * corner_weights[None, :, None] * shift_weights[None, None, :], corners, shifts
    )


def _tables(role: str, throttle: str | None) -> list[dict[int, tuple[float, float]]]:
    wanted = ("any", throttle) if throttle is not None else ("any", "closed", "open")
    return [table for (of, state), table in PULSE_PHASES.items() if of == role and state in wanted]


def wrapped_density(off: Floats, sigma: float) -> Floats:
    """Normal density on the circle, of angles in radians."""
    inside = (off + math.pi) % math.tau - math.pi
    turns = [np.exp(-0.5 * ((inside + math.tau * k) / sigma) ** 2) for k in (-1, 0, 1)]
    return np.asarray(np.sum(turns, axis=0) / (sigma * math.sqrt(math.tau)))
