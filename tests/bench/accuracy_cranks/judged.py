"""What the pipeline says of one recording, look by look, held against what is true of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evenstroke_dsp.cycles import CycleSpan
from evenstroke_dsp.messages import Balance, Cycle, CylinderBalance, PipelineMessage, SourceInfo
from evenstroke_dsp.pipeline import Pipeline

from . import truth
from .recordings import Case, Recording, record
from .truth import Floats

MARGIN = 5.0
_NO_SOURCE = SourceInfo(file=None, sha256=None, duration_s=10.0, lost_samples=0)


@dataclass(frozen=True)
class Seen:
    """One cylinder's balance at one look."""

    deviation: float | None
    low: float | None
    high: float | None
    verdict: str
    cycles: int
    one_offs: tuple[int, ...]

    def contradicts(self, true: float) -> bool:
        """Whether the verdict denies what is so."""
        return (
            (self.verdict == "smaller" and true >= -MARGIN)
            or (self.verdict == "larger" and true <= MARGIN)
            or (self.verdict == "even" and abs(true) > MARGIN)
        )

    def excludes(self, true: float) -> bool:
        return self.low is not None and self.high is not None and not self.low <= true <= self.high


@dataclass(frozen=True)
class Outcome:
    """One recording, judged. `looks`: after every cycle, each cylinder's balance of the intake's drop."""

    case: Case
    true: dict[int, float]
    looks: tuple[dict[int, Seen], ...]
    codes: frozenset[str]
    pulses: int
    misplaced: int
    left_out: frozenset[str]
    one_offs: tuple[tuple[int, int], ...]
    angle_rms_deg: float | None
    running_from_s: float | None
    refused: str | None

    @property
    def last(self) -> dict[int, Seen]:
        return self.looks[-1] if self.looks else {}

    @property
    def verdicts(self) -> dict[int, str]:
        return {c: s.verdict for c, s in self.last.items()}

    def wrong_looks(self) -> Iterator[tuple[int, int, Seen]]:
        """Look number, cylinder and what was seen where a verdict contradicts the truth."""
        for k, look in enumerate(self.looks):
            for c, seen in look.items():
                if seen.contradicts(self.true[c]):
                    yield k + 1, c, seen

    def ever_wrong(self) -> bool:
        return any(True for _ in self.wrong_looks())

    def ever_excluded(self) -> bool:
        """Whether an interval ever left the truth out, of any cylinder."""
        return any(seen.excludes(self.true[c]) for look in self.looks for c, seen in look.items())

    def called_at(self, cylinder: int, word: str) -> int | None:
        """After how many cycles the cylinder first got this verdict; None: never."""
        return next(
            (
                k + 1
                for k, look in enumerate(self.looks)
                if cylinder in look and look[cylinder].verdict == word
            ),
            None,
        )

    def rms_error(self) -> float:
        """Points, over the cylinders, at the last look; infinite where a cylinder has no deviation."""
        errors = [
            self.last[c].deviation - true  # type: ignore[operator]
            if c in self.last and self.last[c].deviation is not None
            else np.inf
            for c, true in self.true.items()
        ]
        return float(np.sqrt(np.mean(np.square(errors))))


class _Watched(Pipeline):
    """The pipeline, with the cycles it cut kept for the check of the angles."""

    def _cycle(self, span: CycleSpan) -> Iterator[PipelineMessage]:
        if not hasattr(self, "spans"):
            self.spans: list[tuple[CycleSpan, Floats, Floats]] = []
        deg = span.start_deg + np.arange(0.0, truth.CYCLE_DEG, 4.0)
        self.spans.append((span, span.rotation.times_at(deg), deg))
        yield from super()._cycle(span)


def judge(case: Case, folder: Path) -> Outcome:
    recording = record(case, folder)
    pipeline = _Watched(recording.setup)
    messages: list[PipelineMessage] = []
    for block in recording.blocks:
        messages += pipeline.push(block)
    messages += pipeline.flush()
    judgement = pipeline.judge(_NO_SOURCE)
    looks, codes = [], {w.code for w in judgement.warnings}
    for message in messages:
        if isinstance(message, Balance):
            for comparison in message.comparisons:
                if (comparison.probe, comparison.feature, comparison.stretch) == (
                    "intake",
                    "drop",
                    "cranking",
                ):
                    looks.append(
                        {c.cylinder: _seen(c) for c in comparison.cylinders if c.cylinder is not None}
                    )
    for comparison in judgement.comparisons:
        if comparison.probe == "intake":
            codes |= set(comparison.because)
    cycles = [m for m in messages if isinstance(m, Cycle) and m.stretch == "cranking"]
    pulses, misplaced = _attribution(cycles, recording)
    reasons = {p.left_out for m in cycles for probe in m.probes for p in probe.pulses if p.left_out}
    return Outcome(
        case=case,
        true=recording.deviations,
        looks=tuple(looks),
        codes=frozenset(codes),
        pulses=pulses,
        misplaced=misplaced,
        left_out=frozenset(reasons | {m.left_out for m in cycles if m.left_out}),
        one_offs=tuple(_cycle_of(cycles, c, t) for c, t in recording.one_off_times),
        angle_rms_deg=_angle_rms(pipeline, recording),
        running_from_s=judgement.running_from_s,
        refused=judgement.refused,
    )


def _seen(c: CylinderBalance) -> Seen:
    return Seen(c.deviation, c.low, c.high, c.verdict or "", c.cycles, c.one_off_cycles)


def _attribution(cycles: Sequence[Cycle], recording: Recording) -> tuple[int, int]:
    """Pulses given to a named cylinder, and how many of them to another than the stroke's that made them.

    Of evenly spaced pulses each lies nearest its own stroke's. Strokes that merge leave no pulse of their own to be near to: an
    uneven engine's belongs to the cylinder without which most of it would be gone.
    """
    turning = np.maximum.accumulate(recording.theta_deg)
    middles = np.array([(recording.t[s.crest] + recording.t[s.trough]) / 2 for s in recording.strokes])
    owners = [s.cylinder for s in recording.strokes]
    pulses = misplaced = 0
    for cycle in cycles:
        for probe in cycle.probes:
            if probe.probe != "intake":
                continue
            for p in probe.pulses:
                if p.cylinder is None or p.from_s is None or p.to_s is None:
                    continue
                middle = (p.from_s + p.to_s) / 2
                if not middles[0] <= middle <= middles[-1]:
                    continue
                pulses += 1
                if recording.lost.size:
                    begin, end = np.interp((p.from_s, p.to_s), recording.t, turning)
                    fall = float(begin), float(end)
                    misplaced += truth.made_elsewhere(p.cylinder, fall, recording.lost, recording.firing_deg)
                else:
                    misplaced += owners[int(np.argmin(np.abs(middles - middle)))] != p.cylinder
    return pulses, misplaced


def _cycle_of(cycles: Sequence[Cycle], cylinder: int, t: float) -> tuple[int, int]:
    """The cylinder, and the number of the cycle whose pulse of it holds that time; -1 where none does."""
    for cycle in cycles:
        for probe in cycle.probes:
            for p in probe.pulses:
                own = probe.probe == "intake" and p.cylinder == cylinder and p.to_s is not None
                if own and abs((p.to_s or 0.0) - t) < 0.04:
                    return cylinder, cycle.index
    inside = next((c.index for c in cycles if c.from_s <= t <= c.to_s), -1)
    return cylinder, inside


def _angle_rms(pipeline: _Watched, recording: Recording) -> float | None:
    """RMS error of the crank angle inside all cycles of steady cranking, degrees; None: angles are not known."""
    case = recording.setup
    turning = np.maximum.accumulate(recording.theta_deg)
    errors = []
    for span, times, deg in getattr(pipeline, "spans", []):
        place = next((p for p in span.places if p.cylinder == case.engine.firing_order[0]), None)
        if place is None or times[0] < recording.t[0] + 1.0:
            continue
        said = deg - span.start_deg - place.firing_deg
        true = np.interp(times, recording.t, turning)
        errors.append((said - true + 360.0) % 720.0 - 360.0)
    return float(np.sqrt(np.mean(np.square(np.concatenate(errors))))) if errors else None
