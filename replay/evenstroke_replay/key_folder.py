"""The keys by which computers that share a stream know each other: which files, and what is in them.

    FOLDER/NAME.key          this computer's public key: a copy of it goes to every other computer
    FOLDER/NAME.key_secret   its secret key, readable by its owner alone: it never leaves the folder
    FOLDER/known/*.key       the public keys of the computers that are known

The files are certificates as CZMQ and pyzmq write and read them (ZPL, https://rfc.zeromq.org/spec/4/), the keys
CurveZMQ's in Z85 (https://rfc.zeromq.org/spec/32/). No socket is opened here: daemon and viewer both read them.
"""

from __future__ import annotations

import ipaddress
import os
import re
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from evenstroke_protocol.errors import EvenstrokeError
from platformdirs import user_config_path

from .whole_file import remedy_for

_KEY = re.compile(r'^\s*(public-key|secret-key)\s*=\s*"([0-9A-Za-z.:+=^!/*?&<>()\[\]{}@%$#-]{40})"\s*$', re.M)
_PUBLIC_SUFFIX, _SECRET_SUFFIX = ".key", ".key_secret"


class KeyFileError(EvenstrokeError):
    """A key that is missing, or is not what it should be."""


@dataclass(frozen=True, slots=True)
class KeyPair:
    """name: what this computer is called among those that know it. Keys in Z85, 40 letters."""

    name: str
    public: str
    secret: str

    def __repr__(self) -> str:
        return f"KeyPair(name={self.name!r}, public={self.public!r})"  # a secret must not get into a log


def is_loopback_host(host: str) -> bool:
    """Whether only this computer answers to a host's name or number: nobody needs a key there."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def default_folder() -> Path:
    """The user's own, as the system names it."""
    return user_config_path("evenstroke", appauthor=False) / "keys"


class KeyFolder:
    """One computer's keys."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.known_path = path / "known"

    @property
    def public_path(self) -> Path | None:
        """The file to give to others; None where this computer has no key yet."""
        secret = self._secret_path()
        return secret.with_suffix(_PUBLIC_SUFFIX) if secret is not None else None

    def own(self) -> KeyPair:
        """This computer's keys. Raises KeyFileError where it has none."""
        path = self._secret_path()
        if path is None:
            raise KeyFileError(
                "this computer has no key of its own yet",
                where=str(self.path),
                expected=f"a file NAME{_SECRET_SUFFIX}",
                found="none",
                todo="make one: evenstroke setup key",
            )
        keys = _keys_in(path)
        if "secret-key" not in keys or "public-key" not in keys:
            raise _no_key(
                path, "a public and a secret key", "move it away, and make another: evenstroke setup key"
            )
        return KeyPair(path.stem, keys["public-key"], keys["secret-key"])

    def known(self) -> dict[str, str]:
        """The public keys of the others, by their names. Raises KeyFileError where there are none."""
        files = sorted(self.known_path.glob(f"*{_PUBLIC_SUFFIX}")) if self.known_path.is_dir() else []
        if not files:
            raise KeyFileError(
                "no other computer is known, so that nobody could be told from anybody",
                where=str(self.known_path),
                expected=f"the other computer's public key, NAME{_PUBLIC_SUFFIX}",
                found="none",
                todo="make one there (evenstroke setup key), bring its public file here, and: "
                "evenstroke setup key --add FILE",
            )
        return {file.stem: _public_key_in(file) for file in files}

    def known_as(self, name: str | None) -> str:
        """The public key of the other computer of that name; None: of the only one that is known.

        Raises KeyFileError where there is no such one, or there are several and none is named.
        """
        known = self.known()
        if name is None and len(known) == 1:
            return next(iter(known.values()))
        if name is None or name not in known:
            raise KeyFileError(
                "several computers are known, and none is named"
                if name is None
                else "this computer is not known",
                where=str(self.known_path),
                expected=f"one of {', '.join(known)}",
                found=name or "no name",
                todo="name the one to connect to",
            )
        return known[name]

    def make(self, name: str, public: str, secret: str) -> Path:
        """Keep a new pair as this computer's own; the public file. Raises KeyFileError, and never writes over."""
        found = self.public_path
        if found is not None:
            raise KeyFileError(
                "this computer has its key already",
                where=str(found),
                todo="give that file to the others; a new key would shut out everyone who knows the old one",
            )
        public_path = self.path / f"{name}{_PUBLIC_SUFFIX}"
        files = {
            public_path: (f'curve\n    public-key = "{public}"\n', 0o644),
            public_path.with_suffix(_SECRET_SUFFIX): (
                f'curve\n    public-key = "{public}"\n    secret-key = "{secret}"\n',
                0o600,
            ),
        }
        try:
            self.known_path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot_write(self.known_path, error) from error
        with ExitStack() as unmade:  # half a pair would be in the way of the next one
            try:
                for path, (text, mode) in files.items():
                    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
                    unmade.callback(path.unlink)
                    with os.fdopen(handle, "w", encoding="utf-8") as stream:
                        stream.write(text)
            except FileExistsError as error:
                raise KeyFileError(
                    "there is a file of that name already, and nothing is ever written over",
                    where=str(error.filename),
                    expected=f"no file of this computer's own in {self.path}, since it has no key yet",
                    found="one without its other half",
                    todo="move it away, and make the key again: evenstroke setup key",
                ) from error
            except OSError as error:
                raise _cannot_write(self.path, error) from error
            unmade.pop_all()
        return public_path

    def add(self, file: Path) -> Path:
        """Know another computer by its public key; where that is kept. Raises KeyFileError."""
        keys = _keys_in(file)
        if "secret-key" in keys:
            raise KeyFileError(
                "this is a secret key, and secret keys stay where they were made",
                where=str(file),
                expected=f"the public file beside it, NAME{_PUBLIC_SUFFIX}",
                found="a secret key",
                todo="delete this copy, make that computer another key, and bring the public file",
            )
        public = _public_key_in(file)
        kept = self.known_path / f"{file.stem}{_PUBLIC_SUFFIX}"
        try:
            self.known_path.mkdir(parents=True, exist_ok=True)
            if kept.exists() and _public_key_in(kept) != public:
                raise KeyFileError(
                    "another computer is known under this name",
                    where=str(kept),
                    todo="delete that file if it is known no longer, or give the new one's file another name",
                )
            kept.write_text(f'curve\n    public-key = "{public}"\n', encoding="utf-8")
        except OSError as error:
            raise _cannot_write(kept, error) from error
        return kept

    def _secret_path(self) -> Path | None:
        return next(iter(sorted(self.path.glob(f"*{_SECRET_SUFFIX}"))), None) if self.path.is_dir() else None


def _public_key_in(path: Path) -> str:
    key = _keys_in(path).get("public-key")
    if key is None:
        raise _no_key(path, "a public key", "bring the file NAME.key that `evenstroke setup key` made there")
    return key


def _keys_in(path: Path) -> dict[str, str]:
    try:
        return dict(_KEY.findall(path.read_text(encoding="utf-8", errors="replace")))
    except OSError as error:
        raise KeyFileError(
            "the key cannot be read",
            where=str(path),
            found=error.strerror or str(error),
            todo="check the path and who may read it",
        ) from error


def _no_key(path: Path, expected: str, todo: str) -> KeyFileError:
    return KeyFileError(
        "this is not a key file", where=str(path), expected=expected, found="none in it", todo=todo
    )


def _cannot_write(path: Path, error: OSError) -> KeyFileError:
    return KeyFileError(
        "the key cannot be kept",
        where=str(path),
        found=error.strerror or str(error),
        todo=f"{remedy_for(error)}, or name another folder with --keys",
    )
