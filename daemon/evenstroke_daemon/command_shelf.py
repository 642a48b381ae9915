"""`evenstroke shelf`: one's own known-good recordings, against which what is normal is measured."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import click
import msgspec
from evenstroke_dsp.known_goods import FEWEST_ENGINES
from evenstroke_dsp.wording import counted, listed
from evenstroke_replay.judging import judge_path
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.shelf import KnownGood, Shelf, family_name, shelf_folder
from evenstroke_replay.shelving import Shelved, shelve

from .capture_options import first_position_option, setup_option, time_option
from .caution_words import say_dangers
from .outcome import Outcome
from .physics_option import physics_unless, quick_option

_folder_option = click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Another shelf than the one that EVENSTROKE_SHELF names, else your own in the system's folder for data.",
)


@click.group("shelf", epilog="Example:  evenstroke shelf add sound-engine.mcap --engine 'bus 12'")
def command() -> None:
    """Keep recordings of engines that are known to be good, by family: what is normal is then measured by them.

    From three engines of a family on, `judge`, `report`, `compare`, `listen`, `replay` and `watch` measure by them what
    healthy engines show; --no-shelf leaves them out.
    """


@command.command(
    "add",
    short_help="Put a recording of an engine that is known to be good on the shelf.",
    epilog="Examples:  evenstroke shelf add sound-engine.mcap --engine 'bus 12'\n\n"
    "           evenstroke shelf add crank.csv --setup my-engine.toml --known-by 'leak-down test'",
)
@click.argument("path", type=click.Path(path_type=Path))
@setup_option
@time_option
@first_position_option
@click.option(
    "--crank", type=click.IntRange(min=1), metavar="N", help="Of several cranks keep the N-th alone."
)
@click.option(
    "--engine",
    metavar="NAME",
    help="Which engine it is, in your words: several recordings of one count as one.  [default: one of its own]",
)
@click.option("--by", "added_by", metavar="WHO", help="Who says so.")
@click.option("--known-by", metavar="WORDS", help="How it is known to be good, such as a compression test.")
@quick_option
@_folder_option
def add(
    path: Path,
    setup_name: str | None,
    time_column: str | None,
    first_position_is: int | None,
    crank: int | None,
    engine: str | None,
    added_by: str | None,
    known_by: str | None,
    quick: bool,
    folder: Path | None,
) -> Outcome:
    """Judge PATH, a recording or a capture as CSV of an engine that is known to be good, and put it on the shelf.

    It goes under its set-up's `family`. What is disturbed or limited stays off, feature by feature, and is said. A
    recording that cannot be judged, has lost samples, or of which something is found odd is refused; --known-by lets the
    last one in.
    """
    setup, text = load_setup(setup_name) if setup_name is not None else (None, None)
    judged = judge_path(path, setup, time_column, text, first_position_is, physics_unless(quick), crank)
    say_dangers(judged.setup)
    shelved = shelve(
        Shelf(folder if folder is not None else shelf_folder()),
        path,
        judged,
        added_at=datetime.now(UTC).isoformat(timespec="seconds"),
        evenstroke_version=version("evenstroke"),
        engine=engine,
        added_by=added_by,
        known_by=known_by,
    )
    for line in _added(path, shelved, named=engine is not None):
        click.echo(line)
    return Outcome.DONE_WITH_LOSS if judged.lossy else Outcome.DONE


def _added(path: Path, shelved: Shelved, *, named: bool) -> list[str]:
    entry = shelved.entry
    engines = f"{counted(shelved.engines, 'engine')} of the family {entry.family!r}"
    if shelved.already:
        return [
            f"{path}: on the shelf already, as {entry.sha256[:12]} ({entry.file}, added {entry.added_at}); nothing was done"
        ]
    kept = {p.probe: [q.feature for q in entry.pulses if q.probe == p.probe] for p in entry.pulses}
    lines = [
        f"{path}: on the shelf as {entry.sha256[:12]}, under {entry.family!r}",
        *(f"  kept of {probe}: {listed(dict.fromkeys(features))}" for probe, features in kept.items()),
        *(f"  left off: {words}" for words in shelved.left_off),
    ]
    if not named:
        lines.append(
            "  taken for an engine of its own: several recordings of one engine must not count as several. If it is one that is "
            f"on the shelf already, take it off (evenstroke shelf remove {entry.sha256[:12]}) and add it with --engine NAME"
        )
    lines.append(
        f"  {engines} now: what is normal is measured by them"
        if shelved.engines >= FEWEST_ENGINES
        else f"  {engines} now: too few; from {FEWEST_ENGINES} on what is normal is measured by them"
    )
    return lines


@command.command("list", epilog="Example:  evenstroke shelf list")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
@_folder_option
def list_(as_json: bool, folder: Path | None) -> None:
    """List what is on the shelf, by family."""
    shelf = Shelf(folder if folder is not None else shelf_folder())
    entries = shelf.entries()
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(entries), indent=1))
        return
    if not entries:
        click.echo(
            f"the shelf is empty ({shelf.folder}); evenstroke shelf add RECORDING puts a known-good on it"
        )
        return
    for (_, order, _), of in itertools.groupby(
        sorted(entries, key=_kind), key=_kind
    ):  # within a kind they stay in the order of engine and file
        kind = list(of)
        engines = len({e.engine for e in kind})
        enough = (
            "normal is measured by them" if engines >= FEWEST_ENGINES else f"too few, {FEWEST_ENGINES} tell"
        )
        click.echo(
            f"{kind[0].family}, firing order {'-'.join(map(str, order))}: {counted(engines, 'engine')}, {enough}"
        )
        for entry in kind:
            click.echo(f"  {_line(entry)}")


def _kind(entry: KnownGood) -> tuple[str, tuple[int, ...], tuple[float, ...]]:
    return family_name(entry.family), entry.firing_order, entry.firing_intervals_deg


def _line(entry: KnownGood) -> str:
    """One known-good; what nobody told is not said."""
    told = [
        f"engine {entry.engine!r}",
        f"{entry.file} of {entry.recorded_at}" if entry.recorded_at is not None else entry.file,
        entry.mode,
        f"{entry.engine_temperature_c:g} °C" if entry.engine_temperature_c is not None else "",
        f"throttle {entry.throttle}" if entry.throttle is not None else "",
        f"added {entry.added_at}{f' by {entry.added_by}' if entry.added_by is not None else ''}",
        f"known by {entry.known_by}" if entry.known_by is not None else "",
        counted(len(entry.pulses), "comparison"),
    ]
    return f"{entry.sha256[:12]}  {'; '.join(t for t in told if t)}"


@command.command(
    "remove", short_help="Take one off the shelf.", epilog="Example:  evenstroke shelf remove 3f9a11c2"
)
@click.argument("sha256", metavar="SHA256")
@_folder_option
def remove(sha256: str, folder: Path | None) -> None:
    """Take the known-good off the shelf whose SHA-256 begins so; `shelf list` shows them. The recording stays."""
    entry = Shelf(folder if folder is not None else shelf_folder()).remove(sha256)
    click.echo(f"{entry.sha256[:12]} ({entry.file}) is off the shelf")
