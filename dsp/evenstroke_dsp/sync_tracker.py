"""From the edges of a sync probe to its events, one per cycle or per revolution.

Short pulses, bursts and ringing make several edges for one event; some events never come and some come
that are none. What is inserted or rejected is counted, never hidden.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from .blocks import Bools, Floats

BURST_S = 0.055
"""Edges this close belong to one event: multi-strike ignition and ringing at cranking and idle
speeds (common practice, no source); a cycle at 2000 rpm takes 60 ms. Half of it where events come every
revolution, which takes half as long."""
_SHORTEST, _LONGEST = 0.6, 1.6
"""Of the interval before: an engine that catches or stalls changes its pace by more, and another run begins."""
_SPREAD = 0.15  # standard deviation of the logarithm of an interval over the one before
_MATCH = math.log(_SPREAD * math.sqrt(math.tau))  # cost of one that is alike: odds of its density against 1
_JUMP = 5.5
_FALSE, _FALSE_AT_FIRST, _MISSED = 3.0, 2.0, 2.0
"""Costs (minus the logarithm of how probable that is; common practice, no source): a pace that jumps; an event that is
none, in the beat and before there is one (a starter relay that engages is heard by every pick-up); one that did not come."""
_MOST_MISSED = 2
_DOUBT = 2.9  # explanations that cost this much more than the best are given up
_HALVES = 3  # so many intervals of two in a row are a pace of their own
_LAG = 5  # events that may wait for an explanation
_SILENT_INTERVALS = 2.7  # without an event for this many intervals, the engine is taken to have stopped
_LONGEST_HOLE = 6  # intervals; after a longer silence the engine stood still as likely as not
_SAME_BEAT, _SAME_PACE = 0.15, 0.1
"""Of an interval: events after a silence go on in the beat of those before where they lie this close to it, at a pace
this close to theirs. A crank that was begun anew does so in three of ten cases, but seldom at once."""
LONGEST_INTERVAL_S = 3.0
"""An engine that turns at all turns faster than 40 rpm."""


KEPT_EVENTS = 1000
"""Of one run, at least. Who follows a run looks at every step; an engine that idles for hours must not fill memory."""


@dataclass(slots=True)
class SyncRun:
    """Events of one unbroken turning, the latest ones of many.

    `intervals[i]` counts the intervals from the event before `times[i]` (missed: > 1); `forgotten` events came
    before `times[0]`.
    """

    times: list[float] = field(default_factory=list)
    intervals: list[int] = field(default_factory=list)
    ended: bool = False
    forgotten: int = 0

    def add(self, t: float, intervals: int) -> None:
        self.times.append(t)
        self.intervals.append(intervals)
        if len(self.times) > 2 * KEPT_EVENTS:
            del self.times[:KEPT_EVENTS], self.intervals[:KEPT_EVENTS]
            self.forgotten += KEPT_EVENTS


@dataclass(frozen=True, slots=True)
class _Guess:
    """What the events that wait may be: for each how many intervals it lies after the true one before, 0: it is none.

    last: the latest true event, s, or None. pace: its interval, s; None before the second one.
    """

    cost: float = 0.0
    last: float | None = None
    pace: float | None = None
    path: tuple[int, ...] = ()

    @property
    def patience(self) -> float:
        """How long to wait for the next event, s."""
        pace = LONGEST_INTERVAL_S if self.pace is None else _SILENT_INTERVALS * self.pace
        return min(LONGEST_INTERVAL_S, pace)

    def next(self, t: float) -> Iterator[_Guess]:
        """All that an event at `t` may be."""
        false = _FALSE if self.pace is not None else _FALSE_AT_FIRST
        yield _Guess(self.cost + false, self.last, self.pace, (*self.path, 0))
        if self.last is None:
            yield _Guess(self.cost, t, None, (*self.path, 1))
            return
        for count in range(1, _MOST_MISSED + 2):
            cost = self.cost + _MISSED * (count - 1)
            pace = (t - self.last) / count
            if self.pace is not None:
                cost += min(0.5 * (math.log(pace / self.pace) / _SPREAD) ** 2, _JUMP) + _MATCH
            yield _Guess(cost, t, pace, (*self.path, count))


class SyncTracker:
    """Feeds on edges in order of time; `runs` grows, `missed` and `extra` count what was mended.

    every: how often an event comes. Which events are true is told by the cheapest explanation of them all, as in
    A. Viterbi's search (IEEE Transactions on Information Theory 13, 1967, 260): an event that fits the beat is believed at
    once, one that does not waits for those after it.
    """

    def __init__(self, every: Literal["cycle", "revolution"] = "cycle") -> None:
        self._burst_s = BURST_S if every == "cycle" else BURST_S / 2
        self.runs: list[SyncRun] = []
        self.events = 0
        self.latest_s = -np.inf  # of an event, believed or not
        self.missed = 0
        self.extra = 0
        self._undecided: list[tuple[float, bool]] = []
        self._leading_rises: bool | None = None
        self._last_edge = -np.inf
        self._guesses = [_Guess()]
        self._waiting: list[float] = []  # events that the guesses explain
        self._first: float | None = None  # the first true event of a run that is not open yet

    def push(self, times: Floats, rising: Bools, until: float) -> None:
        """Edges before `until` (seconds), all of them."""
        for t, up in zip(times.tolist(), rising.tolist(), strict=True):
            if self._leading_rises is None:
                self._undecided.append((t, up))
                self._choose_edge()
            elif up == self._leading_rises:
                self._leading_edge(t)
        self._end_where_silent(until)

    def finish(self) -> None:
        """No more edges come: what waits is taken as the best explanation has it."""
        self._end()

    def _choose_edge(self) -> None:
        """The leading edge is the one that the shorter dwell follows."""
        dwells: dict[bool, list[float]] = {True: [], False: []}
        for (t0, up), (t1, _) in zip(self._undecided, self._undecided[1:], strict=False):
            dwells[up].append(t1 - t0)
        if not (dwells[True] and dwells[False]):
            return
        self._leading_rises = float(np.median(dwells[True])) <= float(np.median(dwells[False]))
        held, self._undecided = self._undecided, []
        for t, up in held:
            if up == self._leading_rises:
                self._leading_edge(t)

    def _leading_edge(self, t: float) -> None:
        burst = t - self._last_edge < self._burst_s
        self._last_edge = t
        if burst:
            return
        self._end_where_silent(t)
        self.events += 1
        self.latest_s = t
        self._waiting.append(t)
        self._explain(t)
        while self._waiting and (
            len(self._waiting) > _LAG or len({guess.path[0] for guess in self._guesses}) == 1
        ):
            self._believe()

    def _explain(self, t: float) -> None:
        # Of two that go on alike from here the cheaper one is the better for ever.
        cheapest: dict[tuple[float | None, float | None], _Guess] = {}
        for guess in (after for before in self._guesses for after in before.next(t)):
            same = cheapest.get((guess.last, guess.pace))
            if same is None or guess.cost < same.cost:
                cheapest[guess.last, guess.pace] = guess
        best = min(guess.cost for guess in cheapest.values())
        self._guesses = [guess for guess in cheapest.values() if guess.cost <= best + _DOUBT]

    def _believe(self) -> None:
        """Takes the oldest event that waits for what the best guess says; others are given up."""
        t, count = self._waiting.pop(0), min(self._guesses, key=lambda guess: guess.cost).path[0]
        self._guesses = [
            replace(guess, path=guess.path[1:]) for guess in self._guesses if guess.path[0] == count
        ]
        run = self.runs[-1] if self.runs and not self.runs[-1].ended else None
        if not count:
            self.extra += 1
        elif run is not None:
            ratio = (t - run.times[-1]) / count * run.intervals[-1] / (run.times[-1] - run.times[-2])
            self.missed += count - 1
            if _SHORTEST <= ratio <= _LONGEST:
                run.add(t, count)
                if len(run.intervals) > _HALVES and set(run.intervals[-_HALVES:]) == {2}:
                    self._halve_pace(run)
            else:
                run.ended = True
                self.runs.append(SyncRun([run.times[-1], t], [1, count]))
        elif self._first is None:
            self._first = t
        else:
            self.missed += self._missed_before([self._first, t]) + count - 1
            self.runs.append(SyncRun([self._first, t], [1, count]))
            self._first = None

    def _halve_pace(self, run: SyncRun) -> None:
        """What seems to miss every other event turns half as fast: false events half way have set the pace."""
        self.missed -= _HALVES
        if len(run.times) <= 2 * _LAG:
            self.extra += sum(count == 1 for count in run.intervals[1:]) // 2
        run.ended = True
        before, t = run.times[-2:]
        self.runs.append(SyncRun([before, t], [1, 1]))
        self._guesses = [_Guess(last=t, pace=t - before)]
        for later in self._waiting:
            self._explain(later)

    def _end(self) -> None:
        while self._waiting:
            self._believe()
        if self.runs:
            self.runs[-1].ended = True
        self._guesses, self._first = [_Guess()], None

    def _missed_before(self, times: list[float]) -> int:
        """Events that a silence swallowed, where the new run goes on in the beat of the one before."""
        if not self.runs or self.runs[-1].times[-1] >= times[0]:
            return 0
        before = self.runs[-1]
        pace_before = (before.times[-1] - before.times[-2]) / before.intervals[-1]
        pace = math.sqrt(pace_before * (times[1] - times[0]))
        hole = (times[0] - before.times[-1]) / pace
        steady = abs((times[1] - times[0]) / pace_before - 1.0) < _SAME_PACE
        in_beat = steady and abs(hole - round(hole)) < _SAME_BEAT and 2 <= round(hole) <= _LONGEST_HOLE
        return round(hole) - 1 if in_beat else 0

    def _end_where_silent(self, now: float) -> None:
        """Ends the run once no guess expects another event."""
        if all(guess.last is None or now - guess.last > guess.patience for guess in self._guesses):
            self._end()
