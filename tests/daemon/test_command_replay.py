"""`evenstroke replay`: what is published, the keys, and the real program on a terminal of its own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from evenstroke_daemon.clock import Clock
from evenstroke_daemon.command_line import main
from evenstroke_daemon.command_replay import key_help, replay
from evenstroke_daemon.outcome import Outcome
from evenstroke_dsp.messages import Balance, Cycle, FindingMessage, Health, State, WaveData
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay.judging import judge_path
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES
from evenstroke_replay.recorder import HOLD_NS, Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from evenstroke_viewer.subscriber import Subscriber

WAIT_S = 60.0
SECONDS = 5.0


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    setup, text = load_setup("demo")
    source = EngineSource(setup, Cranking(rest_s=0.5, crank_s=4.0, start_deg=0.0))
    board = VirtualBoard(source, BoardOptions(baud=None))
    board.receive(encode_identify(1))
    inputs = tuple(sorted(p.input for p in setup.probe if p.input is not None))
    board.receive(encode_start(2, 1, 10_000, inputs, False))
    path = tmp_path_factory.mktemp("replay") / "rec.mcap"
    with Recorder(path, text, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(1, round(SECONDS / 0.02) + 1):
            recorder.received(board.advance(k * 0.02), k * HOLD_NS)
    return path


class Time:
    """A clock that only waiting moves."""

    def __init__(self):
        self.now_s = 50.0
        self.clock = Clock(lambda: round(self.now_s * 1e9), lambda: 0, lambda: 0.0)

    def sleep(self, seconds):
        self.now_s += seconds


def pipeline_messages(published):
    return [m for m in published if isinstance(m, (WaveData, Cycle, Balance, FindingMessage))]


def as_data(message):
    if isinstance(message, WaveData):
        return msgspec.json.encode(message.header), message.samples.tobytes()
    return type(message).__name__, msgspec.json.encode(message)


def play(path, **options):
    published, time = [], Time()
    recording = open_recording(path, check_all=False)
    outcome = replay(
        recording, recording.setup, publish=published.append, clock=time.clock, sleep=time.sleep, **options
    )
    return published, outcome, time.now_s - 50.0


def test_it_publishes_the_very_messages_and_takes_as_long_as_it_took(path):
    whole = list(map(as_data, judge_path(path).messages))
    for speed, takes_s in ((1.0, SECONDS), (4.0, SECONDS / 4), (AS_FAST_AS_IT_GOES, 0.0)):
        published, outcome, took_s = play(path, speed=speed)
        assert outcome is Outcome.DONE
        assert list(map(as_data, pipeline_messages(published))) == whole
        assert took_s == pytest.approx(takes_s, abs=0.15)


def test_state_and_health_say_what_goes_on(path):
    published, _, _ = play(path)
    states = [m for m in published if isinstance(m, State)]
    healths = [m for m in published if isinstance(m, Health)]
    assert [s.sequence for s in states] == list(range(len(states)))
    assert [h.sequence for h in healths] == list(range(len(healths)))
    assert (states[0].link, states[-1].link) == ("opening", "closed")
    assert all(s.link == "streaming" for s in states[1:-1])
    assert "rec.mcap" in states[1].reason
    assert "1 times real time" in states[1].reason
    assert SECONDS - 1 <= len(healths) <= SECONDS + 1
    assert healths[-1].samples == pytest.approx(SECONDS * 10_000, rel=0.02)
    assert (healths[-1].lost_samples, healths[-1].losses) == (0, ())
    assert healths[-1].bytes_received > 100_000
    assert states[-1].board == "evenstroke virtual board"


@pytest.mark.parametrize("where", [{"from_s": 2.5}, {"from_cycle": 3}])
def test_from_there_on_only(path, where):
    whole = list(map(as_data, judge_path(path).messages))
    published, _, took_s = play(path, **where)
    got = pipeline_messages(published)
    assert list(map(as_data, got)) == whole[len(whole) - len(got) :]
    assert len(got) < len(whole)
    if "from_s" in where:
        assert took_s == pytest.approx(SECONDS - 2.5, abs=0.2)
    else:
        assert next(m for m in got if isinstance(m, Cycle)).sequence == 3


def test_keys_pause_step_and_end(path):
    time = Time()
    typed = [(51.0, " "), (60.0, "n"), (70.0, "n"), (80.0, "x"), (90.0, "q")]
    published = []

    def read_key(wait_s):
        if typed and typed[0][0] <= time.now_s + wait_s:
            at_s, key = typed.pop(0)
            time.now_s = max(time.now_s, at_s)
            return key
        time.now_s += wait_s
        return None

    recording = open_recording(path)
    replay(
        recording,
        recording.setup,
        publish=lambda message: published.append((time.now_s, message)),
        clock=time.clock,
        read_key=read_key,
    )
    cycles = [(at_s, m.sequence) for at_s, m in published if isinstance(m, Cycle)]
    assert [sequence for _, sequence in cycles] == [0, 1]
    assert [at_s for at_s, _ in cycles] == pytest.approx([60.0, 70.0])
    states = [m.reason for _, m in published if isinstance(m, State)]
    assert any(reason.endswith("paused") for reason in states)
    assert not typed


def test_lost_samples_are_3(path, tmp_path):
    from mcap.reader import make_reader

    with path.open("rb") as stream:
        chunks = make_reader(stream).get_summary().chunk_indexes
    data = bytearray(path.read_bytes())
    for chunk in chunks[100:110]:
        data[chunk.chunk_start_offset + chunk.chunk_length - 5] ^= 1
    (tmp_path / "hole.mcap").write_bytes(data)
    assert main(["recover", str(tmp_path / "hole.mcap")]) == 3
    assert main(["replay", str(tmp_path / "hole-recovered.mcap"), "--speed", "max", "--publish", "none"]) == 3
    assert main(["replay", str(path), "--speed", "max", "--publish", "none"]) == 0


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (["--speed", "0"], 2),
        (["--speed", "fast"], 2),
        (["--from", "-1"], 2),
        (["--from", "1", "--from-cycle", "1"], 2),
        (["--paused", "--publish", "none"], 2),
        (["--publish", "tcp://0.0.0.0:1"], 1),
    ],
)
def test_wrong_options(path, options, code, monkeypatch):
    with Path(os.devnull).open() as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        assert main(["replay", str(path), *options]) == code


def test_the_help_and_the_line_of_keys_name_the_same(capsys):
    assert main(["replay", "--help"]) == 0
    out = capsys.readouterr().out
    for key in ("space", "n ", "f or →", "b or ←", "+ and -", "q "):
        assert key in out
    for key in ("space", "n =", "f or →", "b or ←", "+ =", "- =", "q ="):
        assert key in key_help()


def test_a_subscriber_hears_what_is_in_the_recording(path):
    process = subprocess.Popen(
        [
            sys.executable, "-m", "evenstroke_daemon", "replay", str(path), "--speed", "4",
            "--publish", "tcp://127.0.0.1:0",
        ],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        line = process.stderr.readline()
        while not (address := re.match(r"publishing at (\S+)", line)):
            assert line, "it ended without saying where it publishes"
            line = process.stderr.readline()
        heard = []
        with Subscriber(address[1], ("cycle", "state")) as subscriber:
            while not (heard and isinstance(heard[-1], State) and heard[-1].link == "closed"):
                message = subscriber.receive(WAIT_S)
                assert message is not None
                heard.append(message)
        assert process.wait(timeout=WAIT_S) == 0
        assert "evenstroke judge" in process.stdout.read()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()
    cycles = {m.sequence: m for m in judge_path(path).messages if isinstance(m, Cycle)}
    got = [m for m in heard if isinstance(m, Cycle)]
    # The first ones may have gone before the subscription came.
    assert [m.sequence for m in got] == list(range(got[0].sequence, len(cycles)))
    assert all(m == cycles[m.sequence] for m in got)


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: needs a pseudo-terminal")
def test_on_a_terminal_it_tells_the_keys_and_obeys_them(path):
    import pty
    import termios

    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    process = subprocess.Popen(
        [sys.executable, "-m", "evenstroke_daemon", "replay", str(path), "--paused", "--publish", "none"],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        while not (line := process.stderr.readline()).startswith(b"keys:"):
            assert line
        assert "space = pause or go on" in line.decode()
        os.write(ours, b"n")
        os.write(ours, b"\x1b[C")
        os.write(ours, b"q")
        assert process.wait(timeout=WAIT_S) == 0
        assert termios.tcgetattr(theirs) == before, "the terminal is as it was"
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()
        os.close(ours)
        os.close(theirs)


def test_at_its_end_it_says_what_was_found_and_where_the_rest_is(path, capsys):
    assert main(["replay", str(path), "--speed", "max", "--publish", "none", "--quick"]) == 0
    out = capsys.readouterr().out
    last = [m for m in judge_path(path).messages if isinstance(m, FindingMessage)][-1]
    for finding in last.findings:
        assert finding.text in out
    assert last.instruction in out
    assert f"evenstroke judge {path}" in out


@pytest.mark.parametrize("where", [("--from", "400"), ("--from-cycle", "400")], ids=" ".join)
def test_a_beginning_behind_the_end_is_an_error_that_says_where_it_ends(path, capsys, where):
    assert main(["replay", str(path), "--speed", "max", "--publish", "none", "--quick", *where]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "ends before the place to begin at" in err
    cycles = sum(isinstance(m, Cycle) for m in judge_path(path).messages)
    assert f"{SECONDS:.1f} s, with {cycles} complete cycles" in err
