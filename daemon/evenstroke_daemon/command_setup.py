"""`evenstroke setup`: what a set-up allows, before anyone cranks, and whether its probes work."""

from __future__ import annotations

import platform
import re
import sys
from pathlib import Path

import click
import zmq
from evenstroke_dsp.cautions import dangers
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_check import check_text
from evenstroke_replay.key_folder import KeyFolder, default_folder
from evenstroke_replay.new_setup import parse_probe, write_setup
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.whole_file import require_free

from .caution_words import say_before_cranking, say_dangers
from .clock import REAL
from .coach import Coach, Limits
from .command_listen import acquisition_of, links_to, stop_signals
from .live_check import LiveCheck
from .outcome import Outcome
from .physics_option import prediction_unless, quick_option
from .service import Recording, Service
from .setup_questions import Given, Questions, parse_order


@click.group("setup", epilog="Example:  evenstroke setup check my-engine.toml")
def command() -> None:
    """Write and check the file that says what engine it is and what is fitted where; make keys."""


@command.command(
    "check",
    epilog="Examples:  evenstroke setup check demo\n\n"
    "           evenstroke setup check my-engine.toml --live --port /dev/ttyUSB0",
)
@click.argument("file", metavar="FILE|NAME")
@quick_option
@click.option(
    "--live", is_flag=True, help="Check each probe's signal on the board instead: at rest, then cranking."
)
@click.option("--port", help="With --live: serial device, COMx, or socket://HOST:PORT.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=4),
    default=30.0,
    show_default=True,
    help="With --live: how long to wait for somebody to crank.",
)
def check(file: str, live: bool, port: str | None, seconds: float, quick: bool) -> Outcome:
    """Say what this set-up can compare, what disturbs what and how much, and what to beware of.

    Every set-up that is valid passes, a dangerous one too: its dangers are stated.

    With --live, one line for each probe on the board: what is wrong with its signal and what to do. At rest that is
    what rest shows; whoever then cranks for five seconds learns the rest. Nothing is recorded.
    """
    if live != (port is not None):
        raise click.UsageError("--live and --port go together")
    setup, _ = load_setup(file)
    if port is None:
        click.echo(check_text(setup, prediction_unless(quick, setup)), nl=False)
        return Outcome.DONE
    return _check_live(setup, file, port, seconds)


def _check_live(setup: Setup, name: str, port: str, seconds: float) -> Outcome:
    acquisition = acquisition_of(setup, name)
    say_before_cranking(setup)
    watch = LiveCheck(
        setup,
        lambda words: click.echo(words, err=True),
        may_crank=not any(danger.blocks for danger in dangers(setup)),
    )

    def nowhere(_begin_ns: int, _folder: Path | None, _title: str | None) -> Recording:
        raise RecordingError("a check records nothing", todo="use `evenstroke listen --record`")

    service = Service(
        setup=setup,
        acquisition=acquisition,
        pipeline=Pipeline(setup),
        make_link=links_to(port, acquisition.baud, REAL),
        open_recording=nowhere,
        record_at_once=False,
        publish=lambda _: None,
        clock=REAL,
        coach=Coach(Limits()),
    )
    try:
        with stop_signals() as stop_wanted:
            return service.run(
                stop_wanted=lambda: watch.finished or stop_wanted(), seconds=seconds, look=watch.look
            )
    finally:
        for line in watch.lines():
            click.echo(line)


@command.command(
    "new",
    epilog="Examples:  evenstroke setup new\n\n"
    "           evenstroke setup new --cylinders 4 --order 1,3,4,2 --probe starter_current:0 "
    "--probe ignition_sync:1,cylinder=1 -o my-engine.toml",
)
@click.option("--cylinders", type=click.IntRange(1, 12), help="How many.")
@click.option("--order", metavar="1,3,4,2", help="The firing order, in the maker's numbers.")
@click.option(
    "--probe",
    "probes",
    multiple=True,
    metavar="ROLE[:INPUT][,KEY=VALUE]...",
    help="What is fitted, once for each probe: its role, the board's input (none for a CSV), further keys of the file.",
)
@click.option("--title", help="What recordings are called.")
@click.option(
    "--rate", "rate_hz", type=click.IntRange(min=1), help="Of a board: samples a second of each input."
)
@click.option("--baud", type=click.IntRange(min=1), help="Of a board: the speed of its line.")
@click.option("--fuel", type=click.Choice(["disabled", "clear_flood", "on"]), help="While it is cranked.")
@click.option("--ignition", type=click.Choice(["disabled", "on"]), help="While it is cranked.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("my-engine.toml"),
    show_default=True,
    metavar="FILE",
    help="The file to write; never over an existing one.",
)
def new(
    cylinders: int | None,
    order: str | None,
    probes: tuple[str, ...],
    title: str | None,
    rate_hz: int | None,
    baud: int | None,
    fuel: str | None,
    ignition: str | None,
    output: Path,
) -> Outcome:
    """Write a first set-up file, with comments that say what else it may hold.

    Cylinders, order and at least one probe are enough. On a terminal what was not given is asked for, with the reason
    and with what Enter stands for. stdout gets the file's path.
    """
    try:
        given = Given(
            cylinders=cylinders,
            firing_order=parse_order(order, cylinders)
            if order is not None and cylinders is not None
            else None,
            probes=tuple(parse_probe(text) for text in probes),
            title=title,
            rate_hz=rate_hz,
            baud=baud,
            fuel=fuel,
            ignition=ignition,
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if order is not None and cylinders is None:
        raise click.UsageError("--order needs --cylinders")
    if not given.enough and not sys.stdin.isatty():
        raise click.UsageError(
            "give --cylinders, --order and at least one --probe, or run it on a terminal to be asked"
        )
    require_free(output)
    wanted = given.as_it_is() if given.enough else Questions(_answer, _say).ask_for(given)
    say_dangers(write_setup(wanted, output))
    click.echo(str(output))
    click.echo(f"now: evenstroke setup check {output}", err=True)
    return Outcome.DONE


def _say(sentence: str) -> None:
    click.echo(sentence, err=True)


def _answer(prompt: str) -> str:
    """By ourselves: click.prompt would write to stdout, which is for the result."""
    click.echo(prompt, nl=False, err=True)
    line = sys.stdin.readline()
    if not line:
        raise click.Abort
    return line


@command.command(
    "key",
    epilog="Examples:  evenstroke setup key\n\n           evenstroke setup key --add tablet.key",
)
@click.option("--name", metavar="NAME", help="What others know this computer as.  [default: its host name]")
@click.option(
    "--add",
    "other",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Know another computer by its public key instead.",
)
@click.option(
    "--keys",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where keys are kept.  [default: the user's own folder]",
)
def key(name: str | None, other: Path | None, folder: Path | None) -> Outcome:
    """Make this computer's key, for a stream that other computers may follow.

    Each of the two computers needs a key and the other one's public key. stdout gets the public file's path;
    the secret file beside it stays where it is.
    """
    keys = KeyFolder(folder if folder is not None else default_folder())
    if other is not None:
        if name is not None:
            raise click.UsageError("--name and --add do not go together")
        click.echo(str(keys.add(other)))
        click.echo("known from the next start on", err=True)
        return Outcome.DONE
    path = keys.public_path
    if path is None:
        public, secret = zmq.curve_keypair()
        path = keys.make(name if name is not None else _host_name(), public.decode(), secret.decode())
    else:
        click.echo("this computer has its key already", err=True)
    click.echo(str(path))
    click.echo(
        f"take this file to the other computer, and there: evenstroke setup key --add {path.name}", err=True
    )
    return Outcome.DONE


def _host_name() -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", platform.node()).strip("-") or "computer"
