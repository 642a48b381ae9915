"""The board's clock against the host's, on clocks of known rate and arrivals of known delay."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.board_clock import FEWEST_WINDOWS, BoardClock


def clock_of(
    ppm: float, *, seconds: float = 60.0, jitter_s: float = 0.004, seed: int = 1, run: int = 1
) -> BoardClock:
    """A board fast by `ppm`; blocks of 5 ms, each delayed by 1 ms and an exponential wait."""
    rng, clock = np.random.default_rng(seed), BoardClock()
    board_s = np.arange(0.005, seconds, 0.005)
    host_s = board_s / (1.0 + ppm * 1e-6) + 0.001 + rng.exponential(jitter_s, board_s.size)
    for board, host in zip(board_s, np.maximum.accumulate(host_s), strict=True):
        clock.add(run, float(board), round(host * 1e9) + 123_456_789)
    return clock


@pytest.mark.parametrize("ppm", [-5000.0, -50.0, 0.0, 200.0, 5000.0])
def test_a_known_rate_is_found_within_what_it_states(ppm: float) -> None:
    rate = clock_of(ppm).rate
    assert rate is not None
    assert rate.ppm == pytest.approx(ppm, abs=max(3 * rate.uncertainty_ppm, 5.0))
    assert rate.uncertainty_ppm < 30.0


def test_its_intervals_hold_the_truth_as_often_as_they_say() -> None:
    # 95 % intervals of 200 sessions: fewer than 80 % would contradict them far beyond chance (binomial).
    inside = 0
    for seed in range(200):
        rate = clock_of(300.0, seconds=30.0, seed=seed).rate
        assert rate is not None
        inside += abs(rate.ppm - 300.0) <= rate.uncertainty_ppm
    assert inside >= 180


@pytest.mark.parametrize("times", [0.25, 0.7, 1.5, 40.0])
def test_a_stream_that_came_in_no_real_time_says_nothing_of_the_clock(times: float) -> None:
    """By definition: 1 + ppm / 1e6 of the board's seconds come in one of the host's."""
    clock = clock_of(1e6 * (times - 1.0), jitter_s=0.0001)
    assert clock.rate is None
    assert clock.pace == pytest.approx(times, rel=0.01)
    assert clock_of(-5000.0).pace is None and BoardClock().pace is None


@pytest.mark.parametrize("host_per_board", [0.0, -0.5])
def test_host_stamps_that_stand_still_or_go_back_tell_nothing(host_per_board: float) -> None:
    clock = BoardClock()
    for k in range(200):
        clock.add(1, 0.1 * k, 7 + round(0.1e9 * host_per_board * k))
    assert clock.rate is None and clock.pace is None


def test_nothing_is_claimed_in_the_first_seconds() -> None:
    assert BoardClock().rate is None
    assert clock_of(0.0, seconds=float(FEWEST_WINDOWS) - 0.5).rate is None


def test_a_new_run_begins_a_new_estimate() -> None:
    clock = clock_of(1000.0)
    clock.add(2, 0.005, 10**12)
    assert clock.rate is None


@pytest.mark.parametrize("late_windows", [(3, 4, 5), (50, 51, 52, 53, 54), (7, 20, 33, 46, 55)])
def test_seconds_in_which_all_came_late_do_not_move_it(late_windows: tuple[int, ...]) -> None:
    """A least-squares line through the same least delays is off by 880, 1340 and 190 ppm."""
    rng, clock = np.random.default_rng(4), BoardClock()
    for k in range(1, 12_000):
        board = 0.005 * k
        late = 0.2 if int(board) in late_windows else 0.0
        host = board / (1.0 + 100e-6) + 0.001 + rng.exponential(0.003) + late
        clock.add(1, board, round(host * 1e9))
    rate = clock.rate
    assert rate is not None
    assert abs(rate.ppm - 100.0) < 30.0
    assert rate.uncertainty_ppm < 60.0
    assert abs(rate.ppm - 100.0) <= 3 * rate.uncertainty_ppm


def test_a_long_wait_in_between_moves_nothing() -> None:
    rng, clock = np.random.default_rng(3), BoardClock()
    for k in range(1, 8000):
        board = 0.005 * k
        late = 1.5 if 15.0 < board < 16.4 else 0.0
        clock.add(1, board, round((board + 0.001 + rng.exponential(0.003) + late * (16.5 - board)) * 1e9))
    rate = clock.rate
    assert rate is not None
    assert abs(rate.ppm) < max(3 * rate.uncertainty_ppm, 50.0)
