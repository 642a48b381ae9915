"""Strokes that follow closely merge into one pulse: how large each is, is then a matter of definition, and that is said.

The truth is of the kind of tests/bench/accuracy.py, worked out here by code of its own on the noise-free signal: a pulse's
crest is the highest place since the steepest fall of the pulse before, its trough the lowest until that of the pulse after.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup

RATE_HZ, SECONDS, RPM = 1000.0, 9.0, 200.0
ORDER, AT = (1, 6, 5, 4, 3, 2), (0.0, 150.0, 240.0, 390.0, 480.0, 630.0)
SETUP = f"""schema = 1
[engine]
cylinders = 6
firing_order = {list(ORDER)}
firing_intervals_deg = [150, 90, 150, 90, 150, 90]
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
low_corner_hz = 0.01
travel_m = 0.0
volts_per_unit = 1.0
[[probe]]
name = "spark"
role = "ignition_sync"
input = 1
cylinder = 1
offset_deg = 0
"""


def plenum(angle: np.ndarray, leak: float) -> np.ndarray:
    """kPa: strokes of half a sine over 180 degrees after intake TDC draw, a throttle refills by the share `leak` a degree."""
    grid = np.arange(0.0, 720.0)
    flow = np.zeros(grid.size)
    for at in AT:
        into = (grid - at - 360.0) % 720.0
        flow += np.where(into < 180.0, np.sin(np.radians(into)), 0.0)
    orders = np.fft.rfftfreq(grid.size, 1.0 / grid.size)
    # Leaky integral: what the plenum's volume makes of it, in closed form for each order.
    pressure = np.fft.irfft(
        -np.fft.rfft(flow - flow.mean()) / (leak + 2j * np.pi * orders / 720.0), grid.size
    )
    return 0.05 * np.interp(angle % 720.0, grid, pressure, period=720.0)


def true_deviations(leak: float) -> dict[int, float]:
    grid = np.arange(-720.0, 1440.0)
    x = plenum(grid, leak)
    slope = np.gradient(x)
    marks = []
    for turn in (-720.0, 0.0, 720.0):
        for cylinder, at in zip(ORDER, AT, strict=True):
            near = np.flatnonzero(np.abs(grid - (turn + at + 435.0)) <= 45.0)
            if near.size > 80:
                marks.append((int(near[np.argmin(slope[near])]), cylinder))
    marks.sort()
    drops = {}
    for k in range(1, len(marks) - 1):
        before, here, after = marks[k - 1][0], marks[k][0], marks[k + 1][0]
        drops[marks[k][1]] = float(x[before : here + 1].max() - x[here : after + 1].min())
    mean = np.mean(list(drops.values()))
    return {c: 100.0 * (d / mean - 1.0) for c, d in drops.items()}


@pytest.mark.parametrize("leak", [0.001, 0.002, 0.003])
def test_the_interval_holds_another_definition_and_the_pairs_are_named(leak) -> None:
    setup = parse_setup(SETUP)
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    angle = 100.0 + 6.0 * RPM * np.maximum(t - 0.5, 0.0)
    turning = t > 0.5
    x = np.where(turning, plenum(angle, leak) - 1.0, 0.0) + 0.003 * np.random.default_rng(1).standard_normal(
        t.size
    )
    sparks = (720.0 * np.arange(1, 30) - 100.0) / (6.0 * RPM) + 0.5
    sparks = sparks[sparks < SECONDS - 0.1]
    edges = np.sort(np.concatenate([sparks, sparks + 0.002]))
    pipeline = Pipeline(setup)
    for k in range(0, t.size, 100):
        begin, end = float(t[k]), float(t[k]) + 0.1
        pipeline.push(SampleBlock((0,), x[None, k : k + 100], begin, 1.0 / RATE_HZ))
        inside = (edges >= begin) & (edges < end)
        rising = np.resize([True, False], edges.size)
        pipeline.push(EdgeBlock(1, edges[inside], rising[inside], end))
    pipeline.flush()
    judged = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=SECONDS, lost_samples=0))
    assert judged.refused is None
    (drop,) = (c for c in judged.comparisons if c.feature == "drop")
    assert {"uneven_spacing", "strokes_merge"} <= set(drop.because)
    assert drop.trust == "limited"
    true = true_deviations(leak)
    for row in drop.cylinders:
        assert row.cylinder is not None and row.low is not None and row.high is not None
        assert row.low <= true[row.cylinder] <= row.high, (
            row.cylinder,
            true[row.cylinder],
            row.low,
            row.high,
        )
    said = next(w.text for w in judged.warnings if w.code == "strokes_merge")
    assert "6 with 5, 4 with 3 and 2 with 1" in said
