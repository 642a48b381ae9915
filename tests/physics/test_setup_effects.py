"""What a fitted volume does, and by which path.

There is no published measurement of it. Expected directions are those of the mechanism: the crank goes
faster through the TDC of the cylinder that lost compression, lingers less there, and its companion's
intake pulse starts from a lower crest.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from evenstroke_dsp.physics import FittedPart

HOSE = (FittedPart(cylinder=5, added_volume_cc=9.0),)
FIVE, COMPANION = 4, 1
"""Rows of cylinders 5 and 2."""


@pytest.fixture(scope="module")
def healthy(bench):
    return bench.crank(bench.six)


@pytest.fixture(scope="module")
def fitted(bench):
    return bench.crank(bench.six, fitted=HOSE)


def change(bench, trace, reference) -> np.ndarray:
    """(N,) change of each cylinder's drop, per cent."""
    return (bench.drops(bench.six, trace) / bench.drops(bench.six, reference) - 1) * 100


def test_an_unfitted_engine_of_equal_cylinders_is_even(bench, healthy) -> None:
    drops = bench.drops(bench.six, healthy)
    assert drops == pytest.approx(np.full(6, drops.mean()), rel=3e-3)


def test_the_companion_reads_small(bench, healthy, fitted) -> None:
    effect = change(bench, fitted, healthy)
    assert effect.argmin() == COMPANION
    assert -10 < effect[COMPANION] < -2
    assert abs(effect[FIVE]) < abs(effect[COMPANION]) / 3


def test_the_crank_goes_faster_through_the_fitted_cylinders_tdc(bench, healthy, fitted) -> None:
    gain = bench.speed_at_tdc(bench.six, fitted) / bench.speed_at_tdc(bench.six, healthy) - 1
    assert gain.argmax() == FIVE
    assert gain[FIVE] > 0.02


def test_with_the_healthy_speed_the_effect_is_gone(bench, healthy, fitted) -> None:
    path_cut = bench.crank(bench.six, fitted=HOSE, imposed=bench.speed_of(healthy))
    base = bench.crank(bench.six, imposed=bench.speed_of(healthy))
    whole = change(bench, fitted, healthy)[COMPANION]
    assert abs(change(bench, path_cut, base)[COMPANION]) < 0.15 * abs(whole)


def test_with_the_fitted_speed_an_unfitted_engine_shows_it_all(bench, healthy, fitted) -> None:
    speed_only = bench.crank(bench.six, imposed=bench.speed_of(fitted))
    whole = change(bench, fitted, healthy)
    assert change(bench, speed_only, healthy)[COMPANION] == pytest.approx(whole[COMPANION], rel=0.15)


def test_at_constant_speed_there_is_no_effect(bench) -> None:
    speed = bench.constant_speed(200)
    with_hose = bench.crank(bench.six, fitted=HOSE, imposed=speed)
    without = bench.crank(bench.six, imposed=speed)
    assert np.abs(change(bench, with_hose, without)).max() < 0.5


def test_the_crest_is_what_moved(bench, healthy, fitted) -> None:
    cycles = [bench.folded(t, t.plenum_kpa[0]) for t in (healthy, fitted)]
    at = round(bench.six.firing_deg[COMPANION])
    crests = [np.roll(c, -(at + 330))[:90].max() for c in cycles]
    troughs = [np.roll(c, -(at + 400))[:90].min() for c in cycles]
    assert crests[1] < crests[0]
    assert crests[0] - crests[1] > troughs[0] - troughs[1]


def test_a_heavier_flywheel_carries_it_less_far(bench) -> None:
    heavy = dataclasses.replace(bench.six, inertia_kg_m2=4 * bench.six.inertia_kg_m2)
    effects = []
    for engine in (bench.six, heavy):
        base, hose = bench.crank(engine), bench.crank(engine, fitted=HOSE)
        effects.append(bench.drops(engine, hose)[COMPANION] / bench.drops(engine, base)[COMPANION] - 1)
    assert effects[0] < effects[1] < 0


def test_own_suction_is_shallower_and_own_current_peak_lower(bench, healthy, fitted) -> None:
    suction = bench.suctions(bench.six, fitted) / bench.suctions(bench.six, healthy) - 1
    assert suction.argmin() == FIVE and suction[FIVE] < -0.05
    current = bench.current_peaks(bench.six, fitted) / bench.current_peaks(bench.six, healthy) - 1
    assert current.argmin() == FIVE and current[FIVE] < -0.04


def test_a_check_valve_pumps_up_and_then_takes_no_more(bench, healthy) -> None:
    valve = bench.crank(bench.six, fitted=(FittedPart(cylinder=5, added_volume_cc=9.0, check_valve=True),))
    assert np.abs(change(bench, valve, healthy)).max() < 1.0


def test_a_narrow_opening_hides_the_volume(bench) -> None:
    speed = bench.constant_speed(200)

    def peak(opening_mm2: float) -> float:
        part = FittedPart(cylinder=5, added_volume_cc=9.0, opening_mm2=opening_mm2)
        return (
            bench.crank(bench.six, crank_s=2.0, fitted=(part,), imposed=speed).cylinder_kpa[4][20000:].max()
        )

    assert peak(0.05) > peak(0.5) > peak(8.0)


def test_an_open_plug_hole_leaves_no_compression(bench) -> None:
    trace = bench.crank(bench.six, fitted=(FittedPart(cylinder=2, plug_removed=True),))
    peaks = trace.cylinder_kpa[:, bench.steady(trace)].max(axis=1)
    assert peaks[1] < 1.05 * trace.ambient_kpa
    assert np.delete(peaks, 1).min() > 1000


def test_an_open_throttle_leaves_little_pulse(bench, healthy) -> None:
    trace = bench.crank(bench.six, throttle="open")
    assert bench.drops(bench.six, trace).max() < 0.1 * bench.drops(bench.six, healthy).min()


def test_engines_without_companions_spread_it(bench) -> None:
    engine = bench.engine(5, [1, 2, 4, 5, 3])
    base = bench.crank(engine)
    hose = bench.crank(engine, fitted=(FittedPart(cylinder=2, added_volume_cc=9.0),))
    effect = np.sort(np.abs(bench.drops(engine, hose) / bench.drops(engine, base) - 1))
    # No single cylinder stands out as the six's companion does.
    assert effect[-1] < 3 * effect[-2]
    assert effect[-1] > 0.01
