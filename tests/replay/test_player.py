"""A recording gives the blocks that the live link gave, and the judgement of what it holds."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import SetupError, parse_setup
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.encoder import encode_edges, encode_hello, encode_samples
from evenstroke_protocol.events import (
    Edge,
    Edges,
    Hello,
    InputInfo,
    InputKind,
    NeedData,
    ResetCause,
    Samples,
)
from evenstroke_replay.judging import is_recording, judge_path
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.recording_format import RecordingError
from hypothesis import given, settings
from hypothesis import strategies as st
from setup_texts import FOUR, intake, spark

STARTED = datetime(2026, 11, 25, 9, 10, tzinfo=UTC)
SETUP_TEXT = FOUR + intake(input=0) + spark(input=2)
SETUP = parse_setup(SETUP_TEXT)
HELLO = Hello(
    protocol_version=1,
    board="test board",
    firmware="1.0.0",
    serial_number=5,
    boot_count=1,
    reset_cause=ResetCause.POWER_ON,
    clock_hz=1_000_000,
    adc_bits=12,
    adc_reference_mv=3300,
    block_scans=20,
    rates_hz=(1000,),
    inputs=(
        InputInfo(InputKind.ANALOG, "A0"),
        InputInfo(InputKind.ANALOG, "A1"),
        InputInfo(InputKind.EDGE, "D2"),
    ),
    run=0,
    tick=0,
)


def stream(blocks: int, *, lost: tuple[int, ...] = (), counting: bool = False) -> bytes:
    """What a board sends: a hello, then samples with an edge frame now and then."""
    frames = [encode_hello(HELLO)]
    edge_frames = 0
    for number in range(blocks):
        tick = number * 20_000
        counts = (np.arange(number * 40, number * 40 + 40) % 4096).astype(np.uint16).reshape(20, 2)
        if number not in lost:
            frames.append(encode_samples(Samples(1, number, tick, 1000, 10, 12, counting, (0, 1), counts)))
        if number % 3 == 2:
            edge = Edge(tick + 5, 2, edge_frames % 2 == 0)
            frames.append(encode_edges(Edges(1, edge_frames, tick + 20_000, (edge,))))
            edge_frames += 1
    return b"".join(frames)


def live(chunks: list[tuple[bytes, int]]) -> list[Block]:
    decoder, feed = FrameDecoder(), BoardFeed(SETUP)
    blocks: list[Block] = []
    for data, host_ns in chunks:
        decoder.receive(data)
        while not isinstance(event := decoder.next_event(), NeedData):
            blocks.extend(feed.feed(event, host_ns))
    return blocks


def recorded(path: Path, chunks: list[tuple[bytes, int]]) -> Path:
    with Recorder(path, SETUP_TEXT, started_at=STARTED) as recorder:
        for data, host_ns in chunks:
            recorder.received(data, host_ns)
    return path


def as_data(blocks: list[Block]) -> list[object]:
    """Blocks as what can be compared."""
    data: list[object] = []
    for block in blocks:
        if isinstance(block, SampleBlock):
            data.append((block.inputs, block.t0, block.dt, block.skew, block.offsets, block.volts.tolist()))
        elif isinstance(block, EdgeBlock):
            data.append((block.input, block.times.tolist(), block.rising.tolist(), block.until))
        else:
            data.append(block)
    return data


@settings(deadline=None)
@given(
    sizes=st.lists(st.integers(1, 400), min_size=1, max_size=20), lost=st.sets(st.integers(1, 9), max_size=3)
)
def test_a_recording_gives_the_blocks_that_live_gave(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], lost: set[int]
) -> None:
    data = stream(12, lost=tuple(lost))
    chunks: list[tuple[bytes, int]] = []
    place = 0
    while place < len(data):
        size = sizes[len(chunks) % len(sizes)]
        chunks.append((data[place : place + size], 1_000_000 * len(chunks)))
        place += size
    recording = open_recording(recorded(tmp_path_factory.mktemp("live") / "r.mcap", chunks))
    feed = BoardFeed(SETUP)
    blocks = list(blocks_of(recording, SETUP, feed))
    assert as_data(blocks) == as_data(live(chunks)) == as_data(live([(data, 0)]))
    assert feed.lost_samples == 20 * len(lost)
    assert sum(b.lost_samples for b in blocks if isinstance(b, Gap)) == 20 * len(lost)


def test_a_cut_recording_gives_a_prefix_of_the_blocks(tmp_path: Path) -> None:
    data = stream(9)
    path = recorded(tmp_path / "r.mcap", [(data[i : i + 60], i) for i in range(0, len(data), 60)])
    whole = as_data(list(blocks_of(open_recording(path), SETUP)))
    file = path.read_bytes()
    seen = 0
    for length in range(0, len(file), 11):
        path.write_bytes(file[:length])
        try:
            recording = open_recording(path)
        except RecordingError:
            continue
        blocks = as_data(list(blocks_of(recording, SETUP)))
        assert blocks == whole[: len(blocks)]
        assert len(blocks) >= seen
        seen = len(blocks)
    assert seen == len(whole)


def test_a_recording_may_begin_in_the_middle_of_a_run(tmp_path: Path) -> None:
    # What a recorder writes that is started late: the hello, then the ring of the last seconds.
    frames = stream(9).split(b"\0")[:-1]
    late = b"\0".join([frames[0], *frames[6:], b""])
    feed = BoardFeed(SETUP)
    recording = open_recording(recorded(tmp_path / "r.mcap", [(late, 0)]))
    blocks = [b for b in blocks_of(recording, SETUP, feed) if isinstance(b, SampleBlock)]
    assert blocks[0].t0 == 0.0
    assert len(blocks) > 2
    assert (feed.lost_samples, feed.losses) == (0, ())


def test_bytes_without_a_hello_are_said(tmp_path: Path) -> None:
    data = stream(3).split(b"\0", 1)[1]
    recording = open_recording(recorded(tmp_path / "r.mcap", [(data, 0)]))
    with pytest.raises(RecordingError, match="no description of the board") as caught:
        list(blocks_of(recording, SETUP))
    assert "before_hello" in caught.value.found


def test_another_set_up_may_need_what_was_not_recorded(tmp_path: Path) -> None:
    recording = open_recording(recorded(tmp_path / "r.mcap", [(stream(3), 0)]))
    other = parse_setup(SETUP_TEXT.replace("input = 0", "input = 7"))
    with pytest.raises(SetupError, match="no such input"):
        list(blocks_of(recording, other))


def test_judging_says_what_was_lost_and_how_long_it_was(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.mcap", [(stream(50, lost=(7, 8)), 0)])
    judged = judge_path(path)
    source = judged.judgement.source
    assert source.file == "r.mcap"
    assert source.lost_samples == 40
    assert source.duration_s == pytest.approx(1.0)
    assert source.sha256 is not None
    assert len(source.sha256) == 64
    assert judged.setup == SETUP
    assert judged.setup_text == SETUP_TEXT
    assert judged.judgement.refused is not None  # a ramp is no engine


def test_a_cut_recording_is_judged_and_said_to_be_cut(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.mcap", [(stream(50), 0)])
    path.write_bytes(path.read_bytes()[:-20])
    codes = [warning.code for warning in judge_path(path).judgement.warnings]
    assert codes[0] == "recording_cut"


def test_the_counting_signal_is_not_taken_for_volts(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.mcap", [(stream(50, counting=True), 0)])
    assert "counting_signal" in [warning.code for warning in judge_path(path).judgement.warnings]


def test_files_are_told_apart_by_what_they_are(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.mcap", [(stream(3), 0)])
    path.rename(tmp_path / "renamed.csv")
    assert is_recording(tmp_path / "renamed.csv")
    (tmp_path / "c.csv").write_text("time_s,intake\n0,1\n1,2\n")
    assert not is_recording(tmp_path / "c.csv")
    (tmp_path / "empty.mcap").write_bytes(b"")
    assert is_recording(tmp_path / "empty.mcap")
    with pytest.raises(RecordingError, match="cannot be read"):
        judge_path(tmp_path / "not there.mcap")
    with pytest.raises(RecordingError, match="is empty"):
        judge_path(tmp_path / "empty.mcap")


def test_a_csv_without_a_set_up_asks_for_one(tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_text("time_s,intake\n0,1\n1,2\n")
    with pytest.raises(SetupError, match="what engine it is from") as caught:
        judge_path(tmp_path / "c.csv")
    assert "--setup" in caught.value.todo
