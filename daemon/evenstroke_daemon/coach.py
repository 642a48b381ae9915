"""What the person at the key should do now: battery, starter seconds, rest, and how many cranks.

Pure: it is told what happens and when. The limits are common practice, no source; the maker's figures
rule and can be set.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

from evenstroke_dsp.messages import Coaching, FindingMessage, PhaseName


@dataclass(frozen=True, slots=True)
class Limits:
    """Starter: 10 s at most, then 2 minutes' rest; 30 s is an absolute limit. Battery at rest 12.6 V +/- 0.1
    at 25 C, well under that it is low; while cranking at least 9.6 V at 20 C, the inrush of the first moments
    apart. Common practice, no source; the maker's figure rules."""

    starter_s: float = 10.0
    starter_absolute_s: float = 30.0
    rest_s: float = 120.0
    battery_rest_v: float = 12.2
    battery_cranking_v: float = 9.6


CRANKS_WANTED = 2
"""Nothing is dismantled on one crank's word."""
_REST_READINGS = 50
"""Two seconds of readings; their median does not move with the starter's inrush."""
_LEAST_CRANK_S = 3.0
"""A shorter turn of the starter is no test."""


class Coach:
    """`heard` for every finding and `battery` for every reading; `say` for what to do at a time (seconds)."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._phase: PhaseName = "rest"
        self._crank_began: float | None = None
        self._stopped_at: float | None = None
        self._last_crank_s = 0.0
        self._starter_s = 0.0
        self._cranks = 0
        self._instruction = ""
        self._resting: deque[float] = deque(maxlen=_REST_READINGS)
        self._battery_low: float | None = None

    def heard(self, finding: FindingMessage, now_s: float) -> None:
        """The pipeline's latest word."""
        self._instruction = finding.instruction
        before, self._phase = self._phase, finding.phase
        if finding.phase == "cranking" and before != "cranking":
            self._crank_began = now_s
            self._battery_low = None
        elif finding.phase != "cranking" and before == "cranking" and self._crank_began is not None:
            self._last_crank_s = now_s - self._crank_began
            self._starter_s += self._last_crank_s
            self._cranks += self._last_crank_s >= _LEAST_CRANK_S
            self._crank_began, self._stopped_at = None, now_s

    def battery(self, volts: float) -> None:
        """The battery's voltage in the last moment, some dozen times a second.

        The phase follows the stream by half a second, so that the inrush counts as neither.
        """
        if self._phase == "rest":
            self._resting.append(volts)
        elif self._phase == "cranking":
            self._battery_low = volts if self._battery_low is None else min(volts, self._battery_low)

    @property
    def _battery_rest(self) -> float | None:
        return median(self._resting) if self._resting else None

    def say(self, now_s: float) -> Coaching:
        """What to do at this moment."""
        cranking_s = now_s - self._crank_began if self._crank_began is not None else 0.0
        rest_left = 0.0
        if self._phase != "cranking" and self._stopped_at is not None:
            rest_left = max(0.0, self._limits.rest_s - (now_s - self._stopped_at))
        return Coaching(
            words=self._words(cranking_s, rest_left),
            alarm="stop" if cranking_s >= self._limits.starter_s else None,
            crank_s=cranking_s,
            starter_total_s=self._starter_s + cranking_s,
            rest_left_s=rest_left,
            cranks=self._cranks,
            cranks_wanted=CRANKS_WANTED,
            battery=self._battery_words(),
        )

    def _words(self, cranking_s: float, rest_left: float) -> str:
        limits = self._limits
        if cranking_s >= limits.starter_absolute_s:
            return f"Stop cranking NOW: {limits.starter_absolute_s:.0f} s is the absolute limit of a starter."
        if cranking_s >= limits.starter_s:
            return f"Stop cranking: {limits.starter_s:.0f} s are over (the maker's figure rules)."
        if self._phase in ("cranking", "running", "coasting"):
            return self._instruction
        if rest_left > 0:
            return f"Rest the starter: {rest_left:.0f} s to go. {self._after_rest()}"
        rest = self._battery_rest
        if rest is not None and rest < limits.battery_rest_v:
            return (
                f"The battery is low ({rest:.1f} V at rest; {limits.battery_rest_v:.1f} V or more is "
                "wanted, the maker's figure rules): charge it before cranking."
            )
        if self._cranks == 0:
            return self._instruction or "Crank eight seconds when everybody is clear."
        return self._after_rest()

    def _after_rest(self) -> str:
        if self._cranks < CRANKS_WANTED:
            return f"Then crank again, everything as before: {self._cranks} of {CRANKS_WANTED} cranks done."
        return self._instruction

    def _battery_words(self) -> str | None:
        if self._phase == "cranking" and self._battery_low is not None:
            verdict = (
                "" if self._battery_low >= self._limits.battery_cranking_v else ": too low, charge it first"
            )
            return f"{self._battery_low:.1f} V at the lowest while cranking{verdict}"
        rest = self._battery_rest
        if rest is not None:
            verdict = "" if rest >= self._limits.battery_rest_v else ": low, charge it first"
            return f"{rest:.1f} V at rest{verdict}"
        return None
