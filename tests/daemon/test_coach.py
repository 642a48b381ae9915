"""The coach, on a clock that the test turns."""

from __future__ import annotations

import pytest
from evenstroke_daemon.coach import Coach, Limits
from evenstroke_dsp.messages import FindingMessage


def finding(phase, instruction="Keep cranking."):
    return FindingMessage(
        sequence=0, at_s=0.0, phase=phase, findings=(), warnings=(), refused=None, instruction=instruction,
        more_cycles=None,
    )  # fmt: skip


def crank(coach, begin_s, seconds):
    coach.heard(finding("cranking"), begin_s)
    coach.heard(finding("rest", "Nothing odd repeats."), begin_s + seconds)


def test_limits_are_those_of_common_practice():
    # Starter: 10 s at most, then 2 minutes' rest, 30 s is an absolute limit; battery while cranking at
    # least 9.6 V at 20 C (common practice, no source; the maker's figure rules).
    limits = Limits()
    assert (limits.starter_s, limits.starter_absolute_s, limits.rest_s) == (10.0, 30.0, 120.0)
    assert limits.battery_cranking_v == 9.6
    assert 12.0 < limits.battery_rest_v < 12.5


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
    coach.heard(finding("rest"), 6.0)
    assert coach.say(6.0).rest_left_s == pytest.approx(300.0)


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
    assert "crank again" in after.words
    crank(coach, 200.0, 7.0)
    done = coach.say(400.0)
    assert done.words == "Nothing odd repeats."
    assert done.starter_total_s == pytest.approx(15.0)
    assert done.cranks == 2


def test_a_short_turn_of_the_starter_is_no_crank_but_its_seconds_count():
    coach = Coach(Limits())
    crank(coach, 0.0, 1.0)
    said = coach.say(5.0)
    assert said.cranks == 0
    assert said.starter_total_s == pytest.approx(1.0)


def test_a_low_battery_is_said_before_and_while_cranking():
    coach = Coach(Limits())
    for _ in range(60):
        coach.battery(11.9)
    coach.battery(8.1)  # the starter's inrush, before the phase has followed
    assert "11.9 V" in coach.say(0.0).words
    assert "charge" in coach.say(0.0).words
    for _ in range(60):
        coach.battery(12.6)
    assert "charge" not in coach.say(0.0).words
    assert coach.say(0.0).battery == "12.6 V at rest"
    coach.heard(finding("cranking"), 1.0)
    coach.battery(10.2)
    coach.battery(9.1)
    assert coach.say(3.0).battery.startswith("9.1 V at the lowest while cranking: too low")


def test_without_a_battery_probe_nothing_is_said_of_it():
    assert Coach(Limits()).say(0.0).battery is None
