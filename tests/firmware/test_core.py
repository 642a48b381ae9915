"""The firmware's portable core, compiled for this computer, against the golden vectors and the Python decoders.

CRC and COBS have their own outside checks in tests/protocol; here C and Python must agree byte by byte.
"""

from __future__ import annotations

import importlib.util
import json
import random
import sys
import zlib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import (
    NEED_DATA,
    Ack,
    AckStatus,
    Counters,
    Edge,
    Edges,
    Hello,
    Loss,
    LossReason,
    ResetCause,
    Samples,
)
from evenstroke_protocol.wire import Kind
from hypothesis import given, settings
from hypothesis import strategies as st

FOLDER = Path(__file__).parents[2] / "firmware_protocol"
VECTORS: dict[str, Any] = json.loads((FOLDER / "vectors.json").read_text(encoding="utf-8"))
CLOCK_HZ = 2_000_000


def agreement() -> ModuleType:
    """The benchmark that compares core and Python at length: what it drives the core with is used here too."""
    path = Path(__file__).parents[1] / "bench" / "bench_agreement.py"
    spec = importlib.util.spec_from_file_location("bench_agreement", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_agreement"] = module
    spec.loader.exec_module(module)
    return module


bench = agreement()
Core, agree, streams = bench.Core, bench.agree, bench.streams


@pytest.fixture(scope="module")
def core(core_library: Path) -> Core:
    return Core(core_library)


@pytest.fixture
def board(core: Core) -> Core:
    """The core after a reset, its hello already said."""
    core.reset()
    core.decoder = FrameDecoder()
    core.events()
    return core


def test_every_vector_of_a_board_is_framed_to_the_same_bytes(core: Core) -> None:
    framed = [v for v in VECTORS["frames"] if v["from"] == "board"]
    assert len(framed) > 20
    for vector in framed:
        payload = bytes.fromhex(vector["payload"])
        for step in (1, 7, 32, 255):
            assert core.frame(payload, step).hex() == vector["framed"], vector["name"]


@settings(deadline=None)
@given(
    kind=st.sampled_from([1, 2, 3, 4, 5, 6]),
    rest=st.binary(max_size=249),
    zeros=st.booleans(),
    step=st.integers(1, 255),
)
def test_any_payload_is_framed_as_the_encoder_frames_it(
    core_library: Path, kind: int, rest: bytes, zeros: bool, step: int
) -> None:
    payload = bytes([kind]) + (bytes(len(rest)) if zeros else rest)
    assert Core(core_library).frame(payload, step) == encoder.frame(payload)


def test_every_vector_of_a_host_is_understood_alike(core: Core) -> None:
    seen = 0
    for group in ("frames", "damaged", "refused"):
        for vector in VECTORS[group]:
            if vector["from"] == "host":
                agree(core, bytes.fromhex(vector["framed"]))
                seen += 1
    assert seen >= 8


@pytest.mark.parametrize("seed", range(20))
def test_damaged_streams_are_understood_alike(core: Core, seed: int) -> None:
    agree(core, streams(seed, 20_000))


def test_whatever_happens_to_it_it_sends_what_python_would_and_answers_what_python_understood(
    core: Core,
) -> None:
    sizes = [bench.agree_driven(core, bytes([seed % 8]) + streams(seed, 10_000)) for seed in range(100, 132)]
    heard, sent = np.sum(sizes, axis=0)
    assert heard > 300_000
    assert sent > 1_000_000, "most of them hold runs that go on for a while"


def test_after_a_reset_it_says_hello_unasked_behind_a_delimiter(core: Core) -> None:
    core.reset(tick=123)
    core.decoder = FrameDecoder()
    sent = core.run()
    assert sent[0] == 0
    core.decoder.receive(b"\x05\x06" + sent)  # half a frame of before the reset
    loss, hello = list(iter(core.decoder.next_event, NEED_DATA))
    assert isinstance(loss, Loss)
    assert isinstance(hello, Hello)
    assert (hello.reset_cause, hello.boot_count, hello.run, hello.tick) == (ResetCause.EXTERNAL, 8, 0, 123)
    assert hello.rates_hz == (2500, 5000, 10000)
    assert [i.name for i in hello.inputs] == ["A0", "A1", "A2", "A3", "D8"]
    assert core.run() == b"", "and then it is silent until it is asked"


def test_every_command_is_answered_by_one_ack(board: Core) -> None:
    assert board.say(encoder.encode_ping(300)) == [Ack(Kind.PING, 300, AckStatus.DONE, 0)]
    hello, ack = board.say(encoder.encode_identify(301))
    assert isinstance(hello, Hello)
    assert ack == Ack(Kind.IDENTIFY, 301, AckStatus.DONE, 0)
    assert board.say(encoder.encode_stop(302)) == [Ack(Kind.STOP, 302, AckStatus.DONE, 0)]
    assert board.say(encoder.frame(b"\x99\x01\x02")) == [Ack(0x99, 0x201, AckStatus.UNKNOWN_COMMAND, 0)]
    assert board.say(encoder.frame(b"\x84\x01\x02\x03")) == [Ack(Kind.PING, 0x201, AckStatus.BAD_LENGTH, 0)]
    assert board.say(b"\x05\x84\x01\x02\x03\x00") == [], "damaged: counted, not answered"


@pytest.mark.parametrize(
    ("rate", "inputs", "status"),
    [
        (1234, (0, 1), AckStatus.RATE_NOT_POSSIBLE),
        (2500, (0, 7), AckStatus.NO_SUCH_INPUT),
        (1234, (0, 7), AckStatus.RATE_NOT_POSSIBLE),  # the first that applies
        (10000, (0, 1, 2, 3, 4), AckStatus.DONE),
    ],
)
def test_a_start_is_refused_for_the_first_reason_that_applies(
    board: Core, rate: int, inputs: tuple[int, ...], status: AckStatus
) -> None:
    value = CLOCK_HZ // rate if status is AckStatus.DONE else 0
    first, *_ = board.say(encoder.encode_start(5, 1, rate, inputs, False))
    assert first == Ack(Kind.START, 5, status, value)


def test_the_run_before_cannot_be_begun_again(board: Core) -> None:
    board.say(encoder.encode_start(1, 9, 2500, (0,), False))
    board.say(encoder.encode_stop(2))
    assert board.say(encoder.encode_start(3, 9, 2500, (0,), False)) == [
        Ack(Kind.START, 3, AckStatus.NOT_NOW, 0)
    ]


@pytest.mark.parametrize("inputs", [(0,), (1, 3), (0, 1, 2), (0, 1, 2, 3)])
@pytest.mark.parametrize("rate", [2500, 10000])
def test_samples_arrive_as_they_were_taken_and_the_last_ones_at_the_stop(
    board: Core, inputs: tuple[int, ...], rate: int
) -> None:
    counts = np.random.default_rng(1).integers(0, 1024, (1013, len(inputs)))
    board.say(encoder.encode_start(1, 4, rate, inputs, False))
    events: list[object] = []
    for k in range(0, len(counts), 10):
        board.scans(counts[k : k + 10])
        events += board.events()
    events += board.say(encoder.encode_stop(2))
    blocks = [e for e in events if isinstance(e, Samples)]
    np.testing.assert_array_equal(np.concatenate([b.counts for b in blocks]), counts)
    assert [b.sequence for b in blocks] == list(range(len(blocks)))
    ticks = CLOCK_HZ // rate
    assert [b.tick for b in blocks] == [
        ticks * sum(len(a.counts) for a in blocks[:k]) for k in range(len(blocks))
    ]
    assert all(len(b.counts) * ticks <= 0.1 * CLOCK_HZ for b in blocks), "no scan waits longer than 100 ms"
    *_, counters, ack = events
    assert counters == Counters(4, 0, 0, 0, 0, 0)
    assert ack == Ack(Kind.STOP, 2, AckStatus.DONE, 0)


def test_whole_blocks_are_dropped_and_counted_when_the_line_is_full(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 10000, (0, 1, 2, 3), True))
    board.scans(np.zeros((46 * 9, 4), dtype=int))  # nothing is sent meanwhile: four blocks fit
    events = board.events()
    board.scans(np.zeros((46 * 2, 4), dtype=int))  # the first of these began when there was no room yet
    events += board.say(encoder.encode_stop(2))
    blocks = [e for e in events if isinstance(e, Samples)]
    assert [b.sequence for b in blocks] == [0, 1, 2, 3, 4]
    assert [b.tick // 200 for b in blocks] == [0, 46, 92, 138, 10 * 46]
    for b in blocks:  # SPEC.md, "Counting test signal": counts of dropped blocks are counted too
        k = b.tick // 200 * 4 + np.arange(46 * 4)
        np.testing.assert_array_equal(b.counts.ravel(), k % 1024)
    (counters,) = [e for e in events if isinstance(e, Counters)]
    assert (counters.blocks_dropped, counters.overruns) == (6, 0)


def test_lost_triggers_drop_the_block_that_they_tear(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 10000, (0, 1, 2, 3), True))
    board.scans(np.zeros((50, 4), dtype=int))
    board.tear(scans=3, triggers=9)
    board.scans(np.zeros((46, 4), dtype=int))
    events = board.say(encoder.encode_stop(2))
    blocks = [e for e in events if isinstance(e, Samples)]
    assert [b.tick // 200 for b in blocks] == [0, 53]
    assert blocks[1].counts.ravel()[0] == 53 * 4 % 1024
    (counters,) = [e for e in events if isinstance(e, Counters)]
    assert (counters.blocks_dropped, counters.overruns) == (1, 9)


def test_edges_come_in_order_every_40_ms_and_when_there_are_none(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 2500, (0, 4), False))
    sent, events = [], []
    draw = random.Random(3)
    for tick in range(0, 3 * CLOCK_HZ // 10, 500):
        board.at(tick)
        if draw.random() < 0.1:
            sent.append(Edge(tick - 3, 4, draw.random() < 0.5))
            board.edge(tick - 3, sent[-1].rising)
        events += board.events()
    board.at(3 * CLOCK_HZ // 10 + 2 * CLOCK_HZ // 10)
    events += board.events()
    events += board.say(encoder.encode_stop(2))
    frames = [e for e in events if isinstance(e, Edges)]
    assert [edge for f in frames for edge in f.edges] == sent
    assert [f.sequence for f in frames] == list(range(len(frames)))
    assert not any(isinstance(e, Loss) for e in events)
    untils = [f.until_tick for f in frames if f.until_tick < 3 * CLOCK_HZ // 10]
    assert max(np.diff(untils)) <= 0.05 * CLOCK_HZ


def test_edges_that_find_no_room_are_counted(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 2500, (4,), False))
    board.at(1000)
    for k in range(40):
        board.edge(k, bool(k % 2))
    events = board.say(encoder.encode_stop(2))
    frames = [e for e in events if isinstance(e, Edges)]
    assert [edge.tick for f in frames for edge in f.edges] == list(range(32))
    (counters,) = [e for e in events if isinstance(e, Counters)]
    assert counters.edges_missed == 8


def test_a_run_without_edge_inputs_ends_whatever_lies_in_their_ring(board: Core) -> None:
    """It once waited there for ever; found by driving the core with edges that nobody had asked for."""
    board.say(encoder.encode_start(1, 4, 2500, (0,), False))
    for k in range(40):
        board.edge(k, bool(k % 2))
    *_, ack = board.say(encoder.encode_stop(2))
    assert ack == Ack(Kind.STOP, 2, AckStatus.DONE, 0)


def test_ticks_wrap(board: Core) -> None:
    begins = 2**32 - 5000
    board.at(begins)
    board.say(encoder.encode_start(1, 4, 10000, (0, 4), False))
    board.edge(2**32 - 10, True)
    board.edge(2**32 + 10, False)
    board.scans(np.zeros((200, 1), dtype=int))
    board.at(2**32 + 40_000)
    events = board.say(encoder.encode_stop(2))
    assert not any(isinstance(e, Loss) for e in events)
    assert [e.tick for f in events if isinstance(f, Edges) for e in f.edges] == [2**32 - 10, 2**32 + 10]
    samples = [e for e in events if isinstance(e, Samples)]
    assert samples[0].tick == begins
    assert samples[-1].tick + len(samples[-1].counts) * 200 == begins + 200 * 200


def test_a_start_in_a_run_ends_it_first_without_an_ack_of_its_own(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 2500, (0,), False))
    board.scans(np.full((3, 1), 77))
    events = board.say(encoder.encode_start(2, 5, 2500, (0, 1), False))
    samples, counters, ack = events
    assert isinstance(samples, Samples)
    assert (samples.run, samples.counts.ravel().tolist()) == (4, [77, 77, 77])
    assert isinstance(counters, Counters)
    assert counters.run == 4
    assert ack == Ack(Kind.START, 2, AckStatus.DONE, 800)


def test_damage_and_refusals_in_a_run_are_counted(board: Core) -> None:
    board.say(encoder.encode_start(1, 4, 2500, (0,), False))
    board.say(b"\x05\x84\x01\x02\x03\x00" + encoder.frame(b"\x99"))
    events = board.say(encoder.encode_stop(2))
    (counters,) = [e for e in events if isinstance(e, Counters)]
    assert counters.commands_rejected == 2


def test_its_table_is_the_crc(core: Core) -> None:
    # zlib's CRC-32 as the outside reference.
    payload = bytes([2]) + bytes(range(200))
    body = core.frame(payload, 9)
    decoder = FrameDecoder()
    decoder.receive(body)
    event = decoder.next_event()
    assert isinstance(event, Loss)
    assert event.reason in (LossReason.BAD_LENGTH, LossReason.BAD_FIELD), (
        "anything but its CRC is wrong with it"
    )
    assert zlib.crc32(payload).to_bytes(4, "little") in encoder.frame(payload)
