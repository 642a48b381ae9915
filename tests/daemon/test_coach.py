"""The coach, on a clock that the test turns: each sentence, and each rule of what counts."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_daemon.coach import Coach, Limits
from evenstroke_dsp.messages import (
    Balance,
    CodedWarning,
    Comparison,
    CylinderBalance,
    Finding,
    FindingMessage,
)

SETTLED = "Nothing odd repeats. Rest the starter two minutes, then crank once more to be sure."
STEP = "Repeat the same crank once more after two minutes' rest."


def finding(phase, instruction="Keep cranking.", *, more=None, odd=False, refused=None):
    odd_pulse = Finding(
        odd_pulse_at=(2,), probe="intake", feature="drop", cause="engine", suspect_cylinder=None,
        text="Cylinder 2 reads small.", next_step=STEP,
    )  # fmt: skip
    return FindingMessage(
        sequence=0, at_s=0.0, phase=phase, findings=(odd_pulse,) if odd else (), warnings=(), refused=refused,
        instruction=STEP if odd else instruction, more_cycles=more,
    )  # fmt: skip


def balance(cycles=14, trust="clean"):
    cylinder = CylinderBalance(
        cylinder=2, value=1.0, value_unit="kPa", deviation=-8.0, low=-9.0, high=-7.0, cycles=cycles,
        verdict="smaller", normal=None, trust=trust, predicted=None, more_cycles=None, one_off_cycles=(),
        position=None, one_of=None,
    )  # fmt: skip
    comparison = Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent", trust=trust,
        because=(), reference=(1, 2), cylinders=(cylinder,),
    )  # fmt: skip
    return Balance(sequence=0, at_s=0.0, cycles=cycles, comparisons=(comparison,))


def crank(coach, begin_s, seconds, *, trust="clean", **after):
    coach.heard(finding("cranking"), begin_s)
    coach.balance(balance(trust=trust))
    coach.heard(finding("rest", SETTLED, **({"more": 0} | after)), begin_s + seconds)


def test_limits_are_those_of_common_practice():
    # Starter: 10 s at most, then 2 minutes' rest, 30 s is an absolute limit; battery at rest 12.6 V +/- 0.1,
    # while cranking at least 9.6 V at 20 C (common practice, no source; the maker's figure rules).
    limits = Limits()
    assert (limits.starter_s, limits.starter_absolute_s, limits.rest_s) == (10.0, 30.0, 120.0)
    assert limits.battery_cranking_v == 9.6
    assert limits.battery_good_v == 12.6 - 0.1
    assert 12.0 < limits.battery_rest_v < limits.battery_good_v


# --- the starter's seconds -------------------------------------------------------------------------


def test_ten_seconds_end_a_crank_and_thirty_more_loudly():
    coach = Coach(Limits())
    coach.heard(finding("cranking"), 100.0)
    assert coach.say(105.0).words == "Keep cranking."
    assert coach.say(105.0).alarm is None
    over = coach.say(110.0)
    assert over.alarm == "stop"
    assert "10 s are over" in over.words
    assert "maker" in over.words
    assert "absolute limit" in coach.say(130.0).words


def test_the_makers_figures_rule():
    coach = Coach(Limits(starter_s=5.0, rest_s=300.0))
    coach.heard(finding("cranking"), 0.0)
    assert coach.say(5.0).alarm == "stop"
    assert "Rest it 300 s" in coach.say(5.0).words
    coach.heard(finding("rest"), 6.0)
    assert coach.say(6.0).rest_left_s == pytest.approx(300.0)


def test_seconds_count_since_the_last_full_rest():
    coach = Coach(Limits())
    crank(coach, 0.0, 7.0)
    coach.heard(finding("cranking"), 60.0)  # rested 53 s of 120: the starter is still warm
    early = coach.say(62.0)
    assert (early.starter_used_s, early.crank_s, early.alarm) == (9.0, 2.0, None)
    assert coach.say(63.0).alarm == "stop"
    coach.heard(finding("rest"), 64.0)
    assert coach.say(64.0).rest_left_s == pytest.approx(120.0)
    assert coach.say(100.0).starter_used_s == pytest.approx(11.0)
    assert coach.say(184.5).starter_used_s == 0.0
    coach.heard(finding("cranking"), 185.0)
    fresh = coach.say(194.0)
    assert (fresh.starter_used_s, fresh.alarm) == (9.0, None)
    assert fresh.starter_total_s == pytest.approx(7 + 4 + 9)


def test_a_short_turn_of_the_starter_needs_no_rest_but_its_seconds_count():
    coach = Coach(Limits())
    crank(coach, 0.0, 1.0)
    said = coach.say(5.0)
    assert (said.cranks, said.rest_left_s) == (0, 0.0)
    assert said.starter_total_s == said.starter_used_s == pytest.approx(1.0)
    coach.heard(finding("cranking"), 6.0)
    assert coach.say(15.0).alarm == "stop"  # 1 s + 9 s


def test_another_set_up_does_not_cool_the_starter_but_begins_its_own_cranks():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0)
    assert coach.say(10.0).cranks == 1
    coach.begin("cranking")
    said = coach.say(20.0)
    assert said.cranks == 0
    assert said.rest_left_s == pytest.approx(108.0)
    assert said.words.startswith("Rest the starter: 108 s")
    assert (said.starter_used_s, said.starter_total_s) == (8.0, 8.0)


# --- which cranks count ---------------------------------------------------------------------------


def test_rest_is_counted_down_and_a_second_crank_is_asked_for():
    coach = Coach(Limits())
    assert "everybody is clear" in coach.say(0.0).words
    crank(coach, 10.0, 8.0)
    resting = coach.say(28.0)
    assert resting.rest_left_s == pytest.approx(110.0)
    assert resting.words.startswith("Rest the starter: 110 s")
    assert (resting.cranks, resting.cranks_wanted) == (1, 2)
    after = coach.say(200.0)
    assert after.rest_left_s == 0
    assert after.words == (
        "Nothing odd repeats so far: crank again, everything as before. 1 of 2 undisturbed cranks done."
    )
    crank(coach, 200.0, 7.0)
    done = coach.say(400.0)
    assert done.words == "Nothing odd repeats, in 2 cranks: enough."
    assert done.starter_total_s == pytest.approx(15.0)
    assert done.cranks == 2


def test_what_cannot_be_told_yet_asks_for_another_crank():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0, more=None)
    assert coach.say(200.0).words.startswith("Cannot tell yet: crank again")
    crank(coach, 200.0, 8.0, more=None)
    assert coach.say(400.0).words == "Cannot tell yet for all of them: crank eight to ten seconds again."


def test_a_finding_says_what_to_do_next_and_no_second_rest_is_asked_for():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0, odd=True)
    assert coach.say(10.0).words.startswith("Rest the starter: 118 s to go")
    assert STEP in coach.say(10.0).words
    assert coach.say(200.0).words == f"The starter has rested. {STEP} 1 of 2 undisturbed cranks done."
    crank(coach, 200.0, 8.0, odd=True)
    assert coach.say(400.0).words == f"The starter has rested. {STEP}"


def test_a_refusal_is_what_to_mend_first():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0, refused="No rhythm is heard.")
    assert SETTLED in coach.say(200.0).words  # the pipeline's own word for what to do


@pytest.mark.parametrize(
    "lost_at_s", [9.0, 10.0, 14.0, 17.9], ids=["before it was seen", "first", "in it", "last"]
)
def test_a_crank_that_lacks_something_does_not_count(lost_at_s):
    coach = Coach(Limits())
    if lost_at_s < 10:
        coach.lost(lost_at_s)
    coach.heard(finding("cranking"), 10.0)
    if lost_at_s >= 10:
        coach.lost(lost_at_s)
    coach.balance(balance())
    coach.heard(finding("rest", SETTLED, more=0), 18.0)
    assert coach.say(200.0).cranks == 0
    assert "0 of 2 undisturbed cranks done. Something of the last one was lost" in coach.say(200.0).words
    crank(coach, 200.0, 8.0)
    assert coach.say(400.0).cranks == 1  # what was lost in one crank does not spoil the next
    assert "lost" not in coach.say(400.0).words


def test_what_is_lost_at_rest_spoils_no_crank():
    coach = Coach(Limits())
    coach.lost(5.0)
    crank(coach, 10.0, 8.0)
    assert coach.say(20.0).cranks == 1


def test_a_crank_with_something_fitted_that_disturbs_does_not_count():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0, trust="disturbed", odd=True)
    said = coach.say(200.0)
    assert said.cranks == 0
    assert "cranks with it do not count" in said.words
    crank(coach, 210.0, 8.0, trust="disturbed")
    assert "take out what is fitted" in coach.say(400.0).words
    assert "everything as before" not in coach.say(400.0).words
    coach.begin("cranking")  # with the set-up that says it is out
    crank(coach, 300.0, 8.0, trust="limited")
    assert coach.say(310.0).cranks == 1


def test_an_engine_that_starts_is_to_be_switched_off_and_its_crank_does_not_count():
    coach = Coach(Limits())
    coach.heard(finding("cranking"), 0.0)
    coach.heard(finding("running"), 5.0)
    said = coach.say(6.0)
    assert said.alarm == "stop"
    assert said.words.startswith("The engine runs: let go of the key")
    coach.heard(finding("rest"), 9.0)
    assert (coach.say(9.0).cranks, coach.say(9.0).alarm) == (0, None)


def test_after_an_engine_ran_nobody_is_told_to_rest_and_crank_again():
    coach = Coach(Limits())
    safe = "Before anybody cranks again, find out why it could start."
    ran = (CodedWarning(code="engine_started", text="The engine ran by itself."),)
    coach.heard(finding("cranking"), 0.0)
    coach.balance(balance())
    coach.heard(finding("running"), 5.0)
    coach.heard(msgspec.structs.replace(finding("rest", safe), warnings=ran), 9.0)
    for volts in [11.0] * 200:
        coach.battery(volts)
    said = coach.say(10.0)
    assert said.rest_left_s > 0 and said.words == safe
    assert coach.say(500.0).words == safe


def test_an_idle_test_wants_no_cranks_and_a_running_engine():
    coach = Coach(Limits())
    coach.begin("idle")
    coach.heard(finding("cranking"), 0.0)
    coach.heard(finding("running", "Keep it running as it is."), 2.0)
    said = coach.say(3.0)
    assert (said.alarm, said.cranks_wanted) == (None, 0)
    assert said.words == "Keep it running as it is."


# --- when to stop ----------------------------------------------------------------------------------


def test_enough_stops_the_crank_and_the_one_that_confirms_it_lasts_as_long():
    enough = finding("cranking", "Enough: stop cranking. Rest the starter two minutes.", more=0)
    coach = Coach(Limits())
    coach.heard(enough, 0.0)
    assert (coach.say(2.9).alarm, coach.say(2.9).words) == (None, "Keep cranking.")
    assert coach.say(3.0).alarm == "stop"
    assert coach.say(3.0).words == enough.instruction
    coach.balance(balance())
    coach.heard(finding("rest", SETTLED, more=0), 8.0)
    coach.heard(enough, 200.0)
    again = coach.say(205.0)
    assert again.alarm is None
    assert again.words == "Keep cranking: this crank is to confirm the one before."
    assert coach.say(208.0).alarm == "stop"


def test_so_many_more_cycles_are_said_and_a_limit_that_the_pipeline_guesses_is_not():
    coach = Coach(Limits(starter_s=25.0))
    coach.heard(finding("cranking", "Keep cranking: about 3 more cycles.", more=3), 0.0)
    assert coach.say(1.0).words == "Keep cranking: about 3 more cycles."
    assert coach.say(1.0).more_cycles == 3
    coach.heard(
        finding("cranking", "Stop cranking: ten seconds are the limit. Rest the starter two minutes."), 10.0
    )
    assert coach.say(11.0).words == "Keep cranking."  # this maker allows 25 s


def test_a_board_that_goes_away_in_a_crank_stops_it():
    coach = Coach(Limits())
    coach.link(True, 0.0)
    coach.heard(finding("cranking"), 1.0)
    coach.balance(balance())
    coach.link(False, 6.0)
    blind = coach.say(7.0)
    assert blind.alarm == "stop"
    assert "nothing comes from the board" in blind.words
    coach.heard(finding("cranking"), 7.0)  # judged late: no crank begins that nobody can see
    assert coach.say(8.0).crank_s == 0.0
    coach.link(True, 9.0)
    assert coach.say(9.0).alarm is None
    assert coach.say(9.0).words == "Wait: whether the engine turns is not known yet."
    coach.heard(finding("rest", SETTLED, more=0), 10.0)
    assert coach.say(10.0).cranks == 0
    assert coach.say(10.0).words.startswith("Rest the starter: 116 s")


def test_what_is_judged_late_of_before_the_board_went_says_nothing_of_an_engine_at_rest():
    coach = Coach(Limits())
    coach.link(True, 0.0)
    enough = finding("cranking", "Enough: stop cranking.", more=0)
    coach.heard(enough, 1.0)
    assert coach.say(9.0).words == "Enough: stop cranking."
    coach.link(False, 9.2)
    coach.link(True, 12.0)
    coach.heard(enough, 12.2)
    said = coach.say(12.3)
    assert (said.alarm, said.crank_s) == (None, 0.0)
    assert said.words == "Wait: whether the engine turns is not known yet."
    # One that is still turning is seen with the next cycle, and is the same crank.
    coach.heard(enough, 13.1)
    assert coach.say(13.2).words == "Enough: stop cranking."


def test_a_board_that_goes_away_at_rest_alarms_nobody():
    coach = Coach(Limits())
    coach.link(True, 0.0)
    coach.link(False, 6.0)
    assert coach.say(7.0).alarm is None


def test_what_the_pipeline_says_while_it_coasts_is_passed_on():
    coach = Coach(Limits())
    crank(coach, 0.0, 8.0)
    coach.heard(finding("coasting", "Let it stand still."), 8.0)
    assert coach.say(8.5).words == "Let it stand still."


# --- the battery -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        (12.6, "12.6 V at rest: good"),
        (12.3, "12.3 V at rest: not full, enough to crank"),
        (11.9, "11.9 V at rest: low, charge it first"),
    ],
)
def test_the_battery_at_rest_in_words_with_its_volts(volts, words):
    coach = Coach(Limits())
    for _ in range(60):
        coach.battery(volts)
    coach.battery(8.1)  # the starter's inrush, before the phase has followed
    said = coach.say(0.0)
    assert said.battery == words
    assert said.battery_rest_v == volts
    assert ("charge it before cranking" in said.words) == (volts < 12.2)


def test_the_battery_while_cranking_and_after():
    coach = Coach(Limits())
    for _ in range(60):
        coach.battery(12.6)
    coach.heard(finding("cranking"), 1.0)
    coach.battery(10.2)
    assert coach.say(2.0).battery == "10.2 V at the lowest while cranking: enough"
    coach.battery(9.1)
    assert coach.say(3.0).battery == "9.1 V at the lowest while cranking: too low, charge it first"
    coach.battery(10.0)
    coach.balance(balance())
    coach.heard(finding("rest", SETTLED, more=0), 9.0)
    after = coach.say(200.0)
    assert after.battery_lowest_v == 9.1
    assert after.words.startswith("The battery fell to 9.1 V while cranking (9.6 V or more is wanted")
    assert after.battery.startswith("12.6 V at rest: good, 9.1 V at the lowest")


def test_a_battery_under_the_starter_is_not_at_rest_because_samples_are_lost():
    """Where samples are lost the pipeline sees no cycles, and calls an engine that turns one that stands."""
    coach = Coach(Limits())
    coach.heard(finding("cranking"), 1.0)
    coach.battery(10.9)
    coach.lost(3.0)
    coach.heard(finding("rest"), 3.5)
    for _ in range(45):
        coach.battery(10.9)
    coach.lost(5.0)
    for _ in range(45):
        coach.battery(10.9)
    said = coach.say(6.0)
    assert said.battery_rest_v is None and "charge" not in said.words
    for _ in range(60):
        coach.battery(12.6)
    assert coach.say(9.0).battery_rest_v == 12.6


def test_a_crank_that_is_seen_late_makes_no_low_battery():
    """A slow three is seen to turn after its second compression: the readings until then are under the starter's load."""
    coach = Coach(Limits())
    for volts in (*[12.5] * 60, *[9.9] * 45):
        coach.battery(volts)
    coach.heard(finding("cranking"), 4.0)
    assert coach.say(4.0).battery_rest_v == 12.5
    crank(coach, 4.0, 8.0)
    assert coach.say(12.0).battery_rest_v == 12.5


def test_without_a_battery_probe_nothing_is_said_of_it():
    said = Coach(Limits()).say(0.0)
    assert (said.battery, said.battery_rest_v, said.battery_lowest_v) == (None, None, None)


# --- enough stays enough ---------------------------------------------------------------------------


def test_a_crank_that_was_called_enough_is_not_told_to_go_on():
    coach = Coach(Limits())
    coach.heard(finding("cranking", "Enough: stop cranking.", more=0), 100.0)
    assert coach.say(102.0).alarm is None
    assert coach.say(104.0).words == "Enough: stop cranking."
    # A late revision, and a turning broken by syncs that did not come.
    coach.heard(finding("cranking", "Keep cranking: about 3 more cycles.", more=3), 105.0)
    assert coach.say(105.1).words == "Enough: stop cranking."
    coach.heard(finding("rest"), 105.5)
    coach.heard(finding("cranking"), 106.5)
    assert coach.say(107.0).alarm == "stop"
    coach.heard(finding("rest"), 108.0)
    # Another crank begins anew.
    coach.heard(finding("cranking"), 240.0)
    assert coach.say(244.0).words == "Keep cranking."
