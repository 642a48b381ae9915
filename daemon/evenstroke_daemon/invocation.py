"""How whoever runs this would type `evenstroke` again: a line to copy must work as it stands."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path

NAME = "evenstroke"


def command_line(*arguments: object) -> str:
    """A line for a shell in this folder: the program, by its path where the shell would not find it, and these words."""
    return " ".join([_program(), *(shlex.quote(str(argument)) for argument in arguments)])


def _program() -> str:
    here = Path(sys.executable).parent
    script = next((p for p in (here / NAME, here / f"{NAME}.exe") if p.is_file()), None)
    found = shutil.which(NAME)
    if found is not None and (script is None or Path(found).resolve() == script.resolve()):
        return NAME
    if script is None:
        return f"{shlex.quote(sys.executable)} -m evenstroke_daemon"
    path = script.with_suffix("")
    folder = Path.cwd()
    return shlex.quote(str(path.relative_to(folder) if path.is_relative_to(folder) else path))
