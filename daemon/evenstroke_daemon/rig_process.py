"""The virtual rig in a process of its own, as a user starts it in another window."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

from .serial_port import LinkError

_ENDS_S = 80.0  # in case that we are killed and cannot end it
_LAST_LINES = 5
HAS_PTYS = sys.platform != "win32"


@contextmanager
def virtual_rig(setup: str, *options: str, tcp: bool = not HAS_PTYS) -> Iterator[str]:
    """A rig that plays this set-up; gives the port behind which it waits, and ends it.

    options: of `evenstroke rig`. tcp: behind a socket, also where there are pseudo-terminals.
    Raises LinkError where it does not start, with what it said last.
    """
    arguments = ["rig", "--setup", setup, "--seconds", f"{_ENDS_S:g}", *options]
    arguments += ["--tcp", "0"] if tcp else []
    with tempfile.TemporaryFile() as said:
        rig = subprocess.Popen(
            [sys.executable, "-m", "evenstroke_daemon", *arguments],
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
        )
        try:
            assert rig.stdout is not None
            port = rig.stdout.readline().strip()
            if not port:
                code = rig.wait()
                said.seek(0)
                last = [
                    line.strip() for line in said.read().decode(errors="replace").splitlines()[-_LAST_LINES:]
                ]
                raise LinkError(
                    "the rig did not start",
                    where="virtual rig",
                    found=f"it ended with exit code {code}: {'; '.join(last) or 'it said nothing'}",
                    todo="run `evenstroke rig` by itself and see what it says",
                )
            yield port
        finally:
            rig.terminate()
            rig.wait()
            assert rig.stdout is not None
            rig.stdout.close()
