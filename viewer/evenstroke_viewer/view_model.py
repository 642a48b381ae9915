"""What is known now, from the messages of a stream: all that any view shows is worked out of this. No Qt here.

Live and replay fill it alike. Everything in it is bounded, so that hours of watching need no more memory
than minutes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from evenstroke_dsp.messages import (
    Balance,
    Comparison,
    Cycle,
    FindingMessage,
    Health,
    State,
    WaveData,
)

from .feed import Delivery, Handed, Jumped, MarkNote, Playing, Restarted
from .minmax import Floats
from .units import PressureUnit

KEPT_S = 20.0
"""Seconds of waveforms that are kept."""
KEPT_CYCLES = 1000
"""Ten minutes of cranking; some 6.5 kB each."""
KEPT_CUTS = 150
"""Cycles whose waveforms are kept, too: more than any view shows at once."""
SILENT_S = 3.0
"""A daemon says its state once a second: without a word for so long it is gone or hangs."""
_HEALTHS = 6
"""Losses within so many seconds are losses now."""

Contact = Literal["waiting", "heard", "silent"]


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples that follow each other without a break, shape (probes, n), from t0_s, dt_s apart."""

    t0_s: float
    dt_s: float
    samples: Floats


@dataclass(frozen=True, slots=True)
class CutWave:
    """The conditioned waveforms of one cycle, by probe: pieces of shape (1, n), a hole between two where data lack."""

    sequence: int
    pieces: dict[str, list[Piece]]
    units: dict[str, str]


class WaveKeeper:
    """The last seconds of one kind of waveform."""

    def __init__(self, kept_s: float = KEPT_S) -> None:
        self._kept_s = kept_s
        self.probes: tuple[str, ...] = ()
        self.units: tuple[str, ...] = ()
        self._pieces: deque[Piece] = deque()

    def take(self, wave: WaveData) -> None:
        header = wave.header
        if (header.probes, header.units) != (self.probes, self.units):
            self._pieces.clear()
            self.probes, self.units = header.probes, header.units
        self._pieces.append(Piece(header.t0_s, header.dt_s, wave.samples))
        oldest_s = self.until_s - self._kept_s
        while self._pieces and _end_s(self._pieces[0]) < oldest_s:
            self._pieces.popleft()

    @property
    def until_s(self) -> float:
        """The time behind the newest sample, seconds; 0 when there is none."""
        return _end_s(self._pieces[-1]) if self._pieces else 0.0

    @property
    def dt_s(self) -> float | None:
        """From one of the newest samples to the next, seconds; None when there is none."""
        return self._pieces[-1].dt_s if self._pieces else None

    @property
    def since_s(self) -> float:
        """The oldest sample's time that is kept, seconds; 0 when there is none."""
        return self._pieces[0].t0_s if self._pieces else 0.0

    def between(self, probe: str, from_s: float, to_s: float) -> list[Piece]:
        """One probe's samples that touch this time, in pieces of shape (1, n) as long as they join up.

        A hole between two pieces, where whole messages are missing, is where one ends and the next begins.
        """
        if probe not in self.probes:
            return []
        row = self.probes.index(probe)
        runs: list[list[Piece]] = []
        wanted: list[Piece] = []
        for piece in reversed(self._pieces):  # who follows what comes asks for the newest only
            if _end_s(piece) < from_s:
                break
            if piece.t0_s <= to_s:
                wanted.append(piece)
        for piece in reversed(wanted):
            if runs and abs(_end_s(runs[-1][-1]) - piece.t0_s) < 0.5 * piece.dt_s:
                runs[-1].append(piece)
            else:
                runs.append([piece])
        return [
            Piece(run[0].t0_s, run[0].dt_s, np.concatenate([p.samples[row : row + 1] for p in run], axis=1))
            for run in runs
        ]


def _within(piece: Piece, from_s: float, to_s: float) -> Piece:
    """The samples of a piece that lie in this time, in memory of their own."""
    first = max(0, int(np.ceil((from_s - piece.t0_s) / piece.dt_s)))
    last = max(first, int(np.floor((to_s - piece.t0_s) / piece.dt_s)) + 1)
    return Piece(piece.t0_s + first * piece.dt_s, piece.dt_s, piece.samples[:, first:last].copy())


def _end_s(piece: Piece) -> float:
    return piece.t0_s + float(piece.samples.shape[1]) * piece.dt_s


class ViewModel:
    """Takes what a feed delivers, and remembers what views need.

    revision: grows whenever something has changed that a view might show; waves: the part of it that waveforms made, which
    come twenty times a second and change nothing for a view that shows none.
    """

    def __init__(self) -> None:
        self.revision = self.waves = 0
        self.pressure_unit = PressureUnit.KPA
        self.playing: Playing | None = None
        self.where = ""
        self.contact: Contact = "waiting"
        self.silent_s: float | None = None
        self.missed = self.dropped = self.unreadable = 0
        self._forget()

    def _forget(self) -> None:
        self.state: State | None = None
        self.balance: Balance | None = None
        self.finding: FindingMessage | None = None
        self.cycles: deque[Cycle] = deque(maxlen=KEPT_CYCLES)
        self.raw = WaveKeeper()
        self.conditioned = WaveKeeper()
        self.marks: deque[MarkNote] = deque(maxlen=100)
        self.cuts: deque[CutWave] = deque(maxlen=KEPT_CUTS)
        self._healths: deque[Health] = deque(maxlen=_HEALTHS)

    # --- what comes in --------------------------------------------------------------------------------

    def deliver(self, delivery: Delivery) -> None:
        """Everything that a feed's inbox held."""
        for message in delivery.messages:
            self.take(message)
        contact: Contact = (
            "waiting" if delivery.silent_s is None else "silent" if delivery.silent_s > SILENT_S else "heard"
        )
        # Whole seconds: a silence that grows is shown, and not redrawn thirty times a second.
        silent_s = float(int(delivery.silent_s)) if contact == "silent" and delivery.silent_s else None
        counts = (delivery.missed, delivery.dropped, delivery.unreadable)
        was = (self.contact, self.silent_s, self.missed, self.dropped, self.unreadable)
        if was != (contact, silent_s, *counts):
            self.contact, self.silent_s = contact, silent_s
            self.missed, self.dropped, self.unreadable = counts
            self.revision += 1

    def take(self, message: Handed) -> None:
        """One message, in the order in which they came."""
        if message == self.playing:  # said again twenty times a second
            return
        self.revision += 1
        match message:
            case Restarted():
                self._forget()
            case Jumped():
                self._jump()
            case Playing():
                self.playing = message
            case MarkNote() if message not in self.marks:
                self.marks.append(message)
            case WaveData():
                self.waves += 1
                (self.raw if message.header.kind == "raw" else self.conditioned).take(message)
            case State():
                self.state = message
            case Health():
                self._healths.append(message)
            case Cycle() if self.cycles and message.sequence <= self.cycles[-1].sequence:
                pass  # a replay that went back says again what is known
            case Cycle():
                self.cycles.append(message)
                self.cuts.append(self._cut(message))
            case Balance():
                self.balance = message
            case FindingMessage():
                self.finding = message

    def _cut(self, cycle: Cycle) -> CutWave:
        """Everything from the cycle's first pulse to its last: a pulse may end in the next cycle."""
        times = [
            t for p in cycle.probes for pulse in p.pulses for t in (pulse.from_s, pulse.to_s) if t is not None
        ]
        late_s = max((p.travel_s for p in cycle.probes), default=0.0)
        from_s, to_s = min([cycle.from_s, *times]), max([cycle.to_s + late_s, *times])
        wave = self.conditioned
        pieces = {name: wave.between(name, from_s, to_s) for name in wave.probes}
        return CutWave(
            cycle.sequence,
            {name: [_within(piece, from_s, to_s) for piece in found] for name, found in pieces.items()},
            dict(zip(wave.probes, wave.units, strict=True)),
        )

    def _jump(self) -> None:
        """All that is of a moment; what the stream is, and marks, stay."""
        state, marks = self.state, self.marks
        self._forget()
        self.state, self.marks = state, marks

    def choose(self, unit: PressureUnit) -> None:
        self.pressure_unit = unit
        self.revision += 1

    # --- what views ask ------------------------------------------------------------------------------

    @property
    def health(self) -> Health | None:
        return self._healths[-1] if self._healths else None

    @property
    def now_s(self) -> float:
        """The newest sample's time, seconds of the stream."""
        return max(self.raw.until_s, self.conditioned.until_s)

    @property
    def oldest_s(self) -> float:
        """The oldest sample's time that is kept, seconds of the stream."""
        return min(self.raw.since_s, self.conditioned.since_s)

    @property
    def losing(self) -> int:
        """Samples lost within the last seconds."""
        return self._healths[-1].lost_samples - self._healths[0].lost_samples if self._healths else 0

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        return self.balance.comparisons if self.balance is not None else ()
