"""`evenstroke compare`: two cranks of one engine, like for like."""

from __future__ import annotations

import shutil
from pathlib import Path

import click
import msgspec
from evenstroke_replay.comparing import compare_judged
from evenstroke_replay.judging import judge_path
from evenstroke_replay.setup_files import load_setup

from .capture_options import time_option
from .caution_words import say_dangers
from .comparison_text import comparison_text
from .outcome import Outcome
from .physics_option import physics_unless, quick_option
from .shelf_option import no_shelf_option, shelf_unless


@click.command("compare", epilog="Example:  evenstroke compare with-hose.mcap without.mcap")
@click.argument("first", type=click.Path(path_type=Path), metavar="A")
@click.argument("second", type=click.Path(path_type=Path), metavar="B")
@click.option(
    "--setup",
    "setup_names",
    multiple=True,
    metavar="FILE|NAME",
    help="Set-up of A, and once more for B (else the same): for captures as CSV.",
)
@time_option
@click.option(
    "--first-position-is",
    "first_positions",
    type=int,
    multiple=True,
    metavar="CYL",
    help="Where no sync names the cylinders: the one whose pulse comes first in A, and once more for B.",
)
@quick_option
@no_shelf_option
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(
    first: Path,
    second: Path,
    setup_names: tuple[str, ...],
    time_column: str | None,
    first_positions: tuple[int, ...],
    quick: bool,
    no_shelf: bool,
    as_json: bool,
) -> Outcome:
    """Compare the cranks A and B: first whether they are alike, then what differs by cylinder.

    With a transducer in A and none in B it says how much of A the transducer made. What is not
    alike is not subtracted. It is evidence, not proof.
    """
    if len(setup_names) > 2:
        raise click.UsageError("--setup at most twice: for A and for B")
    if len(first_positions) not in (0, 2):
        raise click.UsageError(
            "--first-position-is twice: for A and for B, whose first pulses need not be the same one"
        )
    physics, shelf = physics_unless(quick), shelf_unless(no_shelf)
    judged = []
    for number, path in enumerate((first, second)):
        name = setup_names[min(number, len(setup_names) - 1)] if setup_names else None
        setup, text = load_setup(name) if name is not None else (None, None)
        named = first_positions[number] if first_positions else None
        judged.append(judge_path(path, setup, time_column, text, named, physics, shelf=shelf))
        say_dangers(judged[-1].setup)
    two = compare_judged(*judged)
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(two), indent=1))
    else:
        click.echo(comparison_text(two, shutil.get_terminal_size((100, 24)).columns), nl=False)
    lost = any(one.judgement.source.lost_samples for one in judged)
    return Outcome.DONE_WITH_LOSS if lost else Outcome.DONE
