"""Playing a recording: the very messages that came live, also behind a seek forward or back."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.blocks import Block
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.messages import Cycle, PipelineMessage, WaveData
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_protocol.events import NeedData
from evenstroke_replay.importing import import_capture
from evenstroke_replay.judging import judge_path
from evenstroke_replay.playback import CopiesInMemory, Playback
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from setup_texts import FOUR, intake, sampled, spark

SETUP_TEXT = FOUR + sampled(2000) + intake(input=0) + spark(input=1)
SETUP = parse_setup(SETUP_TEXT)
SECONDS = 24.0


def as_data(message: PipelineMessage) -> tuple[object, ...]:
    if isinstance(message, WaveData):
        return ("wave", msgspec.json.encode(message.header), message.samples.tobytes())
    return (type(message).__name__, msgspec.json.encode(message))


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[PipelineMessage]]:
    """A recording, and what was said live while it was made."""
    board = VirtualBoard(
        EngineSource(SETUP, Cranking(rest_s=1.0, crank_s=21.0, noise_db=30.0, start_deg=30.0)),
        BoardOptions(baud=None),
    )
    board.receive(encode_identify(1))
    board.receive(encode_start(2, 1, 2000, (0, 1), False))
    path = tmp_path_factory.mktemp("live") / "live.mcap"
    decoder, feed, pipeline = FrameDecoder(), BoardFeed(SETUP), Pipeline(SETUP)
    messages: list[PipelineMessage] = []
    with Recorder(path, SETUP_TEXT, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(1, round(SECONDS / 0.02) + 1):
            data, host_ns = board.advance(k * 0.02), k * 20_000_000
            recorder.received(data, host_ns)
            decoder.receive(data)
            while not isinstance(event := decoder.next_event(), NeedData):
                for block in feed.feed(event, host_ns):
                    messages += pipeline.push(block)
    messages += pipeline.flush()
    assert sum(isinstance(m, Cycle) for m in messages) > 30
    return path, messages


def rest_of(playback: Playback) -> list[PipelineMessage]:
    out: list[PipelineMessage] = []
    while (moment := playback.next()) is not None:
        out += moment.messages
    return out


@pytest.mark.parametrize("check_all", [True, False])
def test_the_very_messages(live: tuple[Path, list[PipelineMessage]], check_all: bool) -> None:
    path, messages = live
    recording = open_recording(path, check_all=check_all)
    playback = Playback(recording, SETUP)
    assert list(map(as_data, rest_of(playback))) == list(map(as_data, messages))
    assert recording.complete
    assert recording.cut is None
    assert playback.progress.cycles == sum(isinstance(m, Cycle) for m in messages)
    assert playback.progress.lost_samples == 0
    assert playback.progress.samples / 2000 == pytest.approx(SECONDS, abs=0.1)


def test_after_seeking_by_time_the_very_messages(live: tuple[Path, list[PipelineMessage]]) -> None:
    path, messages = live
    whole = list(map(as_data, messages))
    playback = Playback(open_recording(path, check_all=False), SETUP)
    # Forward, back across copies of the state, back before the first copy, to the same place again.
    for at_s in (15.0, 21.5, 11.3, 22.0, 3.0, 3.0, 0.0):
        playback.seek(at_s)
        first = playback.next()
        assert first is not None
        assert first.at_s >= at_s
        assert first.at_s < at_s + 0.1
        rest = list(map(as_data, [*first.messages, *rest_of(playback)]))
        assert rest == whole[len(whole) - len(rest) :]
        # Nothing was left out: what is not among them had all been said by then.
        reference = Playback(open_recording(path), SETUP)
        said = 0
        while (moment := reference.next()) is not None and moment.at_s < at_s:
            said += len(moment.messages)
        assert len(rest) == len(whole) - said


@pytest.mark.parametrize("number", [0, 1, 20])
def test_after_seeking_a_cycle_the_first_cycle_is_that_one(
    live: tuple[Path, list[PipelineMessage]], number: int
) -> None:
    path, messages = live
    playback = Playback(open_recording(path), SETUP)
    for _ in range(2):  # forward, then back
        playback.seek_cycle(number)
        first = playback.next()
        assert first is not None
        assert first.cycle is not None
        rest = [*first.messages, *rest_of(playback)]
        cycles = [m for m in rest if isinstance(m, Cycle)]
        assert cycles[0].sequence == number
        assert list(map(as_data, rest)) == list(map(as_data, messages))[len(messages) - len(rest) :]


def test_seeking_behind_the_end_is_the_end(live: tuple[Path, list[PipelineMessage]]) -> None:
    playback = Playback(open_recording(live[0]), SETUP)
    playback.seek(1e6)
    assert playback.next() is None
    playback.seek_cycle(10_000)
    assert playback.next() is None
    playback.seek(5.0)
    assert playback.next() is not None


def test_back_is_not_from_the_beginning(
    live: tuple[Path, list[PipelineMessage]], monkeypatch: pytest.MonkeyPatch
) -> None:
    playback = Playback(open_recording(live[0]), SETUP)
    playback.seek(23.0)
    pushed = 0
    push = Pipeline.push

    def counting(self: Pipeline, block: Block, *, raw_only: bool) -> list[PipelineMessage]:
        nonlocal pushed
        pushed += 1
        return push(self, block, raw_only=raw_only)

    monkeypatch.setattr(Pipeline, "push", counting)
    playback.seek(22.0)
    back, pushed = pushed, 0
    Playback(open_recording(live[0]), SETUP).seek(22.0)
    # The last copy of the state before 22 s is one of 20 s: about 2 s of 22 are to be done.
    assert 0 < back < pushed * 3 / 22


def test_many_copies_are_thinned_out(
    live: tuple[Path, list[PipelineMessage]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenstroke_replay.playback._COPY_EVERY_S", 0.5)
    monkeypatch.setattr("evenstroke_replay.playback._MOST_COPIES", 4)
    copies = CopiesInMemory()
    playback = Playback(open_recording(live[0]), SETUP, copies=copies)
    rest_of(playback)
    assert 2 <= len(copies) <= 4
    playback.seek(9.0)
    rest = rest_of(playback)
    assert list(map(as_data, rest)) == list(map(as_data, live[1]))[len(live[1]) - len(rest) :]


def test_a_cut_recording_plays_up_to_the_cut(
    live: tuple[Path, list[PipelineMessage]], tmp_path: Path
) -> None:
    path = tmp_path / "cut.mcap"
    shutil.copy(live[0], path)
    with path.open("r+b") as stream:
        stream.truncate(path.stat().st_size * 2 // 3)
    recording = open_recording(path, check_all=False)
    assert recording.host_span_ns is None
    got = list(map(as_data, rest_of(Playback(recording, SETUP))))
    assert recording.cut is not None
    assert open_recording(path).cut == recording.cut
    waves = [m for m in got if m[0] == "wave"]
    whole = [m for m in map(as_data, live[1]) if m[0] == "wave"]
    assert len(waves) > len(whole) // 2
    assert waves[:-1] == whole[: len(waves) - 1]


def test_the_span_is_read_from_the_summary_alone(live: tuple[Path, list[PipelineMessage]]) -> None:
    span = open_recording(live[0], check_all=False).host_span_ns
    assert span == (20_000_000, round(SECONDS * 1e9))


def test_an_imported_capture_plays_in_short_moments_and_says_what_judge_says(tmp_path: Path) -> None:
    text = SETUP_TEXT.replace("[acquisition]\nrate_hz = 2000\n", "").replace("input = 0", 'column = "a"')
    text = text.replace("input = 1", 'column = "s"')
    setup = parse_setup(text)
    t = np.arange(0.0, 6.0, 0.001)
    volts = 2.5 + np.sin(2 * np.pi * 6.6 * t)
    spark = (t * 1.65 % 1.0 < 0.01) * 5.0
    rows = "\n".join(f"{a:.3f},{b:.5f},{c:g}" for a, b, c in zip(t, volts, spark, strict=True))
    (tmp_path / "c.csv").write_text(f"time_s,a,s\n{rows}\n")
    import_capture(
        tmp_path / "c.csv", text, tmp_path / "c.mcap", started_at=datetime(2026, 11, 25, tzinfo=UTC)
    )
    playback = Playback(open_recording(tmp_path / "c.mcap"), setup)
    at, messages = [0.0], []
    while (moment := playback.next()) is not None:
        at.append(moment.at_s)
        messages += moment.messages
    assert max(np.diff(at)) <= 0.11
    assert list(map(as_data, messages)) == list(map(as_data, judge_path(tmp_path / "c.mcap").messages))
