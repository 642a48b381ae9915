"""A board at 4 x 10 kS/s that cranks for nine seconds in every minute, for as long as one likes."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.rig_source import Floats, SourceEdge
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

sys.path.insert(0, str(Path(__file__).parents[1]))
from setup_texts import CANNOT_START, engine, intake, probe, sampled, spark

SETUP_TEXT = (
    engine(1, 5, 3, 6, 2, 4)
    + sampled(10000)
    + CANNOT_START
    + intake(input=0)
    + probe("exhaust", "exhaust_pulse", input=1)
    + probe("current", "starter_current", input=2)
    + probe("battery", "battery_voltage", input=3)
    + spark(input=4)
)
SETUP: Setup = parse_setup(SETUP_TEXT)
PIECE_S = 0.02
EVERY_S = 60.0


class Repeated:
    """A source that plays again from its beginning every `period_s` seconds."""

    def __init__(self, source: EngineSource, period_s: float) -> None:
        self._source, self._period_s = source, period_s
        self.inputs = source.inputs
        self.ends_at_s: float | None = None

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        out = np.empty_like(times)
        for row, number in enumerate(inputs):
            turns = np.floor(times[row] / self._period_s)
            for turn in np.unique(turns):
                part = turns == turn
                at = times[row : row + 1, part] - turn * self._period_s
                out[row, part] = self._source.volts((number,), at)[0]
        return out

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        first, last = int(t_from // self._period_s), int(t_to // self._period_s)
        return [
            SourceEdge(edge.t + turn * self._period_s, edge.input, edge.rising)
            for turn in range(first, last + 1)
            for edge in self._source.edges(t_from - turn * self._period_s, t_to - turn * self._period_s)
            if 0 <= edge.t < self._period_s
        ]


def pieces(
    seconds: float, *, piece_s: float = PIECE_S, every_s: float = EVERY_S
) -> Iterator[tuple[bytes, int]]:
    """What the link would hand in: bytes, and the host's nanoseconds, piece after piece. every_s: from crank to crank."""
    source = EngineSource(SETUP, Cranking(rest_s=3.0, crank_s=9.0, noise_db=40.0, start_deg=0.0))
    board = VirtualBoard(Repeated(source, every_s), BoardOptions(adc_bits=12, baud=2_000_000))
    board.receive(encode_identify(1))
    board.receive(encode_start(2, 1, 10_000, (0, 1, 2, 3, 4), False))
    step = 1.0  # the board is asked for a second at once; its bytes are then cut as they would come
    at_s = 0.0
    while at_s < seconds:
        data = board.advance(at_s + step)
        parts = max(1, round(step / piece_s))
        for k in range(parts):
            piece = data[len(data) * k // parts : len(data) * (k + 1) // parts]
            yield piece, round((at_s + (k + 1) * step / parts) * 1e9)
        at_s += step
