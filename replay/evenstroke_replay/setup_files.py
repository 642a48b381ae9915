"""Where a set-up's text comes from: a file, or one of the set-ups that ship with evenstroke."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from evenstroke_dsp.setup import Setup, SetupError, parse_setup


def shipped_setups() -> tuple[str, ...]:
    """The names of the set-ups that ship with evenstroke, in alphabetical order."""
    folder = files("evenstroke_replay") / "setups"
    if not folder.is_dir():
        return ()
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


def load_setup(file_or_name: str) -> tuple[Setup, str]:
    """The set-up of a file, or of the name of a shipped one, and its exact text.

    An existing file goes before a shipped set-up of the same name: what the user wrote counts.

    Raises SetupError when there is no such file or name, when it cannot be read as UTF-8,
    and for whatever `parse_setup` finds in it.
    """
    path = Path(file_or_name)
    if path.is_file():
        name, data = file_or_name, _read(path)
    elif file_or_name in shipped_setups():
        name = f"{file_or_name} (ships with evenstroke)"
        data = (files("evenstroke_replay") / "setups" / f"{file_or_name}.toml").read_bytes()
    else:
        raise SetupError(
            "it is a folder, not a set-up file"
            if path.is_dir()
            else "there is no such file or shipped set-up",
            where=file_or_name,
            expected=f"a TOML file, or one of the shipped set-ups: {', '.join(shipped_setups()) or '(none)'}",
            found=f"the folder {path}" if path.is_dir() else f"nothing called {file_or_name} in {Path.cwd()}",
            todo="give the set-up's path or one of these names",
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SetupError(
            "the file is not UTF-8",
            where=f"{name}, line {line}",
            expected="a text file in UTF-8",
            found=f"the byte 0x{data[error.start]:02x} at offset {error.start}",
            todo="save it as UTF-8",
        ) from error
    # Some editors put a byte order mark first; TOML's text begins behind it.
    text = text.removeprefix("\ufeff")
    return parse_setup(text, name), text


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise SetupError(
            "the file cannot be read",
            where=str(path),
            found=error.strerror or str(error),
            todo="check the path and who may read it",
        ) from error
