"""Windows without a screen; any word of Qt's own complaint fails the test that caused it."""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import importlib.util
import sys
from pathlib import Path

import pytest

if importlib.util.find_spec("PySide6") is None:
    collect_ignore_glob = ["test_window*.py", "test_screens.py"]

sys.path.insert(0, str(Path(__file__).parent))  # scenarios.py and screens.py, which also run by themselves


@pytest.fixture(autouse=True)
def no_qt_warning():
    """What Qt says on its own (warnings of painters, threads, layouts, plugins) is an error."""
    if importlib.util.find_spec("PySide6") is None:
        yield
        return
    from PySide6.QtCore import qInstallMessageHandler

    said: list[str] = []
    before = qInstallMessageHandler(lambda _kind, _context, message: said.append(message))
    yield
    qInstallMessageHandler(before)
    assert not said, f"Qt complained: {said}"


@pytest.fixture
def scenes():
    """The streams of `scenarios.py` by name; each is made once."""
    from scenarios import model_of

    return model_of


@pytest.fixture(scope="session")
def photographer(qapp, tmp_path_factory):
    """One window for all pictures of views: it takes as long to make as a dozen of them."""
    from screens import Photographer

    made = Photographer(tmp_path_factory.mktemp("state") / "window.ini")
    yield made
    made.close()


@pytest.fixture
def windows(qtbot, tmp_path):
    """Makes main windows on a feed, and closes them."""
    from evenstroke_viewer.windows.main_window import MainWindow, application
    from PySide6.QtCore import QCoreApplication, QEvent, QSettings

    application([])
    made = []

    def make(feed, control=None, settings=None, played=None):
        settings = settings or QSettings(str(tmp_path / "window.ini"), QSettings.Format.IniFormat)
        made.append(MainWindow(feed, settings, control, played))
        qtbot.addWidget(made[-1])
        return made[-1]

    yield make
    for window in made:
        window.close()
        window.deleteLater()
    # Only an event loop that returns deletes them by itself; what stays is restyled again with every window to come.
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)


@pytest.fixture
def in_front(windows, qtbot):
    """Opens the main window with the view of a class in front; returns both. It redraws only when told to."""
    from screens import NoFeed

    def open_with(kind):
        window = windows(NoFeed())
        window._timer.stop()
        window.show()
        place = next(k for k, view in enumerate(window.views) if isinstance(view, kind))
        window.show_view(place)
        qtbot.waitExposed(window)
        return window, window.views[place]

    return open_with


@pytest.fixture
def show():
    """Gives a window a model, and draws it in a look and a size."""
    from evenstroke_viewer.look import LIGHT, Look

    def shown(window, model, look=None):
        appearance, size = look or (Look(LIGHT), (1280, 720))
        window.model = model
        window.resize(*size)
        window.use_look(appearance)
        window.grab()
        window.redraw()
        window.grab()

    return shown
