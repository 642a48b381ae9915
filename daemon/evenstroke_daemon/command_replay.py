"""`evenstroke replay`: publishes a recording as the live board was, in real time or any other."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.messages import (
    FindingMessage,
    Health,
    PipelineMessage,
    State,
)
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import setup_notes
from evenstroke_dsp.wording import counted
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES, Command, Pace
from evenstroke_replay.playback import Playback
from evenstroke_replay.recording import Recording, open_recording
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.replay_status import ReplayStatus, pace_words
from evenstroke_replay.setup_files import load_setup

from .caution_words import say_dangers
from .clock import REAL, Clock
from .command_listen import NOWHERE, stop_signals
from .invocation import command_line
from .keyboard import ReadKey, keys
from .outcome import Outcome
from .physics_option import prediction_unless, quick_option
from .publisher import DEFAULT_ADDRESS, Publisher
from .secured import keys_for, keys_option
from .shelf_option import known_goods_unless, no_shelf_option

_FASTEST = "max"
_SLOWEST, _MOST = 0.01, 1000.0
_SLICE_S = 0.1
"""The longest single wait, so that Ctrl-C and the once-a-second messages are on time."""
_SHOWN_EVERY_S = 0.1
_KEYS = {
    " ": Command.PAUSE,
    "n": Command.CYCLE,
    "f": Command.FORWARD,
    "right": Command.FORWARD,
    "b": Command.BACK,
    "left": Command.BACK,
    "+": Command.FASTER,
    "-": Command.SLOWER,
    "q": Command.QUIT,
}
_KEY_NAMES = {" ": "space", "right": "→", "left": "←"}

Publish = Callable[[PipelineMessage | State | Health], None]


def _speed(_ctx: click.Context, _param: click.Parameter, text: str) -> float:
    """N as a number, `max` as infinity."""
    if text == _FASTEST:
        return AS_FAST_AS_IT_GOES
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not _SLOWEST <= speed <= _MOST:
        raise click.BadParameter(
            f"{text!r} is neither a number from {_SLOWEST:g} to {_MOST:g} nor {_FASTEST!r}"
        )
    return speed


@click.command(
    "replay",
    epilog="Example:  evenstroke replay recordings/2026-01-31T101500-library.mcap --speed 4 --from 20",
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--speed",
    default="1",
    show_default=True,
    callback=_speed,
    metavar=f"N|{_FASTEST}",
    help=f"N times as fast as it was, or '{_FASTEST}': as fast as it goes.",
)
@click.option("--from", "from_s", type=click.FloatRange(min=0), metavar="SECONDS", help="Begin there.")
@click.option(
    "--from-cycle",
    type=click.IntRange(min=0),
    metavar="N",
    help="Begin with the engine's cycle N of the whole recording, counted from 0.",
)
@click.option("--paused", is_flag=True, help="Begin paused (in a terminal); space goes on.")
@click.option("--setup", "setup_name", metavar="FILE|NAME", help="Another set-up than the recording's own.")
@quick_option
@no_shelf_option
@click.option(
    "--publish",
    default=DEFAULT_ADDRESS,
    show_default=True,
    metavar="ADDRESS",
    help=f"Where others can subscribe; '{NOWHERE}' publishes nothing.",
)
@keys_option
def command(
    path: Path,
    speed: float,
    from_s: float | None,
    from_cycle: int | None,
    paused: bool,
    setup_name: str | None,
    quick: bool,
    no_shelf: bool,
    publish: str,
    keys_folder: Path | None,
) -> Outcome:
    """Play the recording PATH: the same messages as when it was made, published again.

    \b
    Keys, in a terminal:
      space    pause, go on
      n        one engine cycle, then pause
      f or →   10 s forward;   b or ←   10 s back
      + and -  twice and half as fast
      q        end

    Whatever is skipped still goes through the pipeline, unpublished: a balance rests on every cycle before
    it. So a jump forward takes a moment, and what comes after it is what came live. stdout gets what had been
    found where it ended.
    """
    if from_s is not None and from_cycle is not None:
        raise click.UsageError("give --from or --from-cycle, not both")
    recording = open_recording(path, check_all=False)
    setup = load_setup(setup_name)[0] if setup_name is not None else recording.setup
    say_dangers(setup)
    publisher = Publisher(publish, keys_for(publish, keys_folder)) if publish != NOWHERE else None
    try:
        with stop_signals() as stop_wanted, keys() as read_key:
            if paused and read_key is None:
                raise click.UsageError("--paused needs a terminal: no key could end the pause")
            if publisher is not None:
                click.echo(f"publishing at {publisher.address}", err=True)
            if read_key is not None:
                click.echo(key_help(), err=True)
            show = _Status(recording) if sys.stderr.isatty() else None
            last = _LastWord(publisher.publish if publisher is not None else lambda _: None)
            outcome = replay(
                recording,
                setup,
                prior_prediction=prediction_unless(quick, setup),
                known_goods=known_goods_unless(no_shelf, setup, path),
                speed=speed,
                from_s=from_s,
                from_cycle=from_cycle,
                paused=paused,
                publish=last,
                read_key=read_key,
                stop_wanted=stop_wanted,
                show=show,
            )
            if show is not None:
                click.echo(err=True)  # ends the status line
            for line in last.lines(path):
                click.echo(line)
            return outcome
    finally:
        if publisher is not None:
            publisher.close()


def replay(
    recording: Recording,
    setup: Setup,
    *,
    publish: Publish,
    prior_prediction: Prediction | None = None,
    known_goods: KnownGoods | None = None,
    speed: float = 1.0,
    from_s: float | None = None,
    from_cycle: int | None = None,
    paused: bool = False,
    read_key: ReadKey | None = None,
    stop_wanted: Callable[[], bool] = lambda: False,
    show: Callable[[Playback, Pace], None] | None = None,
    clock: Clock = REAL,
    sleep: Callable[[float], None] = time.sleep,
) -> Outcome:
    """Play to the end, or until somebody ends it. Raises whatever reading the recording raises."""
    playback = Playback(recording, setup, prior_prediction, known_goods=known_goods)
    notes = setup_notes(setup, prior_prediction)
    began_ns = clock.monotonic_ns()
    service = ReplayStatus(
        recording, setup, playback, notes, publish, lambda: (clock.monotonic_ns() - began_ns) / 1e9
    )
    service.state("opening", "reading up to where it begins" if from_s or from_cycle else "beginning")
    if from_s is not None:
        playback.seek(from_s)
        if playback.progress.at_s < from_s:
            raise _ends_before(recording, playback, "--from", f"{from_s:g} s")
    elif from_cycle is not None:
        playback.seek_cycle(from_cycle)
        if playback.progress.cycles <= from_cycle:
            raise _ends_before(recording, playback, "--from-cycle", f"cycle {from_cycle}")

    def next_command(wait_s: float) -> Command | None:
        service.every_second(pace)
        if stop_wanted():
            return Command.QUIT
        if read_key is not None:
            return _KEYS.get(read_key(min(wait_s, _SLICE_S)) or "")
        if wait_s > 0.0:
            sleep(min(wait_s, _SLICE_S))
        return None

    pace = Pace(
        playback,
        now_s=lambda: clock.monotonic_ns() / 1e9,
        command=next_command,
        speed=speed,
        paused=paused,
    )
    service.state("streaming", pace_words(recording, pace))
    for moment in pace:
        for message in moment.messages:
            publish(message)
        if show is not None:
            show(playback, pace)
    service.health()
    service.state("closed", recording.cut or "the replay is over")
    if recording.cut is not None:
        click.echo(f"{recording.cut}.", err=True)
    progress = playback.progress
    lossy = progress.lost_samples or progress.missing or playback.feed.lost_edges or recording.cut is not None
    return Outcome.DONE_WITH_LOSS if lossy else Outcome.DONE


def _ends_before(recording: Recording, playback: Playback, option: str, asked: str) -> RecordingError:
    at = playback.progress
    last = f"{at.at_s:.1f} s, with {counted(at.cycles, 'complete cycle')} (counted from 0)"
    return RecordingError(
        "the recording ends before the place to begin at",
        where=f"{recording.path}, {option}",
        expected=f"a place before its end, which is at {last}",
        found=asked,
        todo=f"give a smaller {option}",
    )


class _LastWord:
    """Publishes, and keeps what the pipeline said last."""

    def __init__(self, publish: Publish) -> None:
        self._publish = publish
        self.finding: FindingMessage | None = None

    def __call__(self, message: PipelineMessage | State | Health) -> None:
        if isinstance(message, FindingMessage):
            self.finding = message
        self._publish(message)

    def lines(self, path: Path) -> list[str]:
        """What is found by the place where the replay ended, and how to read all of it."""
        finding = self.finding
        if finding is None:
            said = ["Nothing was judged up to here."]
        elif finding.refused is not None:
            said = [finding.refused]
        else:
            said = [f.text for f in finding.findings] or ["No pulse was found odd up to here."]
            said += [f"Next: {finding.instruction}"] if finding.instruction else []
        return [*said, f"All of it, with what the whole recording shows: {command_line('judge', path)}"]


def key_help() -> str:
    """The keys and what each does, in one line."""
    names: dict[Command, list[str]] = {}
    for key, does in _KEYS.items():
        names.setdefault(does, []).append(_KEY_NAMES.get(key, key))
    return "keys: " + "; ".join(f"{' or '.join(k)} = {does.value}" for does, k in names.items())


class _Status:
    """One line on a terminal that says where the replay is."""

    def __init__(self, recording: Recording) -> None:
        span = recording.host_span_ns
        self._of = f" of about {(span[1] - span[0]) / 1e9:.0f}" if span is not None else ""
        self._shown_s = -1.0

    def __call__(self, playback: Playback, pace: Pace) -> None:
        at = playback.progress
        if abs(at.at_s - self._shown_s) < _SHOWN_EVERY_S and not pace.paused:
            return
        self._shown_s = at.at_s
        how = "paused" if pace.paused else ""
        click.echo(f"\r{at.at_s:8.1f}{self._of} s, {at.cycles} cycles {how:8}", nl=False, err=True)
