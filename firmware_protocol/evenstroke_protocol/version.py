"""Whether a board's wire format is the one that this code reads."""

from __future__ import annotations

from evenstroke_protocol.errors import DeviceProtocolError
from evenstroke_protocol.events import Hello
from evenstroke_protocol.wire import PROTOCOL_VERSION


def check_version(hello: Hello, where: str = "") -> None:
    """Raises DeviceProtocolError, which tells both versions, when the board speaks another one.

    where: the port or file the hello came from.
    """
    if hello.protocol_version != PROTOCOL_VERSION:
        older = "evenstroke" if hello.protocol_version > PROTOCOL_VERSION else "the board's firmware"
        raise DeviceProtocolError(
            f"the board {hello.board!r} (firmware {hello.firmware}) speaks another protocol version",
            where=where,
            expected=f"protocol version {PROTOCOL_VERSION}",
            found=f"protocol version {hello.protocol_version}",
            todo=f"update {older}",
        )
