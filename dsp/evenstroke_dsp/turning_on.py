"""Does a cranked engine turn on after its sync fell silent, where its pulses come too unevenly for a rhythm to tell?

What listens to pulses or to the starter's load moves as much in each cycle after it as in the last ones before it, and hardly at
all once the engine stands.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .history import History
from .rhythm_tracker import RhythmSource
from .sync_tracker import SyncRun

_MOVES = 0.5
"""Of the swing in the cycles before, in a whole cycle: noise 15 dB below a pulse swings by a third of it (arithmetic: 6 standard
deviations over 2.8 times 5.6 of them)."""
_CYCLES_BEFORE = 2


class TurningOn:
    """`update` after each step; `silences` lists from which last event on until when it turned, and by how many cycles."""

    def __init__(self, sources: Sequence[RhythmSource], history: History) -> None:
        self._sources, self._history = sources, history
        self._run: SyncRun | None = None
        self._cycle_s = 0.0
        self._usual: list[float] = []
        self._open: tuple[float, float, float] | None = None
        self._found: list[tuple[float, float, float]] = []

    @property
    def silences(self) -> tuple[tuple[float, float, float], ...]:
        """From when, until when (seconds), and over how many cycles as long as those before it."""
        return tuple(self._found) if self._open is None else (*self._found, self._open)

    def update(self, run: SyncRun, events_a_cycle: int, *, fastest_s: float) -> None:
        """run: the latest of the sync's runs. fastest_s: a shorter cycle is none of an engine that is cranked."""
        if not run.ended or not run.believed or len(run.times) <= _CYCLES_BEFORE * events_a_cycle:
            return
        if run is not self._run:
            if self._open is not None and self._open[2]:
                self._found.append(self._open)
            before = _CYCLES_BEFORE * events_a_cycle
            begin, last = run.times[-before - 1], run.times[-1]
            self._run = run
            self._cycle_s = (last - begin) / sum(run.intervals[-before:]) * events_a_cycle
            self._usual = self._swings(begin, last)
            self._open = (last, last, 0.0) if self._cycle_s >= fastest_s else None
        while self._open is not None and self._open[1] + self._cycle_s <= self._history.until:
            from_s, until, cycles = self._open
            now = self._swings(until, until + self._cycle_s)
            if any(a >= _MOVES * b for a, b in zip(now, self._usual, strict=True) if b > 0.0):
                self._open = from_s, until + self._cycle_s, cycles + 1.0
            else:
                self._found += [self._open] if cycles else []
                self._open = None

    def _swings(self, begin: float, end: float) -> list[float]:
        """Of each source, 0 where it was not recorded."""
        heard = [source.listen(self._history, begin, end) for source in self._sources]
        return [float(np.ptp(of[1])) if of is not None else 0.0 for of in heard]
