"""The published stream: ZeroMQ PUB, one multipart message each: topic, JSON header, raw array where there is one.

A subscriber that does not keep up never holds the daemon up: at the default high-water mark ZeroMQ drops
what that subscriber cannot take, and the sequence numbers tell it what it missed.
"""

from __future__ import annotations

import ipaddress
import threading
from urllib.parse import urlsplit

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
from evenstroke_protocol.errors import EvenstrokeError

DEFAULT_ADDRESS = "tcp://127.0.0.1:7720"
_LINGER_MS = 1000
"""How long closing waits for the last messages to leave."""


class ServiceError(EvenstrokeError):
    """A socket, the publishing, or the service around them."""


def loopback_only(address: str) -> str:
    """The address, when nobody but this computer can reach it. Raises ServiceError otherwise."""
    parts = urlsplit(address)
    try:
        port = parts.port
    except ValueError:
        port = None
    if parts.scheme == "ipc" and address.removeprefix("ipc://"):
        return address
    if parts.scheme != "tcp" or not parts.hostname or port is None:
        raise ServiceError(
            "this is not an address to publish at",
            where=address,
            expected="tcp://127.0.0.1:PORT (the default is " + DEFAULT_ADDRESS + ")",
            todo="give an address of that form, or `--publish none`",
        )
    try:
        loopback = ipaddress.ip_address(parts.hostname).is_loopback
    except ValueError:
        loopback = parts.hostname == "localhost"
    if not loopback:
        raise ServiceError(
            "publishing beyond this computer is declined",
            where=address,
            expected="a loopback address such as " + DEFAULT_ADDRESS,
            found=f"{parts.hostname}, which others may reach; without keys anybody there could read along",
            todo="publish at a loopback address, and reach it from elsewhere through a tunnel such as ssh -L",
        )
    return address


class Publisher:
    """A bound PUB socket; any thread may publish. Raises ServiceError when the address cannot be bound."""

    def __init__(self, address: str = DEFAULT_ADDRESS) -> None:
        loopback_only(address)
        self._lock = threading.Lock()
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.PUB)
        self._socket.linger = _LINGER_MS
        try:
            # "localhost" is a name, and ZeroMQ binds to numbers and interfaces only.
            self._socket.bind(address.replace("//localhost:", "//127.0.0.1:"))
        except zmq.ZMQError as error:
            self.close()
            busy = error.errno == zmq.EADDRINUSE
            raise ServiceError(
                "the address is in use" if busy else "the address cannot be bound",
                where=address,
                found="another program publishes there (another evenstroke?)" if busy else str(error),
                todo="end it, or choose another address with `--publish tcp://127.0.0.1:PORT`",
            ) from error
        self.address: str = self._socket.getsockopt_string(zmq.LAST_ENDPOINT)

    def publish(self, message: PipelineMessage | State | Health) -> None:
        """Send one message to whoever listens; never blocks."""
        header: PublishedMessage
        if isinstance(message, WaveData):
            header, array = message.header, [message.samples.astype("<f4", copy=False).tobytes()]
        else:
            header, array = message, []
        frames = [TOPIC_OF[type(header)].encode(), encode_header(header), *array]
        with self._lock:
            self._socket.send_multipart(frames)

    def close(self) -> None:
        """Let the last messages go, then close."""
        with self._lock:
            self._socket.close()
            self._context.term()
