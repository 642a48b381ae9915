"""`evenstroke listen`: the daemon. Records, judges and publishes what a board sends."""

from __future__ import annotations

import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

import click
from evenstroke_dsp.cautions import require_acknowledged
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.messages import SetupNote
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import fits
from evenstroke_dsp.setup import Acquisition, Setup, SetupError
from evenstroke_dsp.setup_effects import setup_notes
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.key_folder import KeyFolder
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.whole_file import remedy_for

from .caution_words import say_before_cranking
from .clock import REAL, Clock
from .coach import LEAST_CRANK_S, Coach, Limits
from .control import Control
from .invocation import command_line
from .kept_link import REAL_PATIENCE, Patience
from .link import Link
from .link_states import LinkStatus
from .live_table import view_for_stderr
from .outcome import Outcome
from .physics_beside import PhysicsBeside
from .physics_option import physics_unless, quick_option, say_not_worked_out
from .publisher import DEFAULT_ADDRESS, Publisher
from .secured import is_loopback, keys_for, keys_option
from .serial_port import open_serial
from .service import Informed, Recording, Service
from .shelf_option import known_goods_unless, no_shelf_option

NOWHERE = "none"
_THIS_COMPUTER = "tcp://127.0.0.1"
NO_MAKERS_LIMITS = Limits()
_WORKING_OUT = (
    "working out by engine physics, beside it, what this set-up does to this kind of engine: up to half a minute, once. "
    "You can crank meanwhile; the balance follows. Whoever ends it before that waits for it (Ctrl-C once more does not)."
)


@click.command(
    "listen",
    epilog="Example:  evenstroke listen --port /dev/ttyUSB0 --setup my-engine.toml --record recordings",
)
@click.option("--port", required=True, help="Serial device, COMx, or socket://HOST:PORT.")
@click.option(
    "--setup", "setup_name", required=True, metavar="FILE|NAME", help="Set-up file, or a shipped one."
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Record into this folder; it is made when it is not there.",
)
@click.option(
    "--publish",
    default=DEFAULT_ADDRESS,
    show_default=True,
    metavar="ADDRESS",
    help=f"Where others can subscribe; '{NOWHERE}' publishes nothing.",
)
@click.option(
    "--control",
    metavar="ADDRESS",
    help=f"Where others can start, stop and mark recordings.  [default: the port after --publish; '{NOWHERE}': nowhere]",
)
@keys_option
@click.option(
    "--starter-seconds",
    type=click.FloatRange(min=LEAST_CRANK_S, max=NO_MAKERS_LIMITS.starter_absolute_s),
    default=NO_MAKERS_LIMITS.starter_s,
    show_default=True,
    help="Longest crank that the starter's maker allows.",
)
@click.option(
    "--rest-seconds",
    type=click.FloatRange(min=0),
    default=NO_MAKERS_LIMITS.rest_s,
    show_default=True,
    help="Rest that the starter's maker wants after it.",
)
@click.option(
    "--wait-seconds",
    type=click.FloatRange(min=0),
    default=REAL_PATIENCE.wait_s,
    show_default=True,
    help="How long a board that went away is waited for.",
)
@click.option("--quiet", is_flag=True, help="No bell when to stop and when the rest is over.")
@quick_option
@no_shelf_option
@click.option(
    "--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after so long of streaming."
)
def command(
    port: str,
    setup_name: str,
    record: Path | None,
    publish: str,
    control: str | None,
    keys_folder: Path | None,
    starter_seconds: float,
    rest_seconds: float,
    wait_seconds: float,
    quiet: bool,
    quick: bool,
    no_shelf: bool,
    seconds: float | None,
) -> Outcome:
    """Listen to a board: record, judge and publish while the engine cranks.

    Start it BEFORE the engine turns and stop it (Ctrl-C) after it stands still. The recording is
    complete whenever it ends, and what is said at the end stays readable with `evenstroke judge`.

    A dangerous set-up is refused until it says that the danger is provided for. stdout gets the
    recording's path; the table, cautions and messages go to stderr.
    """
    setup, text = load_setup(setup_name)
    acquisition = acquisition_of(setup, setup_name)
    require_acknowledged(setup, setup_name)
    address = None if publish == NOWHERE else publish
    control_address = _control_address(control, publish)
    publish_keys = keys_for(address, keys_folder) if address is not None else None
    control_keys = keys_for(control_address, keys_folder) if control_address is not None else None
    if record is not None:
        require_writable(record)
    say_before_cranking(setup)
    outcome, recording = listen(
        port=port,
        setup=setup,
        setup_text=text,
        acquisition=acquisition,
        folder=record,
        address=address,
        control_address=control_address,
        publish_keys=publish_keys,
        control_keys=control_keys,
        limits=Limits(starter_s=starter_seconds, rest_s=rest_seconds),
        patience=replace(REAL_PATIENCE, wait_s=wait_seconds),
        sound=not quiet,
        quick=quick,
        no_shelf=no_shelf,
        seconds=seconds,
    )
    if recording is not None:
        click.echo(f"to read what it says: {command_line('judge', recording)}", err=True)
    return outcome


def listen(
    *,
    port: str,
    setup: Setup,
    setup_text: str,
    acquisition: Acquisition,
    folder: Path | None,
    address: str | None,
    seconds: float | None,
    control_address: str | None = None,
    publish_keys: KeyFolder | None = None,
    control_keys: KeyFolder | None = None,
    limits: Limits = NO_MAKERS_LIMITS,
    patience: Patience = REAL_PATIENCE,
    sound: bool = False,
    quick: bool = False,
    no_shelf: bool = True,
    clock: Clock = REAL,
) -> tuple[Outcome, Path | None]:
    """Sessions from open to close, shown on stderr; how the last one ended and where its recording is.

    There is a second session when one is asked for, through the control socket, with another set-up, whatever
    became of the first. A recording's path goes to stdout, also when its session ends in an error. Raises the
    first error, with the others as notes, once all is over.
    """
    coach = Coach(limits)
    outcomes: list[Outcome] = []
    failures: list[EvenstrokeError] = []
    recorded: Path | None = None
    with ExitStack() as stack:
        publisher = Publisher(address, publish_keys) if address is not None else None
        if publisher is not None:
            stack.callback(publisher.close)
            click.echo(f"publishing at {publisher.address}", err=True)
        control = (
            Control(control_address, _require_board, control_keys) if control_address is not None else None
        )
        if control is not None:
            stack.callback(control.close)
            click.echo(f"control at {control.address}", err=True)
        signalled = stack.enter_context(stop_signals())

        def stop_wanted() -> bool:
            return signalled() or (control is not None and control.stop_wanted)

        while True:
            physics = physics_unless(quick)
            known_goods = known_goods_unless(no_shelf, setup)
            prediction = physics.kept(setup) if physics is not None else None
            notes = setup_notes(setup, prediction)
            beside = None
            if physics is not None and prediction is None and fits(setup):
                beside = PhysicsBeside(setup, physics.folder)
                click.echo(_WORKING_OUT, err=True)
            service = Service(
                setup=setup,
                acquisition=acquisition,
                pipeline=Pipeline(setup, prior_prediction=prediction, known_goods=known_goods),
                setup_notes=notes,
                awaited=_informed_by(beside, setup, known_goods) if beside is not None else None,
                make_link=links_to(port, acquisition.baud, clock),
                open_recording=recordings_in(folder, setup, setup_text, notes, clock),
                record_at_once=folder is not None,
                publish=publisher.publish if publisher is not None else lambda _: None,
                clock=clock,
                coach=coach,
                patience=patience,
            )
            if control is not None:
                control.begin(service)
            following = None
            try:
                with view_for_stderr(sound=sound) as view:
                    outcomes.append(service.run(stop_wanted=stop_wanted, seconds=seconds, look=view.show))
            except EvenstrokeError as error:
                failures.append(error)
            finally:
                if beside is not None:
                    beside.close()
                if control is not None:
                    following = control.end()
                recorded = service.recorded_path or recorded
                for path in service.recorded_paths:
                    click.echo(str(path))
            if following is None or stop_wanted():
                break
            setup, setup_text = following
            acquisition = acquisition_of(setup, "the set-up in the request")
            say_before_cranking(setup)
    if failures:
        first, *rest = failures
        for other in rest:
            first.add_note(str(other))
        raise first
    lossy = Outcome.DONE_WITH_LOSS in outcomes
    return Outcome.DONE_WITH_LOSS if lossy else Outcome.DONE, recorded


def _informed_by(
    beside: PhysicsBeside, setup: Setup, known_goods: KnownGoods | None
) -> Callable[[bool], Informed | None]:
    """For the service: the pipeline that knows what physics say, so that what is said live is what `judge` says."""

    def informed(wait: bool) -> Informed | None:
        if not beside.ended(wait=wait):
            return None
        if beside.problem is not None:
            say_not_worked_out(beside.problem)
        else:
            click.echo("what this set-up does is worked out", err=True)
        prediction = beside.prediction
        pipeline = Pipeline(setup, prior_prediction=prediction, known_goods=known_goods)
        return Informed(pipeline, setup_notes(setup, prediction))

    return informed


def links_to(
    port: str, baud: int, clock: Clock
) -> Callable[[Callable[[LinkStatus], None], Callable[[], bool]], Link]:
    def make(on_change: Callable[[LinkStatus], None], stop_wanted: Callable[[], bool]) -> Link:
        return Link(
            port,
            baud,
            on_change=on_change,
            stop_wanted=stop_wanted,
            monotonic_ns=clock.monotonic_ns,
            opener=open_serial,
        )

    return make


def _control_address(asked: str | None, publish: str) -> str | None:
    """The address that was asked for, else this computer's port after the one that is published at; None: nowhere."""
    if asked == NOWHERE or (asked is None and publish == NOWHERE):
        return None
    if asked is not None:
        return asked
    host, _, number = publish.rpartition(":")
    if not number.isdigit():
        return None
    # Whoever may look need not be one who may start, stop and choose folders: that is asked for by itself.
    host = host if is_loopback(publish) else _THIS_COMPUTER
    return f"{host}:{int(number) + 1 if int(number) else 0}"


def _require_board(setup: Setup) -> None:
    acquisition_of(setup, "the set-up in the request")


@contextmanager
def stop_signals() -> Iterator[Callable[[], bool]]:
    """Whether Ctrl-C, SIGTERM or (on Windows) Ctrl-Break has asked for an orderly end.

    Only the first one is taken so; a second one does what it does by default.
    """
    wanted = False
    signals = [signal.SIGINT, signal.SIGTERM]
    if sys.platform == "win32":
        signals.append(signal.SIGBREAK)
    before = {number: signal.getsignal(number) for number in signals}

    def note(number: int, _: FrameType | None) -> None:
        # Nothing but this flag: a handler that took a lock could wait for the code it interrupted.
        nonlocal wanted
        wanted = True
        signal.signal(number, before[signal.Signals(number)])

    for number in signals:
        signal.signal(number, note)
    try:
        yield lambda: wanted
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def acquisition_of(setup: Setup, name: str) -> Acquisition:
    """How to run the board. Raises SetupError for a set-up that is for captures as CSV only."""
    if setup.acquisition is None:
        raise SetupError(
            "this set-up does not say how to run a board",
            where=f"{name}: acquisition",
            expected="a table [acquisition] with rate_hz",
            found="none: it is a set-up for captures as CSV",
            todo="add [acquisition] with rate_hz = ..., and give every probe an input",
        )
    return setup.acquisition


def require_writable(folder: Path) -> None:
    """Find out before anyone cranks whether recordings can be written here. Raises RecordingError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise RecordingError(
            "nothing can be recorded in this folder",
            where=str(folder),
            found=error.strerror or str(error),
            todo=f"{remedy_for(error)}, or name another folder with --record",
        ) from error


def recordings_in(
    told: Path | None, setup: Setup, text: str, notes: tuple[SetupNote, ...], clock: Clock
) -> Callable[[int, Path | None, str | None], Recording]:
    def begin(host_ns: int, folder: Path | None, title: str | None) -> Recording:
        into = folder if folder is not None else told
        if into is None:
            raise RecordingError(
                "nobody said where to record",
                expected="a folder, in the request or as --record",
                found="neither",
                todo="name a folder",
            )
        age = timedelta(microseconds=(clock.monotonic_ns() - host_ns) / 1000)
        started_at = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC) - age
        return Recorder.in_folder(
            into,
            title if title is not None else setup.title,
            text,
            started_at=started_at.astimezone(),
            started_host_ns=host_ns,
            setup_notes=notes,
        )

    return begin
