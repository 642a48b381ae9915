"""Whose is a pulse, and which way up is its probe, where nothing recorded tells how the crank turns between two syncs?

A crank that all but stalls before each TDC and then races to the next leaves the angle of a pulse open by more than half a
firing interval, but not whose it is: the crank dwells at every TDC alike, in some engine more and in some less, and after the
dwell comes the next cylinder's stroke. What engines do is known from simulated ones (`pulses_in_time`): where each one's pulse
lies in time, how its orders' phases lie there, and how far its crank is ahead of an even speed at the sync. Each of them that
turns about as fast explains the recorded mean pulse more or less well, for either polarity, every low corner and delay: Bayes'
rule over all. What is left says where the own cylinder's pulse is to be expected in time, and how surely it is none of its
neighbours'.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG
from .mean_cycle import MeanCycle
from .pulse_evidence import (
    CORNER_PRIOR,
    FLOOR,
    LEAST_SHARE,
    LOW_CORNERS_HZ,
    PASSED_HZ,
    PulseEvidence,
    ShiftPrior,
    wrapped_density,
)
from .pulses_in_time import PULSES_IN_TIME, Draw

_ALIKE_RPM = 0.3
"""Standard deviation of the logarithm of speeds of engines that say something of each other."""
_STRANGER_DEG = 20.0
"""Of each order's phase, from the nearest simulated engine to a real one (as `pulse_evidence` adds it to its table's spreads)."""
_PLACE_DEG = 15.0
"""Standard deviation of where its steepest place lies, beside what the draws and their shifts say."""


@dataclass(frozen=True, slots=True)
class PlaceInTime:
    """What the mean pulse says. Polarity 0 is as stated.

    pulse: likelihoods of polarity, corner and shift. weights, shape (polarity, draws): how well each simulated engine
    explains it. places_deg, same shape: where by that engine the own pulse is steepest, degrees of even speed after its
    firing TDC.
    """

    pulse: PulseEvidence
    weights: Floats
    places_deg: Floats
    interval_deg: float

    def expected_deg(self, *, inverted: bool) -> float:
        """Where the own pulse is to be expected, once the polarity is settled."""
        weights = self.weights[int(inverted)]
        return float(weights @ self.places_deg[int(inverted)] / weights.sum())

    def told(self, place_deg: float, *, inverted: bool) -> float:
        """Logarithm of the odds that what is steepest there is the own pulse, and not that of the cylinder before or after."""
        weights, away = self.weights[int(inverted)], place_deg - self.places_deg[int(inverted)]
        own, before, after = (
            float(weights @ np.exp(-0.5 * ((away + turns * self.interval_deg) / _PLACE_DEG) ** 2))
            for turns in (0, 1, -1)
        )
        others = before + after
        if own <= 0.0:
            return -math.inf
        return math.inf if others <= 0.0 else math.log(own / others)


def has_usual_place(role: str, throttle: str | None, cylinders: int) -> bool:
    """Whether there is a table for that kind of engine, so that `usual_place` knows one."""
    return bool(_draws(role, throttle, cylinders))


def usual_place(role: str, throttle: str | None, cylinders: int, sync_deg: float, rpm: float) -> float | None:
    """Where by engines that turn as fast the own pulse is steepest, degrees of even speed after its firing TDC; None for a kind
    of engine that there is no table for. sync_deg: the sync's crank angle after a firing TDC."""
    draws = _draws(role, throttle, cylinders)
    if not draws:
        return None
    weights = _alike(draws, rpm)
    return float(weights @ _places(draws, cylinders, sync_deg) / weights.sum())


def place_in_time(
    mean: MeanCycle,
    role: str,
    throttle: str | None,
    cylinders: int,
    sync_deg: float,
    prior: ShiftPrior,
    *,
    corner_known: bool,
) -> PlaceInTime | None:
    """As `usual_place`, after what the mean cycle in time says; None before the second cycle too.

    mean: of cycles taken at even steps of time between syncs. prior: of the shift, as `pulse_evidence.evidence` has it.
    """
    draws = _draws(role, throttle, cylinders)
    if not draws or mean.cycles < 2:
        return None
    shifts, shift_weights = prior.grid()
    corners = np.zeros(1) if corner_known else np.asarray(LOW_CORNERS_HZ)
    corner_weights = np.ones(1) if corner_known else CORNER_PRIOR
    found, error = mean.mean, mean.error
    orders = np.arange(1, len(draws[0][3]) + 1) * cylinders
    sizes = np.abs(found[orders])
    leads = _leads(draws, cylinders, sync_deg)
    phases = np.radians([draw[3] for draw in draws])
    log = np.zeros((2, len(draws), corners.size, shifts.size))
    for k, m in enumerate(orders.tolist()):
        hz = m * mean.cycle_hz
        if hz > PASSED_HZ or sizes[k] < LEAST_SHARE * sizes.max() or sizes[k] <= 2.0 * error[m]:
            continue
        sigma = math.hypot(math.radians(_STRANGER_DEG), error[m] / sizes[k])
        later = m * np.radians(leads[:, None] + shifts[None, :]) / 2.0
        lead = np.arctan2(corners, hz)[None, :, None] - later[:, None, :]
        off = float(np.angle(found[m])) - phases[:, k, None, None] - lead
        for turned in (0, 1):
            density = wrapped_density(off - turned * math.pi, sigma)
            log[turned] += np.log((1.0 - FLOOR) * density + FLOOR / math.tau)
    alike = _alike(draws, mean.cycle_hz * 120.0)[None, :, None, None]
    likely = np.exp(log) * alike * corner_weights[None, None, :, None] * shift_weights
    weights = likely.sum(axis=(2, 3))
    if not (weights.sum(axis=1) > 0).all():
        return None
    shifted = (likely.sum(axis=2) @ shifts) / np.maximum(weights, 1e-300)
    return PlaceInTime(
        pulse=PulseEvidence(likely.sum(axis=1), corners, shifts),
        weights=weights / weights.sum(),
        places_deg=_places(draws, cylinders, sync_deg)[None, :] + shifted,
        interval_deg=CYCLE_DEG / cylinders,
    )


def _draws(role: str, throttle: str | None, cylinders: int) -> Sequence[Draw]:
    states = ("any", throttle) if throttle is not None else ("any", "closed", "open")
    return [draw for state in states for draw in PULSES_IN_TIME.get((role, cylinders, state), ())]


def _alike(draws: Sequence[Draw], rpm: float) -> Floats:
    """How much each engine says of one that turns so fast, shape (draws,)."""
    away = np.log(np.array([draw[0] for draw in draws]) / rpm) / _ALIKE_RPM
    return np.asarray(np.exp(-0.5 * (away**2 - float((away**2).min()))))


def _leads(draws: Sequence[Draw], cylinders: int, sync_deg: float) -> Floats:
    """By how much each crank is ahead of even speed at the sync, so that what is counted from there lies later; (draws,)."""
    interval = CYCLE_DEG / cylinders
    at = interval / len(draws[0][2]) * np.arange(len(draws[0][2]))
    return np.array([np.interp(sync_deg, at, draw[2], period=interval) for draw in draws])


def _places(draws: Sequence[Draw], cylinders: int, sync_deg: float) -> Floats:
    """Where each engine's own pulse is steepest, counted from the sync at even speed, shape (draws,)."""
    return np.array([draw[1] for draw in draws]) + _leads(draws, cylinders, sync_deg)
