"""When a replay says what: on a clock that only the waiting moves. Nothing here sleeps."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenstroke_dsp.messages import Cycle
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES, LEAP_S, Command, Pace
from evenstroke_replay.playback import Moment


def cycle(number: int) -> Cycle:
    return Cycle(
        sequence=number, stretch="cranking", index=number, from_s=0.0, to_s=0.6, rpm=200.0,
        angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


class Score:
    """A playback of moments every half second; every fourth one completes a cycle."""

    def __init__(self, moments: int = 100) -> None:
        self.moments = [Moment(k * 0.5, (cycle(k // 4),) if k and k % 4 == 0 else ()) for k in range(moments)]
        self.at = 0
        self.sought: list[float] = []

    def next(self) -> Moment | None:
        self.at += 1
        return self.moments[self.at - 1] if self.at <= len(self.moments) else None

    def seek(self, at_s: float) -> None:
        self.sought.append(at_s)
        self.at = next((k for k, m in enumerate(self.moments) if m.at_s >= at_s), len(self.moments))


class Clock:
    def __init__(self, keys: dict[float, Command] | None = None) -> None:
        self.now_s = 1000.0
        self.keys = sorted((1000.0 + at, key) for at, key in (keys or {}).items())
        self.waits: list[float] = []

    def command(self, wait_s: float) -> Command | None:
        self.waits.append(wait_s)
        if self.keys and self.keys[0][0] <= self.now_s + wait_s:
            at, key = self.keys.pop(0)
            self.now_s = max(self.now_s, at)
            return key
        self.now_s += wait_s
        return None


def played(score: Score, clock: Clock, stop: Callable[[Moment], bool] = lambda _: False, **how: float):
    pace = Pace(score, now_s=lambda: clock.now_s, command=clock.command, **how)  # type: ignore[arg-type]
    out = []
    for moment in pace:
        out.append((clock.now_s - 1000.0, moment.at_s))
        if stop(moment):
            break
    return out


@pytest.mark.parametrize("speed", [0.5, 1.0, 4.0])
def test_each_moment_comes_when_it_is_due(speed: float) -> None:
    for at_clock, at_s in played(Score(), Clock(), speed=speed):
        assert at_clock == pytest.approx(at_s / speed)


def test_as_fast_as_it_goes_never_waits() -> None:
    clock = Clock()
    assert len(played(Score(), clock, speed=AS_FAST_AS_IT_GOES)) == 100
    assert set(clock.waits) == {0.0}


def test_a_replay_that_fell_behind_catches_up_and_skips_nothing() -> None:
    clock = Clock()
    score = Score(10)
    out = []
    for moment in Pace(score, now_s=lambda: clock.now_s, command=clock.command):  # type: ignore[arg-type]
        out.append((clock.now_s - 1000.0, moment.at_s))
        if moment.at_s == 1.0:
            clock.now_s += 2.0  # whoever publishes took so long
    assert [at_s for _, at_s in out] == [0.5 * k for k in range(10)]
    assert out[-1][0] == pytest.approx(4.5)


def test_a_pause_takes_as_long_as_it_takes() -> None:
    out = played(Score(10), Clock({1.2: Command.PAUSE, 31.2: Command.PAUSE}))
    assert [round(clock, 6) for clock, _ in out][:3] == [0.0, 0.5, 1.0]
    assert out[3][0] == pytest.approx(31.2)  # what was next came at once, the rest at its pace
    assert out[4][0] == pytest.approx(31.7)


def test_single_cycles() -> None:
    clock = Clock({0.2: Command.PAUSE, 10.0: Command.CYCLE, 20.0: Command.CYCLE, 30.0: Command.QUIT})
    out = played(Score(), clock)
    # At once up to the moment that completes a cycle, then nothing until the next key.
    assert [at_s for at, at_s in out if at == pytest.approx(10.0)] == [0.5, 1.0, 1.5, 2.0]
    assert [at_s for at, at_s in out if at == pytest.approx(20.0)] == [2.5, 3.0, 3.5, 4.0]
    assert len(out) == 9


def test_forward_and_back() -> None:
    score = Score()
    out = played(score, Clock({1.25: Command.FORWARD, 3.0: Command.BACK, 4.2: Command.QUIT}))
    assert score.sought == [1.5 + LEAP_S, max(0.0, 13.5 - LEAP_S)]
    assert [at_s for _, at_s in out] == [0.0, 0.5, 1.0, 11.5, 12.0, 12.5, 13.0, 3.5, 4.0, 4.5]


def test_faster_and_slower() -> None:
    out = played(Score(12), Clock({1.0: Command.FASTER, 2.0: Command.SLOWER}))
    times = {at_s: clock for clock, at_s in out}
    assert times[2.5] - times[2.0] == pytest.approx(0.25)
    assert times[5.5] - times[5.0] == pytest.approx(0.5)


def test_an_end_is_an_end() -> None:
    assert len(played(Score(), Clock({2.0: Command.QUIT}))) == 4
    assert len(played(Score(), Clock({}), speed=AS_FAST_AS_IT_GOES)) == 100
