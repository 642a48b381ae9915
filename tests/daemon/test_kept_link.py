"""What keeps a link up, where the session's tests do not reach: the moment at which it is ended."""

from __future__ import annotations

import pytest
import serial
from evenstroke_daemon.kept_link import KeptLink
from evenstroke_daemon.link import Link
from evenstroke_daemon.link_states import LinkState
from evenstroke_daemon.serial_port import LinkError
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NeedData, Samples


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


def test_what_our_own_run_still_brings_after_the_port_came_back_is_kept(virtual_port):
    port = virtual_port()
    link = Link(
        "PORT",
        1_000_000,
        on_change=lambda status: None,
        stop_wanted=lambda: False,
        monotonic_ns=port.monotonic_ns,
        opener=port.opener,
    )
    kept = KeptLink(link, monotonic_ns=port.monotonic_ns, pause=port.wait)
    kept.open()
    kept.identify()
    got = b"".join(chunk.data for chunk in kept.start(1000, (0, 1)))
    for _ in range(10):
        chunk = kept.read()
        got += chunk.data if chunk is not None else b""

    def gone():
        port.before_read = lambda: None
        raise serial.SerialException("gone for a moment; the board streams on")

    port.before_read = gone
    arrived = bytearray()
    port.damage = lambda data, now: arrived.extend(data) or data
    assert kept.read() is None, "the port is opened again meanwhile"
    assert port.board.streaming
    later = b""
    for _ in range(10):
        chunk = kept.read()
        later += chunk.data if chunk is not None else b""
    assert later == bytes(arrived), "every byte that the port gave is handed on"


def test_what_somebody_else_s_run_brings_is_not_taken_for_ours(virtual_port):
    from evenstroke_protocol.encoder import encode_identify, encode_start

    port = virtual_port()
    port.board.receive(encode_identify(1))
    port.board.receive(encode_start(2, 77, 1000, (0,), False))
    port.wait(0.5)
    port.read(65536)  # what it sent so far went to whoever started it
    link = Link(
        "PORT",
        1_000_000,
        on_change=lambda status: None,
        stop_wanted=lambda: False,
        monotonic_ns=port.monotonic_ns,
        opener=port.opener,
    )
    link.open()
    link.identify()
    decoder = FrameDecoder()
    for chunk in link.start(1000, (0, 1)):
        decoder.receive(chunk.data)
    events = []
    while not isinstance(event := decoder.next_event(), NeedData):
        events.append(event)
    samples = [event for event in events if isinstance(event, Samples)]
    assert samples
    assert 77 not in {event.run for event in samples}
