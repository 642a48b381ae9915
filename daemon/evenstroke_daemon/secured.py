"""Which addresses may be bound, and sockets that let in only computers whose keys are known.

At a loopback address nobody needs a key. Anywhere else a socket speaks CURVE (https://rfc.zeromq.org/spec/26/),
and whoever has no key that is known is turned away before a message is read or sent.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import click
import zmq
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.key_folder import KeyFolder, default_folder, is_loopback_host
from zmq.auth.thread import ThreadAuthenticator

_DOMAIN = b"evenstroke"

keys_option = click.option(
    "--keys",
    "keys_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Keys that subscribers are known by, at a loopback address too. Elsewhere they are needed.  "
    "[default: those of `evenstroke setup key`]",
)


class ServiceError(EvenstrokeError):
    """A socket, the publishing, or the service around them."""


def is_loopback(address: str) -> bool:
    """Whether only this computer can reach an address. Raises ServiceError for what is no address to bind."""
    parts = urlsplit(address)
    try:
        port = parts.port
    except ValueError:
        port = None
    if parts.scheme == "ipc" and address.removeprefix("ipc://"):
        return True
    if parts.scheme != "tcp" or not parts.hostname or port is None:
        raise ServiceError(
            "this is not an address to publish at",
            where=address,
            expected="tcp://127.0.0.1:PORT, or with keys tcp://0.0.0.0:PORT for other computers",
            todo="give an address of that form, or `none`",
        )
    return is_loopback_host(parts.hostname)


def keys_for(address: str, folder: Path | None) -> KeyFolder | None:
    """The keys with which an address is bound; None: without, which only a loopback address can be.

    folder: what was asked for; None: the user's own, where keys are needed. Raises ServiceError for what is
    no address, KeyFileError where keys are needed and missing.
    """
    loopback = is_loopback(address)
    if folder is None and loopback:
        return None
    keys = KeyFolder(folder if folder is not None else default_folder())
    try:
        keys.own()
        keys.known()
    except EvenstrokeError as error:
        if not loopback:
            error.problem = f"others may reach {address}, which takes keys: {error.problem}"
        raise
    return keys


class SecuredSocket:
    """A bound socket and, where keys are given, the thread that turns strangers away. Raises ServiceError.

    what: what the address is for, for errors. option: how it is changed. largest: message that is read, bytes;
    a longer one ends its sender's connection.
    """

    def __init__(
        self, kind: int, address: str, keys: KeyFolder | None, *, what: str, option: str, largest: int = -1
    ) -> None:
        if keys is None and not is_loopback(address):
            raise ServiceError(
                "beyond this computer nothing is given away without keys",
                where=address,
                expected="keys, or a loopback address such as tcp://127.0.0.1:7720",
                found="an address that others may reach, and no keys",
                todo="make keys with `evenstroke setup key`",
            )
        with ExitStack() as stack:
            context = zmq.Context()
            stack.callback(context.term)
            if keys is not None:
                guard = ThreadAuthenticator(context)
                guard.start()
                stack.callback(guard.stop)
                keys.known()
                guard.configure_curve(domain=_DOMAIN.decode(), location=str(keys.known_path))
            self.socket: zmq.Socket[bytes] = context.socket(kind)
            stack.callback(self.socket.close)
            self.socket.setsockopt(zmq.MAXMSGSIZE, largest)
            if keys is not None:
                own = keys.own()
                self.socket.curve_server = True
                self.socket.curve_publickey = own.public.encode()
                self.socket.curve_secretkey = own.secret.encode()
                self.socket.zap_domain = _DOMAIN
            try:
                # "localhost" is a name, and ZeroMQ binds to numbers and interfaces only.
                self.socket.bind(address.replace("//localhost:", "//127.0.0.1:"))
            except zmq.ZMQError as error:
                busy = error.errno == zmq.EADDRINUSE
                raise ServiceError(
                    f"{what} is in use" if busy else f"{what} cannot be bound",
                    where=address,
                    found="another program is there (another evenstroke?)" if busy else str(error),
                    todo=f"end it, or choose another address with `{option} tcp://127.0.0.1:PORT`"
                    if busy
                    else f"choose another address with `{option}`: one of this computer's own",
                ) from error
            self.address: str = self.socket.getsockopt_string(zmq.LAST_ENDPOINT)
            self._closing = stack.pop_all()

    def close(self) -> None:
        """Let what is on its way go, as long as the socket lingers, then close."""
        self._closing.close()
