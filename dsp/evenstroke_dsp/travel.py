"""What the gas takes from valve to probe: from the length of the way, or estimated from the pulses."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .pulse_evidence import PulseEvidence, ShiftPrior
from .setup import Conditions

AMBIENT_C = 20.0
_WARMED = {"intake_pulse": 0.3, "manifold_pressure": 0.3, "exhaust_pulse": 0.5, "crankcase_pulse": 0.7}
"""How much of the way from ambient to the engine's temperature a cranked engine's gas is warmed: the intake by
its walls, the exhaust by what the pipe still holds (common practice, no source). 30 K off is 5 % of the delay."""


@dataclass(frozen=True, slots=True)
class TravelEstimate:
    """Delay from valve to probe, seconds, with the bounds of its 95 % interval."""

    delay_s: float
    low_s: float
    high_s: float


def speed_of_sound(temperature_c: float) -> float:
    """Metres per second in dry air: 343.2 * sqrt(T/293.15 K) (ISO 9613-1:1993, clause 6.4; from memory)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def gas_temperature_c(role: str, conditions: Conditions) -> float:
    """Of the gas between valve and probe while cranking; ambient where the engine's temperature is not given."""
    engine_c = conditions.engine_temperature_c
    if engine_c is None:
        return AMBIENT_C
    ambient = min(engine_c, AMBIENT_C)
    return ambient + _WARMED.get(role, 0.0) * (engine_c - ambient)


def travel_time(travel_m: float, role: str, conditions: Conditions) -> float:
    """Seconds that a pulse takes over that way."""
    return travel_m / speed_of_sound(gas_temperature_c(role, conditions))


def estimated(
    evidence: PulseEvidence, prior: ShiftPrior, deg_per_s: float, *, inverted: bool
) -> TravelEstimate:
    """The delay that the shift of the mean pulse leaves plausible, beside what valve timing may have made of it."""
    travels = prior.travels()
    _, weights = prior.grid()
    likelihood = evidence.of_shift(inverted=inverted) / np.maximum(weights, 1e-12)
    given = prior.of_shift_given_travel(evidence.shift_deg, travels)
    probability = likelihood @ (given / given.sum(axis=0))
    mass = np.cumsum(probability) / probability.sum()
    low, middle, high = (travels[int(np.searchsorted(mass, share))] for share in (0.025, 0.5, 0.975))
    return TravelEstimate(float(middle / deg_per_s), float(low / deg_per_s), float(high / deg_per_s))
