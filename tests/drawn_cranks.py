"""Judgements of cranks that nobody recorded: what each pulse reads and how well it is known is chosen by who asks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from evenstroke_dsp.messages import (
    Comparison,
    CrankedStretch,
    CylinderBalance,
    EngineInfo,
    Judgement,
    Predicted,
    SourceInfo,
    SyncInfo,
)


def crank_of(
    values: Mapping[int, float],
    error: float,
    cycles: int,
    disturbed: tuple[int, ...] = (),
    foreseen: Mapping[int, Predicted] | None = None,
) -> Judgement:
    """Intake drops in per cent of their usual size, by cylinder in firing order, each with this standard error of its own;
    disturbed: what is fitted touches these; foreseen: what the physics say it makes of each."""
    order = tuple(values)
    reference = tuple(c for c in order if c not in disturbed)
    level = np.mean([values[c] for c in reference])
    cylinders = []
    for c in order:
        deviation = float(values[c] - level)
        cylinders.append(
            CylinderBalance(
                cylinder=c, value=1.0, value_unit="kPa", deviation=deviation, low=deviation - 1.0, high=deviation + 1.0,
                cycles=cycles, verdict="even", normal=None, trust="disturbed" if c in disturbed else "clean",
                predicted=foreseen[c] if foreseen else None, more_cycles=None, one_off_cycles=(), position=None, one_of=None,
                standard_error=error * float(np.sqrt(1 + (-1 if c in reference else 1) / len(reference))),
            )
        )  # fmt: skip
    comparison = Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent",
        trust="disturbed" if disturbed else "clean", because=(), reference=reference, cylinders=tuple(cylinders),
    )  # fmt: skip
    return Judgement(
        source=SourceInfo(file="x", sha256=None, duration_s=9.0, lost_samples=0),
        engine=EngineInfo(cylinders=len(order), firing_order=order),
        cranked=(CrankedStretch(from_s=0.0, to_s=0.6 * cycles, cycles=cycles, mean_rpm=200.0),), running_from_s=None,
        sync=SyncInfo(basis="cycle", events=cycles + 1, missed=0, extra=0, angle_uncertainty_deg=None),
        comparisons=(comparison,), findings=(), causes=(), valve_events=(), warnings=(), refused=None,
    )  # fmt: skip
