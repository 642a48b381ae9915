"""Recordings to be played: the virtual board's bytes, as the daemon would have kept them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from scenarios import ORDERS, RATE_HZ, plain_text

STEP_S = 0.1


def record(path: Path, seconds: float, notes: dict[float, str] | None = None) -> Path:
    """A six that is cranked from 0.8 s for seconds - 1.6, cylinder 4 reading small. notes: words by second."""
    text = plain_text(ORDERS[6])
    setup = parse_setup(text)
    cranking = Cranking(rest_s=0.8, crank_s=seconds - 1.6, noise_db=34.0, cycle_percent=1.0, seed=7)
    source = EngineSource(setup, cranking, (Alteration("intake", 4, -16.0),))
    board = VirtualBoard(source, BoardOptions(baud=None))
    board.receive(encode_identify(1))
    board.receive(encode_start(2, 1, int(RATE_HZ), (0, 1, 2, 3), False))
    waiting = dict(notes or {})
    with Recorder(path, text, started_at=datetime(2026, 2, 3, 9, 15, tzinfo=UTC)) as recorder:
        for step in range(1, round(seconds / STEP_S) + 1):
            at_s = step * STEP_S
            recorder.received(board.advance(at_s), round(at_s * 1e9))
            for second in [s for s in waiting if s <= at_s]:
                recorder.note(waiting.pop(second), round(at_s * 1e9))
    return path
