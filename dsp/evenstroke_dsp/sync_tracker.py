"""From the edges of a sync probe to its events, one per cycle or per revolution.

Short pulses, bursts and ringing make several edges for one event; some events never come and some come
that are none. What is inserted or rejected is counted, never hidden.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from .blocks import Bools, Floats

BURST_S = 0.055
"""Edges this close belong to one event: multi-strike ignition and ringing at cranking and idle
speeds (common practice, no source); a cycle at 2000 rpm takes 60 ms. Half of it where events come every
revolution, which takes half as long."""
_SHORTEST, _LONGEST = 0.6, 1.6  # of the interval before: speed changes less than that from event to event
_MOST_MISSED = 2
_HALF_WAY = 0.1
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


class SyncTracker:
    """Feeds on edges in order of time; `runs` grows, `missed` and `extra` count what was mended.

    every: how often an event comes.
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
        self._unpaced: list[float] = []  # events while no run is open
        self._rejected: list[float] = []  # events in a row that came too early
        self._halves: list[float] = []

    def push(self, times: Floats, rising: Bools, until: float) -> None:
        """Edges before `until` (seconds), all of them."""
        for t, up in zip(times.tolist(), rising.tolist(), strict=True):
            if self._leading_rises is None:
                self._undecided.append((t, up))
                self._choose_edge()
            elif up == self._leading_rises:
                self._leading_edge(t)
        self._end_where_silent(until)

    @property
    def came(self) -> int:
        """Events that came so far; 1 from the first edge on, though its like is told only after the second event."""
        return self.events or int(bool(self._undecided))

    def finish(self) -> None:
        """No more edges come: two events without a third to confirm their pace are taken as they are."""
        if len(self._unpaced) >= 2:
            self._open_run(self._unpaced[-2:])
        if self.runs:
            self.runs[-1].ended = True

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
        if not self.runs or self.runs[-1].ended:
            self._seek_pace(t)
            return
        run = self.runs[-1]
        before = (run.times[-1] - run.times[-2]) / run.intervals[-1]
        ratio = (t - run.times[-1]) / before
        if ratio < _SHORTEST:
            self._reject(t)
            return
        count = 1 if ratio <= _LONGEST else min(round(ratio), _MOST_MISSED + 1)
        self.missed += count - 1
        self._note_split(run.times[-1], t)
        run.add(t, count)
        if len(self._halves) >= 2:
            self._double_pace(run)

    def _note_split(self, before: float, t: float) -> None:
        """An early event half way between two true ones; `_halves` holds those of intervals in a row."""
        middle = self._rejected[0] if len(self._rejected) == 1 else before
        self._rejected.clear()
        if abs((middle - before) / (t - before) - 0.5) < _HALF_WAY:
            self._halves.append(middle)
        else:
            self._halves.clear()

    def _double_pace(self, run: SyncRun) -> None:
        """What split two intervals in a row was no false event: the engine turns twice as fast."""
        self.extra -= len(self._halves)
        run.ended = True
        self._unpaced = [self._halves[-1], run.times[-1]]
        self._halves.clear()

    def _seek_pace(self, t: float) -> None:
        """Two intervals in a row that are alike make a pace; one false event must not set it."""
        self._unpaced.append(t)
        if len(self._unpaced) < 3:
            return
        first, second, third = self._unpaced[-3:]
        if not _SHORTEST <= (third - second) / (second - first) <= _LONGEST:
            return
        times = [first, second, third]
        earlier = self._unpaced[:-3]
        while earlier and _SHORTEST <= (times[0] - earlier[-1]) / (times[1] - times[0]) <= _LONGEST:
            times.insert(0, earlier.pop())
        self.extra += sum(times[0] - t < _SHORTEST * (times[1] - times[0]) for t in earlier)
        self._open_run(times)

    def _open_run(self, times: list[float]) -> None:
        self.missed += self._missed_before(times)
        self.runs.append(SyncRun(list(times), [1] * len(times)))
        self._unpaced.clear()
        self._rejected.clear()
        self._halves.clear()

    def _missed_before(self, times: list[float]) -> int:
        """Events that a silence swallowed, where the new run goes on in the beat of the one before."""
        if not self.runs or self.runs[-1].times[-1] >= times[0]:
            return 0
        before = self.runs[-1]
        pace = (before.times[-1] - before.times[-2]) / before.intervals[-1]
        hole = (times[0] - before.times[-1]) / pace
        steady = abs((times[1] - times[0]) / pace - 1.0) < _SAME_PACE
        in_beat = steady and abs(hole - round(hole)) < _SAME_BEAT and 2 <= round(hole) <= _LONGEST_HOLE
        return round(hole) - 1 if in_beat else 0

    def _reject(self, t: float) -> None:
        """An event too early for any change of speed; two in a row say that the engine did speed up."""
        self._rejected.append(t)
        self.extra += 1
        if len(self._rejected) >= 2:
            self.extra -= len(self._rejected)
            self.runs[-1].ended = True
            held, self._rejected = self._rejected, []
            self._unpaced = held

    def _end_where_silent(self, now: float) -> None:
        if self._unpaced and now - self._unpaced[-1] > LONGEST_INTERVAL_S:
            self._unpaced.clear()
        if not self.runs or self.runs[-1].ended:
            return
        run = self.runs[-1]
        pace = (run.times[-1] - run.times[-2]) / run.intervals[-1]
        if now - run.times[-1] > min(LONGEST_INTERVAL_S, _SILENT_INTERVALS * pace):
            run.ended = True
