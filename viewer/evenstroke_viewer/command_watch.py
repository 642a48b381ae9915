"""`evenstroke watch`: the stream in a window, live or from a recording."""

from __future__ import annotations

import importlib.util
import signal
import sys
from pathlib import Path

import click
import platformdirs
from evenstroke_protocol.errors import EvenstrokeError

from .asking import DEFAULT_CONTROL
from .feed import LiveFeed
from .subscriber import DEFAULT_ADDRESS

_NEEDED = ("PySide6", "pyqtgraph", "tomlkit")


class ViewerError(EvenstrokeError):
    """The window, and what it needs."""


@click.command("watch", epilog="Example:  evenstroke watch --connect tcp://127.0.0.1:7720")
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
def command(connect: str, control: str) -> int:
    """Show in a window what evenstroke hears: what is odd, whether it repeats, and what to do now.

    It waits for a stream that is not there yet, and finds one again that went away. F1 shows the keys.
    """
    require_windows()
    from PySide6.QtCore import QSettings

    from .windows.main_window import MainWindow, application

    app = application(sys.argv[:1])
    signal.signal(signal.SIGINT, lambda *_: app.quit())  # the window's timer lets Python see it
    window = MainWindow(LiveFeed(connect), QSettings(str(state_file()), QSettings.Format.IniFormat), control)
    window.show()
    code: int = app.exec()
    window.close()
    return code


def state_file() -> Path:
    """Where the window's state is kept until next time."""
    return Path(platformdirs.user_config_dir("evenstroke", appauthor=False)) / "window.ini"


def require_windows() -> None:
    """Raises ViewerError where a package is missing that windows need."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise ViewerError(
            "the window cannot be shown",
            where="evenstroke watch",
            expected="the packages of the extra 'viewer'",
            found=f"{' and '.join(missing)} not installed",
            todo="install them with: pip install 'evenstroke[viewer]'",
        )
