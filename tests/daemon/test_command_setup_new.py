"""`evenstroke setup new`: by options, and by asking on a terminal."""

from __future__ import annotations

import io
import sys

import pytest
from evenstroke_daemon.command_line import main
from evenstroke_replay.setup_files import load_setup

OPTIONS = ["--cylinders", "4", "--order", "1,3,4,2", "--probe", "starter_current:0"]


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_by_options_nothing_is_asked_and_the_file_passes_the_check(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    file = tmp_path / "e.toml"
    assert main(["setup", "new", *OPTIONS, "--probe", "ignition_sync:1,cylinder=1", "-o", str(file)]) == 0
    out, err = capsys.readouterr()
    assert out == f"{file}\n"
    assert "setup check" in err
    assert main(["setup", "check", str(file), "--quick"]) == 0
    assert main(["setup", "new", *OPTIONS, "-o", str(file)]) == 1
    assert "nothing is ever written over" in capsys.readouterr().err


@pytest.mark.parametrize(
    "options",
    [
        OPTIONS[:4],  # no probe, and nobody to ask
        [*OPTIONS[2:]],  # an order without cylinders
        ["--cylinders", "4", "--order", "1,3,4", "--probe", "starter_current:0"],
        ["--cylinders", "4", "--order", "1,3,4,2", "--probe", "starter"],
    ],
)
def test_a_wrong_command_line_is_2(tmp_path, capsys, monkeypatch, options):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert main(["setup", "new", *options, "-o", str(tmp_path / "e.toml")]) == 2
    assert list(tmp_path.iterdir()) == []
    assert capsys.readouterr().out == ""


def ask(monkeypatch, tmp_path, answers, *options):
    monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))
    return main(["setup", "new", *options, "-o", str(tmp_path / "e.toml")])


def test_on_a_terminal_it_asks_and_enter_is_enough(tmp_path, capsys, monkeypatch):
    assert ask(monkeypatch, tmp_path, [""] * 11) == 0
    out, _ = capsys.readouterr()
    assert out == f"{tmp_path / 'e.toml'}\n"  # questions go to stderr
    setup, _ = load_setup(str(tmp_path / "e.toml"))
    assert setup.engine.firing_order == (1, 3, 4, 2)
    assert [probe.role for probe in setup.probe] == ["starter_current"]
    assert (setup.conditions.fuel, setup.conditions.ignition) == (None, None)  # unknown is not safe


def test_wrong_answers_are_asked_again_with_the_reason(tmp_path, capsys, monkeypatch):
    answers = [
        *("six", "6", "1,2,3", "1 5 3 6 2 4", "boat", "board"),
        *("ignition", "ignition_sync", "0", "7", "2", "revolution", "x", "-10"),
        *("intake_pulse", "0", "exhaust_pulse", "1", "", "5000", "", "maybe", "disabled", "on", "Tug"),
    ]
    assert ask(monkeypatch, tmp_path, answers) == 0
    _, err = capsys.readouterr()
    for words in (
        "'six' is not a whole number from 1 to 12",
        "'1,2,3' is no firing order of this engine",
        "'boat' is neither of board and csv",
        "'ignition' is no role",
        "'7' is not a whole number from 1 to 6",
        "'x' is no number",
        "input 0 is used twice",
        "'maybe' is neither of disabled, clear_flood and on",
    ):
        assert words in err
    setup, _ = load_setup(str(tmp_path / "e.toml"))
    assert [(p.role, p.input) for p in setup.probe] == [("ignition_sync", 0), ("exhaust_pulse", 1)]
    assert (setup.probe[0].cylinder, setup.probe[0].every, setup.probe[0].offset_deg) == (
        2,
        "revolution",
        -10,
    )
    assert (setup.acquisition.rate_hz, setup.title) == (5000, "Tug")


def test_only_what_was_not_given_is_asked(tmp_path, monkeypatch, capsys):
    given = [
        "--fuel",
        "disabled",
        "--ignition",
        "disabled",
        "--title",
        "Tug",
        "--cylinders",
        "2",
        "--order",
        "1,2",
    ]
    assert ask(monkeypatch, tmp_path, ["csv", "8", "", "36-1", ""], *given) == 0
    _, err = capsys.readouterr()
    assert "Firing order" not in err
    setup, _ = load_setup(str(tmp_path / "e.toml"))
    assert (setup.probe[0].teeth, setup.probe[0].input, setup.acquisition) == ("36-1", None, None)


def test_a_terminal_that_goes_away_leaves_nothing(tmp_path, monkeypatch, capsys):
    assert ask(monkeypatch, tmp_path, ["4"]) == 1
    assert "stopped" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
