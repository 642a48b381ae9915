"""From the edges of a sync probe to its events, one per cycle or per revolution.

Short pulses, bursts and ringing make several edges for one event; some events never come and some come
that are none. What is inserted or rejected is counted, never hidden.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .blocks import Bools, Floats

BURST_S = 0.055
"""Edges this close belong to one event: multi-strike ignition and ringing at cranking and idle
speeds (common practice, no source); a cycle at 2000 rpm takes 60 ms."""
_SHORTEST, _LONGEST = 0.6, 1.6  # of the interval before: speed changes less than that from event to event
_MOST_MISSED = 2
_SILENT_INTERVALS = 2.7  # without an event for this many intervals, the engine is taken to have stopped
LONGEST_INTERVAL_S = 3.0
"""An engine that turns at all turns faster than 40 rpm."""


@dataclass(slots=True)
class SyncRun:
    """Events of one unbroken turning; `interval[i]` counts the intervals from event i-1 (missed: > 1)."""

    times: list[float] = field(default_factory=list)
    intervals: list[int] = field(default_factory=list)
    ended: bool = False


class SyncTracker:
    """Feeds on edges in order of time; `runs` grows, `missed` and `extra` count what was mended."""

    def __init__(self) -> None:
        self.runs: list[SyncRun] = []
        self.events = 0
        self.missed = 0
        self.extra = 0
        self._undecided: list[tuple[float, bool]] = []
        self._leading_rises: bool | None = None
        self._last_edge = -np.inf
        self._rejected_in_a_row = 0
        self._rejected_at: float | None = None

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
        """No more edges come."""
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
        burst = t - self._last_edge < BURST_S
        self._last_edge = t
        if burst:
            return
        self._end_where_silent(t)
        self.events += 1
        if not self.runs or self.runs[-1].ended:
            self.runs.append(SyncRun([t], [1]))
            self._rejected_in_a_row = 0
            return
        run = self.runs[-1]
        if len(run.times) < 2:
            run.times.append(t)
            run.intervals.append(1)
            return
        before = (run.times[-1] - run.times[-2]) / run.intervals[-1]
        ratio = (t - run.times[-1]) / before
        if ratio < _SHORTEST:
            self._reject(t, before)
            return
        self._rejected_in_a_row = 0 if self._rejected_at is None else self._rejected_in_a_row
        count = 1 if ratio <= _LONGEST else min(round(ratio), _MOST_MISSED + 1)
        self.missed += count - 1
        run.times.append(t)
        run.intervals.append(count)
        if self._rejected_at is None:
            self._rejected_in_a_row = 0
        self._rejected_at = None

    def _reject(self, t: float, before: float) -> None:
        """An event too early for any change of speed; two in a row say that the engine did speed up."""
        self.extra += 1
        self._rejected_in_a_row += 1
        self._rejected_at = t
        if self._rejected_in_a_row >= 2:
            self.extra -= 2
            self.runs[-1].ended = True
            self.runs.append(SyncRun([t], [1]))
            self._rejected_in_a_row = 0
            self._rejected_at = None

    def _end_where_silent(self, now: float) -> None:
        if not self.runs or self.runs[-1].ended:
            return
        run = self.runs[-1]
        patience = LONGEST_INTERVAL_S
        if len(run.times) >= 2:
            patience = min(patience, _SILENT_INTERVALS * (run.times[-1] - run.times[-2]) / run.intervals[-1])
        if now - run.times[-1] > patience:
            run.ended = True
