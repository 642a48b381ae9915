"""The link: to streaming and out of it again, every way that it can fail, and what it says then."""

from __future__ import annotations

import errno
import re
from pathlib import Path

import pytest
import serial
from evenstroke_daemon.link import REAL_TIMING, Link, LinkStopped
from evenstroke_daemon.link_states import TRANSITIONS, LinkEvent, LinkState, after, mermaid
from evenstroke_daemon.serial_port import LinkError, explain, open_serial
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.encoder import encode_hello
from evenstroke_protocol.errors import DeviceProtocolError
from evenstroke_protocol.events import NEED_DATA, Hello, Samples

S = LinkState


def make_link(port, states=None, stop=lambda: False, timing=REAL_TIMING):
    return Link(
        "PORT",
        1_000_000,
        on_change=(lambda status: states.append(status)) if states is not None else lambda _: None,
        stop_wanted=stop,
        monotonic_ns=port.monotonic_ns,
        opener=port.opener,
        timing=timing,
    )


def decoded(chunks):
    decoder = FrameDecoder()
    events = []
    for chunk in chunks:
        decoder.receive(chunk.data)
        while (event := decoder.next_event()) is not NEED_DATA:
            events.append(event)
    return events


def start(link, rate_hz=1000, inputs=(0, 1)):
    link.open()
    link.identify()
    return link.start(rate_hz, inputs)


def test_every_state_can_be_reached_and_left():
    reached = {S.CLOSED}
    while True:
        more = {to for (state, _), to in TRANSITIONS.items() if state in reached} | reached
        if more == reached:
            break
        reached = more
    assert reached == set(S)
    assert {state for state, _ in TRANSITIONS} == set(S)


def test_the_picture_of_the_states_in_the_developers_guide_is_made_from_the_table():
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    assert f"```mermaid\n{mermaid()}\n```" in guide, "paste link_states.mermaid() into DEVELOPERS.md"


def test_a_way_that_does_not_exist_is_a_bug_and_says_which():
    with pytest.raises(ValueError, match=r"closed.*silent"):
        after(S.CLOSED, LinkEvent.SILENT)


def test_gets_to_streaming_and_hands_on_the_bytes_from_the_hello_on(virtual_port):
    port, states = virtual_port(), []
    chunks = start(make_link(port, states))
    assert [s.state for s in states] == [S.OPENING, S.SYNCING, S.STREAMING]
    assert all(s.reason for s in states)
    events = decoded(chunks)
    assert isinstance(events[0], Hello)
    assert any(isinstance(event, Samples) for event in events)
    assert [c.host_ns for c in chunks] == sorted(c.host_ns for c in chunks)


def test_a_board_that_streams_for_somebody_who_is_gone_is_stopped_first(virtual_port):
    port = virtual_port()
    start(make_link(port))
    assert port.board.streaming
    events = decoded(start(make_link(port), rate_hz=2000))
    hellos = [event for event in events if isinstance(event, Hello)]
    assert hellos[0].run == 0
    assert {event.scan_ticks for event in events if isinstance(event, Samples)} == {1000}


def test_silence_stalls_then_fails_with_the_reason(virtual_port):
    port, states = virtual_port(), []
    link = make_link(port, states)
    start(link)
    port.damage = lambda data, now: b""
    with pytest.raises(LinkError, match=r"nothing valid for 5 s.*\n.*do this"):
        while True:
            link.read()
    assert [s.state for s in states][3:] == [S.STALLED, S.FAILED]
    assert "1 s" in states[3].reason
    link.close("done")
    assert states[-1].state is S.FAILED, "why it failed stays to be seen"
    assert port.closed


def test_a_stalled_link_returns_when_the_board_is_heard_again(virtual_port):
    port, states = virtual_port(), []
    link = make_link(port, states)
    start(link)
    quiet_until = port.now_s - port.began_s + 2.0
    port.damage = lambda data, now: b"" if now < quiet_until else data
    while len(states) < 5:
        chunk = link.read()
        if chunk is not None:
            link.decoded(chunk.host_ns, True)
    assert [s.state for s in states][3:] == [S.STALLED, S.STREAMING]


def test_a_line_that_carries_only_garbage_counts_as_silent(virtual_port):
    port, states = virtual_port(), []
    link = make_link(port, states)
    start(link)
    port.damage = lambda data, now: b"\xa5" * 100
    with pytest.raises(LinkError, match="nothing valid"):
        while True:
            chunk = link.read()
            link.decoded(chunk.host_ns, False)


def test_bytes_that_still_wait_to_be_decoded_do_not_look_like_silence(virtual_port):
    port, states = virtual_port(), []
    link = make_link(port, states)
    start(link)
    for _ in range(1000):  # 20 s, nothing of it decoded yet
        link.read()
    assert states[-1].state is S.STREAMING


def test_a_port_that_says_nothing(virtual_port):
    port, states = virtual_port(), []
    port.damage = lambda data, now: b""
    with pytest.raises(LinkError, match=r"nothing answers.*10 times in 5 s") as caught:
        start(make_link(port, states))
    assert "not one byte" in str(caught.value)
    assert states[-1].state is S.FAILED


def test_a_port_that_speaks_something_else(virtual_port):
    port = virtual_port()
    port.damage = lambda data, now: b"$READY 12.5\r\n"
    with pytest.raises(LinkError, match="not a board's stream") as caught:
        start(make_link(port))
    assert "24 52 45 41 44 59" in caught.value.found
    assert "1000000 baud" in caught.value.todo


def test_a_board_of_another_protocol_version(virtual_port):
    import dataclasses

    port = virtual_port()
    other = encode_hello(dataclasses.replace(port.board.hello, protocol_version=7))
    port.damage = lambda data, now: other
    with pytest.raises(DeviceProtocolError, match="another version") as caught:
        start(make_link(port))
    assert "version 1" in caught.value.expected
    assert "version 7" in caught.value.found


def test_a_board_that_declines_to_start_says_why(virtual_port):
    with pytest.raises(LinkError, match=r"declines to start at 1234 Hz") as caught:
        start(make_link(virtual_port()), rate_hz=1234)
    assert "rate not possible" in caught.value.found


def test_a_lost_command_is_sent_again(virtual_port):
    port = virtual_port()
    receive = port.board.receive
    seen = []

    def lose_every_first(data):
        kind = data[1]  # behind the first COBS byte
        if kind in seen:
            receive(data)
        seen.append(kind)

    port.board.receive = lose_every_first
    events = decoded(start(make_link(port)))
    assert any(isinstance(event, Samples) for event in events)
    assert len(set(seen)) == 2
    assert len(seen) == 4


def test_stop_is_obeyed_while_the_board_is_awaited(virtual_port):
    port = virtual_port()
    port.damage = lambda data, now: b""
    link = make_link(port, stop=lambda: port.now_s > port.began_s + 1)
    with pytest.raises(LinkStopped):
        start(link)
    link.close("stopped")
    assert link.status.state is S.CLOSED
    assert port.now_s < port.began_s + 1.1


def test_a_port_that_is_pulled_out(virtual_port):
    port, states = virtual_port(), []
    link = make_link(port, states)
    start(link)

    def gone():
        raise serial.SerialException("device reports readiness to read but returned no data")

    port.before_read = gone
    with pytest.raises(LinkError, match="went away") as caught:
        link.read()
    assert caught.value.found == "the connection was closed"
    assert states[-1].state is S.FAILED


# --- ports that do not open ---------------------------------------------------------------------


def opening(error):
    def opener(port, baud, timeout_s):
        raise error

    states = []
    link = Link(
        "/dev/null",
        9600,
        on_change=states.append,
        stop_wanted=lambda: False,
        monotonic_ns=lambda: 0,
        opener=opener,
    )
    with pytest.raises(LinkError) as caught:
        link.open()
    assert [s.state for s in states] == [S.OPENING, S.FAILED]
    assert caught.value.__cause__ is error
    return caught.value


def test_no_permission_names_the_group_and_the_command(monkeypatch):
    # /dev/null stands for the device; the group that it has would be no help, as test_selfcheck.py asks.
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setattr("evenstroke_daemon.serial_port._group_of", lambda port: "dialout")
    error = opening(serial.SerialException(errno.EACCES, "could not open port: Permission denied"))
    assert "no permission" in error.problem
    assert "usermod -aG dialout $USER" in error.todo
    assert "log out" in error.todo


@pytest.mark.parametrize("number", [errno.EBUSY, errno.EAGAIN])
def test_a_busy_port(number):
    assert "in use" in opening(serial.SerialException(number, "Could not exclusively lock port")).problem


def test_no_such_port_lists_those_that_exist(monkeypatch):
    class Info:
        device, description = "/dev/ttyX9", "a board"

        def __lt__(self, other):
            return False

    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [Info()])
    error = explain("/dev/nope", FileNotFoundError(errno.ENOENT, "No such file or directory"))
    assert "no such port" in error.problem
    assert "/dev/ttyX9 (a board)" in error.expected


def test_ports_that_do_not_open_for_real(tmp_path):
    for port, said in (
        (str(tmp_path / "none"), "no such port"),
        ("/dev/null", "not a serial port"),
        ("socket://127.0.0.1:1", "connection could not be made"),
        ("socket://127.0.0.1:99999", "no address"),
        ("socket://foo", "no address"),
        ("nonsense://x", "no address"),
        (str(Path(__file__)), "not a serial port"),
    ):
        with pytest.raises((OSError, ValueError)) as caught:
            open_serial(port, 9600, 0.02)
        error = explain(port, caught.value)
        assert re.search(said, error.problem), port
        assert error.todo
        # What a library puts around it helps nobody.
        assert not re.search(
            r"could not|expected a string|\[?Errno|\(\d+, |protocol \"", error.found, re.IGNORECASE
        )


def test_an_ordinary_file_and_a_folder_are_named_as_such(tmp_path):
    (tmp_path / "file").touch()
    for name, is_one in (("file", "an ordinary file"), ("", "a folder")):
        port = str(tmp_path / name)
        with pytest.raises(OSError) as caught:
            open_serial(port, 9600, 0.02)
        assert explain(port, caught.value).found == is_one


def test_a_port_that_says_nothing_of_itself_is_named_alone(monkeypatch):
    class Info:
        device, description = "/dev/ttyX9", "n/a"

    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [Info()])
    assert explain("/dev/nope", FileNotFoundError(errno.ENOENT, "none")).expected == "one of: /dev/ttyX9"


def test_a_device_that_goes_away_while_it_is_set_up(monkeypatch):
    termios = pytest.importorskip("termios", reason="no termios here: its errors cannot come")

    def vanish(*_, **__):
        raise termios.error(errno.EIO, "Input/output error")

    monkeypatch.setattr(serial, "serial_for_url", vanish)
    with pytest.raises(OSError, match="Input/output error") as caught:
        open_serial("/dev/ttyX9", 9600, 0.02)
    assert caught.value.errno == errno.EIO
