"""What was played is in a file: any second of it is known as if it had been played up to there."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.messages import Balance, Cycle, FindingMessage, WaveData
from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay import played
from evenstroke_replay.playback import Moment, Playback
from evenstroke_replay.played import Entry, News, Played, PlayedWriter
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from setup_texts import CANNOT_START, FOUR, intake, sampled, spark

SETUP_TEXT = FOUR + sampled(2000) + CANNOT_START + intake(input=0) + spark(input=1)
SETUP = parse_setup(SETUP_TEXT)
SECONDS = 16.0
CUT = 4


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixteen seconds, of which the middle ones are cranking; two notes."""
    made = tmp_path_factory.mktemp("played") / "four.mcap"
    board = VirtualBoard(
        EngineSource(SETUP, Cranking(rest_s=1.0, crank_s=12.0, noise_db=40.0)), BoardOptions()
    )
    board.receive(encode_identify(1))
    board.receive(encode_start(2, 1, 2000, (0, 1), False))
    with Recorder(made, SETUP_TEXT, started_at=datetime(2026, 4, 5, tzinfo=UTC)) as recorder:
        for step in range(1, round(SECONDS * 20) + 1):
            recorder.received(board.advance(step / 20), round(step / 20 * 1e9))
            if step in (100, 200):
                recorder.note(f"step {step}", round(step / 20 * 1e9))
    return made


@pytest.fixture(scope="module")
def moments(path: Path) -> list[Moment]:
    playback = Playback(open_recording(path), SETUP)
    return list(iter(playback.next, None))


@pytest.fixture
def known(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Played]:
    """The whole recording played into a file, with a copy for every two seconds."""
    monkeypatch.setattr(played, "_COPY_EVERY_S", 2.0)
    reader, writer = Played(tmp_path / "file"), PlayedWriter(tmp_path / "file")
    playback = Playback(open_recording(path, check_all=False), SETUP, copies=writer)
    while (moment := playback.next()) is not None:
        writer.take(moment)
        reader.add(writer.news())
    writer.finish()
    reader.add(writer.news())
    writer.close()
    yield reader
    reader.close()


def said_before(moments: list[Moment], at_s: float) -> list[object]:
    return [m for moment in moments if moment.at_s < at_s for m in moment.messages]


def conditioned(messages: list[object]) -> tuple[float, np.ndarray[tuple[int, int], np.dtype[np.float32]]]:
    waves = [m for m in messages if isinstance(m, WaveData) and m.header.kind == "conditioned"]
    return waves[0].header.t0_s, np.concatenate([m.samples for m in waves], axis=1)


@pytest.mark.parametrize("at_s", [0.0, 0.7, 3.0, 5.01, 9.33, 12.5, 100.0])
def test_what_is_known_at_a_second_is_what_was_said_before_it(
    known: Played, moments: list[Moment], at_s: float
) -> None:
    said = said_before(moments, at_s)
    got = known.known_at(at_s, cycles=1000, cut=CUT, waves_s=5.0)
    for kind in (Cycle, Balance, FindingMessage):
        mine, its = [m for m in got if type(m) is kind], [m for m in said if type(m) is kind]
        assert mine == (its if kind is Cycle else its[-1:])
    assert known.notes_at(at_s) == [
        (moment.at_s, note) for moment in moments if moment.at_s < at_s for note in moment.notes
    ]
    if at_s < 1.0:
        return
    t0_s, samples = conditioned(got)
    begin_s, its_samples = conditioned(said)
    (header,) = {(m.header.dt_s, m.header.probes) for m in got if isinstance(m, WaveData)}
    first = round((t0_s - begin_s) / header[0])
    # What stands between the last chunk and the second itself is at most a chunk's length.
    assert samples.shape[1] > 0
    np.testing.assert_array_equal(samples, its_samples[:, first : first + samples.shape[1]])
    assert 0 <= its_samples.shape[1] - first - samples.shape[1] <= 1.1 / header[0]
    # Behind each cycle stands no wave that was said before it, or its waveform could not be cut.
    for k, message in enumerate(got):
        if isinstance(message, Cycle):
            said_by_then = said[: said.index(message)]
            until = conditioned(said_by_then)[1].shape[1] * header[0] + begin_s
            later = [m for m in got[k:] if isinstance(m, WaveData)]
            assert all(m.header.t0_s >= until - 0.5 * header[0] for m in later)


@pytest.mark.parametrize("at_s", [1.0, 7.3, 13.0])
def test_from_a_copy_a_fresh_player_goes_on_with_the_very_messages(
    path: Path, known: Played, moments: list[Moment], at_s: float
) -> None:
    playback = Playback(open_recording(path, check_all=False), SETUP, copies=known)
    raw = list(playback.raw_waves(at_s - 3.0, at_s))
    begun_s = playback.progress.at_s
    playback.seek(at_s, leap=False)
    rest = [m for moment in iter(playback.next, None) for m in moment.messages]
    its = [m for moment in moments for m in moment.messages]
    later = its[len(said_before(moments, at_s)) :]
    assert [as_data(m) for m in rest] == [as_data(m) for m in later]
    between = [
        m
        for moment in moments
        if at_s - 3.0 <= moment.at_s <= begun_s
        for m in moment.messages
        if isinstance(m, WaveData) and m.header.kind == "raw"
    ]
    assert bool(raw) == (begun_s > 2.0)
    # The number of a waveform tells nothing: it is another one when only waveforms as sampled are made.
    assert [(m.header.t0_s, m.samples.tolist()) for m in raw] == [
        (m.header.t0_s, m.samples.tolist()) for m in between
    ]


def as_data(message: object) -> object:
    return (message.header, message.samples.tobytes()) if isinstance(message, WaveData) else message


def test_copies_stand_further_apart_the_later_they_are(tmp_path: Path) -> None:
    writer = PlayedWriter(tmp_path / "file")
    kept = []
    for second in range(7200):
        if writer.due(float(second)):
            kept.append(second)
            writer.keep(float(second), 0, 0, b"state")
    apart = np.diff(kept)
    assert apart[0] == 5 and apart[-1] > 60
    assert len(kept) < 300
    writer.close()


def test_a_file_that_cannot_be_written_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        PlayedWriter(tmp_path / "no folder" / "file")


def test_news_go_through_a_pipe_and_come_back(tmp_path: Path) -> None:
    import pickle

    news = News(3.0, (Entry("copy", 2.5, 10, 20, 0.0, 0.0, 7, 99),))
    assert pickle.loads(pickle.dumps(news)) == news
