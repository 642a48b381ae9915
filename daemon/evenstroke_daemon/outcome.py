"""How a command ended, other than by an error. Commands return one; `command_line.main` gives it a number."""

from __future__ import annotations

import enum


class Outcome(enum.Enum):
    DONE = "done"
    DONE_WITH_LOSS = "done, with something lost"
