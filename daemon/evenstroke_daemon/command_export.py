"""`evenstroke export`: a recording or a capture, written for other programs."""

from __future__ import annotations

from pathlib import Path

import click
from evenstroke_replay.exporting import export
from evenstroke_replay.setup_files import load_setup

from .capture_options import job_option, setup_option, time_option
from .outcome import Outcome


@click.command(
    "export",
    epilog="Examples:  evenstroke export recordings/FILE.mcap -o crank.csv\n\n"
    "           evenstroke export crank.csv --setup my-engine.toml -o crank.mat",
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="OUT.(csv|wav|mat|parquet|mf4)",
    help="The file to write, in the format of its ending; never over an existing one.",
)
@setup_option
@time_option
@job_option
def command(path: Path, output: Path, setup_name: str | None, time_column: str | None, job: bool) -> Outcome:
    """Write what was measured in PATH (a recording or a capture as CSV) for other programs.

    Volts as they were sampled, neither filtered nor scaled; scales, units, notes and the set-up go with them where
    the format can hold them. stdout gets the path of each file. A recording that was cut or damaged is written as far
    as it goes; where anything is missing the exit code is 3.
    """
    setup, text = load_setup(setup_name) if setup_name is not None else (None, None)
    done = export(path, output, setup, text, time_column, job_included=job)
    for sentence in done.remarks:
        click.echo(f"beware: {sentence}", err=True)
    for sentence in done.lost:
        click.echo(f"missing: {sentence}", err=True)
    for sentence in done.said:
        click.echo(sentence, err=True)
    if done.job_left_out:
        click.echo("the set-up goes without its [job] notes; --job includes them", err=True)
    for file in done.paths:
        click.echo(str(file))
    return Outcome.DONE_WITH_LOSS if done.lost else Outcome.DONE
