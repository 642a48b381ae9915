"""Does this computer let evenstroke open ports, keep recordings, and tell the time?"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from evenstroke_replay.setup_files import load_setup

from .check_outcome import Check, Figure, failed, holds, not_checked
from .clock import REAL, Clock
from .command_listen import acquisition_of, require_writable
from .link import READ_TIMEOUT_S
from .serial_port import permission_advice

LEAST_MINUTES = 10.0
"""Two cranks with their rests, and room to begin again."""
BITS_PER_BYTE = 10
"""On a UART: a start bit, eight, and a stop bit."""
_PORT_GROUPS = ("dialout", "uucp")
"""Whom Linux distributions give serial devices to (common practice, no source)."""
_JUMP_S = 1.0
_MOST_READINGS = 20_000_000


def _may_open(port: str) -> bool:
    return os.access(port, os.R_OK | os.W_OK)


MAY_OPEN = _may_open if os.name == "posix" else None
"""Whether this user may open a port, without opening it; None where the system does not say."""


def check_ports(found: Mapping[str, str], may_open: Callable[[str], bool] | None = MAY_OPEN) -> Check:
    """Whether this user may open the serial ports that the system shows (name -> description). None is opened, since many
    boards reset by that."""
    if not found:
        return not_checked(
            "serial_ports",
            "this computer shows no serial port" + _group_words(),
            todo="plug the board in and run this again",
        )
    number = Figure("ports", len(found), "ports")
    named = {name: f"{name} ({words})" if words else name for name, words in found.items()}
    if may_open is None:
        return not_checked(
            "serial_ports",
            f"here only opening a port shows whether one may, and that makes some boards reset; there are {_all(named, found)}",
            todo="give the board's with --port",
        )
    closed = [name for name in found if not may_open(name)]
    # Adapters and boards say what they are; the computer's own ports do not, and nobody need use them.
    plugged_in = [name for name in closed if found[name]]
    if plugged_in:
        return failed(
            "serial_ports",
            f"you may not open {_all(named, plugged_in)}",
            number,
            todo=permission_advice(plugged_in[0]),
        )
    own = f"you may not open {_all(named, closed)}, which is no adapter" if closed else ""
    if len(closed) == len(found):
        return not_checked(
            "serial_ports",
            f"this computer shows no adapter and no board; {own}{_group_words()}",
            todo=f"plug the board in and run this again; where it is wired to that port, {permission_advice(closed[0])}",
        )
    return holds(
        "serial_ports",
        f"you may open {_all(named, [name for name in found if name not in closed])}{'; ' if own else ''}{own}; none was "
        "opened, and whether another program holds one was not looked at",
        number,
    )


def _all(named: Mapping[str, str], which: Iterable[str]) -> str:
    return ", ".join(named[name] for name in which)


def _group_words() -> str:
    """On Linux, whether this user is in the group that ports usually belong to: it can be put right before a board is there."""
    if sys.platform != "linux" or os.geteuid() == 0:
        return ""
    import grp

    mine = {os.getgid(), *os.getgroups()}
    for name in _PORT_GROUPS:
        try:
            group = grp.getgrnam(name)
        except KeyError:
            continue
        if group.gr_gid in mine:
            return f"; you are in the group '{name}', to which they usually belong"
        return (
            f"; you are not in the group '{name}', to which they usually belong: run `sudo usermod -aG {name} $USER`, then "
            "log out and in again"
        )
    return ""


def check_disk(folder: Path, free_bytes: Callable[[Path], int] | None = None) -> Check:
    """Whether recordings can be written to a folder, or could be once it is made, and for how many minutes.

    free_bytes: where this user may still write; None: asks the system. Raises RecordingError where nothing can be written.
    """
    existing = folder.absolute()
    while not existing.exists() and existing != existing.parent:
        existing = existing.parent
    require_writable(existing)
    free = free_bytes(existing) if free_bytes is not None else shutil.disk_usage(existing).free
    # What the line can carry is the most that a second can add; how well it compresses depends on the signals.
    per_s = acquisition_of(load_setup("demo")[0], "demo").baud / BITS_PER_BYTE
    minutes = free / per_s / 60.0
    text = (
        f"{folder}: {free / 1e9:.1f} GB free, at least {minutes:.0f} min of recording at the demo's rate "
        f"(its line carries at most {per_s / 1e3:.0f} kB/s)"
    )
    figures = (
        Figure("free", free, "bytes"),
        Figure("recording", round(minutes, 1), "min"),
        Figure("least", LEAST_MINUTES, "min"),
    )
    if minutes < LEAST_MINUTES:
        return failed(
            "disk",
            f"{text}; {LEAST_MINUTES:g} min are the least for two cranks with their rests",
            *figures,
            todo="make room there, or record to another folder: --record FOLDER here and at `evenstroke listen`",
        )
    return holds("disk", text, *figures)


class ClockWatch:
    """The computer's clocks, from when it is made on: how finely the steady one counts, whether it ever goes back, and whether
    the time of day was set meanwhile."""

    def __init__(self, clock: Clock = REAL) -> None:
        self._clock = clock
        self._apart_ns = clock.wall_ns() - clock.monotonic_ns()

    def check(self, reading_s: float = 0.5) -> Check:
        """Reads the steady clock for so long without a pause."""
        smallest_ns, back, last = 1 << 62, 0, self._clock.monotonic_ns()
        until = last + int(reading_s * 1e9)
        for _ in range(_MOST_READINGS):
            now = self._clock.monotonic_ns()
            if now > last:
                smallest_ns = min(smallest_ns, now - last)
            elif now < last:
                back += 1
            last = now
            if now >= until:
                break
        jump_s = (self._clock.wall_ns() - self._clock.monotonic_ns() - self._apart_ns) / 1e9
        step_ms = smallest_ns / 1e6
        figures = (
            Figure("smallest_step", step_ms, "ms"),
            Figure("went_back", back, "times"),
            Figure("time_of_day_set_by", jump_s, "s"),
        )
        too_coarse = step_ms > READ_TIMEOUT_S * 1e3
        if back or too_coarse:
            what = f"it went back {back} times" if back else f"it counts in steps of {step_ms:.3g} ms"
            return failed(
                "host_clock",
                f"{what}; arrivals are told apart by {READ_TIMEOUT_S * 1e3:g} ms, and what was lost while a cable was out is "
                "reckoned by it",
                *figures,
                todo="restart the computer; in a virtual machine, let it use the host's clock source",
            )
        words = (
            f"counts in steps of {step_ms:.2g} ms, of which arrivals every {READ_TIMEOUT_S * 1e3:g} ms need no finer, and never "
            f"went back while it was read for {reading_s:g} s"
        )
        if abs(jump_s) > _JUMP_S:
            words += f"; the time of day was set by {jump_s:+.1f} s meanwhile, which alters a recording's date alone"
        return holds("host_clock", words, *figures)
