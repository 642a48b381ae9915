"""What the probes' view says, without a screen: what is wrong first, what to do, and with which unit."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.health import ADVICE, SHORT_WORDS, WORST_FIRST
from evenstroke_dsp.messages import LossCount, QueueCount
from evenstroke_protocol.events import LossReason
from evenstroke_viewer.drawing import Curve
from evenstroke_viewer.feed import Playing
from evenstroke_viewer.look import LIGHT, Look
from evenstroke_viewer.probes import _REASONS, Probes, moved, panel_of
from evenstroke_viewer.units import PressureUnit


def with_health(model, **changes):
    model.take(msgspec.structs.replace(model.health, **changes))
    return model


def test_what_is_dead_comes_before_what_is_clipped(scenes):
    """The scene's exhaust input carries 1 mV of noise, its intake is cut off at both ends."""
    panel = panel_of(scenes("badly wired"))
    cards = {card.probe: card for card in panel.cards}
    assert cards["exhaust"].state == "bad"
    assert cards["exhaust"].word == SHORT_WORDS["dead"]
    assert cards["intake"].state == "doubtful"
    assert cards["intake"].word == SHORT_WORDS["clipped"]
    assert cards["starter"].state == cards["wheel"].state == "good"
    assert panel.alarm
    assert panel.sentence == "exhaust: no signal. 1 more needs you after it."
    assert panel.now == ADVICE["dead"]


def test_levels_are_those_that_the_wiring_makes(scenes):
    """Cut off at 2.38 and 2.62 V, 0.5 V/kPa around 2.5 V: 0.24 kPa either way (arithmetic); 1 psi = 6.894757 kPa
    (NIST SP 811)."""
    model = scenes("badly wired")
    facts = next(c for c in panel_of(model).cards if c.probe == "intake").facts
    assert facts[0] == "\N{MINUS SIGN}0.240\N{NO-BREAK SPACE}kPa to 0.240\N{NO-BREAK SPACE}kPa"
    model.choose(PressureUnit.PSI)
    facts = next(c for c in panel_of(model).cards if c.probe == "intake").facts
    assert facts[0] == "\N{MINUS SIGN}0.0348\N{NO-BREAK SPACE}psi to 0.0348\N{NO-BREAK SPACE}psi"


def test_a_chosen_probe_says_all_that_is_wrong_with_it(scenes):
    model = scenes("badly wired")
    place = [c.probe for c in panel_of(model).cards].index("exhaust")
    panel = panel_of(model, place)
    problems = model.health.probes[place].problems
    assert len(problems) > 1
    assert all(ADVICE[code] in panel.now for code in problems)
    good = [c.probe for c in panel_of(model).cards].index("wheel")
    assert "Nothing is wrong" in panel_of(model, good).now


def test_what_is_lost_comes_before_what_the_losses_may_have_made(scenes):
    """The scene's spark is missed where samples are lost: nobody should move the pick-up for that."""
    model = scenes("losing")
    assert any("sync_irregular" in probe.problems for probe in model.health.probes)
    panel = panel_of(model)
    assert panel.sentence == "Samples are being lost: 1400 scans in the last seconds."
    assert panel.now == ADVICE["lost_samples"] and panel.alarm
    assert "lost_samples" in model.health.probes[panel.chosen].problems
    irregular = next(k for k, p in enumerate(model.health.probes) if "sync_irregular" in p.problems)
    assert "check the board's cable first" in panel_of(model, irregular).now


@pytest.mark.parametrize(
    ("scene", "where"), [("odd", "B goes ten seconds back"), ("rest", "F goes ten seconds on")]
)
def test_a_recording_whose_engine_stands_is_not_waited_for(scenes, scene, where):
    """Nothing turns by itself at a recording's end, or before its first crank."""
    model = scenes(scene)
    assert "wait" in panel_of(model).sentence
    model.take(Playing(10.5, 10.5, 1.0, True))
    panel = panel_of(model)
    assert "wait" not in panel.sentence + panel.now
    assert "this moment of the recording" in panel.sentence and where in panel.now


@pytest.mark.parametrize("code", WORST_FIRST)
def test_each_problem_has_a_word_and_something_to_do(scenes, code):
    model = scenes("cranking")
    probe = msgspec.structs.replace(model.health.probes[0], state="doubtful", problems=(code,))
    panel = panel_of(with_health(model, probes=(probe, *model.health.probes[1:])))
    assert panel.sentence == f"intake: {SHORT_WORDS[code]}."
    assert panel.now == ADVICE[code]


def test_all_good_says_so(scenes):
    panel = panel_of(scenes("cranking"))
    assert panel.sentence == "All 4 probes are good."
    assert not panel.alarm


def test_at_rest_they_wait_and_nothing_is_wrong(scenes):
    panel = panel_of(scenes("rest"))
    assert panel.sentence == "Every probe waits for the engine."
    assert not panel.alarm


@pytest.mark.parametrize("scene", ["silent", "stalled", "failed"])
def test_what_is_old_is_said_to_be_old(scenes, scene):
    panel = panel_of(scenes(scene))
    assert "were" in panel.sentence
    assert panel.now.startswith("Let go of the starter.")
    assert panel.alarm


def test_before_the_daemon_runs_it_says_to_start_it(scenes):
    panel = panel_of(scenes("waiting"))
    assert not panel.cards
    assert "evenstroke listen" in panel.now


def test_every_reason_of_the_protocol_has_words():
    assert set(_REASONS) == {reason.value for reason in LossReason}


def test_losses_are_said_by_reason(scenes):
    model = with_health(
        scenes("cranking"),
        losses=(
            LossCount(reason="bad_crc", frames=3, blocks=0, bytes=210),
            LossCount(reason="not_cobs", frames=0, blocks=0, bytes=17),
        ),
        board_edges_missed=5,
        queues=(QueueCount(queue="publish", capacity=10, depth=10, dropped=4),),
    )
    losses = panel_of(model).losses
    for words in (
        "3 frames with a wrong checksum",
        "17\N{NO-BREAK SPACE}bytes",
        "5 edges",
        "4 that this computer",
    ):
        assert words in losses
    assert panel_of(scenes("cranking")).losses == ""


def test_arrows_go_round_all_cards(scenes):
    model = scenes("cranking")
    panel = panel_of(model)
    assert panel.chosen is None
    assert moved(panel, 1) == 0
    assert moved(panel, -1) == 3
    assert moved(panel_of(model, 3), 1) == 0


def test_each_sampled_probe_has_its_running_line(scenes):
    model = scenes("disturbed")
    picture = Probes().picture(model, panel_of(model), 1280, 560, Look(LIGHT))
    assert sum(isinstance(item, Curve) for item in picture.items) == 5
    assert len(picture.spots) == len(model.health.probes) == 8


def test_it_is_all_spoken_too(scenes):
    model = scenes("badly wired")
    words = Probes().picture(model, panel_of(model), 1280, 560, Look(LIGHT)).words
    assert "exhaust, exhaust pulses: no signal." in words
    assert ADVICE["dead"] in words
