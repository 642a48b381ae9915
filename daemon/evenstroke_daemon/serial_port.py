"""Opening a serial port or a socket, and saying clearly why one does not open."""

from __future__ import annotations

import errno
import os
import re
import stat
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


_GROUP_MAY = stat.S_IRGRP | stat.S_IWGRP


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
    said = system_words(error, "it cannot be set up as a serial line")
    number = getattr(error, "errno", None)
    if "://" in port:
        return _explain_address(port, error, said)
    if number in (errno.EBUSY, errno.EAGAIN) or (os.name == "nt" and "PermissionError" in str(error)):
        return LinkError(
            "the port is in use",
            where=port,
            found="another program holds it",
            todo="close the other program (another evenstroke? a terminal? an upload?) and try again",
        )
    if number in (errno.EACCES, errno.EPERM):
        return LinkError(
            "no permission to open the port", where=port, found=said, todo=permission_advice(port)
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in str(error):
        return LinkError(
            "there is no such port",
            where=port,
            expected=f"one of: {_ports_there_are()}",
            found="nothing of this name" if number in (None, errno.ENOENT) else said,
            todo="plug the board in, or name one of the ports above; without a board try `evenstroke rig`",
        )
    return LinkError(
        "this is not a serial port, or it does not work as one",
        where=port,
        expected=f"one of: {_ports_there_are()}",
        found=_kind_of(port) or said,
        todo="name one of the ports above, unplug the board and plug it in again, or try `evenstroke rig`",
    )


def _explain_address(port: str, error: Exception, said: str) -> LinkError:
    address = re.fullmatch(r"socket://[^/:]+:(\d{1,5})", port)
    if address is None or not 0 < int(address[1]) < 1 << 16 or isinstance(error, ValueError):
        return LinkError(
            "this is no address that a board can be behind",
            where=port,
            expected="socket://HOST:PORT, for example socket://127.0.0.1:5000",
            found=repr(port),
            todo="write the host, a colon and the port's number behind socket://, as `evenstroke rig --tcp` prints it",
        )
    return LinkError(
        "the connection could not be made",
        where=port,
        expected="socket://HOST:PORT with a board or `evenstroke rig --tcp PORT` behind it",
        found=said,
        todo="start what should listen there, and check host and port",
    )


def turned_away(port: str) -> LinkError:
    """A connection that was closed before a byte came over it."""
    return LinkError(
        "the port is in use",
        where=port,
        expected="a board, or `evenstroke rig --tcp PORT`, that nobody else is connected to",
        found="the connection was made, and closed from over there before a byte came",
        todo="end the other program that is connected to it (another evenstroke?), then try again; "
        "if there is none, see whether what listens there is a board",
    )


def system_words(error: BaseException, otherwise: str) -> str:
    """What the operating system says, without what libraries put around it; `otherwise` where it says nothing."""
    if isinstance(error, serial.SerialTimeoutException):
        return "writing took too long"
    for one in (error, error.__cause__, error.__context__):
        number = getattr(one, "errno", None)
        if isinstance(number, int) and number > 0:
            return os.strerror(number)
        if isinstance(one, OSError) and not isinstance(one, serial.SerialException) and one.strerror:
            return one.strerror  # a host's name that is not known has a number of another kind
    return otherwise


def _kind_of(port: str) -> str | None:
    path = Path(port)
    try:
        if path.is_dir():
            return "a folder"
        return "an ordinary file" if path.is_file() else None
    except OSError:
        return None


def described_ports() -> dict[str, str]:
    """The serial devices that this computer shows, and what each says that it is; "" where it says nothing."""
    found = sorted(list_ports.comports())
    return {p.device: p.description if p.description not in (None, "n/a") else "" for p in found}


def _ports_there_are() -> str:
    ports = [f"{port} ({words})" if words else port for port, words in described_ports().items()]
    return ", ".join(ports) if ports else "(this computer has no serial port now)"


def permission_advice(port: str) -> str:
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
    """The group that a port belongs to, where being a member of it would help."""
    if sys.platform == "win32":
        return None
    try:
        there = Path(port).stat()
        helps = there.st_gid != 0 and there.st_mode & _GROUP_MAY == _GROUP_MAY
        return Path(port).group() if helps else None
    except (OSError, KeyError):
        return None
