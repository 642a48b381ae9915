"""The control socket against anything that may arrive, and against addresses that are not to be had."""

from __future__ import annotations

import msgspec
import pytest
import zmq
from evenstroke_daemon.control import Control
from evenstroke_daemon.publisher import ServiceError
from evenstroke_dsp.messages import Reply
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
