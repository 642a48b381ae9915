"""Probes' signals against arithmetic and published figures."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.physics import PhysicsError, probes
from evenstroke_dsp.physics.scenario import FittedPart

PERIOD = 1e-4


def test_a_corner_of_2_hz_at_the_once_per_cycle_rhythm() -> None:
    # 200 rpm, once per cycle: 1.67 Hz. First order: passes 1/sqrt(1 + (2/1.667)^2) = 0.64 and leads by
    # atan(2/1.667) = 50 degrees of the rhythm.
    times = np.arange(0, 30, PERIOD)
    frequency = 200 / 120
    out = probes.high_pass(np.sin(2 * np.pi * frequency * times), PERIOD, 2.0)
    late = times > 12  # a whole number of periods, 18 s, is left
    phasor = 2 * np.mean(out[late] * np.exp(-2j * np.pi * frequency * times[late])) * 1j
    assert abs(phasor) == pytest.approx(0.640, abs=2e-3)
    assert np.degrees(np.angle(phasor)) == pytest.approx(50.2, abs=0.2)


@pytest.mark.parametrize(("ohm", "corner_hz"), [(10e6, 0.8), (1e6, 8.0), (100e3, 80.0)])
def test_bias_resistors_set_the_corner_of_a_20_nf_disc(ohm: float, corner_hz: float) -> None:
    # Arithmetic: 1 / (2 pi R C).
    assert probes.rc_corner_hz(20e-9, ohm) == pytest.approx(corner_hz, rel=6e-3)


def test_a_step_decays_with_the_corners_time_constant() -> None:
    step = np.concatenate([np.zeros(10), np.ones(20_000)])
    out = probes.high_pass(step, PERIOD, 1.0)
    after = np.arange(1000, 15_000) * PERIOD
    # The bilinear transform places the step half a sample early.
    assert out[10 + 1000 : 10 + 15_000] == pytest.approx(np.exp(-2 * np.pi * (after + PERIOD / 2)), rel=2e-3)


def test_a_probe_that_has_stood_reads_zero() -> None:
    assert np.array_equal(probes.high_pass(np.full(100, 5.0), PERIOD, 2.0), np.zeros(100))


def test_travel_time() -> None:
    # ISO 9613-1: 343.2 m/s at 20 C; 4 m of cold pipe: 11.7 ms.
    assert 1 / probes.travel_time(1.0) == pytest.approx(343.2, abs=0.1)
    assert probes.travel_time(4.0) == pytest.approx(11.7e-3, abs=5e-5)
    ramp = np.arange(1000.0)
    late = probes.delayed(ramp, PERIOD, 2.5 * PERIOD)
    assert late[10:] == pytest.approx(ramp[10:] - 2.5)
    assert late[0] == ramp[0]


def test_adc() -> None:
    # 10 bits over 5 V: 4.88 mV a count; the ends clip.
    assert probes.counts(np.array([-1.0, 0.0, 4.87e-3, 4.89e-3, 2.5, 4.999, 9.0]), 5.0, 10).tolist() == [
        0, 0, 0, 1, 512, 1023, 1023
    ]  # fmt: skip


def test_noise_is_as_large_as_said_and_repeats_with_its_seed() -> None:
    quiet = np.zeros(100_000)
    noisy = [
        probes.with_noise(quiet, PERIOD, np.random.default_rng(3), white_rms=0.1, hum_amplitude=0.2)
        for _ in range(2)
    ]
    assert np.array_equal(*noisy)
    assert noisy[0].std() == pytest.approx(np.hypot(0.1, 0.2 / np.sqrt(2)), rel=0.01)


def test_teeth_come_at_their_angles(bench) -> None:
    trace = bench.crank(bench.six)
    teeth = np.arange(0, 58) * 6.0 + 84.0
    times, which, forward = probes.edge_times(trace, list(teeth))
    angle = np.interp(times, trace.times_s, trace.theta_deg)
    apart = (angle - teeth[which] + 180) % 360 - 180
    assert np.abs(apart).max() < 1e-6
    assert np.all(np.diff(times) >= 0)
    # Nothing is missed while it turns forwards: which tooth comes next is known, and all between are there.
    running = forward & (times < 6.4)
    # Only at rest may it creep back over one.
    assert running[times < 6.4].mean() > 0.99
    turned = trace.theta_deg[trace.times_s < 6.4]
    expected = 58 * (turned[-1] - turned[0]) / 360
    assert abs(running.sum() - expected) < 5


def test_an_engine_that_swings_back_passes_its_teeth_backwards(bench) -> None:
    times, _, forward = probes.edge_times(bench.crank(bench.six), [float(d) for d in range(0, 360, 6)])
    assert not forward[times > 6.5].all()
    assert forward[(times > 1) & (times < 6.4)].all()


def test_equal_edges_are_refused(bench) -> None:
    with pytest.raises(PhysicsError, match="distinct"):
        probes.edge_times(bench.crank(bench.six), [10.0, 370.0])


def test_a_transducer_reads_its_hose(bench) -> None:
    trace = bench.crank(bench.six, fitted=(FittedPart(cylinder=5, added_volume_cc=9.0),))
    assert np.array_equal(probes.cylinder_transducer(trace, 5), trace.hose_kpa[5] - trace.ambient_kpa)
    assert np.array_equal(probes.cylinder_transducer(trace, 1), trace.cylinder_kpa[0] - trace.ambient_kpa)
    keep = bench.steady(trace)
    assert trace.hose_kpa[5][keep].max() == pytest.approx(trace.cylinder_kpa[4][keep].max(), rel=0.03)
