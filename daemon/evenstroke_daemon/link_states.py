"""The states of the link to a board and every way from one to another: one table.

closed: no port. opening: the port is being opened. syncing: the port is open, the board is being
identified and told to start. streaming: valid frames come. stalled: a board that streamed is not
heard; its port is open and silent, or gone and waited for. failed: given up, with the
reason; opening again is the only way on.

DEVELOPERS.md shows the same as a picture, made by `mermaid` below.
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
    RESET = "reset"  # the board began anew while it streamed
    GONE = "gone"  # lost, but to be tried again
    LOST = "lost"  # given up
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
    (LinkState.OPENING, LinkEvent.GONE): LinkState.STALLED,
    (LinkState.SYNCING, LinkEvent.GONE): LinkState.STALLED,
    (LinkState.STREAMING, LinkEvent.GONE): LinkState.STALLED,
    (LinkState.STREAMING, LinkEvent.RESET): LinkState.SYNCING,
    (LinkState.STALLED, LinkEvent.GONE): LinkState.STALLED,
    (LinkState.STALLED, LinkEvent.RESET): LinkState.SYNCING,
    (LinkState.STALLED, LinkEvent.OPEN): LinkState.OPENING,
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


def mermaid() -> str:
    """The table as a state diagram in Mermaid's notation, for DEVELOPERS.md."""
    lines = ["stateDiagram-v2", f"    [*] --> {LinkState.CLOSED.value}"]
    ways: dict[tuple[LinkState, LinkState], list[str]] = {}
    for (state, event), to in TRANSITIONS.items():
        ways.setdefault((state, to), []).append(event.value)
    lines += [f"    {a.value} --> {b.value}: {', '.join(events)}" for (a, b), events in ways.items()]
    return "\n".join(lines)
