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
ends the command with an error, but the session goes on: the engine is being cranked now. Recordings are
started, stopped and marked from any thread; one begun late begins with the ring of the last seconds.

Locks are taken in this order, never against it, and one that stands later is never held while an earlier one is
waited for: `Control._handing_over`, `_record_lock`, `_stamp_lock`, then those inside the publisher and the
queues. Only the record lock is held over a disk.
"""

from __future__ import annotations

import shutil
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from evenstroke_dsp.blocks import Block, SampleBlock
from evenstroke_dsp.board_clock import ClockRate
from evenstroke_dsp.board_feed import BoardFeed, check_board
from evenstroke_dsp.cautions import cautions_for, dangers
from evenstroke_dsp.engine import firing_intervals
from evenstroke_dsp.messages import (
    Balance,
    Cycle,
    EngineInfo,
    FindingMessage,
    Health,
    LossCount,
    PhaseName,
    PipelineMessage,
    ProbeHealth,
    SetupNote,
    State,
    WaveData,
)
from evenstroke_dsp.setup import Acquisition, Setup, SetupError
from evenstroke_dsp.setup_effects import fitted_parts
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.encoder import encode_hello
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_protocol.events import Ack, Counters, Event, Hello, Log, Loss, NeedData, Samples
from evenstroke_protocol.wire import Kind
from evenstroke_replay.recording_format import Missing, RecordingError
from evenstroke_replay.ring import RecentBytes

from .bounded_queue import BlockQueue, BoundedQueue
from .clock import Clock
from .coach import Coach
from .kept_link import REAL_PATIENCE, KeptLink, Patience
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
MOST_KEPT_BYTES = 1 << 28
"""Of samples that an awaited pipeline is to begin with: eighty seconds of the fastest board. Then it is waited for."""
_UNINFORMED = (WaveData, Cycle)
"""Messages that are the same whatever the pipeline was told of the engine before."""
_PHASES_KEPT = 100
"""More than the ring's seconds can hold."""


class Pipeline(Protocol):
    """What the service needs of `evenstroke_dsp.pipeline.Pipeline`."""

    def push(self, block: Block) -> list[PipelineMessage]: ...

    def flush(self) -> list[PipelineMessage]: ...

    def health(self) -> tuple[ProbeHealth, ...]: ...


@dataclass(frozen=True, slots=True)
class Informed:
    """A pipeline that begins anew, knowing what engine physics predict, and what that says of each comparison."""

    pipeline: Pipeline
    setup_notes: tuple[SetupNote, ...]


class Recording(Protocol):
    """What the service needs of `evenstroke_replay.recorder.Recorder`."""

    @property
    def path(self) -> Path: ...

    @property
    def bytes_written(self) -> int: ...

    def received(self, data: bytes, host_ns: int) -> None: ...

    def flush_due(self, host_ns: int) -> None: ...

    def note(self, text: str, host_ns: int, missing: Missing | None = None) -> None: ...

    def phase(self, phase: PhaseName, host_ns: int) -> None: ...

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

    open_recording: called with the host time at which a recording begins and the folder and title that were
    asked for, None for what `listen` was told. record_at_once: begin one at the stream's first bytes.
    publish: called from several threads. setup_notes: what the set-up check says of each comparison.
    awaited: the pipeline that takes the first one's place once what it is to know is worked out; None from it:
    not yet; called with whether to wait for it, by one thread. Until then samples and cycles are published,
    which do not depend on it, and the coach hears everything; the rest follows when it is there, as if it
    had been there from the beginning.
    pause: waits so many seconds between two looks for a board that went away; by default until a stop is
    wanted. coach: of all sessions at this engine.
    """

    def __init__(
        self,
        *,
        setup: Setup,
        acquisition: Acquisition,
        pipeline: Pipeline,
        make_link: Callable[[Callable[[LinkStatus], None], Callable[[], bool]], Link],
        open_recording: Callable[[int, Path | None, str | None], Recording],
        record_at_once: bool,
        publish: Callable[[PipelineMessage | State | Health], None],
        clock: Clock,
        coach: Coach,
        setup_notes: tuple[SetupNote, ...] = (),
        awaited: Callable[[bool], Informed | None] | None = None,
        pause: Callable[[float], None] | None = None,
        patience: Patience = REAL_PATIENCE,
    ) -> None:
        self._setup = setup
        self._acquisition = acquisition
        self._pipeline = pipeline
        self._awaited = awaited
        self._kept: list[Block] = []  # what the awaited pipeline is to begin with
        self._kept_bytes = 0
        self._open_recording = open_recording
        self._record_at_once = record_at_once
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
        self._until_ns: int | None = None
        self._sampling = False  # samples came since the last hello
        self._phase: PhaseName | None = None
        self._phases: deque[tuple[PhaseName, int]] = deque(maxlen=_PHASES_KEPT)
        # Guards the recording and the ring: the recorder's thread feeds them, others start, stop and mark.
        self._record_lock = threading.RLock()
        self._ring = RecentBytes()
        self._coach = coach
        coach.begin(setup.conditions.mode)
        coach.awaiting = awaited is not None
        # Without a scale the probe's volts are those behind a divider, and say nothing of the battery's.
        self._battery = next(
            (p.name for p in setup.probe if p.role == "battery_voltage" and p.volts_per_unit is not None),
            None,
        )
        # What one thread writes and the others only read, each replaced whole.
        self._hello: Hello | None = None
        self._recording: Recording | None = None
        self._recorded_path: Path | None = None
        self.recorded_paths: list[Path] = []
        self._recorded_bytes = 0
        self._recording_problem: str | None = None
        self._free_bytes: int | None = None  # where the recording is
        self._bytes_received = 0
        self._scans = 0
        self._losses: tuple[LossCount, ...] = ()
        self._lost_so_far = 0
        self._clock_rate: ClockRate | None = None
        self._clock_asked_ns = 0
        self._counters: Counters | None = None
        self._probe_health = pipeline.health()
        self._health_at_ns = self._began_ns
        self._cycle: Cycle | None = None
        self._balance: Balance | None = None
        self._finding: FindingMessage | None = None
        self._log: str | None = None
        self._setup_notes = setup_notes
        self._cautions = tuple(
            [danger.text for danger in dangers(setup)] + [caution.text for caution in cautions_for(setup)]
        )
        self._share_from = (self._began_ns, clock.processor_s())
        self._share: float | None = None
        self._status = LinkStatus(LinkState.CLOSED, "not opened yet")
        self._streamed = False
        self._away = False  # when listening or a recording ended, the board streamed no more
        self._link = KeptLink(
            make_link(self._link_changed, self._over),
            monotonic_ns=clock.monotonic_ns,
            pause=pause if pause is not None else self._pause,
            patience=patience,
        )

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
        lost = (
            self._feed.lost_samples
            or self._feed.lost_edges
            or self._received.dropped
            or self._batches.dropped
            or self._away
        )
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

    def state(self) -> State:
        """As it is now, unnumbered: with the number of the latest that was published."""
        with self._stamp_lock:
            return self._make_state(max(self._state_sequence - 1, 0))

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
            if self._seconds is not None:
                self._until_ns = self._clock.monotonic_ns() + int(self._seconds * 1e9)
            while not self._over():
                self._receive(link.read())
            link.stop()
            deadline_ns = self._clock.monotonic_ns() + int(STOP_WAIT_S * 1e9)
            while not self._stop_acked.is_set() and self._clock.monotonic_ns() < deadline_ns:
                self._receive(link.read())
        except LinkStopped:
            reason = "stopped while the board was not streaming"
            self._away = self._streamed
        except EvenstrokeError as error:
            reason = error.problem
            raise
        finally:
            link.close(reason)

    def _over(self) -> bool:
        """Whether the session is to end: asked to, or its time is up."""
        return self._stopping.is_set() or (
            self._until_ns is not None and self._clock.monotonic_ns() >= self._until_ns
        )

    def _pause(self, seconds: float) -> None:
        self._stopping.wait(seconds)

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
            while (chunk := self._received.get(self._flush_due)) is not None:
                self._record(chunk)
                self._decode(chunk)
        finally:
            self._end_recording()

    def _record(self, chunk: Chunk) -> None:
        with self._record_lock:
            if self._record_at_once:
                self._record_at_once = False
                try:
                    self._begin_recording(chunk.host_ns, None, None)
                except EvenstrokeError as error:
                    self._failures.append(error)
            self._ring.add(chunk.data, chunk.host_ns)
            self._with_recording(lambda recording: recording.received(chunk.data, chunk.host_ns))

    def _flush_due(self) -> None:
        with self._record_lock:
            self._with_recording(lambda recording: recording.flush_due(self._clock.monotonic_ns()))

    def _begin_recording(self, host_ns: int, folder: Path | None, title: str | None) -> Path:
        try:
            self._recording = self._open_recording(host_ns, folder, title)
        except EvenstrokeError as error:
            self._say_recording_problem(error)
            raise
        self._recorded_path = self._recording.path
        self.recorded_paths.append(self._recording.path)
        self._recording_problem = None
        return self._recording.path

    def _with_recording(self, work: Callable[[Recording], None]) -> EvenstrokeError | None:
        """Does something to the open recording, if there is one; what it then fails at is said, not raised."""
        recording = self._recording
        if recording is None:
            return None
        try:
            work(recording)
            self._recorded_bytes = recording.bytes_written
        except EvenstrokeError as error:
            # A recording that failed has kept what it had and closed itself. The session ends with this error.
            self._recording = None
            self._failures.append(error)
            self._say_recording_problem(error)
            return error
        return None

    def _say_recording_problem(self, error: EvenstrokeError) -> None:
        self._recording_problem = error.problem
        self._publish_state()

    def _end_recording(self) -> tuple[Path | None, EvenstrokeError | None]:
        with self._record_lock:
            ended = self._recording
            error = self._with_recording(self._close_recording)
            self._recording = None
            return ended.path if ended is not None else None, error

    def _close_recording(self, recording: Recording) -> None:
        """Closes it; where the board had streamed and was away, what it would have sent is missing, and the recording says so."""
        if self._away or (self._streamed and self._status.state in (LinkState.STALLED, LinkState.FAILED)):
            self._away = True
            recording.note(
                "the board was not streaming when this recording ended: what it would have sent from here on is missing",
                self._clock.monotonic_ns(),
                "behind",
            )
        recording.close()

    # --- asked for from outside -------------------------------------------------------------------

    def start_recording(self, folder: Path | None = None, title: str | None = None) -> Path:
        """Begin a recording with the last seconds in it; its path.

        Raises RecordingError. That none could be begun is said to the one who asked, and in the state; it is no
        reason to end the session in an error as well.
        """
        with self._record_lock:
            if self._recording is not None:
                raise RecordingError(
                    "a recording is open already",
                    where=str(self._recording.path),
                    todo="stop it first; the last seconds are kept for the next one",
                )
            # The one that was to begin with the first bytes: a second one would leave this one open and unclosed.
            self._record_at_once = False
            pieces = self._ring.pieces()
            begin_ns = pieces[0].host_ns if pieces else self._clock.monotonic_ns()
            path = self._begin_recording(begin_ns, folder, title)

            def copy(recording: Recording) -> None:
                phases = self._phases_from(begin_ns)
                for piece in pieces:
                    while phases and phases[0][1] <= piece.host_ns:
                        recording.phase(*phases.popleft())
                    recording.received(piece.data, piece.host_ns)
                for phase, at_ns in phases:
                    recording.phase(phase, at_ns)

            if (error := self._with_recording(copy)) is not None:
                raise error
        self._publish_state()
        return path

    def stop_recording(self) -> Path:
        """Close the open recording; its path. Raises RecordingError when none is open, or it cannot be closed."""
        path, error = self._end_recording()
        if error is not None:
            raise error
        if path is None:
            raise RecordingError("no recording is open", todo="start one first")
        self._publish_state()
        return path

    def mark(self, text: str) -> None:
        """Put a note at this moment into the open recording. Raises RecordingError when none is open."""
        with self._record_lock:
            if self._recording is None:
                raise RecordingError(
                    "no recording is open, so nothing can be marked in it", todo="start one first"
                )
            now_ns = self._clock.monotonic_ns()
            if (error := self._with_recording(lambda recording: recording.note(text, now_ns))) is not None:
                raise error

    def stop(self) -> None:
        """End the session in good order."""
        self._stopping.set()

    def _decode(self, chunk: Chunk) -> None:
        self._decoder.receive(chunk.data)
        blocks: list[Block] = []
        valid = False
        event: Event | NeedData
        while not isinstance(event := self._decoder.next_event(), NeedData):
            valid = valid or not isinstance(event, Loss)
            if isinstance(event, Samples):
                self._scans += int(event.counts.shape[0])
                self._sampling = True
            elif isinstance(event, Hello):
                with self._record_lock:
                    self._ring.met(encode_hello(event), chunk.host_ns)
                if event.run == 0 and self._sampling:
                    self._link.board_was_reset(chunk.host_ns)
                self._sampling = False
            elif isinstance(event, Counters):
                self._counters = event
            elif isinstance(event, Log):
                self._log = f"the board says ({event.level.name.lower()}): {event.text}"
            elif isinstance(event, Ack) and event.command == Kind.STOP:
                self._stop_acked.set()
            blocks.extend(self._feed.feed(event, chunk.host_ns))
        self._losses = self._feed.losses
        lost = self._feed.lost_samples + self._feed.lost_edges
        if lost != self._lost_so_far:
            self._lost_so_far = lost
            with self._stamp_lock:
                self._coach.lost(self._now_s())
        if chunk.host_ns - self._clock_asked_ns >= PUBLISH_EVERY_S * 1e9:
            self._clock_asked_ns = chunk.host_ns
            self._clock_rate = self._feed.clock.rate
        self._link.decoded(chunk.host_ns, valid)
        self._batches.put(blocks)

    # --- judge -----------------------------------------------------------------------------------

    def _judge(self) -> None:
        while (batch := self._batches.get()) is not None:
            for block in batch:
                self._push(block)
            now_ns = self._clock.monotonic_ns()
            if now_ns - self._health_at_ns >= PUBLISH_EVERY_S * 1e9 / 2:
                self._health_at_ns = now_ns
                self._probe_health = self._pipeline.health()
        # A session that failed, or in which nothing came, has nothing to wait for.
        self._begin_anew(wait=bool(self._kept) and not self._failures)
        self._tell(self._pipeline.flush())
        self._probe_health = self._pipeline.health()

    def _push(self, block: Block) -> None:
        messages = self._pipeline.push(block)
        if self._awaited is None:
            self._tell(messages)
            return
        for message in messages:
            self._hear(message)
            if isinstance(message, _UNINFORMED):
                self._publish(message)
        self._kept.append(block)
        if isinstance(block, SampleBlock):
            self._kept_bytes += block.volts.nbytes
        self._begin_anew(wait=self._kept_bytes > MOST_KEPT_BYTES)

    def _begin_anew(self, *, wait: bool) -> None:
        """Let the awaited pipeline take over, if it is there: it goes through what came until now."""
        informed = self._awaited(wait) if self._awaited is not None else None
        if informed is None:
            return
        self._awaited = None
        self._pipeline, self._setup_notes = informed.pipeline, informed.setup_notes
        kept, self._kept, self._kept_bytes = self._kept, [], 0
        balance: Balance | None = None
        finding: FindingMessage | None = None
        for block in kept:
            for message in self._pipeline.push(block):
                if not isinstance(message, _UNINFORMED):
                    self._publish(message)
                if isinstance(message, Balance):
                    balance = message
                elif isinstance(message, FindingMessage):
                    finding = message
        self._balance, self._finding = balance, finding
        with self._stamp_lock:
            self._coach.awaiting = False
            if balance is not None:
                self._coach.balance(balance)
        self._publish_state()

    def _tell_coach_of_the_battery(self, wave: WaveData) -> None:
        if wave.header.kind != "conditioned" or self._battery not in wave.header.probes:
            return
        volts = wave.samples[wave.header.probes.index(self._battery)]
        volts = volts[~np.isnan(volts)]
        if volts.size:
            with self._stamp_lock:
                self._coach.battery(float(np.median(volts)))

    def _tell(self, messages: list[PipelineMessage]) -> None:
        for message in messages:
            self._hear(message)
            if isinstance(message, Balance):
                self._balance = message
            elif isinstance(message, FindingMessage):
                self._finding = message
            self._publish(message)

    def _hear(self, message: PipelineMessage) -> None:
        """What the service itself takes from a message that comes for the first time."""
        if isinstance(message, WaveData):
            self._tell_coach_of_the_battery(message)
        elif isinstance(message, Cycle):
            self._cycle = message
        elif isinstance(message, Balance):
            with self._stamp_lock:
                self._coach.balance(message)
        elif isinstance(message, FindingMessage):
            self._note_phase(message.phase)
            with self._stamp_lock:
                self._coach.heard(message, self._now_s())

    def _note_phase(self, phase: PhaseName) -> None:
        with self._record_lock:
            if phase == self._phase:
                return
            self._phase = phase
            now_ns = self._clock.monotonic_ns()
            self._phases.append((phase, now_ns))
            self._with_recording(lambda recording: recording.phase(phase, now_ns))

    def _phases_from(self, begin_ns: int) -> deque[tuple[PhaseName, int]]:
        """The phases since that moment and when each began, the one that it fell into first."""
        since = deque(self._phases)
        while len(since) > 1 and since[1][1] <= begin_ns:
            since.popleft()
        return deque((phase, max(at_ns, begin_ns)) for phase, at_ns in since)

    # --- state and health ------------------------------------------------------------------------

    def _link_changed(self, status: LinkStatus) -> None:
        self._status = status
        self._streamed |= status.state is LinkState.STREAMING
        with self._stamp_lock:
            self._coach.link(status.state is LinkState.STREAMING, self._now_s())
        self._publish_state()

    def _now_s(self) -> float:
        """By the clock that all sessions share, as the coach wants it."""
        return self._clock.monotonic_ns() / 1e9

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
            setup_notes=self._setup_notes,
            firing_intervals_deg=firing_intervals(self._setup.engine),
            fitted=fitted_parts(self._setup),
            coach=self._coach.say(self._now_s()),
        )

    def _publish_health(self) -> None:
        path = self._recorded_path
        self._free_bytes = (
            _free_bytes(path) if path is not None else None
        )  # a disk may take its time: no lock
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
        clock = self._clock_rate
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
            clock_ppm=clock.ppm if clock is not None else None,
            clock_uncertainty_ppm=clock.uncertainty_ppm if clock is not None else None,
            queues=(self._received.count(), self._batches.count()),
            bytes_received=self._bytes_received,
            bytes_recorded=self._recorded_bytes,
            disk_free_bytes=self._free_bytes,
            processor_share=self._share,
        )


def _free_bytes(path: Path) -> int | None:
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return None
