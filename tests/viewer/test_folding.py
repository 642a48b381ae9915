"""Pulses over each other by crank angle: against waveforms known by formula, and against what the rig was told to do."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.messages import (
    Cycle,
    CycleProbe,
    CylinderPulse,
    EngineInfo,
    Health,
    ProbeHealth,
    State,
    Wave,
    WaveData,
)
from evenstroke_viewer.folding import STEP_DEG, Folder, _over, probes_of, window_of
from evenstroke_viewer.view_model import ViewModel

TRAVEL_S = 0.009
CYCLE_S = 0.6


def engine_deg(t):
    """A crank whose speed swings twice a cycle: degrees after the first cycle's beginning."""
    return 720.0 * t / CYCLE_S + 15.0 * np.sin(4 * np.pi * t / CYCLE_S)


def time_of(deg):
    t = np.linspace(-0.5, 6.0, 200_001)
    return np.interp(deg, engine_deg(t), t)


def pulse_at(deg):
    """What the valves make: something that no two angles of a cycle share."""
    x = np.radians(deg) / 2
    return np.sin(x) + 0.4 * np.cos(2 * x)


def formula_model(cycles=5, *, travel_s=TRAVEL_S, lost=(), left_out=()):
    """A two-cylinder engine, whose probe reads the formula late by the gas's travel."""
    model = ViewModel()
    model.take(
        State(
            sequence=0, at_s=0.0, link="streaming", reason="", port="", board=None, firmware=None, recording=None,
            recording_problem=None, setup_title="", engine=EngineInfo(cylinders=2, firing_order=(1, 2)), cautions=(),
            firing_intervals_deg=(360.0, 360.0), coach=None,
        )
    )  # fmt: skip
    probe = ProbeHealth(
        probe="exhaust", role="exhaust_pulse", unit="kPa", state="good", problems=(), advice="", low=None, high=None,
        noise_rms=None, clipped_share=None, events=None,
    )  # fmt: skip
    model.take(
        Health(
            sequence=0, at_s=0.0, probes=(probe,), samples=0, lost_samples=0, losses=(), board_overruns=0,
            board_blocks_dropped=0, board_edges_missed=0, clock_ppm=None, clock_uncertainty_ppm=None, queues=(),
            bytes_received=0, bytes_recorded=0, disk_free_bytes=None, processor_share=None,
        )
    )  # fmt: skip
    dt = 0.001
    t = np.arange(0.0, cycles * CYCLE_S + 0.2, dt)
    values = pulse_at(engine_deg(t - travel_s)).astype(np.float32)
    for a, b in lost:
        values[(t >= a) & (t < b)] = np.nan
    header = Wave(
        sequence=0,
        kind="conditioned",
        probes=("exhaust",),
        units=("kPa",),
        shape=(1, t.size),
        t0_s=0.0,
        dt_s=dt,
    )
    model.take(WaveData(header, values[None, :]))
    for k in range(cycles):
        knots = 720.0 * k + np.arange(0.0, 721.0, 30.0)
        times = time_of(knots)
        pulses = tuple(
            CylinderPulse(
                cylinder=c, position=c, value=1.0, value_unit="kPa", from_s=float(time_of(at + 200)) + travel_s,
                to_s=float(time_of(at + 260)) + travel_s, left_out=None, firing_tdc_deg=at - 720.0 * k,
            )
            for c, at in ((1, 720.0 * k), (2, 720.0 * k + 360.0))
        )  # fmt: skip
        model.take(
            Cycle(
                sequence=k, stretch="cranking", index=k, from_s=float(times[0]), to_s=float(times[-1]), rpm=200.0,
                angle_uncertainty_deg=1.0, left_out="speed" if k in left_out else None,
                probes=(CycleProbe(probe="exhaust", feature="rise", pulses=pulses, travel_s=travel_s),),
                angles_at_s=tuple(times.tolist()),
            )
        )  # fmt: skip
    return model


@pytest.mark.parametrize("travel_s", [0.0, TRAVEL_S])
def test_each_angle_reads_what_the_formula_gives_there(travel_s):
    fold = Folder().fold(formula_model(travel_s=travel_s), "exhaust")
    assert fold is not None
    assert fold.window == (100.0, 460.0)
    for folded, at in zip(fold.cylinders, (0.0, 360.0), strict=True):
        true = pulse_at(folded.deg + at)
        # 2 degrees in straight lines between samples 1.2 degrees apart.
        np.testing.assert_allclose(folded.median, true - true.mean(), atol=0.01)
        assert folded.own == pytest.approx((200.0, 260.0), abs=0.5)
    assert fold.travel_s == travel_s
    assert fold.angle_doubt_deg == 1.0


def test_a_window_goes_on_into_the_next_cycle():
    """Cylinder 2's ends 100 degrees within the next one: the last cycle has none to go on into."""
    first, second = Folder().fold(formula_model(cycles=5), "exhaust").cylinders
    assert first.cycles == 5
    assert second.cycles == 4


def test_what_does_not_count_is_not_folded():
    first, second = Folder().fold(formula_model(cycles=5, left_out=(2,)), "exhaust").cylinders
    assert (first.cycles, first.left_out) == (4, 1)
    assert (second.cycles, second.left_out) == (2, 2)  # its window touches two cycles


def test_a_pulse_with_a_hole_is_not_folded_and_others_are():
    # 0.05 s within the first cycle's first 100 to 460 degrees.
    first, second = Folder().fold(formula_model(cycles=5, lost=((0.2, 0.25),)), "exhaust").cylinders
    assert first.cycles == 4
    assert np.isfinite(first.median).all()
    assert second.cycles == 4


def test_median_and_quartiles_are_numpys():
    rng = np.random.default_rng(2)
    rows = rng.normal(size=(13, 50))
    rows[rng.random(rows.shape) < 0.3] = np.nan
    rows[:, 7] = np.nan
    for percent in (0.0, 25.0, 50.0, 75.0, 100.0):
        known = np.delete(np.arange(50), 7)
        np.testing.assert_allclose(
            _over(rows, percent)[known], np.nanpercentile(rows[:, known], percent, axis=0)
        )
        assert np.isnan(_over(rows, percent)[7])
    assert np.isnan(_over(np.empty((0, 3)), 50.0)).all()


@pytest.mark.parametrize("scene", ["3 cylinders", "6 cylinders", "8 cylinders"])
def test_the_rigs_valley_falls_most_steeply_where_the_rig_was_told_to_lay_it(scenes, scene):
    """435 degrees after the cylinder's own firing TDC (rig_engine.py: the middle of the valley's fall)."""
    fold = Folder().fold(scenes(scene), "intake")
    for folded in fold.cylinders:
        near = (folded.deg > 405) & (folded.deg < 465)
        steepest = folded.deg[near][np.argmin(np.gradient(folded.median)[near])]
        assert steepest == pytest.approx(435.0, abs=12.0), folded.seat.label
        assert folded.own is not None
        assert sum(folded.own) / 2 == pytest.approx(435.0, abs=12.0)


def test_the_altered_cylinder_is_shallower_by_what_the_rig_was_told(scenes):
    """16 % off cylinder 4's intake drops."""
    fold = Folder().fold(scenes("odd"), "intake")
    drops = {}
    for folded in fold.cylinders:
        a, b = (int(np.argmin(np.abs(folded.deg - deg))) for deg in folded.own)
        drops[folded.seat.cylinder] = folded.median[a] - folded.median[b]
    others = np.mean([drop for cylinder, drop in drops.items() if cylinder != 4])
    assert drops[4] / others == pytest.approx(0.84, abs=0.05)
    others = fold.others(3)
    assert others.shape == fold.cylinders[3].median.shape


def test_a_new_cycle_is_folded_with_what_is_kept_of_the_others(scenes):
    model, folder = scenes("odd"), Folder()
    whole = Folder().fold(model, "intake")
    growing = ViewModel()
    for message in (model.state, model.health):
        growing.take(message)
    growing.conditioned = model.conditioned
    for cycle, cut in zip(list(model.cycles)[-len(model.cuts) :], model.cuts, strict=True):
        growing.cycles.append(cycle)
        growing.cuts.append(cut)
        folder.fold(growing, "intake")
    again = folder.fold(growing, "intake")
    for a, b in zip(whole.cylinders, again.cylinders, strict=True):
        np.testing.assert_array_equal(a.rows, b.rows)


def test_cylinders_without_names_have_their_pulses_in_the_middle_and_no_degrees(scenes):
    fold = Folder().fold(scenes("unnamed"), "intake")
    assert fold.angle_doubt_deg is None
    low, high = fold.window
    for folded in fold.cylinders:
        assert low < folded.own[0] < folded.own[1] < high
        assert sum(folded.own) / 2 == pytest.approx((low + high) / 2, abs=40.0)


def test_an_older_daemon_without_crank_angles_has_nothing_to_fold(scenes):
    import msgspec

    model = scenes("odd")
    cycles = [msgspec.structs.replace(cycle, angles_at_s=()) for cycle in model.cycles]
    model.cycles.clear()
    model.cycles.extend(cycles)
    assert Folder().fold(model, "intake") is None


def test_what_is_found_odd_is_folded_first(scenes):
    assert probes_of(scenes("disturbed"))[0] == "intake"
    assert set(probes_of(scenes("disturbed"))) == {"intake", "exhaust", "p5", "starter", "battery"}


@pytest.mark.parametrize(
    "role", ["intake_pulse", "exhaust_pulse", "starter_current", "cylinder_pressure", "other"]
)
@pytest.mark.parametrize("pulses", [1, 2, 3, 5, 7, 12])
def test_windows_are_whole_steps_and_at_most_a_cycle(role, pulses):
    low, high = window_of(role, pulses)
    assert (high - low) / STEP_DEG == round((high - low) / STEP_DEG)
    assert 180.0 <= high - low <= 720.0
