"""Valve events against valves whose timing is known: simulated engines, and curves written down by hand.

The simulation is our own physics (checked elsewhere against closed forms and tables); that its valves are what the
judgement's offsets were measured on is said in `valve_events.py`, and these engines are other draws. Ranges of real
timing: common practice, no source.
"""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.physics import CrankScenario, parameters_for, scattered, simulate
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.valve_agreement import banks_of
from evenstroke_dsp.valve_events import WIDEST_DEG, intake_closing_in_cylinder

SCRIPT = Path(__file__).parents[1] / "bench" / "valve_truth.py"
CRANK = CrankScenario(rest_s=0.3, crank_s=5.0, coast_s=0.2, output_hz=2000.0)


@pytest.fixture(scope="module")
def truth():
    spec = importlib.util.spec_from_file_location("valve_truth", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["valve_truth"] = module
    spec.loader.exec_module(module)
    return module


def judged(truth, text: str, *, seed: int = 1, snr_db: float = 30.0, travel=None, **timing: float):
    setup = parse_setup(text)
    rng = np.random.default_rng(seed)
    engine = scattered(parameters_for(setup, rng), rng)
    engine = dataclasses.replace(engine, **{f"{k}_deg": v for k, v in timing.items()})
    travel = travel if travel is not None else {p.name: p.travel_m or 0.0 for p in setup.probe}
    trace = simulate(engine, CRANK)
    return truth.play(setup, engine, trace, truth.Corners({}, travel, snr_db), rng)[1]


def of(judgement, event: str, source: str) -> dict[int, object]:
    return {e.cylinder: e for e in judgement.valve_events if (e.event, e.from_) == (event, source)}


def codes(judgement) -> dict[str, str]:
    return {w.code: w.text for w in judgement.warnings}


# Seeds that no constant was chosen by; between them every event, 2 to 8 cylinders, leaks, unknown corners and travel.
@pytest.mark.parametrize("seed", [900, 901, 902, 903, 904, 905, 906, 907])
def test_stated_intervals_hold_the_simulated_timing(truth, seed) -> None:
    for claim in truth.claims(seed):
        assert claim.holds, claim
        assert claim.half <= WIDEST_DEG


SAID = {"intake": "travel_m=0.4", "exhaust": "travel_m=3.0"}
LATE = {"exhaust_opens": 134.0, "exhaust_closes": 372.0, "intake_opens": 392.0, "intake_closes": 632.0}
USUAL = {"exhaust_opens": 134.0, "exhaust_closes": 372.0, "intake_opens": 350.0, "intake_closes": 590.0}


def test_a_late_opening_intake_shows_where_its_pulse_starts(truth) -> None:
    judgement = judged(truth, truth.setup_text(6, said=SAID), **LATE)
    opens = of(judgement, "intake_opens", "intake")
    assert set(opens) == {1, 2, 3, 4, 5, 6}
    for event in opens.values():
        assert event.low <= LATE["intake_opens"] <= event.high
        assert event.low > 372.0, "tens of degrees after TDC"


def test_a_late_opening_cylinder_is_in_deep_vacuum_until_its_valve_opens(truth) -> None:
    """Closed in and expanding from 12 to 32 degrees after TDC (common practice, no source: up to 40 when a cam is parked
    late). By the slider-crank's volume (J. Heywood, Internal Combustion Engine Fundamentals, equation 2.6; from memory) the
    pressure falls as V^-n, n from 1.0 (all the heat comes back) to 1.4 (none does)."""
    setup = parse_setup(truth.setup_text(6, said=SAID))
    pressures = {}
    for name, timing in (("late", LATE), ("usual", USUAL)):
        rng = np.random.default_rng(1)
        engine = scattered(parameters_for(setup, rng), rng)
        engine = dataclasses.replace(engine, **{f"{k}_deg": v for k, v in timing.items()})
        trace = simulate(engine, CRANK)
        turned = np.maximum.accumulate(trace.theta_deg)
        tdc = 720.0 * np.arange(4, 8)[:, None] + engine.firing_deg[2] + np.array([372.0, 392.0, 400.0])
        pressures[name] = np.interp(tdc, turned, trace.cylinder_kpa[2]).mean(axis=0)
    half_stroke, after = engine.rod_mm / (engine.stroke_mm / 2.0), np.radians([12.0, 32.0])
    reach = half_stroke + 1.0 - np.cos(after) - np.sqrt(half_stroke**2 - np.sin(after) ** 2)
    closed, opening = 1.0 + 0.5 * (engine.compression_ratio(3) - 1.0) * reach
    ratio = pressures["late"][1] / pressures["late"][0]
    assert (closed / opening) ** 1.4 < ratio < closed / opening
    assert pressures["late"][2] < 0.5 * pressures["usual"][2], (
        "half an atmosphere below one that opened at TDC"
    )


def test_an_intake_that_opens_before_tdc_is_not_claimed_from_the_pulse(truth) -> None:
    judgement = judged(truth, truth.setup_text(6, said=SAID), **USUAL)
    assert not of(judgement, "intake_opens", "intake")
    assert set(of(judgement, "exhaust_opens", "exhaust")) == {1, 2, 3, 4, 5, 6}
    assert "piston" in codes(judgement)["valve_events_unseen"]
    assert not {"valve_events_disagree", "valve_timing_differs"} & set(codes(judgement))


def test_pulse_and_own_pressure_agree_or_the_difference_is_said(truth) -> None:
    text = truth.setup_text(4, said=SAID, pressure_in=3)
    agreeing = judged(truth, text, **LATE)
    assert of(agreeing, "exhaust_opens", "exhaust")[3]
    assert of(agreeing, "exhaust_opens", "pressure")[3]
    assert of(agreeing, "intake_opens", "pressure")[3]
    assert "valve_events_disagree" not in codes(agreeing)
    # 11 m of pipe that the set-up calls 3: 8 m are 23 ms, some 25 degrees.
    lying = judged(truth, text, travel={"intake": 0.4, "exhaust": 11.0}, **LATE)
    assert "travel" in codes(lying)["valve_events_disagree"]


def test_timing_other_than_the_set_up_says_is_told(truth) -> None:
    engine = "[engine.valve_events_deg]\nexhaust_opens = 130"
    text = truth.setup_text(6, engine=engine, said=SAID)
    assert "valve_timing_differs" not in codes(judged(truth, text, **{**USUAL, "exhaust_opens": 130.0}))
    # Two teeth of a 48-tooth cam wheel: 2 * 720 / 48 = 30 degrees (arithmetic); one is within what a six's pipes may do.
    late = codes(judged(truth, text, **{**USUAL, "exhaust_opens": 160.0}))
    assert "later than the set-up says" in late["valve_timing_differs"]


def test_nothing_is_stated_without_a_good_crank_angle(truth) -> None:
    text = truth.setup_text(6, said=SAID, wheel=False).replace("offset_deg=-8\n", "")
    judgement = judged(truth, text, **USUAL)
    assert judgement.valve_events == ()
    assert "valve_events_none" in codes(judgement)


def test_an_open_plug_hole_has_no_events(truth) -> None:
    text = truth.setup_text(
        4, said=SAID, extra='[[fitted]]\nwhat="plug out"\ncylinder=2\nplug_removed=true\n'
    )
    judgement = judged(truth, text, **USUAL)
    assert 2 not in of(judgement, "exhaust_opens", "exhaust")


def test_a_polytrope_is_followed_back_to_where_it_was_closed() -> None:
    # Closed form: pressure p0 until 580, then p0 (V(580)/V)^1.3 with Heywood's slider-crank volume (eqs. 2.4 to 2.6).
    degrees = np.arange(720.0)
    radians = np.radians(degrees)
    crank, rod = 1.0, 3.36
    travel = rod + crank - (crank * np.cos(radians) + np.sqrt(rod**2 - (crank * np.sin(radians)) ** 2))
    volume = travel / 2 + 1 / 9
    closed = volume[580]
    p0 = 95.0
    pressure = np.where(degrees > 580, p0 * (closed / volume) ** 1.3, p0) - 101.3
    pressure[180:340] = 0.0

    def curve(low: float, high: float) -> np.ndarray:
        return pressure[np.arange(int(low), int(high)) % 720]

    found = intake_closing_in_cylinder(curve, 200.0, 1)
    assert found is not None
    # The exponent steps from 0 to 1.3 there; smoothing over 3 degrees puts three quarters of it within 3 degrees.
    assert found.deg - 10.0 == pytest.approx(580.0, abs=3.0)


# --- banks -----------------------------------------------------------------------------------------------

V8 = [1, 8, 4, 3, 6, 5, 7, 2]
BANKS = {
    "intake": "travel_m=0.4",
    "exhaust_a": "travel_m=2.5\nsees=[1,3,5,7]",
    "exhaust_b": "travel_m=2.5\nsees=[2,4,6,8]",
}


def bank_crank(truth, late_deg: float, seed: int):
    """A V8 with a pipe and probe for each bank; the cams of 2, 4, 6, 8 late_deg late."""
    from evenstroke_dsp.physics import Fault

    setup = parse_setup(truth.setup_text(8, order=V8, said=BANKS))
    rng = np.random.default_rng(seed)
    engine = scattered(parameters_for(setup, rng), rng)
    faults = (
        tuple(Fault(kind="cam_timing", cylinders=(c,), size=late_deg) for c in (2, 4, 6, 8))
        if late_deg
        else ()
    )
    trace = simulate(engine, dataclasses.replace(CRANK, faults=faults))
    travel = {"intake": 0.4, "exhaust_a": 2.5, "exhaust_b": 2.5}
    return truth.play(setup, engine, trace, truth.Corners({}, travel, 30.0), rng)[1]


def test_banks_come_from_what_probes_hear(truth) -> None:
    setup = parse_setup(truth.setup_text(8, order=V8, said=BANKS))
    assert banks_of(setup) == ((1, 3, 5, 7), (2, 4, 6, 8))
    assert banks_of(parse_setup(truth.setup_text(8, order=V8, said=SAID))) is None
    assert firing_angles(setup.engine)[8] == 90.0


@pytest.mark.parametrize("seed", [1, 14, 16])
def test_a_bank_one_tooth_late_is_said_with_its_interval(truth, seed) -> None:
    text = codes(bank_crank(truth, 15.0, seed))["bank_timing_differs"]
    assert text.startswith("The bank of cylinders 2, 4, 6, 8 is behind that of 1, 3, 5, 7")


@pytest.mark.parametrize("seed", [1, 14, 16])
def test_banks_alike_are_not_called_different(truth, seed) -> None:
    found = codes(bank_crank(truth, 0.0, seed))
    assert "bank_timing_differs" not in found
    assert {"bank_timing_even", "bank_timing_undecided"} & set(found)
