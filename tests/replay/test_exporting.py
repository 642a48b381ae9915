"""Exported files, read by other libraries, hold what the recording holds; a CSV comes back and is judged the same."""

from __future__ import annotations

import json
import struct
import sys
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from asammdf import MDF
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.messages import Cycle, WaveData
from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol.encoder import encode_identify, encode_start
from evenstroke_replay.capture_csv import CaptureError, read_capture
from evenstroke_replay.export_csv import write_csv
from evenstroke_replay.export_mat import valid_names
from evenstroke_replay.export_plan import ExportError
from evenstroke_replay.exporting import FORMATS, export
from evenstroke_replay.importing import import_capture
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.measured import Changes, Measured, measured_in
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.tables import level_table
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard
from evenstroke_replay.whole_file import OutputError
from scipy.io import loadmat, wavfile
from setup_texts import CANNOT_START, FOUR, intake, probe, sampled, spark

STARTED = datetime(2026, 11, 25, 9, 10, tzinfo=UTC)
RATE = 2500
SETUP_TEXT = (
    "# a four, as it stands\n"
    + FOUR
    + CANNOT_START
    + sampled(RATE)
    + intake(input=0, volts_per_unit=0.5, volts_at_zero=2.5)
    + spark(input=1)
    + probe("starter amps", "starter_current", input=2)
    + '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 3\nteeth = "36-1"\n'
    + '# whose it is\n[job]\nowner = "the harbour"\n'
)
SETUP = parse_setup(SETUP_TEXT)
SECRET = b"harbour"


def record(path: Path, *, without: range = range(0)) -> Path:
    """A cranked four, recorded in pieces of 20 ms, some of which never came."""
    board = VirtualBoard(
        EngineSource(SETUP, Cranking(rest_s=0.5, crank_s=6.0, noise_db=30.0)), BoardOptions(baud=None)
    )
    board.receive(encode_identify(1))
    board.receive(encode_start(2, 1, RATE, (0, 1, 2, 3), False))
    with Recorder(path, SETUP_TEXT, started_at=STARTED) as recorder:
        for k in range(1, 361):
            data = board.advance(k * 0.02)
            if k not in without:
                recorder.received(data, k * 20_000_000)
            if k == 150:
                recorder.note("belt squeals", k * 20_000_000)
    return path


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("whole") / "crank.mcap")


@pytest.fixture(scope="module")
def lossy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("lossy") / "crank.mcap", without=range(200, 212))


class Held:
    """What a recording's blocks hold, put together without what exports use: by input, times and volts or directions."""

    def __init__(self, path: Path) -> None:
        volts: dict[object, list[tuple[np.ndarray, np.ndarray]]] = {}
        edges: dict[object, list[tuple[float, bool]]] = {}
        self.gaps: list[Gap] = []
        for block in blocks_of(open_recording(path), SETUP):
            if isinstance(block, SampleBlock):
                for key, row, late in zip(block.inputs, block.volts, block.input_offsets, strict=True):
                    volts.setdefault(key, []).append(
                        (block.t0 + block.dt * np.arange(block.samples) + late, row)
                    )
            elif isinstance(block, EdgeBlock):
                edges.setdefault(block.input, []).extend(
                    zip(block.times.tolist(), block.rising.tolist(), strict=True)
                )
            else:
                self.gaps.append(block)
        self.volts = {
            k: tuple(np.concatenate(part) for part in zip(*v, strict=True)) for k, v in volts.items()
        }
        self.edges = edges


def back_again(path: Path, folder: Path) -> Path:
    exported = export(path, folder / "c.csv")
    assert [file.name for file in exported.paths] == ["c.csv", "c.edges.csv", "c.setup.toml"]
    text = (folder / "c.setup.toml").read_text()
    import_capture(
        folder / "c.csv", text, folder / "back.mcap", started_at=STARTED, changes=folder / "c.edges.csv"
    )
    return folder / "back.mcap"


def said(judged: JudgedFile) -> list[object]:
    return [(m.header, m.samples.tobytes()) if isinstance(m, WaveData) else m for m in judged.messages]


def test_a_csv_comes_back_and_says_the_very_same(whole: Path, tmp_path: Path) -> None:
    first, second = judge_path(whole), judge_path(back_again(whole, tmp_path))
    assert said(second) == said(first)  # rounded to a picosecond, times of this rate are what they were
    assert sum(isinstance(m, Cycle) for m in first.messages) > 5
    assert first.judgement.comparisons
    a, b = msgspec.to_builtins(first.judgement), msgspec.to_builtins(second.judgement)
    assert a.pop("source")["duration_s"] == pytest.approx(b.pop("source")["duration_s"], abs=1e-9)
    assert a == b


def test_where_something_is_missing_the_same_cycles_do_not_count(lossy: Path, tmp_path: Path) -> None:
    first, second = judge_path(lossy), judge_path(back_again(lossy, tmp_path))
    assert first.judgement.source.lost_samples == second.judgement.source.lost_samples > 0
    left_out = [[m.left_out for m in one.messages if isinstance(m, Cycle)] for one in (first, second)]
    assert left_out[0] == left_out[1]
    assert len(set(left_out[0])) > 1
    a, b = (msgspec.to_builtins(one.judgement.comparisons) for one in (first, second))
    assert a == b


def test_pandas_reads_the_csv(lossy: Path, tmp_path: Path) -> None:
    exported = export(lossy, tmp_path / "c.csv")
    assert any("did not arrive" in sentence for sentence in exported.lost)
    assert any("level changes went missing" in sentence for sentence in exported.lost)
    held, table = Held(lossy), pd.read_csv(tmp_path / "c.csv")
    for key, name, own in ((0, "intake", "time_s"), (2, "starter amps", "time_s of starter amps")):
        times, volts = held.volts[key]
        assert table[name].to_numpy().tolist() == volts.tolist()  # to the last bit
        assert np.abs(table[own].to_numpy() - times).max() <= 0.5e-12 + 1e-15
    steps = np.diff(table["time_s"])
    gap = next(g for g in held.gaps if g.lost_samples)
    assert round(float(steps.max()) * RATE) - 1 == gap.lost_samples
    levels = pd.read_csv(tmp_path / "c.edges.csv")
    assert levels["time_s"].is_monotonic_increasing
    assert levels["wheel"].isna().any()  # where changes may be missing
    for key, name in ((1, "spark"), (3, "wheel")):
        column = levels[name].to_numpy()
        change = (
            np.flatnonzero(~np.isnan(column[1:]) & ~np.isnan(column[:-1]) & (column[1:] != column[:-1])) + 1
        )
        told = list(
            zip(levels["time_s"].to_numpy()[change].tolist(), (column[change] == 1).tolist(), strict=True)
        )
        assert [r for _, r in told] == [r for _, r in held.edges[key]]
        assert np.allclose([t for t, _ in told], [t for t, _ in held.edges[key]], rtol=0, atol=0.6e-12)


def test_scipy_reads_the_wav_and_its_comment_says_the_scale(lossy: Path, tmp_path: Path) -> None:
    exported = export(lossy, tmp_path / "c.wav")
    rate, sound = wavfile.read(tmp_path / "c.wav")
    assert (rate, sound.dtype, sound.shape[1]) == (RATE, np.float32, 2)
    held = Held(lossy)
    times, volts = held.volts[0]
    place = np.round((times - times[0]) * RATE).astype(int)
    assert sound.shape[0] == place[-1] + 1
    scale = float(next(s for s in exported.said if s.startswith("1.0 in the file is")).split()[5])
    largest = max(np.abs(v).max() for _, v in held.volts.values())
    assert largest <= scale < 2 * largest
    assert np.abs(sound[place, 0] * scale - volts).max() <= scale * 2**-25
    assert np.abs(sound[place, 1] * scale - held.volts[2][1]).max() <= scale * 2**-25
    missing = np.setdiff1d(np.arange(sound.shape[0]), place)
    assert missing.size == sum(gap.lost_samples for gap in held.gaps)
    assert (sound[missing, 0] == sound[missing[0] - 1, 0]).all()
    assert any(f"{missing.size} samples" in s and "held" in s for s in exported.said)
    # RIFF: every chunk's size leads to the next one, and the file's own to its end.
    data = (tmp_path / "c.wav").read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    at, chunks = 12, {}
    while at < len(data):
        name, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        chunks[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    assert chunks[b"LIST"][:8] == b"INFOICMT"
    comment = chunks[b"LIST"][12:].rstrip(b"\0").decode()
    for words in ("0.5 V per kPa", "belt squeals", "36-1", f"1.0 in the file is {scale:g} V"):
        assert words in comment


def test_scipy_reads_the_mat(whole: Path, tmp_path: Path) -> None:
    exported = export(whole, tmp_path / "c.mat")
    assert "'starter amps' is starter_amps" in " ".join(exported.said)
    mat = loadmat(tmp_path / "c.mat", struct_as_record=False, squeeze_me=True)
    held = Held(whole)
    assert mat["time_s"].tolist() == held.volts[0][0].tolist()
    for key, name in ((0, "intake"), (2, "starter_amps")):
        times, volts = held.volts[key]
        assert mat[name].volts.tolist() == volts.tolist()
        assert np.allclose(mat["time_s"] + mat[name].late_s, times, rtol=0, atol=1e-12)
    assert (mat["intake"].unit, mat["intake"].volts_per_unit, mat["intake"].volts_at_zero) == (
        "kPa",
        0.5,
        2.5,
    )
    assert np.isnan(mat["starter_amps"].volts_per_unit)
    found = list(zip(mat["wheel"].times_s.tolist(), mat["wheel"].rising.astype(bool).tolist(), strict=True))
    assert found == held.edges[3]
    facts = mat["facts"]
    assert facts.marks.text == "belt squeals"
    assert facts.marks.at_s == pytest.approx(3.0, abs=0.05)
    assert parse_setup(facts.setup_toml).probe == SETUP.probe
    assert facts.second_0_at.startswith("2026-11-25T09:10:0")


def test_pyarrow_reads_the_parquet(lossy: Path, tmp_path: Path) -> None:
    export(lossy, tmp_path / "c.parquet")
    table, held = pq.read_table(tmp_path / "c.parquet"), Held(lossy)
    assert table["intake"].to_pylist() == held.volts[0][1].tolist()
    assert np.allclose(table["time_s of starter amps"].to_numpy(), held.volts[2][0], rtol=0, atol=1e-12)
    about = json.loads(table.schema.field("intake").metadata[b"probe"])
    assert (about["unit"], about["volts_per_unit"], about["volts_at_zero"]) == ("kPa", 0.5, 2.5)
    metadata = {name.decode(): text.decode() for name, text in table.schema.metadata.items()}
    assert json.loads(metadata["evenstroke.marks"])[0]["text"] == "belt squeals"
    assert json.loads(metadata["evenstroke.gaps"])[0]["lost_samples"] == held.gaps[0].lost_samples
    assert parse_setup(metadata["evenstroke.setup_toml"]).probe == SETUP.probe
    levels = pq.read_table(tmp_path / "c.edges.parquet")
    assert levels["wheel"].null_count > 0
    assert levels["wheel"].type == "bool"


def test_asammdf_reads_the_mdf4(whole: Path, tmp_path: Path) -> None:
    export(whole, tmp_path / "c.mf4")
    held = Held(whole)
    with MDF(tmp_path / "c.mf4") as file:
        raw, scaled = file.get("intake", raw=True), file.get("intake")
        times, volts = held.volts[0]
        assert (raw.samples.tolist(), raw.timestamps.tolist()) == (volts.tolist(), times.tolist())
        assert scaled.unit == "kPa"
        assert np.allclose(scaled.samples, (volts - 2.5) / 0.5, rtol=0, atol=1e-12)
        amps = file.get("starter amps")
        assert (amps.unit, amps.samples.tolist()) == ("V", held.volts[2][1].tolist())
        assert np.allclose(amps.timestamps, held.volts[2][0], rtol=0, atol=1e-12)
        wheel = file.get("wheel")
        changed = np.flatnonzero(np.diff(wheel.samples.astype(int))) + 1
        assert np.allclose(wheel.timestamps[changed], [t for t, _ in held.edges[3]], rtol=0, atol=1e-12)
        assert (wheel.samples[changed] == 1).tolist() == [rising for _, rising in held.edges[3]]
        texts = [file.extract_attachment(index=k)[0].decode() for k in range(len(file.attachments))]
        assert parse_setup(texts[0]).probe == SETUP.probe
        assert "belt squeals" in texts[1]
        assert file.start_time.isoformat().startswith("2026-11-25T09:10:0")


@pytest.mark.parametrize("suffix", FORMATS)
def test_job_notes_stay_here_unless_they_are_asked_for(whole: Path, tmp_path: Path, suffix: str) -> None:
    exported = export(whole, tmp_path / f"c{suffix}")
    assert exported.job_left_out
    shared = export(whole, tmp_path / f"with{suffix}", job_included=True)
    assert not shared.job_left_out

    def told(file: Path) -> bytes:
        """The file, and what is compressed or in another encoding within it."""
        data = file.read_bytes()
        if file.suffix == ".mf4":
            with MDF(file) as mdf:
                data += b"".join(mdf.extract_attachment(index=k)[0] for k in range(len(mdf.attachments)))
        if file.suffix == ".mat":
            data += str(loadmat(file)).encode()
        if file.suffix == ".parquet":
            data += str(pq.read_schema(file).metadata).encode()
        return data

    assert not any(SECRET in told(file) for file in exported.paths)
    assert any(SECRET in told(file) for file in shared.paths)


@pytest.mark.parametrize("taken", ["c.csv", "c.edges.csv", "c.setup.toml"])
def test_nothing_is_written_over_and_nothing_is_left_behind(whole: Path, tmp_path: Path, taken: str) -> None:
    (tmp_path / taken).write_text("precious")
    with pytest.raises(OutputError, match="written over"):
        export(whole, tmp_path / "c.csv")
    assert [(file.name, file.read_text()) for file in tmp_path.iterdir()] == [(taken, "precious")]


def test_another_ending_is_refused_with_those_there_are(whole: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no format") as caught:
        export(whole, tmp_path / "c.xlsx")
    assert all(suffix in caught.value.expected for suffix in FORMATS)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("suffix", "library"), [(".parquet", "pyarrow"), (".mf4", "asammdf")])
def test_without_its_library_a_format_says_what_to_install(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str, library: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(ExportError, match="not installed") as caught:
        export(whole, tmp_path / f"c{suffix}")
    assert library in caught.value.expected
    assert f"-m pip install {library}" in caught.value.todo
    export(whole, tmp_path / "c.mat")  # the others need it not


def test_a_capture_as_csv_is_exported_too(tmp_path: Path) -> None:
    text = FOUR + intake() + spark()
    (tmp_path / "c.csv").write_text("time_s,intake,spark\n0,1.5,0\n0.001,,5\n0.002,1.25,0\n0.007,1,0\n")
    exported = export(tmp_path / "c.csv", tmp_path / "d.csv", parse_setup(text), text)
    assert exported.lost == ("4 samples are missing from the capture",)
    assert (tmp_path / "d.csv").read_text().splitlines() == [
        "time_s,intake,spark",
        *("0.0,1.5,0.0", "0.001,,5.0", "0.002,1.25,0.0", "0.007,1.0,0.0"),
    ]


def test_level_changes_alone_are_exported_and_come_back(tmp_path: Path) -> None:
    text = FOUR + CANNOT_START + sampled(RATE) + spark(input=1)
    setup = parse_setup(text)
    times, rising = np.array([0.25, 0.2500005, 0.9, 0.9004]), np.array([True, False, True, False])
    with Recorder(tmp_path / "e.mcap", text, started_at=STARTED) as recorder:
        recorder.imported(EdgeBlock(1, times, rising, 1.5))
    exported = export(tmp_path / "e.mcap", tmp_path / "e.csv")
    assert [file.name for file in exported.paths] == ["e.csv", "e.setup.toml"]
    assert "import --edges e.csv" in " ".join(exported.said)
    (block,) = read_capture(None, setup, changes=tmp_path / "e.csv").blocks()
    assert isinstance(block, EdgeBlock)
    assert (block.times.tolist(), block.rising.tolist(), block.until) == (
        times.tolist(),
        rising.tolist(),
        1.5,
    )
    with pytest.raises(ExportError, match="holds samples, and there are none"):
        export(tmp_path / "e.mcap", tmp_path / "e.wav")


def level_changes_back(
    changes: Changes, gaps: list[Gap], folder: Path
) -> tuple[list[tuple[float, bool]], list[Gap]]:
    """Level changes, written as a table and read again: the changes, and what is then known to be missing."""
    measured, _ = measured_in(one_sample(folder), SETUP_OF_ONE)
    given = {f: getattr(measured, f) for f in Measured.__dataclass_fields__}
    given |= {"changes": (changes,), "changes_until": 2.0, "gaps": tuple(gaps)}
    write_csv(folder / "edges.csv", level_table(Measured(**given)))
    blocks = list(read_capture(None, parse_setup(FOUR + spark()), changes=folder / "edges.csv").blocks())
    found = [
        pair
        for block in blocks
        if isinstance(block, EdgeBlock)
        for pair in zip(block.times.tolist(), block.rising.tolist(), strict=True)
    ]
    return found, [block for block in blocks if isinstance(block, Gap)]


SETUP_OF_ONE = parse_setup(FOUR + intake())


def one_sample(folder: Path) -> Path:
    (folder / "one.csv").write_text("time_s,intake\n0,1\n0.001,1\n")
    return folder / "one.csv"


CHANGES = [(0.5, True), (0.6, False), (1.1, True), (1.2, False)]


@pytest.mark.parametrize(
    ("changes", "gaps", "missing"),
    [
        (CHANGES, [], []),
        (CHANGES, [Gap(0.8, 1.0, 0, GapReason.EDGES_MISSING)], [(0.8, 1.0)]),
        (CHANGES, [Gap(0.8, 1.1, 0, GapReason.EDGES_MISSING)], [(0.8, 1.1)]),  # up to the first that came
        (CHANGES, [Gap(0.0, 0.5, 9, GapReason.LINK_LOST)], []),  # before the first: no level was known
        (CHANGES, [Gap(0.8, 1.0, 9, GapReason.BOARD_DROPPED)], []),  # samples alone
        (
            [(0.5, True), (1.1, True), (1.2, False)],
            [],
            [(0.8, 1.1)],
        ),  # a fall is missing, and nothing says so
        ([(0.5, True), (0.5, False), (1.1, True)], [], []),  # shorter than a tick
    ],
)
def test_every_level_change_comes_back_and_so_does_what_is_missing(
    tmp_path: Path,
    changes: list[tuple[float, bool]],
    gaps: list[Gap],
    missing: list[tuple[float, float]],
) -> None:
    times, rising = np.array([t for t, _ in changes]), np.array([r for _, r in changes])
    found, lost = level_changes_back(
        Changes(parse_setup(FOUR + spark()).probe[0], times, rising), gaps, tmp_path
    )
    assert [r for _, r in found] == rising.tolist()
    assert np.allclose([t for t, _ in found], times, rtol=0, atol=1e-12)
    assert [gap.reason for gap in lost] == [GapReason.EDGES_MISSING] * len(missing)
    assert np.allclose(
        [(gap.t_from, gap.t_to) for gap in lost], missing or np.empty((0,)), rtol=0, atol=1.1e-9
    )


def test_matlab_takes_the_names() -> None:
    names = valid_names(["intake", "in take", "in-take", "end", "5", "time_s", "Öl", "x" * 40, "x" * 41])
    assert len(set(names)) == len(names)
    assert not {"end", "time_s", "facts"} & set(names)
    assert all(n.isascii() and n.isidentifier() and n[0].isalpha() and len(n) <= 31 for n in names)
    assert names[:3] == ["intake", "in_take", "in_take_2"]


# --- what import reads of it ------------------------------------------------------------------------

TWO = parse_setup(FOUR + intake() + probe("starter", "starter_current"))


def test_a_column_may_have_times_of_its_own() -> None:
    rows = [f"{k / 1000},{k},{k},{k / 1000 + 0.0002:.4f}" for k in range(100)]
    capture = read_capture("\n".join(["time_s,intake,starter,time_s of starter", *rows]), TWO)
    (block,) = capture.blocks()
    assert isinstance(block, SampleBlock)
    assert block.input_offsets == pytest.approx((0.0, 0.0002), abs=1e-12)
    assert capture.warnings == ()


def test_times_of_its_own_that_waver_are_refused() -> None:
    rows = [f"{k / 1000},{k},{k},{k / 1000 + (0.0002 if k != 70 else 0.0004):.4f}" for k in range(100)]
    with pytest.raises(CaptureError, match="do not keep their distance") as caught:
        read_capture("\n".join(["time_s,intake,starter,time_s of starter", *rows]), TWO)
    assert "line 72, column 4" in caught.value.where
    assert caught.value.found == "0.0704"


def test_a_column_in_both_files_is_refused(tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_text("time_s,intake,spark\n0,1,0\n0.001,1,0\n")
    (tmp_path / "c.edges.csv").write_text("time_s,spark\n0,0\n0.0005,1\n")
    with pytest.raises(CaptureError, match="'spark' is in both files"):
        read_capture(
            tmp_path / "c.csv", parse_setup(FOUR + intake() + spark()), None, tmp_path / "c.edges.csv"
        )


def test_samples_in_the_file_of_level_changes_are_refused(tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_text("time_s,spark\n0,0\n0.001,0\n")
    (tmp_path / "c.edges.csv").write_text("time_s,intake\n0,0\n0.0005,1\n")
    with pytest.raises(CaptureError, match="needs evenly sampled volts") as caught:
        read_capture(
            tmp_path / "c.csv", parse_setup(FOUR + intake() + spark()), None, tmp_path / "c.edges.csv"
        )
    assert "the other file" in caught.value.todo


@pytest.mark.parametrize(
    ("dt", "t0"), [(1 / 3000, 0.0), (1 / 3000, 1234.5678901234), (1 / 7812.5, 0.1), (np.pi * 1e-4, 0.0)]
)
def test_periods_that_are_no_round_numbers_come_back(tmp_path: Path, dt: float, t0: float) -> None:
    rng = np.random.default_rng(1)
    scans, half, lost = 20_000, 10_000, 7
    volts = rng.normal(size=(2, scans))
    place = np.arange(scans) + lost * (np.arange(scans) >= half)
    text = FOUR + intake() + probe("starter", "starter_current")
    with Recorder(tmp_path / "r.mcap", text, started_at=STARTED) as recorder:
        for k in range(0, scans, 1000):
            if k == half:
                recorder.imported(Gap(t0 + k * dt, t0 + (k + lost) * dt, lost, GapReason.CAPTURE_GAP))
            part = volts[:, k : k + 1000]
            recorder.imported(
                SampleBlock(("intake", "starter"), part, t0 + float(place[k]) * dt, dt, offsets=(0.0, dt / 3))
            )
    export(tmp_path / "r.mcap", tmp_path / "r.csv")
    capture = read_capture(tmp_path / "r.csv", TWO)
    blocks = [block for block in capture.blocks() if isinstance(block, SampleBlock)]
    times = np.concatenate([block.t0 + block.dt * np.arange(block.samples) for block in blocks])
    assert (np.concatenate([block.volts for block in blocks], axis=1) == volts).all()
    assert np.abs(times - (t0 + place * dt)).max() < 1e-12
    assert capture.lost_samples == lost
    assert capture.warnings == ()
    assert blocks[0].input_offsets[1] == pytest.approx(dt / 3, abs=1e-12)
