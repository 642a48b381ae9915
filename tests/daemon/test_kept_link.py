"""What keeps a link up, where the session's tests do not reach: the moment at which it is ended."""

from __future__ import annotations

import pytest
import serial
from evenstroke_daemon.kept_link import KeptLink
from evenstroke_daemon.link import Link
from evenstroke_daemon.link_states import LinkState
from evenstroke_daemon.serial_port import LinkError


def stopping(port, states):
    """A link that streamed and has told the board to stop."""
    link = Link(
        "PORT",
        1_000_000,
        on_change=states.append,
        stop_wanted=lambda: False,
        monotonic_ns=port.monotonic_ns,
        opener=port.opener,
    )
    kept = KeptLink(link, monotonic_ns=port.monotonic_ns, pause=port.wait)
    kept.open()
    kept.identify()
    for _ in kept.start(1000, (0, 1)):
        kept.read()
    kept.stop()
    return kept


def test_a_port_that_goes_away_while_the_board_stops_is_said_and_not_waited_for(virtual_port):
    port, states = virtual_port(), []
    kept = stopping(port, states)

    def gone():
        raise serial.SerialException("device reports readiness to read but returned no data")

    port.before_read = gone
    with pytest.raises(LinkError, match="went away"):
        kept.read()
    kept.close("done")
    assert states[-1].state is LinkState.FAILED
    assert port.now_s < port.began_s + 5


def test_a_board_that_is_reset_while_it_stops_is_not_started_again(virtual_port):
    port = virtual_port()
    kept = stopping(port, [])
    port.board.reset()
    kept.read()
    kept.board_was_reset(port.monotonic_ns())
    kept.read()
    assert not port.board.streaming
