"""The link to a board: open the port, identify the board, start it, read its bytes, notice its silence, stop it.

One thread owns a Link. Its states and their transitions are in `link_states`; every change is
reported with a reason. What comes after the start is not decoded here: whoever decodes it says so with
`decoded`, and silence is judged by valid frames, so a line that carries garbage counts as silent.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable
from dataclasses import dataclass

from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.errors import DeviceProtocolError
from evenstroke_protocol.events import (
    Ack,
    AckStatus,
    Edges,
    Event,
    Hello,
    Loss,
    NeedData,
    Samples,
)
from evenstroke_protocol.wire import PROTOCOL_VERSION

from .link_states import LinkEvent, LinkState, LinkStatus, after
from .serial_port import LinkError, Opener, Port, explain, open_serial, system_words, turned_away

READ_BYTES = 65536
_MOST_RUNS = 255
READ_TIMEOUT_S = 0.02
"""A read returns after this time with what has come: short against a cycle, long against the cost of a read."""


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """How long the link waits for what, seconds."""

    answer_s: float = 0.5  # for the answer to one command
    attempts: int = 10  # a board that resets when its port opens needs up to two seconds to wake
    stalled_after_s: float = 1.0  # without a valid frame; the board sends one at least every 0.05 s
    failed_after_s: float = 5.0  # likewise


class LinkStopped(Exception):  # noqa: N818 - no error: the user asked for it
    """Stop was wanted while the board was being found or started."""


REAL_TIMING = LinkTiming()


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came, and when (monotonic host clock, nanoseconds, just after the read)."""

    data: bytes
    host_ns: int


class Link:
    """A serial link with states. Not thread-safe, but for `decoded`.

    stop_wanted: asked while the board is being identified and started; LinkStopped is raised when it is.
    """

    def __init__(
        self,
        port: str,
        baud: int,
        *,
        on_change: Callable[[LinkStatus], None],
        stop_wanted: Callable[[], bool],
        monotonic_ns: Callable[[], int],
        opener: Opener = open_serial,
        timing: LinkTiming = REAL_TIMING,
    ) -> None:
        self.port = port
        self.status = LinkStatus(LinkState.CLOSED, "not opened yet")
        self._baud = baud
        self._on_change = on_change
        self._stop_wanted = stop_wanted
        self._now_ns = monotonic_ns
        self._opener = opener
        self._timing = timing
        self.retrying = False
        """Whether a loss is one to be tried again (the link stalls) or the end (it fails)."""
        self._serial: Port | None = None
        self._heard = False  # a byte came since the port was opened
        self._run = 0  # the last run number asked for; every start takes another
        self._tokens = itertools.cycle(range(1, 65536))
        self._decoder = FrameDecoder()
        self._session: list[Chunk] = []
        self._bytes_ns = self._decoded_ns = self._valid_ns = 0

    # --- getting to streaming ------------------------------------------------------------------

    def open(self) -> None:
        """Open the port. Raises LinkError."""
        self._go(LinkEvent.OPEN, f"opening {self.port} at {self._baud} baud")
        try:
            self._serial = self._opener(self.port, self._baud, READ_TIMEOUT_S)
        except (OSError, ValueError) as error:
            explained = explain(self.port, error)
            self._go(self._loss, explained.problem)
            raise explained from error
        self._heard = False
        self._go(LinkEvent.OPENED, "the port is open; asking the board what it is")

    def identify(self) -> Hello:
        """The board's hello, the board idle. Raises LinkError.

        A board that still streams for somebody who is gone is stopped first. If that was this link, before the
        port went away, what the run still brought is data like any other: `start` returns it too.
        """
        hello = self._ask_hello()
        if hello.run:
            ours = hello.run == self._run
            self._command(encoder.encode_stop, "stop the run that was in progress")
            quiet_by = self._deadline(self._timing.answer_s)
            while (chunk := self._read()) is not None and self._now_ns() < quiet_by:
                self._session.append(chunk)
            brought = self._session if ours else []
            hello = self._ask_hello()
            self._session = [*brought, *self._session]
        return hello

    def start(self, rate_hz: int, inputs: tuple[int, ...], *, counting: bool = False) -> list[Chunk]:
        """Start a run; returns every chunk since the hello was asked for, the first data included.

        rate_hz: scans per second. inputs: analog inputs to sample and edge inputs to report. counting:
        the counting test signal in place of the converter's. Raises LinkError where the board declines or stays silent.
        """

        def build(token: int) -> bytes:
            self._run = self._run % _MOST_RUNS + 1  # a repeat must begin another run too
            return encoder.encode_start(token, self._run, rate_hz, inputs, counting)

        what = f"start at {rate_hz} Hz on inputs {', '.join(map(str, inputs))}"
        ack = self._command(build, what)
        if ack.status is AckStatus.NOT_NOW:
            # The number of its last run, whoever began it; an idle board does not say which that was.
            ack = self._command(build, what)
        if ack.status is not AckStatus.DONE:
            raise self._lost(
                f"the board declines to {what}",
                found=f"it answers: {ack.status.name.lower().replace('_', ' ')}",
                todo="compare the set-up's rate_hz and inputs with what the board offers",
            )
        deadline = self._deadline(self._timing.answer_s * self._timing.attempts)
        while (event := self._next_event(deadline)) is not None:
            if isinstance(event, Samples | Edges) and event.run == self._run:
                self._valid_ns = self._decoded_ns = self._bytes_ns
                self._go(LinkEvent.STARTED, f"the board streams at {rate_hz} Hz per input")
                session, self._session = self._session, []
                return session
        raise self._lost(
            "the board agreed to start but sends no data",
            todo="reset the board (unplug it, plug it in) and try again",
        )

    # --- streaming -------------------------------------------------------------------------------

    def read(self) -> Chunk | None:
        """What came within the read time-out. Raises LinkError when the port is gone or silent too long."""
        chunk = self._read()
        silent_s = self._silence_ns() / 1e9
        if self.status.state is LinkState.STREAMING and silent_s > self._timing.stalled_after_s:
            self._go(
                LinkEvent.SILENT, f"nothing valid came from the board for {self._timing.stalled_after_s:g} s"
            )
        elif self.status.state is LinkState.STALLED and silent_s <= self._timing.stalled_after_s:
            self._go(LinkEvent.RETURNED, "the board is heard again")
        elif self.status.state is LinkState.STALLED and silent_s > self._timing.failed_after_s:
            raise self._lost(
                f"the board fell silent: nothing valid for {self._timing.failed_after_s:g} s",
                todo="check cable, plug and supply (cranking pulls a weak one down), then start again",
            )
        return chunk

    def decoded(self, host_ns: int, valid: bool) -> None:
        """The chunk of that time is decoded, and held a valid frame or not. Any thread may say so."""
        if valid:  # first, so that no reader sees the chunk as decoded and not yet as valid
            self._valid_ns = host_ns
        self._decoded_ns = host_ns

    def stop(self) -> None:
        """Tell the board to stop; its last bytes are still to be read. Raises LinkError when the port is gone."""
        self._write(encoder.encode_stop(next(self._tokens)))

    def close(self, reason: str) -> None:
        """Close the port; no harm when it is closed already. A failed link stays failed."""
        self._close_port()
        if self.status.state not in (LinkState.CLOSED, LinkState.FAILED):
            self._go(LinkEvent.CLOSE, reason)

    # --- for whoever keeps the link up (kept_link) -------------------------------------------------

    def board_was_reset(self) -> None:
        """The board began anew; the port is still open and good for identifying and starting again."""
        self._go(LinkEvent.RESET, "the board was reset; starting it again")

    def gone(self, reason: str) -> None:
        """Lost for now: the port is closed, and to be opened again."""
        self._close_port()
        self._go(LinkEvent.GONE, reason)

    def check_stop(self) -> None:
        """Raises LinkStopped when a stop is wanted."""
        if self._stop_wanted():
            raise LinkStopped

    def give_up(self, reason: str) -> None:
        """Lost for good."""
        self._close_port()
        self._go(LinkEvent.LOST, reason)

    # --- inside ----------------------------------------------------------------------------------

    def _silence_ns(self) -> int:
        # While bytes wait to be decoded, our own backlog must not look like the board's silence.
        until = self._now_ns() if self._decoded_ns >= self._bytes_ns else self._decoded_ns
        return until - self._valid_ns

    def _close_port(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(OSError):  # a port that went away may not close in good order
                self._serial.close()
            self._serial = None

    @property
    def _loss(self) -> LinkEvent:
        return LinkEvent.GONE if self.retrying else LinkEvent.LOST

    def _go(self, event: LinkEvent, reason: str) -> None:
        self.status = LinkStatus(after(self.status.state, event), reason)
        self._on_change(self.status)

    def _lost(self, problem: str, *, expected: str = "", found: str = "", todo: str = "") -> LinkError:
        self._go(self._loss, f"{problem} ({found})" if found else problem)
        return LinkError(problem, where=self.port, expected=expected, found=found, todo=todo)

    def _read(self) -> Chunk | None:
        assert self._serial is not None
        try:
            data = self._serial.read(READ_BYTES)
        except OSError as error:
            raise self._gone(error) from error
        if not data:
            return None
        self._heard = True
        self._bytes_ns = self._now_ns()
        return Chunk(data, self._bytes_ns)

    def _write(self, data: bytes) -> None:
        assert self._serial is not None
        try:
            self._serial.write(data)
        except OSError as error:
            raise self._gone(error) from error

    def _gone(self, error: OSError) -> LinkError:
        if "://" in self.port and not self._heard:
            turned = turned_away(self.port)
            self._go(self._loss, turned.problem)
            return turned
        return self._lost(
            "the port went away",
            found=system_words(error, "the connection was closed"),
            todo="check that the cable is in at both ends; what was recorded so far is kept",
        )

    def _deadline(self, seconds: float) -> int:
        return self._now_ns() + int(seconds * 1e9)

    def _next_event(self, deadline_ns: int) -> Event | None:
        """The next event, from what is decoded already or from what comes before the deadline."""
        while isinstance(event := self._decoder.next_event(), NeedData):
            if self._now_ns() >= deadline_ns:
                return None
            self.check_stop()
            chunk = self._read()
            if chunk is not None:
                self._session.append(chunk)
                self._decoder.receive(chunk.data)
        return event

    def _ask_hello(self) -> Hello:
        self._decoder = FrameDecoder()
        self._session = []
        losses: list[Loss] = []
        frames = 0
        for _ in range(self._timing.attempts):
            self._write(encoder.encode_identify(next(self._tokens)))
            deadline = self._deadline(self._timing.answer_s)
            while (event := self._next_event(deadline)) is not None:
                if isinstance(event, Hello):
                    return self._speaking_our_version(event)
                if isinstance(event, Loss):
                    losses.append(event)
                else:
                    frames += 1
        raise self._unidentified(losses, frames)

    def _speaking_our_version(self, hello: Hello) -> Hello:
        if hello.protocol_version == PROTOCOL_VERSION:
            return hello
        problem = "the board speaks another version of the wire format"
        self._go(self._loss, f"{problem}: {hello.protocol_version}, not {PROTOCOL_VERSION}")
        raise DeviceProtocolError(
            problem,
            where=self.port,
            expected=f"version {PROTOCOL_VERSION}, which this evenstroke speaks",
            found=f"version {hello.protocol_version} ({hello.board}, firmware {hello.firmware})",
            todo="put firmware of this version on the board, or use the evenstroke that fits the board's",
        )

    def _unidentified(self, losses: list[Loss], frames: int) -> LinkError:
        received = b"".join(chunk.data for chunk in self._session)
        waited_s = self._timing.attempts * self._timing.answer_s
        if not received:
            return self._lost(
                f"nothing answers at this port (asked {self._timing.attempts} times in {waited_s:g} s)",
                expected="a board with evenstroke's firmware, awake",
                found="not one byte",
                todo="check that this is the board's port, that its firmware is on it, and that it has power",
            )
        if frames:
            return self._lost(
                "a board sends here but does not say what it is",
                expected="a hello in answer to identify",
                found=f"{frames} valid frames, none of them a hello",
                todo="check the wire towards the board (its receive pin), then reset the board",
            )
        why = f"; the first: {losses[0].expected} expected, {losses[0].got} found" if losses else ""
        return self._lost(
            "what comes from this port is not a board's stream",
            expected="frames as in evenstroke's wire format",
            found=f"{len(received)} bytes without one valid frame, beginning {received[:12].hex(' ')}{why}",
            todo=f"check that this is the board's port and that the board runs at {self._baud} baud, as the set-up says",
        )

    def _command(self, build: Callable[[int], bytes], what: str) -> Ack:
        """Send a command, again with another token where no answer comes, until it is acknowledged, either way."""
        for _ in range(self._timing.attempts):
            token = next(self._tokens)
            self._write(build(token))
            deadline = self._deadline(self._timing.answer_s)
            while (event := self._next_event(deadline)) is not None:
                if isinstance(event, Ack) and event.token == token:
                    return event
        raise self._lost(
            f"the board does not answer when told to {what}",
            todo="reset the board (unplug it, plug it in) and try again",
        )
