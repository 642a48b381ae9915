"""The low-pass without delay, against scipy, a handbook table and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.blocks import Bools, Floats
from evenstroke_dsp.conditioning import Conditioner, butterworth_sections
from evenstroke_dsp.measurement import undo_low_corner
from scipy import signal

RATE_HZ = 10_000.0


def conditioned(
    x: Floats, rate_hz: float = RATE_HZ, lowpass_hz: float | None = 50.0
) -> tuple[Floats, Bools, int]:
    """One channel through the conditioner in its own frames: values, lost mask, thinning."""
    conditioner = Conditioner([lowpass_hz], rate_hz)
    parts, whole = [], len(x) // conditioner.frame * conditioner.frame
    for first in range(0, whole, conditioner.frame):
        ready = conditioner.push(x[None, first : first + conditioner.frame])
        if ready is not None:
            parts.append(ready)
    parts.append(conditioner.finish(x[None, whole:]))
    values = np.concatenate([p[0][0] for p in parts])
    return values, np.concatenate([p[1][0] for p in parts]), conditioner.keep_every


def two_passes(sections: Floats, hz: float, rate_hz: float) -> float:
    response = signal.sosfreqz(sections, [2 * math.pi * hz / rate_hz])[1]
    return float(abs(response[0]) ** 2)


def test_one_pass_is_the_second_order_butterworth_of_the_tables() -> None:
    # Normalised Butterworth polynomial of order 2: s^2 + 1.4142 s + 1 (A. Zverev, Handbook of Filter
    # Synthesis; A. Oppenheim and R. Schafer, Discrete-Time Signal Processing, appendix B; from memory).
    # Bilinear transform with k = tan(pi f0 / fs), written out:
    lowpass_hz = 50.0
    f0 = lowpass_hz * (math.sqrt(2.0) - 1.0) ** -0.25
    k = math.tan(math.pi * f0 / RATE_HZ)
    a0 = 1.0 + 1.4142135624 * k + k * k
    by_hand = np.array([k * k, 2 * k * k, k * k, a0, 2 * (k * k - 1.0), 1.0 - 1.4142135624 * k + k * k]) / a0
    sections = butterworth_sections(lowpass_hz, RATE_HZ)
    np.testing.assert_allclose(sections, by_hand[None, :], rtol=1e-3)
    np.testing.assert_allclose(sections, signal.butter(2, f0, fs=RATE_HZ, output="sos"), rtol=1e-3)


@pytest.mark.parametrize(
    ("lowpass_hz", "rate_hz"),
    [(50.0, 10_000.0), (50.0, 2_000.0), (200.0, 50_000.0), (200.0, 2_000.0), (50.0, 500.0)],
)
def test_two_passes_are_three_decibels_down_at_the_corner(lowpass_hz: float, rate_hz: float) -> None:
    # 3 dB down: 1/sqrt(2) of the amplitude (definition of the corner, any textbook), by scipy's response.
    sections = butterworth_sections(lowpass_hz, rate_hz)
    assert two_passes(sections, lowpass_hz, rate_hz) == pytest.approx(1 / math.sqrt(2.0), rel=0.005)
    assert two_passes(sections, 0.0, rate_hz) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("lowpass_hz", [0.0, -1.0, 600.0])
def test_a_corner_that_does_not_fit_is_refused(lowpass_hz: float) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        butterworth_sections(lowpass_hz, 1000.0)


def test_a_channel_whose_corner_does_not_fit_is_left_as_it_is_and_named() -> None:
    conditioner = Conditioner([50.0, 230.0], 500.0)
    assert conditioner.unfiltered == [1]
    x = np.random.default_rng(3).normal(size=(2, 500))
    values, _ = conditioner.finish(x)
    np.testing.assert_array_equal(values[1], x[1])


@pytest.mark.parametrize("rate_hz", [1000.0, 2500.0, 10_000.0, 50_000.0])
def test_streaming_equals_forward_and_backward_over_the_whole_recording(rate_hz: float) -> None:
    # Reference: scipy.signal.sosfiltfilt. Its ends are padded otherwise, so that only the inside compares.
    noise = np.random.default_rng(1).normal(size=round(2.0 * rate_hz))
    values, lost, keep = conditioned(noise, rate_hz)
    whole = signal.sosfiltfilt(butterworth_sections(50.0, rate_hz), noise)[::keep]
    assert len(values) == len(whole)
    inside = slice(round(0.25 * rate_hz / keep), -round(0.25 * rate_hz / keep))
    np.testing.assert_allclose(values[inside], whole[inside], atol=2e-6 * float(np.ptp(whole)))
    assert not lost.any()


@pytest.mark.parametrize("centre_s", [0.5, 0.50003, 0.7317])
def test_a_symmetric_pulse_keeps_its_time(centre_s: float) -> None:
    t = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    values, _, keep = conditioned(np.exp(-(((t - centre_s) / 0.015) ** 2)))
    top = int(np.argmax(values))
    left, middle, right = values[top - 1 : top + 2]
    vertex = top + 0.5 * (left - right) / (left - 2 * middle + right)
    # A twentieth of the original sampling period: 0.006 crank degrees at 200 rpm.
    assert vertex * keep / RATE_HZ == pytest.approx(centre_s, abs=0.05 / RATE_HZ)


def test_what_a_two_hertz_corner_does_to_the_rhythm_of_a_cycle() -> None:
    # Arithmetic: a first-order high-pass of corner fc passes f / sqrt(f^2 + fc^2) and leads by atan(fc / f).
    # At 200 rpm one cycle of 720 degrees takes 0.6 s, 1.67 Hz.
    f, corner = 200.0 / 120.0, 2.0
    b, a = signal.bilinear([1.0, 0.0], [1.0, 2 * math.pi * corner], fs=RATE_HZ)
    response = signal.freqz(b, a, [2 * math.pi * f / RATE_HZ])[1][0]
    assert abs(response) == pytest.approx(0.64, abs=0.005)
    assert abs(response) == pytest.approx(f / math.hypot(f, corner), rel=1e-6)
    lead = math.degrees(float(np.angle(response)))
    assert lead == pytest.approx(50.0, abs=0.5)
    assert 2 * lead == pytest.approx(100.0, abs=1.0)  # crank degrees: a cycle of the rhythm is 720


def rhythm_of(values: Floats, t: Floats, hz: float) -> complex:
    """Amplitude and phase of one frequency by least squares, beside a level and a slope."""
    columns = [np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t), np.ones_like(t), t]
    c, s, *_ = np.linalg.lstsq(np.stack(columns, axis=1), values, rcond=None)[0]
    return complex(c, -s)


@pytest.mark.parametrize("bias", [0.0, 2.5])
def test_undoing_the_probes_own_corner_gives_the_rhythm_back(bias: float) -> None:
    # The bias is the probe's own: it carries no pressure and must not be integrated.
    f = 200.0 / 120.0
    t = np.arange(round(6.0 * RATE_HZ)) / RATE_HZ
    rhythm = np.sin(2 * np.pi * f * t) + 0.3 * np.sin(2 * np.pi * 6 * f * t)
    b, a = signal.bilinear([1.0, 0.0], [1.0, 2 * math.pi * 2.0], fs=RATE_HZ)
    coupled = signal.lfilter(b, a, rhythm) + bias
    from_s, to_s = 3.0, 3.0 + 1 / f
    piece = slice(round(2.8 * RATE_HZ), round(3.8 * RATE_HZ))
    back = undo_low_corner(t[piece], coupled[piece], 2.0, from_s, to_s)
    ratio = rhythm_of(back, t[piece], f) / rhythm_of(rhythm[piece], t[piece], f)
    assert abs(ratio) == pytest.approx(1.0, abs=0.01)
    assert math.degrees(float(np.angle(np.array(ratio)))) == pytest.approx(0.0, abs=1.0)
    difference = back - rhythm[piece]
    assert float(np.ptp(difference)) < 0.03


def test_at_rest_a_biased_probe_stands_still() -> None:
    t = np.arange(3000) / 1000.0
    assert float(np.ptp(undo_low_corner(t, np.full(3000, 2.5), 2.0, 1.0, 1.6))) < 1e-9


def test_lost_samples_do_not_ring() -> None:
    level = np.full(round(1.0 * RATE_HZ), 3.0)
    level[4000:5230] = np.nan
    values, lost, keep = conditioned(level)
    np.testing.assert_allclose(values, 3.0, atol=1e-9)
    # 0.6 of the corner's period on both sides, from the next test.
    assert np.array_equal(np.flatnonzero(lost), np.arange((4000 - 120) // keep, -(-(5230 + 120) // keep)))


@pytest.mark.parametrize("rate_hz", [2000.0, 10_000.0])
@pytest.mark.parametrize("lowpass_hz", [20.0, 50.0, 200.0])
def test_what_a_gap_spoils_beside_it_is_marked_lost(lowpass_hz: float, rate_hz: float) -> None:
    """A gap across a step holds the level before it, which is wrong by the step's height at the gap's end.

    The control: a quarter of the reach would leave values that are off by more. Frames are cut by the conditioner.
    """
    centre, width = round(0.5 * rate_hz), round(0.02 * rate_hz)
    step = np.where(np.arange(round(rate_hz)) < centre, 0.0, 1.0)
    for bad in (np.nan, np.inf, -np.inf):
        holed = step.copy()
        holed[centre : centre + width] = bad
        values, lost, keep = conditioned(holed, rate_hz, lowpass_hz)
        off = np.abs(values - conditioned(step, rate_hz, lowpass_hz)[0])
        assert np.isfinite(values).all()
        assert float(off[~lost].max()) < 0.02
        beside = round(0.15 / lowpass_hz * rate_hz / keep)
        inner = slice((centre - 1) // keep - beside, (centre + width) // keep + beside + 1)
        narrower = np.ones(lost.size, dtype=bool)
        narrower[inner] = False
        assert float(off[narrower].max()) > 0.02
        assert lost.sum() * keep <= width + 2 * (0.6 / lowpass_hz * rate_hz + keep + 1)


def test_the_delay_of_both_passes_against_scipy() -> None:
    """One pass delays by its group delay (scipy.signal.group_delay); the one backward takes just that off again."""
    lowpass_hz = 50.0
    numerator, denominator = signal.sos2tf(butterworth_sections(lowpass_hz, RATE_HZ))
    tone_hz = np.array([10.0, 20.0, 30.0])
    _, delay = signal.group_delay((numerator, denominator), w=tone_hz, fs=RATE_HZ)
    assert (delay / RATE_HZ > 0.002).all()  # a single pass would put a pulse 3 crank degrees late at 200 rpm
    t = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    for hz, samples in zip(tone_hz, delay, strict=True):
        burst = np.sin(2 * np.pi * hz * t) * np.exp(-(((t - 1.0) * hz / 4.0) ** 2))
        once = signal.sosfilt(butterworth_sections(lowpass_hz, RATE_HZ), burst)
        values, _, keep = conditioned(burst)
        assert _later_by(once, burst) == pytest.approx(samples, abs=0.05 * samples)
        assert abs(_later_by(values, burst[::keep][: values.size])) * keep < 0.01 * samples


def _later_by(x: Floats, than: Floats) -> float:
    """By how many samples the envelope's middle of `x` comes after that of `than` (scipy.signal.hilbert)."""
    k = np.arange(x.size)
    power, before = (np.abs(signal.hilbert(y)) ** 2 for y in (x, than))
    return float((power * k).sum() / power.sum() - (before * k).sum() / before.sum())


def test_lost_samples_disturb_a_tone_only_nearby() -> None:
    t = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * 5.0 * t)
    holed = tone.copy()
    holed[8000:8500] = np.nan
    values, lost, keep = conditioned(holed)
    whole, _, _ = conditioned(tone)
    assert np.isfinite(values).all()
    away = np.ones(len(values), dtype=bool)
    away[(8000 - 800) // keep : (8500 + 800) // keep] = False
    assert float(np.abs(values - whole)[away].max()) < 1e-4
    assert lost[8000 // keep : 8500 // keep].all()


def test_a_recording_that_begins_with_lost_samples_gives_numbers() -> None:
    x = np.full(5000, 1.0)
    x[:700] = np.nan
    values, lost, keep = conditioned(x)
    assert np.isfinite(values).all()
    assert lost[: 700 // keep].all()
    assert not lost[-(-(700 + 120) // keep) :].any()
    # What is held before the first good sample must not make a step of its own.
    np.testing.assert_allclose(values[~lost], 1.0, atol=1e-9)


@pytest.mark.parametrize("lowpass_hz", [50.0, 200.0, 400.0, 1000.0, 2000.0])
def test_thinning_folds_nothing_back_into_the_pass_band(lowpass_hz: float) -> None:
    # What lies beside a multiple of the thinned rate turns up as a slow swing that was never there.
    seconds = np.arange(40_000) / RATE_HZ
    _, _, keep_every = conditioned(np.zeros(4000), lowpass_hz=lowpass_hz)
    if keep_every == 1:
        return  # nothing is thinned, so that nothing folds
    tone_hz = RATE_HZ / keep_every - 10.0
    values, _, _ = conditioned(np.sin(2 * np.pi * tone_hz * seconds), lowpass_hz=lowpass_hz)
    assert float(np.abs(values[200:-200]).max()) < 0.01
