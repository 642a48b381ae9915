"""Single keys from a terminal, without Enter, while something else goes on."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

ReadKey = Callable[[float], str | None]
"""Waits at most so many seconds for a key; "left" and "right" are the arrows, None is no key in time."""

_POLL_S = 0.02
_ARROWS = {"\x1b[D": "left", "\x1b[C": "right", "\x1bOD": "left", "\x1bOC": "right"}


@contextmanager
def keys() -> Iterator[ReadKey | None]:
    """A way to read single keys, or None where stdin is no terminal. The terminal is put right at the end."""
    if not sys.stdin.isatty():
        yield None
    elif sys.platform == "win32":
        yield _windows_key
    else:
        import termios
        import tty

        file = sys.stdin.fileno()
        before = termios.tcgetattr(file)
        tty.setcbreak(file)  # Ctrl-C still interrupts
        try:
            yield _PosixKeys(file)
        finally:
            termios.tcsetattr(file, termios.TCSADRAIN, before)


class _PosixKeys:
    """Keys one by one, also where several were pressed since the last look."""

    def __init__(self, file: int) -> None:
        self._file = file
        self._typed = ""

    def __call__(self, wait_s: float) -> str | None:
        import select

        if not self._typed:
            if not select.select([self._file], [], [], wait_s)[0]:
                return None
            # An arrow's three bytes come at once.
            self._typed = os.read(self._file, 64).decode(errors="replace")
        for sequence, name in _ARROWS.items():
            if self._typed.startswith(sequence):
                self._typed = self._typed[len(sequence) :]
                return name
        key, self._typed = self._typed[:1], self._typed[1:]
        return key


def _windows_key(wait_s: float) -> str | None:
    if sys.platform != "win32":
        raise AssertionError("called on Windows only")
    import msvcrt

    until = time.monotonic() + wait_s
    while not msvcrt.kbhit():
        if time.monotonic() >= until:
            return None
        time.sleep(min(_POLL_S, wait_s))
    key = msvcrt.getwch()
    if key in ("\x00", "\xe0"):
        return {"K": "left", "M": "right"}.get(msvcrt.getwch(), "")
    return key
