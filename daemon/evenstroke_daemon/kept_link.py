"""A link that is kept up: it waits for a board that went away, and starts one that was reset.

Has the surface of `Link` as the service's reader uses it. What a renewed identification brings comes out of
`read` like any bytes, so that it is recorded and a replay decodes it as live did. A board that comes
back must be the same one: another would be recorded as if it were the first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from evenstroke_protocol.errors import DeviceProtocolError, EvenstrokeError
from evenstroke_protocol.events import Hello

from .link import Chunk, Link
from .serial_port import LinkError


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a board that went away is waited for, and how often it is looked for, seconds."""

    wait_s: float = 60.0
    retry_s: float = 0.5


REAL_PATIENCE = Patience()


class KeptLink:
    """Keeps one `Link` streaming. Not thread-safe, but for `decoded` and `board_was_reset`.

    pause: waits so many seconds, or less when a stop is wanted.
    """

    def __init__(
        self,
        link: Link,
        *,
        monotonic_ns: Callable[[], int],
        pause: Callable[[float], None],
        patience: Patience = REAL_PATIENCE,
    ) -> None:
        self._link = link
        self._now_ns = monotonic_ns
        self._pause = pause
        self._patience = patience
        self._hello: Hello | None = None
        self._how: tuple[int, tuple[int, ...]] | None = None
        self._ready: deque[Chunk] = deque()
        self._started_ns = 0
        self._reset_ns = -1
        self._ending = False  # the board was told to stop
        self.resets_heard = 0

    @property
    def port(self) -> str:
        return self._link.port

    def open(self) -> None:
        """As `Link.open`: the first time nothing is waited for, a wrong port is better said at once."""
        self._link.open()

    def identify(self) -> Hello:
        self._hello = self._link.identify()
        return self._hello

    def start(self, rate_hz: int, inputs: tuple[int, ...]) -> list[Chunk]:
        self._how = (rate_hz, inputs)
        session = self._link.start(rate_hz, inputs)
        self._started_ns = self._now_ns()
        self._link.retrying = True
        return session

    def read(self) -> Chunk | None:
        """What came, also while the board is being found again.

        Raises LinkError when it was waited for in vain or went away after `stop`, LinkStopped when a stop is
        wanted meanwhile.
        """
        if self._ready:
            return self._ready.popleft()
        if self._ending:
            return self._link.read()
        try:
            if self._reset_ns > self._started_ns:
                self._link.board_was_reset()
                self._renew()
                return None
            return self._link.read()
        except LinkError as error:
            self._find_again(error)
            return None

    def decoded(self, host_ns: int, valid: bool) -> None:
        self._link.decoded(host_ns, valid)

    def board_was_reset(self, host_ns: int) -> None:
        """The chunk of that time held a hello that no command had asked for. Any thread may say so."""
        self._reset_ns = host_ns
        self.resets_heard += 1

    def stop(self) -> None:
        """As `Link.stop`; from here on nothing is tried again."""
        self._ending, self._link.retrying = True, False
        self._link.stop()

    def close(self, reason: str) -> None:
        self._link.close(reason)

    def _find_again(self, error: EvenstrokeError) -> None:
        """Opens, identifies and starts until it works, the wait is over, or a stop is wanted."""
        until_ns = self._now_ns() + int(self._patience.wait_s * 1e9)
        while self._now_ns() < until_ns:
            self._link.gone(f"{error.problem}; waiting for the board to come back")
            self._pause(self._patience.retry_s)
            self._link.check_stop()
            try:
                self._link.open()
                self._renew()
                return
            except (LinkError, DeviceProtocolError) as again:
                error = again
        self._link.give_up(f"{error.problem}; waited {self._patience.wait_s:g} s for it in vain")
        raise LinkError(
            f"the board did not come back within {self._patience.wait_s:g} s",
            where=self.port,
            expected=f"the same board again ({self._hello.board if self._hello else 'unknown'})",
            found=error.problem,
            todo=error.todo or "check cable, plug and supply; what was recorded so far is kept",
        ) from error

    def _renew(self) -> None:
        assert self._hello is not None and self._how is not None
        hello = self._link.identify()
        self._require_same(hello)
        self._ready.extend(self._link.start(*self._how))
        self._started_ns = self._now_ns()

    def _require_same(self, hello: Hello) -> None:
        was = self._hello
        assert was is not None
        same = (
            hello.board,
            hello.serial_number,
            hello.inputs,
            hello.clock_hz,
            hello.adc_bits,
            hello.adc_reference_mv,
        )
        if same == (
            was.board,
            was.serial_number,
            was.inputs,
            was.clock_hz,
            was.adc_bits,
            was.adc_reference_mv,
        ):
            return
        raise LinkError(
            "another board came back",
            where=self.port,
            expected=f"{was.board}, serial number {was.serial_number:016x}",
            found=f"{hello.board}, serial number {hello.serial_number:016x}",
            todo="plug the first board in again; to use the other one, stop and listen anew",
        )
