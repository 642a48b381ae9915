"""Captures and recordings played through the virtual board, against what they hold."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NEED_DATA, InputKind
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.rig_capture import BlockSource, capture_source, recording_source
from evenstroke_replay.rig_engine import Cranking, EngineSource
from evenstroke_replay.rig_source import RigError, Source
from evenstroke_replay.setup_files import load_setup
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

HEAD = "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
PROBES = (
    '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 2\n'
    '[[probe]]\nname = "amps"\nrole = "starter_current"\ninput = 0\n'
)
EDGE_PROBE = (
    '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\nteeth = "12-1"\ncolumn = "w"\nsampling = "edges"\n'
)


def csv(times: np.ndarray, **columns: np.ndarray) -> str:
    rows = [",".join(["time_s", *columns])]
    rows += [",".join(f"{x:.9g}" for x in row) for row in zip(times, *columns.values(), strict=True)]
    return "\n".join(rows) + "\n"


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "capture.csv"
    path.write_text(text)
    return path


def heard(source: Source, setup: Setup, rate_hz: int, options: BoardOptions) -> tuple[bytes, list[Block]]:
    """What a host has after playing all of a source: the bytes, and the blocks that they become."""
    board = VirtualBoard(source, options)
    inputs = tuple(range(len(board.hello.inputs)))  # a start needs an analog one among them
    board.receive(encoder.encode_identify(1) + encoder.encode_start(2, 1, rate_hz, inputs, False))
    data = board.advance((source.ends_at_s or 4.0) + 0.5)
    decoder, feed = FrameDecoder(), BoardFeed(setup)
    decoder.receive(data)
    blocks: list[Block] = []
    while (event := decoder.next_event()) is not NEED_DATA:
        blocks += feed.feed(event, 0)
    return data, blocks


def samples_of(blocks: list[Block], key: int) -> tuple[np.ndarray, np.ndarray]:
    times, volts = [], []
    for block in blocks:
        if isinstance(block, SampleBlock) and key in block.inputs:
            row = block.inputs.index(key)
            times.append(block.t0 + row * block.skew + np.arange(block.samples) * block.dt)
            volts.append(block.volts[row])
    return np.concatenate(times), np.concatenate(volts)


def edges_of(blocks: list[Block], key: int) -> tuple[np.ndarray, np.ndarray]:
    mine = [b for b in blocks if isinstance(b, EdgeBlock) and b.input == key]
    return np.concatenate([b.times for b in mine]), np.concatenate([b.rising for b in mine])


def test_a_capture_is_sampled_anew_at_the_board_s_times(tmp_path: Path) -> None:
    setup = parse_setup(HEAD + PROBES)
    t = np.arange(7.0, 9.0, 1 / 4000)
    wave = lambda t: 2.5 + 1.5 * np.sin(2 * np.pi * 40.0 * (t - 7.0))  # noqa: E731
    ramp = lambda t: 0.5 + 2.0 * (t - 7.0)  # noqa: E731
    source = capture_source(written(tmp_path, csv(t, intake=wave(t), amps=ramp(t))), setup)
    assert source.ends_at_s == pytest.approx(2.0)
    assert not source.held_s
    assert [source.inputs[i].kind for i in (0, 2)] == [InputKind.ANALOG] * 2
    _, blocks = heard(source, setup, 10_000, BoardOptions(adc_bits=16, baud=None))
    for key, of_time in ((2, wave), (0, ramp)):
        times, volts = samples_of(blocks, key)
        inside = times < 1.999
        # One step of 16 bits over 5 V, and the spline's error: 5/384 h^4 |f''''|, below 1e-6 V here
        # (de Boor, A Practical Guide to Splines; constant from memory).
        assert volts[inside] == pytest.approx(of_time(7.0 + times[inside]), abs=5.0 / 65536 + 1e-5)


def test_a_gap_holds_the_last_value_and_is_stated(tmp_path: Path) -> None:
    setup = parse_setup(HEAD + PROBES)
    t = np.concatenate((np.arange(0.0, 0.5, 1e-3), np.arange(0.8, 1.0, 1e-3)))
    source = capture_source(written(tmp_path, csv(t, intake=1.0 + t, amps=0.0 * t + 2.0)), setup)
    assert source.held_s[2] == pytest.approx(0.3, abs=2e-3)
    times = np.array([[0.25, 0.6, 0.79, 0.9]])
    assert source.volts((2,), times)[0] == pytest.approx([1.25, 1.499, 1.499, 1.9], abs=1e-6)


def test_empty_cells_hold_the_last_value(tmp_path: Path) -> None:
    setup = parse_setup(HEAD + PROBES)
    rows = ["time_s,intake,amps"]
    rows += [f"{k / 1000},{'' if 400 <= k < 500 else k / 1000 + 1},2.0" for k in range(1000)]
    source = capture_source(written(tmp_path, "\n".join(rows) + "\n"), setup)
    assert source.held_s == {2: pytest.approx(0.1, abs=2e-3)}
    assert source.volts((2,), np.array([[0.3, 0.45, 0.6]]))[0] == pytest.approx([1.3, 1.399, 1.6], abs=1e-6)


def test_level_changes_come_as_edges_at_their_ticks(tmp_path: Path) -> None:
    setup = parse_setup(HEAD + EDGE_PROBE)
    changes = np.cumsum(np.random.default_rng(3).uniform(2e-3, 9e-3, 300)) + 55.88
    levels = np.arange(len(changes)) % 2
    source = capture_source(written(tmp_path, csv(changes, w=levels.astype(float))), setup)
    assert source.wiring[0].name == "wheel"
    assert source.inputs[0].kind is InputKind.EDGE
    edges = source.edges(0.0, 100.0)
    # The first row is the level before anything changed.
    told = np.array([round(t, 9) for t in changes[1:]])
    assert [e.t for e in edges] == pytest.approx(told - told[0], abs=1e-6)
    assert [e.rising for e in edges] == list(levels[1:] == 1)


def test_a_recording_of_the_rig_plays_as_it_was(tmp_path: Path) -> None:
    setup, text = load_setup("demo")
    options = BoardOptions(adc_bits=12, baud=None)
    engine = EngineSource(setup, Cranking(rest_s=0.2, crank_s=1.5, noise_db=20.0))
    data, blocks = heard(engine, setup, 10_000, options)
    path = tmp_path / "cranked.mcap"
    with Recorder(path, text, started_at=datetime(2024, 1, 1, tzinfo=UTC)) as recorder:
        for at in range(0, len(data), 5000):
            recorder.received(data[at : at + 5000], at)
    source = recording_source(path)
    _, again = heard(source, setup, 10_000, options)
    for key in (0, 3, 5, 6, 7):
        (times, volts), (_, replayed) = samples_of(blocks, key), samples_of(again, key)
        n = min(len(volts), len(replayed))
        assert n > 0.99 * len(times)
        # A spline passes through its points: what was sampled comes back, within one step.
        assert np.abs(volts[:n] - replayed[:n]).max() <= 5.0 / 4096 + 1e-9
    for key in (1, 2, 4):
        (times, rising), (played, up) = edges_of(blocks, key), edges_of(again, key)
        assert len(played) == len(times)
        assert played == pytest.approx(times, abs=1e-6)
        assert np.array_equal(up, rising)


def test_nothing_to_play_is_refused() -> None:
    with pytest.raises(RigError, match="nothing to play"):
        BlockSource(parse_setup(HEAD + PROBES), [])


DATA = Path(__file__).parents[2].parent / "shared" / "data"


def test_a_real_capture_of_a_wheel_reaches_the_host_as_it_is() -> None:
    path = DATA / "bench_60-2_adc_10khz.csv"
    if not path.exists():
        pytest.skip("the real capture of a 60-2 wheel is not here: playing real data was not checked")
    setup = parse_setup(HEAD + '[[probe]]\nname = "crank"\nrole = "crank_teeth"\nteeth = "60-2"\ninput = 0\n')
    source = capture_source(path, setup, "Time [s]")
    _, blocks = heard(source, setup, 10_000, BoardOptions(adc_bits=16, baud=None))
    times, volts = samples_of(blocks, 0)
    rows = np.loadtxt(path, delimiter=",", skiprows=1)
    of_file = np.interp(times + rows[0, 0], rows[:, 0], rows[:, 1])
    assert len(times) >= len(rows) - 1
    # The file's rows are 10 kHz apart: sampled at the same rate they come back.
    assert np.median(np.abs(volts - of_file)) < 0.01


def test_real_level_changes_reach_the_host_with_their_gaps() -> None:
    path = DATA / "inline4_60-2_crank_then_run.csv"
    if not path.exists():
        pytest.skip("the real edges of a 60-2 wheel are not here: playing real edges was not checked")
    wheel = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\nteeth = "60-2"\n'
    of_file = parse_setup(HEAD + wheel + 'column = "Channel 0"\nsampling = "edges"\n')
    of_host = parse_setup(HEAD + wheel + "input = 0\n")
    source = capture_source(path, of_file, "Time[s]")
    _, blocks = heard(source, of_host, 10_000, BoardOptions(baud=None))
    times, rising = edges_of(blocks, 0)
    falls = times[~rising & (times > 3.5) & (times < 4.4)]
    ratio = np.diff(falls)[1:-1] / (0.5 * (np.diff(falls)[:-2] + np.diff(falls)[2:]))
    gaps = np.flatnonzero(ratio > 2.5)
    # As the data's own README states: a gap every 58 edges, 3.3 times as long on falling edges.
    assert set(np.diff(gaps)) == {58}
    assert np.median(ratio[gaps]) == pytest.approx(3.3, abs=0.2)
