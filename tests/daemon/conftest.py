"""A virtual board behind a port that never was, on a clock that only its reads move."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenstroke_protocol.events import InputInfo, InputKind
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard


class FlatSource:
    """Inputs at rest: 1 V on each analog input, an edge every 0.1 s on each edge input."""

    def __init__(self, analog: int = 2, edge: int = 1) -> None:
        self.inputs = tuple(
            [InputInfo(InputKind.ANALOG, f"A{i}") for i in range(analog)]
            + [InputInfo(InputKind.EDGE, f"E{i}") for i in range(edge)]
        )
        self.ends_at_s = None

    def volts(self, inputs, times):
        return times * 0.0 + 1.0

    def edges(self, t_from, t_to):
        from evenstroke_replay.rig_source import SourceEdge

        edge_inputs = [i for i, info in enumerate(self.inputs) if info.kind is InputKind.EDGE]
        return [
            SourceEdge(k / 10, i, k % 2 == 0)
            for k in range(int(t_from * 10) - 1, int(t_to * 10) + 2)
            if t_from <= k / 10 < t_to
            for i in edge_inputs
        ]


class VirtualPort:
    """A port whose clock stands still except while it is read.

    damage: called with what the board sent and the time (seconds); returns what arrives.
    """

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.now_s = 100.0
        self.began_s = self.now_s
        self.timeout_s = 0.02
        self.damage: Callable[[bytes, float], bytes] = lambda data, _: data
        self.written: list[bytes] = []
        self.closed = False
        self.before_read: Callable[[], None] = lambda: None

    def opener(self, port: str, baud: int, timeout_s: float) -> VirtualPort:
        self.timeout_s = timeout_s
        return self

    def read(self, size: int) -> bytes:
        self.before_read()
        self.now_s += self.timeout_s
        return self.damage(self.board.advance(self.now_s - self.began_s), self.now_s - self.began_s)

    def write(self, data: bytes) -> int:
        self.written.append(data)
        self.board.receive(data)
        return len(data)

    def close(self) -> None:
        self.closed = True

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def monotonic_ns(self) -> int:
        return round(self.now_s * 1e9)


@pytest.fixture
def flat_source() -> type[FlatSource]:
    return FlatSource


@pytest.fixture
def virtual_port() -> Callable[..., VirtualPort]:
    def make(**options: object) -> VirtualPort:
        return VirtualPort(VirtualBoard(FlatSource(), BoardOptions(**options)))

    return make
