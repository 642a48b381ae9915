"""The recorder: byte-exact, flushed with every call, read by the public MCAP reader."""

from __future__ import annotations

import errno
import gc
import itertools
import os
import subprocess
import sys
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_replay.recorder import HOLD_NS, ImportedFrom, Recorder, recording_name
from evenstroke_replay.recording import RecordedBytes, RecordedNote, open_recording
from evenstroke_replay.recording_format import Note, Phase, RecordingError
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from mcap.records import Chunk
from mcap.stream_reader import StreamReader

STARTED = datetime(2026, 11, 25, 9, 10, 0, tzinfo=UTC)
SETUP_TEXT = (
    "schema = 1  # \u00fc, kept word for word\r\n"
    "[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\n'
)


def recorder(path: Path) -> Recorder:
    return Recorder(path, SETUP_TEXT, started_at=STARTED, started_host_ns=1_000)


def test_the_public_reader_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    with recorder(path) as rec:
        rec.received(b"\x01\x00\xff", 2_000)
        rec.phase("cranking", 2_500)
        rec.note("smells of petrol", 3_000)
        rec.received(b"", 3_500)
        rec.received(bytes(range(256)), 4_000)
        assert rec.bytes_written == path.stat().st_size
    with path.open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        assert reader.get_header().profile == "evenstroke"
        (metadata,) = reader.iter_metadata()
        assert metadata.name == "evenstroke.recording"
        assert metadata.metadata["format_version"] == "1"
        assert metadata.metadata["source"] == '"board"'
        assert metadata.metadata["started_at"] == '"2026-11-25T09:10:00+00:00"'
        (attachment,) = reader.iter_attachments()
        assert (attachment.name, attachment.data) == ("setup.toml", SETUP_TEXT.encode())
        summary = reader.get_summary()
        assert summary is not None
        assert summary.statistics is not None
        assert summary.statistics.message_count == 5
        messages = [
            (channel.topic, message.log_time, message.sequence, message.data)
            for _, channel, message in reader.iter_messages(log_time_order=False)
        ]
    assert messages == [
        ("board/bytes", 2_000, 0, b"\x01\x00\xff"),
        ("phases", 2_500, 0, b'{"phase":"cranking"}'),
        ("notes", 3_000, 0, b'{"text":"smells of petrol"}'),
        ("board/bytes", 3_500, 1, b""),
        ("board/bytes", 4_000, 2, bytes(range(256))),
    ]


@settings(deadline=None)
@given(chunks=st.lists(st.tuples(st.binary(max_size=300), st.integers(0, 2**62)), max_size=8))
def test_bytes_come_back_as_they_were_received(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[tuple[bytes, int]]
) -> None:
    path = tmp_path_factory.mktemp("exact") / "r.mcap"
    with recorder(path) as rec:
        for data, host_ns in chunks:
            rec.received(data, host_ns)
    recording = open_recording(path)
    assert recording.complete
    assert recording.cut is None
    assert list(recording.items()) == [RecordedBytes(host_ns, data) for data, host_ns in chunks]
    assert recording.setup_text == SETUP_TEXT
    assert recording.setup.engine.cylinders == 2
    assert recording.meta.started_host_ns == 1_000


def test_notes_and_phases_come_back_in_order(tmp_path: Path) -> None:
    with recorder(tmp_path / "r.mcap") as rec:
        rec.phase("rest", 10)
        rec.received(b"x", 20)
        rec.note("second crank, hose out of 5", 15)
    assert list(open_recording(tmp_path / "r.mcap").items()) == [
        RecordedNote(10, Phase(phase="rest")),
        RecordedBytes(20, b"x"),
        RecordedNote(15, Note(text="second crank, hose out of 5")),
    ]


def test_the_same_calls_write_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.mcap", "b.mcap"):
        with recorder(tmp_path / name) as rec:
            for i in range(20):
                rec.received(bytes([i]) * 100, i)
            rec.note("done", 30)
    assert (tmp_path / "a.mcap").read_bytes() == (tmp_path / "b.mcap").read_bytes()


KILLED = """
import os, sys
from datetime import datetime
from pathlib import Path
from evenstroke_replay.recorder import Recorder
rec = Recorder(Path(sys.argv[1]), sys.argv[2], started_at=datetime(2026, 11, 25))
for i in range(int(sys.argv[3])):
    rec.received(b"%d " % i * 200, i * 20_000_000)
os._exit(9)  # no destructor, no buffer emptied, no summary
"""


@pytest.mark.parametrize("blocks", [0, 1, 37])
def test_a_killed_process_loses_nothing_that_it_handed_in(tmp_path: Path, blocks: int) -> None:
    path = tmp_path / "killed.mcap"
    done = subprocess.run([sys.executable, "-c", KILLED, str(path), SETUP_TEXT, str(blocks)], check=False)
    assert done.returncode == 9
    recording = open_recording(path)
    assert not recording.complete
    assert recording.cut is not None
    assert recording.whole_bytes == path.stat().st_size  # not one byte of half a record
    assert list(recording.items()) == [RecordedBytes(i * HOLD_NS, b"%d " % i * 200) for i in range(blocks)]


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "mine.mcap"
    path.write_bytes(b"precious")
    with pytest.raises(RecordingError, match="nothing is ever written over"):
        recorder(path)
    assert path.read_bytes() == b"precious"


def test_a_folder_gives_every_recording_a_name_of_its_own(tmp_path: Path) -> None:
    folder = tmp_path / "to" / "be made"
    names = []
    for _ in range(3):
        with Recorder.in_folder(folder, "Mobile library, warm", SETUP_TEXT, started_at=STARTED) as rec:
            names.append(rec.path.name)
    assert names == [
        "2026-11-25T091000-mobile-library-warm.mcap",
        "2026-11-25T091000-mobile-library-warm-2.mcap",
        "2026-11-25T091000-mobile-library-warm-3.mcap",
    ]


@pytest.mark.parametrize(
    ("title", "slug"),
    [
        ("", ""),
        ("../../etc/passwd", "-etc-passwd"),
        ("Bücherbus: Zylinder 5 / Öl", "-bucherbus-zylinder-5-ol"),
        ("測試", ""),
        ("x" * 300, "-" + "x" * 60),
        ("con: <>|?*", "-con"),
    ],
)
def test_names_are_plain_on_every_system(title: str, slug: str) -> None:
    assert recording_name(STARTED, title) == f"2026-11-25T091000{slug}.mcap"


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="cannot be used"):
        Recorder.in_folder(tmp_path / "file" / "sub", "t", SETUP_TEXT, started_at=STARTED)
    with pytest.raises(RecordingError, match="cannot be created"):
        recorder(tmp_path / "nowhere" / "r.mcap")


def test_a_full_disk_keeps_what_was_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "full.mcap"
    rec = recorder(path)
    for i in range(5):
        rec.received(b"%d" % i * 50, i * HOLD_NS)
    size = path.stat().st_size
    write = os.write
    room = 30  # bytes that still fit

    def short_write(file: int, data: memoryview) -> int:
        nonlocal room
        if room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        part = data[:room]
        room -= len(part)
        return write(file, part)

    monkeypatch.setattr("evenstroke_replay.mcap_file.os.write", short_write)
    with pytest.raises(RecordingError, match="No space left on device"):
        rec.received(b"one too many", 5 * HOLD_NS)
    monkeypatch.undo()
    with pytest.raises(RecordingError, match="cannot be written any further"):
        rec.received(b"and no more", 6 * HOLD_NS)
    with pytest.raises(RecordingError, match="cannot be written any further"):
        rec.close()
    assert path.stat().st_size == size  # the half record is taken back
    recording = open_recording(path)
    assert not recording.complete
    assert list(recording.items()) == [RecordedBytes(i * HOLD_NS, b"%d" % i * 50) for i in range(5)]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="not checked here: needs /dev/full")
def test_a_really_full_device_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenstroke_replay.mcap_file.create", lambda path: os.open("/dev/full", os.O_WRONLY))
    with pytest.raises(RecordingError, match="No space left on device"):
        recorder(Path("/dev/full"))


def test_a_full_disk_at_the_summary_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rec = recorder(tmp_path / "r.mcap")
    rec.received(b"kept", 1)

    def full(file: int, data: memoryview) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("evenstroke_replay.mcap_file.os.write", full)
    with pytest.raises(RecordingError, match="No space"):
        rec.close()
    monkeypatch.undo()
    assert list(open_recording(tmp_path / "r.mcap").items()) == [RecordedBytes(1, b"kept")]


def test_the_disk_is_asked_to_keep_it_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rec = recorder(tmp_path / "r.mcap")
    asked: list[int] = []
    monkeypatch.setattr("evenstroke_replay.mcap_file.os.fsync", asked.append)
    for tenth in range(31):
        rec.received(b"x", 1_000 + tenth * 100_000_000)
    assert len(asked) == 3
    rec.close()
    assert len(asked) == 4


def test_a_closed_recording_takes_no_more(tmp_path: Path) -> None:
    rec = recorder(tmp_path / "r.mcap")
    rec.close()
    rec.close()
    with pytest.raises(RecordingError, match="closed"):
        rec.received(b"x", 1)


def test_imported_blocks_keep_every_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    volts = rng.normal(size=(2, 50))
    volts[1, 7] = np.nan
    blocks = [
        SampleBlock(("in take", 3), volts, -0.1 + 1e-17, 1.0 / 3.0, 1e-5),
        Gap(0.1, 0.30000000000000004, 17, GapReason.CAPTURE_GAP),
        EdgeBlock("spark", rng.random(5), rng.random(5) > 0.5, 1.5),
        EdgeBlock("spark", np.empty(0), np.empty(0, dtype=bool), 2.5),
    ]
    origin = ImportedFrom(file="c.csv", sha256="ab", duration_s=1.25, warnings=())
    path = tmp_path / "i.mcap"
    with Recorder(path, SETUP_TEXT, started_at=STARTED, imported=origin) as rec:
        for block in blocks:
            rec.imported(block)
    recording = open_recording(path)
    assert recording.meta.source == "import"
    assert recording.meta.imported_duration_s == 1.25
    got = [item.block for item in recording.items()]  # type: ignore[union-attr]
    assert got[1] == blocks[1]
    for i in (0,):
        assert (got[i].inputs, got[i].t0, got[i].dt, got[i].skew) == (
            ("in take", 3),
            -0.1 + 1e-17,
            1 / 3,
            1e-5,
        )
        assert got[i].volts.tobytes() == volts.tobytes()
    for i in (2, 3):
        assert (got[i].input, got[i].until) == (blocks[i].input, blocks[i].until)
        assert np.array_equal(got[i].times, blocks[i].times)
        assert np.array_equal(got[i].rising, blocks[i].rising)


def chunk_count(path: Path) -> int:
    with path.open("rb") as stream:
        return sum(isinstance(r, Chunk) for r in StreamReader(stream, emit_chunks=True).records)


@settings(deadline=None)
@given(steps=st.lists(st.integers(0, 3 * HOLD_NS), min_size=1, max_size=60))
def test_pieces_share_a_chunk_and_none_waits_longer_than_20_ms(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int]
) -> None:
    path = tmp_path_factory.mktemp("held") / "r.mcap"
    rec = recorder(path)
    now_ns, handed_in, flushed_at = 1_000, [], []
    for step in steps:
        now_ns += step
        rec.received(b"x", now_ns)
        handed_in.append(now_ns)
        due_ns = rec.due_ns
        if due_ns is None:
            flushed_at.append(now_ns)
            held: list[int] = []
        else:
            held = [at for at in handed_in if not flushed_at or at > flushed_at[-1] or at == now_ns]
            assert due_ns <= now_ns + HOLD_NS
            assert min(held) + HOLD_NS >= due_ns
            # Whoever hands in calls this while nothing comes.
            rec.flush_due(due_ns - 1)
            assert rec.due_ns == due_ns
    if rec.due_ns is not None:
        rec.flush_due(rec.due_ns)
        assert rec.due_ns is None
    # Chunks are at least 20 ms apart but for the one that was due.
    assert all(b - a >= HOLD_NS for a, b in itertools.pairwise(flushed_at))
    assert [i.host_ns for i in open_recording(path).items()] == handed_in


def test_pieces_of_5_ms_make_50_chunks_a_second(tmp_path: Path) -> None:
    with recorder(tmp_path / "r.mcap") as rec:
        for number in range(200):
            rec.received(b"piece", 1_000 + number * 5_000_000)
    assert chunk_count(tmp_path / "r.mcap") == 51  # and the last, cut short by closing


def test_notes_and_phases_are_flushed_at_once_with_what_came_before(tmp_path: Path) -> None:
    rec = recorder(tmp_path / "r.mcap")
    rec.received(b"a", 1_000)
    rec.received(b"b", 2_000)
    rec.note("now", 2_500)
    assert rec.due_ns is None
    rec.phase("coasting", 3_000)
    assert list(open_recording(tmp_path / "r.mcap").items()) == [
        RecordedBytes(1_000, b"a"),
        RecordedBytes(2_000, b"b"),
        RecordedNote(2_500, Note(text="now")),
        RecordedNote(3_000, Phase(phase="coasting")),
    ]


def test_its_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    # Measured with Python's own count of what is allocated; tests/soak/memory_hour.py looks at the process.
    rec = recorder(tmp_path / "r.mcap")

    def pieces(first: int, count: int) -> None:
        for number in range(first, first + count):
            rec.received(b"piece", 1_000 + number * HOLD_NS)

    pieces(0, 200)
    tracemalloc.start()
    try:
        pieces(200, 1000)
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        pieces(1200, 4000)
        gc.collect()
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.reset_peak()
        rec.close()
        closing = tracemalloc.get_traced_memory()[1] - before
    finally:
        tracemalloc.stop()
    assert grown < 4000  # a byte a chunk; MCAP's own writer keeps about 500
    assert closing < 1_000_000  # the index passes through in pieces of 64 kB
    with (tmp_path / "r.mcap").open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    assert len(summary.chunk_indexes) == 5200


LIMITED = """
import resource, signal, sys
from datetime import datetime
from pathlib import Path
from evenstroke_replay.recorder import HOLD_NS, Recorder
from evenstroke_replay.recording_format import RecordingError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
import os
rec = Recorder(Path(sys.argv[1]), sys.argv[2], started_at=datetime(2026, 11, 25))
other = Recorder(Path(sys.argv[1] + "-2.mcap"), sys.argv[2], started_at=datetime(2026, 11, 25))
taken = 0
try:
    while True:
        rec.received(os.urandom(500), taken * HOLD_NS)
        taken += 1
except RecordingError as error:
    print(taken, rec.bytes_written, error.found)
other.received(b"another goes on", 0)
other.close()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: needs a limit on file sizes (POSIX)")
def test_where_a_file_really_cannot_grow_what_was_flushed_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "full.mcap"
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path), SETUP_TEXT], capture_output=True, text=True, check=True
    )
    taken, size, found = done.stdout.split(maxsplit=2)
    assert int(size) == path.stat().st_size <= 20_000
    assert f"what came in its first {(int(taken) - 1) * 0.02:.2f} s is kept ({size} bytes)" in found
    recording = open_recording(path)
    assert recording.whole_bytes == path.stat().st_size
    assert len(list(recording.items())) == int(taken) > 20
    assert open_recording(Path(f"{path}-2.mcap")).complete


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: an open file cannot be deleted there")
def test_a_file_that_is_deleted_meanwhile_is_said_within_a_second(tmp_path: Path) -> None:
    rec = recorder(tmp_path / "r.mcap")
    rec.received(b"x", 1_000)
    (tmp_path / "r.mcap").unlink()
    rec.received(b"x", 500_000_000)  # goes into nothing, and nobody can know yet
    with pytest.raises(RecordingError, match="deleted while it was being written"):
        rec.received(b"x", 1_100_000_000)


@pytest.mark.skipif(
    sys.platform == "win32" or not hasattr(os, "geteuid") or os.geteuid() == 0,
    reason="not checked here: the folder's permissions do not bind this user",
)
def test_a_folder_that_is_read_only_is_said(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(RecordingError, match="cannot be created"):
            recorder(tmp_path / "r.mcap")
    finally:
        tmp_path.chmod(0o700)


def test_a_read_only_file_system_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("evenstroke_replay.mcap_file.os.open", refuse)
    with pytest.raises(RecordingError, match="Read-only file system"):
        recorder(tmp_path / "r.mcap")


def test_a_disk_that_goes_away_is_said_and_another_recording_can_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rec = recorder(tmp_path / "gone.mcap")
    rec.received(b"kept", 1_000)

    def gone(file: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("evenstroke_replay.mcap_file.os.fsync", gone)
    with pytest.raises(RecordingError, match="Input/output error"):
        rec.received(b"flushed, but does the disk have it?", 1_100_000_000)
    monkeypatch.undo()
    with recorder(tmp_path / "elsewhere.mcap") as other:
        other.received(b"goes on", 1_200_000_000)
    assert open_recording(tmp_path / "elsewhere.mcap").complete
    assert next(iter(open_recording(tmp_path / "gone.mcap").items())) == RecordedBytes(1_000, b"kept")


def test_a_folder_that_may_not_be_looked_into_is_an_error_of_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # root may look anywhere, so that the system's refusal is handed in.
    def refuse(self: Path) -> bool:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "exists", refuse)
    with pytest.raises(RecordingError, match="cannot be used") as caught:
        Recorder.in_folder(tmp_path, "x", "", started_at=datetime(2026, 11, 25, tzinfo=UTC))
    assert "who may write" in caught.value.todo
    with pytest.raises(RecordingError, match="cannot be used"):
        Recorder.in_folder(Path("a\0b"), "x", "", started_at=datetime(2026, 11, 25, tzinfo=UTC))
