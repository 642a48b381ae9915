"""When to say what was recorded: in real time, faster, or as fast as it goes; paused, or by single cycles.

Reading knows no clock, and this reads none: what time it is, and waiting for a key, are handed in.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # who only names commands need not load the pipeline
    from .playback import Moment, Playback

AS_FAST_AS_IT_GOES = float("inf")
LEAP_S = 10.0
"""How far one key goes forward or back, seconds."""
_SPEED_STEP = 2.0
_LONGEST_SILENCE_S = 3600.0


class Command(enum.Enum):
    """What somebody at the keyboard can ask for."""

    PAUSE = "pause or go on"
    CYCLE = "one cycle, then pause"
    FORWARD = f"{LEAP_S:g} s forward"
    BACK = f"{LEAP_S:g} s back"
    FASTER = "twice as fast"
    SLOWER = "half as fast"
    QUIT = "end"


@dataclass(frozen=True, slots=True)
class SeekTo:
    """A command to go on from that second of the recording."""

    at_s: float


class Pace:
    """An iterator over the moments of a playback, each given out when it is due.

    speed: recorded seconds per second; `AS_FAST_AS_IT_GOES` never waits. paused: nothing is given out.
    now_s: a clock that only grows. command: waits at most so many seconds for a command, and returns it
    or None when the time is over.
    """

    def __init__(
        self,
        playback: Playback,
        *,
        now_s: Callable[[], float],
        command: Callable[[float], Command | SeekTo | None],
        speed: float = 1.0,
        paused: bool = False,
    ) -> None:
        self._playback = playback
        self._now_s = now_s
        self._command = command
        self.speed = speed
        self.paused = paused
        self._to_next_cycle = False
        self._anchor: tuple[float, float] | None = None  # (clock, recorded time) that belong together

    def __iter__(self) -> Iterator[Moment]:
        self._anchor = None
        moment = self._playback.next()
        while moment is not None:
            wait_s = self._wait_s(moment)
            command = self._command(wait_s)
            if command is Command.QUIT:
                return
            if command in (Command.FORWARD, Command.BACK):
                command = SeekTo(moment.at_s + (LEAP_S if command is Command.FORWARD else -LEAP_S))
            if isinstance(command, SeekTo):
                self._playback.seek(max(0.0, command.at_s))
                self._anchor = None
                moment = self._playback.next()
            elif isinstance(command, Command):
                self._obey(command)
            elif self._wait_s(moment) <= 0.0:
                yield moment
                if self._to_next_cycle and moment.cycle is not None:
                    self._to_next_cycle, self.paused = False, True
                moment = self._playback.next()

    def _obey(self, command: Command) -> None:
        self._anchor = None  # the clock went on meanwhile, the recording did not
        if command is Command.PAUSE:
            self.paused = not self.paused
            self._to_next_cycle = False
        elif command is Command.CYCLE:
            self.paused, self._to_next_cycle = False, True
        else:
            self.speed *= _SPEED_STEP if command is Command.FASTER else 1 / _SPEED_STEP

    def _wait_s(self, moment: Moment) -> float:
        """How long until it is due, seconds; 0 when it is."""
        if self.paused:
            return _LONGEST_SILENCE_S
        if self._to_next_cycle or self.speed == AS_FAST_AS_IT_GOES:
            self._anchor = None
            return 0.0
        now_s = self._now_s()
        if self._anchor is None:
            self._anchor = (now_s, moment.at_s)
        clock_s, recorded_s = self._anchor
        return max(0.0, clock_s + (moment.at_s - recorded_s) / self.speed - now_s)
