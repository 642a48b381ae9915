"""Is evenstroke installed whole: Python, the libraries that it rests on, and what its extras add?

Imports nothing that is not in the standard library before it is asked: it has to say what is missing.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from importlib import metadata

from .check_outcome import Check, failed, holds, not_checked

DISTRIBUTION = "evenstroke"
EXTRAS: dict[str, tuple[tuple[str, ...], str]] = {
    "viewer": (("PySide6.QtWidgets", "tomlkit"), "`evenstroke watch`, the window,"),
    "formats": (("pyarrow", "asammdf"), "export to Parquet and MDF 4"),
}
"""What each extra lets one import, and what is not available without it."""
_SAID = ("numpy", "scipy", "numba", "pyserial", "pyzmq", "mcap")
"""Libraries whose version is said in the line; all are in the data."""
_IMPORT_TAKES_S = 120.0
_TODO = "run `{python} -m pip install --upgrade -e .` in evenstroke's folder"


def versions() -> dict[str, str | None]:
    """Python, the system, evenstroke, and every library that a plain installation needs; None: not installed."""
    found: dict[str, str | None] = {
        "Python": platform.python_version(),
        "system": platform.platform(),
        DISTRIBUTION: metadata.version(DISTRIBUTION),
    }
    for requirement in _required(""):
        found[requirement] = _version(requirement)
    return found


def check_versions() -> Check:
    """Every library is there, in a version that evenstroke is for."""
    from packaging.requirements import Requirement

    found = versions()
    wrong = []
    for text in metadata.requires(DISTRIBUTION) or []:
        requirement = Requirement(text)
        if requirement.name not in found:
            continue
        there = found[requirement.name]
        if there is None:
            wrong.append(f"{requirement.name} is missing")
        elif not requirement.specifier.contains(there, prereleases=True):
            wrong.append(f"{requirement.name} is {there}, and {requirement.specifier} is needed")
    of = f"Python {found['Python']}, evenstroke {found[DISTRIBUTION]}, {found['system']}"
    if wrong:
        return failed("versions", f"{of}: {'; '.join(wrong)}", todo=_TODO.format(python=sys.executable))
    said = ", ".join(f"{name} {found[name]}" for name in _SAID if name in found)
    return holds("versions", f"{of}; {len(_required(''))} libraries, all as required ({said})")


def check_extra(name: str) -> Check:
    """Whether what an extra is for can be used. One that is not installed is no failure: nothing needs it."""
    modules, without = EXTRAS[name]
    check = f"extra_{name}"
    needed = _required(name)
    if not needed:
        return not_checked(
            check,
            "this installation does not know that extra: it was made by an older evenstroke",
            todo=_TODO.format(python=sys.executable),
        )
    missing = [library for library in needed if _version(library) is None]
    if missing:
        return not_checked(
            check,
            f"{_listed(missing)} {'is' if len(missing) == 1 else 'are'} not installed: {without} "
            f"{'are' if ' and ' in without else 'is'} not available, all else is",
            todo=f"only if you want it: {sys.executable} -m pip install -e '.[{name}]' in evenstroke's folder",
        )
    problem = _problem_loading(modules)
    if problem is not None:
        return failed(
            check,
            f"installed, but cannot be loaded: {problem}; {without} cannot be used",
            todo="install what that line names with the system's packages, or install the extra anew: "
            f"{sys.executable} -m pip install --force-reinstall -e '.[{name}]' in evenstroke's folder",
        )
    return holds(check, ", ".join(f"{library} {_version(library)}" for library in needed) + ": can be loaded")


def _problem_loading(modules: tuple[str, ...]) -> str | None:
    """What comes of importing these, None where it works. In a process of its own, which a broken library may end."""
    try:
        done = subprocess.run(
            [sys.executable, "-c", "; ".join(f"import {module}" for module in modules)],
            capture_output=True,
            text=True,
            timeout=_IMPORT_TAKES_S,
            check=False,
            env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
        )
    except subprocess.TimeoutExpired:
        return f"it took more than {_IMPORT_TAKES_S:g} s"
    if not done.returncode:
        return None
    return (done.stderr.strip().splitlines() or [f"it ended with exit code {done.returncode}"])[-1]


def _required(extra: str) -> list[str]:
    """Libraries that evenstroke needs on this computer for an extra; "": for a plain installation."""
    from packaging.requirements import Requirement

    parsed = [Requirement(text) for text in metadata.requires(DISTRIBUTION) or []]
    # A marker such as `extra == "viewer"` is true for that extra alone; what has none belongs to the plain installation.
    return [
        r.name
        for r in parsed
        if r.name != DISTRIBUTION
        and (r.marker is None or r.marker.evaluate({"extra": extra}))
        and (extra == "" or (r.marker is not None and not r.marker.evaluate({"extra": ""})))
    ]


def _version(library: str) -> str | None:
    try:
        return metadata.version(library)
    except metadata.PackageNotFoundError:
        return None


def _listed(names: list[str]) -> str:
    return " and ".join(names)
