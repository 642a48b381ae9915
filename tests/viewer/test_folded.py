"""What the folded view says: valve events, pressure, deviations, and what cannot be told."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.messages import SourceInfo, ValveEvent
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_replay.rig_engine import EngineSource
from evenstroke_viewer.drawing import Curve
from evenstroke_viewer.folded import FoldedPulses, event_within, event_words, peak_of
from evenstroke_viewer.folding import Folder, probes_of
from evenstroke_viewer.look import LIGHT, Look
from evenstroke_viewer.units import PressureUnit
from scenarios import SCENES, blocks

SIZE = (1280.0, 560.0)
LOOK = Look(LIGHT)


@pytest.fixture(scope="module")
def judged():
    """The disturbed scene's whole stream through another pipeline, and its judgement."""
    scene = SCENES["disturbed"]()
    pipeline = Pipeline(scene.setup, prior_prediction=scene.prediction)
    for block in blocks(scene, EngineSource(scene.setup, scene.cranking, scene.alterations)):
        pipeline.push(block)
    pipeline.flush()
    return pipeline, pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=10.5, lost_samples=0))


def test_valve_events_at_rest_are_the_judgements(scenes, judged):
    events = scenes("disturbed").finding.valve_events
    assert events
    assert events == judged[1].valve_events


def test_no_valve_event_is_published_while_the_first_crank_goes_on(scenes):
    assert scenes("cranking").finding.valve_events == ()


def test_each_cylinders_panel_says_its_valve_events(scenes):
    model = scenes("disturbed")
    place = probes_of(model).index("exhaust")
    picture = FoldedPulses().picture(model, place, None, *SIZE, LOOK)
    said = [words for words in picture.texts if words.startswith("exhaust opens")]
    assert len(said) == 6
    assert {event_words(e) for e in model.finding.valve_events if e.event == "exhaust_opens"} == set(said)


def test_an_event_is_placed_within_the_window_round_the_cycle():
    event = ValveEvent(cylinder=5, event="intake_closes", deg=663.0, low=652.0, high=673.0, from_="p5")
    assert event_within(event, (-360.0, 360.0)) == -57.0
    assert event_within(event, (330.0, 690.0)) == 663.0
    assert event_within(event, (100.0, 340.0)) is None


def test_the_pressures_peak_is_the_pipelines(scenes, judged):
    """Against `pressure_traces`, which reads the unthinned record of the same crank another way. A motored pressure peaks
    0.5 to 2 degrees before TDC (common practice, no source)."""
    fold = Folder().fold(scenes("disturbed"), "p5")
    peak = peak_of(fold.cylinders[0])
    (trace,) = judged[0].pressure_traces()
    reading = next(r for r in trace.readings if r.name == "peak")
    assert peak.value == pytest.approx(reading.value, rel=0.02)
    assert peak.least <= peak.value <= peak.most
    assert -4.0 <= peak.at_deg <= 0.0


def test_pressure_stands_beside_the_pulses_with_the_chosen_unit(scenes):
    model = scenes("disturbed")
    model.choose(PressureUnit.BAR)
    texts = FoldedPulses().picture(model, 0, None, *SIZE, LOOK).texts
    assert "p5: pressure in 5" in texts
    (peak,) = [words for words in texts if words.startswith("Peak")]
    assert "\N{NO-BREAK SPACE}bar above the exhaust stroke" in peak
    fold = Folder().fold(model, "p5")
    assert f"Peak {peak_of(fold.cylinders[0]).value / 100:.1f}" in peak  # 1 bar = 100 kPa (NIST SP 811)


def test_every_cylinder_has_its_panel_with_deviation_and_interval(scenes):
    model = scenes("12 cylinders")
    picture = FoldedPulses().picture(model, 0, None, *SIZE, LOOK)
    assert len(picture.spots) == 12
    assert sum("\N{NO-BREAK SPACE}% (" in words for words in picture.texts) == 12
    assert picture.words.count("Cylinder ") == 12


def test_one_cylinder_alone(scenes):
    model = scenes("12 cylinders")
    picture = FoldedPulses().picture(model, 0, 11, *SIZE, LOOK)
    assert [spot.words for spot in picture.spots] == ["cylinder 10"]


def test_without_names_no_stroke_is_named_and_it_says_what_to_do(scenes):
    texts = FoldedPulses().picture(scenes("unnamed"), 0, None, *SIZE, LOOK).texts
    assert not {"power", "exhaust", "intake", "compression"} & set(texts)
    assert not any(words.endswith("\N{DEGREE SIGN}") for words in texts)
    assert any("add a sync of a known cylinder" in words for words in texts)


def test_where_no_valve_event_is_known_it_says_what_it_takes(scenes):
    texts = FoldedPulses().picture(scenes("cranking"), 0, None, *SIZE, LOOK).texts
    assert any("No valve event is known" in words and "exhaust probe" in words for words in texts)


def test_curves_stay_within_their_panel(scenes):
    picture = FoldedPulses().picture(scenes("1 cylinders"), 0, None, *SIZE, LOOK)
    (spot,) = picture.spots
    for curve in (item for item in picture.items if isinstance(item, Curve)):
        ys = curve.ys[np.isfinite(curve.ys)]
        assert spot.y <= ys.min() and ys.max() <= spot.y + spot.height


@pytest.mark.parametrize("scene", ["waiting", "rest", "refused"])
def test_before_a_cycle_it_says_so(scenes, scene):
    (words,) = FoldedPulses().picture(scenes(scene), 0, None, *SIZE, LOOK).texts
    assert words.startswith("Nothing is folded yet")
