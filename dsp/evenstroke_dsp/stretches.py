"""What the engine was doing in each cycle, and which cycles must not count."""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from .cycles import STARTED_RPM, CycleSpan
from .messages import CrankedStretch, StretchKind

FASTEST_IDLE_RPM = 1500.0
_SLOWEST_IDLE_RPM = 350.0
"""What has run idles on down to here; below it runs out (common practice, no source)."""
_UNSTEADY = 0.06
"""Share by which a cycle's speed may differ from the last steady one: a sagging battery changes it by well
under 1 % a cycle; gaining speed, starting and letting go of the starter by more than this."""
_LETS_GO, _LETS_GO_MORE = 0.014, 0.008
"""Share by which a cycle that is let go of, even at its very end, is slower than the one before, and by which that is more
than the speed was falling already. Of 343 simulated cycles none was slower by more than 1.3 %; a battery that sags by 30 % in
ten seconds slows each by some 2 %, and evenly."""
UNSTEADY_PERCENT = 2.0
"""From which on what is compared is limited by the speed that changes from cycle to cycle. Simulated cranks, cold ones and those
that sag by 30 % among them, change by 0.3 % at most; those that hesitate by 5 or 10 % of their speed now and then by 0.3 to 1.8;
by 20 % by 1.4 to 3.8, where twice as many cylinders stay undecided, and by 30 % and more by 2.3 to 15. No verdict of these 80 was
wrong (tests/bench/bench_unsteady.py)."""
SAGS_PERCENT = 15.0
"""From which on a fall of the cranking speed is said. Healthy simulated cranks lose a few per cent as the battery tires; it moves
no verdict, since each cycle is compared with its own mean."""
_MEAN_OF = 3
"""Cycles at either end whose mean speed is compared."""
_FEWEST_CHANGES = 3
_MAD_TO_SIGMA = 1.4826
_KEPT_CHANGES = 60
_SAME_S = 1e-6
_OVERLAPPING = 16
"""Cycles that a sync which comes late may cut anew, after the pulses' rhythm has cut them: two or three, as a rule."""


@dataclass(slots=True)
class _Cranked:
    rotation: int
    from_s: float = 0.0
    to_s: float = 0.0
    cycles: int = 0
    _latest: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_OVERLAPPING))
    _first_rpm: list[float] = field(default_factory=list)
    _last_rpm: deque[float] = field(default_factory=lambda: deque(maxlen=_MEAN_OF))

    def counts(self, rpm: float) -> None:
        """One of its cycles counts, at this speed."""
        if len(self._first_rpm) < _MEAN_OF:
            self._first_rpm.append(rpm)
        else:
            self._last_rpm.append(rpm)

    @property
    def speeds(self) -> tuple[float, float] | None:
        """Mean rpm of the first and the last cycles that count; None for too few."""
        if len(self._last_rpm) < _MEAN_OF:
            return None
        return statistics.fmean(self._first_rpm), statistics.fmean(self._last_rpm)

    def add(self, from_s: float, to_s: float) -> None:
        self.from_s, self.to_s = (from_s if not self.cycles else self.from_s), to_s
        self.cycles += 1
        self._latest.append((from_s, to_s))

    def end_before(self, t: float) -> None:
        """Gives up the last cycles where those of another stretch begin before they end."""
        while self._latest and self.to_s > t + _SAME_S:
            self.to_s = self._latest.pop()[0]
            self.cycles -= 1


class StretchKeeper:
    """Classifies cycles in order of time and remembers the stretches they make."""

    def __init__(self) -> None:
        self._cranked: list[_Cranked] = []
        self._last: tuple[int, float, float] | None = None  # rotation, rpm and end of the cycle before
        self._change = 0.0  # logarithm of that speed over the one before
        self._steady_rpm: float | None = None
        self._bends: deque[float] = deque(maxlen=_KEPT_CHANGES)
        self._in_a_row: tuple[
            float, ...
        ] = ()  # logarithms of the latest cranking cycles' speeds, of one turning
        self._numbers: dict[StretchKind, int] = {"cranking": 0, "idle": 0}
        self._ran_in: int | None = None  # the rotation in which the engine runs by itself
        self._fast_from_s: float | None = None
        self.running_from_s: float | None = None
        self._doubt_deg: float | None = None  # the largest of the cycles that count
        self._doubt_unknown = False  # in one of them
        self.declined_cycles = 0  # faster than idle: other running tests are not judged

    def classify(self, span: CycleSpan) -> tuple[StretchKind | None, int, str | None]:
        """The stretch that a cycle belongs to (None: declined), its number there, and why it is left out."""
        rpm, last = span.rpm, self._last
        self._last = (span.rotation_index, rpm, span.to_s)
        # What begins before the cycle before has ended is the same turning, cut by something else.
        same_turning = last is not None and (
            last[0] == span.rotation_index or span.from_s < last[2] - _SAME_S
        )
        before, changed = last[1] if same_turning and last is not None else rpm, self._change
        self._change = math.log(rpm / before)
        let_go = self._change < -_LETS_GO and self._change - changed < -_LETS_GO_MORE
        steady = same_turning and self._is_steady(rpm, before)
        kind: StretchKind
        ran = self._ran_in == span.rotation_index
        if rpm < (_SLOWEST_IDLE_RPM if ran else STARTED_RPM):
            if ran and not steady:
                return None, 0, "running_out"
            kind = "cranking"
            if ran or not self._cranked or self._cranked[-1].rotation != span.rotation_index:
                self._ran_in = None
                if self._cranked:
                    self._cranked[-1].end_before(span.from_s)
                self._cranked.append(_Cranked(span.rotation_index))
            self._cranked[-1].add(span.from_s, span.to_s)
        else:
            # One fast cycle is a false sync event that split it in two; an engine that runs goes on running.
            if same_turning and last is not None and last[1] >= STARTED_RPM:
                self._ran_in = span.rotation_index
                if self.running_from_s is None:
                    self.running_from_s = self._fast_from_s
            else:
                self._fast_from_s = span.from_s
            if rpm > FASTEST_IDLE_RPM:
                self.declined_cycles += 1
                return None, 0, "faster_than_idle"
            kind = "idle"
        number = self._numbers[kind]
        self._numbers[kind] += 1
        left_out = self._left_out(same_turning=same_turning, steady=steady)
        self._follow(rpm, goes_on=same_turning and kind == "cranking")
        if left_out is None and let_go and kind == "cranking":
            left_out = "let_go"  # the starter: its last pulses were drawn at another speed
        if left_out is None and kind == "cranking":
            self._cranked[-1].counts(rpm)
        if left_out is None:
            doubt = span.uncertainty_deg
            self._doubt_unknown |= doubt is None
            self._doubt_deg = max((d for d in (self._doubt_deg, doubt) if d is not None), default=None)
        return kind, number, left_out

    def angle_uncertainty_deg(self, *, named: bool) -> float | None:
        """The largest of the cycles that count, half a 95 % interval; None where it is not known in all that are compared.

        named: those with known places are compared, and others set aside, as where a sync came late.
        """
        return None if self._doubt_unknown and not named else self._doubt_deg

    def _follow(self, rpm: float, *, goes_on: bool) -> None:
        """Notes how far a cycle's speed is from half way between its neighbours', which a battery that sags evenly does not move.
        The first cycle of a turning gains speed and has no part in it."""
        self._in_a_row = (*self._in_a_row[-2:], math.log(rpm)) if goes_on else ()
        if len(self._in_a_row) == 3:
            before, here, after = self._in_a_row
            self._bends.append(here - (before + after) / 2)

    @property
    def unsteady_percent(self) -> float | None:
        """Standard deviation of the cranking cycles' speed about an even course, per cent: by the median, so that a start or one
        hesitation, whose cycles are left out, does not make it; None for too few cycles. Of independent changes a bend has 3/2 of
        the variance (arithmetic)."""
        if len(self._bends) < _FEWEST_CHANGES:
            return None
        return 100.0 * _MAD_TO_SIGMA * statistics.median(map(abs, self._bends)) * math.sqrt(2.0 / 3.0)

    @property
    def unsteady(self) -> bool:
        """Whether what is compared of cranking is limited by that."""
        return (self.unsteady_percent or 0.0) > UNSTEADY_PERCENT

    @property
    def sag(self) -> tuple[float, float] | None:
        """Mean rpm at the beginning and the end of the crank whose speed fell most, where that is enough to be said."""
        speeds = [c.speeds for c in self._cranked if c.speeds is not None]
        first, last = min(speeds, key=lambda s: s[1] / s[0], default=(1.0, 1.0))
        return (first, last) if 100.0 * (1.0 - last / first) > SAGS_PERCENT else None

    def _is_steady(self, rpm: float, before: float) -> bool:
        """Near the last steady speed, or near the cycle before: two alike make a new steady speed."""
        near = [b for b in (self._steady_rpm, before) if b is not None and abs(rpm / b - 1.0) <= _UNSTEADY]
        if near:
            self._steady_rpm = rpm
        return bool(near)

    @staticmethod
    def _left_out(*, same_turning: bool, steady: bool) -> str | None:
        if not same_turning:
            return "spin_up"  # the first cycle of a turning: the starter is still gaining speed
        return None if steady else "speed_unsteady"

    @property
    def cranked(self) -> tuple[CrankedStretch, ...]:
        """What was cranked; cycles that go on at once where others end, cut by something else, are of the same crank."""
        out: list[CrankedStretch] = []
        for c in self._cranked:
            if not c.cycles:
                continue
            from_s, cycles, turned_s = c.from_s, c.cycles, c.to_s - c.from_s
            if out and c.from_s - out[-1].to_s < turned_s / cycles:
                before = out.pop()
                turned_s += before.cycles * 120.0 / before.mean_rpm
                from_s, cycles = before.from_s, cycles + before.cycles
            out.append(
                CrankedStretch(
                    from_s=from_s, to_s=c.to_s, cycles=cycles, mean_rpm=60.0 * 2 * cycles / turned_s
                )
            )
        return tuple(out)
