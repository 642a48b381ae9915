"""BoardFeed: ticks to seconds, counts to volts, lost blocks to exact gaps."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed, check_board
from evenstroke_dsp.setup import Setup, SetupError, parse_setup
from evenstroke_protocol.events import (
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
from hypothesis import given, settings
from hypothesis import strategies as st
from setup_texts import FOUR, intake, probe, spark

CLOCK_HZ = 2_000_000
SCAN_TICKS = 800  # 2.5 kHz

SETUP_TEXT = FOUR + intake(input=0) + probe("current", "starter_current", input=1) + spark(input=4)


def setup(text: str = SETUP_TEXT) -> Setup:
    return parse_setup(text)


def hello(run: int = 0, boot_count: int = 7) -> Hello:
    kinds = [InputKind.ANALOG] * 4 + [InputKind.EDGE] * 2
    return Hello(
        protocol_version=1,
        board="test board",
        firmware="1.0.0",
        serial_number=0,
        boot_count=boot_count,
        reset_cause=ResetCause.POWER_ON,
        clock_hz=CLOCK_HZ,
        adc_bits=10,
        adc_reference_mv=5000,
        block_scans=45,
        rates_hz=(2500,),
        inputs=tuple(InputInfo(kind, f"IN{i}") for i, kind in enumerate(kinds)),
        run=run,
        tick=0,
    )


def samples(
    sequence: int,
    tick: int,
    scans: int,
    *,
    run: int = 1,
    first: int = 0,
    inputs: tuple[int, ...] = (0, 1),
    bits: int = 10,
    skew_ticks: int = 100,
    counting: bool = False,
) -> Samples:
    counts = (first * len(inputs) + np.arange(scans * len(inputs))) % (1 << bits)
    return Samples(
        run=run,
        sequence=sequence,
        tick=tick,
        scan_ticks=SCAN_TICKS,
        skew_ticks=skew_ticks,
        bits=bits,
        counting=counting,
        inputs=inputs,
        counts=counts.astype(np.uint16).reshape(scans, len(inputs)),
    )


def fed(feed: BoardFeed, *events: object, host_ns: int = 0) -> list[Block]:
    return [block for event in events for block in feed.feed(event, host_ns)]  # type: ignore[arg-type]


def test_a_block_that_begins_some_ticks_early_or_late_is_no_loss_and_no_new_run() -> None:
    # SPEC.md, "samples": a block must not begin before the last scan of the block before it, no more than that.
    feed = BoardFeed(setup())
    fed(feed, hello())
    blocks = []
    for k, off in enumerate((0, -1, -2, 0, 3, -399)):
        # The host's clock says something else each time: it must not matter.
        blocks += feed.feed(samples(k, 10 * k * SCAN_TICKS + off, 10), host_ns=k * k * 7_000_000)
    assert [type(b) for b in blocks] == [SampleBlock] * 6
    assert [b.t0 for b in blocks] == [
        (10 * k * SCAN_TICKS + off) / CLOCK_HZ for k, off in enumerate((0, -1, -2, 0, 3, -399))
    ]
    assert feed.lost_samples == 0


def test_counts_become_volts_and_ticks_seconds() -> None:
    (block,) = fed(BoardFeed(setup()), hello(), samples(0, 123_456, 3))
    assert isinstance(block, SampleBlock)
    assert block.inputs == (0, 1)
    # 10 bits of 5 V: one count is 5/1024 V.
    assert block.volts.tolist() == [[0.0, 2 * 5 / 1024, 4 * 5 / 1024], [5 / 1024, 3 * 5 / 1024, 5 * 5 / 1024]]
    assert (block.t0, block.dt, block.skew) == (0.0, 800 / 2e6, 100 / 2e6)


@pytest.mark.parametrize(("bits", "full"), [(10, 1023 / 1024), (12, 4095 / 4096), (16, 65535 / 65536)])
def test_volts_follow_the_bits_of_the_block(bits: int, full: float) -> None:
    event = samples(0, 0, 1, bits=bits)
    event.counts[:] = (1 << bits) - 1
    (block,) = fed(BoardFeed(setup()), hello(), event)
    assert isinstance(block, SampleBlock)
    assert block.volts.tolist() == [[5.0 * full], [5.0 * full]]


def test_only_inputs_of_the_set_up_become_blocks() -> None:
    (block,) = fed(BoardFeed(setup()), hello(), samples(0, 0, 2, inputs=(0, 1, 2, 3)))
    assert isinstance(block, SampleBlock)
    assert block.inputs == (0, 1)
    assert block.volts.shape == (2, 2)


def test_skew_spans_inputs_that_no_probe_uses() -> None:
    text = SETUP_TEXT.replace("input = 1", "input = 3").replace("input = 0", "input = 1")
    (block,) = fed(BoardFeed(setup(text)), hello(), samples(0, 0, 2, inputs=(0, 1, 2, 3)))
    assert isinstance(block, SampleBlock)
    assert block.inputs == (1, 3)
    assert block.t0 == 100 / CLOCK_HZ  # of the first input that is used
    assert block.skew == 200 / CLOCK_HZ


def test_unevenly_spaced_inputs_keep_their_own_times() -> None:
    text = SETUP_TEXT + '[[probe]]\nname = "battery"\nrole = "battery_voltage"\ninput = 3\n'
    (block,) = fed(BoardFeed(setup(text)), hello(), samples(0, 0, 2, inputs=(0, 1, 2, 3)))
    assert isinstance(block, SampleBlock)
    assert block.inputs == (0, 1, 3)
    assert block.input_offsets == (0.0, 100 / CLOCK_HZ, 300 / CLOCK_HZ)
    assert (block.volts / (5 / 1024)).tolist() == [[0.0, 4.0], [1.0, 5.0], [3.0, 7.0]]


@settings(deadline=None)
@given(
    cuts=st.lists(st.integers(1, 45), min_size=1, max_size=30),
    start=st.integers(0, 2**33),
    first_sequence=st.integers(0, 2**32 - 1),
)
def test_cutting_into_blocks_changes_nothing(cuts: list[int], start: int, first_sequence: int) -> None:
    whole_run = samples(0, start, sum(cuts))
    feed = BoardFeed(setup())
    fed(feed, hello())
    times: list[float] = []
    volts: list[np.ndarray] = []
    done = 0
    for number, scans in enumerate(cuts):
        event = samples((first_sequence + number) % 2**32, start + done * SCAN_TICKS, scans, first=done)
        (block,) = fed(feed, event)
        assert isinstance(block, SampleBlock)
        times.append(block.t0)
        volts.append(block.volts)
        # Exact: the float nearest to the rational number that the ticks stand for.
        assert block.t0 == float(Fraction(done * SCAN_TICKS, CLOCK_HZ))
        done += scans
    (whole,) = fed(BoardFeed(setup()), hello(), whole_run)[-1:]
    assert isinstance(whole, SampleBlock)
    assert np.array_equal(np.hstack(volts), whole.volts)
    assert feed.lost_samples == 0


@settings(deadline=None)
@given(present=st.lists(st.booleans(), min_size=2, max_size=40), scans=st.integers(1, 45))
def test_lost_blocks_are_an_exact_gap(present: list[bool], scans: int) -> None:
    present[0] = present[-1] = True
    feed = BoardFeed(setup())
    fed(feed, hello())
    blocks: list[Block] = []
    for number, here in enumerate(present):
        if here:
            blocks += fed(feed, samples(number, number * scans * SCAN_TICKS, scans, first=number * scans))
    missing = present.count(False) * scans
    assert feed.lost_samples == missing
    assert sum(b.lost_samples for b in blocks if isinstance(b, Gap)) == missing
    end = 0.0
    for block in blocks:  # blocks and gaps fill the time axis without a seam
        if isinstance(block, Gap):
            assert block.reason == "samples_missing"
            assert block.t_from == pytest.approx(end, abs=1e-12)
            end = block.t_to
        elif isinstance(block, SampleBlock):
            assert block.t0 == pytest.approx(end, abs=1e-12)
            end = block.t0 + block.samples * block.dt


def test_the_counting_signal_makes_loss_arithmetic() -> None:
    feed = BoardFeed(setup())
    blocks = fed(
        feed,
        hello(),
        samples(0, 0, 10, bits=16, counting=True),
        samples(3, 30 * SCAN_TICKS, 10, first=30, bits=16, counting=True),
    )
    first, gap, second = blocks
    assert isinstance(first, SampleBlock)
    assert isinstance(gap, Gap)
    assert isinstance(second, SampleBlock)
    count = 5.0 / 65536
    counted = round((second.volts[0, 0] - first.volts[1, -1]) / count) - 1
    assert counted == 2 * gap.lost_samples == 40  # two inputs a scan
    assert feed.counting


def test_a_board_that_dropped_blocks_itself_is_told_from_the_link() -> None:
    gap = fed(BoardFeed(setup()), hello(), samples(0, 0, 10), samples(1, 25 * SCAN_TICKS, 10))[1]
    assert gap == Gap(10 * SCAN_TICKS / CLOCK_HZ, 25 * SCAN_TICKS / CLOCK_HZ, 15, GapReason.BOARD_DROPPED)


def test_blocks_missing_before_the_first_one_lie_before_zero() -> None:
    feed = BoardFeed(setup())
    loss = Loss(LossReason.SAMPLES_MISSING, 0, "block 0", "block 2", blocks_lost=2, run=1)
    gap, block = fed(feed, hello(), loss, samples(2, 20 * SCAN_TICKS, 10))
    assert gap == Gap(-20 * SCAN_TICKS / CLOCK_HZ, 0.0, 20, GapReason.SAMPLES_MISSING)
    assert isinstance(block, SampleBlock)
    assert block.t0 == 0.0
    assert feed.lost_samples == 20


def test_a_later_run_begins_where_the_hosts_clock_says() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 5_000_000, 25), host_ns=10_000_000_000)
    # 25 scans are 10 ms; the next run's first block of 25 ends 2 s later by the host's clock.
    gap, block = fed(feed, hello(boot_count=8), samples(0, 44, 25), host_ns=12_000_000_000)
    assert isinstance(gap, Gap)
    assert isinstance(block, SampleBlock)
    assert gap.reason == "link_lost"
    assert (gap.t_from, gap.t_to) == (0.010, block.t0)
    assert block.t0 == pytest.approx(2.0, abs=1e-12)
    assert gap.lost_samples == feed.lost_samples == round(1.99 * 2500)


def test_a_later_run_never_overlaps_the_one_before() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 0, 25), host_ns=1_000_000_000)
    gap, block = fed(feed, samples(0, 0, 25, run=2), host_ns=1_000_000_000)
    assert gap == Gap(0.010, 0.010, 0, GapReason.LINK_LOST)
    assert isinstance(block, SampleBlock)
    assert block.t0 == 0.010


def test_a_later_run_begins_behind_every_edge_of_the_one_before() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 0, 25), Edges(1, 0, 60_000, ()), host_ns=1_000_000_000)
    gap, block = fed(feed, samples(0, 0, 25, run=2), host_ns=1_015_000_000)
    assert gap == Gap(0.010, 0.030, 50, GapReason.LINK_LOST)
    assert isinstance(block, SampleBlock)
    assert block.t0 == 0.030


def test_ticks_that_jump_back_begin_a_new_run() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 1_000_000, 25), host_ns=0)
    gap, block = fed(feed, samples(1, 10, 25), host_ns=100_000_000)
    assert isinstance(gap, Gap)
    assert gap.reason == "link_lost"
    assert isinstance(block, SampleBlock)
    assert block.t0 == pytest.approx(0.1)


def test_edges_wait_for_the_first_samples_of_their_run() -> None:
    feed = BoardFeed(setup())
    early = Edges(1, 0, 2_000, (Edge(900, 4, True), Edge(1_500, 5, True), Edge(1_800, 4, False)))
    assert fed(feed, hello(), early) == []
    block, edges = fed(feed, samples(0, 1_000, 10))
    assert isinstance(block, SampleBlock)
    assert isinstance(edges, EdgeBlock)
    assert edges.input == 4  # no probe uses input 5
    assert edges.times.tolist() == [-100 / CLOCK_HZ, 800 / CLOCK_HZ]
    assert edges.rising.tolist() == [True, False]
    assert edges.until == 1_000 / CLOCK_HZ


def test_empty_edge_frames_move_the_limit_on() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 0, 10))
    (edges,) = fed(feed, Edges(1, 0, 100_000, ()))
    assert isinstance(edges, EdgeBlock)
    assert edges.times.size == 0
    assert edges.until == 100_000 / CLOCK_HZ


def test_lost_edge_frames_are_a_gap_without_samples() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 0, 10), Edges(1, 0, 100_000, ()))
    gap, edges = fed(feed, Edges(1, 2, 300_000, (Edge(250_000, 4, True),)))
    assert gap == Gap(0.05, 0.125, 0, GapReason.EDGES_MISSING)
    assert isinstance(edges, EdgeBlock)
    assert (feed.lost_samples, feed.lost_edges) == (0, 1)


def counters(run: int, edges_missed: int) -> Counters:
    return Counters(
        run=run, tick=0, overruns=0, blocks_dropped=0, edges_missed=edges_missed, commands_rejected=0
    )


def test_edges_that_the_board_missed_itself_are_counted_over_all_runs() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), samples(0, 0, 10), counters(1, 2), counters(1, 3), counters(2, 1))
    assert (feed.lost_samples, feed.lost_edges) == (0, 4)
    without = BoardFeed(setup(SETUP_TEXT.replace("input = 4", "input = 2")))
    fed(without, hello(), counters(1, 2))
    assert without.lost_edges == 0  # no probe of this set-up has an edge input


def test_edges_of_a_run_without_samples_are_counted_as_lost() -> None:
    feed = BoardFeed(setup())
    fed(feed, hello(), Edges(1, 0, 100, ()), samples(0, 0, 10, run=2))
    assert [(loss.reason, loss.frames) for loss in feed.losses] == [("edges_missing", 1)]
    assert feed.lost_edges == 1


def test_a_set_up_of_edges_alone_needs_no_samples() -> None:
    text = SETUP_TEXT[: SETUP_TEXT.index("[[probe]]")] + SETUP_TEXT[SETUP_TEXT.rindex("[[probe]]") :]
    feed = BoardFeed(setup(text))
    (first,) = fed(feed, hello(), Edges(1, 0, 3_000, (Edge(1_000, 4, True),)), samples(0, 500, 10))
    assert isinstance(first, EdgeBlock)
    assert (first.times.tolist(), first.until) == ([0.0], 0.001)
    gap, later = fed(feed, Edges(2, 0, 50, ()), host_ns=1_000_000_000)
    assert gap == Gap(0.001, 1.001, 0, GapReason.LINK_LOST)
    assert feed.lost_edges == 1
    assert isinstance(later, EdgeBlock)
    assert later.until == 1.001


def test_samples_before_any_hello_are_counted() -> None:
    feed = BoardFeed(setup())
    assert fed(feed, samples(0, 0, 10), Edges(1, 0, 100, ())) == []
    assert [(loss.reason, loss.blocks, loss.frames) for loss in feed.losses] == [("before_hello", 1, 1)]
    (block,) = fed(feed, hello(run=1), samples(1, 10 * SCAN_TICKS, 10))
    assert isinstance(block, SampleBlock)
    assert block.t0 == 0.0


def test_every_loss_is_counted_by_its_reason() -> None:
    feed = BoardFeed(setup())
    bad = Loss(LossReason.BAD_CRC, 10, "a", "b", bytes_lost=230)
    gone = Loss(LossReason.SAMPLES_MISSING, 20, "a", "b", blocks_lost=3, run=1)
    fed(feed, hello(), bad, bad, gone)
    counted = [(loss.reason, loss.frames, loss.blocks, loss.bytes) for loss in feed.losses]
    assert counted == [("bad_crc", 2, 0, 460), ("samples_missing", 1, 3, 0)]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("input = 1", "input = 9", "no such input"),
        ("input = 1", "input = 5", "needs an analog input"),
    ],
)
def test_a_board_that_cannot_serve_the_set_up_is_refused(old: str, new: str, says: str) -> None:
    with pytest.raises(SetupError, match=says) as caught:
        check_board(setup(SETUP_TEXT.replace(old, new)), hello())
    assert "probe[1] ('current')" in caught.value.where
    assert "analog inputs 0 (IN0), 1 (IN1), 2 (IN2), 3 (IN3); edge inputs 4 (IN4), 5 (IN5)" in str(
        caught.value
    )


def test_a_set_up_for_captures_is_refused_on_a_board() -> None:
    with pytest.raises(SetupError, match="names no input") as caught:
        check_board(setup(SETUP_TEXT.replace("input = ", "# ")), hello())
    assert "probe[0] ('intake')" in caught.value.where


def test_an_analog_input_may_serve_a_sync() -> None:
    check_board(setup(SETUP_TEXT.replace("input = 4", "input = 2")), hello())


def test_an_input_that_was_not_sampled_is_said() -> None:
    feed = BoardFeed(setup())
    with pytest.raises(SetupError, match="was not sampled") as caught:
        fed(feed, hello(), samples(0, 0, 10, inputs=(0, 2)))
    assert "'current'" in caught.value.where
