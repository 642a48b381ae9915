"""The virtual rig's engine against arithmetic of the trade and against scipy."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from evenstroke_dsp.cautions import blocking_dangers
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_protocol.events import InputKind
from evenstroke_replay.rig_engine import (
    GRID_HZ,
    SPEED_OF_SOUND_M_S,
    Alteration,
    Cranking,
    EngineSource,
    motored_pressure,
    tooth_angles,
)
from evenstroke_replay.rig_source import RigError
from evenstroke_replay.setup_files import load_setup, shipped_setups
from scipy import signal

STEADY = Cranking(rpm=200.0, crank_s=8.0, sag_percent=0.0)


def engine_setup(order: list[int], probes: str, intervals: list[float] | None = None) -> Setup:
    uneven = f"firing_intervals_deg = {intervals}" if intervals is not None else ""
    return parse_setup(
        f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {order}\n{uneven}\n{probes}"
    )


INTAKE = '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\n'
WHEEL = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 1\nteeth = "{}"\nedge = "falling"\n'


def troughs(source: EngineSource, input: int = 0) -> np.ndarray:
    """Times of an input's troughs in the steady cranking, as scipy finds them."""
    truth, clean = source.truth, source.clean(input)
    steady = (truth.times > truth.spun_up_s + 0.5) & (truth.times < truth.release_s)
    found, _ = signal.find_peaks(-clean, prominence=0.1 * np.ptp(clean[steady]))
    times = truth.times[found]
    return times[(times > truth.spun_up_s + 0.7) & (times < truth.release_s - 0.1)]


ORDERS = {
    "single": [1],
    "three": [1, 3, 2],
    "four": [1, 3, 4, 2],
    "five": [1, 2, 4, 5, 3],
    "six": [1, 5, 3, 6, 2, 4],
    "eight": [1, 8, 4, 3, 6, 5, 7, 2],
}


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS.keys())
@pytest.mark.parametrize("rpm", [120.0, 200.0, 300.0])
def test_pulses_per_second_are_cylinders_times_rpm_over_120(order: list[int], rpm: float) -> None:
    # Arithmetic: each cylinder fires once in two revolutions.
    source = EngineSource(engine_setup(order, INTAKE), dataclasses.replace(STEADY, rpm=rpm))
    times = troughs(source)
    per_second = (len(times) - 1) / (times[-1] - times[0])
    assert per_second == pytest.approx(len(order) * rpm / 120.0, rel=2e-3)


INTERVALS = {
    # Common practice, no source: a V6 of 90 degrees fires at 150/90, twins at 270/450 and 315/405.
    "V6 150/90": ([1, 2, 3, 4, 5, 6], [150.0, 90.0] * 3),
    "twin 270/450": ([1, 2], [270.0, 450.0]),
    "twin 315/405": ([1, 2], [315.0, 405.0]),
    # Arithmetic: even intervals are 720 / cylinders.
    "four": ([1, 3, 4, 2], [180.0] * 4),
    "six": ([1, 5, 3, 6, 2, 4], [120.0] * 6),
}


@pytest.mark.parametrize(("order", "intervals"), INTERVALS.values(), ids=INTERVALS.keys())
def test_firing_tdcs_come_in_order_at_their_intervals(order: list[int], intervals: list[float]) -> None:
    truth = EngineSource(engine_setup(order, INTAKE, intervals), STEADY).truth
    come = sorted((t, c) for c, times in truth.firing_tdc_s.items() for t in times)
    come = [(t, c) for t, c in come if truth.spun_up_s < t < truth.release_s]
    at = [float(np.interp(t, truth.times, truth.theta_deg)) for t, _ in come]
    for (a, here), (b, there), cylinder, following in zip(
        zip(at, come, strict=True), zip(at[1:], come[1:], strict=False), come, come[1:], strict=False
    ):
        place = order.index(cylinder[1])
        assert following[1] == order[(place + 1) % len(order)]
        assert b - a == pytest.approx(intervals[place], abs=0.02)
        assert here[0] < there[0]


@pytest.mark.parametrize("rpm", [90.0, 200.0])
def test_ten_seconds_of_cranking_hold_the_cycles_that_arithmetic_says(rpm: float) -> None:
    truth = EngineSource(engine_setup([1, 3, 4, 2], INTAKE), dataclasses.replace(STEADY, rpm=rpm)).truth
    tdc = truth.firing_tdc_s[1]
    steady = tdc[(tdc > truth.spun_up_s) & (tdc < truth.release_s)]
    assert np.diff(steady) == pytest.approx(120.0 / rpm, rel=1e-4)  # 120 / rpm seconds a cycle


@pytest.mark.parametrize("cylinders", [1, 4, 6, 12])
def test_speed_ripples_by_what_was_asked_and_dips_before_each_firing_tdc(cylinders: int) -> None:
    order = list(range(1, cylinders + 1))
    source = EngineSource(engine_setup(order, INTAKE), dataclasses.replace(STEADY, ripple_percent=20.0))
    truth = source.truth
    steady = (truth.times > truth.spun_up_s + 0.1) & (truth.times < truth.release_s - 0.1)
    speed = np.gradient(truth.theta_deg, truth.times)[steady]
    assert np.ptp(speed) / 1200.0 == pytest.approx(0.20, rel=0.03)
    slow, _ = signal.find_peaks(-speed, prominence=100.0)
    angle = truth.theta_deg[steady][slow]
    assert len(slow) >= cylinders * 11
    every = 720.0 / cylinders
    assert np.abs((angle + 12.0 + every / 2) % every - every / 2).max() < 2.0


@pytest.mark.parametrize(
    ("teeth", "edges", "ratio"), [("60-2", 58, 3.0), ("36-1", 35, 2.0), ("24-2", 22, 3.0)]
)
def test_a_wheel_has_its_teeth_and_its_gap(teeth: str, edges: int, ratio: float) -> None:
    # Arithmetic: N places less M missing; the gap is M + 1 pitches long.
    setup = engine_setup([1, 5, 3, 6, 2, 4], INTAKE + WHEEL.format(teeth))
    source = EngineSource(setup, dataclasses.replace(STEADY, ripple_percent=0.0))
    _, falling = source.edge_times(1)
    truth = source.truth
    falling = falling[(falling > truth.spun_up_s + 0.1) & (falling < truth.release_s - 0.1)]
    periods = np.diff(falling)
    gaps = np.flatnonzero(periods > 1.5 * np.median(periods))
    assert set(np.diff(gaps)) == {edges}
    assert periods[gaps] / np.median(periods) == pytest.approx(ratio, rel=1e-3)
    revolution = np.diff(falling[gaps])
    assert revolution == pytest.approx(60.0 / 200.0, rel=1e-4)


def test_the_wheel_s_first_tooth_lies_where_the_set_up_says() -> None:
    setup = engine_setup([1, 3, 4, 2], INTAKE + WHEEL.format("60-2") + "first_tooth_deg = 84\n")
    source = EngineSource(setup, STEADY)
    _, falling = source.edge_times(1)
    truth = source.truth
    angle = np.interp(falling, truth.times, truth.theta_deg)
    firsts = angle[1:][np.diff(angle) > 10.0]
    assert (firsts % 360.0)[1:-1] == pytest.approx(84.0, abs=0.05)


def test_several_gaps_leave_the_right_number_of_teeth_and_one_longest_run() -> None:
    angles = np.array(tooth_angles("36-2-2-2"))
    assert len(angles) == 30
    pitches = np.diff(np.append(angles, 360.0 + angles[0]))
    assert sorted(pitches)[-3:] == pytest.approx([30.0] * 3)
    runs = np.diff(np.flatnonzero(np.append(pitches, pitches) > 15.0))
    assert runs.max() == np.flatnonzero(pitches > 15.0)[0] + 1
    assert tooth_angles((0.0, 20.0, 50.0)) == (0.0, 20.0, 50.0)


def test_syncs_come_once_a_cycle_or_once_a_revolution_at_their_offset() -> None:
    probes = INTAKE + "".join(
        f'[[probe]]\nname = "{name}"\nrole = "{role}"\ninput = {i}\ncylinder = {cylinder}\n'
        f'every = "{every}"\noffset_deg = {offset}\n'
        for i, (name, role, cylinder, every, offset) in enumerate(
            [
                ("spark", "ignition_sync", 1, "cycle", -8),
                ("wasted", "ignition_sync", 3, "revolution", -8),
                ("cam", "cam_sync", 4, "cycle", 60),
                ("nozzle", "injector_sync", 2, "cycle", 300),
            ],
            start=1,
        )
    )
    source = EngineSource(engine_setup([1, 3, 4, 2], probes), STEADY)
    truth = source.truth
    for i, cylinder, every, offset in [(1, 1, 720, -8), (2, 3, 360, -8), (3, 4, 720, 60), (4, 2, 720, 300)]:
        rising, _ = source.edge_times(i)
        angle = np.interp(rising, truth.times, truth.theta_deg)
        tdc = np.interp(truth.firing_tdc_s[cylinder], truth.times, truth.theta_deg)[3]
        assert (angle - tdc - offset + 90.0) % every - 90.0 == pytest.approx(0.0, abs=0.05)
        assert np.diff(angle) == pytest.approx(every, abs=0.05)


@pytest.mark.parametrize("order", [[1, 3, 4, 2], [1, 5, 3, 6, 2, 4]], ids=["four", "six"])
@pytest.mark.parametrize("percent", [-30.0, -9.0, 12.0])
def test_an_altered_cylinder_is_off_by_that_much_crest_to_trough(order: list[int], percent: float) -> None:
    altered = order[2]
    source = EngineSource(engine_setup(order, INTAKE), STEADY, (Alteration("intake", altered, percent),))
    drops = measured_drops(source, order)
    others = np.concatenate([drops[c] for c in order if c != altered]).mean()
    assert 100.0 * (drops[altered].mean() / others - 1.0) == pytest.approx(percent, abs=0.05)
    for cylinder in order:
        if cylinder != altered:
            assert drops[cylinder] == pytest.approx(others, rel=1e-3)


def measured_drops(source: EngineSource, order: list[int]) -> dict[int, np.ndarray]:
    """Crest before each trough, less the trough; the trough is the cylinder's whose intake stroke is on.

    The trough lies a quarter to half an interval after the steepest fall at 435 degrees past firing TDC.
    """
    truth, clean = source.truth, source.clean(0)
    angles = np.interp(troughs(source), truth.times, truth.theta_deg)
    crests, _ = signal.find_peaks(clean)
    drops: dict[int, list[float]] = {c: [] for c in order}
    for trough in angles:
        place = round(((trough - 435.0 - 180.0 / len(order)) % 720.0) / (720.0 / len(order))) % len(order)
        at = int(np.searchsorted(truth.theta_deg, trough))
        crest = crests[crests < at][-1]
        drops[order[place]].append(clean[crest] - clean[at])
    return {c: np.array(values) for c, values in drops.items()}


def test_a_bank_s_probe_hears_its_own_cylinders_with_one_shape_of_pulse() -> None:
    order = [1, 8, 4, 3, 6, 5, 7, 2]
    probe = '[[probe]]\nname = "pipe"\nrole = "exhaust_pulse"\ninput = 0\nsees = [1, 3, 5, 7]\n'
    source = EngineSource(engine_setup(order, probe), STEADY)
    truth, clean = source.truth, source.clean(0)
    pulses = {}
    for cylinder in (1, 3, 5, 7):
        tdc = float(truth.firing_tdc_s[cylinder][8])
        start = float(np.interp(tdc, truth.times, truth.theta_deg)) + 130.0
        angle = start + np.arange(0.0, 90.0)
        pulses[cylinder] = np.interp(angle, truth.theta_deg, clean)
        assert np.ptp(pulses[cylinder]) > 0.5
    for pulse in pulses.values():
        assert pulse == pytest.approx(pulses[1], abs=0.02)


def test_scatter_of_cylinders_and_cycles_is_in_the_truth_and_in_the_signal() -> None:
    order = [1, 5, 3, 6, 2, 4]
    cranking = dataclasses.replace(STEADY, uneven_percent=4.0, cycle_percent=2.0, crank_s=20.0)
    source = EngineSource(engine_setup(order, INTAKE), cranking)
    drops, truth = measured_drops(source, order), source.truth
    sizes = {c: truth.sizes["intake"][c] for c in order}
    means = np.array([sizes[c].mean() for c in order])
    assert 0.015 < means.std() < 0.09  # six draws of a standard deviation of 4 %
    within = np.concatenate([sizes[c] / sizes[c].mean() - 1.0 for c in order])
    assert within.std() == pytest.approx(0.02, rel=0.2)
    for cylinder in order:
        # Which cycle the first trough belongs to does not matter here: the sequence must be found.
        got = drops[cylinder] / 0.9
        best = min(
            np.abs(got - sizes[cylinder][k : k + len(got)]).max()
            for k in range(len(sizes[cylinder]) - len(got) + 1)
        )
        assert best < 2e-3


def test_an_altered_cylinder_of_the_wheel_dips_less_in_speed() -> None:
    setup = engine_setup([1, 3, 4, 2], INTAKE + WHEEL.format("60-2"))
    truth = EngineSource(setup, STEADY, (Alteration("wheel", 4, -50.0),)).truth
    speed = np.gradient(truth.theta_deg, truth.times)
    dips = {}
    for cylinder, times in truth.firing_tdc_s.items():
        steady = times[(times > truth.spun_up_s + 0.2) & (times < truth.release_s - 0.2)]
        dips[cylinder] = np.mean([speed[abs(truth.times - t) < 0.04].min() for t in steady])
    top = speed[(truth.times > truth.spun_up_s) & (truth.times < truth.release_s)].max()
    assert (top - dips[4]) / (top - dips[1]) == pytest.approx(0.5, abs=0.08)
    assert dips[1] == pytest.approx(dips[3], rel=5e-3) == pytest.approx(dips[2], rel=5e-3)


def test_a_one_off_is_in_its_cycle_and_in_no_other() -> None:
    order = [1, 5, 3, 6, 2, 4]
    source = EngineSource(engine_setup(order, INTAKE), STEADY, (Alteration("intake", 3, -40.0, cycle=6),))
    drops = measured_drops(source, order)
    usual = np.median(drops[3])
    odd = np.abs(drops[3] / usual - 1.0) > 0.01
    assert odd.sum() == 1
    assert drops[3][odd] / usual == pytest.approx(0.6, abs=2e-3)
    assert np.flatnonzero(source.truth.sizes["intake"][3] != 1.0) + source.truth.first_cycle[3] == [6]
    assert all(drops[c] == pytest.approx(usual, rel=2e-3) for c in order if c != 3)


@pytest.mark.parametrize("db", [0.0, 20.0, 40.0])
def test_the_noise_has_the_ratio_that_was_asked_for(db: float) -> None:
    source = EngineSource(
        engine_setup([1, 5, 3, 6, 2, 4], INTAKE), dataclasses.replace(STEADY, crank_s=60.0, noise_db=db)
    )
    truth = source.truth
    times = np.arange(truth.spun_up_s, truth.release_s, 1e-4)
    noisy = source.volts((0,), times[None, :])[0]
    clean = np.interp(times, truth.times, source.clean(0))
    # Independent of the rig's own measure: Welch's method over the band of the definition.
    frequency, of_signal = signal.welch(clean, GRID_HZ, nperseg=80_000)
    _, of_noise = signal.welch(noisy - clean, GRID_HZ, nperseg=80_000)
    band = (frequency >= 0.5) & (frequency <= 50.0)
    measured = 10.0 * np.log10(of_signal[band].sum() / of_noise[band].sum())
    assert measured == pytest.approx(db, abs=0.5)
    # White: as dense at 1 to 2 kHz as in the band, as far as the linear interpolation goes.
    high = (frequency >= 1000.0) & (frequency <= 2000.0)
    assert 10.0 * np.log10(of_noise[high].mean() / of_noise[band].mean()) == pytest.approx(0.0, abs=1.5)


def test_nothing_depends_on_how_time_is_cut() -> None:
    setup, _ = load_setup("demo")
    whole = EngineSource(setup, dataclasses.replace(STEADY, noise_db=20.0))
    cut = EngineSource(setup, dataclasses.replace(STEADY, noise_db=20.0))
    inputs = (0, 3, 5)
    times = np.arange(0.0, 4.0, 1e-4) + np.array([[0.0], [2e-5], [4e-5]])
    expected = whole.volts(inputs, times)
    order = np.random.default_rng(5).permutation(len(pieces := np.array_split(np.arange(times.shape[1]), 37)))
    for piece in (pieces[i] for i in order):
        assert np.array_equal(cut.volts(inputs, times[:, piece]), expected[:, piece])
    edges = whole.edges(0.0, 4.0)
    bounds = [0.0, 0.3, 0.31, 2.0, 2.0001, 4.0]
    assert [e for a, b in itertools.pairwise(bounds) for e in cut.edges(a, b)] == edges
    other = EngineSource(setup, dataclasses.replace(STEADY, noise_db=20.0, seed=2))
    assert not np.array_equal(other.volts(inputs, times), expected)


def test_a_gas_path_delays_by_the_speed_of_sound() -> None:
    # 4 m of cold pipe: 11.7 ms (arithmetic, with 343.2 m/s at 20 C from ISO 9613-1).
    assert pytest.approx(0.0117, abs=5e-5) == 4.0 / SPEED_OF_SOUND_M_S
    near = EngineSource(engine_setup([1, 3, 4, 2], INTAKE), STEADY)
    far = EngineSource(engine_setup([1, 3, 4, 2], INTAKE + "travel_m = 4.0\n"), STEADY)
    a, b = troughs(near), troughs(far)
    n = min(len(a), len(b))
    delay = b[:n] - a[:n]
    assert np.median(delay) == pytest.approx(0.0117, abs=2e-4)


def test_an_ac_coupled_probe_passes_what_a_first_order_high_pass_passes() -> None:
    # 2 Hz corner at 1.667 Hz: |H| = 1 / sqrt(1 + (fc/f)^2) = 0.64 (arithmetic).
    single = "[[probe]]\nname = 'x'\nrole = 'crankcase_pulse'\ninput = 0\n"
    quiet = dataclasses.replace(STEADY, ripple_percent=0.0, crank_s=20.0)
    direct = EngineSource(engine_setup([1], single), quiet)
    coupled = EngineSource(engine_setup([1], single + "low_corner_hz = 2.0\n"), quiet)
    steady = (direct.truth.times > 5.0) & (direct.truth.times < 5.0 + 0.6 * 20)
    once = np.exp(-2j * np.pi * direct.truth.times[steady] / 0.6)
    passed = abs(np.mean(coupled.clean(0)[steady] * once)) / abs(np.mean(direct.clean(0)[steady] * once))
    assert passed == pytest.approx(1.0 / np.sqrt(1.0 + (2.0 * 0.6) ** 2), rel=5e-3)
    assert passed == pytest.approx(0.64, abs=5e-3)


def test_vacuum_probes_are_upside_down() -> None:
    up = EngineSource(engine_setup([1, 3, 4, 2], INTAKE), STEADY).clean(0)
    down = EngineSource(engine_setup([1, 3, 4, 2], INTAKE + 'positive_is = "vacuum"\n'), STEADY).clean(0)
    assert up + down == pytest.approx(2 * 2.5)


def test_added_volume_takes_the_peak_down_as_arithmetic_says() -> None:
    # Compression ratio 9.4, 498 cc: +9 cc gives about 15 % less peak, +20 cc 28 %, both within
    # 2 points (arithmetic on absolute pressure with an exponent of 1.28; the rig has 1.25).
    setup, _ = load_setup("demo")
    peak = {
        cc: 101.3 + motored_pressure(setup.engine, added_volume_cc=cc, intake_kpa=0.0).max()
        for cc in (0.0, 9.0, 20.0)
    }
    assert 1.0 - peak[9.0] / peak[0.0] == pytest.approx(0.15, abs=0.02)
    assert 1.0 - peak[20.0] / peak[0.0] == pytest.approx(0.28, abs=0.02)
    # Gauge, throttle open: 8 to 14 bar (common practice, no source).
    assert 800.0 < peak[0.0] - 101.3 < 1400.0
    # Half a degree to 2 degrees before TDC (common practice, no source).
    curve = motored_pressure(setup.engine, added_volume_cc=0.0, intake_kpa=0.0)
    assert 0.5 <= 720.0 - np.argmax(curve) * 720.0 / len(curve) <= 2.0


def test_current_and_voltage_lie_where_the_trade_expects_them() -> None:
    # Common practice, no source: 80 to 250 A average, inrush 300 to 1000 A for under 0.1 s;
    # 12.6 V at rest, at least 9.6 V while cranking.
    setup, _ = load_setup("demo")
    source = EngineSource(setup, STEADY)
    truth = source.truth
    amperes = (source.clean(6) - 0.5) / 0.006
    volts = source.clean(7) / 0.25
    steady = (truth.times > truth.spun_up_s) & (truth.times < truth.release_s)
    assert 80.0 < amperes[steady].mean() < 250.0
    inrush = amperes > 300.0
    assert 300.0 < amperes.max() < 1000.0
    assert 0 < inrush.sum() / GRID_HZ < 0.1
    assert volts[truth.times < 1.0] == pytest.approx(12.6)
    assert volts[steady].min() > 9.6
    assert amperes[truth.times < 1.0] == pytest.approx(0.0, abs=1e-9)
    assert amperes[truth.times > truth.release_s] == pytest.approx(0.0, abs=1e-9)


def test_nothing_moves_before_the_starter_engages_and_after_the_engine_has_stopped() -> None:
    setup, _ = load_setup("demo")
    source = EngineSource(setup, Cranking(rest_s=1.5, crank_s=3.0))
    truth = source.truth
    assert np.ptp(truth.theta_deg[truth.times <= 1.5]) == 0.0
    assert np.ptp(truth.theta_deg[truth.times > 1.5 + 3.0 + 0.5]) == 0.0
    assert not source.edges(0.0, 1.5)
    assert source.clean(0)[truth.times <= 1.5] == pytest.approx(2.5)
    assert source.volts((0,), np.array([[1000.0]]))[0, 0] == pytest.approx(2.5, abs=1e-3)


@pytest.mark.parametrize("name", shipped_setups())
def test_every_shipped_set_up_gives_all_its_inputs(name: str) -> None:
    setup, _ = load_setup(name)
    assert not blocking_dangers(setup)  # so that listening to it is not refused
    source = EngineSource(setup, STEADY)
    truth = source.truth
    steady = (truth.times > truth.spun_up_s) & (truth.times < truth.release_s)
    for probe in setup.probe:
        assert probe.input is not None
        if source.inputs[probe.input].kind is InputKind.EDGE:
            rising, falling = source.edge_times(probe.input)
            assert len(rising) > 5
            assert len(falling) > 5
        else:
            clean = source.clean(probe.input)
            assert np.ptp(clean[steady]) > 0.02
            assert clean.min() >= 0.0
            assert clean.max() < 5.0


def test_a_level_can_be_wired_to_an_analog_input() -> None:
    setup, _ = load_setup("demo")
    source = EngineSource(setup, STEADY, analog_probes=frozenset({"wheel"}))
    assert source.inputs[2].kind is InputKind.ANALOG
    times = np.arange(3.0, 4.0, 1e-5)
    volts = source.volts((2,), times[None, :])[0]
    assert set(volts) == {0.5, 4.5}
    rising, falling = source.edge_times(2)
    inside = lambda t: t[(t > 3.0) & (t < 4.0)]  # noqa: E731
    assert (np.diff(volts) > 0).sum() == len(inside(rising))
    assert times[:-1][np.diff(volts) < 0] == pytest.approx(inside(falling), abs=1.1e-5)


IMPOSSIBLE = {
    "too fast": lambda s: EngineSource(s, Cranking(rpm=9000.0)),
    "too long": lambda s: EngineSource(s, Cranking(crank_s=1e6)),
    "no such probe": lambda s: EngineSource(s, STEADY, (Alteration("nosuch", 2, -9.0),)),
    "no such cylinder": lambda s: EngineSource(s, STEADY, (Alteration("intake", 7, -9.0),)),
    "not the transducer's": lambda s: EngineSource(s, STEADY, (Alteration("p5", 2, -9.0),)),
    "a sync has no pulse": lambda s: EngineSource(s, STEADY, (Alteration("spark", 1, -9.0),)),
    "stops in a compression": lambda s: EngineSource(
        s, Cranking(ripple_percent=75.0), (Alteration("wheel", 2, 300.0),)
    ),
    "less than nothing": lambda s: EngineSource(s, STEADY, (Alteration("intake", 2, -109.0),)),
}


@pytest.mark.parametrize("ask", IMPOSSIBLE.values(), ids=IMPOSSIBLE.keys())
def test_the_impossible_is_refused_with_what_to_do(ask: object) -> None:
    setup, _ = load_setup("demo")
    with pytest.raises(RigError) as caught:
        ask(setup)  # type: ignore[operator]
    assert caught.value.expected
    assert caught.value.found
    assert caught.value.todo


def test_a_set_up_for_csv_cannot_be_wired() -> None:
    setup = engine_setup([1, 3, 4, 2], '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ncolumn = "a"\n')
    with pytest.raises(RigError, match="wired"):
        EngineSource(setup, STEADY)


def test_a_probe_without_a_low_corner_is_not_filtered() -> None:
    exhaust = INTAKE.replace("intake", "exhaust")
    unsaid = EngineSource(engine_setup([1, 3, 4, 2], exhaust), STEADY)
    direct = EngineSource(engine_setup([1, 3, 4, 2], exhaust + "low_corner_hz = 0\n"), STEADY)
    np.testing.assert_array_equal(direct.clean(0), unsaid.clean(0))
