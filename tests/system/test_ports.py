"""`evenstroke ports` against real ports: a board, none, one in use, and something else."""

from __future__ import annotations

import json
import os
import re
import socket
import threading

import pytest


def asked(program, *ports):
    run = program("ports", *ports, "--json")
    assert run.ended() == 0
    return {found["port"]: found for found in json.loads("\n".join(run.out))}


def test_a_board_says_what_it_is_and_a_missing_port_that_it_is_none(program, tmp_path):
    rig = program("rig", "--tcp", "0", "--seconds", "600")
    board = rig.wait_for(rig.out, r"socket://\S+").group()
    missing = str(tmp_path / "no-such-device")
    found = asked(program, board, missing)
    assert found[board]["is_board"]
    assert "virtual board" in found[board]["says"]
    assert "12 bits" in found[board]["says"]
    assert not found[missing]["is_board"]
    assert "no such port" in found[missing]["says"]
    # Asked, the board is left as it was: it can be listened to.
    again = asked(program, board)
    assert again[board]["is_board"]


def counted(program, rate, *rig_options):
    rig = program("rig", "--tcp", "0", "--speed", "3", "--seconds", "600", *rig_options)
    board = rig.wait_for(rig.out, r"socket://\S+").group()
    run = program("ports", board, "--count", rate, "--json")
    code = run.ended()
    (found,) = json.loads("\n".join(run.out))
    assert found["is_board"]
    return code, found


def test_a_board_that_counts_without_a_loss(program):
    code, found = counted(program, 5000)
    assert (code, found["whole"]) == (0, True)
    assert "5000 Hz" in found["counted"] and "none lost, none wrong" in found["counted"]


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("1:drop:0.2:3", r"; [1-9]\d* scans lost, 0 counts wrong"),
        ("1:corrupt:1e-4:3", r" [1-9]\d* frames damaged"),
    ],
)
def test_what_is_lost_while_a_board_counts_is_counted(program, fault, says):
    code, found = counted(program, 5000, "--fault", fault)
    assert (code, found["whole"]) == (3, False)
    assert re.search(says, found["counted"]), found["counted"]


def test_a_board_that_declines_to_count_so_fast_is_still_a_board(program):
    code, found = counted(program, 4711)
    assert (code, found["whole"]) == (3, False)
    assert "rate not possible" in found["counted"]


@pytest.mark.skipif(os.name != "posix", reason="not checked here: pseudo-terminals are POSIX")
def test_a_port_in_use_is_left_alone_and_said(program):
    rig = program("rig", "--seconds", "600")
    port = rig.wait_for(rig.out, r"\S+").group()
    listen = program("listen", "--port", port, "--setup", "demo", "--publish", "none", "--seconds", "30")
    listen.wait_for(listen.err, r"link streaming")
    found = asked(program, port)
    assert not found[port]["is_board"]
    assert "in use" in found[port]["says"]
    assert listen.process.poll() is None


def test_what_is_no_board_is_said_to_be_none(program):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"

        def chatter():
            peer, _ = server.accept()
            with peer:
                try:
                    while True:
                        peer.sendall(b"$GPRMC,no,board,here\r\n" * 20)
                        peer.recv(4096)
                except OSError:
                    pass

        talking = threading.Thread(target=chatter, daemon=True)
        talking.start()
        found = asked(program, port)
    assert not found[port]["is_board"]
    assert "not a board" in found[port]["says"]
