"""A recording played into a window: in real time, faster, by cycles, and from any second of it. No Qt here.

The thread reads through replay's player, and what it hands over is what a daemon would publish. A jump works through all that
is skipped, since a balance rests on every cycle before it; what was known at that second already is shown at once.
"""

from __future__ import annotations

import bisect
import contextlib
import threading
import time
import zlib
from collections.abc import Callable

import msgspec
from evenstroke_dsp.messages import Balance, FindingMessage
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import setup_notes
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.pacing import Command, Pace, SeekTo
from evenstroke_replay.playback import Moment, Playback
from evenstroke_replay.recording import Recording
from evenstroke_replay.replay_status import ReplayStatus

from .feed import Inbox, Jumped, MarkNote, Player, Playing

WAVES_BEFORE_S = 10.0
"""Seconds before the place of a jump whose waveforms are wanted on the screen."""
_SLICE_S = 0.05
_SAME_S = 0.05
"""Nearer than so, one moment, nobody sees that it is another place."""


class _GivenUpError(Exception):
    """Another jump is wanted, or the end: this one need not be finished."""


class ReplayFeed(Player):
    """Plays a recording; `do` may be called from any thread. predict: works out what the physics say of the
    set-up, which may take half a minute; called in the feed's own thread."""

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        predict: Callable[[], Prediction | None] = lambda: None,
        inbox: Inbox | None = None,
        *,
        speed: float = 1.0,
        paused: bool = False,
    ) -> None:
        self.inbox = inbox if inbox is not None else Inbox()
        self.where = recording.path.name
        self._recording = recording
        self._setup = setup
        self._predict = predict
        self._speed, self._paused = speed, paused
        span = recording.host_span_ns
        self.length_s = (span[1] - span[0]) / 1e9 if span is not None else None
        self._wanted: list[Command | SeekTo] = []
        self._asked = threading.Condition()
        self._closing = False
        self._how = (speed, paused)
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

    # --- the thread ------------------------------------------------------------------------------------

    def _play(self) -> None:
        began_s = time.monotonic()
        playback = _Scrubbed(self._recording, self._setup, None, self.inbox, self._under_way)
        status = self._status(playback, None, began_s)
        try:
            status.state("opening", "working out by engine physics what this set-up does")
            prediction = self._predict()
            playback = _Scrubbed(self._recording, self._setup, prediction, self.inbox, self._under_way)
            status = self._status(playback, prediction, began_s)
            self._until_closed(playback, status)
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
            status.every_second(pace)
            self._say_where(playback, pace)
            return self._next(min(wait_s, _SLICE_S))

        pace = Pace(playback, now_s=time.monotonic, command=command, speed=self._speed, paused=self._paused)
        while not self._closing:
            try:
                for moment in pace:
                    playback.tell(moment)
            except _GivenUpError:
                continue  # what interrupted it waits to be done
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

    def _under_way(self, at_s: float, to_s: float) -> None:
        """A jump has come so far. Raises _GivenUpError where it need not go on."""
        with self._asked:
            if self._closing or any(isinstance(c, SeekTo) for c in self._wanted):
                raise _GivenUpError
        self.inbox.put(Playing(at_s, self.length_s, *self._how, to_s))

    def _say_where(self, playback: Playback, pace: Pace) -> None:
        self._how = (pace.speed, pace.paused)
        self.inbox.put(Playing(playback.progress.at_s, self.length_s, *self._how))


class _Scrubbed(Playback):
    """A playback that tells an inbox all that a window needs, when it plays and when it jumps."""

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        prediction: Prediction | None,
        inbox: Inbox,
        under_way: Callable[[float, float], None],
    ) -> None:
        super().__init__(recording, setup, prediction)
        self._inbox = inbox
        self._under_way = under_way
        self._to_s = 0.0
        self._furthest_s = -1.0  # everything up to here was told before
        self._held: Moment | None = None  # given out, and not told yet
        # What was said of the whole so far, by time: no later second changes it.
        self._times: list[float] = []
        self._cycles: list[int] = []  # the last one's sequence number by then
        self._said: list[bytes] = []
        self._last_cycle = -1

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
        self._remember(moment)

    def _remember(self, moment: Moment) -> None:
        if moment.at_s <= self._furthest_s:
            return
        self._furthest_s = moment.at_s
        if moment.cycle is not None:
            self._last_cycle = moment.cycle.sequence
        balances = [m for m in moment.messages if isinstance(m, Balance)]
        findings = [m for m in moment.messages if isinstance(m, FindingMessage)]
        if balances or findings:
            balance, finding = self._both(len(self._said) - 1)
            both = (balances[-1] if balances else balance, findings[-1] if findings else finding)
            self._times.append(moment.at_s)
            self._cycles.append(self._last_cycle)
            self._said.append(zlib.compress(msgspec.msgpack.encode(both), 1))

    def _both(self, place: int) -> tuple[Balance | None, FindingMessage | None]:
        if place < 0:
            return (None, None)
        known: tuple[Balance | None, FindingMessage | None] = msgspec.msgpack.decode(
            zlib.decompress(self._said[place]), type=tuple[Balance | None, FindingMessage | None]
        )
        return known

    def seek(
        self,
        at_s: float,
        passing: Callable[[Moment], None] = lambda moment: None,
        *,
        leap: bool = True,
    ) -> None:
        held, self._held, self._to_s = self._held, None, at_s
        if held is not None and at_s <= held.at_s and held.at_s - at_s < _SAME_S:
            self._ahead = held  # where it is already
            return
        if at_s < self.progress.at_s or self.progress.at_s < self._furthest_s:
            self._jump(at_s)
            if self._ahead is None or self._ahead.at_s >= at_s:
                return
            held = super().next()
        if held is not None:
            self._pass(held)
        super().seek(at_s, self._pass, leap=False)

    def _jump(self, at_s: float) -> None:
        """Say what was known then, and go some seconds before it, so that there are waveforms to be seen."""
        place = bisect.bisect_left(self._times, at_s) - 1
        self._inbox.put(Jumped(self._cycles[place] if place >= 0 else -1))
        for known in self._both(place):
            if known is not None:
                self._inbox.put(known)
        super().seek(max(0.0, at_s - WAVES_BEFORE_S), self._pass_what_is_new)

    def _pass_what_is_new(self, moment: Moment) -> None:
        if moment.at_s > self._furthest_s:
            self.tell(moment)
        self._under_way(moment.at_s, self._to_s)

    def _pass(self, moment: Moment) -> None:
        self.tell(moment)
        self._under_way(moment.at_s, self._to_s)
