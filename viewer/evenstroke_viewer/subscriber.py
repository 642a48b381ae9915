"""Receives the published stream as typed messages, and counts what was missed. No Qt here."""

from __future__ import annotations

from collections import Counter

import numpy as np
import zmq
from evenstroke_dsp.messages import PublishedMessage, Wave, WaveData, decode_header

from .curve_keys import CurveKeys

Received = PublishedMessage | WaveData
"""What arrives: a wave comes as WaveData, header and samples together."""

DEFAULT_ADDRESS = "tcp://127.0.0.1:7720"


class Subscriber:
    """A ZeroMQ SUB socket on a daemon's published stream. One thread owns it. Raises zmq.ZMQError for what is no address.

    address: where the daemon publishes; it need not run yet.
    topics: which ones to receive; default all of them.
    keys: what this computer and the daemon's know each other by; None: the daemon asks for none.
    missed: messages that never arrived, by topic, from the jumps of the sequence numbers.
    restarts: how often a topic's numbers began again from a lower one (another daemon, another session).
    """

    def __init__(
        self,
        address: str = DEFAULT_ADDRESS,
        topics: tuple[str, ...] = ("",),
        keys: CurveKeys | None = None,
    ) -> None:
        self.address = address
        self.missed: Counter[str] = Counter()
        self.restarts: Counter[str] = Counter()
        self._expected: dict[str, int] = {}
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.SUB)
        self._socket.linger = 0
        if keys is not None:
            keys.put_on(self._socket)
        for topic in topics:
            self._socket.subscribe(topic)
        try:
            self._socket.connect(address)
        except zmq.ZMQError:
            self.close()
            raise

    def receive(self, timeout_s: float) -> Received | None:
        """The next message, or None when none comes within the time-out, seconds.

        Raises KeyError for a topic and msgspec.ValidationError for a header that this version does not
        know, ValueError for an array that is not what its header says.
        """
        if not self._socket.poll(int(timeout_s * 1000)):
            return None
        parts = self._socket.recv_multipart()
        topic = parts[0].decode()
        header = decode_header(topic, parts[1])
        expected = self._expected.get(topic)
        if expected is not None and header.sequence < expected:
            self.restarts[topic] += 1
        elif expected is not None and header.sequence > expected:
            self.missed[topic] += header.sequence - expected
        self._expected[topic] = header.sequence + 1
        if isinstance(header, Wave):
            samples = np.frombuffer(parts[2], dtype=np.dtype(header.dtype)).reshape(header.shape)
            return WaveData(header, samples)
        return header

    def close(self) -> None:
        self._socket.close()
        self._context.term()

    def __enter__(self) -> Subscriber:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
