"""Opening a serial port or a socket, and saying clearly why one does not open."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import serial
from evenstroke_protocol.errors import EvenstrokeError
from serial.tools import list_ports

if sys.platform == "win32":
    _TERMINAL_ERRORS: tuple[type[Exception], ...] = ()
else:
    import termios

    _TERMINAL_ERRORS = (termios.error,)


class LinkError(EvenstrokeError):
    """The port, or the board behind it."""


class Port(Protocol):
    """What the link needs of a port. `read` returns what came within the port's time-out, maybe nothing."""

    def read(self, size: int) -> bytes: ...

    def write(self, data: bytes) -> int | None: ...

    def close(self) -> None: ...


Opener = Callable[[str, int, float], Port]
"""(port, baud, read time-out in seconds) -> an open port. Raises OSError or ValueError."""


def open_serial(port: str, baud: int, timeout_s: float) -> Port:
    """A serial device's path, COMx, or a pyserial URL such as socket://HOST:PORT; for us alone where possible."""
    options: dict[str, object] = {"exclusive": True} if os.name == "posix" else {}
    try:
        opened: Port = serial.serial_for_url(
            port, baudrate=baud, timeout=timeout_s, write_timeout=2.0, **options
        )
    except _TERMINAL_ERRORS as error:
        # A device that goes away while it is being set up; pyserial passes this on, and it is no OSError.
        raise OSError(*error.args) from error
    return opened


def explain(port: str, error: Exception) -> LinkError:
    """Why a port did not open, and what to do about it, from what the operating system said."""
    said = str(error)
    number = getattr(error, "errno", None)
    if number in (errno.EBUSY, errno.EAGAIN) or (os.name == "nt" and "PermissionError" in said):
        return LinkError(
            "the port is in use",
            where=port,
            found=f"another program holds it ({said})",
            todo="close the other program (another evenstroke? a terminal? an upload?) and try again",
        )
    if number in (errno.EACCES, errno.EPERM):
        return LinkError(
            "no permission to open the port", where=port, found=said, todo=_permission_advice(port)
        )
    if "://" in port:
        return LinkError(
            "the connection could not be made",
            where=port,
            expected="socket://HOST:PORT with a board or `evenstroke rig --tcp PORT` behind it",
            found=said,
            todo="start what should listen there, and check host and port",
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in said:
        return LinkError(
            "there is no such port",
            where=port,
            expected=f"one of: {_ports_there_are()}",
            found=said,
            todo="plug the board in, or name one of the ports above; without a board try `evenstroke rig`",
        )
    return LinkError(
        "this is not a serial port, or it does not work as one",
        where=port,
        expected=f"one of: {_ports_there_are()}",
        found=said,
        todo="name one of the ports above, unplug the board and plug it in again, or try `evenstroke rig`",
    )


def _ports_there_are() -> str:
    ports = [f"{info.device} ({info.description})" for info in sorted(list_ports.comports())]
    return ", ".join(ports) if ports else "(this computer has no serial port now)"


def _permission_advice(port: str) -> str:
    group = _group_of(port)
    if group is None:
        return "open it as a user who may, or change the device's permissions"
    if sys.platform == "linux":
        return (
            f"the device belongs to the group '{group}': run `sudo usermod -aG {group} $USER`, "
            "then log out and in again"
        )
    return f"the device belongs to the group '{group}': become a member of it, then log out and in again"


def _group_of(port: str) -> str | None:
    if sys.platform == "win32":
        return None
    try:
        return Path(port).group()
    except (OSError, KeyError):
        return None
