"""`evenstroke rejudge`: which judgements move when recordings are judged again by this version of the DSP."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import click
import msgspec
from evenstroke_dsp.wording import counted, listed
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.rejudging import Rejudged, RejudgedAll, all_of, rejudge, tasks_in

from .outcome import Outcome
from .physics_option import physics_unless, quick_option
from .shelf_option import no_shelf_option, shelf_unless

_PLURALS = {"cause": "causes", "trust": "trust", "refusal": "refusals"}


@click.command(
    "rejudge",
    epilog="Examples:  evenstroke rejudge recordings --keep      before a change\n\n"
    "           evenstroke rejudge recordings             after it",
)
@click.argument(
    "folders", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FOLDER [FOLDER]..."
)
@click.option(
    "--setup",
    "setup_name",
    metavar="FILE|NAME",
    help="Set-up of captures as CSV that have none of their own (crank.toml beside crank.csv).",
)
@click.option("--keep", is_flag=True, help="Keep what is said now, for the next time.")
@click.option(
    "--kept",
    "kept_in",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where judgements are kept, by the recordings' names.  [default: beside each recording]",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    default=None,
    metavar="N",
    help="So many recordings at a time.  [default: as many as there are processors]",
)
@quick_option
@no_shelf_option
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(
    folders: tuple[Path, ...],
    setup_name: str | None,
    keep: bool,
    kept_in: Path | None,
    workers: int | None,
    quick: bool,
    no_shelf: bool,
    as_json: bool,
) -> Outcome:
    """Judge every recording in FOLDER, and below it, again, and say what is said otherwise than when it was kept.

    For whoever changes a filter or a detector: --keep before the change, then once more after it. A judgement is kept as
    NAME.judgement.json, which is what `evenstroke judge NAME --json` prints. Compared are refusals, verdicts, causes,
    deviations with their intervals (beyond half a unit of the last place shown), trust, and warnings by their codes.
    Whether anything moved does not alter the exit code.
    """
    tasks = tasks_in(folders, setup_name, kept_in)
    terminal = sys.stderr.isatty()

    def done(number: int) -> None:
        if terminal:
            end = "\n" if number == len(tasks) else ""
            click.echo(f"\r{number} of {counted(len(tasks), 'recording')}{end}", nl=False, err=True)

    recordings = rejudge(
        tasks,
        physics=physics_unless(quick),
        shelf=shelf_unless(no_shelf),
        workers=workers if workers is not None else os.cpu_count() or 1,
        keep=keep,
        done=done,
    )
    together = all_of(recordings)
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(together), indent=1))
    else:
        for line in _lines(together, keep=keep):
            click.echo(line)
    failed = [r for r in recordings if r.status == "failed"]
    if failed:
        raise RecordingError(
            f"{len(failed)} of {counted(len(recordings), 'recording')} could not be judged; the others were",
            where=", ".join(map(str, folders)),
            found="\n            ".join((r.problem or "").splitlines()[0] for r in failed),
            todo="see each with `evenstroke judge`",
        )
    return Outcome.DONE_WITH_LOSS if any(r.lossy for r in recordings) else Outcome.DONE


def _lines(together: RejudgedAll, *, keep: bool) -> Iterator[str]:
    """What moved, recording by recording, then the sum."""
    for recording in together.recordings:
        yield from _of_one(recording)
    statuses = Counter(r.status for r in together.recordings)
    parts = [
        f"{statuses['moved']} moved",
        f"{statuses['same']} as before",
        f"{statuses['not kept']} not kept before" if statuses["not kept"] else "",
        f"{statuses['failed']} could not be judged" if statuses["failed"] else "",
    ]
    yield f"{counted(len(together.recordings), 'recording')}: {', '.join(p for p in parts if p)}"
    if together.moved:
        moved = [f"{_PLURALS.get(kind, f'{kind}s')} in {n}" for kind, n in together.moved.items()]
        yield f"what moved: {listed(moved)}"
    if keep:
        yield "kept for the next time"
    elif statuses["not kept"]:
        yield "to keep what is said now: the same with --keep"


def _of_one(recording: Rejudged) -> Iterator[str]:
    if recording.status == "failed":
        yield f"{recording.file}: could not be judged: {(recording.problem or '').splitlines()[0]}"
    elif recording.status == "not kept":
        yield f"{recording.file}: not kept before"
    elif recording.moves:
        yield f"{recording.file}: moved"
        for move in recording.moves:
            yield f"  {move.kind:<9}  {move.where}: {move.before} -> {move.now}"
