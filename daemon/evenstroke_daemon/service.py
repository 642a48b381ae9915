"""One listening session: port -> recording -> decoder -> pipeline -> published stream.

    reader      owns the link. Only reads, stamps and queues, so that nothing ever waits in the
                operating system's small serial buffer.
      │  received_bytes (bounded by bytes)
    recorder    records the bytes as they came, then decodes them and makes blocks.
      │  pipeline_batches (bounded)
    judge       pushes the blocks through the pipeline and publishes what comes out.

    main        state and health once a second, the table on the terminal, the end.

What does not fit into a queue is dropped and counted there. A pipeline that is behind loses blocks (it
sees a Gap) but never costs the recording a byte. A recording that fails (disk full) is closed, said, and
ends the command with an error, but the session goes on: the engine is being cranked now.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from evenstroke_dsp.blocks import Block
from evenstroke_dsp.board_feed import BoardFeed, check_board
from evenstroke_dsp.cautions import cautions_for, dangers
from evenstroke_dsp.messages import (
    Balance,
    Cycle,
    EngineInfo,
    FindingMessage,
    Health,
    LossCount,
    PipelineMessage,
    ProbeHealth,
    State,
)
from evenstroke_dsp.setup import Acquisition, Setup, SetupError
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_protocol.events import Ack, Counters, Event, Hello, Log, Loss, NeedData, Samples
from evenstroke_protocol.wire import Kind

from .bounded_queue import BlockQueue, BoundedQueue
from .clock import Clock
from .link import Chunk, Link, LinkStopped
from .link_states import LinkState, LinkStatus
from .outcome import Outcome

RECEIVED_BYTES = 32 * 1024 * 1024
"""Bytes that may wait for a slow disk: 40 s of the fastest board."""
PIPELINE_BATCHES = 500
"""Batches that may wait for a slow pipeline: one read of the port each, about 10 s."""
STOP_WAIT_S = 2.0
"""How long the board's last bytes are waited for after it was told to stop."""
TICK_S = 0.2
"""How often the table is redrawn and a wanted stop is noticed."""
PUBLISH_EVERY_S = 1.0


class Pipeline(Protocol):
    """What the service needs of `evenstroke_dsp.pipeline.Pipeline`."""

    def push(self, block: Block) -> list[PipelineMessage]: ...

    def flush(self) -> list[PipelineMessage]: ...

    def health(self) -> tuple[ProbeHealth, ...]: ...


class Recording(Protocol):
    """What the service needs of `evenstroke_replay.recorder.Recorder`."""

    @property
    def path(self) -> Path: ...

    @property
    def bytes_written(self) -> int: ...

    def received(self, data: bytes, host_ns: int) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that a person at the terminal wants to see, as it is now."""

    state: State
    health: Health
    cycle: Cycle | None
    balance: Balance | None
    finding: FindingMessage | None
    log: str | None


class Service:
    """Runs one session; made for one call of `run`.

    open_recording: called at the first bytes of the stream, with their host time; None records nothing.
    publish: called from several threads.
    """

    def __init__(
        self,
        *,
        setup: Setup,
        acquisition: Acquisition,
        pipeline: Pipeline,
        make_link: Callable[[Callable[[LinkStatus], None], Callable[[], bool]], Link],
        open_recording: Callable[[int], Recording] | None,
        publish: Callable[[PipelineMessage | State | Health], None],
        clock: Clock,
    ) -> None:
        self._setup = setup
        self._acquisition = acquisition
        self._pipeline = pipeline
        self._open_recording = open_recording
        self._publish = publish
        self._clock = clock
        self._began_ns = clock.monotonic_ns()
        self._stopping = threading.Event()
        self._stop_acked = threading.Event()
        self._stamp_lock = threading.Lock()
        self._state_sequence = 0
        self._health_sequence = 0
        self._received: BoundedQueue[Chunk] = BoundedQueue(
            "received_bytes", RECEIVED_BYTES, lambda chunk: len(chunk.data)
        )
        self._batches = BlockQueue(PIPELINE_BATCHES)
        self._decoder = FrameDecoder()
        self._feed = BoardFeed(setup)
        self._failures: list[BaseException] = []
        self._seconds: float | None = None
        # What one thread writes and the others only read, each replaced whole.
        self._hello: Hello | None = None
        self._recording: Recording | None = None
        self._recorded_path: Path | None = None
        self._recorded_bytes = 0
        self._recording_problem: str | None = None
        self._bytes_received = 0
        self._scans = 0
        self._losses: tuple[LossCount, ...] = ()
        self._counters: Counters | None = None
        self._probe_health = pipeline.health()
        self._health_at_ns = self._began_ns
        self._cycle: Cycle | None = None
        self._balance: Balance | None = None
        self._finding: FindingMessage | None = None
        self._log: str | None = None
        self._cautions = tuple(
            [danger.text for danger in dangers(setup)] + [caution.text for caution in cautions_for(setup)]
        )
        self._share_from = (self._began_ns, clock.processor_s())
        self._share: float | None = None
        self._status = LinkStatus(LinkState.CLOSED, "not opened yet")
        self._link = make_link(self._link_changed, self._stopping.is_set)

    # --- main ------------------------------------------------------------------------------------

    def run(
        self,
        *,
        stop_wanted: Callable[[], bool],
        seconds: float | None = None,
        look: Callable[[Snapshot], None] = lambda _: None,
    ) -> Outcome:
        """Listen until stop is wanted, `seconds` of streaming are over, or the board is lost.

        look: called several times a second by the calling thread. Raises the EvenstrokeError that ended
        the session or the recording, after everything that arrived is recorded, judged and published.
        """
        self._seconds = seconds
        threads = [
            threading.Thread(target=self._guarded, args=(work, ended), name=name, daemon=True)
            for name, work, ended in (
                ("reader", self._read_port, self._received.close),
                ("recorder", self._record_and_decode, self._recorder_ended),
                ("judge", self._judge, lambda: None),
            )
        ]
        for thread in threads:
            thread.start()
        published_ns = self._began_ns
        while any(thread.is_alive() for thread in threads):
            threads[0 if threads[0].is_alive() else -1].join(TICK_S)
            if stop_wanted():
                self._stopping.set()
            now_ns = self._clock.monotonic_ns()
            if now_ns - published_ns >= PUBLISH_EVERY_S * 1e9:
                published_ns = now_ns
                self._publish_state()
                self._publish_health()
            look(self.snapshot())
        self._publish_state()
        self._publish_health()
        look(self.snapshot())
        if self._failures:
            raise self._first_failure()
        lost = self._feed.lost_samples or self._received.dropped or self._batches.lost_samples
        return Outcome.DONE_WITH_LOSS if lost else Outcome.DONE

    def _first_failure(self) -> BaseException:
        # A bug of ours goes before what a user can mend; of several of those the rest goes along.
        first, *rest = sorted(self._failures, key=lambda error: isinstance(error, EvenstrokeError))
        for error in rest:
            first.add_note(str(error))
        return first

    @property
    def recorded_path(self) -> Path | None:
        """Where this session's recording is, when there is one."""
        return self._recorded_path

    def snapshot(self) -> Snapshot:
        with self._stamp_lock:
            state, health = self._make_state(self._state_sequence), self._make_health(self._health_sequence)
        return Snapshot(state, health, self._cycle, self._balance, self._finding, self._log)

    def _guarded(self, work: Callable[[], None], ended: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:  # raised again by `run`, in the main thread
            self._failures.append(error)
        finally:
            ended()

    def _recorder_ended(self) -> None:
        # In the normal course the reader has ended before; where not, it would fill the queue for nothing.
        self._stopping.set()
        self._batches.close()

    # --- reader ----------------------------------------------------------------------------------

    def _read_port(self) -> None:
        link = self._link
        reason = "stopped"
        try:
            link.open()
            hello = link.identify()
            self._hello = hello
            inputs = self._inputs_for(hello)
            for chunk in link.start(self._acquisition.rate_hz, inputs):
                self._receive(chunk)
            until_ns = self._clock.monotonic_ns() + int(self._seconds * 1e9) if self._seconds else None
            while not self._stopping.is_set() and (until_ns is None or self._clock.monotonic_ns() < until_ns):
                self._receive(link.read())
            link.stop()
            deadline_ns = self._clock.monotonic_ns() + int(STOP_WAIT_S * 1e9)
            while not self._stop_acked.is_set() and self._clock.monotonic_ns() < deadline_ns:
                self._receive(link.read())
        except LinkStopped:
            reason = "stopped before the board streamed"
        except EvenstrokeError as error:
            reason = error.problem
            raise
        finally:
            link.close(reason)

    def _receive(self, chunk: Chunk | None) -> None:
        if chunk is not None:
            self._bytes_received += len(chunk.data)
            self._received.put(chunk)

    def _inputs_for(self, hello: Hello) -> tuple[int, ...]:
        check_board(self._setup, hello)
        rate_hz = self._acquisition.rate_hz
        if rate_hz not in hello.rates_hz:
            raise SetupError(
                "the board cannot sample at this rate",
                where="acquisition.rate_hz",
                expected="one of " + ", ".join(str(rate) for rate in hello.rates_hz) + f" ({hello.board})",
                found=str(rate_hz),
                todo="set rate_hz to one of these",
            )
        return tuple(sorted({probe.input for probe in self._setup.probe if probe.input is not None}))

    # --- recorder --------------------------------------------------------------------------------

    def _record_and_decode(self) -> None:
        try:
            while (chunk := self._received.get()) is not None:
                self._record(chunk)
                self._decode(chunk)
        finally:
            if self._recording is not None:
                self._recording.close()
                self._recorded_bytes = self._recording.bytes_written
                self._recording = None

    def _record(self, chunk: Chunk) -> None:
        if self._open_recording is None or self._recording_problem is not None:
            return
        try:
            if self._recording is None:
                self._recording = self._open_recording(chunk.host_ns)
                self._recorded_path = self._recording.path
            self._recording.received(chunk.data, chunk.host_ns)
            self._recorded_bytes = self._recording.bytes_written
        except EvenstrokeError as error:
            # A recording that failed has kept what it had and closed itself.
            self._recording = None
            self._recording_problem = error.problem
            self._failures.append(error)
            self._publish_state()

    def _decode(self, chunk: Chunk) -> None:
        self._decoder.receive(chunk.data)
        blocks: list[Block] = []
        valid = False
        event: Event | NeedData
        while not isinstance(event := self._decoder.next_event(), NeedData):
            valid = valid or not isinstance(event, Loss)
            if isinstance(event, Samples):
                self._scans += int(event.counts.shape[0])
            elif isinstance(event, Counters):
                self._counters = event
            elif isinstance(event, Log):
                self._log = f"the board says ({event.level.name.lower()}): {event.text}"
            elif isinstance(event, Ack) and event.command == Kind.STOP:
                self._stop_acked.set()
            blocks.extend(self._feed.feed(event, chunk.host_ns))
        self._losses = self._feed.losses
        self._link.decoded(chunk.host_ns, valid)
        self._batches.put(blocks)

    # --- judge -----------------------------------------------------------------------------------

    def _judge(self) -> None:
        while (batch := self._batches.get()) is not None:
            for block in batch:
                self._tell(self._pipeline.push(block))
            now_ns = self._clock.monotonic_ns()
            if now_ns - self._health_at_ns >= PUBLISH_EVERY_S * 1e9 / 2:
                self._health_at_ns = now_ns
                self._probe_health = self._pipeline.health()
        self._tell(self._pipeline.flush())
        self._probe_health = self._pipeline.health()

    def _tell(self, messages: list[PipelineMessage]) -> None:
        for message in messages:
            if isinstance(message, Cycle):
                self._cycle = message
            elif isinstance(message, Balance):
                self._balance = message
            elif isinstance(message, FindingMessage):
                self._finding = message
            self._publish(message)

    # --- state and health ------------------------------------------------------------------------

    def _link_changed(self, status: LinkStatus) -> None:
        self._status = status
        self._publish_state()

    def _at_s(self) -> float:
        return (self._clock.monotonic_ns() - self._began_ns) / 1e9

    def _publish_state(self) -> None:
        # Sent before the lock is let go: the order on the wire is the order of the numbers.
        with self._stamp_lock:
            self._publish(self._make_state(self._state_sequence))
            self._state_sequence += 1

    def _make_state(self, sequence: int) -> State:
        hello, recording = self._hello, self._recording
        return State(
            sequence=sequence,
            at_s=self._at_s(),
            link=self._status.state.value,
            reason=self._status.reason,
            port=self._link.port,
            board=hello.board if hello else None,
            firmware=hello.firmware if hello else None,
            recording=str(recording.path) if recording else None,
            recording_problem=self._recording_problem,
            setup_title=self._setup.title,
            engine=EngineInfo(
                cylinders=self._setup.engine.cylinders, firing_order=self._setup.engine.firing_order
            ),
            cautions=self._cautions,
        )

    def _publish_health(self) -> None:
        with self._stamp_lock:
            now = (self._clock.monotonic_ns(), self._clock.processor_s())
            passed_ns = now[0] - self._share_from[0]
            if passed_ns > 0:
                self._share = (now[1] - self._share_from[1]) / (passed_ns / 1e9)
            self._share_from = now
            self._publish(self._make_health(self._health_sequence))
            self._health_sequence += 1

    def _make_health(self, sequence: int) -> Health:
        counters = self._counters
        losses = self._losses
        path = self._recorded_path
        return Health(
            sequence=sequence,
            at_s=self._at_s(),
            probes=self._probe_health,
            samples=self._scans,
            lost_samples=self._feed.lost_samples,
            losses=losses,
            board_overruns=counters.overruns if counters else 0,
            board_blocks_dropped=counters.blocks_dropped if counters else 0,
            board_edges_missed=counters.edges_missed if counters else 0,
            queues=(self._received.count(), self._batches.count()),
            bytes_received=self._bytes_received,
            bytes_recorded=self._recorded_bytes,
            disk_free_bytes=_free_bytes(path) if path else None,
            processor_share=self._share,
        )


def _free_bytes(path: Path) -> int | None:
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return None
