"""`evenstroke demo`: the whole way from a board to a report, on an engine that is not there."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from evenstroke_replay.judging import judge_path
from evenstroke_replay.setup_files import load_setup

from .caution_words import say_in_short
from .command_listen import acquisition_of, listen
from .command_report import write_report
from .judgement_text import judgement_text
from .outcome import Outcome
from .serial_port import LinkError

SETUP = "demo"
SMALL = (
    (3, -18.0, "a nest in its runner"),
    (2, -9.0, "what the hose in 5 does to the cylinder that moves with it"),
)
"""(cylinder, per cent, as what): what the rig is told to do to the intake pulses."""
REST_S, CRANKING_S = 1.0, 9.0
LISTEN_S = REST_S + CRANKING_S + 1.5
_RIG_ENDS_S = 80.0  # in case that we are killed and cannot end it


@click.command("demo", epilog="Example:  evenstroke demo")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-output"),
    show_default=True,
    help="Where the recording and the report go.",
)
def command(folder: Path) -> Outcome:
    """Crank a simulated engine, record it, judge it and write a report, in about half a minute.

    Nothing is connected and nothing turns. The engine is an invented one: a mobile library's inline
    six that idles roughly after a winter's rest, with a pressure transducer in cylinder 5.
    """
    setup, text = load_setup(SETUP)
    _say(f"An engine that is not there: {setup.title}.")
    _say(
        "The rig is told to make "
        + " and ".join(
            f"cylinder {c}'s intake pulse {-percent:g} % small ({why})" for c, percent, why in SMALL
        )
        + "."
    )
    _say("On a real engine this comes first:")
    say_in_short(setup, SETUP)
    with _rig() as port:
        _say(f"listening for {LISTEN_S:g} s")
        outcome, recording = listen(
            port=port,
            setup=setup,
            setup_text=text,
            acquisition=acquisition_of(setup, SETUP),
            folder=folder,
            address="tcp://127.0.0.1:0",
            seconds=LISTEN_S,
        )
    if recording is None:
        raise LinkError("the demo was stopped before anything was recorded", where=port)
    judged = judge_path(recording)
    report = write_report(recording.with_suffix(".html"), judged)
    click.echo(judgement_text(judged.judgement, shutil.get_terminal_size((100, 24)).columns))
    click.echo(f"recording  {recording}")
    click.echo(f"report     {report}  (open it in a browser)")
    click.echo("\nTry next:")
    for line in (
        f"evenstroke judge {recording} --json",
        f"evenstroke setup check {SETUP}",
        "evenstroke rig --alter intake 4 -12     in another window; then",
        f"evenstroke listen --port PORT --setup {SETUP} --record {folder}",
    ):
        click.echo(f"  {line}")
    return outcome


@contextmanager
def _rig() -> Iterator[str]:
    """The virtual rig in a process of its own; gives the port behind which it waits."""
    arguments = ["rig", "--setup", SETUP, "--seconds", f"{_RIG_ENDS_S:g}"]
    arguments += ["--rest", f"{REST_S:g}", "--cranking", f"{CRANKING_S:g}"]
    for cylinder, percent, _ in SMALL:
        arguments += ["--alter", "intake", str(cylinder), f"{percent:g}"]
    if sys.platform == "win32":
        arguments += ["--tcp", "0"]
    rig = subprocess.Popen(
        [sys.executable, "-m", "evenstroke_daemon", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert rig.stdout is not None
        port = rig.stdout.readline().strip()
        if not port:
            raise LinkError(
                "the rig did not start",
                where="demo",
                found=f"it ended with exit code {rig.wait()}",
                todo="run `evenstroke rig` by itself and see what it says",
            )
        yield port
    finally:
        rig.terminate()
        rig.wait()
        assert rig.stdout is not None
        rig.stdout.close()


def _say(text: str) -> None:
    click.echo(text, err=True)
