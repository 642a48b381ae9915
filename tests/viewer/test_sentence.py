"""The words: what is found, how sure it is, and one instruction, in every state."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.messages import FittedPart
from evenstroke_viewer.band import parts
from evenstroke_viewer.feed import Delivery, Playing
from evenstroke_viewer.look import Look
from evenstroke_viewer.probes import panel_of
from evenstroke_viewer.sentence import say, signed, split, words_picture
from evenstroke_viewer.units import PressureUnit
from scenarios import SCENES


@pytest.mark.parametrize("name", SCENES)
def test_there_is_always_one_sentence_and_one_instruction(scenes, name):
    said = say(scenes(name))
    assert said.sentence.strip() and said.now.strip()
    assert len(said.sentence) < 130
    if "cannot tell" in said.sentence.lower():
        assert said.now  # and what to do


def test_waiting_says_what_to_start(scenes):
    said = say(scenes("waiting"))
    assert "tcp://127.0.0.1:7720" in said.sentence
    assert "evenstroke listen" in said.now
    assert not said.coach and not said.facts


def test_cycles_that_wait_for_the_physics_are_not_called_an_engine_that_never_turned(scenes):
    """The first time with a kind of engine cycles and the coach's words come before any finding."""
    model = scenes("odd")
    coach = msgspec.structs.replace(
        model.state.coach, words="It is still being worked out: the balance follows."
    )
    model.take(msgspec.structs.replace(model.state, coach=coach))
    model.finding = model.balance = None
    said = say(model)
    assert said.sentence == "13 cycles so far; nothing is compared yet."
    assert said.now == coach.words
    assert dict(said.coach)["Engine"] == "not judged yet"


def test_the_beginning_of_a_recording_is_no_refusal(scenes):
    model = scenes("rest")
    model.take(msgspec.structs.replace(model.state, coach=None))
    model.take(Playing(0.7, 10.5, 1.0, False))
    said = say(model)
    assert (
        said.sentence == "Nothing has turned yet in this recording." and "F goes ten seconds on" in said.now
    )


def test_a_board_that_was_given_up_is_said_after_the_daemon_has_ended(scenes):
    model = scenes("failed")
    model.deliver(Delivery((), 12.0, 0, 0, 0))
    said = say(model)
    assert said.sentence.startswith("The board is lost") and "start evenstroke listen again" in said.now
    assert panel_of(model).sentence.startswith("The board sends nothing")
    assert [part.words for part in parts(model)][1] == "not known"


def test_even_is_no_finding_where_everything_is_disturbed(scenes):
    model = scenes("even")
    assert say(model).sentence.startswith("Nothing odd repeats: every cylinder compares even")
    comparisons = tuple(
        msgspec.structs.replace(
            c, cylinders=tuple(msgspec.structs.replace(b, trust="disturbed") for b in c.cylinders)
        )
        for c in model.comparisons
    )
    model.take(msgspec.structs.replace(model.balance, comparisons=comparisons))
    assert say(model).sentence.startswith("Cannot tell: what is fitted disturbs every comparison")


def test_a_silent_daemon_s_engine_is_not_seen(scenes):
    assert dict(say(scenes("silent")).coach)["Engine"] == "not seen now"


def test_a_silent_daemon_and_a_stalled_board_stop_the_crank(scenes):
    assert "Let go of the starter" in say(scenes("silent")).now
    stalled = say(scenes("stalled"))
    assert stalled.alarm and stalled.now.startswith("Stop cranking")
    assert dict(stalled.coach)["Engine"] == "not seen now"
    assert dict(stalled.facts)["Found until then"].startswith("Cylinder 4's")


def test_the_odd_pulse_with_number_interval_cycles_and_trust(scenes):
    model = scenes("odd")
    said, facts = say(model), dict(say(model).facts)
    (balance,) = [
        b
        for c in model.comparisons
        if (c.probe, c.feature) == ("intake", "drop")
        for b in c.cylinders
        if b.cylinder == 4
    ]
    assert said.sentence.startswith("Cylinder 4's intake pulse is") and "smaller" in said.sentence
    words = facts["Deviation, 95 % interval"]
    for value in (balance.deviation, balance.low, balance.high):
        assert signed(value) in words
    assert f"{balance.cycles} cycles" in facts["Seen in"]
    assert facts["Trust"] == "clean"
    assert facts["Made by"].startswith("the engine")


def test_what_is_fitted_is_said_to_disturb(scenes):
    facts = dict(say(scenes("disturbed")).facts)
    assert facts["Trust"].startswith("DISTURBED")
    assert "added volume" in facts["Trust"]
    assert "fitted accounts for it" in facts["Made by"]


def test_an_engine_s_oddity_is_never_said_to_be_without_anything_fitted_while_a_hose_is_in(scenes):
    model = scenes("odd")
    assert dict(say(model).facts)["Made by"] == "the engine: healthy ones do not show as much"
    hose = FittedPart(what="hose", cylinder=5, added_volume_cc=9.0, plug_removed=False)
    model.take(msgspec.structs.replace(model.state, fitted=(hose,)))
    assert dict(say(model).facts)["Made by"] == (
        "the engine: neither what is fitted in 5 nor a healthy spread accounts for it"
    )


def test_what_else_is_odd_is_named_by_cylinder_and_not_more_than_can_be_read(scenes):
    model = scenes("odd")
    first = model.finding.findings[0]
    others = [msgspec.structs.replace(first, odd_pulse_at=(c,)) for c in (1, 5, 3)]
    model.take(msgspec.structs.replace(model.finding, findings=(first, others[0], *others)))
    assert dict(say(model).facts)["Also odd; by how much: key 2"] == (
        "cylinder 1: intake pulse; cylinder 5: intake pulse; and 1 more cylinder"
    )
    rise = msgspec.structs.replace(first, feature="rise")
    model.take(msgspec.structs.replace(model.finding, findings=(first, rise, others[0], first)))
    assert dict(say(model).facts)["Also odd; by how much: key 2"].startswith("4: rise; cylinder 1: intake")
    model.take(msgspec.structs.replace(model.finding, findings=(first, first)))
    assert dict(say(model).facts)["Also odd; by how much: key 2"] == "cylinder 4: intake pulse"


def test_a_withdrawn_verdict_is_not_said_of_one_that_stands(scenes):
    model = scenes("disturbed")
    # Of another cylinder than the one that is found.
    withdrawn = tuple(
        msgspec.structs.replace(c, because=(*c.because, "verdict_withdrawn"))
        if (c.probe, c.feature) == ("intake", "drop")
        else c
        for c in model.comparisons
    )
    model.take(msgspec.structs.replace(model.balance, comparisons=withdrawn))
    assert dict(say(model).facts)["Trust"] == "DISTURBED by what is fitted (added volume)"


def test_what_is_mended_first_follows_on_what_stops_the_crank(scenes):
    failed = say(scenes("failed"))
    assert failed.alarm and failed.now.startswith("Stop cranking")
    assert failed.then == "Check cable and board, and start evenstroke listen again."
    assert "key 5" in say(scenes("losing")).then


def test_before_the_first_crank_what_an_engine_that_turned_would_lack_stands_apart(scenes):
    said = say(scenes("rest"))
    assert said.now == "Ready: crank for eight seconds when everybody is clear."
    assert said.then.startswith("If the engine did turn: are the plugs out?")


def test_the_reader_s_unit_of_pressure(scenes):
    model = scenes("odd")
    in_kpa = dict(say(model).facts)["Size, without an interval"]
    model.choose(PressureUnit.PSI)
    in_psi = dict(say(model).facts)["Size, without an interval"]
    kpa, psi = float(in_kpa.split("\N{NO-BREAK SPACE}")[0]), float(in_psi.split("\N{NO-BREAK SPACE}")[0])
    assert "psi" in in_psi
    # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa.
    assert kpa / psi == pytest.approx(6.894757, rel=0.01)


def test_refused_says_why_and_what_to_do(scenes):
    said = say(scenes("refused"))
    assert said.sentence.startswith("Cannot judge")
    assert "Crank for eight to ten seconds" in said.now


def test_the_verdict_of_each_moment_never_flips():
    # Contract: once smaller, a pulse stays so or falls to undecided. The view shows what is published and no more.
    from evenstroke_viewer.view_model import ViewModel
    from scenarios import stream_of

    model, seen = ViewModel(), []
    for message in stream_of("odd"):
        model.take(message)
        for c in model.comparisons:
            if (c.probe, c.feature) == ("intake", "drop"):
                verdict = next(b.verdict for b in c.cylinders if b.cylinder == 4)
                if verdict != "undecided" and (not seen or seen[-1] != verdict):
                    seen.append(verdict)
    assert seen == ["smaller"]


def test_alarm_is_the_coach_s(scenes):
    model = scenes("cranking")
    coach = msgspec.structs.replace(
        model.state.coach, alarm="stop", words="Stop cranking: its 10 s are over."
    )
    model.take(msgspec.structs.replace(model.state, coach=coach))
    said = say(model)
    assert said.alarm and said.now == "Stop cranking: its 10 s are over."


def test_a_long_instruction_is_split_at_a_sentence_and_loses_nothing():
    text = "Leave the engine as it is. Take the hose out, refit the plug; then crank again. Compare both."
    now, then = split(text, most=40)
    assert now == "Leave the engine as it is."
    assert then == "Take the hose out, refit the plug; then crank again. Compare both."
    assert split("Short.", most=40) == ("Short.", "")
    bracketed = "Rest. The battery is low (9.9 V; 12.2 V or more is wanted): charge it."
    assert split(bracketed, most=40) == (
        "Rest.",
        "The battery is low (9.9 V; 12.2 V or more is wanted): charge it.",
    )


def test_signs():
    assert signed(-8.64) == "\N{MINUS SIGN}8.6"
    assert signed(0.04) == signed(-0.04) == "0.0"
    assert signed(3.0) == "+3.0"


def test_what_is_read_out_is_what_is_shown(scenes):
    picture = words_picture(scenes("odd"), 1280, 600, Look())
    for text in picture.texts:
        assert text.rstrip(".") in picture.words
