"""The published stream, through a real socket: contract 5, and what is declined."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_daemon.publisher import Publisher
from evenstroke_daemon.secured import ServiceError
from evenstroke_dsp.messages import Cycle, Wave, WaveData
from evenstroke_viewer.subscriber import Subscriber

WAIT_S = 30.0


def cycle(sequence):
    return Cycle(
        sequence=sequence, stretch="cranking", index=sequence, from_s=0.0, to_s=0.6, rpm=200.0,
        angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


def wave(sequence, samples):
    header = Wave(
        sequence=sequence, kind="conditioned", probes=("a", "b"), units=("kPa", "V"),
        shape=samples.shape, t0_s=1.5, dt_s=0.002,
    )  # fmt: skip
    return WaveData(header, samples)


@pytest.fixture
def publisher():
    publisher = Publisher("tcp://127.0.0.1:0")
    yield publisher
    publisher.close()


@pytest.fixture
def subscriber(publisher):
    with Subscriber(publisher.address) as subscriber:
        # A subscription takes a moment to arrive: publish until one message came through.
        for number in range(100_000):
            publisher.publish(cycle(number))
            if subscriber.receive(0.001) is not None:
                break
        publisher.publish(cycle(number + 1))
        while subscriber.receive(WAIT_S).sequence != number + 1:
            pass
        subscriber.missed.clear()
        subscriber.next = number + 2
        yield subscriber


def test_messages_arrive_as_they_were_sent(publisher, subscriber):
    samples = np.arange(8, dtype=np.float32).reshape(2, 4)
    samples[1, 2] = np.nan
    publisher.publish(wave(0, samples))
    publisher.publish(cycle(subscriber.next))
    got = subscriber.receive(WAIT_S)
    assert got.header == wave(0, samples).header
    np.testing.assert_array_equal(got.samples, samples)
    assert subscriber.receive(WAIT_S) == cycle(subscriber.next)
    assert not subscriber.missed


def test_an_address_in_use_says_so(publisher):
    with pytest.raises(ServiceError, match="address to publish at is in use") as caught:
        Publisher(publisher.address)
    assert "--publish" in caught.value.todo


OTHERS_REACH = ["tcp://0.0.0.0:7720", "tcp://*:7720", "tcp://192.168.1.5:7720", "tcp://[::]:7720"]


@pytest.mark.parametrize("address", OTHERS_REACH)
def test_at_an_address_that_others_could_reach_nothing_is_published_without_keys(address):
    with pytest.raises(ServiceError, match="without keys") as caught:
        Publisher(address)
    assert "evenstroke setup key" in caught.value.todo
