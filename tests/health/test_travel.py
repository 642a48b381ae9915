"""What the gas takes from valve to probe, and what that does to the attribution of pulses."""

from __future__ import annotations

import pytest
from evenstroke_dsp.setup import Conditions
from evenstroke_dsp.travel import TravelEstimate, gas_temperature_c, speed_of_sound, travel_time


@pytest.mark.parametrize("temperature_c", [-20.0, 0.0, 20.0, 90.0, 200.0])
def test_the_speed_of_sound_is_that_of_coolprop(temperature_c) -> None:
    """Reference: CoolProp's equation of state for air (Lemmon et al., J. Phys. Chem. Ref. Data 29, 331, 2000)."""
    coolprop = pytest.importorskip(
        "CoolProp.CoolProp", reason="CoolProp is not here: speed of sound unchecked"
    )
    reference = coolprop.PropsSI("A", "T", temperature_c + 273.15, "P", 101_325.0, "Air")
    # The square-root law neglects that heat capacity grows with temperature: 0.9 % at 200 C.
    assert speed_of_sound(temperature_c) == pytest.approx(
        reference, rel=0.01 if temperature_c > 100 else 0.002
    )


def test_4_m_of_cold_pipe() -> None:
    # Arithmetic with 343.2 m/s at 20 C (ISO 9613-1): 11.7 ms, 14 crank degrees at 200 rpm and 49 at 700.
    delay = travel_time(4.0, "exhaust_pulse", Conditions(engine_temperature_c=20.0))
    assert delay == pytest.approx(11.66e-3, abs=0.05e-3)
    assert delay * 200 * 6 == pytest.approx(14.0, abs=0.1)
    assert delay * 700 * 6 == pytest.approx(49.0, abs=0.1)


def test_the_gas_is_warmed_on_its_way_and_never_beyond_the_engine() -> None:
    warm, cold = Conditions(engine_temperature_c=88.0), Conditions(engine_temperature_c=-10.0)
    assert 20.0 < gas_temperature_c("intake_pulse", warm) < gas_temperature_c("exhaust_pulse", warm) < 88.0
    assert gas_temperature_c("exhaust_pulse", cold) == -10.0
    assert gas_temperature_c("exhaust_pulse", Conditions()) == 20.0


@pytest.mark.parametrize("kind", ["four", "six"])
def test_a_delay_that_is_not_given_is_estimated_with_its_uncertainty(cranks, kind) -> None:
    setup = cranks.setup(kind, exhaust="low_corner_hz = 0.5")
    trace = cranks.crank(setup, seed=34)
    for metres in (0.0, 4.0):
        signals = cranks.heard(trace, corner_hz=0.5, travel_m=metres, noise_db=25.0)
        outcome = cranks.judged(setup, trace, signals)
        travel = outcome.pipeline._measurers[1].travel
        assert travel is not None
        assert travel.low_s - 0.5e-3 <= metres / 343.2 <= travel.high_s + 0.5e-3
        assert "travel_estimated" in outcome.codes


@pytest.mark.parametrize("given", [True, False])
def test_4_m_of_pipe_give_no_pulse_to_a_wrong_cylinder_while_cranking(cranks, given) -> None:
    """The same crank with the probe at the valve and at the end of 4 m: the same balance, cylinder by cylinder."""
    near = cranks.setup("six", exhaust="low_corner_hz = 0.5\ntravel_m = 0.0")
    far = cranks.setup("six", exhaust="low_corner_hz = 0.5" + ("\ntravel_m = 4.2" if given else ""))
    trace = cranks.crank(near, seed=34)
    at_valve = cranks.judged(near, trace, cranks.heard(trace, corner_hz=0.5))
    at_end = cranks.judged(far, trace, cranks.heard(trace, corner_hz=0.5, travel_m=4.0))
    here, there = at_valve.cylinders("exhaust", "rise"), at_end.cylinders("exhaust", "rise")
    for cylinder, balance in here.items():
        assert there[cylinder].deviation == pytest.approx(balance.deviation, abs=0.5)


def test_a_delay_that_may_carry_a_pulse_into_anothers_place_names_both(cranks) -> None:
    """A six's exhaust pulses come every 120 degrees: a delay that is known to 20 ms either way is 24 degrees at 200 rpm, and one
    to 70 ms is 84, beyond the 60 half way to the next place (arithmetic)."""
    setup = cranks.setup("six", intake="travel_m = 0.0", exhaust="low_corner_hz = 0.5")
    trace = cranks.crank(setup, seed=4)
    outcome = cranks.judged(setup, trace, cranks.heard(trace, corner_hz=0.5, noise_db=25.0))
    measurer = outcome.pipeline._measurers[1]
    deg_per_s = 6.0 * outcome.judgement.cranked[0].mean_rpm
    for doubt_deg, both in ((24.0, False), (84.0, True)):
        doubt_s = doubt_deg / deg_per_s
        measurer.travel = TravelEstimate(doubt_s, 0.0, 2 * doubt_s)
        judged = outcome.pipeline.judge(outcome.judgement.source)
        (rise,) = (c for c in judged.comparisons if (c.probe, c.feature) == ("exhaust", "rise"))
        assert ("travel_unknown" in rise.because) == both
        said = [w.text for w in judged.warnings if w.code == "strokes_open" and w.text.startswith("exhaust")]
        assert any("write it as `travel_m`" in text for text in said) == both
        assert measurer.strokes_open("cranking") == both
        if both:
            assert rise.trust == "limited"
            assert {5, 3, 6} <= set(measurer.strokes_that_fit(3, "cranking"))
            assert all(row.cylinder is None and len(row.one_of or ()) >= 3 for row in rise.cylinders)


def test_what_a_delay_leaves_open_of_a_crank_does_not_change_while_the_engine_runs_on(cranks) -> None:
    """A turning keeps its last 30 cycles: when the engine idles at 800 rpm, 24 degrees of a crank at 200 rpm are still no 96."""
    setup = cranks.setup("six", intake="travel_m = 0.0", exhaust="low_corner_hz = 0.5", wheel=False)
    trace = cranks.crank(setup, seed=4)
    outcome = cranks.judged(setup, trace, cranks.heard(trace, corner_hz=0.5, noise_db=25.0))
    measurer = outcome.pipeline._measurers[1]
    doubt_s = 24.0 / (6.0 * outcome.judgement.cranked[0].mean_rpm)
    measurer.travel = TravelEstimate(doubt_s, 0.0, 2 * doubt_s)
    assert not measurer.travel_open("cranking") and not measurer.strokes_open("cranking")
    (latest,) = measurer._latest_of.values()
    rotation = latest.span.rotation
    t, deg = rotation.t[-1], rotation.deg[-1]
    for step in range(1, 3001):
        rotation.add(t + step * 10.0 / 4800.0, deg + step * 10.0)
    rotation.forget_before(rotation.deg[-1] - 30 * 720.0)
    assert latest.span.rpm > 700.0, "so much is forgotten"
    assert not measurer.travel_open("cranking") and not measurer.strokes_open("cranking")
