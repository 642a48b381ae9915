"""`evenstroke judge`: what a recording, a capture as CSV, or a folder of them says about an engine."""

from __future__ import annotations

import shutil
from pathlib import Path

import click
import msgspec
from evenstroke_dsp.messages import Judgement
from evenstroke_dsp.wording import counted
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.judging import judge_path
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.setup_files import load_setup

from .capture_options import first_position_option, setup_option, time_option
from .caution_words import say_dangers
from .judgement_text import judgement_text
from .outcome import Outcome
from .physics_option import physics_unless, quick_option
from .shelf_option import no_shelf_option, shelf_unless

_SUFFIXES = (".mcap", ".csv")


@click.command(
    "judge",
    epilog="Example:  evenstroke judge recordings/2026-01-31T101500-library.mcap",
)
@click.argument("path", type=click.Path(path_type=Path))
@setup_option
@time_option
@first_position_option
@click.option(
    "--crank",
    type=click.IntRange(min=1),
    metavar="N",
    help="Of several cranks in one file judge the N-th alone.",
)
@quick_option
@no_shelf_option
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(
    path: Path,
    setup_name: str | None,
    time_column: str | None,
    first_position_is: int | None,
    crank: int | None,
    quick: bool,
    no_shelf: bool,
    as_json: bool,
) -> Outcome:
    """Judge PATH: a recording, a capture as CSV, or a folder of them.

    Says which pulse is odd every cycle, how much, how sure, and what the set-up itself may have done.
    It is evidence, not proof. Of a folder every file is judged; --json then prints a list.
    """
    setup, text = load_setup(setup_name) if setup_name is not None else (None, None)
    physics, shelf = physics_unless(quick), shelf_unless(no_shelf)
    files = _files_in(path) if path.is_dir() else [path]
    judgements: list[Judgement] = []
    lossy = False
    failures: list[EvenstrokeError] = []
    for file in files:
        try:
            judged = judge_path(file, setup, time_column, text, first_position_is, physics, crank, shelf)
        except EvenstrokeError as error:
            failures.append(error)
            if path.is_dir():
                click.echo(f"evenstroke: {error}", err=True)
                continue
            raise
        say_dangers(judged.setup)
        judgements.append(judged.judgement)
        lossy = lossy or judged.lossy
        if not as_json:
            width = shutil.get_terminal_size((100, 24)).columns
            click.echo(judgement_text(judged.judgement, judged.setup, width, judged.marks))
    if as_json:
        document = judgements if path.is_dir() else judgements[0]
        click.echo(msgspec.json.format(msgspec.json.encode(document), indent=1))
    if failures:
        raise RecordingError(
            f"{len(failures)} of {counted(len(files), 'file')} could not be judged; the others were",
            where=str(path),
            todo="see above for each",
        )
    return Outcome.DONE_WITH_LOSS if lossy else Outcome.DONE


def _files_in(folder: Path) -> list[Path]:
    files = sorted(f for f in folder.iterdir() if f.suffix.lower() in _SUFFIXES and f.is_file())
    if not files:
        raise RecordingError(
            "there is nothing to judge in this folder",
            where=str(folder),
            expected="recordings (.mcap) or captures (.csv)",
            found=f"{sum(1 for _ in folder.iterdir())} other entries",
            todo="give a folder that holds some, or one file",
        )
    return files
