"""The real programs in processes of their own."""

from __future__ import annotations

import os
import queue
import re
import subprocess
import sys
import threading

import pytest

LIMIT_S = 120.0


class Program:
    """`evenstroke` with arguments; its lines of stdout and stderr can be waited for."""

    def __init__(self, *arguments, cwd=None):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "evenstroke_daemon", *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=cwd,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.out: list[str] = []
        self.err: list[str] = []
        self._lines: queue.Queue[tuple[list[str], str] | None] = queue.Queue()
        self._readers = [
            threading.Thread(target=self._read, args=(self.process.stdout, self.out)),
            threading.Thread(target=self._read, args=(self.process.stderr, self.err)),
        ]
        for reader in self._readers:
            reader.start()

    def _read(self, stream, lines):
        for line in stream:
            lines.append(line.rstrip("\n"))
            self._lines.put((lines, lines[-1]))
        stream.close()
        self._lines.put(None)

    def wait_for(self, lines, pattern):
        """The match of the first line that begins with this pattern, of `self.out` or `self.err`."""
        ended = 0
        for line in list(lines):
            if match := re.match(pattern, line):
                return match
        while ended < 2:
            got = self._lines.get(timeout=LIMIT_S)
            if got is None:
                ended += 1
            elif got[0] is lines and (match := re.match(pattern, got[1])):
                return match
        raise AssertionError(f"it ended without saying {pattern!r}:\n" + "\n".join(self.err))

    def ended(self):
        """Its exit code, once it has ended by itself."""
        code = self.process.wait(timeout=LIMIT_S)
        for reader in self._readers:
            reader.join(timeout=LIMIT_S)
        return code

    def end(self):
        if self.process.poll() is None:
            self.process.terminate()
        self.ended()


@pytest.fixture
def program():
    """Starts programs and sees to it that none is left."""
    started = []

    def start(*arguments, cwd=None):
        started.append(Program(*arguments, cwd=cwd))
        return started[-1]

    yield start
    for one in started:
        one.end()


@pytest.fixture
def rig(program):
    """Starts a virtual rig; returns the program and the port behind which it waits."""

    def start(*arguments):
        if sys.platform == "win32":
            arguments = (*arguments, "--tcp", "0")
        one = program("rig", *arguments)
        return one, one.wait_for(one.out, "socket://.*" if "--tcp" in arguments else "/dev/.*")[0]

    return start
