"""`evenstroke watch` as a command: what it needs, and what it says where that is not there."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.recording import open_recording
from evenstroke_replay.setup_files import load_setup
from evenstroke_viewer import command_watch
from evenstroke_viewer.band import bytes_words, parts
from evenstroke_viewer.command_watch import ViewerError, command, require_windows
from evenstroke_viewer.played import Played
from recordings import record

ROOT = Path(__file__).parents[2]


def test_the_entry_point_names_the_command():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    module, _, name = project["entry-points"]["evenstroke.commands"]["watch"].partition(":")
    assert isinstance(getattr(import_module(module), name), click.Command)


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    find = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *a: None if name == "PySide6" else find(name, *a)
    )
    with pytest.raises(
        ViewerError, match=r"PySide6 not installed(.|\n)*pip install 'PySide6-Essentials!=6.12.0' tomlkit"
    ):
        require_windows()


def test_without_a_screen_it_says_so_and_qt_does_not_end_the_process(monkeypatch):
    pytest.importorskip("PySide6")
    monkeypatch.setattr(command_watch.sys, "platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(ViewerError, match="ssh"):
        require_windows()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.mcap", "--connect", "tcp://127.0.0.1:1"], "not both"),
        (["a.mcap", "--control", "tcp://127.0.0.1:1"], "not both"),
        (["a.mcap", "--keys", "folder"], "only without RECORDING"),
        (["a.mcap", "--of", "bench"], "only without RECORDING"),
        (["--quick"], "only with RECORDING"),
        (["--setup", "demo"], "only with RECORDING"),
    ],
)
def test_what_does_not_go_together_is_a_wrong_command_line(arguments, words):
    result = CliRunner().invoke(command, arguments)
    assert result.exit_code == 2
    assert words in result.output


def test_a_recording_that_cannot_be_read_is_an_error_with_where_and_what_to_do(tmp_path):
    path = tmp_path / "no.mcap"
    path.write_text("not a recording")
    with pytest.raises(EvenstrokeError) as raised:
        CliRunner().invoke(command, [str(path)], catch_exceptions=False)
    assert str(path) in str(raised.value) and raised.value.todo


@pytest.mark.parametrize(("options", "named"), [([], "of short.mcap"), (["--setup", "demo"], "demo")])
def test_a_recording_is_handed_on_with_its_set_up_or_the_one_that_was_given(
    tmp_path, monkeypatch, options, named
):
    path = record(tmp_path / "short.mcap", 3.0)
    shown = []
    monkeypatch.setattr(command_watch, "require_windows", lambda: None)
    monkeypatch.setattr(command_watch, "_show", lambda *what: shown.append(what) or 0)
    CliRunner().invoke(command, [str(path), *options], catch_exceptions=False)
    ((_, control, played),) = shown
    text = load_setup("demo")[1] if options else open_recording(path).setup_text
    assert control is None and played == Played(path, text, named)


@pytest.mark.parametrize("address", ["7720", "tcp://", "http://127.0.0.1:7720"])
def test_what_is_no_address_is_refused_before_a_window_opens(address):
    with pytest.raises(ViewerError, match="tcp://HOST:PORT") as raised:
        CliRunner().invoke(command, ["--connect", address], catch_exceptions=False)
    assert address in raised.value.where


def test_help_has_an_example_and_the_caution():
    shown = CliRunner().invoke(command, ["--help"]).output
    assert "Example:" in shown
    assert "dismantle nothing on the word of one crank" in " ".join(shown.split())


def test_the_band_is_always_there_and_speaks_up(scenes):
    def aloud(name):
        return {part.heading for part in parts(scenes(name)) if part.aloud}

    assert [part.heading for part in parts(scenes("odd"))] == [
        "Link",
        "Recording",
        "Lost",
        "Board's clock",
        "Disk",
    ]
    assert aloud("odd") == set()
    assert aloud("rest") == {"Recording"}
    assert aloud("losing") == {"Lost"}
    assert aloud("stalled") == aloud("failed") == aloud("silent") == {"Link"}
    assert aloud("waiting") == {"Link"}


def test_bytes_for_people():
    assert [
        bytes_words(n).replace("\N{NO-BREAK SPACE}", " ") for n in (0, 999, 83_000, 2_100_000, 212 * 10**9)
    ] == [
        "0 bytes",
        "999 bytes",
        "83 kB",
        "2 MB",
        "212.0 GB",
    ]


def test_a_live_window_loads_no_pipeline():
    # SciPy's statistics alone take longer to load than all else: the first frame must not wait for them.
    pytest.importorskip("PySide6")
    code = (
        "import importlib, sys; from evenstroke_viewer import command_watch, windows\n"
        "importlib.import_module('evenstroke_viewer.windows.main_window')\n"
        "[importlib.import_module(f'evenstroke_viewer.windows.{module}') for module, _ in windows.VIEWS]\n"
        "print(sorted({'scipy', 'numba', 'evenstroke_dsp.pipeline'} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
