"""Does the whole way work here: virtual board, port, service, recording, stream, judgement, salvage?

A virtual engine is played whose every pulse has a given size, one of them too small: what must be found is known. All that
is used is what `rig`, `listen`, `judge` and `recover` use.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import zmq
from evenstroke_dsp.blocks import Gap, GapReason
from evenstroke_dsp.messages import Cycle, Health, PipelineMessage, State
from evenstroke_dsp.wording import counted, listed
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.physics_cache import PhysicsCache
from evenstroke_replay.recording import RecordedBytes, open_recording
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.recovery import recover
from evenstroke_replay.setup_files import load_setup

from .check_computer import BITS_PER_BYTE
from .check_outcome import Check, Figure, failed, failed_by, guarded, holds, not_checked
from .command_listen import acquisition_of
from .outcome import Outcome
from .publisher import Publisher, frames_of
from .recorded_session import Arrivals, RecordedSession, arrivals_in, record_session
from .rig_process import HAS_PTYS, virtual_rig
from .words import is_main

SETUP = "demo-without"
"""Nothing in any plug hole, so that nothing but the fault makes a pulse odd."""
PROBE, FEATURE, CYLINDER, PERCENT = "intake", "drop", 3, -15.0
"""The fault: this cylinder's pulse off by so much in every cycle."""
NEAR_POINTS = 2.0
"""How far from what was played the deviation may be read: over twice what evenstroke's balance is off by on fours to eights, RMS
(README.md, "How often it was right")."""
REST_S, CRANKING_S = 0.8, 8.0
LISTEN_S = REST_S + CRANKING_S + 1.0
PULLED_AT_S, PULLED_S, UNPLUGGED_LISTEN_S = 3.0, 1.2, 8.0
KEPT_SHARE = 0.6
LEAST_SHARE = 0.99
SYSTEM_KEEPS_BYTES = 65536
"""What a Linux kernel keeps of a serial port that nobody reads (drivers/tty/tty_buffer.c, TTYB_DEFAULT_MEM_LIMIT; newer ones keep
ten times that). How much other systems and adapters keep is not known to us."""
PHYSICS_ENGINES = 2
SAME_PHYSICS = 1e-3
"""Share of a feature's size, less than any figure shows: processors round differently, and an angle may lie a step further on."""
_OF_THE_SESSION = (b"state", b"health")
"""Topics that tell of the link and the computer, and so are others each time."""
_LAST_COMES_WITHIN_S = 20.0
_CUT_INTO_BYTES = 20
_STAMPED_WITHIN_S = 0.1
_TODO_ROOM = (
    "this check records where the system keeps temporary files: make room there (5 MB), or name another folder in the "
    "environment's TMPDIR"
)
_TODO_REINSTALL = "install evenstroke anew in an environment of its own (README.md), and run this again"


@dataclass
class Chain:
    """The steps in their order; each needs what those before it left, and says so where that is not there.

    folder: for recordings; nothing else is written. tcp: the rig behind a socket, as where there are no pseudo-terminals.
    say: told what is going on.
    """

    folder: Path
    tcp: bool = not HAS_PTYS
    say: Callable[[str], None] = lambda _: None
    physics: PhysicsCache = field(init=False)
    crank: RecordedSession | None = None
    stream: list[list[bytes]] = field(default_factory=list)
    judged: JudgedFile | None = None

    def __post_init__(self) -> None:
        self.setup, self.setup_text = load_setup(SETUP)
        # A folder of its own: what this user's cache holds must not decide.
        self.physics = PhysicsCache(self.folder / "physics")

    def checks(self) -> Iterator[Check]:
        for name, step, doing in (
            ("physics", self.check_physics, "simulating two engines"),
            ("session", self.check_session, f"cranking a virtual engine, {LISTEN_S:g} s"),
            ("sampling_rate", self.check_rate, ""),
            ("judgement", self.check_judgement, "judging"),
            ("live_is_offline", self.check_stream, ""),
            ("unplugged", self.check_unplugged, f"pulling the virtual cable, {UNPLUGGED_LISTEN_S:g} s"),
            ("cut_short", self.check_recovery, "salvaging"),
        ):
            if doing:
                self.say(doing)
            yield guarded(name, step)

    # --- engine physics --------------------------------------------------------------------------

    def check_physics(self) -> Check:
        """The compiled simulation gives here what it gave where what ships was worked out."""
        off = self.physics.differs_from_kept(self.setup, PHYSICS_ENGINES)
        if off is None:
            return failed(
                "physics",
                f"what ships worked out for {SETUP!r} does not belong to the physics that are installed",
                todo=_TODO_REINSTALL,
            )
        text = f"{PHYSICS_ENGINES} engines simulated here and the same ones that ship"
        if not math.isfinite(off):
            return failed("physics", f"{text} do not have the same features", todo=_TODO_REINSTALL)
        text += f" differ by {100 * off:.1g} % of a feature's size at most; {100 * SAME_PHYSICS:g} % may be"
        figure = Figure("differs_by", 100 * off, "% of a feature's largest size")
        if off > SAME_PHYSICS:
            return failed("physics", text, figure, todo=_TODO_REINSTALL)
        return holds("physics", text, figure)

    # --- one crank -------------------------------------------------------------------------------

    def check_session(self) -> Check:
        """A virtual board behind a port is listened to, recorded, judged live and published."""
        options = ("--rest", f"{REST_S:g}", "--cranking", f"{CRANKING_S:g}")
        fault = ("--alter", PROBE, str(CYLINDER), f"{PERCENT:g}")
        publisher = Publisher("tcp://127.0.0.1:0")
        last: list[PipelineMessage | State | Health] = []

        def publish(message: PipelineMessage | State | Health) -> None:
            last[:] = [message]
            publisher.publish(message)

        try:
            with (
                virtual_rig(SETUP, *options, *fault, tcp=self.tcp) as port,
                collected(publisher.address, self.stream) as until,
            ):
                session = record_session(
                    port,
                    self.setup,
                    self.setup_text,
                    self.folder / "crank",
                    LISTEN_S,
                    prediction=self.physics.kept(self.setup),
                    publish=publish,
                )
                until(frames_of(last[-1]))
        except RecordingError as error:
            return replace(failed_by("session", error), todo=_TODO_ROOM)
        finally:
            publisher.close()
        self.crank = session
        health = session.health
        figures = (
            Figure("samples", health.samples, "scans"),
            Figure("lost", health.lost_samples, "scans"),
            Figure("recorded", session.path.stat().st_size, "bytes"),
        )
        dropped = [f"{q.dropped} {q.queue.replace('_', ' ')}" for q in health.queues if q.dropped]
        if session.outcome is not Outcome.DONE:
            return failed(
                "session",
                f"of {health.samples + health.lost_samples} scans {health.lost_samples} were lost on the way from a board that "
                f"lost none{'; this computer was behind and dropped ' + ', '.join(dropped) if dropped else ''}",
                *figures,
                todo="close other programs and run this again; if it stays, lower rate_hz in your set-up",
            )
        if not open_recording(session.path).complete:
            return failed("session", "the recording was not closed whole", *figures, todo=_TODO_REINSTALL)
        way = "a socket" if self.tcp else "a pseudo-terminal"
        return holds(
            "session",
            f"virtual board, by {way}, listened to for {LISTEN_S:g} s: {health.samples} scans of {len(self.setup.probe)} probes, "
            f"none lost, recorded in {session.path.stat().st_size / 1e3:.0f} kB",
            *figures,
        )

    def check_rate(self) -> Check:
        """This computer takes samples as fast as they are asked for, and never leaves them waiting too long."""
        if self.crank is None:
            return not_checked("sampling_rate", "there is no whole recording")
        return judge_rate(arrivals_in(self.crank.path), acquisition_of(self.setup, SETUP).baud)

    def check_judgement(self) -> Check:
        """The fault that was played is found, with its size, and nothing else is."""
        if self.crank is None:
            return not_checked("judgement", "there is no whole recording")
        physics = self.physics if self.physics.kept(self.setup) is not None else None
        self.judged = judge_path(self.crank.path, physics=physics)
        return judge_fault(self.judged)

    def check_stream(self) -> Check:
        """What was published live is, byte for byte, what the recording gives."""
        if self.crank is None or self.judged is None:
            return not_checked("live_is_offline", "there is no judgement to compare with")
        return compare_stream(self.stream, self.judged.messages)

    # --- what may go wrong -----------------------------------------------------------------------

    def check_unplugged(self) -> Check:
        """A cable that is pulled and put back costs what was not received, and is counted as that."""
        if self.crank is None:
            return not_checked("unplugged", "there is no recording to play to a board again")
        options = ("--play", str(self.crank.path), "--fault", f"{PULLED_AT_S:g}:vanish:0:{PULLED_S:g}")
        with virtual_rig(SETUP, *options, tcp=self.tcp) as port:
            session = record_session(
                port, self.setup, self.setup_text, self.folder / "unplugged", UNPLUGGED_LISTEN_S
            )
        return judge_unplugged(session, arrivals_in(session.path), judge_path(session.path))

    def check_recovery(self) -> Check:
        """Of a recording that was cut everything before the cut is kept, and nothing else."""
        if self.crank is None:
            return not_checked("cut_short", "there is no recording to cut")
        whole = open_recording(self.crank.path)
        size = self.crank.path.stat().st_size
        items = []
        for place, group in whole.groups():
            items += [(i.host_ns, i.data) for i in group if isinstance(i, RecordedBytes)]
            if place >= KEPT_SHARE * size:
                break
        cut, salvaged = self.folder / "cut.mcap", self.folder / "salvaged.mcap"
        # In the middle of what follows, as when the battery goes.
        cut.write_bytes(self.crank.path.read_bytes()[: place + _CUT_INTO_BYTES])
        salvage = recover(cut, salvaged)
        again = open_recording(salvaged)
        kept = [(i.host_ns, i.data) for i in again.items() if isinstance(i, RecordedBytes)]
        figures = (
            Figure("kept", salvage.kept_s, "s"),
            Figure("bytes_kept", salvage.bytes_kept, "bytes"),
        )
        if kept != items or not again.complete or not salvage.lost:
            wrong = (
                f"{len(items)} pieces were whole, and {len(kept)} came back"
                if len(kept) != len(items)
                else "what came back is not what was recorded"
                if kept != items
                else "the new recording is not whole"
                if not again.complete
                else "that the end is missing was not said"
            )
            return failed("cut_short", f"a recording that was cut: {wrong}", *figures, todo=_TODO_REINSTALL)
        return holds(
            "cut_short",
            f"a recording that was cut at {100 * (place + _CUT_INTO_BYTES) / size:.0f} % of its bytes: all "
            f"{salvage.kept_s:.1f} s before the cut recovered, byte for byte, and that the end is missing is said",
            *figures,
        )


def judge_rate(came: Arrivals, baud: int) -> Check:
    """baud: of the line that the longest wait is held against."""
    longest_s = SYSTEM_KEEPS_BYTES * BITS_PER_BYTE / baud
    figures = (
        Figure("delivered", came.share, "of the samples asked for"),
        Figure("asked", came.asked_hz, "Hz per input"),
        Figure("worst_wait", came.worst_wait_s * 1e3, "ms"),
        Figure("longest_wait_allowed", longest_s * 1e3, "ms"),
    )
    text = (
        f"{100 * came.share:.2f} % of the {came.asked_hz} Hz asked for were delivered over {came.span_s:.1f} s; the worst "
        f"wait was {came.worst_wait_s * 1e3:.0f} ms, and a Linux system keeps at least {longest_s * 1e3:.0f} ms of this line"
    )
    if came.share < LEAST_SHARE or came.worst_wait_s > longest_s:
        return failed(
            "sampling_rate",
            text,
            *figures,
            todo="close other programs, switch power saving off, and run this again; if it stays, lower rate_hz in your set-up",
        )
    return holds("sampling_rate", text, *figures)


def judge_fault(judged: JudgedFile) -> Check:
    """The played fault and no other, against what the rig was told."""
    judgement = judged.judgement
    if judgement.refused is not None:
        return failed("judgement", f"nothing was judged: {judgement.refused}", todo=_TODO_REINSTALL)
    called = {
        (c.probe, c.feature, b.cylinder): b.verdict
        for c in judgement.comparisons
        if is_main(c)
        for b in c.cylinders
        if b.verdict in ("smaller", "larger")
    }
    wanted = {(PROBE, FEATURE, CYLINDER): "smaller"}
    found = {(f.probe, f.feature, f.odd_pulse_at) for f in judgement.findings}
    others = sorted(
        f"{probe} {feature} of {', '.join(map(str, cylinders))}"
        for probe, feature, cylinders in found - {(PROBE, FEATURE, (CYLINDER,))}
    )
    others += [f"{p} {f} of {c} {word}" for (p, f, c), word in called.items() if (p, f, c) not in wanted]
    # Against the mean of all, which it is part of.
    reference = next(
        (len(c.reference) for c in judgement.comparisons if (c.probe, c.feature) == (PROBE, FEATURE)), 0
    )
    balance = next(
        (
            b
            for c in judgement.comparisons
            if (c.probe, c.feature) == (PROBE, FEATURE)
            for b in c.cylinders
            if b.cylinder == CYLINDER
        ),
        None,
    )
    played = 100.0 * ((1.0 + PERCENT / 100.0) / (1.0 + PERCENT / 100.0 / max(reference, 1)) - 1.0)
    name = f"{PROBE} {FEATURE} of cylinder {CYLINDER}"
    if balance is None or balance.deviation is None or balance.low is None or balance.high is None:
        return failed("judgement", f"{name} was not measured", todo=_TODO_REINSTALL)
    figures = (
        Figure("deviation", balance.deviation, "%", (balance.high - balance.low) / 2),
        Figure("played", played, "%"),
        Figure("cycles", balance.cycles, "cycles"),
    )
    text = f"{name} read {balance.deviation:+.1f} % ({balance.low:+.1f} to {balance.high:+.1f}) where {played:+.1f} % was played"
    if called.get((PROBE, FEATURE, CYLINDER)) != "smaller" or (PROBE, FEATURE, (CYLINDER,)) not in found:
        text = f"the fault that was played was not found: {text}, verdict {balance.verdict}"
    elif others:
        text = f"more was found than was played: {'; '.join(others)}"
    elif abs(balance.deviation - played) > NEAR_POINTS:
        text = f"{text}: more than {NEAR_POINTS:g} points off"
    else:
        return holds("judgement", f"{text}; nothing else was called odd", *figures)
    return failed("judgement", text, *figures, todo=_TODO_REINSTALL)


def compare_stream(live: list[list[bytes]], messages: tuple[PipelineMessage, ...]) -> Check:
    """Live messages, as their parts arrived, against the recording's, in the same order. A subscriber may come after the first
    of them, but must then have all that follow, and half of them at the least: fewer prove little."""
    came = [parts for parts in live if parts[0] not in _OF_THE_SESSION]
    offline = [frames_of(message) for message in messages]
    if not came:
        return failed(
            "live_is_offline",
            "nothing that was published over tcp://127.0.0.1 arrived",
            todo="let programs of this computer talk to each other over 127.0.0.1 (a firewall?), and run this again",
        )
    before = len(offline) - len(came)
    figure = Figure("messages", len(came), "messages")
    # From the end on, where both have everything: what came too late, or never, is at the beginning.
    differs = next(
        (i for i, (a, b) in enumerate(zip(reversed(came), reversed(offline), strict=False)) if a != b), None
    )
    if differs is not None or before < 0:
        at = (
            f": the {counted(differs, 'last one is', 'last ones are')} alike, then not"
            if differs is not None
            else ""
        )
        return failed(
            "live_is_offline",
            f"{len(came)} messages that were published and {len(offline)} from the recording are not the same{at}",
            figure,
            todo=f"close other programs and run this again, in case that messages were lost; if it stays, {_TODO_REINSTALL}",
        )
    topics = {parts[0] for parts in offline} - {parts[0] for parts in came}
    if topics or 2 * len(came) < len(offline):
        without = f", none of them {listed(sorted(t.decode() for t in topics))}" if topics else ""
        return failed(
            "live_is_offline",
            f"only the last {len(came)} of {len(offline)} messages arrived{without}: too few to tell whether they are the same",
            figure,
            todo="close other programs and run this again: the subscriber came too late",
        )
    late = f"; the first {before} were over before the subscriber was there" if before else ""
    return holds(
        "live_is_offline",
        f"{counted(len(came), 'published message')}, byte for byte and in the order that the recording gives{late}",
        figure,
    )


def judge_unplugged(session: RecordedSession, came: Arrivals, judged: JudgedFile) -> Check:
    """One gap, as long as the cable was out, all of it counted as lost; no pulse read across it."""
    gaps = [g for g in came.gaps if g.reason is GapReason.LINK_LOST]
    lost = sum(g.lost_samples for g in came.gaps)
    source = judged.judgement.source
    figures = (
        Figure("lost", lost, "scans"),
        Figure("delivered", came.in_all, "scans"),
        Figure("pulled", PULLED_S, "s"),
    )
    wrong = ""
    if len(gaps) != 1:
        wrong = f"{counted(len(gaps), 'interruption')} counted, where there was one"
    elif gaps[0].t_to - gaps[0].t_from < PULLED_S - came.latest_s - _STAMPED_WITHIN_S:
        wrong = f"the cable was out for {PULLED_S:g} s, and {gaps[0].t_to - gaps[0].t_from:.2f} s were counted as lost"
    elif abs(came.in_all + lost - came.ends_s * came.asked_hz) > 1 + len(came.gaps):
        wrong = (
            f"{came.in_all} scans there and {lost} lost are not the {came.ends_s:.2f} s that they stand for"
        )
    elif not session.health.lost_samples == source.lost_samples == lost or not judged.lossy:
        wrong = f"{session.health.lost_samples} scans lost live, {source.lost_samples} by the judgement, {lost} in the recording"
    elif across := _cycles_across(gaps[0], judged):
        wrong = f"{counted(across, 'cycle')} counted that the interruption took part of"
    elif came.ends_s <= gaps[0].t_to:
        wrong = "nothing came after the cable was back"
    if wrong:
        return failed("unplugged", wrong, *figures, todo=_TODO_REINSTALL)
    return holds(
        "unplugged",
        f"cable out for {PULLED_S:g} s and back: {gaps[0].t_to - gaps[0].t_from:.2f} s ({lost} scans) counted as lost until the "
        "board was found again, no cycle across it counted, and it went on by itself",
        *figures,
    )


def _cycles_across(gap: Gap, judged: JudgedFile) -> int:
    return sum(
        isinstance(m, Cycle) and m.left_out is None and m.from_s < gap.t_to and m.to_s > gap.t_from
        for m in judged.messages
    )


@contextmanager
def collected(address: str, into: list[list[bytes]]) -> Iterator[Callable[[list[bytes]], None]]:
    """Subscribes to everything that is published there; gives what waits until this message was the last to come, or for a
    while in vain."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.SUB)
    socket.rcvhwm = 0
    socket.subscribe(b"")
    socket.connect(address)
    over = threading.Event()

    def receive() -> None:
        while not over.is_set():
            if socket.poll(50):
                into.append(socket.recv_multipart())

    thread = threading.Thread(target=receive, name="collector", daemon=True)
    thread.start()

    def until(last: list[bytes]) -> None:
        give_up_s = time.monotonic() + _LAST_COMES_WITHIN_S
        while into[-1:] != [last] and time.monotonic() < give_up_s:
            over.wait(0.02)

    try:
        yield until
    finally:
        over.set()
        thread.join()
        socket.close(linger=0)
        context.term()
