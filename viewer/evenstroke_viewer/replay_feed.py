"""A recording played into a window: in real time, faster, by cycles, and from any second of it. No Qt here.

The thread reads through replay's player, and what it hands over is what a daemon would publish. A balance rests on every cycle
before it, so that nobody can begin in the middle: another process plays the whole recording meanwhile, and a jump shows what
it found. Where it has not come so far yet the jump waits, says so, and can be given up.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable

from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.messages import WaveData
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import setup_notes
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.pacing import Command, Pace, SeekTo
from evenstroke_replay.playback import Moment, Playback
from evenstroke_replay.recording import Recording
from evenstroke_replay.replay_status import ReplayStatus

from .feed import Inbox, Jumped, MarkNote, Player, Playing
from .played_ahead import PlayedAhead
from .view_model import KEPT_CUTS, KEPT_CYCLES

WAVES_BEFORE_S = 10.0
"""Seconds before the place of a jump whose waveforms are wanted on the screen."""
_SLICE_S = 0.05
_SAME_S = 0.05
"""Nearer than so, one moment, nobody sees that it is another place."""
_NEAR_S = 2.0
"""So far ahead a jump plays all that lies between."""


class _GivenUpError(Exception):
    """Another jump is wanted, or the end, or to stay: this one need not be finished."""


class ReplayFeed(Player):
    """Plays a recording; `do` may be called from any thread. predict: works out what the physics say of the
    set-up, which may take half a minute; called in the feed's own thread. known_goods: what it is measured by."""

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        predict: Callable[[], Prediction | None] = lambda: None,
        inbox: Inbox | None = None,
        *,
        speed: float = 1.0,
        paused: bool = False,
        known_goods: KnownGoods | None = None,
    ) -> None:
        self.inbox = inbox if inbox is not None else Inbox()
        self.where = recording.path.name
        self._recording = recording
        self._setup = setup
        self._predict = predict
        self._known_goods = known_goods
        self._speed, self._paused = speed, paused
        span = recording.host_span_ns
        self.length_s = (span[1] - span[0]) / 1e9 if span is not None else None
        self._wanted: list[Command | SeekTo] = []
        self._asked = threading.Condition()
        self._closing = self._staying = False
        self._how = (speed, paused)
        self._at_s = 0.0
        self._trouble: str | None = None
        self._thread = threading.Thread(target=self._play, name="replay", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        with self._asked:
            self._closing = True
            self._asked.notify()
        if self._thread.is_alive():
            self._thread.join()

    def do(self, command: Command | SeekTo) -> None:
        with self._asked:
            if isinstance(command, SeekTo):
                self._wanted = [c for c in self._wanted if not isinstance(c, SeekTo)]
            self._wanted.append(command)
            self._asked.notify()

    def stay(self) -> None:
        with self._asked:
            self._wanted = [c for c in self._wanted if not isinstance(c, SeekTo)]
            self._staying = True

    # --- the thread ------------------------------------------------------------------------------------

    def _play(self) -> None:
        began_s = time.monotonic()
        status = self._status(Playback(self._recording, self._setup), None, began_s)
        try:
            status.state("opening", "working out by engine physics what this set-up does")
            prediction = self._predict()
            with contextlib.closing(
                PlayedAhead(self._recording, self._setup, prediction, self._known_goods)
            ) as ahead:
                playback = _Scrubbed(
                    self._recording,
                    self._setup,
                    prediction,
                    self._known_goods,
                    self.inbox,
                    ahead,
                    self._under_way,
                )
                self._until_closed(playback, self._status(playback, prediction, began_s))
        except EvenstrokeError as error:
            status.state("failed", str(error))

    def _status(self, playback: Playback, prediction: Prediction | None, began_s: float) -> ReplayStatus:
        return ReplayStatus(
            self._recording,
            self._setup,
            playback,
            setup_notes(self._setup, prediction),
            self.inbox.put,
            lambda: time.monotonic() - began_s,
        )

    def _until_closed(self, playback: _Scrubbed, status: ReplayStatus) -> None:
        def command(wait_s: float) -> Command | SeekTo | None:
            playback.ahead.look()
            status.every_second(pace)
            self._say_where(playback, pace)
            return self._next(min(wait_s, _SLICE_S))

        pace = Pace(playback, now_s=time.monotonic, command=command, speed=self._speed, paused=self._paused)
        while not self._closing:
            try:
                for moment in pace:
                    playback.tell(moment)
            except _GivenUpError:
                continue  # what interrupted it waits to be done, or it stays where it is
            status.health()
            pace.paused = True
            self._say_where(playback, pace)
            self._at_the_end(playback, pace)

    def _at_the_end(self, playback: _Scrubbed, pace: Pace) -> None:
        """Nothing is left to play: wait until somebody wants to go back, or to begin anew."""
        while not self._closing:
            command = self._next(_SLICE_S)
            to_s = None
            if isinstance(command, SeekTo):
                to_s = command.at_s
            elif command is Command.BACK:
                to_s = playback.progress.at_s - 10.0
            elif command is Command.PAUSE:
                to_s, pace.paused = 0.0, False
            if to_s is not None:
                with contextlib.suppress(_GivenUpError):
                    playback.seek(max(0.0, to_s))
                return

    def _next(self, wait_s: float) -> Command | SeekTo | None:
        with self._asked:
            if not self._wanted and not self._closing and wait_s > 0.0:
                self._asked.wait(wait_s)
            if self._closing:
                return Command.QUIT
            return self._wanted.pop(0) if self._wanted else None

    def _under_way(self, to_s: float, share: float) -> None:
        """A jump has come so far. Raises _GivenUpError where it need not go on."""
        with self._asked:
            stay = self._staying and share < 1.0  # later the other place is shown already
            if self._closing or stay or any(isinstance(c, SeekTo) for c in self._wanted):
                raise _GivenUpError
        self.inbox.put(Playing(self._at_s, self.length_s, *self._how, to_s, share, self._trouble))

    def _say_where(self, playback: _Scrubbed, pace: Pace) -> None:
        self._how = (pace.speed, pace.paused)
        self._at_s = playback.progress.at_s
        with self._asked:
            self._staying = False  # no jump is being made
        self._trouble = playback.ahead.problem
        self.inbox.put(Playing(self._at_s, self.length_s, *self._how, trouble=self._trouble))


class _Scrubbed(Playback):
    """A playback that tells an inbox all that a window needs, when it plays and when it jumps.

    under_way: told where a jump leads to and which share of the waiting is over; it may raise, to give up.
    """

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        prediction: Prediction | None,
        known_goods: KnownGoods | None,
        inbox: Inbox,
        ahead: PlayedAhead,
        under_way: Callable[[float, float], None],
    ) -> None:
        super().__init__(recording, setup, prediction, ahead.played, known_goods)
        self.ahead = ahead
        self._inbox = inbox
        self._under_way = under_way
        self._held: Moment | None = None  # given out, and not told yet
        self._torn = False  # a jump was given up after it had begun to show the other place

    def next(self) -> Moment | None:
        self._held = super().next()
        return self._held

    def tell(self, moment: Moment) -> None:
        """Hand over what a moment brought."""
        self._held = None
        for note in moment.notes:
            self._inbox.put(MarkNote(moment.at_s, note))
        for message in moment.messages:
            self._inbox.put(message)

    def seek(
        self,
        at_s: float,
        passing: Callable[[Moment], None] = lambda moment: None,
        *,
        leap: bool = True,
    ) -> None:
        held, self._held = self._held, None
        if held is not None and at_s <= held.at_s and held.at_s - at_s < _SAME_S and not self._torn:
            self._ahead = held  # where it is already
            return
        if 0.0 <= at_s - self.progress.at_s < _NEAR_S and not self._torn:
            if held is not None:
                self.tell(held)
            super().seek(at_s, self.tell, leap=False)
            return
        try:
            self._wait_for(at_s)
        except _GivenUpError:
            self._ahead = held
            raise
        self._torn = True
        self._jump(at_s)
        self._torn = False

    def _wait_for(self, at_s: float) -> None:
        """Until the other process has come so far."""
        self.ahead.look()
        began_s = self.ahead.played.reached_s
        while not self.ahead.ended and (reached_s := self.ahead.played.reached_s) < at_s:
            self._under_way(at_s, (reached_s - began_s) / (at_s - began_s))
            self.ahead.look(_SLICE_S)
        self._under_way(at_s, 1.0)

    def _jump(self, at_s: float) -> None:
        """Show what was known then at once, and then the waveforms as sampled of the seconds before it."""
        played = self.ahead.played
        known = played.known_at(at_s, cycles=KEPT_CYCLES, cut=KEPT_CUTS, waves_s=WAVES_BEFORE_S)
        notes = [MarkNote(*note) for note in played.notes_at(at_s)]
        self._inbox.put(Jumped(), *notes, *known)
        until_s = max((_end_s(m) for m in known if isinstance(m, WaveData)), default=0.0)
        told_s = played.reached_s if self.ahead.ended and self.ahead.problem else at_s

        def passing(moment: Moment) -> None:
            """The other process may have ended before its time: what it did not find is told from here."""
            if moment.at_s >= told_s:
                self.tell(moment)
                self._under_way(at_s, min(0.99, (moment.at_s - told_s) / max(1.0, at_s - told_s)))
                return
            for message in moment.messages:
                if isinstance(message, WaveData) and (
                    message.header.kind == "raw" or _end_s(message) > until_s + 0.5 * message.header.dt_s
                ):
                    self._inbox.put(message)
            self._under_way(at_s, 1.0)

        for wave in self.raw_waves(at_s - WAVES_BEFORE_S, at_s):
            self._inbox.put(wave)
            self._under_way(at_s, 1.0)
        super().seek(at_s, passing, leap=False)


def _end_s(wave: WaveData) -> float:
    return wave.header.t0_s + float(wave.samples.shape[1]) * wave.header.dt_s
