"""The last seconds of what a board sent, so that a recording begins before somebody asked for it."""

from __future__ import annotations

from collections import deque

from evenstroke_protocol.wire import DELIMITER

from .recording import RecordedBytes

SECONDS = 10.0
"""How far back a recording reaches that is started late: longer than it takes to say 'record that'."""
MOST_BYTES = 16 * 1024 * 1024
"""More than the ten seconds of the fastest board; what bounds the memory when a clock stands still."""


class RecentBytes:
    """A ring of the latest pieces of a board's stream, with the host times of their coming.

    seconds, most_bytes: what is older, or does not fit, is dropped, whole pieces at a time.
    Not for use from several threads at once.
    """

    def __init__(self, seconds: float = SECONDS, most_bytes: int = MOST_BYTES) -> None:
        self._keep_ns = round(seconds * 1e9)
        self._most_bytes = most_bytes
        self._pieces: deque[RecordedBytes] = deque()
        self._hellos: deque[RecordedBytes] = deque()
        self._dropped = False  # something came before the oldest piece
        self.size = 0

    def add(self, data: bytes, host_ns: int) -> None:
        """Take in bytes exactly as the link gave them, and when (nanoseconds of a monotonic clock)."""
        if not data:
            return
        self._pieces.append(RecordedBytes(host_ns, data))
        self.size += len(data)
        while self._pieces and (
            self.size > self._most_bytes or host_ns - self._pieces[0].host_ns > self._keep_ns
        ):
            self.size -= len(self._pieces.popleft().data)
            self._dropped = True
        begins_ns = self._pieces[0].host_ns if self._pieces else host_ns
        while len(self._hellos) > 1 and self._hellos[1].host_ns <= begins_ns:
            self._hellos.popleft()

    def met(self, hello: bytes, host_ns: int) -> None:
        """A board said what it is: its hello as one frame, and when it came.

        It stays when its bytes have left the ring: without it no sample has a time or a voltage.
        """
        self._hellos.append(RecordedBytes(host_ns, hello))

    def pieces(self) -> tuple[RecordedBytes, ...]:
        """What a recording that is started now must begin with, oldest first.

        The hello of the board that the oldest bytes are from, then the bytes from the first whole
        frame on: half a frame at the beginning would count as a loss that never was.
        """
        pieces = list(self._pieces)
        if self._dropped:
            pieces = _from_a_whole_frame(pieces)
        if not self._hellos:
            return tuple(pieces)
        begins_ns = pieces[0].host_ns if pieces else self._hellos[-1].host_ns
        hello = self._hellos[0].data
        return (RecordedBytes(begins_ns, hello), *pieces)

    def clear(self) -> None:
        """Forget everything, the hello too: the next bytes are another stream's."""
        self._pieces.clear()
        self._hellos.clear()
        self._dropped = False
        self.size = 0


def _from_a_whole_frame(pieces: list[RecordedBytes]) -> list[RecordedBytes]:
    for number, piece in enumerate(pieces):
        place = piece.data.find(DELIMITER)
        if place >= 0:
            rest = piece.data[place + len(DELIMITER) :]
            return ([RecordedBytes(piece.host_ns, rest)] if rest else []) + pieces[number + 1 :]
    return []
