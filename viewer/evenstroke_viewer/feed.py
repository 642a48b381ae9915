"""From a stream to whoever draws it: a thread receives, and hands over what is newest. No Qt here.

Nobody waits for a screen. What a slow one does not fetch is dropped, oldest waveforms first, and counted; of balances,
findings, states and healths, each of which says everything anew, only the newest is kept.
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import msgspec
from evenstroke_dsp.messages import TOPIC_OF, Cycle, State, WaveData
from evenstroke_replay.pacing import Command, SeekTo

from .curve_keys import CurveKeys
from .subscriber import DEFAULT_ADDRESS, Received, Subscriber

MOST_SAMPLES = 12_000_000
"""Waveform values that may wait: half a minute of eight inputs at 50 kS/s."""
MOST_CYCLES = 5000
_LOOK_UP_S = 0.1


@dataclass(frozen=True, slots=True)
class Restarted:
    """What follows is of another session: another daemon, another set-up, or another place in a recording."""


@dataclass(frozen=True, slots=True)
class Jumped:
    """The recording that is played goes on from another second; what was known then follows, from the beginning."""


@dataclass(frozen=True, slots=True)
class Playing:
    """Where in a recording the replay is, seconds, and how it goes on. length_s: None where it cannot be told;
    to_s: where a jump that is being made leads to; share: of the waiting for it, 0 to 1, how much is over. trouble: why jumps
    take as long as playing does; None: they do not."""

    at_s: float
    length_s: float | None
    speed: float
    paused: bool
    to_s: float | None = None
    share: float = 0.0
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class MarkNote:
    """A moment that somebody marked, seconds of the stream, and what they said of it."""

    at_s: float
    words: str


Handed = Received | Restarted | Jumped | Playing | MarkNote


@dataclass(frozen=True, slots=True)
class Delivery:
    """What came since the last one, oldest first; silent_s: since the last message, None when none came ever.

    missed: messages that never reached this program; dropped: waveforms that it did not fetch in time; unreadable:
    messages that this version does not know. All counted from the beginning.
    """

    messages: tuple[Handed, ...]
    silent_s: float | None
    missed: int
    dropped: int
    unreadable: int


class Inbox:
    """Between the thread that receives and the one that draws. now_s: a clock that only grows."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic, most_samples: int = MOST_SAMPLES) -> None:
        self._now_s = now_s
        self._most_samples = most_samples
        self._lock = threading.Lock()
        self._waiting: deque[Handed] = deque()
        self._samples = 0
        self._cycles = 0
        self._heard_s: float | None = None
        self._dropped = 0
        self.missed = 0
        self.unreadable = 0

    def put(self, *messages: Handed) -> None:
        """Hand messages over, which are then taken together or not at all; never waits."""
        with self._lock:
            self._heard_s = self._now_s()
            for message in messages:
                self._put(message)

    def _put(self, message: Handed) -> None:
        if isinstance(message, (Restarted, Jumped)):
            kept = (State, Playing, MarkNote) if isinstance(message, Jumped) else ()
            self._waiting = deque(m for m in self._waiting if isinstance(m, kept))
            self._samples = self._cycles = 0
        elif isinstance(message, WaveData):
            self._samples += message.samples.size
            self._drop_old_waves()
        elif isinstance(message, Cycle):
            self._cycles += 1
            self._drop_old_cycles()
        elif not isinstance(message, MarkNote):
            older = next((m for m in self._waiting if type(m) is type(message)), None)
            if older is not None:
                self._waiting.remove(older)
        self._waiting.append(message)

    def _drop_old_waves(self) -> None:
        while self._samples > self._most_samples:
            # Raw ones first: what cycles are cut from is worth more.
            waves = [m for m in self._waiting if isinstance(m, WaveData)]
            old = next((m for m in waves if m.header.kind == "raw"), next(iter(waves), None))
            if old is None:  # the newest alone is too large
                return
            self._waiting.remove(old)
            self._samples -= old.samples.size
            self._dropped += 1

    def _drop_old_cycles(self) -> None:
        while self._cycles > MOST_CYCLES:
            self._waiting.remove(next(m for m in self._waiting if isinstance(m, Cycle)))
            self._cycles -= 1

    def take(self) -> Delivery:
        """Everything that waits."""
        with self._lock:
            messages = tuple(self._waiting)
            self._waiting.clear()
            self._samples = self._cycles = 0
            silent = None if self._heard_s is None else self._now_s() - self._heard_s
            return Delivery(messages, silent, self.missed, self._dropped, self.unreadable)


class Feed(Protocol):
    """Where messages come from: a running daemon, or a recording that is played."""

    @property
    def inbox(self) -> Inbox: ...

    @property
    def where(self) -> str:
        """What it is, for people: an address, a file."""

    def start(self) -> None: ...

    def close(self) -> None: ...


class Player(ABC):
    """A feed whose place and pace can be chosen: a recording that is played."""

    @abstractmethod
    def do(self, command: Command | SeekTo) -> None:
        """Obey soon. Of several jumps that wait only the last is made."""

    @abstractmethod
    def stay(self) -> None:
        """Give up a jump that waits or is being waited for, and go on where it is."""


class LiveFeed:
    """A thread that subscribes to a daemon, whether it runs yet or not, and finds it again when it comes back."""

    def __init__(
        self, address: str = DEFAULT_ADDRESS, inbox: Inbox | None = None, keys: CurveKeys | None = None
    ) -> None:
        self.inbox = inbox if inbox is not None else Inbox()
        self.where = address
        self._keys = keys
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._receive, name="feed", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join()

    def _receive(self) -> None:
        sessions = SessionWatch()
        with Subscriber(self.where, keys=self._keys) as subscriber:
            while not self._closing.is_set():
                restarts = subscriber.restarts.total()
                try:
                    message = subscriber.receive(_LOOK_UP_S)
                except (KeyError, ValueError, msgspec.MsgspecError):
                    self.inbox.unreadable += 1
                    continue
                self.inbox.missed = subscriber.missed.total()
                if message is None:
                    continue
                topic = "wave" if isinstance(message, WaveData) else TOPIC_OF[type(message)]
                if sessions.begins(topic, again=subscriber.restarts.total() > restarts):
                    self.inbox.put(Restarted())
                self.inbox.put(message)


class SessionWatch:
    """Tells when a new session begins. Each topic's numbers begin again by themselves, one after the other: only the
    first of them to do so marks the beginning."""

    def __init__(self) -> None:
        self._seen: set[str] = set()

    def begins(self, topic: str, *, again: bool) -> bool:
        """again: this topic's sequence numbers began again with this message."""
        begins = again and topic in self._seen
        if begins:
            self._seen = set()
        self._seen.add(topic)
        return begins
