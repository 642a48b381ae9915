"""`evenstroke demo`: the whole way from a board to a report, on an engine that is not there."""

from __future__ import annotations

import shutil
from pathlib import Path

import click
from evenstroke_replay.comparing import compare_judged
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.setup_files import load_setup

from .caution_words import say_in_short
from .command_listen import acquisition_of, listen
from .command_report import write_report
from .comparison_text import comparison_text
from .invocation import command_line
from .judgement_text import judgement_text
from .outcome import Outcome
from .physics_option import physics_unless
from .rig_process import virtual_rig
from .serial_port import LinkError

SETUPS = ("demo", "demo-without")
"""The first crank and the second: with the transducer's hose in cylinder 5, and without it."""
ENGINE_FAULT = "intake_restriction:3:0.88"
"""What the rig is told of the engine, and the judgement is not: a nest in one intake runner."""
ENGINE = 7
"""Which of the engines that fit the set-up: its seed."""
REST_S, CRANKING_S = 0.8, 8.0
LISTEN_S = REST_S + CRANKING_S + 1.0
_ENGINE = (
    *("--seed", str(ENGINE), "--engine-fault", ENGINE_FAULT),
    *("--rest", f"{REST_S:g}", "--cranking", f"{CRANKING_S:g}"),
)


@click.command("demo", epilog="Example:  evenstroke demo")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-output"),
    show_default=True,
    help="Where the recording and the report go.",
)
def command(folder: Path) -> Outcome:
    """Crank a simulated engine twice, record and judge it, and compare: in about half a minute.

    Nothing is connected and nothing turns. The engine is an invented one: a mobile library's inline
    six that idles roughly after a winter's rest. In the first crank a pressure transducer sits in cylinder
    5; in the second one its hose is out again.
    """
    _say(f"An engine that is not there: {load_setup(SETUPS[0])[0].title}.")
    _say(
        "It is simulated from first principles. The rig is told only what is wrong with it (a nest in the intake runner of "
        "cylinder 3) and what is fitted to it; what that does to any pulse is worked out."
    )
    _say("On a real engine this comes first:")
    say_in_short(load_setup(SETUPS[0])[0], SETUPS[0])
    physics = physics_unless(False)
    width = shutil.get_terminal_size((100, 24)).columns
    outcome = Outcome.DONE
    judged: list[JudgedFile] = []
    for number, name in enumerate(SETUPS, 1):
        setup, text = load_setup(name)
        _say(f"Crank {number}: {setup.title}")
        with virtual_rig(name, *_ENGINE) as port:
            _say(f"listening for {LISTEN_S:g} s")
            ended, recording = listen(
                port=port,
                setup=setup,
                setup_text=text,
                acquisition=acquisition_of(setup, name),
                folder=folder,
                address="tcp://127.0.0.1:0",
                seconds=LISTEN_S,
            )
        if recording is None:
            raise LinkError("the demo was stopped before anything was recorded", where=port)
        outcome = ended if ended is not Outcome.DONE else outcome
        judged.append(judge_path(recording, physics=physics))
        click.echo(judgement_text(judged[-1].judgement, judged[-1].setup, width))
    comparison = compare_judged(*judged)
    click.echo(comparison_text(comparison, width))
    report = write_report(folder / "report.html", *judged)
    first, second = (folder / (one.judgement.source.file or "") for one in judged)
    click.echo(f"recordings {first}\n           {second}")
    click.echo(f"report     {report}  (open it in a browser)")
    click.echo("\nTry next:")
    for line in (
        command_line("judge", first, "--json"),
        command_line("compare", first, second),
        command_line("setup", "check", SETUPS[0]),
        command_line("rig", "--engine-fault", "ring_leak:2:2") + "     in another window; then",
        command_line("listen", "--port", "PORT", "--setup", SETUPS[0], "--record", folder),
    ):
        click.echo(f"  {line}")
    return outcome


def _say(text: str) -> None:
    click.echo(text, err=True)
