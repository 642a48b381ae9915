"""One session from open to close, on a virtual board and a clock that only its reads move."""

from __future__ import annotations

import itertools
import threading
import time

import msgspec
import numpy as np
import pytest
import serial
from evenstroke_daemon import service as service_module
from evenstroke_daemon.clock import Clock
from evenstroke_daemon.coach import Coach, Limits
from evenstroke_daemon.link import Link
from evenstroke_daemon.outcome import Outcome
from evenstroke_daemon.serial_port import LinkError
from evenstroke_daemon.service import Informed, Service
from evenstroke_dsp.blocks import EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.messages import Cycle, FindingMessage, Health, ProbeHealth, State
from evenstroke_dsp.setup import SetupError, parse_setup
from evenstroke_protocol.events import ResetCause
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import RecordedBytes, RecordedNote, Recording
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.rig_faults import Fault, FaultKind, FaultyBoard
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from setup_texts import engine, intake, sampled, spark

SETUP = engine(1, 2) + sampled(1000) + intake(input=0) + spark(input=2)


class Blocks:
    """Stands where the pipeline stands: keeps what it was given and says one message per flush."""

    def __init__(self):
        self.pushed = []
        self.before_push = lambda: None

    def push(self, block):
        self.before_push()
        self.pushed.append(block)
        return []

    def flush(self):
        return [
            Cycle(
                sequence=0, stretch="cranking", index=0, from_s=0.0, to_s=0.6, rpm=200.0,
                angle_uncertainty_deg=None, left_out=None, probes=(),
            )
        ]  # fmt: skip

    def health(self):
        return (
            ProbeHealth(
                probe="intake", role="intake_pulse", unit="V", state="waiting", problems=(), advice="",
                low=None, high=None, noise_rms=None, clipped_share=None, events=None,
            ),
        )  # fmt: skip


class Speaking(Blocks):
    """Says of each block of samples a cycle, and a finding that names who says it."""

    def __init__(self, name):
        super().__init__()
        self.name = name

    def push(self, block):
        super().push(block)
        if not isinstance(block, SampleBlock):
            return []
        number = sum(isinstance(b, SampleBlock) for b in self.pushed) - 1
        cycle = msgspec.structs.replace(super().flush()[0], sequence=number, index=number)
        finding = FindingMessage(
            sequence=number, at_s=block.t0, phase="cranking" if number % 40 >= 20 else "rest", findings=(),
            warnings=(), refused=None, instruction=self.name, more_cycles=None,
        )  # fmt: skip
        return [cycle, finding]

    def flush(self):
        return []


class Session:
    def __init__(self, port, folder=None, setup_text=SETUP, awaited=None):
        from datetime import UTC, datetime

        from evenstroke_replay.recorder import Recorder

        self.port = port
        self.pipeline = Blocks()
        self.published = []
        setup = parse_setup(setup_text)
        clock = Clock(port.monotonic_ns, lambda: 0, lambda: 0.0)

        def begin(host_ns, into, title):
            at = datetime(2026, 1, 2, tzinfo=UTC)
            return Recorder.in_folder(folder, "test", setup_text, started_at=at, started_host_ns=host_ns)

        self.service = Service(
            setup=setup,
            acquisition=setup.acquisition,
            pipeline=self.pipeline,
            make_link=lambda on_change, stop: Link(
                "PORT", 1_000_000, on_change=on_change, stop_wanted=stop,
                monotonic_ns=port.monotonic_ns, opener=port.opener,
            ),
            open_recording=begin,
            record_at_once=folder is not None,
            pause=lambda seconds: port.wait(seconds),
            publish=self.published.append,
            clock=clock,
            coach=Coach(Limits()),
            awaited=awaited,
        )  # fmt: skip
        self.paced = True
        port.before_read = self._wait_for_the_others

    def _wait_for_the_others(self):
        """The virtual clock runs far faster than a real one: hold it until the other threads are done."""
        until = time.monotonic() + 30
        queues = (self.service._received, self.service._batches)
        while self.paced and any(queue.count().depth for queue in queues):
            assert time.monotonic() < until
            time.sleep(0)

    def run(self, seconds=2.0, stop=lambda: False, look=lambda _: None):
        return self.service.run(stop_wanted=stop, seconds=seconds, look=look)

    def of(self, kind):
        return [m for m in self.published if isinstance(m, kind)]

    @property
    def scans(self):
        return sum(b.samples for b in self.pipeline.pushed if isinstance(b, SampleBlock))


def listening_to(port):
    """Note every byte that the port gives from now on."""
    received = bytearray()
    damage = port.damage

    def note(data, now):
        data = damage(data, now)
        received.extend(data)
        return data

    port.damage = note
    return received


def test_a_session_records_what_came_and_hands_every_scan_on(virtual_port, tmp_path):
    port = virtual_port()
    received = listening_to(port)
    session = Session(port, tmp_path)
    assert session.run(seconds=2.0) is Outcome.DONE
    assert 2000 <= session.scans <= 2100, "2 s at 1000 Hz, and what the stop still brought"
    recording = Recording(session.service.recorded_path)
    assert recording.complete
    assert recording.setup_text == SETUP
    items = list(recording.items())
    assert all(isinstance(item, RecordedBytes) for item in items)
    assert b"".join(item.data for item in items) == bytes(received)
    assert not port.board.streaming, "the board was stopped"
    assert port.closed


def test_samples_follow_each_other_without_a_step(virtual_port):
    session = Session(virtual_port())
    session.run()
    blocks = [b for b in session.pipeline.pushed if isinstance(b, SampleBlock)]
    ends = [b.t0 + b.samples * b.dt for b in blocks]
    assert np.allclose([b.t0 for b in blocks[1:]], ends[:-1], atol=1e-9)
    assert any(isinstance(b, EdgeBlock) for b in session.pipeline.pushed)


def test_states_are_published_at_each_change_and_numbered_without_a_hole(virtual_port):
    session = Session(virtual_port())
    session.run()
    states = session.of(State)
    links = [s.link for s in states]
    assert [links[0], *(b for a, b in itertools.pairwise(links) if a != b)] == [
        "opening", "syncing", "streaming", "closed",
    ]  # fmt: skip
    assert [s.sequence for s in states] == list(range(len(states)))
    health = session.of(Health)
    assert [h.sequence for h in health] == list(range(len(health)))
    assert health[-1].samples == session.scans
    assert health[-1].lost_samples == 0
    assert session.of(Cycle), "what the flush says is published"
    assert states[-1].board == "evenstroke virtual board"
    assert any("crank" in text.lower() for text in states[-1].cautions)


def test_a_pipeline_that_is_behind_costs_blocks_but_not_the_recording(virtual_port, tmp_path, monkeypatch):
    monkeypatch.setattr(service_module, "PIPELINE_BATCHES", 3)
    port = virtual_port()
    received = listening_to(port)
    session = Session(port, tmp_path)
    released = threading.Event()
    session.paced = False
    session.pipeline.before_push = lambda: released.wait(30)

    def look(snapshot):
        if snapshot.health.samples > 1000:  # the recorder went on while the pipeline stood
            released.set()

    assert session.run(seconds=2.0, look=look) is Outcome.DONE_WITH_LOSS
    items = Recording(session.service.recorded_path).items()
    assert b"".join(item.data for item in items) == bytes(received)
    gaps = [b for b in session.pipeline.pushed if isinstance(b, Gap)]
    health = session.of(Health)[-1]
    pushed_and_lost = session.scans + session.service._batches.lost_samples
    assert pushed_and_lost == health.samples, "every scan was handed on or counted as lost"
    assert {gap.reason for gap in gaps} <= {"pipeline_behind"}
    dropped = {count.queue: count.dropped for count in health.queues}
    assert dropped["pipeline_batches"] > 0
    assert dropped["received_bytes"] == 0


@pytest.mark.parametrize("ready_after", [0, 30, 10**9], ids=["at once", "meanwhile", "not before the end"])
def test_what_is_awaited_speaks_of_everything_that_came(virtual_port, tmp_path, ready_after):
    asked = []
    informed = Speaking("informed")

    def awaited(wait):
        asked.append(wait)
        return Informed(informed, ()) if wait or len(asked) > ready_after else None

    port = virtual_port()
    received = listening_to(port)
    session = Session(port, tmp_path, awaited=awaited)
    first = session.service._pipeline = Speaking("first")
    coached = []
    session.service._coach.heard = lambda finding, now_s: coached.append(finding.sequence)
    assert session.run(seconds=2.0) is Outcome.DONE
    blocks = [b for b in informed.pushed if isinstance(b, SampleBlock)]
    before = [b.t0 for b in first.pushed if isinstance(b, SampleBlock)]
    assert before
    assert [b.t0 for b in blocks][: len(before)] == before
    assert sum(b.samples for b in blocks) == session.of(Health)[-1].samples, "nothing is lost meanwhile"
    every = list(range(len(blocks)))
    assert len(every) > 40
    assert [c.sequence for c in session.of(Cycle)] == every, "each cycle is published once, in order"
    assert [f.sequence for f in session.of(FindingMessage)] == every
    assert {f.instruction for f in session.of(FindingMessage)} == {"informed"}
    assert coached == every, "the coach hears each once, and at once"
    assert session.service.snapshot().finding.instruction == "informed"
    assert not session.of(State)[-1].coach.words.endswith("the balance follows.")
    recording = Recording(session.service.recorded_path)
    assert b"".join(i.data for i in recording.items() if isinstance(i, RecordedBytes)) == bytes(received)
    phases = [i.content.phase for i in recording.items() if isinstance(i, RecordedNote)]
    assert phases == [a for a, b in zip(phases, [None, *phases], strict=False) if a != b]


def test_while_something_is_awaited_the_coach_says_so(virtual_port):
    port = virtual_port()
    session = Session(port, awaited=lambda wait: Informed(Speaking("informed"), ()) if wait else None)
    session.run(seconds=1.0)
    streaming = [state.coach.words for state in session.of(State) if state.link == "streaming"]
    assert "still being worked out" in streaming[0]
    assert "still being worked out" not in session.of(State)[-1].coach.words


def test_what_is_kept_for_the_awaited_is_bounded(virtual_port, monkeypatch):
    monkeypatch.setattr(service_module, "MOST_KEPT_BYTES", 4000)
    waited = []

    def awaited(wait):
        waited.append(len(session.service._kept) if wait else None)
        return Informed(Blocks(), ()) if wait else None

    session = Session(virtual_port(), awaited=awaited)
    session.run(seconds=2.0)
    kept = [count for count in waited if count is not None]
    assert len(kept) == 1, "it was waited for once"
    assert sum(isinstance(b, SampleBlock) for b in session.pipeline.pushed) < 20, "and before the end"


def test_a_session_that_fails_does_not_wait(virtual_port):
    port = virtual_port()
    asked = []

    def gone(data, now):
        if now > 1.0:
            raise serial.SerialException("gone")
        return data

    port.damage = gone
    session = Session(port, awaited=lambda wait: asked.append(wait))
    with pytest.raises(LinkError):
        session.run(seconds=200.0)
    assert asked
    assert not any(asked)


def test_a_recording_that_fails_is_said_and_the_session_goes_on(virtual_port, tmp_path):
    session = Session(virtual_port(), tmp_path)

    class FullDisk:
        path = tmp_path / "x.mcap"
        bytes_written = 0
        calls = 0

        def received(self, data, host_ns):
            self.calls += 1
            if self.calls > 5:
                raise RecordingError("the recording cannot be written any further", found="No space left")

        def flush_due(self, host_ns):
            pass

        def close(self):
            raise AssertionError("it has closed itself")

    session.service._open_recording = lambda host_ns, folder, title: FullDisk()
    with pytest.raises(RecordingError, match="cannot be written any further"):
        session.run()
    assert session.scans >= 2000
    assert session.of(State)[-1].recording_problem == "the recording cannot be written any further"


def test_a_board_that_turns_out_to_be_another_ends_the_session(virtual_port, tmp_path):
    session = Session(virtual_port(), tmp_path)
    session.paced = False
    feed, fed = session.service._feed.feed, []

    def another_board(event, host_ns):
        fed.append(event)
        if len(fed) > 100:
            raise SetupError("the board has no such input")
        return feed(event, host_ns)

    session.service._feed.feed = another_board
    with pytest.raises(SetupError, match="no such input"):
        session.run(seconds=None)
    assert Recording(session.service.recorded_path).complete
    assert not session.port.board.streaming


def test_of_two_failures_none_is_kept_back(virtual_port, tmp_path):
    port = virtual_port()
    port.damage = lambda data, now: data if now < 2 else b""
    session = Session(port, tmp_path)

    def fail(host_ns, folder, title):
        raise RecordingError("the recording cannot be created")

    session.service._open_recording = fail
    with pytest.raises(RecordingError, match="cannot be created") as caught:
        session.run(seconds=None)
    assert any("did not come back" in note for note in caught.value.__notes__)


def test_a_board_that_falls_silent_ends_the_session_with_the_recording_whole(virtual_port, tmp_path):
    port = virtual_port()
    port.damage = lambda data, now: data if now < 3 else b""
    received = listening_to(port)
    session = Session(port, tmp_path)
    with pytest.raises(LinkError, match=r"did not come back within 60 s"):
        session.run(seconds=None)
    recording = Recording(session.service.recorded_path)
    assert recording.complete
    items = list(recording.items())
    assert b"".join(item.data for item in items if isinstance(item, RecordedBytes)) == bytes(received)
    assert [item.content.missing for item in items if isinstance(item, RecordedNote)] == ["behind"]
    assert session.of(Cycle), "what came was judged to its end"
    assert session.of(State)[-1].link == "failed"
    assert "in vain" in session.of(State)[-1].reason


def test_lost_bytes_are_counted_by_reason_and_end_in_done_with_loss(virtual_port):
    port = virtual_port()
    port.damage = lambda data, now: data[len(data) // 3 :] if 1.0 < now < 1.2 else data
    session = Session(port)
    assert session.run() is Outcome.DONE_WITH_LOSS
    health = session.of(Health)[-1]
    assert health.lost_samples > 0
    assert {loss.reason for loss in health.losses} & {"bad_crc", "not_cobs", "samples_missing", "bad_length"}
    lost = sum(b.lost_samples for b in session.pipeline.pushed if isinstance(b, Gap))
    assert lost == health.lost_samples


def test_lost_level_changes_alone_end_in_done_with_loss(virtual_port):
    port = virtual_port()
    session = Session(port)
    board, send = port.board, port.board._send_edges

    def send_some(run, at, edges, until):
        if run.edges_sequence == 20:
            run.edges_sequence, run.edges_until = 21, until
        else:
            send(run, at, edges, until)

    board._send_edges = send_some
    assert session.run() is Outcome.DONE_WITH_LOSS
    assert session.of(Health)[-1].lost_samples == 0
    gaps = [b for b in session.pipeline.pushed if isinstance(b, Gap)]
    assert [(g.reason, g.lost_samples) for g in gaps] == [("edges_missing", 0)]


def test_blocks_that_the_board_dropped_itself_are_told_from_those_lost_on_the_way(virtual_port):
    # 12 bits, one input, 1000 Hz: some 1.6 kB/s of samples and as much of level changes; 9600 baud carry 0.96 kB/s.
    port = virtual_port(baud=9600, careful=False)
    session = Session(port)
    assert session.run(seconds=8.0) is Outcome.DONE_WITH_LOSS
    health = session.of(Health)[-1]
    assert health.board_blocks_dropped > 0
    assert {loss.reason for loss in health.losses} == set(), "nothing was lost on the way"
    gaps = [b for b in session.pipeline.pushed if isinstance(b, Gap)]
    assert {gap.reason for gap in gaps} == {"board_dropped"}
    assert sum(gap.lost_samples for gap in gaps) == health.lost_samples > 0
    # Every scan from the first one that came to the last one that came is there, or counted.
    blocks = [b for b in session.pipeline.pushed if isinstance(b, SampleBlock)]
    span = blocks[-1].t0 + blocks[-1].samples * blocks[-1].dt - blocks[0].t0
    assert session.scans + health.lost_samples == round(span * 1000)


@pytest.mark.parametrize(
    ("script", "ppm"),
    [
        ([], 0.0),
        ([Fault(0.0, FaultKind.CLOCK, 30.0)], 30.0),
        ([Fault(0.0, FaultKind.CLOCK, 60.0, lasts_s=60.0)], 30.0),
    ],
    ids=["none", "fast", "drifting"],
)
def test_a_small_error_of_the_boards_clock_is_measured_and_published(virtual_port, script, ppm):
    """A crystal's usual error. Where the clock drifts evenly, its mean over the time is what a line fits."""
    port = virtual_port()
    port.board = FaultyBoard(port.board, script)
    session = Session(port)
    waited, rng = port.before_read, np.random.default_rng(7)

    def read_at_any_time():
        """Reads in step with the blocks would hide how they drift."""
        waited()
        port.timeout_s = float(rng.uniform(0.0, 0.02))

    port.before_read = read_at_any_time
    assert session.run(seconds=60.0) is Outcome.DONE
    health = session.of(Health)[-1]
    assert 1.0 < health.clock_uncertainty_ppm < 20.0
    assert health.clock_ppm == pytest.approx(
        ppm, abs=2 * health.clock_uncertainty_ppm
    )  # four standard errors
    assert not [b for b in session.pipeline.pushed if isinstance(b, Gap)]


def test_stop_is_obeyed(virtual_port):
    session = Session(virtual_port())
    asked = []

    def stop():
        asked.append(1)
        return len(asked) > 2

    assert session.run(seconds=None, stop=stop) is Outcome.DONE
    assert session.scans > 0


def test_a_rate_that_the_board_cannot_do_is_refused_with_its_list(virtual_port):
    session = Session(virtual_port(), setup_text=SETUP.replace("1000", "1234"))
    with pytest.raises(SetupError, match="cannot sample at this rate") as caught:
        session.run()
    assert "1000, 2000" in caught.value.expected


def test_an_input_that_the_board_has_not_is_refused_with_its_list(virtual_port):
    session = Session(virtual_port(), setup_text=SETUP.replace("input = 0", "input = 12"))
    with pytest.raises(SetupError, match="no such input") as caught:
        session.run()
    assert "A0" in caught.value.expected


def test_a_bug_in_the_pipeline_costs_no_recording_and_is_not_hidden(virtual_port, tmp_path):
    session = Session(virtual_port(), tmp_path)

    def bug():
        raise ZeroDivisionError("a bug")

    session.pipeline.before_push = bug
    session.paced = False
    with pytest.raises(ZeroDivisionError):
        session.run()
    assert Recording(session.service.recorded_path).complete
    assert session.of(Health)[-1].samples >= 2000


# --- a board that goes and comes -----------------------------------------------------------------


def test_a_board_that_was_reset_is_started_again_and_the_loss_is_counted(virtual_port, tmp_path):
    port = virtual_port()
    session = Session(port, tmp_path)
    waited = port.before_read
    done = []

    def reset_once():
        waited()
        # The clock must not run on while the hello is on its way through the other thread.
        until = time.monotonic() + 30
        while done and port.now_s > done[0] + 0.03 and session.service._link.resets_heard == 0:
            assert time.monotonic() < until
            time.sleep(0)
        if port.now_s - port.began_s > 1.0 and not done:
            done.append(port.now_s)
            port.board.reset(ResetCause.BROWN_OUT)

    port.before_read = reset_once
    assert session.run(seconds=4.0) is Outcome.DONE_WITH_LOSS
    states = [s.link for s in session.of(State)]
    assert states.count("streaming") >= 2
    assert "reset" in next(s.reason for s in session.of(State) if s.link == "syncing" and "reset" in s.reason)
    gaps = [b for b in session.pipeline.pushed if isinstance(b, Gap)]
    assert [g.reason for g in gaps] == ["link_lost"]
    assert 0 < gaps[0].lost_samples < 1000  # found by its hello, not by seconds of silence
    # The recording tells the same story.
    recording = Recording(session.service.recorded_path)
    assert recording.complete
    replayed = list(blocks_of(recording, recording.setup))
    assert [b for b in replayed if isinstance(b, Gap)] == gaps
    assert sum(b.samples for b in replayed if isinstance(b, SampleBlock)) == session.scans


def test_a_port_that_goes_away_is_opened_again(virtual_port, tmp_path):

    port = virtual_port()
    session = Session(port, tmp_path)
    waited, opener = port.before_read, port.opener

    def unplugged():
        return 1.0 < port.now_s - port.began_s < 3.0

    def nobody_hears():
        port.board.advance(port.now_s - port.began_s)  # what the board sends meanwhile goes nowhere

    def pulled():
        waited()
        if unplugged():
            nobody_hears()
            raise serial.SerialException("device disconnected")

    def open_again(name, baud, timeout):
        nobody_hears()
        if unplugged():
            raise FileNotFoundError(2, "no such device")
        return opener(name, baud, timeout)

    port.before_read = pulled
    session.service._link._link._opener = open_again
    assert session.run(seconds=6.0) is Outcome.DONE_WITH_LOSS
    states = [s.link for s in session.of(State)]
    assert states[-1] == "closed"
    assert "stalled" in states and states.count("streaming") >= 2
    gaps = [b for b in session.pipeline.pushed if isinstance(b, Gap)]
    # The board streamed on: its own numbers tell what went nowhere, and a new run begins behind that.
    assert [g.reason for g in gaps] == ["samples_missing", "edges_missing", "link_lost"]
    assert gaps[0].t_to - gaps[0].t_from == pytest.approx(2.0, abs=0.6)  # away, and looked for twice a second
    assert gaps[2].t_to - gaps[2].t_from < 0.1
    assert Recording(session.service.recorded_path).complete


def test_another_board_is_not_taken_for_the_first(virtual_port):
    port = virtual_port(serial_number=1)
    session = Session(port)
    waited = port.before_read
    swapped = []

    def swap():
        waited()
        if port.now_s - port.began_s > 1.0 and not swapped:
            swapped.append(port.now_s)
            other = VirtualBoard(port.board._source, BoardOptions(serial_number=2))
            other.advance(port.now_s - port.began_s)
            port.board = other
            raise serial.SerialException("device disconnected")

    port.before_read = swap
    with pytest.raises(LinkError, match="did not come back") as caught:
        session.run(seconds=None)
    assert caught.value.found == "another board came back"
    assert any("another board came back" in s.reason for s in session.of(State))


def test_a_stop_is_obeyed_while_the_board_is_waited_for(virtual_port, tmp_path):
    port = virtual_port()
    port.damage = lambda data, now: data if now < 1 else b""
    session = Session(port, tmp_path)
    wanted = []
    # The first pause lasts until the stop has come through.
    port.wait = lambda seconds: session.service._stopping.wait(30)
    outcome = session.run(
        seconds=None,
        stop=lambda: bool(wanted),
        look=lambda snapshot: wanted.append(1) if "waiting for the board" in snapshot.state.reason else None,
    )
    assert outcome is Outcome.DONE_WITH_LOSS
    recording = Recording(session.service.recorded_path)
    assert recording.complete
    *_, note = (i.content for i in recording.items() if isinstance(i, RecordedNote))
    assert note.missing == "behind" and "not streaming when this recording ended" in note.text


# --- recordings by request -----------------------------------------------------------------------


def test_a_recording_that_is_asked_for_before_the_first_bytes_is_the_only_one(virtual_port, tmp_path):
    session = Session(virtual_port(), tmp_path)
    path = session.service.start_recording()
    assert session.run(seconds=2.0) is Outcome.DONE
    assert session.service.recorded_paths == [path]
    recording = Recording(path)
    assert recording.complete
    scans = sum(b.samples for b in blocks_of(recording, recording.setup) if isinstance(b, SampleBlock))
    assert scans == session.scans
    assert list(tmp_path.iterdir()) == [path]


def test_a_recording_begun_late_holds_the_seconds_before(virtual_port, tmp_path):
    port = virtual_port()
    session = Session(port)
    session.service._open_recording = Session(virtual_port(), tmp_path).service._open_recording
    asked = []

    def ask():
        session._wait_for_the_others()
        if port.now_s - port.began_s > 3.0 and not asked:
            asked.append(session.service.start_recording())
            session.service.mark("just after the cough")
        elif port.now_s - port.began_s > 4.0 and len(asked) == 1:
            asked.append(session.service.stop_recording())

    port.before_read = ask
    session.run(seconds=6.0)
    assert asked[0] == asked[1]
    recording = Recording(asked[0])
    assert recording.complete
    notes = [i.content.text for i in recording.items() if isinstance(i, RecordedNote)]
    assert notes == ["just after the cough"]
    scans = sum(b.samples for b in blocks_of(recording, recording.setup) if isinstance(b, SampleBlock))
    assert 3500 <= scans <= 4200  # four seconds at 1000 Hz: three of them from before it was asked for
    with pytest.raises(RecordingError, match="no recording is open"):
        session.service.stop_recording()
    with pytest.raises(RecordingError, match="no recording is open"):
        session.service.mark("too late")
