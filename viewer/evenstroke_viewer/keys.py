"""The keys, and what each does: one table for the shortcuts, the help over the window and the handbook. No Qt here."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Does(enum.Enum):
    """What a key asks for."""

    VIEW = "show a view: the number before its name"
    NEXT_VIEW = "the next view"
    MARK = "mark this moment with a note"
    RECORD = "begin a recording, or close the open one"
    UNIT = "the next unit of pressure: kPa, bar, psi, inHg"
    THEME = "dark or light"
    LARGER = "larger type"
    NOMINAL = "type of the nominal size"
    SAVE = "save this view as a picture, PNG or SVG"
    FULL = "fill the screen, or not"
    HELP = "show or hide these keys"
    PAUSE = "pause the replay, or go on"
    CYCLE = "one engine cycle, then pause"
    BACK = "10 s back"
    FORWARD = "10 s forward"
    SECOND_BACK = "1 s back"
    SECOND_ON = "1 s forward"
    FASTER = "replay twice as fast"
    SLOWER = "replay half as fast"
    STAY = "give up a jump that is being worked through"
    QUIT = "end"


@dataclass(frozen=True, slots=True)
class Key:
    """sequence: as Qt writes it; only_replay: it means nothing on a live stream."""

    sequence: str
    does: Does
    only_replay: bool = False


KEYS = (
    Key("Ctrl+Tab", Does.NEXT_VIEW),
    Key("M", Does.MARK),
    Key("R", Does.RECORD),
    Key("U", Does.UNIT),
    Key("D", Does.THEME),
    Key("L", Does.LARGER),
    Key("0", Does.NOMINAL),
    Key("Ctrl+S", Does.SAVE),
    Key("F11", Does.FULL),
    Key("F1", Does.HELP),
    Key("Space", Does.PAUSE, only_replay=True),
    Key("N", Does.CYCLE, only_replay=True),
    Key("B", Does.BACK, only_replay=True),
    Key("F", Does.FORWARD, only_replay=True),
    Key(",", Does.SECOND_BACK, only_replay=True),
    Key(".", Does.SECOND_ON, only_replay=True),
    Key("+", Does.FASTER, only_replay=True),
    Key("-", Does.SLOWER, only_replay=True),
    Key("Esc", Does.STAY, only_replay=True),
    Key("Ctrl+Q", Does.QUIT),
)


def help_lines(*, replay: bool) -> tuple[tuple[str, str], ...]:
    """Each key and what it does."""
    lines = [("1 to 8", Does.VIEW.value)]
    lines += [(key.sequence, key.does.value) for key in KEYS if replay or not key.only_replay]
    return tuple(lines)
