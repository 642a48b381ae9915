"""From a stream of bytes to COBS-decoded frames, whatever the chunks it arrives in."""

from __future__ import annotations

from typing import Final

from cobs import cobs

from evenstroke_protocol.events import Loss, LossReason
from evenstroke_protocol.wire import DELIMITER, LONGEST_CODED

Body = tuple[int, int, bytes]
"""A frame: byte offset, coded bytes without delimiter, payload with CRC."""

BATCH: Final = 1 << 16
"""Bytes decoded at one go: enough to spread numpy's fixed costs, little enough to bound what waits."""

SLICE: Final = LONGEST_CODED + 1


class FrameSplitter:
    """Cuts a byte stream at its delimiters.

    What is kept is what was received and not yet taken; once all is taken, at most
    `LONGEST_CODED` bytes remain.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._offset = 0  # of the buffer's first byte in all that was received
        self._overlong = False  # inside a frame whose beginning is already lost

    @property
    def buffered(self) -> int:
        """Bytes received and not yet taken."""
        return len(self._buffer)

    def receive(self, data: bytes | bytearray | memoryview) -> None:
        self._buffer += data

    def take(self) -> list[Body | Loss]:
        """The next frames in order, empty when more bytes are needed; at most `BATCH` bytes of them."""
        while True:
            end = self._buffer.rfind(DELIMITER, 0, BATCH)
            if end < 0:
                return self._take_overlong()
            found = self._split(bytes(self._buffer[:end]))
            self._drop(end + 1)
            if found:  # else nothing but delimiters so far
                return found

    def _split(self, window: bytes) -> list[Body | Loss]:
        found: list[Body | Loss] = []
        offset = self._offset
        for coded in window.split(DELIMITER):
            size = len(coded)
            if size > LONGEST_CODED or self._overlong:
                found += self._overlong_pieces(offset, size)
                self._overlong = False
            elif size:
                try:
                    found.append((offset, size, cobs.decode(coded)))
                except cobs.DecodeError:
                    found.append(
                        Loss(
                            reason=LossReason.NOT_COBS,
                            offset=offset,
                            expected="COBS codes that end with the frame",
                            got=f"{size} bytes whose last code points beyond them",
                            bytes_lost=size,
                        )
                    )
            offset += size + 1
        return found

    def _take_overlong(self) -> list[Body | Loss]:
        # No delimiter in sight. The cuts depend on the bytes alone, so that chunks change nothing.
        whole = min(len(self._buffer), BATCH) // SLICE * SLICE
        if not whole:
            return []
        found = self._overlong_pieces(self._offset, whole)
        self._overlong = True
        self._drop(whole)
        return found

    def _overlong_pieces(self, offset: int, size: int) -> list[Body | Loss]:
        return [
            Loss(
                reason=LossReason.TOO_LONG,
                offset=offset + at,
                expected=f"a delimiter within {SLICE} bytes",
                got="none" if at == 0 and not self._overlong else "more of the same overlong frame",
                bytes_lost=min(SLICE, size - at),
            )
            for at in range(0, size, SLICE)
        ]

    def _drop(self, count: int) -> None:
        del self._buffer[:count]
        self._offset += count
