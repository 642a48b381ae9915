"""Whatever a recording lacks, every command that reads it says so, and ends with 3.

0 done, 3 done with something lost: contract of the command line.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from evenstroke_daemon.command_line import main
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay.judging import judge_path
from evenstroke_replay.recorder import HOLD_NS, Recorder
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

SECONDS = 5.0


def record(path, lost_edge_frames=()):
    """A crank of the demo's engine; which of the frames of level changes (the n-th) never arrive."""
    setup, text = load_setup("demo")
    board = VirtualBoard(EngineSource(setup, Cranking(rest_s=0.5, crank_s=4.0)), BoardOptions(baud=None))
    send = board._send_edges

    def send_some(run, at, edges, until):
        if run.edges_sequence in lost_edge_frames:
            run.edges_sequence += 1
            run.edges_until = until
        else:
            send(run, at, edges, until)

    board._send_edges = send_some
    board.receive(encode_identify(1))
    inputs = tuple(sorted(p.input for p in setup.probe if p.input is not None))
    board.receive(encode_start(2, 1, 10_000, inputs, False))
    with Recorder(path, text, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(1, round(SECONDS / 0.02) + 1):
            recorder.received(board.advance(k * 0.02), k * HOLD_NS)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("lossy")


@pytest.fixture(scope="module")
def whole(folder):
    return record(folder / "whole.mcap")


@pytest.fixture(scope="module")
def no_edges(folder):
    return record(folder / "edges lost.mcap", {40, 41, 80})


COMMANDS = {
    "judge": lambda path: ["judge", str(path)],
    "judge --json": lambda path: ["judge", str(path), "--json"],
    "replay": lambda path: ["replay", str(path), "--speed", "max", "--publish", "none"],
    "report": lambda path: ["report", str(path), "-o", str(path.with_suffix(".html"))],
}


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_lost_is_0(whole, command, capsys):
    assert main(COMMANDS[command](whole)) == 0


@pytest.mark.parametrize("command", COMMANDS)
def test_lost_level_changes_alone_are_3(no_edges, command, capsys):
    assert main(COMMANDS[command](no_edges)) == 3


def first_line(path, capsys):
    main(["judge", str(path)])
    return capsys.readouterr().out.splitlines()[0]


def test_lost_level_changes_are_said(whole, no_edges, capsys):
    judged = judge_path(no_edges)
    assert judged.judgement.source.lost_samples == 0
    assert judged.lossy
    assert "2 times" in {w.code: w.text for w in judged.judgement.warnings}["edges_lost"]
    assert first_line(no_edges, capsys).endswith(", level changes lost")
    assert first_line(whole, capsys).endswith(", nothing lost")


@pytest.fixture(scope="module", params=["cut", "damaged"])
def spoilt(request, folder, whole):
    """The recording without its end, or with a bit flipped behind its middle."""
    data = bytearray(whole.read_bytes())
    place = len(data) * 2 // 3
    if request.param == "cut":
        del data[place:]
    else:
        data[place] ^= 1
    path = folder / f"{request.param}.mcap"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_a_recording_judged_up_to_its_damage_is_3(spoilt, command, capsys):
    assert main(COMMANDS[command](spoilt)) == 3


def test_a_recording_judged_up_to_its_damage_says_so_first(spoilt, capsys):
    assert first_line(spoilt, capsys).endswith("cut short or damaged, and what follows was not read")
    assert main(COMMANDS["report"](spoilt)) == 3
    page = spoilt.with_suffix(".html").read_text()
    assert "cut short or damaged, and what follows was not read" in page


def test_empty_cells_of_a_capture_are_said_beside_its_length_and_end_with_3(folder, capsys):
    setup = folder / "capture.toml"
    setup.write_text(
        'schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
    )
    rows = [f"{k / 500:.3f},{2.5 + (k % 7) / 100:.3f}" for k in range(500)]
    for name, empty, said, code in (
        ("whole", (), "nothing lost", 0),
        ("holed", (200, 201), "cells of the capture empty", 3),
    ):
        path = folder / f"{name}.csv"
        cells = [f"{k / 500:.3f}," if k in empty else row for k, row in enumerate(rows)]
        path.write_text("\n".join(("time_s,intake", *cells)))
        assert main(["judge", str(path), "--setup", str(setup), "--quick"]) == code
        text = capsys.readouterr().out
        assert text.splitlines()[0].endswith(said)
        assert ("2 of 500 cells are empty" in " ".join(text.split())) == bool(empty)
