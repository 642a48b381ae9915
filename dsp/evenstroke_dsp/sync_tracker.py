"""From the edges of a sync probe to its events, one per cycle or per revolution.

Short pulses, bursts and ringing make several edges for one event; some events never come and some come
that are none. What is inserted or rejected is counted, never hidden.
"""

from __future__ import annotations

import math
from collections import deque
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
_MATCH, _JUMP = 0.9, 4.5
_FALSE, _FALSE_AT_FIRST, _MISSED = 3.0, 2.0, 2.0
"""Costs (minus the logarithm of how probable that is; common practice, no source): an interval like the one before costs that
much more than its density says (`_even_density`), and a pace that jumps at most so much; an event that is none, in the beat and
before there is one (a starter relay that engages is heard by every pick-up); one that did not come."""
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
_STEADY, _UNSTEADY, _UNSTEADY_SHARE = 0.05, 0.2, 0.25
_CHOSEN = 0.25
_FARTHEST = 3.0
"""Logarithm of a ratio of intervals beyond which one is as wrong as another: farther out the densities are nothing, and have no
logarithm."""
_MISSED_ODDS, _FALSE_ODDS, _JUMP_ODDS = -1.5, -2.0, -2.0
"""What an event says of whether an engine makes them at all, as the logarithm of odds. The ratio of an interval to the one before
spreads by the first on a crank that turns, by the second as it spins up or sags; of events at random, of which the search has
chosen those that fit best, by the fourth. Of what else comes, random events bring more."""
_BELIEVED, _NO_LONGER, _SUREST, _UNSUREST = 2.5, 0.0, 6.0, -4.0
"""Odds from which on events name cylinders, below which they no longer do, and the bounds that let both change their mind."""
_MOST_FALSE, _LATEST = 0.25, 12
"""Share of the latest events above which evenness alone makes nothing believed: among many events some are even by chance."""
_CHOICE, _BEATS_BELIEVED, _BEATS_NO_LONGER = 0.3, 3.7, 0.0
"""What one interval's choice among so many events costs, and the logarithm of the odds at which a run is believed by its beat,
and no longer, however many false events lie in between. Of 80 with true events and one false one a second 72 were believed, and
23 by evenness alone. Of 150 recordings of noise, 20 s of events at random, one was believed at 2 or 4 a second, 5 at 8, and 11
at 18, as fast as bursts let events come."""
_OFF_BEAT, _USUAL, _MOST_OFF = 0.06, 3, 4
"""Of such a run an event is left out that comes earlier or later than its latest intervals' median says by more than this share
of it (43 degrees of 720), and the run ends when more than so many in a row do."""
_FEW_BELIEVED, _FEW_S = 0.5, 0.25
"""Where a run ends before that: one interval like the one before, no faster than a starter turns (480 rpm; half of it where
events come every revolution), and nothing against it."""

_SHORTEST_BEAT, _MANY = 4, 60  # events that a beat shows in; the latest ones that are counted beside it
_MOST_FIRST = 8  # events after a silence that are a sync's first

_KEPT_GAPS = 100

KEPT_RUNS = 50
"""Ended runs, of those that are believed and of the others: noise makes hundreds an hour."""
KEPT_EVENTS = 1000
"""Of one run, at least. Who follows a run looks at every step; an engine that idles for hours must not fill memory."""


@dataclass(slots=True)
class SyncRun:
    """Events of one unbroken turning, the latest ones of many.

    `intervals[i]` counts the intervals from the event before `times[i]` (missed: > 1); `forgotten` events came
    before `times[0]`. believed: that an engine makes them, and not noise, by their evenness or by what bore them out; events
    before `believed_from` had no part in that. by_beat: false events came among them, too many for evenness. number: of all
    runs that there were, from 0 on.
    """

    times: list[float] = field(default_factory=list)
    intervals: list[int] = field(default_factory=list)
    ended: bool = False
    forgotten: int = 0
    believed: bool = False
    believed_from: float = -math.inf
    by_beat: bool = False
    number: int = -1

    def add(self, t: float, intervals: int) -> None:
        self.times.append(t)
        self.intervals.append(intervals)
        if len(self.times) > 2 * KEPT_EVENTS:
            del self.times[:KEPT_EVENTS], self.intervals[:KEPT_EVENTS]
            self.forgotten += KEPT_EVENTS


@dataclass(frozen=True, slots=True)
class _Guess:
    """What the events that wait may be: for each how many intervals it lies after the true one before, 0: it is none.

    last: the latest true event, s, or None. pace: its interval, s; None before the second one. before: the interval before
    that, where the two revolutions of a cycle may differ; else None.
    """

    cost: float = 0.0
    last: float | None = None
    pace: float | None = None
    path: tuple[int, ...] = ()
    before: float | None = None

    @property
    def patience(self) -> float:
        """How long to wait for the next event, s."""
        pace = LONGEST_INTERVAL_S if self.pace is None else _SILENT_INTERVALS * self.pace
        return min(LONGEST_INTERVAL_S, pace)

    def next(self, t: float, *, by_turns: bool) -> Iterator[_Guess]:
        """All that an event at `t` may be. by_turns: an interval may be like the last but one."""
        # Others may still expect events; by this one the engine stopped, and whatever comes is a first one again.
        begins = self.last is None or t - self.last > LONGEST_INTERVAL_S
        false = _FALSE if not begins and self.pace is not None else _FALSE_AT_FIRST
        yield _Guess(self.cost + false, self.last, self.pace, (*self.path, 0), self.before)
        if self.last is None or begins:
            yield _Guess(self.cost, t, None, (*self.path, 1))
            return
        for count in range(1, _MOST_MISSED + 2):
            cost = self.cost + _MISSED * (count - 1)
            pace = (t - self.last) / count
            if self.pace is not None:
                away = _away(pace, self.pace, self.before)
                cost += min(_MATCH - math.log(_even_density(away)), _JUMP)
            yield _Guess(cost, t, pace, (*self.path, count), self.pace if by_turns else None)


def _away(pace: float, last: float, before: float | None) -> float:
    """Logarithm of an interval over the one before, or over the one before that where it is more like it."""
    away = math.log(pace / last)
    other = math.log(pace / before) if before is not None else away
    return min(max(min(away, other, key=abs), -_FARTHEST), _FARTHEST)


class SyncTracker:
    """Feeds on edges in order of time; `runs` grows, `missed` and `extra` count what was mended.

    every: how often an event comes. Which events are true is told by the cheapest explanation of them all, as in
    A. Viterbi's search (IEEE Transactions on Information Theory 13, 1967, 260): an event that fits the beat is believed at
    once, one that does not waits for those after it. Where events come every revolution, those of an engine that fires
    unevenly, or has a dead cylinder, come early and late by turns. sifted_later: events among many false ones are held against
    a rhythm or teeth, which tell them better than their own beat does.
    """

    def __init__(
        self, every: Literal["cycle", "revolution"] = "cycle", *, sifted_later: bool = False
    ) -> None:
        self._sifted_later = sifted_later
        self._by_turns = every == "revolution"
        self._burst_s = BURST_S if every == "cycle" else BURST_S / 2
        self.runs: list[SyncRun] = []
        """The latest of them."""
        self._opened = 0
        self.events_of_forgotten = 0
        """Believed ones, of runs that are not kept any longer."""
        self.events = 0
        self.recent: list[float] = []
        """The latest of them, believed or not, s."""
        self.latest_s = -np.inf  # of an event, believed or not
        self.missed = 0
        self.extra = 0
        self.extra_at_first = 0
        """Of `extra`, those that came first after a silence or a gap: a relay that engages, or a level found in mid-pulse."""
        self._gaps: deque[tuple[float, float]] = deque(maxlen=_KEPT_GAPS)
        self._undecided: list[tuple[float, bool]] = []
        self._leading_rises: bool | None = None
        self._last_edge = -np.inf
        self._guesses = [_Guess()]
        self._waiting: list[float] = []  # events that the guesses explain
        self._first: float | None = None  # the first true event of a run that is not open yet
        self._latest: deque[bool] = deque(maxlen=_LATEST)  # whether true
        self._odds = 0.0  # logarithm of the odds that an engine makes the events
        self._lowest = 0.0  # since they were last believed
        self._lowest_s = -math.inf
        self._doubted = False  # the run must end
        self._first_events: list[float] = []
        self._off = 0  # intervals since the run's last event, whose events came off its beat

    def push(self, times: Floats, rising: Bools, until: float) -> None:
        """Edges before `until` (seconds), all of them."""
        for t, up in zip(times.tolist(), rising.tolist(), strict=True):
            if self._leading_rises is None:
                self._undecided.append((t, up))
                self._choose_edge()
            elif up == self._leading_rises:
                self._leading_edge(t)
        self._end_where_silent(until)

    def note_gap(self, t_from: float, t_to: float) -> None:
        """Nothing that the sync gave between these times (seconds) arrived, so that no event is missed there."""
        self._gaps.append((t_from, t_to))

    def _missed_between(self, t_from: float, t_to: float, count: int) -> int:
        """How many of the events that came between two, `count` intervals apart, should have arrived."""
        due = [t_from + k * (t_to - t_from) / count for k in range(1, count)]
        return sum(not any(begin <= t <= end for begin, end in self._gaps) for t in due)

    @property
    def came(self) -> int:
        """Events that came so far; 1 from the first edge on, though its like is told only after the second event."""
        return self.events or int(bool(self._undecided))

    @property
    def doubted(self) -> bool:
        """What came last is rather noise than an engine's, by its evenness alone."""
        return self._odds < 0.0 or not self._few_false

    @property
    def believed(self) -> list[SyncRun]:
        """The runs that an engine makes."""
        return [run for run in self.runs if run.believed]

    @property
    def first_events(self) -> list[float]:
        """All events since a silence, or since a run that was believed, where they may be one run's first and none of them
        is believed or taken for false yet; else empty."""
        run = self.runs[-1] if self.runs and not self.runs[-1].ended else None
        if run is not None and (run.believed or set(run.intervals) != {1}):
            return []
        taken = run.times if run is not None else [] if self._first is None else [self._first]
        return self._first_events if [*taken, *self._waiting] == self._first_events else []

    def bear_out(self) -> None:
        """Something else says that an engine makes all of `first_events`, as far as they may be its by their own times."""
        guesses = [guess for guess in self._guesses if all(count == 1 for count in guess.path)]
        if not (guesses and self.first_events):
            return
        self._guesses = guesses
        while self._waiting:
            self._believe()
        run = self.runs[-1] if self.runs else None
        if run is not None and not run.ended:
            self._odds = max(self._odds, _BELIEVED)
            run.believed, run.believed_from = True, run.times[0]

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
        if t - self.latest_s > LONGEST_INTERVAL_S:
            self._first_events = []
        if len(self._first_events) <= _MOST_FIRST:
            self._first_events.append(t)
        self.events += 1
        self.latest_s = t
        self.recent.append(t)
        if len(self.recent) > 2 * KEPT_EVENTS:
            del self.recent[:KEPT_EVENTS]
        self._waiting.append(t)
        self._explain(t)
        while self._waiting and (
            len(self._waiting) > _LAG or len({guess.path[0] for guess in self._guesses}) == 1
        ):
            self._believe()

    def _explain(self, t: float) -> None:
        # Of two that go on alike from here the cheaper one is the better for ever.
        cheapest: dict[tuple[float | None, float | None, float | None], _Guess] = {}
        for guess in (after for before in self._guesses for after in before.next(t, by_turns=self._by_turns)):
            alike = guess.last, guess.pace, guess.before
            same = cheapest.get(alike)
            if same is None or guess.cost < same.cost:
                cheapest[alike] = guess
        best = min(guess.cost for guess in cheapest.values())
        self._guesses = [guess for guess in cheapest.values() if guess.cost <= best + _DOUBT]

    def _believe(self) -> None:
        """Takes the oldest event that waits for what the best guess says; others are given up."""
        t, count = self._waiting.pop(0), min(self._guesses, key=lambda guess: guess.cost).path[0]
        self._guesses = [
            replace(guess, path=guess.path[1:]) for guess in self._guesses if guess.path[0] == count
        ]
        run = self.runs[-1] if self.runs and not self.runs[-1].ended else None
        if count and run is not None and t - run.times[-1] > (1 + self._off) * LONGEST_INTERVAL_S:
            self._end_run()
            run = None
        if count and self._first is not None and t - self._first > LONGEST_INTERVAL_S:
            self._first = None
        self._latest.append(bool(count))
        if not count:
            self.extra += 1
            self.extra_at_first += self._first_events[:1] == [t]
            self._weigh(_FALSE_ODDS, t, against=True)
        elif (
            run is not None
            and run.by_beat
            and not self._few_false
            and not self._doubted
            and self._off_beat(run, t, count + self._off)
        ):
            # Nearer to the true place than any other event, but no nearer than false ones may come.
            self._off += count
            self.extra += 1
            self._doubted |= self._off > _MOST_OFF
        elif run is not None:
            count, self._off = count + self._off, 0
            self.missed += self._missed_between(run.times[-1], t, count)
            away = self._away_from(run, t, count)
            if _SHORTEST <= math.exp(away) <= _LONGEST and not self._doubted:
                run.add(t, count)
                self._weigh(_evenness(away) + _MISSED_ODDS * (count - 1), t)
                if len(run.intervals) > _HALVES and set(run.intervals[-_HALVES:]) == {2}:
                    self._halve_pace(run)
            else:
                run.ended = True
                self._weigh(_JUMP_ODDS, t, against=True)
                self._open([run.times[-1], t], [1, count])
        elif self._first is None:
            self._first = t
        else:
            self.missed += self._missed_before([self._first, t]) + self._missed_between(self._first, t, count)
            self._open([self._first, t], [1, count])
            self._first = None

    @staticmethod
    def _off_beat(run: SyncRun, t: float, count: int) -> bool:
        usual = _paces(run, _USUAL + 1)
        return abs(math.log((t - run.times[-1]) / count / float(np.median(usual)))) > _OFF_BEAT

    def _open(self, times: list[float], intervals: list[int]) -> None:
        self.runs.append(SyncRun(times, intervals, number=self._opened))
        self._opened += 1
        self._forget_runs()
        self._doubted, self._off = False, 0
        self._lowest, self._lowest_s = self._odds, times[0]
        self._weigh(0.0, times[0])

    def _forget_runs(self) -> None:
        """Keeps the latest runs of either kind; the last one goes on."""
        for believed in (False, True):
            old = [run for run in self.runs[:-1] if run.believed is believed][:-KEPT_RUNS]
            for run in old:
                self.runs.remove(run)
                self.events_of_forgotten += (len(run.times) + run.forgotten) * believed

    def _away_from(self, run: SyncRun, t: float, count: int) -> float:
        """Logarithm of the interval that ends at `t` over those that the run ends with."""
        paces = [
            (run.times[-k] - run.times[-k - 1]) / run.intervals[-k]
            for k in (1, 2)[: 1 + (self._by_turns and len(run.times) > 2)]
        ]
        return _away((t - run.times[-1]) / count, paces[0], paces[1] if len(paces) > 1 else None)

    @property
    def _few_false(self) -> bool:
        return self._latest.count(False) <= _MOST_FALSE * len(self._latest)

    def _weigh(self, odds: float, t: float, *, against: bool = False) -> None:
        """What the event at `t` says of whether an engine makes them. against: those before it had no part in belief."""
        self._odds = min(max(self._odds + odds, _UNSUREST), _SUREST)
        run = self.runs[-1] if self.runs and not self.runs[-1].ended else None
        if self._odds <= self._lowest and against:
            self._lowest, self._lowest_s = self._odds, t
        if run is None:
            return
        if self._odds >= _BELIEVED and self._few_false and not run.believed:
            run.believed, run.believed_from = True, self._lowest_s
        elif (
            not (against or run.believed or self._sifted_later or all(self._latest))
            and self._beat(run) >= _BEATS_BELIEVED
        ):
            run.believed, run.by_beat, run.believed_from = True, True, self._on_beat_from(run)
        elif run.believed and (
            self._beat(run) < _BEATS_NO_LONGER if run.by_beat else self._odds < _NO_LONGER
        ):
            self._doubted = True

    @staticmethod
    def _on_beat_from(run: SyncRun) -> float:
        """The earliest of the latest events from which on all keep the usual pace."""
        times, away = run.times[-_LATEST:], np.log(_paces(run, _LATEST))
        off = np.flatnonzero(np.abs(away - np.median(away)) > _OFF_BEAT)
        return times[int(off[-1]) + 1 if off.size else 0]

    def _beat(self, run: SyncRun) -> float:
        """Logarithm of the odds that the run's latest events come in a beat, and not where chance puts some of so many: those of
        each interval's density against that of all events that came."""
        times, counts = run.times[-_LATEST:], run.intervals[-_LATEST:]
        if len(times) < _SHORTEST_BEAT:
            return -math.inf
        came = sum(times[0] < t <= times[-1] for t in self.recent[-_MANY:])
        density = came / sum(counts[1:])
        paces = _paces(run, _LATEST).tolist()
        odds = 0.0
        for k in range(1, len(paces)):
            before = paces[k - 2] if self._by_turns and k > 1 else None
            even = _even_density(_away(paces[k], paces[k - 1], before))
            odds += math.log(even / density) - _CHOICE + _MISSED_ODDS * (counts[k + 1] - 1)
        return odds

    def _halve_pace(self, run: SyncRun) -> None:
        """What seems to miss every other event turns half as fast: false events half way have set the pace."""
        self.missed -= _HALVES
        if len(run.times) <= 2 * _LAG:
            self.extra += sum(count == 1 for count in run.intervals[1:]) // 2
        run.ended = True
        before, t = run.times[-2:]
        self._open([before, t], [1, 1])
        self._guesses = [_Guess(last=t, pace=t - before)]
        for later in self._waiting:
            self._explain(later)

    def _end(self) -> None:
        while self._waiting:
            self._believe()
        self._end_run()
        self._guesses = [_Guess()]

    def _end_run(self) -> None:
        if self.runs and not self.runs[-1].ended:
            run = self.runs[-1]
            run.ended = True
            if run.believed:
                self._first_events = []
            elif self._few_will_do(run):
                run.believed, run.believed_from = True, self._lowest_s
        self._odds, self._first = min(self._odds, 0.0), None

    def _few_will_do(self, run: SyncRun) -> bool:
        """Whether a run that was too short to be believed speaks for an engine as far as it goes."""
        fastest_s = _FEW_S / (2 if self._by_turns else 1)
        slow = run.times[-1] - run.times[0] >= fastest_s * sum(run.intervals[1:])
        return slow and self._odds >= _FEW_BELIEVED and all(self._latest)

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
        return self._missed_between(before.times[-1], times[0], round(hole)) if in_beat else 0

    def _end_where_silent(self, now: float) -> None:
        """Ends the run once no guess expects another event."""
        if all(guess.last is None or now - guess.last > guess.patience for guess in self._guesses):
            self._end()


def _paces(run: SyncRun, events: int) -> Floats:
    """Seconds from one of its latest events to the next, by intervals; shape (events - 1,) or as many as there are."""
    return np.asarray(np.diff(run.times[-events:]) / np.asarray(run.intervals[-events:][1:]))


def _evenness(away: float) -> float:
    """Logarithm of the odds for an engine that one interval gives by its ratio to the one before (logarithm)."""
    return math.log(_even_density(away) / _normal(away, _CHOSEN))


def _even_density(away: float) -> float:
    """Of an engine's intervals by that logarithm."""
    return (1.0 - _UNSTEADY_SHARE) * _normal(away, _STEADY) + _UNSTEADY_SHARE * _normal(away, _UNSTEADY)


def _normal(away: float, spread: float) -> float:
    return math.exp(-0.5 * (away / spread) ** 2) / (spread * math.sqrt(math.tau))
