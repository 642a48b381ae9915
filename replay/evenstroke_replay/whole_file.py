"""Writing a file whole or not at all: under another name beside it, which takes its own once it is complete."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evenstroke_protocol.errors import EvenstrokeError

RECORDING_SUFFIX = ".mcap"


class OutputError(EvenstrokeError):
    """A file cannot be written where it was asked for."""


@contextmanager
def written_whole(out: Path, *, replace: bool) -> Iterator[Path]:
    """The path to write to; at the end it becomes `out`. Whatever ends the block otherwise leaves nothing behind.

    replace: whether an existing file may be written over, which then happens in one step.
    Raises OutputError where there is one that may not, and where the disk or its folder cannot take it.
    """
    if not replace:
        require_free(out)
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        try:
            yield part
            if not replace:
                _take_name(out)
            try:
                part.replace(out)
            except BaseException:
                if not replace:
                    out.unlink()
                raise
        except OSError as error:
            raise _cannot_write(out, error) from error
        except EvenstrokeError as error:
            # What wrote it says so in its own way, of a name that is gone by the time anybody reads it.
            if error.where == str(part) and isinstance(error.__cause__, OSError):
                raise _cannot_write(out, error.__cause__) from error
            raise
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _take_name(out: Path) -> None:
    """Make an empty file of that name, for nobody but us: between asking whether it is free and renaming to it another
    one could come, which a rename writes over on POSIX. Raises OutputError where there is one."""
    try:
        os.close(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    except FileExistsError as error:
        raise _taken(out) from error


def require_recording_name(out: Path) -> None:
    """Raises OutputError for a name that does not end as a recording's does: others tell it by that."""
    if out.suffix.lower() != RECORDING_SUFFIX:
        raise OutputError(
            "a recording is to be written, and this is not a recording's name",
            where=str(out),
            expected=f"a name that ends in {RECORDING_SUFFIX}",
            found=f"the ending {out.suffix}" if out.suffix else "no ending",
            todo=f"write -o {out.with_suffix(RECORDING_SUFFIX)}",
        )


def _cannot_write(out: Path, error: OSError) -> OutputError:
    return OutputError(
        "the file cannot be written",
        where=str(out),
        found=f"{error.strerror or error}; nothing was left behind",
        todo=f"{remedy_for(error)}, or choose another place with -o",
    )


def remedy_for(error: OSError) -> str:
    """What helps against a file that cannot be written, without a full stop."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return "see that its folder is there"
    if isinstance(error, FileExistsError):
        return "move away what stands in its place"
    if isinstance(error, PermissionError):
        return "see who may write there"
    if isinstance(error, IsADirectoryError):
        return "give a file's name, for that is a folder's"
    if error.errno == errno.EROFS:
        return "make that file system writable"
    return "make room on the disk"


def require_free(out: Path) -> None:
    """Raises OutputError where that name is taken: to be asked before anything is worked out for it."""
    if os.path.lexists(out):
        raise _taken(out)


def _taken(out: Path) -> OutputError:
    return OutputError(
        "there is such a file already, and nothing is ever written over",
        where=str(out),
        expected="a name that is not taken",
        found="a folder" if out.is_dir() else "a file",
        todo="choose another name with -o, or move that file away",
    )
