"""`main` turns outcomes into exit codes, and keeps stdout for results."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from evenstroke_daemon import command_line
from evenstroke_daemon.command_line import commands, main
from evenstroke_daemon.outcome import Outcome
from evenstroke_protocol.errors import EvenstrokeError


def all_commands():
    context = click.Context(commands)
    for name in commands.list_commands(context):
        command = commands.get_command(context, name)
        yield (name,), command
        if isinstance(command, click.Group):
            for inner in command.list_commands(context):
                yield (name, inner), command.get_command(context, inner)


@pytest.fixture
def trial(monkeypatch):
    """A subcommand `trial` that does what it is told, loaded as an outside package's would be."""

    class EntryPoint:
        name = "trial"

        def __init__(self, does):
            self.does = does

        def load(self):
            return click.Command("trial", callback=self.does)

    def install(does):
        monkeypatch.setattr(command_line, "entry_points", lambda group: [EntryPoint(does)])

    return install


def raising(error):
    def does():
        raise error

    return does


@pytest.mark.parametrize(
    ("does", "code", "said"),
    [
        (lambda: None, 0, ""),
        (lambda: Outcome.DONE, 0, ""),
        (lambda: Outcome.DONE_WITH_LOSS, 3, ""),
        (
            raising(EvenstrokeError("no", where="here", todo="that")),
            1,
            "evenstroke: here: no\n  do this:  that\n",
        ),
        (raising(click.UsageError("what?")), 2, "what?"),
        (raising(click.FileError("x.html", "denied")), 1, "denied"),
        (raising(KeyboardInterrupt()), 1, "stopped by the keyboard"),
        (raising(click.Abort()), 1, "stopped by the keyboard"),
    ],
    ids=["none", "done", "loss", "error", "usage", "file", "ctrl-c", "abort"],
)
def test_exit_codes(trial, capsys, does, code, said):
    trial(does)
    assert main(["trial"]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err


def test_a_bug_is_not_dressed_up_as_a_user_s_mistake(trial):
    trial(raising(ZeroDivisionError()))
    with pytest.raises(ZeroDivisionError):
        main(["trial"])


def test_commands_of_other_packages_are_listed(trial, capsys):
    trial(lambda: None)
    assert main(["--help"]) == 0
    assert "trial" in capsys.readouterr().out


@pytest.mark.parametrize("path", [path for path, _ in all_commands()], ids=" ".join)
def test_every_command_has_help_with_an_example(path, capsys):
    assert main([*path, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Example" in out
    assert f"evenstroke {path[0]}" in out[out.index("Example") :]


def test_the_fixed_forms_are_there():
    names = {path[0] for path, _ in all_commands()}
    assert {"demo", "listen", "judge", "import", "report", "setup", "rig", "selfcheck"} <= names


def test_help_names_the_cautions(capsys):
    assert main(["--help"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for words in ("chocks", "holds the key", "do not crank", "evidence, not proof", "maker's procedure"):
        assert words in out


def test_version(capsys):
    from importlib.metadata import version

    assert main(["--version"]) == 0
    assert version("evenstroke") in capsys.readouterr().out


def run(*arguments, **options):
    return subprocess.run(
        [sys.executable, "-m", "evenstroke_daemon", *arguments],
        stdin=subprocess.DEVNULL, timeout=120, check=False, **options,
    )  # fmt: skip


def test_a_reader_that_goes_away_is_no_traceback():
    reading, writing = os.pipe()
    os.close(reading)
    done = run("setup", "check", "demo", stdout=writing, stderr=subprocess.PIPE)
    os.close(writing)
    assert done.returncode == 1
    assert done.stderr == b""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="not checked here: needs /dev/full")
@pytest.mark.parametrize("arguments", [("setup", "check", "demo", "--quick"), ("--version",)], ids=" ".join)
def test_a_full_disk_under_stdout_is_said_and_is_no_traceback(arguments):
    with Path("/dev/full").open("wb") as full:
        done = run(*arguments, stdout=full, stderr=subprocess.PIPE, env={**os.environ, "LC_ALL": "C"})
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert b"No space left on device" in done.stderr
    assert b"do this:" in done.stderr


def test_no_colour_off_a_terminal():
    done = run("setup", "check", "demo", capture_output=True, env={**os.environ, "TERM": "xterm-256color"})
    assert done.returncode == 0
    assert b"\x1b" not in done.stdout + done.stderr


def test_ctrl_c_while_modules_load_is_no_traceback(monkeypatch, capsys):
    from evenstroke_daemon import start

    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr(command_line, "main", interrupted)
    monkeypatch.setattr(start.signal, "signal", lambda number, handler: None)
    assert start.main() == 1
    assert capsys.readouterr().err == "evenstroke: stopped by the keyboard before it was done\n"
