"""The control socket: a ZeroMQ ROUTER that takes typed requests and answers each to the one who asked.

A request is one JSON frame (`Request` in messages.py), with or without an empty frame before it, as REQ and
DEALER sockets send it. Whatever else arrives gets an error reply and harms nothing. One thread answers all, one
after the other, so that what two clients ask at once happens in one order that both can see.
"""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import msgspec
import zmq
from evenstroke_dsp.cautions import require_acknowledged
from evenstroke_dsp.messages import (
    GetState,
    Mark,
    Reply,
    Request,
    RequestError,
    StartRecording,
    State,
    StopListening,
    StopRecording,
    UseSetup,
)
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.key_folder import KeyFolder

from .secured import SecuredSocket, ServiceError

DEFAULT_ADDRESS = "tcp://127.0.0.1:7721"
LARGEST_REQUEST = 1 << 20
_LOOK_UP_MS = 100
_LINGER_MS = 500
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""What reading bytes as JSON may raise; the last of them for lists a thousand deep."""


_OfASession = GetState | StartRecording | StopRecording | Mark | UseSetup


class Controlled(Protocol):
    """What requests act on: the session that is running."""

    def state(self) -> State: ...

    def start_recording(self, folder: Path | None = None, title: str | None = None) -> Path: ...

    def stop_recording(self) -> Path: ...

    def mark(self, text: str) -> None: ...

    def stop(self) -> None: ...


class Control:
    """A bound ROUTER socket with a thread of its own. Raises ServiceError when the address cannot be bound.

    check_setup: raises EvenstrokeError for a set-up that cannot be listened with. stop_wanted: somebody asked
    to end it all; it stays so. keys: who may ask; None: whoever reaches the address.
    """

    def __init__(
        self, address: str, check_setup: Callable[[Setup], None], keys: KeyFolder | None = None
    ) -> None:
        self.stop_wanted = False
        # No request is half done when a session begins or ends.
        self._handing_over = threading.Lock()
        self._session: Controlled | None = None
        self._next_setup: tuple[Setup, str] | None = None
        self._check_setup = check_setup
        self._secured = SecuredSocket(
            zmq.ROUTER, address, keys, what="the control address", option="--control", largest=LARGEST_REQUEST
        )
        self._socket = self._secured.socket
        self._socket.linger = _LINGER_MS
        self.address = self._secured.address
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    def begin(self, session: Controlled) -> None:
        """Requests act on this session from now on."""
        with self._handing_over:
            self._session = session

    def end(self) -> tuple[Setup, str] | None:
        """The session is over; the set-up, and its text, that was asked for instead of it, if one was."""
        with self._handing_over:
            self._session = None
            wanted, self._next_setup = self._next_setup, None
            return wanted

    def close(self) -> None:
        """Answer nobody any more."""
        self._closing.set()
        self._thread.join()
        self._secured.close()

    def _serve(self) -> None:
        while not self._closing.is_set():
            if not self._socket.poll(_LOOK_UP_MS):
                continue
            who, *frames = self._socket.recv_multipart()
            envelope = frames[:1] if frames and frames[0] == b"" else []
            answer = self._answer(frames[len(envelope) :])
            self._socket.send_multipart([who, *envelope, msgspec.json.encode(answer)])

    def _answer(self, frames: list[bytes]) -> Reply:
        try:
            request = _decode(frames)
        except EvenstrokeError as error:
            return _refusal(_id_of(frames), error)
        try:
            with self._handing_over:
                return self._do(request)
        except EvenstrokeError as error:
            return _refusal(request.id, error)
        except Exception as error:
            # A fault of our own: it must not end a session while an engine is being cranked, nor be hidden.
            traceback.print_exc()
            return _refusal(
                request.id,
                ServiceError("a fault of evenstroke's own; nothing is known done", found=repr(error)),
            )

    def _do(self, request: Request) -> Reply:
        session = self._session
        recording: Path | None = None
        if isinstance(request, StopListening):
            self.stop_wanted = True
            if session is not None:
                session.stop()
        elif session is None:
            raise ServiceError("no session is running just now", todo="ask again in a moment")
        else:
            recording = self._act(session, request)
        return Reply(
            id=request.id,
            done=True,
            error=None,
            recording=str(recording) if recording is not None else None,
            state=session.state() if session is not None else None,
        )

    def _act(self, session: Controlled, request: _OfASession) -> Path | None:
        """Do what a request wants of the session; the recording that it begins or ends."""
        match request:
            case GetState():
                pass
            case StartRecording(folder=folder, title=title):
                return session.start_recording(_folder(folder), title)
            case StopRecording():
                return session.stop_recording()
            case Mark(text=text):
                session.mark(text)
            case UseSetup(toml=toml):
                setup = parse_setup(toml, "the set-up in the request")
                self._check_setup(setup)
                require_acknowledged(setup, "the set-up in the request")
                self._next_setup = (setup, toml)
                session.stop()
        return None


def _folder(name: str | None) -> Path | None:
    if name is None:
        return None
    if not name or "\0" in name:
        raise ServiceError(
            "this cannot be a folder's name",
            where="folder",
            expected="a path, or null",
            found=repr(name),
            todo="leave `folder` out to record where `listen --record` said",
        )
    return Path(name)


def _decode(frames: list[bytes]) -> Request:
    if len(frames) != 1:
        raise ServiceError(
            "this is no request",
            expected="one frame with a JSON object, after an empty one or not",
            found=f"{len(frames)} frames",
            todo="see daemon/STREAM.md",
        )
    try:
        request: Request = msgspec.json.decode(frames[0], type=Request)
    except _UNREADABLE as error:
        raise ServiceError(
            "this request cannot be read",
            expected='a JSON object such as {"do": "get_state", "id": "1"}',
            found=str(error),
            todo="see daemon/STREAM.md for what can be asked",
        ) from error
    return request


def _id_of(frames: list[bytes]) -> str | None:
    """The id of a request that is wrong otherwise, so that its asker knows which one it was."""
    try:
        loose = msgspec.json.decode(frames[0]) if len(frames) == 1 else None
    except _UNREADABLE:
        return None
    found = loose.get("id") if isinstance(loose, dict) else None
    return found if isinstance(found, str) else None


def _refusal(request_id: str | None, error: EvenstrokeError) -> Reply:
    return Reply(
        id=request_id,
        done=False,
        error=RequestError(
            problem=error.problem,
            where=error.where,
            expected=error.expected,
            found=error.found,
            todo=error.todo,
        ),
        recording=None,
        state=None,
    )
