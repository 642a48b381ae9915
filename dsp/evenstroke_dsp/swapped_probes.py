"""Are an intake and an exhaust probe swapped, or the columns they were recorded in?

Each stroke fixes where the orders of its pulse lie in the cycle (`pulse_evidence`). So both probes' pulses are held against their
own roles and against each other's, either way up, with the odds that a set-up file's polarity is right. Two that are swapped look
upside down, since a stroke that draws is taken for one that pushes; two that really are upside down are as rare as that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .measurement import ProbeMeasurer
from .polarity import odds_before_looking

_LIKELY, _OPEN, _MAY_BE = math.log(20.0), math.log(1.0 / 4.0), math.log(1.0 / 30.0)
"""Logarithm of the likelihood ratio from which on two probes are taken to be swapped; and, where both look upside down, down to
which whose pulse it is stays open, and down to which it is asked. Of twelve drawn engines (health fixtures' three, four, six and
eight, seeds 34, 5 and 6) it was -12 to -7 for threes and fours as they were wired, -7 to -4 for sixes, -2 to 0 for eights; the
other way round where they were swapped."""
_MOST_TOLD = 6
"""Cylinders up to which it tells anything: beyond, it is asked and the names stay as the set-up has them."""
_FEWEST = 3  # cycles


@dataclass(frozen=True, slots=True)
class SwappedPair:
    """An intake and an exhaust probe by their names. likely: so much so that no verdict holds; names_open: that each pulse may be
    the other role's cylinder's."""

    intake: str
    exhaust: str
    likely: bool
    names_open: bool

    @property
    def both(self) -> tuple[str, str]:
        return self.intake, self.exhaust


def swapped_pair(measurers: Sequence[ProbeMeasurer]) -> SwappedPair | None:
    """The pair whose pulses fit each other's roles, or are both upside down and may; None where nothing speaks for that."""
    intakes, exhausts = (
        [m for m in measurers if m.probe.role == role] for role in ("intake_pulse", "exhaust_pulse")
    )
    for intake in intakes:
        for exhaust in exhausts:
            odds = _log_odds(intake, exhaust)
            both = intake.inverted and exhaust.inverted
            if odds is not None and (odds >= _LIKELY or (both and odds >= _MAY_BE)):
                names = intake.probe.name, exhaust.probe.name
                told = intake.pulses_a_cycle <= _MOST_TOLD
                return SwappedPair(*names, likely=odds >= _LIKELY, names_open=told and odds >= _OPEN)
    return None


def _log_odds(intake: ProbeMeasurer, exhaust: ProbeMeasurer) -> float | None:
    """Logarithm of the likelihood of both probes' mean pulses by each other's roles over that by their own."""
    odds, upright = 0.0, 1.0 / odds_before_looking(stated=False)
    for measurer in (intake, exhaust):
        mean, (own, other) = measurer.mean_cycle, measurer.by_either_role
        if mean is None or mean.cycles < _FEWEST or own is None or other is None or measurer.swamped:
            return None
        odds += math.log(other.either_way_up(upright)) - math.log(own.either_way_up(upright))
    return odds


def ask(pair: SwappedPair) -> str:
    """What to look at, and what to do then."""
    return (
        f"See whether {pair.intake} and {pair.exhaust} are swapped: which is in which pipe, on which input, in which column. If "
        "they are, exchange their `input` or `column` in the set-up and judge the same recording again; if they are not, mend "
        "`positive_is` of both."
    )
