"""`evenstroke report`: a page that stands on its own, from one or more recordings or captures."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.report import render_report
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.whole_file import written_whole

from .capture_options import job_option, setup_option, time_option
from .caution_words import say_dangers
from .outcome import Outcome
from .physics_option import physics_unless, quick_option
from .shelf_option import no_shelf_option, shelf_unless


@click.command("report", epilog="Example:  evenstroke report first.mcap second.mcap -o library.html")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PATH [PATH]")
@setup_option
@time_option
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="OUT.html",
    help="The page to write.",
)
@quick_option
@no_shelf_option
@job_option
def command(
    paths: tuple[Path, ...],
    setup_name: str | None,
    time_column: str | None,
    output: Path,
    quick: bool,
    no_shelf: bool,
    job: bool,
) -> Outcome:
    """Judge PATH (a recording or a capture as CSV), and write what it says as one HTML page.

    The page needs nothing beside it: it can be sent, printed and kept. It is evidence, not proof.
    """
    setup, text = load_setup(setup_name) if setup_name is not None else (None, None)
    physics, shelf = physics_unless(quick), shelf_unless(no_shelf)
    judged = [judge_path(path, setup, time_column, text, physics=physics, shelf=shelf) for path in paths]
    for one in judged:
        say_dangers(one.setup)
    click.echo(str(write_report(output, *judged, job_included=job)))
    lost = any(one.lossy for one in judged)
    return Outcome.DONE_WITH_LOSS if lost else Outcome.DONE


def write_report(output: Path, *judged: JudgedFile, job_included: bool = False) -> Path:
    """Write the page and return its path. Raises OutputError where that cannot be done."""
    now = datetime.now(UTC).astimezone()
    page = render_report(*judged, generated_at=f"{now:%Y-%m-%d %H:%M %Z}", job_included=job_included)
    with written_whole(output, replace=True) as part:
        part.write_text(page, encoding="utf-8")
    return output
