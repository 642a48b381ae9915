"""The recorder: byte-exact, flushed with every call, read by the public MCAP reader."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, Gap, SampleBlock
from evenstroke_replay.recorder import ImportedFrom, Recorder, recording_name
from evenstroke_replay.recording import RecordedBytes, RecordedNote, open_recording
from evenstroke_replay.recording_format import Note, Phase, RecordingError
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader

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
    rec.received(b"%d " % i * 200, i)
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
    assert list(recording.items()) == [RecordedBytes(i, b"%d " % i * 200) for i in range(blocks)]


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
    with pytest.raises(RecordingError, match="cannot be made"):
        Recorder.in_folder(tmp_path / "file" / "sub", "t", SETUP_TEXT, started_at=STARTED)
    with pytest.raises(RecordingError, match="cannot be created"):
        recorder(tmp_path / "nowhere" / "r.mcap")


def test_a_full_disk_keeps_what_was_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "full.mcap"
    rec = recorder(path)
    for i in range(5):
        rec.received(b"%d" % i * 50, i)
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

    monkeypatch.setattr("evenstroke_replay.recorder.os.write", short_write)
    with pytest.raises(RecordingError, match="No space left on device"):
        rec.received(b"one too many", 5)
    monkeypatch.undo()
    with pytest.raises(RecordingError, match="cannot be written any further"):
        rec.received(b"and no more", 6)
    with pytest.raises(RecordingError, match="cannot be written any further"):
        rec.close()
    assert path.stat().st_size == size  # the half record is taken back
    recording = open_recording(path)
    assert not recording.complete
    assert list(recording.items()) == [RecordedBytes(i, b"%d" % i * 50) for i in range(5)]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="not checked here: needs /dev/full")
def test_a_really_full_device_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenstroke_replay.recorder._create", lambda path: os.open("/dev/full", os.O_WRONLY))
    with pytest.raises(RecordingError, match="No space left on device"):
        recorder(Path("/dev/full"))


def test_a_full_disk_at_the_summary_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rec = recorder(tmp_path / "r.mcap")
    rec.received(b"kept", 1)

    def full(file: int, data: memoryview) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("evenstroke_replay.recorder.os.write", full)
    with pytest.raises(RecordingError, match="No space"):
        rec.close()
    monkeypatch.undo()
    assert list(open_recording(tmp_path / "r.mcap").items()) == [RecordedBytes(1, b"kept")]


def test_the_disk_is_asked_to_keep_it_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rec = recorder(tmp_path / "r.mcap")
    asked: list[int] = []
    monkeypatch.setattr("evenstroke_replay.recorder.os.fsync", asked.append)
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
        Gap(0.1, 0.30000000000000004, 17, "capture_gap"),
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
