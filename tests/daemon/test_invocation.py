"""The lines that are printed to be copied work as they stand."""

from __future__ import annotations

import sys

import pytest
from evenstroke_daemon.invocation import command_line


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A virtual environment in a folder, as far as this looks at one."""
    scripts = tmp_path / "tool" / ".venv" / "bin"
    scripts.mkdir(parents=True)
    program = scripts / "evenstroke"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(scripts / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    return program


def test_in_its_own_folder_it_is_called_by_the_way_there(installed, monkeypatch):
    monkeypatch.chdir(installed.parents[2])
    assert command_line("judge", "a b.mcap") == ".venv/bin/evenstroke judge 'a b.mcap'"


def test_elsewhere_by_its_whole_path(installed, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path / "tool" / ".venv")
    assert command_line("judge", 1) == "bin/evenstroke judge 1"
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert command_line("judge", 1) == f"{installed} judge 1"


def test_where_the_shell_finds_it_by_its_name(installed, monkeypatch):
    monkeypatch.setenv("PATH", str(installed.parent))
    assert command_line("judge", 1) == "evenstroke judge 1"


def test_another_one_of_that_name_is_not_meant(installed, monkeypatch, tmp_path):
    other = tmp_path / "evenstroke"
    other.write_text("#!/bin/sh\n")
    other.chmod(0o755)
    monkeypatch.chdir(installed.parents[2])
    assert command_line("judge") == ".venv/bin/evenstroke judge"


def test_without_a_script_the_module_is_called(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    assert command_line("judge") == f"{tmp_path / 'python'} -m evenstroke_daemon judge"
