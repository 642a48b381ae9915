"""What comes out does not depend on where the data were cut, nor on what was lost elsewhere."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from evenstroke_dsp import sync_tracker
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

RATE_HZ = 2000.0
SECONDS = 5.0
SCANS = round(RATE_HZ * SECONDS)
ORDER = (1, 3, 4, 2)


@pytest.fixture(scope="module", params=["from rest", "turning already"])
def recorded(request, bench) -> tuple[object, list[Block]]:
    """A crank with an odd cylinder, as small blocks; one begins at rest, one while the engine turns."""
    setup = bench.setup(ORDER)
    rest_s = 0.4 if request.param == "from rest" else 0.0
    crank = Cranking(rpm=260.0, rest_s=rest_s, crank_s=4.0, noise_db=50.0)
    source = EngineSource(setup, crank, (Alteration("intake", 4, -14.0),))
    return setup, list(bench.blocks(setup, source, seconds=SECONDS, rate_hz=RATE_HZ))


# No shrinking: an example is a whole recording, and the cuts that fail are short to read as they are.
CUTS = settings(max_examples=8, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
SOME_SCANS = st.lists(st.integers(1, SCANS - 1), max_size=20, unique=True).map(sorted)
SOME_TIMES = st.lists(st.floats(0.0, SECONDS), max_size=20, unique=True).map(sorted)


def first_difference(got: list[bytes], expected: list[bytes]) -> str | None:
    """In a line what differs first; None where the streams are equal."""
    for k, (a, b) in enumerate(itertools.zip_longest(got, expected)):
        if a != b:
            return f"message {k}: {(a or b'nothing')[:160]!r} instead of {(b or b'nothing')[:160]!r}"
    return None


def one_block(blocks: Sequence[Block]) -> list[Block]:
    """All samples that follow each other without a hole as one block; the rest as it is."""
    joined: list[SampleBlock] = []
    for block in blocks:
        if not isinstance(block, SampleBlock):
            continue
        last = joined[-1] if joined else None
        if last is not None and abs(last.t0 + last.samples * last.dt - block.t0) < last.dt / 2:
            volts = np.concatenate([last.volts, block.volts], axis=1)
            joined[-1] = SampleBlock(last.inputs, volts, last.t0, last.dt)
        else:
            joined.append(block)
    return [*joined, *(b for b in blocks if not isinstance(b, SampleBlock))]


def without(blocks: Sequence[Block], t_from: float, t_to: float) -> list[Block]:
    """The samples from t_from to t_to never came: a Gap stands where they were."""
    out: list[Block] = []
    noted = False
    for block in blocks:
        if isinstance(block, SampleBlock) and t_from - 1e-9 <= block.t0 < t_to - 1e-9:
            if not noted:
                out.append(Gap(t_from, t_to, round((t_to - t_from) * RATE_HZ), GapReason.BOARD_DROPPED))
                noted = True
            continue
        out.append(block)
    assert noted
    return out


def test_any_cut_gives_the_same_stream(recorded, bench) -> None:
    setup, blocks = recorded
    whole = one_block(blocks)
    expected = bench.as_bytes(bench.run(setup, blocks).messages)

    @CUTS
    @given(scans=SOME_SCANS, waits=SOME_TIMES, edges_first=st.booleans())
    def check(scans: list[int], waits: list[float], edges_first: bool) -> None:
        cut = bench.recut(whole, scans, waits, edges_first=edges_first)
        assert first_difference(bench.as_bytes(bench.run(setup, cut).messages), expected) is None

    check()


def test_any_cut_and_place_of_a_gap_give_the_same_stream(recorded, bench) -> None:
    setup, blocks = recorded
    lossy = without(blocks, 2.0, 2.1)
    whole = one_block(lossy)
    expected = bench.as_bytes(bench.run(setup, lossy).messages)

    @CUTS
    @given(scans=SOME_SCANS, moved=st.integers(0, 6), edges_first=st.booleans())
    def check(scans: list[int], moved: int, edges_first: bool) -> None:
        cut = bench.recut(whole, scans, [], edges_first=edges_first)
        (at,) = (k for k, b in enumerate(cut) if isinstance(b, Gap))
        cut.insert(max(0, at - moved), cut.pop(at))
        assert first_difference(bench.as_bytes(bench.run(setup, cut).messages), expected) is None

    check()


def pulses_of(run) -> dict[tuple[int, int], object]:
    return {
        (cycle.index, pulse.position): pulse
        for cycle in run.cycles
        for probe in cycle.probes
        if probe.probe == "intake"
        for pulse in probe.pulses
    }


def test_a_lost_block_leaves_out_the_pulses_it_touches_and_no_other(recorded, bench) -> None:
    setup, blocks = recorded
    t_from, t_to = 2.0, 2.1
    whole = pulses_of(bench.run(setup, blocks))
    lossy = pulses_of(bench.run(setup, without(blocks, t_from, t_to)))
    assert set(lossy) == set(whole)
    touched = 0
    for key, before in whole.items():
        after = lossy[key]
        if before.value is None:
            continue
        assert before.from_s is not None and before.to_s is not None
        if before.from_s < t_to and before.to_s > t_from:
            assert after.left_out == "lost_samples"
            assert after.value is None
            touched += 1
        elif after.left_out is not None:
            # Beside the hole: a pulse is looked for a little beyond its crest and trough.
            assert before.from_s < t_to + 0.05 and before.to_s > t_from - 0.05
            assert after.left_out == "lost_samples"
        else:
            assert after.value == pytest.approx(before.value, rel=0.01)
    assert 1 <= touched <= 3


def test_lost_samples_change_no_verdict(recorded, bench) -> None:
    setup, blocks = recorded
    whole = bench.run(setup, blocks).cylinders("intake", "drop")
    lossy = bench.run(setup, without(blocks, 2.0, 2.15)).cylinders("intake", "drop")
    for number, cylinder in whole.items():
        # Fewer pulses may leave a verdict open, and may not turn it round.
        assert lossy[number].verdict in (cylinder.verdict, "undecided")
        assert lossy[number].cycles <= cylinder.cycles
        assert lossy[number].deviation == pytest.approx(cylinder.deviation, abs=1.5)


def test_a_cell_that_is_nan_is_lost_like_a_block(recorded, bench) -> None:
    setup, blocks = recorded
    emptied = [
        SampleBlock(b.inputs, np.full_like(b.volts, np.nan), b.t0, b.dt)
        if isinstance(b, SampleBlock) and 2.0 - 1e-9 <= b.t0 < 2.1 - 1e-9
        else b
        for b in blocks
    ]
    lossy = bench.run(setup, without(blocks, 2.0, 2.1))
    got = bench.as_bytes(bench.run(setup, emptied).messages)
    assert first_difference(got, bench.as_bytes(lossy.messages)) is None


@pytest.mark.parametrize("reason", ["edges_missing", "link_lost", "pipeline_behind", "recording_damaged"])
def test_edges_that_were_lost_leave_their_cycle_out(recorded, bench, reason: str) -> None:
    setup, blocks = recorded
    whole = bench.run(setup, blocks)
    cycle = next(c for c in whole.cycles if c.left_out is None and c.from_s > 1.0)
    at = (cycle.from_s + cycle.to_s) / 2
    place = next(k for k, b in enumerate(blocks) if isinstance(b, EdgeBlock) and b.until > at)
    lossy = bench.run(setup, [*blocks[:place], Gap(at, at + 0.001, 0, GapReason(reason)), *blocks[place:]])
    assert [c.left_out for c in lossy.cycles if c.index == cycle.index] == ["lost_edges"]
    assert sum(c.left_out == "lost_edges" for c in lossy.cycles) == 1


def test_a_long_hole_makes_two_stretches_and_no_false_pulse(recorded, bench) -> None:
    setup, blocks = recorded
    shifted: list[Block] = []
    for b in blocks:
        if isinstance(b, SampleBlock):
            shifted.append(SampleBlock(b.inputs, b.volts, b.t0 + 9.0, b.dt))
        elif isinstance(b, EdgeBlock):
            shifted.append(EdgeBlock(b.input, b.times + 9.0, b.rising, b.until + 9.0))
    run = bench.run(setup, [*blocks, Gap(SECONDS, 9.0, 10_000, GapReason.LINK_LOST), *shifted])
    assert len(run.judgement.cranked) == 2
    for number, cylinder in run.cylinders("intake", "drop").items():
        assert cylinder.verdict in (("smaller",) if number == 4 else ("even", "undecided"))
        assert cylinder.deviation == pytest.approx(-10.9 if number == 4 else 3.6, abs=1.5)


def test_inputs_that_join_later_begin_a_new_grid(bench) -> None:
    """A board that is started again with another choice of inputs."""
    setup = bench.setup(ORDER)
    pipeline = Pipeline(setup)
    pipeline.push(SampleBlock((0,), np.zeros((1, 900)), 0.0, 1e-3))
    pipeline.push(SampleBlock((0, 5), np.zeros((2, 900)), 0.9, 1e-3))
    pipeline.push(SampleBlock((0,), np.zeros((1, 900)), 1.8, 1e-3))
    pipeline.flush()


def test_another_rate_begins_a_new_grid(recorded, bench) -> None:
    setup, blocks = recorded
    slow = [
        SampleBlock(b.inputs, b.volts[:, ::2], b.t0 + SECONDS, 2 * b.dt)
        if isinstance(b, SampleBlock)
        else EdgeBlock(b.input, b.times + SECONDS, b.rising, b.until + SECONDS)
        for b in blocks
    ]
    run = bench.run(setup, [*blocks, *slow])
    assert run.cylinders("intake", "drop")[4].verdict == "smaller"
    one, two = run.judgement.cranked
    assert two.cycles >= one.cycles - 1


def test_sequence_numbers_count_per_topic(recorded, bench) -> None:
    setup, blocks = recorded
    run = bench.run(setup, blocks)
    by_topic: dict[str, list[int]] = {}
    for message in run.messages:
        sequence = message.header.sequence if hasattr(message, "header") else message.sequence
        by_topic.setdefault(type(message).__name__, []).append(sequence)
    assert set(by_topic) == {"WaveData", "Cycle", "Balance", "FindingMessage"}
    for numbers in by_topic.values():
        assert numbers == list(range(len(numbers)))


def test_the_waves_are_without_holes_and_the_raw_one_is_what_came(recorded, bench) -> None:
    setup, blocks = recorded
    run = bench.run(setup, blocks)
    for kind in ("raw", "conditioned"):
        waves = [m for m in run.messages if hasattr(m, "header") and m.header.kind == kind]
        at = waves[0].header.t0_s
        for wave in waves:
            assert wave.header.t0_s == pytest.approx(at, abs=1e-9)
            assert wave.samples.shape == wave.header.shape
            at += wave.header.shape[1] * wave.header.dt_s
        assert at == pytest.approx(SECONDS, abs=0.002)
    raw = np.concatenate(
        [m.samples for m in run.messages if hasattr(m, "header") and m.header.kind == "raw"], axis=1
    )
    sent = np.concatenate([b.volts for b in blocks if isinstance(b, SampleBlock)], axis=1)
    np.testing.assert_allclose(raw, (sent - 2.5) / 1.0, atol=1e-6)


def test_reset_forgets_everything(recorded, bench) -> None:
    setup, blocks = recorded
    pipeline = Pipeline(setup)
    outputs = []
    for _ in range(2):
        messages = [m for b in blocks for m in pipeline.push(b)] + pipeline.flush()
        outputs.append(bench.as_bytes(messages))
        pipeline.reset()
    assert first_difference(outputs[1], outputs[0]) is None


def test_flushing_twice_measures_nothing_twice(recorded, bench) -> None:
    setup, blocks = recorded
    pipeline = Pipeline(setup)
    cycles = [m for b in blocks for m in pipeline.push(b)] + pipeline.flush()
    again = pipeline.flush()
    assert not [m for m in again if type(m).__name__ in ("Cycle", "Balance", "WaveData")]
    assert cycles


def test_edges_alone_are_followed_whatever_their_cut(bench) -> None:
    """A capture of level changes has no samples; two inputs' edges come in blocks of their own."""
    setup = bench.setup(ORDER)
    source = EngineSource(setup, Cranking(rpm=260.0, rest_s=0.4, crank_s=3.0))
    edges = [b for b in bench.blocks(setup, source, seconds=SECONDS) if isinstance(b, EdgeBlock)]
    expected = bench.run(setup, edges)
    assert len(expected.cycles) >= 5
    for waits in ([], [1.0, 2.5], [0.7, 1.31, 1.32, 3.0]):
        cut = bench.recut(edges, [], waits, edges_first=True)
        got = bench.as_bytes(bench.run(setup, cut).messages)
        assert first_difference(got, bench.as_bytes(expected.messages)) is None


@pytest.mark.parametrize("wheel", [False, True], ids=["sync alone", "with a wheel"])
def test_sync_events_that_are_forgotten_change_nothing(bench, monkeypatch, wheel) -> None:
    setup = bench.setup(ORDER, wheel=wheel)
    source = EngineSource(setup, Cranking(rpm=260.0, rest_s=0.4, crank_s=9.0, noise_db=50.0))
    blocks = list(bench.blocks(setup, source, seconds=10.0, rate_hz=RATE_HZ))
    kept = bench.run(setup, blocks)
    monkeypatch.setattr(sync_tracker, "KEPT_EVENTS", 5)
    forgot = bench.run(setup, blocks)
    assert forgot.judgement == kept.judgement
    assert forgot.judgement.cranked[0].cycles > 15


def test_a_rate_too_low_for_the_low_pass_limits_the_comparison_and_says_so(bench) -> None:
    setup = bench.setup(ORDER)
    source = EngineSource(setup, Cranking(rpm=150.0, rest_s=0.0, crank_s=4.0))
    for rate_hz, because in ((100.0, True), (250.0, False)):
        run = bench.run(setup, bench.blocks(setup, source, seconds=SECONDS, rate_hz=rate_hz, scans=10))
        comparison = run.comparison("intake", "drop")
        assert ("unfiltered" in comparison.because) is because
        assert comparison.trust == "limited" or not because
        said = [w.text for w in run.judgement.warnings if w.code == "unfiltered"]
        assert bool(said) is because and all("sampled too seldom" in text for text in said)
        # It is the logger that is to be mended, and no cylinder or pick-up.
        words = run.findings[-1].instruction
        assert words.startswith("Mend the signal of intake first. It is sampled too seldom") is because
        if because:
            assert {c.verdict for c in comparison.cylinders} == {"undecided"} and not run.judgement.findings
            assert "noisy" not in comparison.because


def test_what_is_left_out_at_the_end_limits_nothing(bench) -> None:
    """The input is driven against its limits as the starter lets go: the cycles before are as good as they were, and what was
    said last while they were recorded is what is said of them for good."""
    setup = bench.setup(ORDER, wheel=True)
    for start_deg in range(0, 720, 90):
        crank = Cranking(rpm=260.0, rest_s=0.4, crank_s=4.0, noise_db=50.0, start_deg=float(start_deg))
        source = EngineSource(setup, crank)
        blocks = list(bench.blocks(setup, source, seconds=SECONDS + 1.0, rate_hz=RATE_HZ))
        whole = bench.run(setup, blocks)
        if whole.cycles[-1].left_out is not None:
            break
    else:
        pytest.fail("no crank ends in a cycle that is left out")
    off_s = whole.cycles[-1].to_s - 0.05
    driven = []
    for b in blocks:
        if isinstance(b, SampleBlock) and b.t0 > off_s:
            t = b.t0 + b.dt * np.arange(b.samples)
            b = SampleBlock(
                b.inputs, np.where(np.sin(2 * np.pi * 25.0 * t) > 0, 5.0, 0.0)[None, :], b.t0, b.dt
            )
        driven.append(b)
    run = bench.run(setup, driven)
    assert run.cycles[-1].left_out is not None
    (told,) = (c for c in run.balances[-1].comparisons if c.feature == "drop")
    judged = run.comparison("intake", "drop")
    assert (judged.trust, judged.because) == (told.trust, told.because)
    assert judged.because == whole.comparison("intake", "drop").because
