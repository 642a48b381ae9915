"""The virtual board, seen through the real decoder."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import (
    NEED_DATA,
    Ack,
    AckStatus,
    Counters,
    Edges,
    Event,
    Hello,
    InputInfo,
    InputKind,
    Log,
    Loss,
    ResetCause,
    Samples,
)
from evenstroke_replay.rig_counting import counting_signal
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.rig_source import EdgeTimeline, Floats, RigError, SourceEdge
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from hypothesis import given
from hypothesis import strategies as st


class Ramps:
    """Volts that say when and where they were sampled: input j gives j/2 + t/40."""

    def __init__(self, analog: int, edge: int = 0, edges_per_s: float = 100.0) -> None:
        self.inputs = tuple(
            [InputInfo(InputKind.ANALOG, f"a{i}") for i in range(analog)]
            + [InputInfo(InputKind.EDGE, f"e{i}") for i in range(edge)]
        )
        self.ends_at_s: float | None = None
        times = np.arange(0.5, 400.0) / edges_per_s
        self.timeline = EdgeTimeline(
            {i: (times + i * 1e-4, np.arange(len(times)) % 2 == 0) for i in range(analog, analog + edge)}
        )

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        return np.array(inputs)[:, None] / 2.0 + times / 40.0

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        return self.timeline.between(t_from, t_to)


def decoded(data: bytes) -> list[Event]:
    decoder = FrameDecoder()
    decoder.receive(data)
    events = []
    while (event := decoder.next_event()) is not NEED_DATA:
        events.append(event)
    return events


def of(events: list[Event], kind: type) -> list:
    return [event for event in events if isinstance(event, kind)]


def run(
    board: VirtualBoard,
    inputs: tuple[int, ...],
    *,
    rate_hz: int = 10_000,
    seconds: float = 2.0,
    counting: bool = False,
    number: int = 1,
) -> bytes:
    out = board.advance(board.now_s + 0.1)
    board.receive(encoder.encode_identify(1) + encoder.encode_start(2, number, rate_hz, inputs, counting))
    out += board.advance(board.now_s + seconds)
    board.receive(encoder.encode_stop(3))
    return out + board.advance(board.now_s + 1.0)


@pytest.mark.parametrize("bits", [10, 12, 16])
@pytest.mark.parametrize("analog", [1, 2, 3, 5, 8, 16])
def test_counting_signal_arrives_whole(bits: int, analog: int) -> None:
    board = VirtualBoard(Ramps(analog), BoardOptions(adc_bits=bits, baud=None))
    events = decoded(run(board, tuple(range(analog)), counting=True, seconds=0.7))
    assert not of(events, Loss)
    counts = np.concatenate([s.counts for s in of(events, Samples)])
    assert len(counts) == 7000
    # Arithmetic: scan k, input j of n counts k * n + j, modulo 2**bits.
    assert np.array_equal(counts.ravel(), np.arange(counts.size) % 2**bits)
    assert all(s.counting and s.bits == bits for s in of(events, Samples))
    assert [s.sequence for s in of(events, Samples)] == list(range(len(of(events, Samples))))


def test_counting_signal_goes_on_from_any_scan() -> None:
    whole = counting_signal(0, 1000, 3, 10)
    assert np.array_equal(whole[400:], counting_signal(400, 600, 3, 10))


@pytest.mark.parametrize("bits", [10, 12, 16])
def test_every_sample_is_the_source_s_volts_at_its_own_time(bits: int) -> None:
    board = VirtualBoard(Ramps(4), BoardOptions(adc_bits=bits, baud=None))
    events = decoded(run(board, (0, 1, 3), seconds=1.0))
    began = of(events, Samples)[0].tick
    for block in of(events, Samples):
        k, j = np.indices(block.counts.shape)
        t = (block.tick - began + k * block.scan_ticks + j * block.skew_ticks) / 2e6
        volts = np.array([0, 1, 3])[j] / 2.0 + t / 40.0
        # An ideal ADC: floor(2**bits V / Vref).
        assert np.array_equal(block.counts, np.floor(volts * 2**bits / 5.0))
    assert of(events, Samples)[0].skew_ticks > 0


def test_edges_are_all_reported_within_50_ms_and_at_their_tick() -> None:
    source = Ramps(1, 2, edges_per_s=400.0)
    board = VirtualBoard(source)
    events = decoded(run(board, (0, 1, 2), seconds=1.0))
    frames = of(events, Edges)
    began = of(events, Samples)[0].tick
    got = [(e.tick - began, e.input, e.rising) for f in frames for e in f.edges]
    expected = [(round(e.t * 2e6), e.input, e.rising) for e in source.edges(0.0, 1.0)]
    assert got == expected
    until = [began] + [f.until_tick for f in frames]
    assert all(0 < b - a <= 100_000 for a, b in itertools.pairwise(until))
    assert until[-1] == began + 2_000_000


def test_edges_too_many_for_one_frame_take_several() -> None:
    source = Ramps(1, 3, edges_per_s=2000.0)
    board = VirtualBoard(source, BoardOptions(baud=None))
    events = decoded(run(board, (0, 1, 2, 3), seconds=0.15))
    assert not of(events, Loss)
    began = of(events, Samples)[0].tick
    got = sorted((e.tick - began, e.input) for f in of(events, Edges) for e in f.edges)
    assert got == sorted((round(e.t * 2e6), e.input) for e in source.edges(0.0, 0.15))
    assert max(len(f.edges) for f in of(events, Edges)) > 40


def test_hello_acks_and_counters() -> None:
    board = VirtualBoard(Ramps(4, 4))
    events = decoded(run(board, (0, 1, 4), seconds=3.5))
    hello = of(events, Hello)[0]
    assert (hello.reset_cause, hello.boot_count) == (ResetCause.POWER_ON, 1)
    assert hello.inputs == Ramps(4, 4).inputs
    assert hello.run == 0
    assert [(a.command, a.token, a.status) for a in of(events, Ack)] == [
        (0x81, 1, AckStatus.DONE),
        (0x82, 2, AckStatus.DONE),
        (0x83, 3, AckStatus.DONE),
    ]
    assert of(events, Ack)[1].value == of(events, Samples)[0].scan_ticks == 200
    counters = of(events, Counters)
    assert len(counters) == 4  # at 1, 2, 3 seconds and at the stop
    assert events.index(counters[-1]) == len(events) - 2
    assert sum(len(s.counts) for s in of(events, Samples)) == 35_000


def test_the_board_has_as_many_inputs_as_the_set_up_asks_for() -> None:
    setup, _ = load_setup("demo")
    hello = VirtualBoard(EngineSource(setup)).hello
    assert len(hello.analog_inputs) >= 4
    assert len(hello.edge_inputs) >= 4
    assert max(p.input for p in setup.probe if p.input is not None) < len(hello.inputs) <= 16
    assert len(VirtualBoard(Ramps(16)).hello.inputs) == 16


@pytest.mark.parametrize(
    ("command", "status"),
    [
        (encoder.encode_start(9, 1, 10_000, (4,), False), AckStatus.NO_SUCH_INPUT),
        (encoder.encode_start(9, 1, 50_000, (0, 1), False), AckStatus.RATE_NOT_POSSIBLE),
        (encoder.encode_start(9, 1, 12_345, (0,), False), AckStatus.RATE_NOT_POSSIBLE),
        (encoder.encode_start(9, 1, 10_000, (0, 15), False), AckStatus.NO_SUCH_INPUT),
        (encoder.frame(bytes([0x90, 9, 0])), AckStatus.UNKNOWN_COMMAND),
        (encoder.frame(bytes([0x82, 9, 0, 1])), AckStatus.BAD_LENGTH),
    ],
)
def test_what_cannot_be_done_is_refused(command: bytes, status: AckStatus) -> None:
    board = VirtualBoard(Ramps(2))
    board.receive(command)
    acks = of(decoded(board.advance(0.1)), Ack)
    assert [a.status for a in acks] == [status]
    assert acks[0].token == 9
    assert not board.streaming


def test_broken_commands_are_counted_and_obeyed_once_mended() -> None:
    board = VirtualBoard(Ramps(2))
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), False))
    good = encoder.encode_ping(5)
    broken = bytes([good[0], good[1] ^ 0x55]) + good[2:]
    for byte in b"\x07garbage\x00" + broken + good:
        board.receive(bytes([byte]))
    events = decoded(board.advance(1.5))
    assert of(events, Counters)[0].commands_rejected == 2
    assert [a.token for a in of(events, Ack)] == [1, 5]


@given(st.lists(st.binary(max_size=60), max_size=8))
def test_no_bytes_upset_the_board(chunks: list[bytes]) -> None:
    board = VirtualBoard(Ramps(2, 1))
    for k, chunk in enumerate(chunks):
        board.receive(chunk)
        board.advance(0.01 * k)
    board.receive(b"\x00" + encoder.encode_ping(77))
    events = decoded(board.advance(1.0))
    assert not of(events, Loss)
    assert [a.token for a in of(events, Ack)][-1] == 77


def test_output_does_not_depend_on_how_time_is_cut() -> None:
    setup, _ = load_setup("demo")
    options = BoardOptions(baud=700_000, careful=False)

    def played(step_s: float) -> bytes:
        board = VirtualBoard(EngineSource(setup, Cranking(noise_db=20.0, crank_s=2.0, rest_s=0.2)), options)
        board.receive(encoder.encode_start(2, 1, 10_000, tuple(range(8)), False))
        out = b"".join(board.advance(step_s * k) for k in range(1, int(1.2 / step_s)))
        return out + board.advance(1.2) + board.advance(2.0)

    whole = played(1.2)
    assert len(whole) > 50_000
    for step_s in (0.001, 0.0137, 0.3):
        assert played(step_s) == whole


def test_a_line_that_is_too_slow_loses_whole_blocks_and_counts_them() -> None:
    board = VirtualBoard(Ramps(4), BoardOptions(adc_bits=10, baud=115_200, careful=False))
    data = run(board, (0, 1, 2, 3), seconds=5.0, counting=True)
    # 10 bits a byte on the line: no more than baud / 10 bytes a second.
    assert len(data) <= 11_520 * 6.1
    events = decoded(data)
    blocks = of(events, Samples)
    dropped = of(events, Counters)[-1].blocks_dropped
    per_block = len(blocks[0].counts)
    sent = sum(len(s.counts) for s in blocks)
    assert dropped > 0
    assert sent + dropped * per_block == pytest.approx(50_000, abs=per_block)
    # A dropped block gets no number (SPEC.md, "samples"): nothing is missing from the sequence, only from the ticks.
    assert not of(events, Loss)
    assert [b.sequence for b in blocks] == list(range(len(blocks)))
    # The counting signal says the same, by arithmetic alone.
    firsts = np.array([(s.tick - blocks[0].tick) // s.scan_ticks for s in blocks])
    assert np.array_equal([s.counts[0, 0] for s in blocks], firsts * 4 % 1024)


def test_the_host_tells_blocks_that_the_board_dropped_from_those_lost_on_the_way() -> None:
    setup, _ = load_setup("demo")
    engine = EngineSource(setup, Cranking(rest_s=0.2, crank_s=2.0))
    board = VirtualBoard(engine, BoardOptions(baud=300_000, careful=False))
    inputs = tuple(sorted(p.input for p in setup.probe if p.input is not None))
    events = decoded(run(board, inputs, rate_hz=10_000, seconds=2.0))
    feed = BoardFeed(setup)
    gaps = [b for event in events for b in feed.feed(event, 0) if isinstance(b, Gap)]
    assert of(events, Counters)[-1].blocks_dropped > 0
    assert {gap.reason for gap in gaps} == {"board_dropped"}
    samples = of(events, Samples)
    between = (samples[-1].tick - samples[0].tick) // samples[0].scan_ticks + len(samples[-1].counts)
    assert feed.lost_samples == between - sum(len(s.counts) for s in samples)


def test_the_line_carries_what_the_demo_asks_for() -> None:
    setup, _ = load_setup("demo")
    assert setup.acquisition is not None
    board = VirtualBoard(
        EngineSource(setup, Cranking(rest_s=0.2, crank_s=2.0)), BoardOptions(baud=setup.acquisition.baud)
    )
    inputs = tuple(sorted(p.input for p in setup.probe if p.input is not None))
    events = decoded(run(board, inputs, rate_hz=setup.acquisition.rate_hz, seconds=3.0))
    assert of(events, Counters)[-1].blocks_dropped == 0
    assert not board.clipped
    feed = BoardFeed(setup)
    blocks = [block for event in events for block in feed.feed(event, 0)]
    assert feed.lost_samples == 0
    assert sum(b.samples for b in blocks if isinstance(b, SampleBlock)) >= 30_000
    assert any(len(b.times) for b in blocks if isinstance(b, EdgeBlock))


def test_ticks_wrap_and_are_unwrapped() -> None:
    board = VirtualBoard(Ramps(2, 1), BoardOptions(first_tick=2**32 - 1_500_000))
    events = decoded(run(board, (0, 1, 2), seconds=2.0))
    ticks = np.array([s.tick for s in of(events, Samples)])
    assert np.all(np.diff(ticks) > 0)
    assert ticks[-1] - ticks[0] > 3_800_000
    assert not of(events, Loss)


def test_a_reset_is_a_new_power_up() -> None:
    board = VirtualBoard(Ramps(2))
    board.receive(encoder.encode_start(1, 1, 1000, (0,), False))
    board.advance(1.0)
    board.reset(ResetCause.BROWN_OUT)
    data = board.advance(1.1)
    assert data[0] == 0  # a delimiter first (SPEC.md)
    hello = of(decoded(data), Hello)[0]
    assert (hello.reset_cause, hello.run, hello.tick, hello.boot_count) == (ResetCause.BROWN_OUT, 0, 0, 2)
    assert not of(decoded(board.advance(3.0)), Samples)


def test_a_start_in_mid_run_ends_it_without_its_remains() -> None:
    board = VirtualBoard(Ramps(2))
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), False))
    out = board.advance(0.55)
    board.receive(encoder.encode_start(2, 2, 1000, (0, 1), False))
    events = decoded(out + board.advance(1.0))
    ack = next(e for e in of(events, Ack) if e.token == 2)
    before, after = events[: events.index(ack)], events[events.index(ack) + 1 :]
    assert {e.run for e in before if isinstance(e, Samples | Edges)} == {1}
    assert {e.run for e in after if isinstance(e, Samples | Edges | Counters)} == {2}
    assert of(after, Samples)[0].sequence == 0


def test_edges_in_one_tick_are_kept_together() -> None:
    source = Ramps(1, 15)
    times = np.arange(1, 60) * 1e-3
    source.timeline = EdgeTimeline(dict.fromkeys(range(1, 16), (times, times > 0.0)))
    board = VirtualBoard(source, BoardOptions(baud=None))
    events = decoded(run(board, tuple(range(16)), seconds=0.1))
    assert not of(events, Loss)
    assert sum(len(f.edges) for f in of(events, Edges)) == 59 * 15
    assert max(len(f.edges) for f in of(events, Edges)) == 45


def test_a_new_run_begins_the_source_anew() -> None:
    board = VirtualBoard(Ramps(1), BoardOptions(baud=None))
    first = decoded(run(board, (0,), seconds=0.5))
    second = decoded(run(board, (0,), seconds=0.5, number=2))
    same = [np.concatenate([s.counts for s in of(events, Samples)]) for events in (first, second)]
    assert np.array_equal(*same)
    assert {s.run for s in of(second, Samples)} == {2}


def test_the_end_of_a_source_is_told_where_it_is() -> None:
    source = Ramps(2)
    source.ends_at_s = 0.777
    board = VirtualBoard(source)
    events = decoded(run(board, (0, 1), rate_hz=1000, seconds=3.0))
    logs = of(events, Log)
    assert len(logs) == 1
    before = of(events[: events.index(logs[0])], Samples)
    assert 700 < sum(len(s.counts) for s in before) <= 777
    assert sum(len(s.counts) for s in of(events, Samples)) == 3000


def test_volts_outside_the_converter_s_range_are_clipped_and_counted() -> None:
    class Wide(Ramps):
        def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
            return np.array([[-1.0], [6.0], [2.0]])[list(inputs)] + 0.0 * times

    board = VirtualBoard(Wide(3), BoardOptions(adc_bits=10))
    events = decoded(run(board, (0, 1, 2), rate_hz=1000, seconds=0.5))
    counts = np.concatenate([s.counts for s in of(events, Samples)])
    assert np.all(counts == [0, 1023, 409])
    assert board.clipped == {0: 500, 1: 500}


def test_no_board_has_such_a_converter() -> None:
    with pytest.raises(RigError):
        VirtualBoard(Ramps(1), BoardOptions(adc_bits=11))
    with pytest.raises(RigError):
        VirtualBoard(Ramps(1), dataclasses.replace(BoardOptions(), rates_hz=(3,)))
