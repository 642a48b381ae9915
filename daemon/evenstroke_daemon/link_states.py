"""The states of the link to a board and every way from one to another.

    closed ──open──> opening ──opened──> syncing ──started──> streaming <──returned── stalled
      ^                 │                   │                     └────silent────────────^
      └──close── (any)  └──────── lost ─────┴───────── lost (from any of them) ──> failed

opening: the port is being opened. syncing: the port is open, the board is being identified and told to
start. streaming: valid frames come. stalled: the port is open and nothing valid comes. failed: given
up, with the reason; opening again is the only way on.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass


class LinkState(enum.Enum):
    CLOSED = "closed"
    OPENING = "opening"
    SYNCING = "syncing"
    STREAMING = "streaming"
    STALLED = "stalled"
    FAILED = "failed"


class LinkEvent(enum.Enum):
    OPEN = "open"
    OPENED = "opened"
    STARTED = "started"
    SILENT = "silent"
    RETURNED = "returned"
    LOST = "lost"
    CLOSE = "close"


TRANSITIONS: dict[tuple[LinkState, LinkEvent], LinkState] = {
    (LinkState.CLOSED, LinkEvent.OPEN): LinkState.OPENING,
    (LinkState.OPENING, LinkEvent.OPENED): LinkState.SYNCING,
    (LinkState.OPENING, LinkEvent.LOST): LinkState.FAILED,
    (LinkState.OPENING, LinkEvent.CLOSE): LinkState.CLOSED,
    (LinkState.SYNCING, LinkEvent.STARTED): LinkState.STREAMING,
    (LinkState.SYNCING, LinkEvent.LOST): LinkState.FAILED,
    (LinkState.SYNCING, LinkEvent.CLOSE): LinkState.CLOSED,
    (LinkState.STREAMING, LinkEvent.SILENT): LinkState.STALLED,
    (LinkState.STREAMING, LinkEvent.LOST): LinkState.FAILED,
    (LinkState.STREAMING, LinkEvent.CLOSE): LinkState.CLOSED,
    (LinkState.STALLED, LinkEvent.RETURNED): LinkState.STREAMING,
    (LinkState.STALLED, LinkEvent.LOST): LinkState.FAILED,
    (LinkState.STALLED, LinkEvent.CLOSE): LinkState.CLOSED,
    (LinkState.FAILED, LinkEvent.OPEN): LinkState.OPENING,
    (LinkState.FAILED, LinkEvent.CLOSE): LinkState.CLOSED,
}


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """The state that the link is in, and why it came there, in words for a user."""

    state: LinkState
    reason: str


def after(state: LinkState, event: LinkEvent) -> LinkState:
    """The state that follows. Raises ValueError for a way that does not exist (a bug of ours)."""
    try:
        return TRANSITIONS[state, event]
    except KeyError:
        raise ValueError(f"a link that is {state.value} has no way out by {event.value!r}") from None
