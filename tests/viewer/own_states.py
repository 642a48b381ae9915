"""States of the views that show no stream, by name: what is to be done to such a view to get there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenstroke_replay.setup_files import load_setup
from evenstroke_viewer.firing_orders import offers_for
from evenstroke_viewer.setup_document import SetupDocument
from evenstroke_viewer.setup_form import NEW_TEXT, choose
from evenstroke_viewer.two_recordings import lay
from PySide6.QtWidgets import QApplication
from two_cranks import hose_and_none, twelve, unnamed, with_hose


def _new(form: Any) -> None:
    form._use(SetupDocument(NEW_TEXT), None, "")


def _counted(form: Any) -> None:
    _new(form)
    form.document.put(("engine", "cylinders"), 6)
    form._check()


def _begun(form: Any) -> None:
    _counted(form)
    choose(form.document, offers_for(6)[0])
    form._check()


def _demo(form: Any) -> None:
    text = load_setup("demo")[1]
    form._use(SetupDocument(text, "demo.toml"), Path("demo.toml"), text)


def _connected(form: Any) -> None:
    _demo(form)
    QApplication.processEvents()  # its layout, before anything in it has a place
    form.area.ensureWidgetVisible(form.editors[("probe", 3, "added_volume_cc")])


def _danger(form: Any) -> None:
    _demo(form)
    form._answer("plug_out_ignition_on", False)


def _wrong(form: Any) -> None:
    _demo(form)
    form.document.put(("engine", "firing_order"), [1, 5, 3, 6, 2, 2])
    form._check()
    QApplication.processEvents()  # its layout, before anything in it has a place
    form.enter_form()
    form._leave_field()


def _none(view: Any) -> None:
    view._wait(
        ("Two recordings of one engine, over each other.", "Press E, and name the first and the second.")
    )


def _shows(pair: Callable[[], Any]) -> Callable[[Any], None]:
    def show(view: Any) -> None:
        view.laid, view.place = pair(), 0
        view._show()

    return show


OWN_STATES: dict[str, dict[str, Callable[[Any], None]]] = {
    "Set-up": {
        "new": _new,
        "counted": _counted,
        "begun": _begun,
        "demo": _demo,
        "connected": _connected,
        "danger": _danger,
        "wrong": _wrong,
    },
    "Two recordings": {
        "none": _none,
        "differing": _shows(hose_and_none),
        "twelve": _shows(twelve),
        "refused": _shows(lambda: lay(with_hose(), unnamed())),
    },
}
"""By the view's name."""
