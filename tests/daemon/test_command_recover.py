"""`evenstroke recover`: exit codes, what goes where, and that nothing is written over."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from evenstroke_daemon.command_line import main
from evenstroke_replay.recorder import HOLD_NS, Recorder
from evenstroke_replay.recording import RecordedBytes, open_recording


@pytest.fixture
def recording(tmp_path):
    """A recording of the rig's own stream: the hello is in it."""
    from evenstroke_protocol.encoder import encode_identify, encode_start
    from evenstroke_replay.rig_engine import Cranking, EngineSource
    from evenstroke_replay.setup_files import load_setup
    from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

    setup, text = load_setup("demo")
    board = VirtualBoard(EngineSource(setup, Cranking(rest_s=0.5, crank_s=1.0)), BoardOptions(baud=None))
    board.receive(encode_identify(1))
    inputs = tuple(sorted(p.input for p in setup.probe if p.input is not None))
    board.receive(encode_start(2, 1, 10_000, inputs, False))
    path = tmp_path / "rec.mcap"
    with Recorder(path, text, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(1, 41):
            recorder.received(board.advance(k * 0.02), k * HOLD_NS)
    return path


def test_nothing_lost_is_0_and_stdout_is_the_new_path(recording, capsys):
    assert main(["recover", str(recording)]) == 0
    out, err = capsys.readouterr()
    new = recording.with_name("rec-recovered.mcap")
    assert out == f"{new}\n"
    assert "nothing that had been written to it is lost" in err
    assert list(open_recording(new).items()) == list(open_recording(recording).items())


def test_what_a_killed_recorder_left_is_0(recording, tmp_path, capsys):
    # As a kill leaves it: chunks and no summary. The place of the summary is told by what was whole before it.
    from mcap.reader import make_reader

    with recording.open("rb") as stream:
        chunks = make_reader(stream).get_summary().chunk_indexes
    end = max(c.chunk_start_offset + c.chunk_length + c.message_index_length for c in chunks)
    killed = tmp_path / "killed.mcap"
    killed.write_bytes(recording.read_bytes()[:end])
    assert main(["recover", str(killed), "-o", str(tmp_path / "new.mcap")]) == 0
    assert "never closed" in capsys.readouterr().err
    assert open_recording(tmp_path / "new.mcap").complete


def test_a_cut_and_a_hole_are_3_and_said_to_the_sample(recording, tmp_path, capsys):
    data = bytearray(recording.read_bytes())
    quarter = len(data) // 4
    data[quarter : quarter + 3000] = bytes(3000)
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: len(data) // 2])
    before = cut.read_bytes()
    new = tmp_path / "new.mcap"
    assert main(["recover", str(cut), "-o", str(new)]) == 3
    err = capsys.readouterr().err
    assert "sample blocks (" in err
    assert "scans of every input" in err
    assert "cannot be told" in err
    assert cut.read_bytes() == before
    assert main(["judge", str(new)]) == 3  # and whoever judges it hears of the hole too


def test_nothing_to_salvage_is_1(tmp_path, capsys):
    (tmp_path / "no.mcap").write_bytes(b"no recording at all")
    assert main(["recover", str(tmp_path / "no.mcap")]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "nothing to salvage" in err
    assert main(["recover", str(tmp_path / "missing.mcap")]) == 1
    assert not (tmp_path / "no-recovered.mcap").exists()


def test_a_second_time_nothing_is_written_over(recording, capsys):
    assert main(["recover", str(recording)]) == 0
    new = recording.with_name("rec-recovered.mcap")
    first = new.read_bytes()
    assert main(["recover", str(recording)]) == 1
    assert "nothing is ever written over" in capsys.readouterr().err
    assert new.read_bytes() == first


def test_a_set_up_can_be_given_in_place_of_the_lost_one(recording, tmp_path, capsys):
    data = recording.read_bytes()
    at = data.index(b"schema = 1")
    (tmp_path / "bad.mcap").write_bytes(data[:at] + b"SCHEMA" + data[at + 6 :])
    assert main(["recover", str(tmp_path / "bad.mcap")]) == 1
    assert "--setup" in capsys.readouterr().err
    assert main(["recover", str(tmp_path / "bad.mcap"), "--setup", "demo"]) == 3
    new = open_recording(tmp_path / "bad-recovered.mcap")
    got = [item for item in new.items() if isinstance(item, RecordedBytes)]
    assert got == list(open_recording(recording).items())
