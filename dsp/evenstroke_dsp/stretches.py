"""What the engine was doing in each cycle, and which cycles must not count."""

from __future__ import annotations

from dataclasses import dataclass

from .cycles import STARTED_RPM, CycleSpan
from .messages import CrankedStretch, StretchKind

FASTEST_IDLE_RPM = 1500.0
_SLOWEST_IDLE_RPM = 350.0
"""What has run idles on down to here; below it runs out (common practice, no source)."""
_UNSTEADY = 0.06
"""Share by which a cycle's speed may differ from the last steady one: a sagging battery changes it by well
under 1 % a cycle; gaining speed, starting and letting go of the starter by more than this."""


@dataclass(slots=True)
class _Cranked:
    rotation: int
    from_s: float
    to_s: float
    cycles: int = 0


class StretchKeeper:
    """Classifies cycles in order of time and remembers the stretches they make."""

    def __init__(self) -> None:
        self._cranked: list[_Cranked] = []
        self._last: tuple[int, float] | None = None  # rotation and rpm of the cycle before
        self._steady_rpm: float | None = None
        self._numbers: dict[StretchKind, int] = {"cranking": 0, "idle": 0}
        self._ran_in: int | None = None  # the rotation in which the engine runs by itself
        self._fast_from_s: float | None = None
        self.running_from_s: float | None = None
        self._counted = False
        self.angle_uncertainty_deg: float | None = None
        """The largest of the cycles that count: one-sided, about 95 %; None where places are not known in one of them."""
        self.declined_cycles = 0  # faster than idle: other running tests are not judged

    def classify(self, span: CycleSpan) -> tuple[StretchKind | None, int, str | None]:
        """The stretch that a cycle belongs to (None: declined), its number there, and why it is left out."""
        rpm, last = span.rpm, self._last
        self._last = (span.rotation_index, rpm)
        same_turning = last is not None and last[0] == span.rotation_index
        steady = same_turning and self._is_steady(rpm, last[1] if last is not None else rpm)
        kind: StretchKind
        ran = self._ran_in == span.rotation_index
        if rpm < (_SLOWEST_IDLE_RPM if ran else STARTED_RPM):
            if ran and not steady:
                return None, 0, "running_out"
            kind = "cranking"
            if ran or not self._cranked or self._cranked[-1].rotation != span.rotation_index:
                self._cranked.append(_Cranked(span.rotation_index, span.from_s, span.to_s))
                self._ran_in = None
            stretch = self._cranked[-1]
            stretch.to_s = span.to_s
            stretch.cycles += 1
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
        if left_out is None:
            self._count(span.uncertainty_deg)
        return kind, number, left_out

    def _count(self, uncertainty_deg: float | None) -> None:
        before, self._counted = self.angle_uncertainty_deg if self._counted else 0.0, True
        known = before is not None and uncertainty_deg is not None
        self.angle_uncertainty_deg = max(before or 0.0, uncertainty_deg or 0.0) if known else None

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
        return tuple(
            CrankedStretch(
                from_s=c.from_s,
                to_s=c.to_s,
                cycles=c.cycles,
                mean_rpm=60.0 * 2 * c.cycles / (c.to_s - c.from_s),
            )
            for c in self._cranked
        )
