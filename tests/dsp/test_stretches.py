"""What the engine was doing in each cycle: cranked, running, running out."""

from __future__ import annotations

import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.cycles import CycleSpan
from evenstroke_dsp.stretches import StretchKeeper
from evenstroke_replay.rig_engine import Cranking, EngineSource


def kept(rpms: list[float]) -> tuple[StretchKeeper, list[str | None]]:
    """One unbroken turning of these cycles."""
    rotation, t = Rotation(), 0.0
    for k, rpm in enumerate([*rpms, rpms[-1]]):
        rotation.add(t, 720.0 * k)
        t += 120.0 / rpm
    keeper = StretchKeeper()
    spans = [CycleSpan(rotation, 0, k, 720.0 * k, ()) for k in range(len(rpms))]
    return keeper, [keeper.classify(span)[0] for span in spans]


def test_an_engine_that_ran_and_runs_out_is_not_cranked_the_whole_time() -> None:
    keeper, kinds = kept([190.0] * 10 + [300.0] + [800.0] * 400 + [500.0, 380.0, 300.0, 200.0, 120.0])
    (cranked,) = keeper.cranked
    assert cranked.cycles == 11
    # 10 cycles at 190 rpm and one at 300: 120 s a cycle over rpm.
    assert cranked.to_s == pytest.approx(10 * 120 / 190 + 120 / 300)
    assert kinds[-3:] == [None, None, None]
    assert kinds.count("idle") == 402


def test_an_engine_that_fires_and_dies_while_the_starter_turns_on_is_cranked_again() -> None:
    keeper, kinds = kept([200.0] * 6 + [460.0, 480.0, 300.0] + [200.0] * 6)
    # That it does not run out is known once two cycles were alike.
    assert kinds == ["cranking"] * 6 + ["idle"] * 2 + [None] * 2 + ["cranking"] * 5
    assert [c.cycles for c in keeper.cranked] == [6, 5]


def test_a_lumpy_idle_is_not_taken_for_cranking() -> None:
    _, kinds = kept([200.0] * 4 + [600.0] * 4 + [440.0] * 6 + [470.0] * 3)
    assert kinds == ["cranking"] * 4 + ["idle"] * 13


@pytest.mark.parametrize("split", [3, 8])
def test_a_false_sync_that_splits_a_cycle_is_no_engine_that_runs(split: int) -> None:
    rpms = [200.0] * split + [480.0, 343.0] + [200.0] * 6
    keeper, _ = kept(rpms)
    assert keeper.running_from_s is None
    assert sum(c.cycles for c in keeper.cranked) == len(rpms) - 1


def test_the_first_of_two_fast_cycles_says_when_the_engine_ran() -> None:
    keeper, _ = kept([200.0] * 5 + [700.0, 900.0])
    assert keeper.running_from_s == pytest.approx(5 * 120 / 200)


def left_out(rpms: list[float]) -> list[str | None]:
    rotation, t = Rotation(), 0.0
    for k, rpm in enumerate([*rpms, rpms[-1]]):
        rotation.add(t, 720.0 * k)
        t += 120.0 / rpm
    keeper = StretchKeeper()
    return [keeper.classify(CycleSpan(rotation, 0, k, 720.0 * k, ()))[2] for k in range(len(rpms))]


def test_a_cycle_in_which_the_starter_lets_go_does_not_count() -> None:
    assert left_out([150.0, 205.0, 208.0, 208.0, 207.0, 201.0])[1:] == [
        "speed_unsteady",
        None,
        None,
        None,
        "let_go",
    ]
    # What goes on at the lower speed, as with a lamp switched on, counts again.
    assert left_out([208.0] * 4 + [202.0] * 3)[4:] == ["let_go", None, None]


def test_a_battery_that_sags_evenly_costs_one_cycle_at_most() -> None:
    """20 % in ten seconds at 200 rpm, 17 cycles: none; 30 % at whatever speed: the first that sags may be lost, and no other."""
    assert left_out([198.0, *(200.0 * 0.8 ** (k / 17) for k in range(17))])[1:] == [None] * 17
    assert left_out([198.0, *(200.0 * 0.7 ** (k / 17) for k in range(17))])[3:] == [None] * 15
    assert left_out([119.0, *(120.0 * 0.7 ** (k / 10) for k in range(10))])[3:] == [None] * 8


@pytest.mark.parametrize("start_deg", [180.0, 210.0, 240.0, 270.0])
def test_an_abrupt_stop_lists_no_one_off(bench, start_deg: float) -> None:
    setup = bench.setup((1, 5, 3, 6, 2, 4), wheel=False)
    crank = Cranking(rpm=210.0, rest_s=0.5, crank_s=4.5, noise_db=40.0, start_deg=start_deg)
    run = bench.run(setup, bench.blocks(setup, EngineSource(setup, crank), seconds=6.5))
    assert not any(c.one_off_cycles for c in run.cylinders("intake", "drop").values())
    assert sum(c.left_out is None for c in run.cycles) >= 4


def test_a_speed_that_sags_evenly_is_said_and_leaves_no_cycle_out() -> None:
    rpms = [240.0 * 0.7 ** (k / 17) for k in range(18)]
    keeper, _ = kept(rpms)
    assert keeper.sag is not None
    first, last = keeper.sag
    # The first cycle of a turning gains speed, and a second that is slower at once may be one that was let go of.
    assert first == pytest.approx(sum(rpms[2:5]) / 3)
    assert last == pytest.approx(sum(rpms[-3:]) / 3)
    assert not any(left_out(rpms)[2:])


def test_a_battery_that_tires_a_little_is_not_said() -> None:
    keeper, _ = kept([240.0 * 0.9 ** (k / 17) for k in range(18)])
    assert keeper.sag is None
