"""What a subscriber makes of the stream: typed messages, and what it missed."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
import zmq
from evenstroke_dsp.messages import Cycle, Wave, WaveData, encode_header
from evenstroke_viewer.subscriber import Subscriber

WAIT_S = 30.0


def cycle(sequence):
    return Cycle(
        sequence=sequence, stretch="cranking", index=sequence, from_s=0.0, to_s=0.6, rpm=200.0,
        angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


def wave(sequence, samples):
    return Wave(
        sequence=sequence, kind="raw", probes=("a",), units=("V",), shape=samples.shape, t0_s=0.0, dt_s=0.001
    )


class Source:
    """A bare PUB socket to which the subscriber is known to be connected."""

    def __init__(self, topics=("",)):
        self.context = zmq.Context()
        # XPUB hears of subscriptions: no message is sent before they have all arrived.
        self.socket = self.context.socket(zmq.XPUB)
        self.socket.linger = 0
        port = self.socket.bind_to_random_port("tcp://127.0.0.1")
        self.subscriber = Subscriber(f"tcp://127.0.0.1:{port}", topics)
        for _ in topics:
            assert self.socket.poll(WAIT_S * 1000)
            self.socket.recv()

    def send(self, topic, header, *arrays):
        self.socket.send_multipart([topic.encode(), header, *arrays])

    def close(self):
        self.subscriber.close()
        self.socket.close()
        self.context.term()


@pytest.fixture
def source():
    source = Source()
    yield source
    source.close()


def test_messages_come_typed(source):
    source.send("cycle", encode_header(cycle(0)))
    assert source.subscriber.receive(WAIT_S) == cycle(0)
    samples = np.array([[1.5, np.nan, -2.0]], dtype="<f4")
    source.send("wave", encode_header(wave(0, samples)), samples.tobytes())
    got = source.subscriber.receive(WAIT_S)
    assert isinstance(got, WaveData)
    np.testing.assert_array_equal(got.samples, samples)
    assert got.samples.shape == got.header.shape


def test_nothing_is_none(source):
    assert source.subscriber.receive(0.0) is None


def test_what_was_missed_is_counted_by_topic(source):
    samples = np.zeros((1, 1), dtype="<f4")
    for number in (5, 6, 9):
        source.send("cycle", encode_header(cycle(number)))
    for number in (0, 2):
        source.send("wave", encode_header(wave(number, samples)), samples.tobytes())
    for _ in range(5):
        assert source.subscriber.receive(WAIT_S) is not None
    assert source.subscriber.missed == {"cycle": 2, "wave": 1}, "what came before the first is not known"


def test_a_new_session_is_no_loss(source):
    for number in (7, 8, 0, 1):
        source.send("cycle", encode_header(cycle(number)))
        assert source.subscriber.receive(WAIT_S).sequence == number
    assert not source.subscriber.missed
    assert source.subscriber.restarts == {"cycle": 1}


def test_only_the_topics_asked_for():
    source = Source(("cycle",))
    samples = np.zeros((1, 1), dtype="<f4")
    source.send("wave", encode_header(wave(0, samples)), samples.tobytes())
    source.send("cycle", encode_header(cycle(0)))
    assert source.subscriber.receive(WAIT_S) == cycle(0)
    source.close()


def test_what_does_not_fit_is_said(source):
    source.send("cycle", b'{"schema": "evenstroke.cycle/1", "sequence": "one"}')
    with pytest.raises(msgspec.ValidationError, match=r"sequence"):
        source.subscriber.receive(WAIT_S)
    source.send("nonsense", b"{}")
    with pytest.raises(KeyError):
        source.subscriber.receive(WAIT_S)
    samples = np.zeros((1, 3), dtype="<f4")
    source.send("wave", encode_header(wave(0, samples)), samples[:, :2].tobytes())
    with pytest.raises(ValueError, match="reshape"):
        source.subscriber.receive(WAIT_S)
