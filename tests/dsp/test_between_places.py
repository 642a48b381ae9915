"""A crank that all but stalls at each compression, by its sync alone: no pulse is given to a wrong cylinder.

Speed is w (1 - a cos(3 x / 2)) with x the crank angle from firing TDC, so that time follows in closed form for a steady
course and the strokes lie where the true angle puts them: nothing of it is the product's own.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp import place_in_time
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.cycles import Anchor
from evenstroke_dsp.messages import Cycle, PipelineMessage, SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup

RATE_HZ, SECONDS = 1000.0, 11.0
FIRING = {1: 0.0, 3: 240.0, 2: 480.0}
SETUP = """schema = 1
[engine]
cylinders = 3
firing_order = [1, 3, 2]
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
low_corner_hz = 0.01
travel_m = 0.0
[[probe]]
name = "spark"
role = "ignition_sync"
input = 1
cylinder = 1
offset_deg = 0
"""


TWIN_FIRING = {1: 0.0, 2: 270.0}
TWIN = SETUP.replace(
    "cylinders = 3\nfiring_order = [1, 3, 2]",
    "cylinders = 2\nfiring_order = [1, 2]\nfiring_intervals_deg = [270, 450]",
)


def angle_at(t: np.ndarray, swing: float, rpm: float) -> np.ndarray:
    """Engine angle, degrees, of a three."""
    x = np.arange(-200.0, 720.0 * 30, 0.5)
    return turned(t, x, 1.0 / (1.0 - swing * np.cos(np.radians(1.5 * x))), rpm)


def twin_at(t: np.ndarray, least: float, rpm: float) -> np.ndarray:
    """The same of the twin, which comes down to that share of its highest speed within some 60 degrees of each firing TDC."""
    x = np.arange(-200.0, 720.0 * 60, 0.5)
    speed = np.ones_like(x)
    for firing in TWIN_FIRING.values():
        speed -= (1.0 - least) * np.cos(np.radians(x - firing) / 4.0) ** 30
    return turned(t, x, 1.0 / np.maximum(speed, least), rpm)


def turned(t: np.ndarray, x: np.ndarray, slowness: np.ndarray, rpm: float) -> np.ndarray:
    """From the integral of 1 / speed over the angle."""
    passed = np.concatenate([[0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2)]) * 0.5
    passed *= (x[-1] - x[0]) / passed[-1] / (6.0 * rpm)
    return np.interp(t - 0.5, passed, x, left=x[0])


def recorded(
    angle: np.ndarray,
    t: np.ndarray,
    anchor: Anchor | None = None,
    *,
    text: str = SETUP,
    places: dict[int, float] = FIRING,
) -> tuple[Pipeline, list[PipelineMessage]]:
    """An engine that turns so, pushed in blocks of a tenth of a second."""
    setup = parse_setup(text)
    x = np.full(t.size, 5.0)
    for firing in places.values():
        away = (angle - firing - 435.0 + 360.0) % 720.0 - 360.0
        # It falls within some 50 degrees about where the piston draws most, and fills again until the next one.
        x -= 0.5 * (np.tanh(away / 18.0) - np.tanh((away - 140.0) / 60.0))
    x = np.where(t < 0.5, 6.0, x) + 0.01 * np.random.default_rng(2).standard_normal(t.size)
    turns = 720.0 * np.arange(0, 90)
    sparks = np.interp(turns, angle, t)[turns < angle[-1] - 5.0]
    edges = np.sort(np.concatenate([sparks, sparks + 0.002]))
    rising = np.resize([True, False], edges.size)
    pipeline = Pipeline(setup, anchor)
    messages = []
    for k in range(0, t.size, 100):
        begin, end = float(t[k]), float(t[k]) + 0.1
        messages += pipeline.push(SampleBlock((0,), x[None, k : k + 100], begin, 1.0 / RATE_HZ))
        inside = (edges >= begin) & (edges < end)
        messages += pipeline.push(EdgeBlock(1, edges[inside], rising[inside], end))
    messages += pipeline.flush()
    return pipeline, messages


@pytest.fixture(params=["known", "unknown"])
def kind_of_engine(request, monkeypatch) -> str:
    """Whether simulated engines say where pulses of such an engine lie in time."""
    if request.param == "unknown":
        monkeypatch.setattr(place_in_time, "PULSES_IN_TIME", {})
    return request.param


@pytest.mark.parametrize(
    ("swing", "rpm", "told"),
    [(0.2, 220.0, True), (0.6, 95.0, False), (0.9, 95.0, False), (0.98, 95.0, False)],
)
def test_no_pulse_is_given_to_a_wrong_cylinder(swing, rpm, told, kind_of_engine) -> None:
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    angle = angle_at(t, swing, rpm)
    pipeline, messages = recorded(angle, t)
    named = wrong = 0
    for message in messages:
        if not isinstance(message, Cycle) or message.left_out is not None:
            continue
        for pulse in (p for probe in message.probes for p in probe.pulses):
            if pulse.cylinder is None or pulse.to_s is None or pulse.to_s <= (pulse.from_s or 0.0):
                continue
            trough = float(np.interp(pulse.to_s, t, angle))
            away = (trough - FIRING[pulse.cylinder] - 435.0 + 360.0) % 720.0 - 360.0
            named += 1
            wrong += abs(away) > 120.0
    assert wrong == 0
    judged = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=SECONDS, lost_samples=0))
    left_open = "strokes_open" in {w.code for w in judged.warnings}
    assert named > 0 or left_open
    if told or kind_of_engine == "known":
        assert named > 0 and not left_open
    (drop,) = (c for c in judged.comparisons if c.feature == "drop")
    if left_open:
        assert drop.trust == "limited"
        assert all(row.cylinder is None and row.one_of for row in drop.cylinders)


@pytest.mark.parametrize(
    ("least", "rpm", "told"), [(0.5, 200.0, True), (0.02, 90.0, False), (0.01, 65.0, False)]
)
def test_an_uneven_twin_that_all_but_stalls_has_both_cylinders_named(least, rpm, told) -> None:
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    pipeline, messages = recorded(twin_at(t, least, rpm), t, text=TWIN, places=TWIN_FIRING)
    judged = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=SECONDS, lost_samples=0))
    cylinders = [
        pulse.cylinder
        for message in messages
        if isinstance(message, Cycle) and message.left_out is None
        for probe in message.probes
        for pulse in probe.pulses
    ]
    assert cylinders
    assert all((cylinder is not None) == told for cylinder in cylinders)
    (drop,) = (c for c in judged.comparisons if c.feature == "drop")
    assert ("between_places" in drop.because) != told
    assert [row.one_of for row in drop.cylinders] == ([None, None] if told else [(2, 1), (1, 2)])


def test_what_a_stalling_crank_leaves_open_is_not_open_at_idle(monkeypatch) -> None:
    """An engine of a kind whose pulses in time are not known fires and idles at 700 rpm, where the angle inside the cycle is
    known within a few degrees."""
    monkeypatch.setattr(place_in_time, "PULSES_IN_TIME", {})
    t = np.arange(0.0, SECONDS + 6.0, 1.0 / RATE_HZ)
    angle = angle_at(np.minimum(t, SECONDS), 0.9, 95.0) + 4200.0 * np.maximum(t - SECONDS, 0.0)
    pipeline, messages = recorded(angle, t)
    judged = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=float(t[-1]), lost_samples=0))
    of = {(c.stretch, c.feature): c for c in judged.comparisons}
    assert all(c.cylinder is None and c.one_of for c in of["cranking", "drop"].cylinders)
    assert "between_places" in of["cranking", "drop"].because
    assert [c.cylinder for c in of["idle", "drop"].cylinders] == [1, 3, 2]
    assert "between_places" not in of["idle", "drop"].because
    idle = [m for m in messages if isinstance(m, Cycle) and m.stretch == "idle"]
    assert len(idle) > 20 and all(p.cylinder is not None for m in idle for p in m.probes[0].pulses)


def test_a_name_for_the_first_position_that_cannot_settle_it_is_said_to_be_unused(kind_of_engine) -> None:
    """The sync tells which cylinder fires when; which of two strokes a pulse is, the name of one place does not tell. Where
    nothing is open any longer the name is as little used."""
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    angle = angle_at(t, 0.9, 95.0)
    plain, messages = recorded(angle, t)
    cycle = next(m for m in messages if isinstance(m, Cycle) and m.left_out is None)
    anchor = plain.anchor_at(cycle, 3)
    assert anchor is not None
    named, _ = recorded(angle, t, anchor)
    source = SourceInfo(file=None, sha256=None, duration_s=SECONDS, lost_samples=0)
    before, after = plain.judge(source), named.judge(source)
    assert after.comparisons == before.comparisons
    (said,) = (w.text for w in after.warnings if w.code == "first_position_unused")
    assert "cylinder 3 was not used" in said
    assert ("strokes_open" in said) == (kind_of_engine == "unknown")
    assert "first_position_unused" not in {w.code for w in before.warnings}
