"""`evenstroke recover`: what can still be read of a recording that was cut or damaged."""

from __future__ import annotations

from pathlib import Path

import click
from evenstroke_replay.recovery import recover
from evenstroke_replay.setup_files import load_setup

from .outcome import Outcome


@click.command(
    "recover",
    epilog="Example:  evenstroke recover recordings/2026-01-31T101500-library.mcap -o salvaged.mcap",
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "output",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="The new recording.  [default: PATH with -recovered before its suffix]",
)
@click.option(
    "--setup",
    "setup_name",
    metavar="FILE|NAME",
    help="Its set-up, in case that the one in the recording cannot be read any more.",
)
def command(path: Path, output: Path | None, setup_name: str | None) -> Outcome:
    """Salvage the recording PATH into a new, complete one.

    Everything whose checksum is right is kept, behind damaged places too, and what is missing is stated: in
    pieces by the recorder's numbers, in blocks, scans and seconds by the board's own. PATH is left
    as it is and nothing is ever written over. stdout gets the new recording's path.

    Exit codes: 0 nothing lost, 3 salvaged with loss, 1 nothing to salvage.
    """
    text = load_setup(setup_name)[1] if setup_name is not None else None
    salvage = recover(path, output or path.with_name(f"{path.stem}-recovered.mcap"), text)
    for sentence in salvage.sentences():
        click.echo(sentence, err=True)
    click.echo(str(salvage.out))
    return Outcome.DONE_WITH_LOSS if salvage.lost else Outcome.DONE
