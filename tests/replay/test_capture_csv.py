"""Captures as CSV: what is read, how time is treated, and what is refused where."""

from __future__ import annotations

import hashlib
import itertools
from pathlib import Path

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_replay.capture_csv import BLOCK_ROWS, Capture, CaptureError, read_capture
from hypothesis import given, settings
from hypothesis import strategies as st

HEAD = "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
INTAKE = HEAD + '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
WHEEL = HEAD + '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\nteeth = "12-1"\nsampling = "edges"\n'
REAL_CAPTURES = Path(__file__).resolve().parents[3] / "shared" / "data"


def setup(text: str = INTAKE) -> Setup:
    return parse_setup(text)


def table(times: list[str], volts: list[str] | None = None, name: str = "intake") -> str:
    volts = volts if volts is not None else [str(i % 7) for i in range(len(times))]
    rows = [f"{t},{v}" for t, v in zip(times, volts, strict=True)]
    return "\n".join([f"time_s,{name}", *rows, ""])


def joined(capture: Capture) -> SampleBlock:
    """All sample blocks as one; they must follow each other without a seam."""
    blocks = [b for b in capture.blocks() if isinstance(b, SampleBlock)]
    assert len(blocks) == len(list(capture.blocks()))
    for block, following in itertools.pairwise(blocks):
        assert following.t0 == pytest.approx(block.t0 + block.samples * block.dt, abs=1e-9)
    volts = np.hstack([b.volts for b in blocks])
    return SampleBlock(blocks[0].inputs, volts, blocks[0].t0, blocks[0].dt)


# --- forms ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "time_s,intake\n0.5,1.25\n0.501,-2.5\n0.502,3e-1\n",
        " time_s , intake \r\n 0.5 , 1.25 \r\n0.501,-2.5\r\n0.502,3e-1\r\n",
        "time_s;intake\n0,5;1,25\n0,501;-2,5\n0,502;3e-1\n",
        "time_s\tintake\n0.5\t1.25\n0.501\t-2.5\n0.502\t3e-1\n",
        "\ufefftime_s,intake\n0.5,1.25\n0.501,-2.5\n0.502,3e-1\n",
        '"time_s","intake"\n"0.5","1.25"\n0.501,-2.5\n0.502,3e-1',
        "note,intake,time_s\nx,1.25,0.5\n,-2.5,0.501\nnan,3e-1,0.502\n\n\n",
        'time_s,intake,"a;b"\n0.5,1.25,1\n0.501,-2.5,1\n0.502,.3,1\n',
    ],
)
def test_every_form_reads_alike(text: str) -> None:
    capture = read_capture(text, setup())
    block = joined(capture)
    assert block.inputs == ("intake",)
    assert block.volts.tolist() == [[1.25, -2.5, 0.3]]
    assert (block.t0, block.dt) == (0.5, 0.001)
    assert capture.warnings == ()
    assert capture.lost_samples == 0
    assert capture.duration_s == pytest.approx(0.003)
    assert capture.sha256 == hashlib.sha256(text.encode()).hexdigest()


def test_a_file_is_read_as_its_text_is(tmp_path: Path) -> None:
    text = table([f"{i / 1000:.3f}" for i in range(100)])
    (tmp_path / "c.csv").write_text(text, newline="")
    from_file, from_text = read_capture(tmp_path / "c.csv", setup()), read_capture(text, setup())
    assert from_file.sha256 == from_text.sha256
    assert np.array_equal(joined(from_file).volts, joined(from_text).volts)


def test_a_column_goes_before_the_probes_name_and_an_input_names_the_data() -> None:
    text = "t,ch 2,intake\n0,1,9\n1,2,9\n2,3,9\n"
    by_column = setup(INTAKE + 'column = "ch 2"\n')
    assert joined(read_capture(text, by_column, "t")).inputs == ("ch 2",)
    assert joined(read_capture(text, by_column, " t ")).volts.tolist() == [[1.0, 2.0, 3.0]]
    # A board's set-up reads a capture whose columns have its probes' names.
    block = joined(read_capture(text, setup(INTAKE + "input = 6\n"), "t"))
    assert (block.inputs, block.volts.tolist()) == ((6,), [[9.0, 9.0, 9.0]])


def test_blocks_are_of_moderate_size_and_have_no_seam() -> None:
    rows = 2 * BLOCK_ROWS + 5
    capture = read_capture(table([f"{i * 1e-4:.4f}" for i in range(rows)]), setup())
    assert [b.samples for b in capture.blocks() if isinstance(b, SampleBlock)] == [BLOCK_ROWS, BLOCK_ROWS, 5]
    block = joined(capture)
    assert block.dt == 1e-4
    assert block.samples == rows


# --- time ------------------------------------------------------------------------------------------


def test_jitter_up_to_one_per_cent_is_even() -> None:
    rng = np.random.default_rng(1)
    times = np.arange(1000) * 1e-3 + rng.uniform(-4.9e-6, 4.9e-6, 1000)
    capture = read_capture(table([repr(float(t)) for t in times]), setup())
    block = joined(capture)
    assert capture.warnings == ()
    assert block.samples == 1000
    grid = block.t0 + block.dt * np.arange(1000)
    assert np.abs(grid - times).max() < 1e-5


@pytest.mark.parametrize("rate", [300, 333.3, 416.7, 850, 3000])
def test_a_rounded_time_column_does_not_drift(rate: float) -> None:
    decimals = 3 if rate < 1000 else 4
    times = np.arange(5000) / rate
    capture = read_capture(table([f"{t:.{decimals}f}" for t in times]), setup())
    block = joined(capture)
    assert capture.warnings == ()
    assert capture.lost_samples == 0
    assert block.samples == 5000
    grid = block.t0 + block.dt * np.arange(5000)
    assert np.abs(grid - times).max() <= 0.5 * 10.0**-decimals


def test_times_of_six_digits_are_rounding_too() -> None:
    # "%g" keeps six digits: behind 100 s that is one millisecond.
    times = 50.0 + np.arange(30_000) / 400.0
    capture = read_capture(table([f"{t:g}" for t in times]), setup())
    block = joined(capture)
    assert capture.lost_samples == 0
    assert capture.warnings == ()
    assert np.abs(block.t0 + block.dt * np.arange(block.samples) - times).max() < 0.5e-3


@pytest.mark.parametrize("decimals", [3, 6])
def test_a_missing_row_is_a_gap(decimals: int) -> None:
    kept = [i for i in range(1000) if i not in (400, 401, 402, 700)]
    capture = read_capture(table([f"{i / 1000:.{decimals}f}" for i in kept]), setup())
    blocks = list(capture.blocks())
    gaps = [b for b in blocks if isinstance(b, Gap)]
    assert [(g.lost_samples, g.reason) for g in gaps] == [(3, "capture_gap"), (1, "capture_gap")]
    assert [(round(g.t_from, 9), round(g.t_to, 9)) for g in gaps] == [(0.4, 0.403), (0.7, 0.701)]
    assert capture.lost_samples == 4
    assert [b.t0 for b in blocks if isinstance(b, SampleBlock)] == [0.0, 0.403, 0.701]
    assert capture.duration_s == pytest.approx(1.0)


@settings(deadline=None)
@given(
    steps=st.lists(st.sampled_from([1, 1, 1, 1, 1, 1, 1, 1, 2, 3, 50]), min_size=10, max_size=200),
    start=st.integers(-5000, 5000),
)
def test_rows_and_gaps_account_for_all_time(steps: list[int], start: int) -> None:
    grid = start + np.concatenate(([0], np.cumsum(steps)))
    if np.median(steps) != 1:
        return
    capture = read_capture(table([f"{k / 10_000:.5f}" for k in grid]), setup())
    assert capture.lost_samples == sum(steps) - len(steps)
    end: float | None = None
    rows = 0
    for block in capture.blocks():
        if isinstance(block, Gap):
            assert block.t_from == pytest.approx(end, abs=1e-9)
            end = block.t_to
        else:
            assert isinstance(block, SampleBlock)
            assert end is None or block.t0 == pytest.approx(end, abs=1e-9)
            end = block.t0 + block.samples * block.dt
            rows += block.samples
    assert rows == len(grid)


def test_uneven_rows_keep_their_times_and_are_warned_of() -> None:
    rng = np.random.default_rng(3)
    times = (np.arange(2000) + rng.uniform(-0.2, 0.2, 2000)) * 1e-3
    volts = np.sin(2 * np.pi * 10.0 * times)
    capture = read_capture(table([repr(float(t)) for t in times], [repr(float(v)) for v in volts]), setup())
    assert [w.code for w in capture.warnings] == ["uneven_rows"]
    assert "kept their times" in capture.warnings[0].text
    block = joined(capture)
    grid = block.t0 + block.dt * np.arange(block.samples)
    # Against the sine itself; treating these rows as even would be wrong by up to 0.2 ms, 0.0126 V.
    assert np.abs(block.volts[0] - np.sin(2 * np.pi * 10.0 * grid)).max() < 1e-5


def test_resampled_levels_never_overshoot() -> None:
    rng = np.random.default_rng(4)
    times = (np.arange(500) + rng.uniform(-0.2, 0.2, 500)) * 1e-3
    volts = np.where(np.arange(500) // 10 % 2 == 0, 0.0, 5.0)
    text = table([repr(float(t)) for t in times], [repr(float(v)) for v in volts], "wheel")
    block = joined(read_capture(text, setup(WHEEL.replace('sampling = "edges"', ""))))
    assert block.volts.min() >= 0.0
    assert block.volts.max() <= 5.0


def test_seconds_since_1970_are_times_too() -> None:
    # A float64 of that size steps by 0.24 us: 1.2 % of this period is the float's own rounding.
    times = 1.7e9 + np.arange(3000) * 2e-5
    capture = read_capture(table([repr(float(t)) for t in times]), setup())
    assert capture.warnings == ()
    block = joined(capture)
    assert np.abs(block.t0 + block.dt * np.arange(3000) - times).max() < 1e-6


def test_slow_drift_within_jitter_keeps_its_times() -> None:
    # The logger's clock is off by 0.9 % in the second half: every step is jitter, the sum is not.
    steps = np.concatenate([np.full(2000, 1.0e-3), np.full(2000, 1.009e-3)])
    times = np.concatenate(([0.0], np.cumsum(steps)))
    volts = np.sin(2 * np.pi * 5.0 * times)
    capture = read_capture(table([repr(float(t)) for t in times], [repr(float(v)) for v in volts]), setup())
    block = joined(capture)
    grid = block.t0 + block.dt * np.arange(block.samples)
    assert grid[-1] == pytest.approx(times[-1], abs=2e-3)
    assert np.abs(block.volts[0] - np.sin(2 * np.pi * 5.0 * grid)).max() < 1e-5


def test_empty_cells_are_gaps_of_their_column_alone() -> None:
    text = "time_s,intake,amps\n0,1,1\n1,,2\n2,3,\n3, ,4\n4,5,5\n"
    two = setup(INTAKE + '[[probe]]\nname = "amps"\nrole = "starter_current"\n')
    capture = read_capture(text, two)
    block = joined(capture)
    expected = [[1, np.nan, 3, np.nan, 5], [1, 2, np.nan, 4, 5]]
    assert np.array_equal(block.volts, expected, equal_nan=True)
    assert capture.lost_samples == 0
    assert [w.code for w in capture.warnings] == ["empty_cells", "empty_cells", "rows_far_apart"]
    assert "intake: 2 of 5 cells are empty" in capture.warnings[0].text


def test_empty_cells_of_uneven_rows_stay_empty() -> None:
    times = ["0", "1.10001", "2", "3.1", "4", "5.1", "6", "7", "8", "9"]
    volts = ["0", "1.10001", "2", "", "", "5.1", "6", "7", "8", "9"]
    block = joined(read_capture(table(times, volts), setup()))
    filled = np.isnan(block.volts[0])
    grid = block.t0 + block.dt * np.arange(block.samples)
    assert filled.tolist() == [bool(2.0 < t < 5.1) for t in grid]
    assert np.allclose(block.volts[0][~filled], grid[~filled])  # the volts are the seconds here


# --- level changes ---------------------------------------------------------------------------------


def edges_of(capture: Capture) -> dict[object, tuple[list[float], list[bool]]]:
    found: dict[object, tuple[list[float], list[bool]]] = {}
    for block in capture.blocks():
        if isinstance(block, Gap):
            continue
        assert isinstance(block, EdgeBlock)
        times, rising = found.setdefault(block.input, ([], []))
        times.extend(block.times.tolist())
        rising.extend(block.rising.tolist())
        assert all(t <= block.until for t in times)
    return found


def test_rows_that_are_level_changes() -> None:
    text = "time_s,wheel,cam\n5.0,4.9,0\n5.5,0.1,0\n5.75,0.1,1\n6.0,4.8,1\n9.0,0.2,1\n"
    two = setup(WHEEL + '[[probe]]\nname = "cam"\nrole = "cam_sync"\ncylinder = 1\nsampling = "edges"\n')
    capture = read_capture(text, two)
    assert edges_of(capture) == {
        "wheel": ([5.5, 6.0, 9.0], [False, True, False]),
        "cam": ([5.75], [True]),
    }
    assert (capture.duration_s, capture.lost_samples, capture.warnings) == (4.0, 0, ())


def test_a_column_that_never_changes_has_no_edges() -> None:
    assert edges_of(read_capture("time_s,wheel\n0,1\n1,1\n", setup(WHEEL))) == {"wheel": ([], [])}


def test_a_level_behind_empty_cells_came_at_no_known_time() -> None:
    capture = read_capture("time_s,wheel\n0,0\n1,1\n2,\n3,0\n4,1\n", setup(WHEEL))
    assert edges_of(capture) == {"wheel": ([1.0, 4.0], [True, True])}
    assert [w.code for w in capture.warnings] == ["empty_cells"]
    # Cycles that lack some must not count, and the gap says which those are.
    gaps = [block for block in capture.blocks() if isinstance(block, Gap)]
    assert gaps == [Gap(2.0, 3.0, 0, GapReason.EDGES_MISSING)]


def test_many_edges_come_in_blocks_that_say_how_far_they_are_complete() -> None:
    rows = 3 * BLOCK_ROWS + 1
    text = table([f"{i * 0.01:.2f}" for i in range(rows)], [str(i % 2) for i in range(rows)], "wheel")
    capture = read_capture(text, setup(WHEEL))
    blocks: list[Block] = list(capture.blocks())
    assert len(blocks) == 4
    (times, _rising) = edges_of(capture)["wheel"]
    assert times == [round(i * 0.01, 2) for i in range(1, rows)]
    untils = [b.until for b in blocks if isinstance(b, EdgeBlock)]
    for block, until in zip(blocks[1:], untils, strict=False):
        assert isinstance(block, EdgeBlock)
        assert block.times.min() >= until


def test_volts_cannot_be_told_from_level_changes() -> None:
    text = "time_s,wheel,intake\n0,0,1\n1,1,2\n"
    wheel, intake = setup(WHEEL), setup(INTAKE)
    both = msgspec.structs.replace(wheel, probe=(*wheel.probe, *intake.probe))
    with pytest.raises(CaptureError, match="needs evenly sampled volts"):
        read_capture(text, both)


# --- refused ---------------------------------------------------------------------------------------


EVEN = [f"{0.001 * k:.3f},1" for k in range(40)]


def with_times(**times: str) -> str:
    """Rows a millisecond apart, but for those whose times are given by number: r7="0.1"."""
    rows = [f"{times[f'r{k}']},1" if f"r{k}" in times else row for k, row in enumerate(EVEN)]
    return "\n".join(["time_s,intake", *rows]) + "\n"


PREAMBLE = "Logger 7\nrate;1000\n\n"


@pytest.mark.parametrize(
    ("text", "where", "found", "todo"),
    [
        # One row's clock is wrong: that row, whichever side of it the time seems to go back on.
        (with_times(r7="5.000"), "line 9, column 1", "5.000", "mend this row's time"),
        (with_times(r7="0.001"), "line 9, column 1", "0.001", "mend this row's time"),
        ("\n".join(["time_s,intake", *EVEN, *EVEN]), "line 42, column 1", "0.000", "the clock begins anew here"),
        ("\n".join(["time_s,intake", *EVEN[::-1]]), "line 3, column 1", "0.038", "sort the rows"),
        # What stands before the header, with another separator or none.
        (PREAMBLE + "time_s,intake\n0,1\n1,2\n", "line 4", "3 other lines before it, from 'Logger 7' on", "delete lines 1 to 3"),
        ('# made today\n"time_s";intake\n0;1\n1;2\n', "line 2", "1 other line before it", "delete line 1"),
        # Decimal commas.
        ("time_s,intake\n0,000,1,5\n0,001,1,6\n", "line 2, column 3", "4 cells ('0,000,1,5')", "with semicolons between"),
        ("time_s,intake\n0,000;1,5\n0,001;1,6\n", "line 2, column 3", "3 cells", "header's names by a semicolon"),
        ("time_s;intake\n0.000,1.5\n0.001,1.6\n", "line 2, column 2", "1 cell (", "header's names by a comma"),
        ("time_s\tintake\n0,000\t1,5\n0,001\t1,6\n", "line 2, column 1", "'0,000'", "with decimal points"),
        ("time_s;intake\n0,000;1.234,5\n0,001;1,6\n", "line 2, column 2", "'1.234,5'", "without a sign between thousands"),
        ("time_s,intake\n0,1,2\n1,2,3\n2,3\n", "line 2, column 3", "3 cells", "the header lacks names"),
    ],
)  # fmt: skip
def test_what_is_malformed_is_said_where_it_is_with_what_mends_it(text, where, found, todo) -> None:
    with pytest.raises(CaptureError) as caught:
        read_capture(text, setup())
    assert where in caught.value.where and found in caught.value.found
    assert todo in caught.value.todo


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        ("", "line 1", "no header row"),
        ("\n0,1\n", "line 1", "no header row"),
        ("time_s,intake\n", "capture", "too few rows"),
        ("time_s,intake\n0,1\n", "capture", "too few rows"),
        ("t,intake\n0,1\n1,2\n", "line 1", "no time column 'time_s'"),
        ("time_s,exhaust\n0,1\n1,2\n", "line 1", "no column 'intake'"),
        ("time_s,intake,intake\n0,1,1\n1,2,2\n", "line 1", "two columns"),
        ("time_s,time_s,intake\n0,1,1\n1,2,2\n", "line 1", "two columns"),
        ("time_s,intake\n0,1\n1,x\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,nan\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,inf\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,1e999\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,1_0\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,１\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,1 2\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1,0x1F\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n,2\n", "line 3, column 1 (time_s)", "is empty"),
        ("time_s,intake\n0,1\nnoon,2\n", "line 3, column 1 (time_s)", "not a number"),
        ("time_s,intake\n0,1\n1,2\n1,3\n", "line 4, column 1 (time_s)", "does not increase"),
        ("time_s,intake\n0,1\n1,2\n0.5,3\n", "line 4, column 1 (time_s)", "goes back"),
        ("time_s,intake\n0,1\n1,2,3\n2,3\n", "line 3, column 3", "another number of cells"),
        ("time_s,intake\n0,1\n1\n2,3\n", "line 3, column 2", "another number of cells"),
        ("time_s,intake\n0,1\n\n2,3\n", "line 3, column 1", "another number of cells"),
        ("time_s,intake\n0,1\n1,1e13\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s,intake\n0,1\n1e-12,1\n", "capture", "too fast"),
        ("time_s;intake\n0;1\n1;1.5\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s;intake\n0;1\n1;1.234,5\n", "line 3, column 2 (intake)", "not a number"),
        ("time_s\tintake\n0\t1\n1\t1,5\n", "line 3, column 2 (intake)", "not a number"),
        ('time_s,intake\n0,1\n1,"2\n', "line 3", "no CSV"),
        ('time_s,intake\n"0\n",1\n1,x\n', "line 4, column 2 (intake)", "not a number"),
    ],
)
def test_what_is_not_clear_is_refused_with_its_place(text: str, where: str, says: str) -> None:
    with pytest.raises(CaptureError) as caught:
        read_capture(text, setup())
    assert says in caught.value.problem
    assert where in caught.value.where
    assert caught.value.todo


def test_a_missing_time_column_says_which_there_are() -> None:
    with pytest.raises(CaptureError) as caught:
        read_capture("Time [s],intake\n0,1\n1,2\n", setup())
    assert "'Time [s]', 'intake'" in caught.value.found
    assert "--time" in caught.value.todo
    assert "if that is in seconds" in caught.value.todo, (
        "the first column may as well be milliseconds, or no time"
    )


def test_decimal_points_between_semicolons_are_no_reason_to_delete_every_row() -> None:
    with pytest.raises(CaptureError) as caught:
        read_capture("time_s;intake\n0.000;1.5\n0.001;1.6\n", setup())
    assert "a comma for every semicolon" in caught.value.todo
    assert "delete" not in caught.value.todo
    with pytest.raises(CaptureError) as caught:
        read_capture("time_s;intake\n0,000;abc\n0,001;1,6\n", setup())
    assert "delete this row" in caught.value.todo


def test_bytes_that_are_not_utf_8_are_refused_with_their_line(tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_bytes("time_s,intake\n0,1\n1,2\nü\n".encode("latin-1"))
    with pytest.raises(CaptureError, match="not UTF-8") as caught:
        read_capture(tmp_path / "c.csv", setup())
    assert caught.value.where.endswith("c.csv, line 4")


@pytest.mark.parametrize("name", ["not there.csv", "."])
def test_a_file_that_cannot_be_read_is_said(tmp_path: Path, name: str) -> None:
    with pytest.raises(CaptureError, match="cannot be read"):
        read_capture(tmp_path / name, setup())


@settings(deadline=None)
@given(text=st.text(alphabet='time_s,intake\n\r\t;."0123456789-eE\x00 ü', max_size=60))
def test_any_text_gives_a_capture_or_an_error_of_ours(text: str) -> None:
    try:
        capture = read_capture("time_s,intake\n" + text, setup())
    except CaptureError:
        return
    assert np.isfinite(capture.duration_s)


# --- captures that nobody here made ----------------------------------------------------------------


def real(name: str) -> Path:
    path = REAL_CAPTURES / name
    if not path.exists():
        pytest.skip(f"not checked here: {name} as another project's loggers wrote it (no ../shared/data)")
    return path


def test_a_real_adc_capture() -> None:
    one = setup(HEAD + '[[probe]]\nname = "crank"\nrole = "crank_teeth"\nteeth = "60-2"\n')
    path = real("bench_60-2_adc_10khz.csv")
    with pytest.raises(CaptureError, match="no time column"):
        read_capture(path, one)
    capture = read_capture(path, one, "Time [s]")
    block = joined(capture)
    assert (block.dt, block.t0) == (1e-4, 9.85e-5)  # "10 kHz for 6 s" says the file's own description
    assert capture.duration_s == pytest.approx(6.0, abs=1e-3)
    assert (capture.lost_samples, capture.warnings) == (0, ())


def test_real_edges_with_the_engine_without_plugs() -> None:
    one = setup(
        HEAD
        + '[[probe]]\nname = "crank"\nrole = "crank_teeth"\nsampling = "edges"\n'
        + "teeth = [0, 20, 50, 80, 110, 140, 170, 200, 230, 260, 290, 320, 350]\n"
    )
    times, rising = edges_of(read_capture(real("inline4_12+1_no_plugs.csv"), one, "time"))["crank"]
    assert rising[0] is False  # the file begins high
    assert all(a is not b for a, b in itertools.pairwise(rising))
    # 13 teeth a revolution; the capture's publisher says 188 rpm.
    falling = np.array(times)[~np.array(rising)]
    rpm = 60.0 / np.median(falling[13:] - falling[:-13])
    assert rpm == pytest.approx(188.0, abs=4.0)


def test_real_edges_of_two_inputs_in_one_file() -> None:
    two = setup(
        HEAD
        + '[[probe]]\nname = "a"\ncolumn = "Channel 0"\nrole = "crank_teeth"\nteeth = "60-2"\nsampling = "edges"\n'
        + '[[probe]]\nname = "b"\ncolumn = "Channel 1"\nrole = "cam_sync"\ncylinder = 1\nsampling = "edges"\n'
    )
    found = edges_of(read_capture(real("inline4_60-2_crank_then_run.csv"), two, "Time[s]"))
    assert set(found) == {"Channel 0", "Channel 1"}
    counts = sorted(len(times) for times, _ in found.values())
    assert counts[0] < 60 < 5000 < counts[1]  # a cam and a wheel


@pytest.mark.parametrize(("step_s", "warned"), [(0.001, False), (0.007, False), (0.1, True), (1.0, True)])
def test_rows_too_far_apart_for_pulses_are_warned_of(step_s: float, warned: bool) -> None:
    # 1 s: a column of milliseconds that is taken for seconds, as the contract says that nothing is guessed.
    capture = read_capture(table([f"{k * step_s:.3f}" for k in range(50)]), setup())
    assert any(w.code == "rows_far_apart" for w in capture.warnings) is warned


def test_level_changes_without_the_key_that_says_so_are_refused_with_what_to_write() -> None:
    rng = np.random.default_rng(6)
    times = np.cumsum(rng.uniform(0.002, 0.006, 400))
    text = table([f"{t:.6f}" for t in times], [str(k % 2) for k in range(400)], "wheel")
    with pytest.raises(CaptureError, match="level changes") as caught:
        read_capture(text, setup(WHEEL.replace('sampling = "edges"', "")))
    assert 'sampling = "edges"' in str(caught.value)
    # Even samples of the same levels are none, however fast they change.
    even = table([f"{k * 0.001:.3f}" for k in range(400)], [str(k % 2) for k in range(400)], "wheel")
    assert joined(read_capture(even, setup(WHEEL.replace('sampling = "edges"', "")))).samples == 400


def test_real_level_changes_without_the_key_are_refused() -> None:
    one = setup(HEAD + '[[probe]]\nname = "a"\ncolumn = "Channel 0"\nrole = "crank_teeth"\nteeth = "60-2"\n')
    with pytest.raises(CaptureError, match="level changes"):
        read_capture(real("inline4_60-2_crank_then_run.csv"), one, "Time[s]")
