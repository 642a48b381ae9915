"""`evenstroke import`: a capture as CSV, from any logger, made into a recording."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click
from evenstroke_dsp.wording import counted
from evenstroke_replay.importing import import_capture
from evenstroke_replay.setup_files import load_setup

from .caution_words import say_dangers
from .outcome import Outcome


@click.command("import", epilog="Example:  evenstroke import crank.csv --setup my-engine.toml -o crank.mcap")
@click.argument("path", required=False, type=click.Path(path_type=Path))
@click.option(
    "--setup", "setup_name", required=True, metavar="FILE|NAME", help="Set-up file, or a shipped one."
)
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="OUT.mcap",
    help="The recording to write; never over an existing file.",
)
@click.option("--time", "time_column", metavar="NAME", help="Time column of the CSV.  [default: time_s]")
@click.option(
    "--edges",
    "changes",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A CSV of level changes on the same clock: a row for each change, for the probes whose columns it has.",
)
def command(
    path: Path | None, setup_name: str, output: Path, time_column: str | None, changes: Path | None
) -> Outcome:
    """Make a recording of the capture PATH: time in one column, volts in the others.

    PATH may be left out where --edges gives all that there is.
    """
    if path is None and changes is None:
        raise click.UsageError("Missing argument 'PATH'.")
    setup, text = load_setup(setup_name)
    say_dangers(setup)
    capture = import_capture(
        path,
        text,
        output,
        started_at=datetime.now(UTC).astimezone(),
        time_column=time_column,
        changes=changes,
    )
    for warning in capture.warnings:
        click.echo(f"beware: {warning.text}", err=True)
    if capture.lost_samples:
        click.echo(
            f"{counted(capture.lost_samples, 'sample is', 'samples are')} missing from the capture", err=True
        )
    click.echo(str(output))
    return Outcome.DONE_WITH_LOSS if capture.lost_samples else Outcome.DONE
