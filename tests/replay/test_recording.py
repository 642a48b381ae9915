"""Reading recordings: cut at every byte, damaged, foreign, of another version."""

from __future__ import annotations

import re
import zlib
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import msgspec
import pytest
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import Item, open_recording
from evenstroke_replay.recording_format import (
    META_NAME,
    PROFILE,
    SETUP_NAME,
    RecordingError,
    RecordingMeta,
    decode_meta,
    encode_meta,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from mcap.writer import MCAP0_MAGIC, Writer

SETUP_TEXT = (
    "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    '[[probe]]\nname = "i"\nrole = "intake_pulse"\n'
)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "small.mcap"
    with Recorder(path, SETUP_TEXT, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as rec:
        rec.received(b"first", 1)
        rec.note("a note", 2)
        rec.received(b"second" * 20, 3)
        rec.flush()
        rec.phase("cranking", 4)
        rec.received(b"third", 5)
    return path


def test_cut_at_every_byte_it_reads_a_prefix_and_says_so(small: Path, tmp_path: Path) -> None:
    data = small.read_bytes()
    whole = list(open_recording(small).items())
    cut_path = tmp_path / "cut.mcap"
    seen: list[int] = []
    for length in range(len(data)):
        cut_path.write_bytes(data[:length])
        try:
            recording = open_recording(cut_path)
        except EvenstrokeError as error:
            assert not seen, f"cut at {length} it did not open, and shorter it did"
            assert error.todo
            continue
        items = list(recording.items())
        assert not recording.complete
        assert recording.cut is not None
        assert f"of its {length} bytes" in recording.cut
        assert items == whole[: len(items)]
        seen.append(len(items))
    assert seen == sorted(seen)
    assert set(seen) == set(range(len(whole) + 1))
    assert open_recording(small).complete


def test_whoever_begins_in_the_middle_reads_the_rest(small: Path) -> None:
    places = [(place, items) for place, items in open_recording(small).groups()]
    assert len(places) > 1
    for k, (place, _) in enumerate(places):
        rest = list(open_recording(small, check_all=False).groups(place))
        assert rest == places[k + 1 :]


def record_heads(data: bytes) -> list[int]:
    """Places of the opcode and length bytes of every record outside chunks."""
    places: list[int] = []
    at = len(MCAP0_MAGIC)
    while at < len(data) - len(MCAP0_MAGIC):
        places += range(at, at + 9)
        at += 9 + int.from_bytes(data[at + 1 : at + 9], "little")
    return places


def test_a_flipped_bit_never_reads_as_other_data(small: Path, tmp_path: Path) -> None:
    # Every bit of every record's head, which decides what the rest means, and one bit of every other byte.
    data = small.read_bytes()
    opened = open_recording(small)
    whole, setup_text, meta = list(opened.items()), opened.setup_text, opened.meta
    flips = {(place, bit) for place in record_heads(data) for bit in range(8)}
    flips |= {(place, place % 8) for place in range(0, len(data), 3)}
    path = tmp_path / "flipped.mcap"
    for place, bit in sorted(flips):
        flipped = bytearray(data)
        flipped[place] ^= 1 << bit
        path.write_bytes(flipped)
        try:
            recording = open_recording(path)
            got = list(recording.items())
        except EvenstrokeError:
            continue
        where = f"bit {bit} of byte {place}"
        assert (recording.setup_text, recording.meta) == (setup_text, meta), where
        assert got == whole[: len(got)], where
        assert recording.complete <= (len(got) == len(whole)), where


@settings(deadline=None)
@given(data=st.binary(max_size=200), magic=st.booleans())
def test_any_bytes_at_all_are_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, magic: bool
) -> None:
    path = tmp_path_factory.mktemp("any") / "any.mcap"
    path.write_bytes(MCAP0_MAGIC * magic + data)
    with pytest.raises(RecordingError):
        open_recording(path)


def mcap_file(
    path: Path, *, profile: str = PROFILE, meta: dict[str, str] | None, setup: bytes | None
) -> Path:
    stream = BytesIO()
    writer = Writer(stream)
    writer.start(profile=profile, library="another library")
    if meta is not None:
        writer.add_metadata(META_NAME, meta)
    if setup is not None:
        writer.add_attachment(0, 0, SETUP_NAME, "", setup)
    channel = writer.register_channel("something/new", "x-unheard-of", 0)
    writer.add_message(channel, 0, b"?", 0)
    writer.finish()  # type: ignore[no-untyped-call]
    path.write_bytes(stream.getvalue())
    return path


META = encode_meta(
    RecordingMeta(
        format_version=1,
        evenstroke_version="0.1.0",
        started_at="2026-11-25T09:10:00+00:00",
        started_host_ns=5,
        source="board",
    )
)


def resealed(fields: dict[str, str]) -> dict[str, str]:
    """META with other fields, and the checksum that FORMAT.md describes."""
    others = {**META, **fields}
    del others["crc32"]
    text = "".join(f"{name}={value}\n" for name, value in sorted(others.items()))
    return {**others, "crc32": str(zlib.crc32(text.encode()))}


def test_topics_of_a_later_version_are_passed_over(tmp_path: Path) -> None:
    path = mcap_file(tmp_path / "later.mcap", meta=resealed({"new_field": "1"}), setup=SETUP_TEXT.encode())
    recording = open_recording(path)
    assert recording.complete
    assert list(recording.items()) == []


@pytest.mark.parametrize(
    ("changes", "says", "todo"),
    [
        ({"profile": "ros2"}, "recorded for another job", "CSV"),
        ({"meta": resealed({"format_version": "2"})}, "newer evenstroke", "update"),
        ({"meta": resealed({"format_version": "one"})}, "cannot be read", "recover"),
        ({"meta": resealed({"source": '"thin air"'})}, "cannot be read", "recover"),
        ({"meta": {**META, "started_host_ns": "6"}}, "cannot be read", "recover"),
        ({"meta": {}}, "cannot be read", "recover"),
        ({"meta": None}, "has no beginning", "another"),
        ({"setup": None}, "has no beginning", "another"),
    ],
)
def test_what_is_no_recording_of_ours_is_refused(
    tmp_path: Path, changes: dict[str, object], says: str, todo: str
) -> None:
    given_ = {"meta": META, "setup": SETUP_TEXT.encode(), **changes}
    with pytest.raises(RecordingError, match=says) as caught:
        open_recording(mcap_file(tmp_path / "f.mcap", **given_))  # type: ignore[arg-type]
    assert todo in caught.value.todo
    assert "f.mcap" in caught.value.where


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"time_s,intake\n0,1\n", "is no recording"),
        (MCAP0_MAGIC[:5], "has no beginning"),
    ],
)
def test_other_files_are_refused_with_what_to_do(tmp_path: Path, data: bytes, says: str) -> None:
    (tmp_path / "f.mcap").write_bytes(data)
    with pytest.raises(RecordingError, match=says) as caught:
        open_recording(tmp_path / "f.mcap")
    assert caught.value.todo


@pytest.mark.parametrize("name", ["not there.mcap", "."])
def test_what_cannot_be_opened_is_said(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordingError, match="cannot be opened"):
        open_recording(tmp_path / name)


def test_zeros_behind_a_cut_are_no_data(small: Path, tmp_path: Path) -> None:
    # What some file systems leave after a power cut: the size grew, the data never came.
    whole = list(open_recording(small).items())
    data = small.read_bytes()
    path = tmp_path / "zeros.mcap"
    seen: set[int] = set()
    for length in range(0, len(data) - 8, 37):
        path.write_bytes(data[:length] + bytes(5000))
        try:
            recording = open_recording(path)
        except RecordingError:
            continue
        items: list[Item] = list(recording.items())
        assert not recording.complete
        assert recording.cut is not None
        assert items == whole[: len(items)]
        seen.add(len(items))
    assert seen == set(range(len(whole) + 1))


def test_a_file_that_changes_between_passes_is_an_error_of_ours(small: Path, tmp_path: Path) -> None:
    path = tmp_path / "changing.mcap"
    data = small.read_bytes()
    path.write_bytes(data)
    recording = open_recording(path)
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(RecordingError, match="changed while it was read"):
        list(recording.items())


def test_metadata_come_back_as_they_were_given() -> None:
    meta = RecordingMeta(
        format_version=1,
        evenstroke_version="0.1.0",
        started_at="x",
        started_host_ns=2**62,
        source="import",
        imported_file="ü.csv",
        imported_sha256="ab",
        imported_duration_s=0.1,
    )
    assert decode_meta(encode_meta(meta)) == meta
    assert all(msgspec.json.decode(text) is not ... for text in encode_meta(meta).values())


def test_every_chunk_carries_a_crc_that_zlib_agrees_with(small: Path) -> None:
    import zstandard
    from mcap.records import Chunk
    from mcap.stream_reader import StreamReader

    with small.open("rb") as stream:
        chunks = [r for r in StreamReader(stream, emit_chunks=True).records if isinstance(r, Chunk)]
    assert len(chunks) == 5  # one for each flush
    for chunk in chunks:
        data = zstandard.decompress(chunk.data, chunk.uncompressed_size)
        assert zlib.crc32(data) == chunk.uncompressed_crc != 0


FORMAT = Path(__file__).resolve().parents[2] / "replay" / "FORMAT.md"


def test_the_example_in_the_format_s_description_runs(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "recording.mcap").write_bytes(small.read_bytes())
    monkeypatch.chdir(tmp_path)
    (example,) = re.findall(r"```python\n(.*?)```", FORMAT.read_text(encoding="utf-8"), re.DOTALL)
    names: dict[str, object] = {}
    exec(example, names)
    assert names["setup"] == SETUP_TEXT
    assert capsys.readouterr().out.splitlines()[0] == "1 board/bytes 5"


def test_the_format_s_description_names_every_channel_and_field(small: Path) -> None:
    text = FORMAT.read_text(encoding="utf-8")
    with small.open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    declared = {(c.topic, c.message_encoding) for c in summary.channels.values()}
    described = set(re.findall(r"^\| `([a-z]+(?:/[a-z]+)?)` \| `([a-z-]+)` \|", text, re.MULTILINE))
    assert declared == described
    fields = set(re.findall(r"^\| `([a-z_0-9]+)` \| (?:text|number|list)", text, re.MULTILINE))
    assert fields == {*RecordingMeta.__struct_fields__, "crc32"}


def test_the_tests_that_the_guarantees_name_exist() -> None:
    text = FORMAT.read_text(encoding="utf-8")
    table = text[text.index("| when this happens") : text.index("## What `evenstroke recover` writes")]
    rows = [line for line in table.splitlines() if line.startswith("| ") and "when this happens" not in line]
    assert len(rows) > 10
    for row in rows:
        named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", row.split("|")[3])
        assert named, f"no test shows this: {row}"
        for file, name in named:
            source = (Path(__file__).parent / file).read_text(encoding="utf-8")
            assert re.search(rf"^def {name}\(", source, re.MULTILINE), f"{file} has no {name}"
