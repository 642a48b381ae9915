"""What a socket needs to be let in where a daemon asks for keys."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import zmq
from evenstroke_replay.key_folder import KeyFolder, KeyPair, default_folder, is_loopback_host


@dataclass(frozen=True, slots=True)
class CurveKeys:
    """own: this computer's; daemon: the public key of the one that is connected to, in Z85."""

    own: KeyPair
    daemon: str

    @classmethod
    def from_folder(cls, folder: KeyFolder, daemon: str | None = None) -> CurveKeys:
        """This computer's keys and the daemon's, by its computer's name; None: the only one that is known.

        Raises KeyFileError where one is missing.
        """
        return cls(folder.own(), folder.known_as(daemon))

    def put_on(self, socket: zmq.Socket[bytes]) -> None:
        """Before it connects."""
        socket.curve_publickey = self.own.public.encode()
        socket.curve_secretkey = self.own.secret.encode()
        socket.curve_serverkey = self.daemon.encode()


def keys_to_reach(address: str, folder: Path | None = None, daemon: str | None = None) -> CurveKeys | None:
    """What is needed at a daemon's address; None: nothing, as on this computer unless keys are asked for.

    folder: None: the user's own, where keys are needed. daemon: the other computer's name, where several are known.
    Raises KeyFileError where keys are needed and missing.
    """
    parts = urlsplit(address)
    near = parts.scheme != "tcp" or parts.hostname is None or is_loopback_host(parts.hostname)
    if near and folder is None and daemon is None:
        return None
    return CurveKeys.from_folder(KeyFolder(folder if folder is not None else default_folder()), daemon)
