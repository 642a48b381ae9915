"""What a socket needs to be let in where a daemon asks for keys."""

from __future__ import annotations

from dataclasses import dataclass

import zmq
from evenstroke_replay.key_folder import KeyFolder, KeyPair


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
