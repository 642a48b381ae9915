"""The control socket against anything that may arrive, and against addresses that are not to be had."""

from __future__ import annotations

import json
import threading

import msgspec
import pytest
import zmq
from evenstroke_daemon.control import Control
from evenstroke_daemon.secured import ServiceError
from evenstroke_dsp.messages import EngineInfo, Reply, State
from evenstroke_replay.setup_files import load_setup
from hypothesis import given, settings
from hypothesis import strategies as st

NOWHERE_NEAR = "tcp://127.0.0.1:0"


@pytest.fixture(scope="module")
def control():
    control = Control(NOWHERE_NEAR, lambda setup: None)
    yield control
    control.close()


@pytest.fixture(scope="module")
def ask(control):
    context = zmq.Context()
    socket = context.socket(zmq.DEALER)
    socket.linger, socket.rcvtimeo = 0, 30_000
    socket.connect(control.address)

    def send(frames):
        socket.send_multipart(frames)
        return socket.recv_multipart()

    yield send
    socket.close()
    context.term()


def test_any_frames_get_one_reply_and_the_socket_lives(ask):
    @settings(max_examples=200, deadline=None)
    @given(frames=st.lists(st.binary(max_size=300), min_size=1, max_size=4))
    def answered(frames):
        *envelope, answer = ask(frames)
        assert envelope in ([], [b""])
        reply = msgspec.json.decode(answer, type=Reply)
        assert not reply.done
        assert reply.error is not None
        assert reply.error.problem

    answered()


def test_between_two_sessions_it_says_so(ask):
    (answer,) = ask([b'{"do": "get_state", "id": "x"}'])
    reply = msgspec.json.decode(answer, type=Reply)
    assert (reply.id, reply.done) == ("x", False)
    assert "no session" in reply.error.problem


def test_a_busy_address_says_so_and_what_to_do(control):
    with pytest.raises(ServiceError, match="--control") as caught:
        Control(control.address, lambda setup: None)
    assert "another evenstroke" in caught.value.found


def test_beyond_this_computer_is_declined():
    with pytest.raises(ServiceError, match="beyond this computer"):
        Control("tcp://0.0.0.0:0", lambda setup: None)


# --- with a session -------------------------------------------------------------------------------


class Session:
    """Stands where the service stands: notes what it is asked for."""

    def __init__(self):
        self.asked = []

    def state(self):
        raise RuntimeError("the state cannot be told")

    def start_recording(self, folder=None, title=None):
        self.asked.append(("start", folder, title))
        return folder

    def stop_recording(self):
        raise ZeroDivisionError("a fault")

    def mark(self, text):
        self.asked.append(("mark", text))

    def stop(self):
        self.asked.append("stop")


class Telling(Session):
    """One that can tell its state."""

    def state(self):
        return State(
            sequence=0, at_s=0.0, link="streaming", reason="", port="PORT", board=None, firmware=None,
            recording=None, recording_problem=None, setup_title="", cautions=(), coach=None,
            engine=EngineInfo(cylinders=2, firing_order=(1, 2)),
        )  # fmt: skip


@pytest.fixture
def driven():
    """A control of its own, and a way to ask it as JSON."""
    control = Control(NOWHERE_NEAR, lambda setup: None)
    context = zmq.Context()
    socket = context.socket(zmq.DEALER)
    socket.linger, socket.rcvtimeo = 0, 30_000
    socket.connect(control.address)

    def send(**request):
        socket.send(json.dumps({"id": "1", **request}).encode())
        return msgspec.json.decode(socket.recv(), type=Reply)

    yield control, send
    socket.close()
    context.term()
    control.close()


def test_json_however_deep_is_answered(ask):
    for deep in (b"[" * 100_000, b'{"do":' * 50_000, b'{"id": "7", "do": ' + b"[" * 100_000):
        (answer,) = ask([deep])
        assert "cannot be read" in msgspec.json.decode(answer, type=Reply).error.problem


def test_a_fault_of_its_own_is_answered_and_shown_and_harms_nothing(driven, capsys):
    control, send = driven
    session = Session()
    control.begin(session)
    for do in ("stop_recording", "get_state"):
        reply = send(do=do)
        assert not reply.done
        assert "fault of evenstroke's own" in reply.error.problem
    assert "ZeroDivisionError" in capsys.readouterr().err
    control.begin(Telling())
    assert send(do="get_state").done


@pytest.mark.parametrize("folder", ["", "a\0b"])
def test_what_can_be_no_folder_is_refused(driven, folder):
    control, send = driven
    session = Telling()
    control.begin(session)
    reply = send(do="start_recording", folder=folder)
    assert reply.error.where == "folder"
    assert session.asked == []


def test_the_schema_may_be_left_out_and_another_one_is_refused(driven):
    control, send = driven
    control.begin(Telling())
    assert send(do="get_state").done
    assert send(do="get_state", schema="evenstroke.request/1").done
    assert "evenstroke.request/2" in send(do="get_state", schema="evenstroke.request/2").error.found


def test_another_set_up_is_handed_over_once_and_a_wrong_one_changes_nothing(driven):
    control, send = driven
    session = Telling()
    control.begin(session)
    setup, text = load_setup("demo")
    assert not send(do="use_setup", toml="schema = 1").done
    assert not send(do="use_setup", toml="[" * 3000).done
    assert not send(do="use_setup", toml=text.replace('"plug_out_ignition_on"', "")).done
    assert session.asked == []
    assert send(do="use_setup", toml=text).done
    assert session.asked == ["stop"]
    assert control.end() == (setup, text)
    assert not send(do="mark", text="x").done, "no session is running"
    control.begin(Telling())
    assert control.end() is None, "it was for one session"


def test_no_request_is_half_done_when_a_session_ends(driven):
    """`end` waits for the request that is being done; the next one finds no session."""
    control, send = driven
    inside, go_on = threading.Event(), threading.Event()

    class Slow(Telling):
        def mark(self, text):
            inside.set()
            go_on.wait(30)
            super().mark(text)

    session = Slow()
    control.begin(session)
    replies = []
    asker = threading.Thread(target=lambda: replies.append(send(do="mark", text="x")))
    asker.start()
    assert inside.wait(30)
    ender = threading.Thread(target=lambda: (control.end(), session.asked.append("over")))
    ender.start()
    ender.join(0.05)  # without the lock it would be over by now
    go_on.set()
    ender.join(30)
    asker.join(30)
    assert replies[0].done
    assert session.asked == [("mark", "x"), "over"]
    assert "no session" in send(do="mark", text="y").error.problem


def test_stop_listening_between_two_sessions_ends_it_all(driven):
    control, send = driven
    assert send(do="stop_listening").done
    assert control.stop_wanted
