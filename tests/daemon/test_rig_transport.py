"""The virtual board behind a real pseudo-terminal and a real TCP port, and the command that starts it."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import serial
from click.testing import CliRunner
from evenstroke_daemon.command_rig import command
from evenstroke_daemon.rig_transport import FlatOut, PtyEndpoint, RealTime, TcpEndpoint, serve
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NEED_DATA, Ack, Counters, Event, Hello, Samples
from evenstroke_replay.rig_faults import Fault, FaultKind, FaultyBoard
from evenstroke_replay.rig_source import RigError
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

ENOUGH_S = 60.0
"""Bound for waiting on other processes and threads; reached only when something hangs."""

posix = pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals here: they were not checked")
ENDPOINTS = [pytest.param("pty", marks=posix), "tcp"]


def endpoint_of(kind: str) -> PtyEndpoint | TcpEndpoint:
    return PtyEndpoint() if kind == "pty" else TcpEndpoint(0)


class Said:
    """What the rig said, line by line; other threads can wait for a line."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._changed = threading.Condition()

    def __call__(self, line: str) -> None:
        with self._changed:
            self.lines.append(line)
            self._changed.notify_all()

    def wait_for(self, line: str, times: int = 1) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: self.lines.count(line) >= times, ENOUGH_S)


@contextlib.contextmanager
def served(board: VirtualBoard | FaultyBoard, endpoint: PtyEndpoint | TcpEndpoint) -> Iterator[Said]:
    """The board on its endpoint in a thread; gives what it says, and ends with the block."""
    ended = threading.Event()
    said = Said()
    thread = threading.Thread(
        target=serve, args=(board, endpoint, FlatOut(), ended.is_set), kwargs={"say": said}
    )
    thread.start()
    try:
        yield said
    finally:
        ended.set()
        thread.join(ENOUGH_S)
        assert not thread.is_alive()


class Host:
    """A host with pyserial, as the daemon has."""

    def __init__(self, address: str) -> None:
        self._port = serial.serial_for_url(address, baudrate=1_000_000, timeout=ENOUGH_S)
        self._decoder = FrameDecoder()

    def say(self, *commands: bytes) -> None:
        self._port.write(b"".join(commands))

    def hear(self, kind: type) -> Event:
        """The next event of that kind."""
        while True:
            event = self.next()
            if isinstance(event, kind):
                return event

    def next(self) -> Event:
        while (event := self._decoder.next_event()) is NEED_DATA:
            data = self._port.read(1)
            assert data, "nothing came from the board"
            self._decoder.receive(data)
        return event

    def close(self) -> None:
        self._port.close()


def counting_host(address: str, run: int) -> Host:
    """A host that has seen 300 scans of the counting signal of a run."""
    host = Host(address)
    host.say(encoder.encode_identify(1), encoder.encode_start(2, run, 5000, (0, 1), True))
    hello = host.next()
    assert isinstance(hello, Hello)
    assert hello.run == 0
    counts: list[np.ndarray] = []
    while sum(map(len, counts)) < 300:
        event = host.hear(Samples)
        assert isinstance(event, Samples)
        assert event.run == run
        counts.append(event.counts)
    got = np.concatenate(counts).ravel()
    assert np.array_equal(got, np.arange(got.size) % 4096)
    return host


@pytest.mark.parametrize("kind", ENDPOINTS)
def test_a_host_that_comes_back_finds_a_board_that_does_not_stream(kind: str, flat_source: type) -> None:
    endpoint = endpoint_of(kind)
    with served(VirtualBoard(flat_source()), endpoint) as said:
        counting_host(endpoint.address, 1).close()
        said.wait_for("the host has gone")
        host = counting_host(endpoint.address, 2)
        host.say(encoder.encode_stop(3))
        last = host.hear(Counters)
        assert isinstance(last, Counters)
        ack = host.hear(Ack)
        assert isinstance(ack, Ack)
        host.close()
    assert said.lines[:4] == ["a host is here", "streaming", "the host has gone", "not streaming"]


@posix
def test_a_pseudo_terminal_changes_no_byte_and_echoes_none(flat_source: type) -> None:
    board = VirtualBoard(flat_source(), BoardOptions(adc_bits=10))
    endpoint = PtyEndpoint()
    with served(board, endpoint) as said:
        for run in (1, 2):  # the second time after a close, with no host setting the line
            fd = os.open(endpoint.address, os.O_RDWR | os.O_NOCTTY)
            os.write(
                fd, encoder.encode_identify(0x0A0D) + encoder.encode_start(0x0304, run, 5000, (0, 1), True)
            )
            decoder = FrameDecoder()
            scans, counts, acks = 0, [], []
            # Counts from 0 up hold every control character, Ctrl-C and Ctrl-S among them.
            while scans < 2000:
                decoder.receive(os.read(fd, 4096))
                while (event := decoder.next_event()) is not NEED_DATA:
                    assert not isinstance(event, Counters) or event.commands_rejected == 0
                    if isinstance(event, Ack):
                        acks.append(event.token)
                    if isinstance(event, Samples):
                        counts.append(event.counts)
                        scans += len(event.counts)
            got = np.concatenate(counts).ravel()
            assert np.array_equal(got, np.arange(got.size) % 1024)
            assert acks == [0x0A0D, 0x0304]
            os.close(fd)
            said.wait_for("the host has gone", run)


def test_a_second_host_on_tcp_is_turned_away(flat_source: type) -> None:
    endpoint = TcpEndpoint(0)
    with served(VirtualBoard(flat_source()), endpoint):
        first = counting_host(endpoint.address, 1)
        second = serial.serial_for_url(endpoint.address, timeout=ENOUGH_S)
        with pytest.raises(serial.SerialException):
            second.read(1)
        second.close()
        assert isinstance(first.hear(Samples), Samples)
        first.close()


def test_a_port_that_is_taken_is_refused() -> None:
    endpoint = TcpEndpoint(0)
    with contextlib.closing(endpoint), pytest.raises(RigError) as caught:
        TcpEndpoint(int(endpoint.address.rpartition(":")[2]))
    assert "choose another port" in caught.value.todo


@pytest.mark.parametrize("kind", ENDPOINTS)
def test_a_port_that_vanishes_comes_back_under_the_same_address(kind: str, flat_source: type) -> None:
    endpoint = PtyEndpoint(keep_name=True) if kind == "pty" else TcpEndpoint(0)
    address = endpoint.address
    board = FaultyBoard(VirtualBoard(flat_source()), [Fault(1.0, FaultKind.VANISH, lasts_s=0.3)])
    with served(board, endpoint) as said:
        first = counting_host(address, 1)
        with pytest.raises(serial.SerialException):
            while True:
                first.next()
        first.close()
        said.wait_for("the port is gone")
        said.wait_for("the port is back")
        assert endpoint.address == address
        counting_host(address, 2).close()
        said.wait_for("the host has gone", 2)
    order = [line for line in said.lines if line.startswith("the port")]
    assert order == ["the port is gone", "the port is back"]
    if kind == "pty":
        assert not Path(address).parent.exists(), "nothing is left behind"


@pytest.mark.parametrize("kind", ENDPOINTS)
def test_a_hidden_port_cannot_be_opened_and_hears_nothing(kind: str) -> None:
    endpoint = PtyEndpoint(keep_name=True) if kind == "pty" else TcpEndpoint(0)
    with contextlib.closing(endpoint):
        endpoint.hide()
        with pytest.raises(serial.SerialException):
            serial.serial_for_url(endpoint.address, timeout=ENOUGH_S)
        assert endpoint.read() is None
        assert endpoint.write(b"lost") == 0
        endpoint.show()
        serial.serial_for_url(endpoint.address, timeout=ENOUGH_S).close()
        endpoint.hide()  # ended while it is away


# --- pace, on a clock that only waiting moves -----------------------------------------------------


@dataclass
class FakeEndpoint:
    """A host that sends its commands at once and takes `takes` bytes at each look."""

    clock: FakeClock
    to_send: list[bytes | None]
    takes: int = 1 << 30
    got: bytearray = field(default_factory=bytearray)
    address: str = "nowhere"
    closed: bool = False

    def wait(self, seconds: float, *, to_write: bool) -> None:
        self.clock.now += seconds

    def read(self) -> bytes | None:
        return self.to_send.pop(0) if self.to_send else b""

    def write(self, data: bytes | bytearray) -> int:
        taken = min(self.takes, len(data))
        self.got += data[:taken]
        return taken

    def close(self) -> None:
        self.closed = True


@dataclass
class FakeClock:
    now: float = 50.0

    def monotonic(self) -> float:
        return self.now


START = encoder.encode_start(1, 1, 10_000, (0, 1), True)


@pytest.mark.parametrize("speed", [0.5, 1.0, 8.0])
def test_the_board_lives_at_the_pace_of_the_clock(speed: float, flat_source: type) -> None:
    clock = FakeClock()
    board = VirtualBoard(flat_source(), BoardOptions(baud=None))
    host = FakeEndpoint(clock, [START])
    serve(board, host, RealTime(clock, speed), ended=lambda: clock.now >= 54.0)
    assert board.now_s == pytest.approx(4.0 * speed, abs=0.011 * speed)
    assert host.closed
    decoder = FrameDecoder()
    decoder.receive(host.got)
    scans = 0
    while (event := decoder.next_event()) is not NEED_DATA:
        scans += len(event.counts) if isinstance(event, Samples) else 0
    assert scans == pytest.approx(40_000 * speed, abs=600 * max(speed, 1.0))


def test_a_slow_host_holds_the_board_back_and_loses_nothing(flat_source: type) -> None:
    clock = FakeClock()
    board = VirtualBoard(flat_source(), BoardOptions(baud=None))
    host = FakeEndpoint(clock, [START], takes=50)  # 10 kB/s of some 35
    serve(board, host, RealTime(clock), ended=lambda: clock.now >= 90.0)
    assert board.now_s < 39.0
    decoder = FrameDecoder()
    decoder.receive(host.got)
    counts = []
    while (event := decoder.next_event()) is not NEED_DATA:
        if isinstance(event, Samples):
            counts.append(event.counts)
    got = np.concatenate(counts).ravel()
    assert np.array_equal(got, np.arange(got.size) % 4096)


def test_a_host_that_goes_ends_the_run(flat_source: type) -> None:
    clock = FakeClock()
    board = VirtualBoard(flat_source())
    host = FakeEndpoint(clock, [START, *[b""] * 100, None, None, b""])
    serve(board, host, RealTime(clock), ended=lambda: not host.to_send)
    assert not board.streaming


# --- the command ------------------------------------------------------------------------------------


@contextlib.contextmanager
def rig_process(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    program = "import sys; from evenstroke_daemon.command_line import main; sys.exit(main())"
    process = subprocess.Popen(
        [sys.executable, "-c", program, "rig", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield process, process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize(
    ("arguments", "number"),
    [pytest.param((), signal.SIGINT, marks=posix), (("--tcp", "0"), signal.SIGTERM)],
    ids=["pty", "tcp"],
)
def test_the_command_prints_its_address_first_streams_the_demo_and_ends_well(
    arguments: tuple[str, ...], number: int
) -> None:
    with rig_process(*arguments, "--speed", "4") as (process, address):
        assert address.startswith("socket://127.0.0.1:" if arguments else "/dev/")
        host = Host(address)
        host.say(encoder.encode_identify(1))
        hello = host.hear(Hello)
        assert isinstance(hello, Hello)
        assert len(hello.inputs) >= 8
        host.say(encoder.encode_start(2, 1, 10_000, tuple(range(8)), False))
        assert isinstance(host.hear(Samples), Samples)
        host.close()
        if os.name == "posix":
            process.send_signal(number)
            out, err = process.communicate(timeout=ENOUGH_S)
            assert process.returncode == 0
            assert out == ""
            assert "simulation: no engine turns" in err


def test_the_command_plays_a_capture(tmp_path: Path) -> None:
    (tmp_path / "my.toml").write_text(
        "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
        '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
    )
    rows = "".join(f"{k / 1000},{1.0 + k / 1000}\n" for k in range(1000))
    (tmp_path / "capture.csv").write_text("t,intake\n" + rows)
    arguments = ("--tcp", "0", "--flat-out", "--setup", str(tmp_path / "my.toml"), "--time", "t")
    with rig_process(*arguments, "--play", str(tmp_path / "capture.csv")) as (_, address):
        host = Host(address)
        host.say(encoder.encode_start(2, 1, 1000, (0,), False))
        counts: list[int] = []
        while len(counts) < 900:
            event = host.hear(Samples)
            assert isinstance(event, Samples)
            counts += event.counts[:, 0].tolist()
        host.close()
    # Volts from 1 V on, 1 V a second, in 12 bits of 5 V.
    expected = np.floor((1.0 + np.arange(len(counts)) / 1000) * 4096 / 5)
    assert np.array(counts[:900]) == pytest.approx(expected[:900], abs=1)


def test_the_command_ends_by_itself_after_its_seconds() -> None:
    result = CliRunner().invoke(command, ["--tcp", "0", "--seconds", "0.05"])
    assert result.exit_code == 0
    assert result.stdout.startswith("socket://127.0.0.1:")
    assert len(result.stdout.splitlines()) == 1


def test_help_has_an_example_and_the_caution() -> None:
    text = CliRunner().invoke(command, ["--help"]).output
    assert "evenstroke rig" in text
    assert "no engine turns" in " ".join(text.split())


@pytest.mark.parametrize(
    "arguments",
    [
        ["--alter", "nosuch", "2", "-9"],
        ["--alter", "intake", "9", "-9"],
        ["--rpm", "99999"],
        ["--setup", "no-such-set-up"],
        ["--play", "no-such-file.mcap"],
    ],
)
def test_what_the_rig_cannot_do_is_an_error_of_ours(arguments: list[str]) -> None:
    from evenstroke_protocol.errors import EvenstrokeError

    result = CliRunner().invoke(command, [*arguments, "--seconds", "0.01"])
    assert isinstance(result.exception, EvenstrokeError)
    assert result.stdout == ""


@pytest.mark.parametrize(
    "arguments", [["--play", "x.csv"], ["--time", "t"], ["--play", "x.mcap", "--alter", "intake", "2", "-9"]]
)
def test_options_that_do_not_go_together_are_a_wrong_command_line(arguments: list[str]) -> None:
    assert CliRunner().invoke(command, arguments).exit_code == 2
