"""A virtual board behind a pseudo-terminal or a TCP port, at the pace of a clock.

The board keeps its line: a host that reads too slowly holds the board's time back, so that nothing
is lost between board and host which the board did not count itself. A host that closes and comes
back finds the board there, not streaming.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from evenstroke_replay.rig_source import RigError

LOOPBACK = "127.0.0.1"

_STEP_S = 0.005
_FLAT_OUT_STEP_S = 0.02
_WITHOUT_HOST_S = 0.02
_READ_AT_ONCE = 4096


class Clock(Protocol):
    """Seconds that pass; the time module fits."""

    def monotonic(self) -> float: ...


class Pace(Protocol):
    """How the board's time goes on.

    most_waiting: bytes that may wait for the host before the board's time is held.
    """

    @property
    def most_waiting(self) -> int: ...

    def next(self, board_s: float, held: bool) -> float:
        """The board's time to advance to now. held: the host has not taken what was sent before."""

    def patience(self, streaming: bool) -> float:
        """Seconds to wait for the host before the board's time is moved again."""


class RealTime:
    """As the clock goes, or `speed` times as fast. Time during which the host held the board is left out."""

    most_waiting = 1 << 18

    def __init__(self, clock: Clock, speed: float = 1.0) -> None:
        self._clock = clock
        self._speed = speed
        self._last = clock.monotonic()

    def next(self, board_s: float, held: bool) -> float:
        now = self._clock.monotonic()
        passed, self._last = now - self._last, now
        return board_s if held else board_s + passed * self._speed

    def patience(self, streaming: bool) -> float:
        return _STEP_S


class FlatOut:
    """As fast as the host takes it: for tests and for the bench."""

    most_waiting = 1

    def next(self, board_s: float, held: bool) -> float:
        return board_s if held else board_s + _FLAT_OUT_STEP_S

    def patience(self, streaming: bool) -> float:
        return 0.0 if streaming else _STEP_S


class Endpoint(Protocol):
    """Where a host finds the board."""

    @property
    def address(self) -> str:
        """What a host opens."""

    def wait(self, seconds: float, *, to_write: bool) -> None:
        """Until the host sent something, takes something (if to_write), or the time is over."""

    def read(self) -> bytes | None:
        """What the host sent, b"" if nothing; None when no host is there."""

    def write(self, data: bytes | bytearray) -> int:
        """How many of the bytes were taken."""

    def hide(self) -> None:
        """As if the cable had been pulled: no port, until `show`."""

    def show(self) -> None:
        """The port is there again, under the same address."""

    def close(self) -> None: ...


class PtyEndpoint:
    """A pseudo-terminal in raw mode (POSIX). Raises RigError where the system has none.

    keep_name: it will be hidden and shown again, under the same address.
    """

    def __init__(self, *, keep_name: bool = False) -> None:
        try:
            import pty
        except ImportError as error:
            raise RigError(
                "this system has no pseudo-terminals",
                where="virtual rig",
                expected="Linux, macOS or another POSIX system",
                found=os.name,
                todo="use --tcp 0 and give the printed address as the port",
            ) from error
        self._openpty = pty.openpty
        self._board = -1
        self._attached = False
        # A port that is to go and come must keep its name: a link to whichever pseudo-terminal it is then.
        self._link = Path(tempfile.mkdtemp(prefix="evenstroke-rig-")) / "board" if keep_name else None
        self.show()

    def show(self) -> None:
        self._board, host = self._openpty()
        self.address = os.ttyname(host)
        if self._link is not None:
            self._link.symlink_to(self.address)
            self.address = str(self._link)
        os.set_blocking(self._board, False)
        self._attached = False
        self._make_ready(host)

    def hide(self) -> None:
        if self._link is not None:
            self._link.unlink()
        os.close(self._board)
        self._board = -1

    def _make_ready(self, host: int) -> None:
        """Raw, and nothing left over in either queue; then let go of the host's end.

        Held open, it would hide from us that a host goes away.
        """
        import termios
        import tty

        # What the board wrote waits in two places: on its way, and with the host's end.
        termios.tcflush(self._board, termios.TCOFLUSH)
        termios.tcflush(host, termios.TCIFLUSH)
        tty.setraw(host, termios.TCSANOW)
        os.close(host)

    def wait(self, seconds: float, *, to_write: bool) -> None:
        if self._board < 0 or not self._attached:
            # Without a host the pseudo-terminal always counts as ready.
            select.select([], [], [], max(seconds, _WITHOUT_HOST_S))
        else:
            select.select([self._board], [self._board] if to_write else [], [], seconds)

    def read(self) -> bytes | None:
        if self._board < 0:
            return None
        try:
            data = os.read(self._board, _READ_AT_ONCE)
        except BlockingIOError:
            self._attached = True
            return b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            data = b""
        if data:
            self._attached = True
            return data
        # No host: Linux says so with EIO, others with an end of file.
        if self._attached:
            self._attached = False
            self._make_ready(os.open(self.address, os.O_RDWR | os.O_NOCTTY))
        return None

    def write(self, data: bytes | bytearray) -> int:
        if self._board < 0:
            return 0
        try:
            return os.write(self._board, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return 0

    def close(self) -> None:
        if self._board >= 0:
            self.hide()
        if self._link is not None:
            self._link.parent.rmdir()


class TcpEndpoint:
    """A TCP port on this machine alone; port 0 takes any free one. A second host is turned away.

    Raises RigError where the port cannot be had.
    """

    def __init__(self, port: int) -> None:
        self._host: socket.socket | None = None
        self._listen(port)
        self._port: int = self._listener.getsockname()[1]
        self.address = f"socket://{LOOPBACK}:{self._port}"

    def _listen(self, port: int) -> None:
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._listener.bind((LOOPBACK, port))
            self._listener.listen(1)
        except OSError as error:
            self._listener.close()
            raise RigError(
                "the TCP port cannot be opened",
                where=f"{LOOPBACK}:{port}",
                expected="a port that nobody else listens on",
                found=error.strerror or str(error),
                todo="choose another port, or 0 for any free one",
            ) from error
        self._listener.setblocking(False)

    def hide(self) -> None:
        self.close()
        self._host = None

    def show(self) -> None:
        self._listen(self._port)

    def wait(self, seconds: float, *, to_write: bool) -> None:
        hosts = [self._host] if self._host is not None else []
        listeners = [self._listener] if self._listener.fileno() >= 0 else []
        if not listeners:
            select.select([], [], [], max(seconds, _WITHOUT_HOST_S))
            return
        select.select([*listeners, *hosts], hosts if to_write else [], [], seconds)

    def read(self) -> bytes | None:
        if self._listener.fileno() < 0:
            return None
        self._welcome()
        if self._host is None:
            return None
        try:
            data = self._host.recv(_READ_AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._host.close()
            self._host = None
            return None
        return data

    def _welcome(self) -> None:
        try:
            come, _ = self._listener.accept()
        except BlockingIOError:
            return
        if self._host is not None:
            come.close()
            return
        come.setblocking(False)
        come.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._host = come

    def write(self, data: bytes | bytearray) -> int:
        if self._host is None:
            return 0
        try:
            return self._host.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            return 0  # the next read finds that the host has gone

    def close(self) -> None:
        if self._host is not None:
            self._host.close()
        self._listener.close()


class Board(Protocol):
    """What is served: a virtual board, or one with faults."""

    @property
    def now_s(self) -> float: ...

    @property
    def streaming(self) -> bool: ...

    @property
    def here(self) -> bool: ...

    def receive(self, data: bytes) -> None: ...

    def advance(self, to_s: float) -> bytes: ...

    def hang_up(self) -> None: ...


def serve(
    board: Board,
    endpoint: Endpoint,
    pace: Pace,
    ended: Callable[[], bool],
    say: Callable[[str], None] = lambda text: None,
) -> None:
    """Let the board live behind the endpoint until `ended()`, then close the endpoint.

    say: told, in one line, when a host comes, goes, starts or stops a run.
    """
    waiting = bytearray()
    attached = streaming = False
    here = True
    with contextlib.closing(endpoint):
        while not ended():
            if board.here != here:
                here = board.here
                (endpoint.show if here else endpoint.hide)()
                say("the port is back" if here else "the port is gone")
            received = endpoint.read()
            if (received is not None) != attached:
                attached = received is not None
                say("a host is here" if attached else "the host has gone")
                if not attached:
                    board.hang_up()
                    waiting.clear()
            if received:
                board.receive(received)
            waiting += board.advance(pace.next(board.now_s, held=len(waiting) >= pace.most_waiting))
            if attached:
                del waiting[: endpoint.write(waiting)]
            else:
                waiting.clear()
            if board.streaming != streaming:
                streaming = board.streaming
                say("streaming" if streaming else "not streaming")
            endpoint.wait(pace.patience(streaming and not waiting), to_write=bool(waiting))
