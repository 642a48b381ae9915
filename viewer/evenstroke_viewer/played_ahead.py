"""A recording played through to its end as fast as it goes, in a process of its own, beside the one that shows it. No Qt here.

A thread would not do: it shares the interpreter with the window, which would stand still. What it finds is in a file of the
system's folder for such (the environment's TMPDIR names another): some 25 MB for each minute of a board at 4 x 10 kS/s.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import tempfile
from multiprocessing.connection import Connection
from pathlib import Path

from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.playback import Playback
from evenstroke_replay.played import News, Played, PlayedWriter
from evenstroke_replay.recording import Recording, open_recording

_TELL_EVERY_S = 0.5
"""Of the recording."""


class PlayedAhead:
    """Begins as it is made. One thread uses it.

    played: what was found so far; ended: nothing more comes; problem: why it ended before its time, None: it did not.
    """

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        prediction: Prediction | None,
        known_goods: KnownGoods | None,
    ) -> None:
        self.ended = False
        self.problem: str | None = None
        self._folder = tempfile.TemporaryDirectory(prefix="evenstroke-", ignore_cleanup_errors=True)
        path = Path(self._folder.name) / "played"
        self.played = Played(path)
        context = multiprocessing.get_context("spawn")
        self._receiver, sender = context.Pipe(duplex=False)
        self._process = context.Process(
            target=_play, args=(sender, recording.path, setup, prediction, known_goods, path), daemon=True
        )
        self._process.start()
        sender.close()  # so that a process that dies ends the waiting

    def look(self, wait_s: float = 0.0) -> None:
        """Take what it has found by now; wait so long for something where there is nothing."""
        while not self.ended and self._receiver.poll(wait_s):
            wait_s = 0.0
            try:
                news: News | str | None = self._receiver.recv()
            except (EOFError, OSError):
                self._process.join()
                news = f"its process ended with code {self._process.exitcode}"
            if isinstance(news, News):
                self.played.add(news)
            else:
                self.ended, self.problem = True, news

    def close(self) -> None:
        """Give it up where it is not done, and leave nothing on the disk."""
        self._process.terminate()
        self._process.join()
        self._process.close()
        self._receiver.close()
        self.played.close()
        self._folder.cleanup()


def _play(
    sender: Connection,
    recording: Path,
    setup: Setup,
    prediction: Prediction | None,
    known_goods: KnownGoods | None,
    path: Path,
) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is for the window, which ends this process
    problem = None
    try:
        _play_to_the_end(sender, recording, setup, prediction, known_goods, path)
    except BrokenPipeError:  # the window was killed
        with contextlib.suppress(OSError):
            path.unlink()
            path.parent.rmdir()
        return
    except EvenstrokeError:
        problem = (
            "the recording cannot be read to its end"  # the window's own player says why when it comes there
        )
    except OSError as error:
        problem = error.strerror or str(error)
    with contextlib.suppress(BrokenPipeError):
        sender.send(problem)


def _play_to_the_end(
    sender: Connection,
    recording: Path,
    setup: Setup,
    prediction: Prediction | None,
    known_goods: KnownGoods | None,
    path: Path,
) -> None:
    writer = PlayedWriter(path)
    told_s = 0.0
    with contextlib.closing(writer):
        playback = Playback(
            open_recording(recording, check_all=False), setup, prediction, writer, known_goods
        )
        while (moment := playback.next()) is not None:
            writer.take(moment)
            if writer.reached_s >= told_s + _TELL_EVERY_S:
                told_s = writer.reached_s
                sender.send(writer.news())
        writer.finish()
        sender.send(writer.news())
