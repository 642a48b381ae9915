"""The real daemon, driven through its control socket alone."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
import zmq
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import RecordedNote, open_recording
from evenstroke_replay.setup_files import load_setup

LIMIT_MS = 60_000


class Client:
    def __init__(self, context, address, name):
        self.socket = context.socket(zmq.DEALER)
        self.socket.linger = 0
        self.socket.rcvtimeo = LIMIT_MS
        self.socket.connect(address)
        self.name, self.asked = name, 0

    def ask(self, do, **fields):
        self.asked += 1
        request = {"do": do, "id": f"{self.name}-{self.asked}", **fields}
        reply = self.raw(json.dumps(request).encode())
        assert reply["id"] == request["id"]
        return reply

    def raw(self, *frames):
        self.socket.send_multipart([b"", *frames])
        envelope, answer = self.socket.recv_multipart()
        assert envelope == b""
        return json.loads(answer)


@pytest.fixture
def daemon(program, tmp_path):
    """A rig, a daemon that was told to record nothing, and a way to make clients."""
    rig = program("rig", "--tcp", "0", "--seconds", "600")
    port = rig.wait_for(rig.out, r"socket://\S+").group()
    listen = program("listen", "--port", port, "--setup", "demo", "--publish", "tcp://127.0.0.1:0")
    address = listen.wait_for(listen.err, r"control at (\S+)").group(1)
    listen.wait_for(listen.err, r"link streaming")
    context = zmq.Context()
    clients = []

    def client(name):
        clients.append(Client(context, address, name))
        return clients[-1]

    yield listen, client
    for c in clients:
        c.socket.close()
    context.term()


def test_a_session_is_driven_through_the_socket_alone(daemon, tmp_path):
    listen, client = daemon
    a, b = client("a"), client("b")
    assert a.ask("get_state")["state"]["recording"] is None
    refused = a.ask("start_recording")
    assert not refused["done"]
    assert "where to record" in refused["error"]["problem"]
    begun = a.ask("start_recording", folder=str(tmp_path / "recordings"), title="by request")
    assert begun["done"]
    assert b.ask("get_state")["state"]["recording"] == begun["recording"]
    twice = b.ask("start_recording", folder=str(tmp_path))
    assert "open already" in twice["error"]["problem"]
    assert b.ask("mark", text="coughed here")["done"]
    ended = b.ask("stop_recording")
    assert ended["recording"] == begun["recording"]
    assert "no recording" in a.ask("mark", text="too late")["error"]["problem"]
    again = a.ask("start_recording", folder=str(tmp_path / "recordings"), title="by request")
    assert again["done"]
    assert again["recording"] != begun["recording"]
    assert a.ask("stop_listening")["done"]
    assert listen.ended() == 0
    assert listen.out == [begun["recording"], again["recording"]]
    for path in listen.out:
        recording = open_recording(Path(path))
        assert recording.complete
        assert sum(getattr(b, "samples", 0) for b in blocks_of(recording, recording.setup)) > 1000
    notes = [
        i.content for i in open_recording(Path(begun["recording"])).items() if isinstance(i, RecordedNote)
    ]
    assert "coughed here" in [getattr(n, "text", None) for n in notes]


def test_two_clients_at_once_get_their_own_answers(daemon):
    _, client = daemon
    answers = {}

    def ask_often(name):
        c = client(name)
        answers[name] = [c.ask("get_state")["id"] for _ in range(50)]

    threads = [threading.Thread(target=ask_often, args=(name,)) for name in ("left", "right")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    for name in ("left", "right"):
        assert answers[name] == [f"{name}-{k}" for k in range(1, 51)]


def test_whatever_arrives_is_answered_and_harms_nothing(daemon):
    listen, client = daemon
    c = client("c")
    for frames in (
        [b"no json"],
        [b"{}"],
        [b'{"do": "dance", "id": "1"}'],
        [b"\xff\xfe"],
        [b"[]", b"more"],
        [b""],
    ):
        reply = c.raw(*frames)
        assert not reply["done"]
        assert reply["error"]["problem"]
        assert reply["error"]["todo"]
    assert c.raw(b'{"do": "mark", "id": "7"}')["id"] == "7"
    misspelt = c.raw(b'{"do": "start_recording", "id": "8", "foldr": "/tmp"}')
    assert "foldr" in misspelt["error"]["found"]
    assert c.ask("get_state")["done"]
    assert listen.process.poll() is None


def test_another_set_up_begins_another_session_and_a_dangerous_one_none(daemon, tmp_path):
    listen, client = daemon
    c = client("c")
    _, text = load_setup("demo")
    dangerous = text.replace('acknowledged = ["plug_out_ignition_on"]', "acknowledged = []")
    assert dangerous != text
    refused = c.ask("use_setup", toml=dangerous)
    assert not refused["done"]
    wrong = c.ask("use_setup", toml="schema = 1\n")
    assert not wrong["done"]
    begun = c.ask("start_recording", folder=str(tmp_path))
    other = text.replace('title = "Mobile library', 'title = "Another title')
    assert c.ask("use_setup", toml=other)["done"]
    listen.wait_for(listen.out, ".*" + begun["recording"].rsplit("/", 1)[-1])
    while True:  # between two sessions the daemon says that none is running
        reply = c.ask("get_state")
        if reply["done"] and reply["state"]["setup_title"].startswith("Another title"):
            break
    assert open_recording(Path(begun["recording"])).complete
    assert c.ask("stop_listening")["done"]
    assert listen.ended() == 0


def test_a_recording_marks_what_the_engine_did(program, tmp_path):
    rig = program("rig", "--tcp", "0", "--rest", "1", "--cranking", "3", "--seconds", "600")
    port = rig.wait_for(rig.out, r"socket://\S+").group()
    listen = program(
        "listen",
        "--port",
        port,
        "--setup",
        "demo",
        "--record",
        tmp_path,
        "--publish",
        "none",
        "--seconds",
        "7",
    )
    assert listen.ended() == 0
    notes = [i.content for i in open_recording(Path(listen.out[-1])).items() if isinstance(i, RecordedNote)]
    phases = [n.phase for n in notes]
    assert phases[:2] == ["rest", "cranking"]
    assert phases[-1] == "rest"
    assert set(phases) <= {"rest", "cranking", "coasting"}
