"""`evenstroke watch`: the stream in a window, live or from a recording."""

from __future__ import annotations

import importlib.util
import os
import signal
import sys
from pathlib import Path

import click
import platformdirs
import zmq
from click.core import ParameterSource
from evenstroke_protocol.errors import EvenstrokeError

from .asking import DEFAULT_CONTROL, Control
from .curve_keys import CurveKeys, keys_to_reach
from .feed import Feed, LiveFeed
from .played import Played
from .subscriber import DEFAULT_ADDRESS, Subscriber

_NEEDED = ("PySide6", "tomlkit")
_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


class ViewerError(EvenstrokeError):
    """The window, and what it needs."""


@click.command(
    "watch",
    epilog="Example:  evenstroke watch    or:  evenstroke watch recordings/2026-01-31T101500-library.mcap",
)
@click.argument("recording", required=False, type=click.Path(path_type=Path))
@click.option(
    "--connect",
    default=DEFAULT_ADDRESS,
    show_default=True,
    metavar="ADDRESS",
    help="Where evenstroke listen, or replay, publishes. It need not run yet.",
)
@click.option(
    "--control",
    default=DEFAULT_CONTROL,
    show_default=True,
    metavar="ADDRESS",
    help="Where evenstroke listen can be asked for marks and recordings.",
)
@click.option(
    "--keys",
    "keys_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="This computer's keys, for another computer's stream.  [default: those of `evenstroke setup key`]",
)
@click.option(
    "--of",
    "daemon",
    metavar="NAME",
    help="Which computer's stream it is, where the keys of several are known.",
)
@click.option(
    "--setup",
    "setup_name",
    metavar="FILE|NAME",
    help="With RECORDING: another set-up than its own.",
)
@click.option(
    "--quick",
    is_flag=True,
    help="With RECORDING: leave engine physics out: no prediction of what the set-up does.",
)
@click.option(
    "--no-shelf", is_flag=True, help="With RECORDING: leave your own known-goods out of what is normal."
)
@click.pass_context
def command(
    context: click.Context,
    recording: Path | None,
    connect: str,
    control: str,
    keys_folder: Path | None,
    daemon: str | None,
    setup_name: str | None,
    quick: bool,
    no_shelf: bool,
) -> int:
    """Show in a window what evenstroke hears: what is odd, whether it repeats, and what to do now.

    Without RECORDING it shows a live stream: it waits for one that is not there yet, and finds one again that went
    away. With RECORDING it plays that, and goes to any place in it. F1 shows the keys. Another computer's stream
    takes keys, which `evenstroke setup key` makes on both.

    What it says is evidence, not proof: dismantle nothing on the word of one crank. The maker's procedure, local
    rules and licensed practice come first.
    """
    for name in ("connect", "control"):
        if recording is not None and context.get_parameter_source(name) is not ParameterSource.DEFAULT:
            raise click.UsageError(f"give RECORDING or --{name}, not both")
    if recording is not None and (keys_folder is not None or daemon is not None):
        raise click.UsageError("--keys and --of mean something only without RECORDING")
    if recording is None and (setup_name is not None or quick or no_shelf):
        raise click.UsageError("--setup, --quick and --no-shelf mean something only with RECORDING")
    if recording is None:
        feed = _live(connect, keys_to_reach(connect, keys_folder, daemon))
        asked: Control | None = Control(control, keys_to_reach(control, keys_folder, daemon))
        played = None
    else:
        (feed, played), asked = _replay(recording, setup_name, quick, no_shelf), None
    require_windows()
    return _show(feed, asked, played)


def _show(feed: Feed, control: Control | None, played: Played | None) -> int:
    try:
        from PySide6.QtCore import QSettings

        from .windows.main_window import MainWindow, application
    except ImportError as error:  # PySide6 is there, and a library of the system that it needs is not
        raise ViewerError(
            "the window cannot be shown",
            where="evenstroke watch",
            found=str(error),
            todo="install the library that it names; on Debian: apt-get install libegl1 libgl1 libxkbcommon0 "
            "libdbus-1-3 libfontconfig1 libxcb-cursor0",
        ) from error
    app = application(sys.argv[:1])
    signal.signal(signal.SIGINT, lambda *_: app.quit())  # the window's timer lets Python see it
    window = MainWindow(feed, QSettings(str(state_file()), QSettings.Format.IniFormat), control, played)
    window.show()
    code: int = app.exec()
    window.close()
    return code


def _live(address: str, keys: CurveKeys | None) -> Feed:
    """Raises ViewerError for what is no address; whether anybody is there shows later."""
    try:
        with Subscriber(address, keys=keys):
            pass
    except zmq.ZMQError as error:
        raise ViewerError(
            "this is not an address that can be listened to",
            where=f"--connect {address}",
            expected=f"tcp://HOST:PORT, such as {DEFAULT_ADDRESS}",
            found=str(error),
            todo="give the address at which evenstroke listen says that it publishes",
        ) from error
    return LiveFeed(address, keys=keys)


def _replay(path: Path, setup_name: str | None, quick: bool, no_shelf: bool) -> tuple[Feed, Played]:
    """Raises what reading the recording, the set-up or the shelf raises."""
    # A live stream needs none of these, and starts seconds sooner without them.
    from evenstroke_dsp.prediction import Prediction
    from evenstroke_replay.physics_cache import PhysicsCache, cache_folder
    from evenstroke_replay.recording import open_recording
    from evenstroke_replay.setup_files import load_setup
    from evenstroke_replay.shelf import Shelf, shelf_folder

    from .replay_feed import ReplayFeed

    recording = open_recording(path, check_all=False)
    if setup_name is not None:
        setup, text = load_setup(setup_name)
        played = Played(path, text, setup_name)
    else:
        setup, played = recording.setup, Played(path, recording.setup_text, f"of {path.name}")

    def predict() -> Prediction | None:
        try:
            return PhysicsCache(cache_folder()).prediction(setup)
        except EvenstrokeError:
            return None  # an engine that the physics cannot simulate is played without a prediction

    known_goods = None if no_shelf else Shelf(shelf_folder()).known_goods_for(setup, path)
    return ReplayFeed(recording, setup, (lambda: None) if quick else predict, known_goods=known_goods), played


def state_file() -> Path:
    """Where the window's state is kept until next time."""
    return Path(platformdirs.user_config_dir("evenstroke", appauthor=False)) / "window.ini"


def require_windows() -> None:
    """Raises ViewerError where a package is missing that windows need, or there is no screen."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise ViewerError(
            "the window cannot be shown",
            where="evenstroke watch",
            expected="the packages of the extra 'viewer'",
            found=f"{' and '.join(missing)} not installed",
            todo=f"install them with: {sys.executable} -m pip install 'PySide6-Essentials!=6.12.0' tomlkit",
        )
    # Qt would end the whole process where it finds no screen.
    if sys.platform == "linux" and not any(map(os.environ.get, _SCREENS)):
        raise ViewerError(
            "the window cannot be shown",
            where="evenstroke watch",
            expected="a screen: DISPLAY or WAYLAND_DISPLAY in the environment",
            found="neither",
            todo="run it on a desktop; over ssh, forward X with ssh -X, or watch here and tunnel the stream: "
            "ssh -L 7720:127.0.0.1:7720 OTHER",
        )
