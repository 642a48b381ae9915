"""Salvage: cut at every byte, damaged anywhere; everything that checks is kept, and what is lost is counted."""

from __future__ import annotations

import importlib.util
import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import parse_setup
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
from evenstroke_replay.judging import judge_path
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import HOLD_NS, ImportedFrom, Recorder
from evenstroke_replay.recording import Item, RecordedBlock, RecordedBytes, RecordedNote, open_recording
from evenstroke_replay.recording_format import Note, RecordingError
from evenstroke_replay.recovery import recover
from evenstroke_replay.whole_file import OutputError
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from mcap.records import Chunk
from mcap.stream_reader import StreamReader

STARTED = datetime(2026, 11, 25, 9, 10, tzinfo=UTC)
SETUP_TEXT = (
    "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\n'
    '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 1\ncylinder = 1\n'
)
SETUP = parse_setup(SETUP_TEXT)
SCANS = 20
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
    block_scans=SCANS,
    rates_hz=(1000,),
    inputs=(InputInfo(InputKind.ANALOG, "A0"), InputInfo(InputKind.EDGE, "D1")),
    run=0,
    tick=0,
)


def frames(count: int, seed: int = 1) -> list[bytes]:
    """A hello, then `count` sample blocks of 20 ms, each with an edge frame behind it."""
    rng = np.random.default_rng(seed)
    out = [encode_hello(HELLO)]
    for number in range(count):
        tick = number * SCANS * 1000
        counts = rng.integers(0, 4096, (SCANS, 1)).astype(np.uint16)
        out.append(encode_samples(Samples(1, number, tick, 1000, 0, 12, False, (0,), counts)))
        until = tick + SCANS * 1000
        out.append(encode_edges(Edges(1, number, until, (Edge(tick + 7, 1, number % 2 == 0),))))
    return out


def record(path: Path, pieces: list[bytes]) -> Path:
    with Recorder(path, SETUP_TEXT, started_at=STARTED, started_host_ns=7) as recorder:
        for number, piece in enumerate(pieces):
            recorder.received(piece, 7 + number * HOLD_NS)
    return path


def in_pieces(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


def received(path: Path) -> list[RecordedBytes]:
    """The board's bytes in a recording, without the delimiters that salvage puts where something is missing."""
    return [i for i in open_recording(path).items() if isinstance(i, RecordedBytes) and i.data != b"\0"]


def chunks(path: Path) -> list[tuple[int, int]]:
    """Where each chunk lies in the file, found by the public reader."""
    with path.open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    return sorted((c.chunk_start_offset, c.chunk_length) for c in summary.chunk_indexes)


def check_by_the_public_reader(path: Path) -> int:
    """Every CRC right, and the index, the statistics and the data of one mind; gives the number of messages."""
    with path.open("rb") as stream:
        summary = make_reader(stream).get_summary()
        assert summary is not None
        assert summary.statistics is not None
    with path.open("rb") as stream:
        found = list(make_reader(stream, validate_crcs=True).iter_messages(log_time_order=False))
    assert len(found) == summary.statistics.message_count
    with path.open("rb") as stream:
        records = list(StreamReader(stream, emit_chunks=True, validate_crcs=True).records)
    assert sum(isinstance(r, Chunk) for r in records) == summary.statistics.chunk_count
    return len(found)


@pytest.fixture(scope="module", autouse=True)
def no_waiting_for_the_disk() -> Iterator[None]:
    """Thousands of files are made here; what fsync guards against is not what is tested."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("evenstroke_replay.mcap_file.os.fsync", lambda _: None)
        yield


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("small") / "small.mcap", in_pieces(b"".join(frames(6)), 80))


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("large") / "large.mcap", in_pieces(b"".join(frames(1500)), 120))


def test_a_whole_recording_loses_nothing(small: Path, tmp_path: Path) -> None:
    before = small.read_bytes()
    salvage = recover(small, tmp_path / "out.mcap")
    assert not salvage.lost
    assert salvage.holes == []
    assert received(tmp_path / "out.mcap") == received(small)
    assert small.read_bytes() == before
    old, new = open_recording(small), open_recording(tmp_path / "out.mcap")
    assert (new.meta, new.setup_text, new.complete) == (old.meta, old.setup_text, True)
    assert check_by_the_public_reader(tmp_path / "out.mcap") == len(received(small))


def test_cut_at_every_byte_every_whole_chunk_is_kept(small: Path, tmp_path: Path) -> None:
    data = small.read_bytes()
    whole = received(small)
    places = chunks(small)
    data_end = max(at + length for at, length in places)
    cut, out = tmp_path / "cut.mcap", tmp_path / "out.mcap"
    for length in range(len(data)):
        cut.write_bytes(data[:length])
        expected = sum(at + size <= length for at, size in places)
        if not expected:
            with pytest.raises(RecordingError):
                recover(cut, out)
            assert not out.exists()
            continue
        salvage = recover(cut, out)
        salvaged = open_recording(out)
        assert salvaged.complete
        assert list(salvaged.items())[:expected] == whole[:expected]
        assert salvage.messages == expected
        assert cut.read_bytes() == data[:length]
        boundaries = {at for at, _ in places}
        if length < data_end and length not in boundaries:
            torn = length not in {at + size for at, size in places}
            assert salvage.lost or not torn
        assert salvage.bytes_kept == sum(len(piece.data) for piece in whole[:expected])
        out.unlink()


def test_cut_at_random_in_a_large_file(large: Path, tmp_path: Path) -> None:
    data = large.read_bytes()
    whole = received(large)
    places = chunks(large)
    rng = random.Random(5)
    for number in range(12):
        length = rng.randrange(places[0][0] + places[0][1], len(data))
        (tmp_path / "cut.mcap").write_bytes(data[:length])
        out = tmp_path / f"{number}.mcap"
        recover(tmp_path / "cut.mcap", out)
        assert received(out) == whole[: sum(at + size <= length for at, size in places)]
        check_by_the_public_reader(out)


def test_a_hole_is_stated_to_the_sample(large: Path, tmp_path: Path) -> None:
    places = chunks(large)
    rng = random.Random(9)
    for number in range(6):
        data = bytearray(large.read_bytes())
        first = rng.randrange(5, len(places) - 60)
        last = first + rng.randrange(50)
        begins = places[first][0] + rng.randrange(9)
        ends = places[last][0] + places[last][1] - rng.randrange(1, 9)
        data[begins:ends] = rng.randbytes(ends - begins)
        path, out = tmp_path / f"h{number}.mcap", tmp_path / f"o{number}.mcap"
        path.write_bytes(data)
        salvage = recover(path, out)
        (hole,) = salvage.holes
        assert hole.messages == last - first + 1
        # Counted here another way: the blocks that a decoder finds in what is left, out of all there were.
        blocks, edge_frames = decoded_blocks(received(large)[:first], received(large)[last + 1 :])
        assert hole.blocks == 1500 - blocks
        assert hole.scans == SCANS * (1500 - blocks)
        assert hole.edge_frames == 1500 - edge_frames
        assert hole.seconds == pytest.approx(hole.scans / 1000)
        assert received(out) == received(large)[:first] + received(large)[last + 1 :]
        # And the pipeline is given exactly that many.
        feed = BoardFeed(SETUP)
        gaps = [b for b in blocks_of(open_recording(out), SETUP, feed) if isinstance(b, Gap)]
        assert feed.lost_samples == hole.scans
        assert sum(gap.lost_samples for gap in gaps) == hole.scans
        assert any("pieces are missing here" in note for note in notes(out))
        check_by_the_public_reader(out)


def decoded_blocks(*parts: list[RecordedBytes]) -> tuple[int, int]:
    """Sample blocks and edge frames that are whole in the parts, each decoded by itself."""
    samples, edges = 0, 0
    for part in parts:
        decoder = FrameDecoder()
        for piece in part:
            decoder.receive(piece.data)
        while not isinstance(event := decoder.next_event(), NeedData):
            samples += isinstance(event, Samples)
            edges += isinstance(event, Edges)
    return samples, edges


def notes(path: Path) -> list[str]:
    return [
        item.content.text
        for item in open_recording(path).items()
        if isinstance(item, RecordedNote) and isinstance(item.content, Note)
    ]


@settings(deadline=None, max_examples=150)
@given(data=st.data())
def test_damage_never_gives_other_data(
    small: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    file = bytearray(small.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(file) - 1))
        kind = data.draw(st.sampled_from(["bit", "zeros", "noise", "out"]))
        size = data.draw(st.integers(1, 400))
        if kind == "bit":
            file[at] ^= 1 << size % 8
        elif kind == "zeros":
            file[at : at + size] = bytes(len(file[at : at + size]))
        elif kind == "noise":
            file[at : at + size] = random.Random(size).randbytes(len(file[at : at + size]))
        else:
            del file[at : at + size]
        if not file:
            return
    folder = tmp_path_factory.mktemp("damaged")
    (folder / "f.mcap").write_bytes(file)
    whole: list[Item] = list(received(small))
    try:
        salvage = recover(folder / "f.mcap", folder / "out.mcap")
    except RecordingError:
        assert not (folder / "out.mcap").exists()
        return
    got = received(folder / "out.mcap")
    places = [whole.index(piece) for piece in got]
    assert places == sorted(set(places)), "each piece once, in order, and byte for byte"
    assert salvage.lost or len(got) == len(whole)
    assert open_recording(folder / "out.mcap").setup_text == SETUP_TEXT


def test_two_holes_and_a_cut(large: Path, tmp_path: Path) -> None:
    places = chunks(large)
    data = bytearray(large.read_bytes())
    for number in (100, 101, 400):
        at, length = places[number]
        data[at + length - 5] ^= 0x10
    cut_at = places[700][0] + 20
    (tmp_path / "f.mcap").write_bytes(data[:cut_at])
    salvage = recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert [hole.messages for hole in salvage.holes] == [2, 1, None]
    assert salvage.holes[-1].at_the_end
    assert "cannot be told" in salvage.sentences()[-1]
    assert received(tmp_path / "out.mcap") == [
        piece for number, piece in enumerate(received(large)[:700]) if number not in (100, 101, 400)
    ]


def test_a_closed_recording_says_what_its_damaged_end_lost(large: Path, tmp_path: Path) -> None:
    places = chunks(large)
    data = bytearray(large.read_bytes())
    for at, length in places[-3:]:
        data[at + length // 2] ^= 1
    (tmp_path / "f.mcap").write_bytes(data)
    salvage = recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert sum(hole.messages or 0 for hole in salvage.holes) == 3
    assert salvage.closed
    assert received(tmp_path / "out.mcap") == received(large)[:-3]


def test_chunks_taken_out_cleanly_are_missed_by_their_numbers(small: Path, tmp_path: Path) -> None:
    places = chunks(small)
    data = small.read_bytes()
    (tmp_path / "f.mcap").write_bytes(data[: places[4][0]] + data[places[6][0] :])
    salvage = recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert [hole.messages for hole in salvage.holes if hole.lost_data] == [2]


def test_a_damaged_index_or_summary_loses_no_data(small: Path, tmp_path: Path) -> None:
    data = bytearray(small.read_bytes())
    at, length = chunks(small)[2]
    data[at + length + 2] ^= 0x40  # the length of the message index behind a chunk
    data[-30] ^= 1  # the footer
    (tmp_path / "f.mcap").write_bytes(data)
    salvage = recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert received(tmp_path / "out.mcap") == received(small)
    assert not salvage.lost
    assert "no data were in them" in " ".join(salvage.sentences())


def test_without_its_beginning_it_needs_the_set_up(small: Path, tmp_path: Path) -> None:
    data = small.read_bytes()
    (first, length), *_ = chunks(small)
    (tmp_path / "f.mcap").write_bytes(data[first:])
    with pytest.raises(RecordingError, match="set-up in this recording") as caught:
        recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert "--setup" in caught.value.todo
    salvage = recover(tmp_path / "f.mcap", tmp_path / "out.mcap", SETUP_TEXT)
    assert received(tmp_path / "out.mcap") == received(small)
    assert salvage.lost
    assert salvage.meta_lost
    assert salvage.setup_given
    # Without the first chunk the channels' names are gone too, and the board's hello.
    (tmp_path / "g.mcap").write_bytes(data[first + length :])
    salvage = recover(tmp_path / "g.mcap", tmp_path / "g-out.mcap", SETUP_TEXT)
    assert received(tmp_path / "g-out.mcap") == received(small)[1:]
    assert salvage.hello_lost
    assert "no hello" in " ".join(salvage.sentences())


def test_another_run_in_the_hole_leaves_the_scans_unknown(tmp_path: Path) -> None:
    first, second = frames(10), frames(10, seed=2)
    second = [
        encode_samples(
            Samples(2, n, n * 20_000, 1000, 0, 12, False, (0,), np.zeros((SCANS, 1), dtype=np.uint16))
        )
        for n in range(10)
    ]
    path = record(tmp_path / "f.mcap", first + second)
    data = bytearray(path.read_bytes())
    for at, length in chunks(path)[19:23]:
        data[at + length - 4] ^= 1
    path.write_bytes(data)
    salvage = recover(path, tmp_path / "out.mcap")
    (hole,) = salvage.holes
    assert (hole.messages, hole.scans) == (4, None)
    assert "another run" in hole.sentence()
    assert hole.seconds == pytest.approx(5 * HOLD_NS / 1e9)  # by the host's clock


def test_a_hole_in_an_imported_capture_becomes_a_gap(tmp_path: Path) -> None:
    blocks = [
        SampleBlock(("intake",), np.random.default_rng(k).normal(size=(1, 50)), k * 0.05, 0.001)
        for k in range(10)
    ]
    origin = ImportedFrom(file="c.csv", sha256="ab", duration_s=0.5, warnings=())
    path = tmp_path / "i.mcap"
    with Recorder(path, SETUP_TEXT, started_at=STARTED, imported=origin) as recorder:
        for block in blocks:
            recorder.imported(block)
    data = bytearray(path.read_bytes())
    for at, length in chunks(path)[4:6]:
        data[at + length - 4] ^= 1
    path.write_bytes(data)
    salvage = recover(path, tmp_path / "out.mcap")
    (hole,) = salvage.holes
    assert (hole.messages, hole.scans) == (2, 100)
    got = [i.block for i in open_recording(tmp_path / "out.mcap").items() if isinstance(i, RecordedBlock)]
    (gap,) = [block for block in got if isinstance(block, Gap)]
    assert gap.lost_samples == 100
    assert (gap.t_from, gap.t_to) == pytest.approx((0.2, 0.3))
    assert len(got) == 9


def test_an_import_whose_data_end_before_the_capture_did_lacks_its_end(tmp_path: Path) -> None:
    """As one that was recovered from a file that ended behind a whole piece."""
    setup_text = SETUP_TEXT.replace("input = 0\n", "").split('[[probe]]\nname = "spark"')[0]
    for duration_s, lossy in ((5.0, True), (2.0, False)):
        origin = ImportedFrom(file="c.csv", sha256="ab", duration_s=duration_s, warnings=())
        path = tmp_path / f"{duration_s}.mcap"
        with Recorder(path, setup_text, started_at=STARTED, imported=origin) as recorder:
            for k in range(40):
                recorder.imported(SampleBlock(("intake",), np.zeros((1, 50)), k * 0.05, 0.001))
        judged = judge_path(path)
        assert judged.lossy is lossy
        assert judged.judgement.source.duration_s == pytest.approx(2.0)


def test_of_an_imported_capture_its_seconds_are_said_and_its_missing_end(tmp_path: Path) -> None:
    blocks = [SampleBlock(("intake",), np.zeros((1, 50)), k * 0.05, 0.001) for k in range(100)]
    origin = ImportedFrom(file="c.csv", sha256="ab", duration_s=5.0, warnings=())
    path = tmp_path / "i.mcap"
    setup_text = SETUP_TEXT.replace("input = 0\n", "").split('[[probe]]\nname = "spark"')[0]
    with Recorder(path, setup_text, started_at=STARTED, imported=origin) as recorder:
        for block in blocks:
            recorder.imported(block)
    path.write_bytes(path.read_bytes()[: chunks(path)[60][0] + 20])
    before = judge_path(path)
    assert before.judgement.source.duration_s == pytest.approx(3.0)
    assert any("`evenstroke recover`" in warning.text for warning in before.judgement.warnings)
    salvage = recover(path, tmp_path / "out.mcap")
    assert "3.00 s of the imported capture" in salvage.sentences()[0]
    assert "bytes from the board" not in salvage.sentences()[0]
    after = judge_path(tmp_path / "out.mcap")
    assert after.lossy
    assert after.judgement.source.duration_s == pytest.approx(3.0)
    (said,) = (w.text for w in after.judgement.warnings if w.code == "end_missing")
    assert "end at 3.00 s" in said
    # And of a copy of that copy.
    recover(tmp_path / "out.mcap", tmp_path / "again.mcap")
    assert judge_path(tmp_path / "again.mcap").lossy


@pytest.mark.parametrize("content", [b"", b"time_s,intake\n0,1\n", bytes(5000), b"\x89MCAP0\r\n"])
def test_nothing_to_salvage_is_said(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "f.mcap").write_bytes(content)
    with pytest.raises(RecordingError, match="nothing to salvage"):
        recover(tmp_path / "f.mcap", tmp_path / "out.mcap")
    assert not (tmp_path / "out.mcap").exists()


def test_nothing_is_written_over(small: Path, tmp_path: Path) -> None:
    (tmp_path / "out.mcap").write_bytes(b"precious")
    with pytest.raises(OutputError, match="nothing is ever written over"):
        recover(small, tmp_path / "out.mcap")
    assert (tmp_path / "out.mcap").read_bytes() == b"precious"


@pytest.fixture(scope="module")
def soak() -> ModuleType:
    """The long run's own code, a few times: tests/soak/killed_recorder.py."""
    place = Path(__file__).parents[1] / "soak" / "killed_recorder.py"
    spec = importlib.util.spec_from_file_location("killed_recorder", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: kill -9 is POSIX's")
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_kill_9_at_a_random_moment_loses_nothing_that_was_flushed(
    soak: ModuleType, tmp_path: Path, seed: int
) -> None:
    end = soak.kill_once(tmp_path, seed)
    assert end.confirmed > 0
    assert end.lost == 0
