"""Everything that can be handed in wrong: one clear message, the contract's exit code, no traceback.

0 done, 1 could not be done, 2 wrong command line, 3 done with samples lost.
"""

from __future__ import annotations

import dataclasses
import errno
import os
import sys
import threading
from contextlib import contextmanager

import pytest
import serial
from evenstroke_daemon.command_line import main
from evenstroke_protocol.encoder import encode_hello
from evenstroke_replay.setup_files import load_setup
from setup_texts import CANNOT_START, FOUR, intake, sampled, spark

needs_pty = pytest.mark.skipif(
    sys.platform == "win32", reason="not checked here: Windows has no pseudo-terminals"
)

BENCH = (
    FOUR.replace("[engine]", 'title = "bench"\n[engine]')
    + CANNOT_START
    + sampled(1000)
    + intake(input=0)
    + spark(input=1)
)

CSV_SETUP = (
    BENCH.replace("[acquisition]\nrate_hz = 1000\n", "").replace("input = 0", "").replace("input = 1", "")
)


@pytest.fixture
def setup_file(tmp_path):
    def write(text=BENCH):
        path = tmp_path / "setup.toml"
        path.write_text(text)
        return str(path)

    return write


def run(capsys, *arguments):
    code = main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def refused(capsys, *arguments, says, count=1):
    """It ends with 1, nothing on stdout, and one message on stderr that says these things."""
    code, out, err = run(capsys, *arguments)
    assert code == 1, err
    assert out == ""
    message = err[err.index("evenstroke: ") :]
    assert message.count("evenstroke: ") == count
    for words in says:
        assert words in message, message
    return message


# --- the port ------------------------------------------------------------------------------------


@contextmanager
def something_on_a_pty(answer):
    """A pseudo-terminal on which `answer(what the host sent)` gives the bytes that come back."""
    import pty
    import select
    import tty

    master, slave = pty.openpty()
    tty.setraw(slave)
    done = threading.Event()

    def talk():
        while not done.is_set():
            # Reading first: a board is asked before it speaks.
            if select.select([master], [], [], 0.02)[0]:
                os.write(master, answer(os.read(master, 4096)))

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        done.set()
        thread.join()
        os.close(master)
        os.close(slave)


def listening(port, setup):
    return "listen", "--port", port, "--setup", setup, "--publish", "none"


def test_a_port_that_is_not_there(capsys, setup_file, tmp_path):
    refused(
        capsys,
        *listening(tmp_path / "ttyNONE", setup_file()),
        says=["no such port", "expected: one of:", "do this:"],
    )


def test_a_port_that_is_no_serial_port(capsys, setup_file):
    refused(capsys, *listening("/dev/null", setup_file()), says=["not a serial port"])


def test_a_socket_that_nobody_answers(capsys, setup_file):
    refused(capsys, *listening("socket://127.0.0.1:1", setup_file()), says=["connection could not be made"])


@needs_pty
def test_a_port_that_another_program_holds(capsys, setup_file):
    with something_on_a_pty(lambda data: b"") as port, serial.Serial(port, exclusive=True):
        refused(
            capsys, *listening(port, setup_file()), says=["the port is in use", "close the other program"]
        )


@needs_pty
def test_a_port_that_one_may_not_open(capsys, setup_file, monkeypatch):
    # root may open anything, so the operating system's refusal is handed in.
    def deny(port, baud, timeout_s):
        raise serial.SerialException(
            errno.EACCES, f"could not open port {port}: [Errno 13] Permission denied"
        )

    monkeypatch.setattr("evenstroke_daemon.command_listen.open_serial", deny)
    # Whom a pseudo-terminal belongs to differs from system to system.
    monkeypatch.setattr("evenstroke_daemon.serial_port._group_of", lambda port: "dialout")
    with something_on_a_pty(lambda data: b"") as port:
        refused(
            capsys,
            *listening(port, setup_file()),
            says=["no permission to open the port", "usermod -aG dialout"],
        )


@needs_pty
def test_garbage_on_the_line(capsys, setup_file):
    with something_on_a_pty(lambda data: b"TEMP 21.5 C\r\n" * 8) as port:
        refused(
            capsys,
            *listening(port, setup_file()),
            says=["not a board's stream", "54 45 4d 50", "at 1000000 baud"],
        )


@needs_pty
def test_a_board_that_speaks_another_version(capsys, setup_file):
    from evenstroke_replay.rig_engine import EngineSource
    from evenstroke_replay.virtual_board import VirtualBoard

    hello = VirtualBoard(EngineSource(load_setup("demo")[0])).hello
    other = encode_hello(dataclasses.replace(hello, protocol_version=2))
    with something_on_a_pty(lambda data: other) as port:
        refused(
            capsys,
            *listening(port, setup_file()),
            says=["another version", "version 1, which this evenstroke speaks", "version 2", "firmware"],
        )


# --- the set-up ----------------------------------------------------------------------------------

BAD_SETUPS = {
    "unknown key": (BENCH.replace("cylinders = 4", "cylinders = 4\nspark_plugs = 4"), ["spark_plugs"]),
    "impossible firing order": (BENCH.replace("[1, 3, 4, 2]", "[1, 3, 4, 4]"), ["firing_order"]),
    "intervals not 720": (
        BENCH.replace("[conditions]", "firing_intervals_deg = [180, 180, 180, 90]\n[conditions]"),
        ["firing_intervals_deg", "720"],
    ),
    "two probes on one input": (BENCH.replace("input = 1", "input = 0"), ["input"]),
    "not TOML": (BENCH.replace("schema = 1", "schema = = 1"), ["line"]),
    "no probe": (BENCH[: BENCH.index("[[probe]]")], ["probe"]),
}


@pytest.mark.parametrize("bad", BAD_SETUPS)
@pytest.mark.parametrize("how", ["check", "listen", "judge"])
def test_a_set_up_that_cannot_be(capsys, setup_file, tmp_path, bad, how):
    text, says = BAD_SETUPS[bad]
    path = setup_file(text)
    arguments = {
        "check": ("setup", "check", path),
        "listen": listening(tmp_path / "ttyNONE", path),
        "judge": ("judge", tmp_path / "x.csv", "--setup", path),
    }[how]
    message = refused(capsys, *arguments, says=says)
    assert "no such port" not in message, "the set-up is looked at before the port"


def test_a_set_up_that_is_not_there(capsys, tmp_path):
    refused(capsys, "setup", "check", tmp_path / "none.toml", says=["no such file or shipped set-up", "demo"])


def test_a_set_up_for_captures_cannot_run_a_board(capsys, setup_file, tmp_path):
    path = setup_file(CSV_SETUP)
    refused(capsys, *listening(tmp_path / "ttyNONE", path), says=["acquisition", "rate_hz"])


DANGEROUS = BENCH.replace('fuel = "disabled"', 'fuel = "on"')


def test_a_dangerous_set_up_is_refused_before_the_port_is_opened(capsys, setup_file, tmp_path):
    message = refused(
        capsys,
        *listening(tmp_path / "ttyNONE", setup_file(DANGEROUS)),
        says=["dangerous", "fuel", "acknowledged"],
    )
    assert "no such port" not in message


def test_the_same_set_up_acknowledged_gets_as_far_as_the_port(capsys, setup_file, tmp_path):
    text = DANGEROUS.replace("[acquisition]", 'acknowledged = ["fuel_on_ignition_disabled"]\n[acquisition]')
    refused(capsys, *listening(tmp_path / "ttyNONE", setup_file(text)), says=["no such port"])


def test_checking_a_dangerous_set_up_states_the_danger_and_is_done(capsys, setup_file):
    code, out, _ = run(capsys, "setup", "check", setup_file(DANGEROUS))
    assert code == 0
    assert "listen` will refuse" in out


# --- captures and recordings ---------------------------------------------------------------------

BAD_CSV = {
    "missing columns": ("time_s,intake\n0,1\n0.001,1\n0.002,1\n", ["spark"]),
    "text in a number": ("time_s,intake,spark\n0,1,0\n0.001,abc,0\n0.002,1,0\n", ["abc", "line 3", "intake"]),
    "no time column": ("t,intake,spark\n0,1,0\n0.001,1,0\n0.002,1,0\n", ["time_s"]),
    "time going back": ("time_s,intake,spark\n0,1,0\n0.001,1,0\n0.0005,1,0\n", ["line 4"]),
    "empty": ("", ["empty"]),
}


@pytest.mark.parametrize("bad", BAD_CSV)
@pytest.mark.parametrize("how", ["judge", "import"])
def test_a_capture_that_cannot_be_read(capsys, setup_file, tmp_path, bad, how):
    text, says = BAD_CSV[bad]
    capture = tmp_path / "crank.csv"
    capture.write_text(text)
    out = tmp_path / "out.mcap"
    setup = setup_file(CSV_SETUP)
    arguments = {
        "judge": ("judge", capture, "--setup", setup, "--json"),
        "import": ("import", capture, "--setup", setup, "-o", out),
    }[how]
    refused(capsys, *arguments, says=says)
    assert not out.exists()


def test_a_capture_without_a_set_up(capsys, tmp_path):
    capture = tmp_path / "crank.csv"
    capture.write_text("time_s,intake\n0,1\n")
    refused(capsys, "judge", capture, says=["--setup"])


@pytest.mark.parametrize(
    "content",
    [b"", b"\x00" * 200, b"not a recording at all", b"\x89MCAP0\r\n" + b"\x01" * 50],
    ids=["empty", "zeros", "text", "only its first bytes"],
)
def test_a_recording_that_is_none(capsys, tmp_path, content):
    path = tmp_path / "crank.mcap"
    path.write_bytes(content)
    refused(capsys, "judge", path, "--json", says=[str(path)])
    refused(capsys, "report", path, "-o", tmp_path / "x.html", says=[str(path)])


def test_a_foreign_recording(capsys, tmp_path):
    from mcap.writer import Writer

    path = tmp_path / "crank.mcap"
    with path.open("wb") as stream:
        writer = Writer(stream)
        writer.start(profile="weather", library="another program")
        channel = writer.register_channel("wind", "json", 0)
        writer.add_message(channel, 0, b"{}", 0)
        writer.finish()
    refused(capsys, "judge", path, says=[str(path)])


def test_a_file_that_is_not_there(capsys, tmp_path):
    refused(capsys, "judge", tmp_path / "none.mcap", says=["none.mcap"])


def test_a_folder_without_anything_to_judge(capsys, tmp_path):
    refused(capsys, "judge", tmp_path, says=["nothing to judge"])


# --- the command line ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ("nonsense",),
        ("listen",),
        ("listen", "--port", "x"),
        ("listen", "--port", "x", "--setup", "demo", "--seconds", "-1"),
        ("listen", "--port", "x", "--setup", "demo", "--seconds", "soon"),
        ("judge",),
        ("judge", "a", "b"),
        ("judge", "a", "--colour"),
        ("report", "a"),
        ("import", "a", "-o", "b.mcap"),
        ("setup", "check"),
        ("rig", "--tcp", "99999"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_ends_with_2_and_says_how_to_get_help(capsys, arguments):
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert out == ""
    assert "--help" in err


def test_publishing_beyond_this_computer_takes_keys_which_is_said_before_the_port_is_opened(
    capsys, setup_file, tmp_path
):
    arguments = (
        "listen",
        "--port",
        tmp_path / "ttyNONE",
        "--setup",
        setup_file(),
        "--publish",
        "tcp://0.0.0.0:7720",
        "--keys",
        tmp_path / "keys",
    )
    refused(capsys, *arguments, says=["takes keys", "evenstroke setup key"])


def test_a_folder_that_cannot_be_recorded_into_is_said_before_the_port_is_opened(
    capsys, setup_file, tmp_path
):
    (tmp_path / "file").write_text("in the way")
    arguments = (*listening(tmp_path / "ttyNONE", setup_file()), "--record", tmp_path / "file" / "recordings")
    refused(capsys, *arguments, says=["nothing can be recorded", "--record"])
