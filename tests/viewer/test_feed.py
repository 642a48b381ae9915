"""What a slow screen does not fetch is dropped and counted, and a new session is told from an old one."""

from __future__ import annotations

import numpy as np
import pytest
import zmq
from evenstroke_dsp.messages import TOPIC_OF, Cycle, FindingMessage, Wave, WaveData, encode_header
from evenstroke_viewer.feed import Inbox, Jumped, LiveFeed, MarkNote, Restarted, SessionWatch

WAIT_S = 30.0


def wave(sequence, samples=100, kind="raw"):
    header = Wave(
        sequence=sequence, kind=kind, probes=("a",), units=("V",), shape=(1, samples), t0_s=sequence * 1.0,
        dt_s=0.01,
    )  # fmt: skip
    return WaveData(header, np.zeros((1, samples), np.float32))


def cycle(sequence):
    return Cycle(
        sequence=sequence, stretch="cranking", index=sequence, from_s=0.6 * sequence, to_s=0.6 * sequence + 0.6,
        rpm=200.0, angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


def finding(sequence):
    return FindingMessage(
        sequence=sequence, at_s=0.0, phase="rest", findings=(), warnings=(), refused=None, instruction=str(sequence),
        more_cycles=None,
    )  # fmt: skip


def test_nothing_is_lost_on_who_fetches_in_time():
    inbox = Inbox(now_s=lambda: 5.0)
    for message in (wave(0), cycle(0), wave(1), cycle(1)):
        inbox.put(message)
    delivery = inbox.take()
    assert [type(m) for m in delivery.messages] == [WaveData, Cycle, WaveData, Cycle]
    assert (delivery.silent_s, delivery.dropped) == (0.0, 0)
    assert inbox.take().messages == ()


def test_old_waves_go_first_and_are_counted():
    inbox = Inbox(most_samples=350)
    inbox.put(wave(0, kind="conditioned"))
    inbox.put(cycle(0))
    for number in range(1, 6):
        inbox.put(wave(number))
    delivery = inbox.take()
    kept = [(m.header.kind, m.header.sequence) for m in delivery.messages if isinstance(m, WaveData)]
    assert kept == [("conditioned", 0), ("raw", 4), ("raw", 5)]
    assert delivery.dropped == 3
    assert any(isinstance(m, Cycle) for m in delivery.messages)


def test_of_what_says_everything_anew_only_the_newest_is_kept():
    inbox = Inbox()
    for number in range(1000):
        inbox.put(finding(number))
    (kept,) = inbox.take().messages
    assert kept.instruction == "999"


def test_cycles_are_bounded():
    inbox = Inbox()
    for number in range(6000):
        inbox.put(cycle(number))
    kept = inbox.take().messages
    assert len(kept) == 5000 and kept[-1].sequence == 5999


def test_a_new_session_makes_the_old_one_s_messages_worthless():
    inbox = Inbox()
    inbox.put(cycle(7))
    inbox.put(Restarted())
    inbox.put(cycle(0))
    assert [getattr(m, "sequence", "restarted") for m in inbox.take().messages] == ["restarted", 0]


def test_a_jump_in_a_recording_drops_what_waits_of_the_other_place():
    inbox = Inbox()
    inbox.put(wave(0))
    inbox.put(cycle(0))
    inbox.put(MarkNote(1.0, "here"))
    inbox.put(Jumped(), cycle(0))
    assert [type(m) for m in inbox.take().messages] == [MarkNote, Jumped, Cycle]


@pytest.mark.parametrize("order", [("state", "wave", "cycle"), ("cycle", "state", "wave")])
def test_one_session_begins_once_whatever_topic_is_first(order):
    watch = SessionWatch()
    for topic in ("state", "wave", "cycle", "wave"):
        assert not watch.begins(topic, again=False)
    assert [watch.begins(topic, again=True) for topic in order] == [True, False, False]
    assert watch.begins("wave", again=True)


class Daemon:
    """A bare PUB socket that publishes as a daemon does, at an address that it can leave and take again."""

    def __init__(self, port=None):
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.XPUB)
        self.socket.linger = 0
        self.port = port or self.socket.bind_to_random_port("tcp://127.0.0.1")
        if port:
            self.socket.bind(f"tcp://127.0.0.1:{port}")

    def publish(self, message):
        self.socket.send_multipart([TOPIC_OF[type(message)].encode(), encode_header(message)])

    def heard(self):
        assert self.socket.poll(WAIT_S * 1000)
        self.socket.recv()

    def close(self):
        self.socket.close()
        self.context.term()


class Gathered(Inbox):
    """An inbox that says when a message has come."""

    def __init__(self):
        super().__init__()
        import queue

        self.came = queue.Queue()

    def put(self, message):
        super().put(message)
        self.came.put(message)


def test_a_daemon_that_comes_back_is_found_and_its_session_is_new():
    daemon = Daemon()
    inbox = Gathered()
    feed = LiveFeed(f"tcp://127.0.0.1:{daemon.port}", inbox)
    feed.start()
    daemon.heard()
    for number in range(3):
        daemon.publish(finding(number))
    assert [inbox.came.get(timeout=WAIT_S).sequence for _ in range(3)] == [0, 1, 2]
    daemon.close()
    daemon = Daemon(daemon.port)
    daemon.heard()
    daemon.publish(finding(0))
    assert isinstance(inbox.came.get(timeout=WAIT_S), Restarted)
    assert inbox.came.get(timeout=WAIT_S).sequence == 0
    feed.close()
    daemon.close()


def test_what_another_version_says_is_counted_and_does_no_harm():
    daemon = Daemon()
    inbox = Gathered()
    feed = LiveFeed(f"tcp://127.0.0.1:{daemon.port}", inbox)
    feed.start()
    daemon.heard()
    daemon.socket.send_multipart([b"weather", b"{}"])
    daemon.socket.send_multipart([b"finding", b'{"sequence": 0}'])
    daemon.publish(finding(0))
    assert inbox.came.get(timeout=WAIT_S).instruction == "0"
    assert inbox.take().unreadable == 2
    feed.close()
    daemon.close()
