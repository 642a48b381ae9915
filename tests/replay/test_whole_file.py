"""A file that was asked for is there whole or not at all."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from evenstroke_replay.mcap_file import McapFile
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recovery import recover
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.whole_file import OutputError, written_whole

NO_ROOM = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_it_takes_its_name_when_it_is_complete(tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    with written_whole(out, replace=False) as part:
        part.write_text("half")
        assert not out.exists()
        assert part.parent == tmp_path, "a rename must not cross file systems"
        part.write_text("whole")
    assert out.read_text() == "whole"
    assert names(tmp_path) == ["page.html"]


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("error", [NO_ROOM, KeyboardInterrupt()])
def test_whatever_ends_it_leaves_nothing_behind(tmp_path: Path, replace: bool, error: BaseException) -> None:
    expected = OutputError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected), written_whole(tmp_path / "page.html", replace=replace) as part:
        part.write_text("half")
        raise error
    assert names(tmp_path) == []


def test_what_stood_there_before_stays_when_it_fails(tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    out.write_text("before")
    with (
        pytest.raises(OutputError, match="cannot be written") as caught,
        written_whole(out, replace=True) as part,
    ):
        part.write_text("half")
        raise NO_ROOM
    assert os.strerror(errno.ENOSPC) in caught.value.found
    assert out.read_text() == "before"


def test_what_came_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    out = tmp_path / "c.mcap"
    with pytest.raises(OutputError, match="written over"), written_whole(out, replace=False) as part:
        part.write_text("ours")
        out.write_text("theirs")
    assert out.read_text() == "theirs"
    assert names(tmp_path) == ["c.mcap"]


@pytest.mark.parametrize("theirs", ["a file", "a folder"])
def test_what_comes_in_the_last_moment_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, theirs: str
) -> None:
    out = tmp_path / "c.mcap"
    # Asked whether the name is taken, the system said no; and then it was.
    monkeypatch.setattr(os.path, "lexists", lambda path: False)
    with (
        pytest.raises(OutputError, match="written over") as caught,
        written_whole(out, replace=False) as part,
    ):
        part.write_text("ours")
        if theirs == "a folder":
            out.mkdir()
        else:
            out.write_text("theirs")
    assert caught.value.found == theirs
    assert out.is_dir() or out.read_text() == "theirs"
    assert names(tmp_path) == ["c.mcap"]


def test_a_name_that_was_taken_for_a_file_that_then_failed_is_free_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Path, target: Path) -> None:
        raise NO_ROOM

    with pytest.raises(OutputError), written_whole(tmp_path / "c.mcap", replace=False) as part:
        part.write_text("ours")
        monkeypatch.setattr(Path, "replace", full)
    assert names(tmp_path) == []


def test_a_disk_that_fills_up_during_recovery_is_said_of_the_name_that_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, out = tmp_path / "rec.mcap", tmp_path / "new.mcap"
    with Recorder(source, load_setup("demo")[1], started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(20):
            recorder.received(bytes(100), k * 50_000_000)

    def full(self: McapFile, messages: object) -> None:
        raise NO_ROOM

    monkeypatch.setattr(McapFile, "chunk", full)
    with pytest.raises(OutputError) as caught:
        recover(source, out)
    assert caught.value.where == str(out)
    assert os.strerror(errno.ENOSPC) in caught.value.found
    assert names(tmp_path) == ["rec.mcap"]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (NO_ROOM, "make room"),
        (FileNotFoundError(errno.ENOENT, "none"), "its folder"),
        (NotADirectoryError(errno.ENOTDIR, "none"), "its folder"),
        (PermissionError(errno.EACCES, "no"), "who may write"),
        (FileExistsError(errno.EEXIST, "no"), "move away"),
        (IsADirectoryError(errno.EISDIR, "no"), "a folder's"),
        (OSError(errno.EROFS, "no"), "writable"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_the_remedy_fits_what_went_wrong(tmp_path: Path, error: OSError, words: str) -> None:
    with pytest.raises(OutputError) as caught, written_whole(tmp_path / "x", replace=True):
        raise error
    assert words in caught.value.todo
