"""Engine physics worked out beside a session that already listens, in a process of its own.

A thread would not do: it shares the interpreter with the one that reads the port, and the system keeps only
some ten milliseconds of a fast board's bytes.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.physics_cache import PhysicsCache

_NICE = 10
"""How far the process stands back behind those that listen."""


class PhysicsBeside:
    """Begins to work a prediction out as it is made. prediction, problem: of use once `ended` says so."""

    def __init__(self, setup: Setup, folder: Path) -> None:
        self.prediction: Prediction | None = None
        self.problem: str | None = None
        context = multiprocessing.get_context("spawn")
        self._receiver, sender = context.Pipe(duplex=False)
        self._process = context.Process(target=_work_out, args=(sender, setup, folder), daemon=True)
        self._process.start()
        sender.close()  # so that a process that dies ends the waiting

    def ended(self, *, wait: bool) -> bool:
        """Whether it is done; wait: until it is. One thread asks."""
        if self._receiver.closed:
            return True
        if not wait and not self._receiver.poll():
            return False
        try:
            answer: Prediction | str | None = self._receiver.recv()
        except (EOFError, OSError):
            self._process.join()
            answer = f"its process ended with code {self._process.exitcode}"
        self._receiver.close()
        if isinstance(answer, str):
            self.problem = answer
        else:
            self.prediction = answer
        return True

    def close(self) -> None:
        """Give it up where it is not done."""
        self._process.terminate()
        self._process.join()
        self._process.close()
        self._receiver.close()


def _work_out(sender: Connection, setup: Setup, folder: Path) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is for the session, which ends this process
    if hasattr(os, "nice"):
        os.nice(_NICE)
    try:
        answer: Prediction | str | None = PhysicsCache(folder).prediction(setup)
    except EvenstrokeError as error:
        answer = str(error)
    with contextlib.suppress(BrokenPipeError):
        sender.send(answer)
