"""Sequence numbers and ticks from block to block: gaps, repeats, wraps, resets, joining late."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pytest
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import CommandDecoder, FrameDecoder
from evenstroke_protocol.errors import DeviceProtocolError
from evenstroke_protocol.events import (
    Ack,
    AckStatus,
    Counters,
    Edge,
    Edges,
    Hello,
    InputInfo,
    InputKind,
    Loss,
    LossReason,
    ResetCause,
    Samples,
)
from evenstroke_protocol.runs import signed32
from evenstroke_protocol.version import check_version
from evenstroke_protocol.wire import Kind
from hypothesis import given
from hypothesis import strategies as st

Drain = Callable[[FrameDecoder | CommandDecoder, Iterable[bytes]], list[object]]

SCAN_TICKS = 200
BLOCK_TICKS = 10 * SCAN_TICKS


def block(sequence: int, run: int = 1, tick: int | None = None) -> bytes:
    tick = sequence * BLOCK_TICKS if tick is None else tick
    counts = np.full((10, 1), sequence % 1024, dtype=np.uint16)
    return encoder.encode_samples(
        Samples(run, sequence % 2**32, tick, SCAN_TICKS, 0, 10, False, (0,), counts)
    )


def edges(sequence: int, run: int = 1, until: int | None = None, *ticks: int) -> bytes:
    until = sequence * BLOCK_TICKS if until is None else until
    return encoder.encode_edges(Edges(run, sequence, until, tuple(Edge(t, 2, True) for t in ticks)))


def started(status: AckStatus = AckStatus.DONE) -> bytes:
    return encoder.encode_ack(Ack(Kind.START, 1, status, SCAN_TICKS))


def hello(run: int = 0, version: int = 1) -> bytes:
    return encoder.encode_hello(
        Hello(
            protocol_version=version,
            board="bench",
            firmware="0.1.0",
            serial_number=1,
            boot_count=2,
            reset_cause=ResetCause.BROWN_OUT,
            clock_hz=2_000_000,
            adc_bits=10,
            adc_reference_mv=5000,
            block_scans=46,
            rates_hz=(10000,),
            inputs=(InputInfo(InputKind.ANALOG, "A0"),),
            run=run,
            tick=0,
        )
    )


def losses(events: Iterable[object]) -> list[tuple[LossReason, int]]:
    return [(e.reason, e.blocks_lost) for e in events if isinstance(e, Loss)]


def delivered(events: Iterable[object]) -> list[int]:
    return [e.sequence for e in events if isinstance(e, Samples)]


MISSING, REPEATED = LossReason.SAMPLES_MISSING, LossReason.REPEATED


@given(arrived=st.sets(st.integers(0, 60), min_size=1))
def test_gaps_are_counted_exactly(arrived: set[int], drain: Drain) -> None:
    order = sorted(arrived)
    events = drain(FrameDecoder(), [started(), *(block(sequence) for sequence in order)])
    assert delivered(events) == order
    assert sum(count for _, count in losses(events)) == order[-1] + 1 - len(order)
    assert {reason for reason, _ in losses(events)} <= {MISSING}


def test_a_gap_is_said_before_the_block_that_follows_it(drain: Drain) -> None:
    frames = [started(), block(0), block(3)]
    _, first, loss, last = drain(FrameDecoder(), frames)
    assert isinstance(first, Samples)
    assert isinstance(last, Samples)
    assert loss == Loss(
        reason=MISSING,
        offset=len(frames[0]) + len(frames[1]),
        expected="samples block 1 of run 1",
        got="samples block 3",
        bytes_lost=0,
        blocks_lost=2,
        run=1,
    )


def test_a_repeated_block_is_dropped_and_its_bytes_are_counted(drain: Drain) -> None:
    again = block(1)
    events = drain(FrameDecoder(), [started(), block(0), block(1), again, block(2)])
    assert delivered(events) == [0, 1, 2]
    (loss,) = [e for e in events if isinstance(e, Loss)]
    assert (loss.reason, loss.blocks_lost, loss.bytes_lost) == (REPEATED, 0, len(again) - 1)


def test_an_old_block_that_comes_again_does_not_set_the_sequence_back(drain: Drain) -> None:
    events = drain(FrameDecoder(), [started(), block(0), block(1), block(2), block(0), block(1), block(3)])
    assert delivered(events) == [0, 1, 2, 3]
    assert losses(events) == [(REPEATED, 0), (REPEATED, 0)]


def test_a_sequence_that_goes_far_back_is_no_billion_of_lost_blocks(drain: Drain) -> None:
    events = drain(FrameDecoder(), [block(3_000_000, tick=0), block(7, tick=BLOCK_TICKS)])
    assert delivered(events) == [3_000_000]
    assert losses(events) == [(REPEATED, 0)]


def test_sequence_numbers_wrap(drain: Drain) -> None:
    last = 2**32 - 1
    events = drain(
        FrameDecoder(),
        [
            block(last - 1, tick=0),
            block(last, tick=BLOCK_TICKS),
            block(0, tick=2 * BLOCK_TICKS),
            block(2, tick=4 * BLOCK_TICKS),
        ],
    )
    assert delivered(events) == [last - 1, last, 0, 2]
    assert losses(events) == [(MISSING, 1)]


def test_edges_and_samples_are_numbered_apart(drain: Drain) -> None:
    events = drain(FrameDecoder(), [started(), edges(0), block(0), block(1), edges(4), block(3)])
    assert losses(events) == [(LossReason.EDGES_MISSING, 3), (MISSING, 1)]


def test_who_joins_late_takes_what_comes_first(drain: Drain) -> None:
    assert losses(drain(FrameDecoder(), [block(5000), edges(600), block(5001)])) == []
    assert losses(drain(FrameDecoder(), [hello(run=1), block(5000)])) == []
    assert losses(drain(FrameDecoder(), [hello(run=0), block(5000)])) == []


def test_who_joins_in_mid_frame_loses_the_torn_frame_only(drain: Drain) -> None:
    whole = block(5000)
    for cut in range(1, len(whole)):
        torn = whole[cut:]
        events = drain(FrameDecoder(), [torn, block(5001)])
        assert delivered(events) == [5001]
        lost = [e for e in events if isinstance(e, Loss)]
        assert [(e.offset, e.bytes_lost) for e in lost] == ([(0, len(torn) - 1)] if len(torn) > 1 else [])


@pytest.mark.parametrize(
    "before",
    [
        pytest.param([started()], id="ack of start"),
        pytest.param([block(9, run=4)], id="another run"),
        pytest.param([block(9, run=1), hello(run=0)], id="hello after a reset"),
        pytest.param([block(9, run=1), started()], id="a start with the same run number"),
    ],
)
def test_a_run_that_begins_under_our_eyes_must_begin_at_0(before: list[bytes], drain: Drain) -> None:
    assert losses(drain(FrameDecoder(), [*before, block(0), edges(0)])) == []
    events = drain(FrameDecoder(), [*before, block(5), edges(2)])
    assert losses(events) == [(MISSING, 5), (LossReason.EDGES_MISSING, 2)]


def test_a_refused_start_begins_nothing(drain: Drain) -> None:
    assert losses(drain(FrameDecoder(), [started(AckStatus.NOT_NOW), block(5)])) == []
    assert losses(drain(FrameDecoder(), [block(4), started(AckStatus.NOT_NOW), block(5)])) == []


def test_a_reset_in_mid_stream(drain: Drain) -> None:
    """The board resets in mid-frame, says hello unasked, and the host starts another run."""
    torn = block(3)[:11]
    stream = [started(), block(0), block(1), block(2), torn, b"\0" + hello(run=0), started()]
    stream += [block(0, run=2, tick=77), edges(0, run=2, until=100), block(1, run=2, tick=77 + BLOCK_TICKS)]
    events = drain(FrameDecoder(), stream)
    kinds = [type(e).__name__ for e in events]
    assert kinds == ["Ack", *["Samples"] * 3, "Loss", "Hello", "Ack", "Samples", "Edges", "Samples"]
    assert isinstance(events[4], Loss)
    assert events[4].bytes_lost == len(torn)
    assert isinstance(events[7], Samples)
    assert events[7].tick == 77, "the new run's first tick stands as it is"


@given(
    first=st.integers(0, 2**32 - 1),
    steps=st.lists(st.integers(BLOCK_TICKS, 2**31 - 1), min_size=1, max_size=12),
)
def test_ticks_unwrap(first: int, steps: list[int], drain: Drain) -> None:
    """Against whole numbers that never wrapped, with an edges and a counters frame beside each block."""
    tick, sequence, stream, expected = first, 0, [block(0, tick=first)], [first]
    for step in steps:
        tick, sequence = tick + step, sequence + 1
        before = tick - step // 3
        stream += [
            block(sequence, tick=tick),
            edges(sequence, 1, before, before - 1),
            encoder.encode_counters(Counters(1, before, 0, 0, 0, 0)),
        ]
        expected += [tick, before - 1, before, before]
    seen: list[int] = []
    for event in drain(FrameDecoder(), stream):
        match event:
            case Samples() | Counters():
                seen.append(event.tick)
            case Edges():
                seen += [*(e.tick for e in event.edges), event.until_tick]
    assert seen == expected


def test_an_edge_before_the_first_tick_of_its_run_may_be_negative(drain: Drain) -> None:
    (event,) = drain(FrameDecoder(), [edges(0, 1, 5, 2**32 - 3, 4)])
    assert isinstance(event, Edges)
    assert [e.tick for e in event.edges] == [-3, 4]


def test_a_block_that_reaches_back_into_the_one_before_is_refused(drain: Drain) -> None:
    overlapping = block(1, tick=5 * SCAN_TICKS)
    events = drain(FrameDecoder(), [started(), block(0), overlapping, block(2)])
    assert delivered(events) == [0, 2]
    assert losses(events) == [(LossReason.BAD_FIELD, 1)]


def test_an_edge_that_should_have_come_before_is_refused(drain: Drain) -> None:
    frames = [started(), edges(0, 1, 1000, 900), edges(1, 1, 2000, 999), edges(2, 1, 3000, 2000)]
    events = drain(FrameDecoder(), frames)
    assert [e.sequence for e in events if isinstance(e, Edges)] == [0, 2]
    assert losses(events) == [(LossReason.BAD_FIELD, 1)]


@given(st.integers(-(2**31), 2**31 - 1), st.integers(-(2**40), 2**40))
def test_signed32_finds_the_difference_of_wrapped_numbers(difference: int, base: int) -> None:
    assert signed32((base + difference) % 2**32 - base % 2**32) == difference


def test_another_version_is_told_with_both(drain: Drain) -> None:
    (event,) = drain(FrameDecoder(), [hello(version=2)])
    assert isinstance(event, Hello)
    with pytest.raises(DeviceProtocolError) as refusal:
        check_version(event, "port")
    assert "version 1" in refusal.value.expected
    assert "version 2" in refusal.value.found
    (same,) = drain(FrameDecoder(), [hello()])
    assert isinstance(same, Hello)
    check_version(same)
