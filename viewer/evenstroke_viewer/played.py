"""The recording that a window plays: its file, and the set-up that it is played with. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Played:
    """setup_text: TOML, as the recording carries it, or of the file or name that was given instead of it; setup_name:
    which of these it is, for people."""

    path: Path
    setup_text: str
    setup_name: str
