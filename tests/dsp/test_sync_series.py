"""A pick-up that hears another cylinder's coil as loud as its own gives two series, and names no cylinder alone.

Cranks are the engine physics' own, so that what may be named can be held against the crank's true angle.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import Cycle, CycleProbe, CylinderPulse, FindingMessage, SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.sync_series import second_series
from evenstroke_dsp.sync_tracker import SyncRun

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def with_other_coil(angle, blocks, trace, later_deg: float):
    """Every block with the events of a coil that fires so many crank degrees after the sync's own."""
    t, up = angle.sync_edges(trace, angle.SYNC_DEG + later_deg)
    out, before = [], -np.inf
    for block in blocks:
        if isinstance(block, EdgeBlock) and block.input == angle.SYNC_INPUT:
            now = (t >= before) & (t < block.until)
            before = block.until
            times = np.concatenate([block.times, t[now]])
            rising = np.concatenate([block.rising, up[now]])
            order = np.argsort(times, kind="stable")
            block = EdgeBlock(block.input, times[order], rising[order], block.until)
        out.append(block)
    return out


@pytest.mark.parametrize(
    ("engine", "later_deg"),
    [("four", 180.0), ("four", 540.0), ("six", 120.0), ("six", 240.0), ("six", 600.0)],
)
@pytest.mark.parametrize("basis", ["sync", "sync, current", "sync, wheel"])
def test_another_coil_as_loud_leaves_open_whose_pulse_it_is(
    angle, trace_of, engine: str, later_deg: float, basis: str
) -> None:
    trace = trace_of(engine)
    setup = angle.setup_of(angle.ENGINES[engine], basis)
    blocks = with_other_coil(angle, angle.blocks_of(setup, trace, seed=0), trace, later_deg)
    judgement = angle.run(setup, blocks)[0].judge(SOURCE)
    said = {w.code: w.text for w in judgement.warnings}
    assert "engine_started" not in said and judgement.running_from_s is None
    assert "crank again" in said["sync_two_series"]
    assert (judgement.refused is not None) == (later_deg == 240.0)  # both series are taken for one there
    for comparison in judgement.comparisons:
        assert all(c.cylinder is None and c.position is not None for c in comparison.cylinders)
        assert comparison.trust == "disturbed" and "sync_ambiguous" in comparison.because
        assert all(c.trust == "disturbed" and len(c.one_of or ()) >= 2 for c in comparison.cylinders)
    assert not any(f.cause == "engine" for f in judgement.findings)
    assert not judgement.valve_events


def test_names_that_were_published_before_it_showed_are_withdrawn_by_cycle(angle, trace_of) -> None:
    """The stream cannot unsay its cycle messages; the findings after it name those that no longer hold."""
    trace = trace_of("four")
    setup = angle.setup_of(angle.ENGINES["four"], "sync, wheel")
    blocks = with_other_coil(angle, angle.blocks_of(setup, trace, seed=0), trace, 180.0)
    pipeline = Pipeline(setup)
    messages = [m for block in blocks for m in pipeline.push(block)] + pipeline.flush()
    named: dict[str, list[int]] = {}
    for cycle in (m for m in messages if isinstance(m, Cycle)):
        for probe in cycle.probes:
            if any(pulse.cylinder is not None for pulse in probe.pulses):
                named.setdefault(probe.probe, []).append(cycle.index)
    assert named, "nothing was named before it showed: this crank tests nothing"
    findings = [m for m in messages if isinstance(m, FindingMessage)]
    said = {w.text.split(":")[0]: w.text for w in findings[-1].warnings if w.code == "names_withdrawn"}
    assert set(said) == set(named)
    for probe, cycles in named.items():
        assert f"cycle {cycles[0]} to {cycles[-1]} and is withdrawn" in said[probe]
        assert cycles == list(range(cycles[0], cycles[-1] + 1))
    assert not any(w.code == "names_withdrawn" for w in findings[0].warnings)


def test_names_that_came_and_went_for_hours_are_not_all_told_one_by_one(angle) -> None:
    pipeline = Pipeline(angle.setup_of(angle.ENGINES["four"], "sync"))
    name = pipeline._measurers[0].probe.name
    pulse = CylinderPulse(
        cylinder=1, position=1, value=1.0, value_unit="kPa", from_s=0.0, to_s=0.1, left_out=None
    )
    for number in range(0, 2000, 2):
        pipeline._note_names(CycleProbe(probe=name, feature="drop", pulses=(pulse,)), "idle", number)
    pipeline._keeper.by_series = {1: (1, 3)}
    (said,) = pipeline._names_withdrawn()
    assert "0, 2, 4, 6, 8, 10, 12, 14 and later ones" in said.text and len(pipeline._named[name, "idle"]) < 20


def run_of(times: np.ndarray) -> SyncRun:
    return SyncRun(times.tolist(), [1] * times.size, believed=True)


def test_what_a_name_may_stand_for_holds_the_true_cylinder(angle) -> None:
    """By whichever of the two series cylinders are named, of a four and a six that keep their pace within 1 %."""
    rng = np.random.default_rng(4)
    for name, later_deg in (("four", 180.0), ("six", 120.0), ("six", 240.0), ("six", 480.0)):
        engine = angle.setup_of(angle.ENGINES[name], "sync").engine
        angles = firing_angles(engine)
        own = 1.0 + np.cumsum(0.6 * (1.0 + 0.01 * rng.standard_normal(14)))
        other = own + 0.6 * later_deg / 720.0
        events = np.sort(np.concatenate([own, other])).tolist()
        by_own, by_other = (second_series(events, [run_of(of)]) for of in (own, other))
        assert by_own is not None and by_other is not None and not (by_own.mixed or by_other.mixed)
        for cylinder, at in angles.items():
            # Named by the other coil's event, a pulse is that of the cylinder that fires as much later.
            true = next(c for c in angles if abs(angles[c] - (at + later_deg) % 720.0) < 1.0)
            assert set(by_other.may_be(engine)[cylinder]) == {cylinder, true}
            assert cylinder in by_own.may_be(engine)[cylinder]


def test_both_taken_for_one_series_is_known_for_it() -> None:
    events = np.sort(np.concatenate([1.0 + 0.6 * np.arange(14), 1.2 + 0.6 * np.arange(14)]))
    counts = [1, *np.round(np.diff(events) / 0.2).astype(int).tolist()]
    series = second_series(events.tolist(), [SyncRun(events.tolist(), counts, believed=True)])
    assert series is not None and series.mixed


@pytest.mark.parametrize("share", [0.0, 0.2, 0.4])
def test_sporadic_doubles_are_no_second_series(share: float) -> None:
    """Where the true events go on without it the others are the false ones."""
    for seed in range(40):
        rng = np.random.default_rng([seed, round(100 * share)])
        true = 1.0 + np.cumsum(0.6 * (1.0 + 0.02 * rng.standard_normal(20)))
        double = true[rng.uniform(size=true.size) < share] + 0.15
        assert second_series(np.sort(np.concatenate([true, double])).tolist(), [run_of(true)]) is None


def test_random_false_events_ringing_and_every_revolution_are_no_second_series() -> None:
    for seed in range(100):
        rng = np.random.default_rng([seed, 1])
        true = 1.0 + np.cumsum(0.6 * (1.0 + 0.02 * rng.standard_normal(18)))
        false = rng.uniform(1.0, 12.0, rng.poisson(20))
        assert second_series(np.sort(np.concatenate([true, false])).tolist(), [run_of(true)]) is None, seed
    for later_s in (0.03, 0.3):
        events = np.sort(np.concatenate([true, true + later_s]))
        assert second_series(events.tolist(), [run_of(true)]) is None, later_s
