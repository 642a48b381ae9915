"""Set-ups from files and by the names of those that ship with evenstroke."""

from __future__ import annotations

from pathlib import Path

import pytest
from evenstroke_dsp.setup import SetupError
from evenstroke_replay.setup_files import load_setup, shipped_setups

TEXT = 'schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n[[probe]]\nname = "i"\nrole = "intake_pulse"\n'


def test_a_file_gives_its_set_up_and_its_exact_text(tmp_path: Path) -> None:
    text = TEXT.replace("\n", "\r\n") + "# ü\r\n"
    path = tmp_path / "s.toml"
    path.write_bytes(text.encode())
    setup, got = load_setup(str(path))
    assert setup.engine.cylinders == 2
    assert got == text


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_bytes(b"\xef\xbb\xbf" + TEXT.encode())
    assert load_setup(str(tmp_path / "s.toml"))[1] == TEXT


def test_every_shipped_set_up_loads_by_its_name() -> None:
    names = shipped_setups()
    assert "demo" in names
    for name in names:
        setup, text = load_setup(name)
        assert setup.engine.cylinders == len(setup.engine.firing_order)
        assert text.strip()


def test_a_users_file_goes_before_a_shipped_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("demo").write_text(TEXT)
    assert load_setup("demo")[1] == TEXT


def test_an_unknown_name_lists_the_shipped_ones() -> None:
    with pytest.raises(SetupError, match="no such file or shipped set-up") as caught:
        load_setup("no such thing")
    assert "demo" in caught.value.expected


def test_a_folder_is_no_set_up(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="a folder"):
        load_setup(str(tmp_path))


def test_a_file_that_is_not_utf_8_is_said_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_bytes(TEXT.encode() + b"# \xfc\n")
    with pytest.raises(SetupError, match="not UTF-8") as caught:
        load_setup(str(tmp_path / "s.toml"))
    assert "line 8" in caught.value.where


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.toml"
    path.write_text(TEXT)

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(SetupError, match="cannot be read") as caught:
        load_setup(str(path))
    assert caught.value.found == "Permission denied"


def test_what_is_wrong_in_it_is_said_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text(TEXT.replace("cylinders", "cylindres"))
    with pytest.raises(SetupError) as caught:
        load_setup(str(path))
    assert str(path) in caught.value.where
