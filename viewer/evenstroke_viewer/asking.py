"""What the viewer asks of the daemon: a mark, a recording. One question, one answer, with a time-out. No Qt here."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import msgspec
import zmq
from evenstroke_dsp.messages import Reply, Request

from .curve_keys import CurveKeys

DEFAULT_CONTROL = "tcp://127.0.0.1:7721"
_PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class Control:
    """Where a daemon answers requests. keys: where it asks for them."""

    address: str = DEFAULT_CONTROL
    keys: CurveKeys | None = None


def ask(control: Control, request: Request, patience_s: float = _PATIENCE_S) -> str | None:
    """Ask, wait, and return why it was not done, in words; None: it was done."""
    context = zmq.Context()
    socket = context.socket(zmq.REQ)
    socket.linger = 0
    if control.keys is not None:
        control.keys.put_on(socket)
    try:
        socket.connect(control.address)
        socket.send(msgspec.json.encode(request))
        if not socket.poll(int(patience_s * 1000)):
            return (
                f"nobody answers at {control.address} within {patience_s:.0f} s: does evenstroke listen run?"
            )
        reply = msgspec.json.decode(socket.recv(), type=Reply)
    except (zmq.ZMQError, msgspec.MsgspecError) as error:
        return f"{control.address}: {error}"
    finally:
        socket.close()
        context.term()
    if reply.done or reply.error is None:
        return None
    why = reply.error
    return ". ".join(filter(None, (why.problem, why.found, why.todo)))


def ask_aside(control: Control, request: Request, answered: Callable[[str | None], None]) -> threading.Thread:
    """Ask in a thread of its own, which then calls `answered`; nobody waits."""
    thread = threading.Thread(target=lambda: answered(ask(control, request)), name="ask", daemon=True)
    thread.start()
    return thread
