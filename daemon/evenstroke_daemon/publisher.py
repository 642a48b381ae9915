"""The published stream: ZeroMQ PUB, one multipart message each: topic, JSON header, raw array where there is one.

A subscriber that does not keep up never holds the daemon up: at the default high-water mark ZeroMQ drops
what that subscriber cannot take, and the sequence numbers tell it what it missed.
"""

from __future__ import annotations

import threading

import zmq
from evenstroke_dsp.messages import (
    TOPIC_OF,
    Health,
    PipelineMessage,
    PublishedMessage,
    State,
    WaveData,
    encode_header,
)
from evenstroke_replay.key_folder import KeyFolder

from .secured import SecuredSocket

DEFAULT_ADDRESS = "tcp://127.0.0.1:7720"
_LINGER_MS = 1000
"""How long closing waits for the last messages to leave."""


class Publisher:
    """A bound PUB socket; any thread may publish.

    keys: who may subscribe; None: whoever reaches the address. Raises ServiceError when it cannot be bound.
    """

    def __init__(self, address: str = DEFAULT_ADDRESS, keys: KeyFolder | None = None) -> None:
        self._lock = threading.Lock()
        self._secured = SecuredSocket(
            zmq.PUB, address, keys, what="the address to publish at", option="--publish"
        )
        self._socket = self._secured.socket
        self._socket.linger = _LINGER_MS
        self.address = self._secured.address

    def publish(self, message: PipelineMessage | State | Health) -> None:
        """Send one message to whoever listens; never blocks."""
        frames = frames_of(message)
        with self._lock:
            self._socket.send_multipart(frames)

    def close(self) -> None:
        """Let the last messages go, then close."""
        with self._lock:
            self._secured.close()


def frames_of(message: PipelineMessage | State | Health) -> list[bytes]:
    """The parts of a message as they go over the wire: topic, header, and the array where there is one."""
    header: PublishedMessage
    if isinstance(message, WaveData):
        header, array = message.header, [message.samples.astype("<f4", copy=False).tobytes()]
    else:
        header, array = message, []
    return [TOPIC_OF[type(header)].encode(), encode_header(header), *array]
