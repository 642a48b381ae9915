"""Faults between the virtual board and its host: each does what it says, and nothing else."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NEED_DATA, Hello, InputInfo, InputKind, Loss, LossReason, Samples
from evenstroke_replay.rig_faults import Fault, FaultKind, FaultyBoard, parse_fault
from evenstroke_replay.rig_source import RigError
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard


class Ramp:
    """A source whose volts tell its own time: 0.1 V a second."""

    inputs = (InputInfo(InputKind.ANALOG, "A0"), InputInfo(InputKind.ANALOG, "A1"))
    ends_at_s = None

    def volts(self, inputs, times):
        return 0.1 * times

    def edges(self, t_from, t_to):
        return []


def stream(faults, seconds=6.0, *, seed=1, counting=True, again_at=None):
    """Bytes and events of a run under a script, read every 20 ms; again_at: when the host starts once more."""
    board = FaultyBoard(VirtualBoard(Ramp(), BoardOptions(counting=counting)), faults, seed)
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), counting))
    decoder, events, arrivals = FrameDecoder(), [], []
    for k in range(1, round(seconds / 0.02) + 1):
        now = k * 0.02
        if again_at is not None and abs(now - again_at) < 0.01:
            board.receive(encoder.encode_start(2, 2, 1000, (0, 1), counting))
        data = board.advance(now)
        arrivals.append((now, len(data)))
        decoder.receive(data)
        while (event := decoder.next_event()) is not NEED_DATA:
            events.append(event)
    return board, events, arrivals


def scans_of(events):
    return sum(e.counts.shape[0] for e in events if isinstance(e, Samples))


def losses(events, reason):
    return [e for e in events if isinstance(e, Loss) and e.reason is reason]


def test_without_faults_nothing_is_changed():
    board, events, _ = stream([])
    assert not [e for e in events if isinstance(e, Loss)]
    assert board.dropped_frames == board.doubled_frames == board.flipped_bits == 0


def test_dropped_frames_are_lost_blocks_to_the_last_one():
    whole = stream([])[1]
    board, events, _ = stream([Fault(1.0, FaultKind.DROP, 0.3, 2.0)])
    assert board.dropped_frames > 5
    missing = sum(e.blocks_lost for e in losses(events, LossReason.SAMPLES_MISSING))
    blocks = sum(isinstance(e, Samples) for e in events) + missing
    assert blocks == sum(isinstance(e, Samples) for e in whole)
    # The counting signal says the same by arithmetic.
    got = np.concatenate([e.counts.ravel() for e in events if isinstance(e, Samples)]).astype(int)
    jumps = (np.diff(got) - 1) % 4096
    assert jumps.sum() % 4096 == (scans_of(whole) - scans_of(events)) * 2 % 4096


def test_duplicated_frames_are_told_apart_and_dropped():
    whole = stream([])[1]
    board, events, _ = stream([Fault(1.0, FaultKind.DUPLICATE, 0.5, 2.0)])
    assert board.doubled_frames > 10
    assert len(losses(events, LossReason.REPEATED)) > 5
    assert scans_of(events) == scans_of(whole)


def test_flipped_bits_never_become_samples():
    board, events, _ = stream([Fault(1.0, FaultKind.CORRUPT, 1e-3, 2.0)])
    assert board.flipped_bits > 10
    samples = [e for e in events if isinstance(e, Samples)]
    for before, after in itertools.pairwise(samples):
        lost = after.sequence - before.sequence - 1
        step = (int(after.counts[0, 0]) - int(before.counts[-1, -1]) - 1) % 4096
        assert step == lost * before.counts.size % 4096


def test_a_stall_holds_back_and_loses_nothing():
    whole = stream([])[1]
    _, events, arrivals = stream([Fault(2.0, FaultKind.STALL, lasts_s=1.0)])
    silent = [now for now, size in arrivals if size == 0 and 2.1 < now < 2.95]
    assert len(silent) == len([now for now, _ in arrivals if 2.1 < now < 2.95])
    assert scans_of(events) == scans_of(whole)
    assert not [e for e in events if isinstance(e, Loss)]


def test_a_reset_forgets_the_run_and_says_hello_and_the_engine_goes_on():
    _, events, _ = stream([Fault(2.0, FaultKind.RESET)], counting=False, again_at=3.0)
    hellos = [e for e in events if isinstance(e, Hello)]
    assert [h.run for h in hellos] == [0]
    second = [e for e in events if isinstance(e, Samples) and e.run == 2]
    # The source's own time, from its volts: it ran on while the board was away.
    volts = second[0].counts[0, 0] * 5.0 / 4096
    assert volts / 0.1 == pytest.approx(3.0, abs=0.1)


def test_while_the_port_is_gone_nothing_comes_and_nothing_is_heard():
    board, events, arrivals = stream([Fault(2.0, FaultKind.VANISH, lasts_s=1.0)], again_at=2.5)
    assert all(size == 0 for now, size in arrivals if now > 2.1)
    assert not board.streaming  # the start at 2.5 s went to nobody
    assert board.here
    assert not [e for e in events if isinstance(e, Samples) and e.run == 2]


def test_a_fast_clock_counts_more_ticks_in_the_same_time():
    _, right, _ = stream([], seconds=20.0)
    _, fast, _ = stream([Fault(0.0, FaultKind.CLOCK, 5000.0)], seconds=20.0)
    assert scans_of(fast) / scans_of(right) == pytest.approx(1.005, abs=0.004)


def test_the_same_seed_gives_the_same_faults_and_another_gives_others():
    script = [Fault(0.5, FaultKind.DROP, 0.2, 3.0), Fault(0.5, FaultKind.CORRUPT, 1e-4, 3.0)]
    first, again, other = (stream(script, seed=seed)[1] for seed in (1, 1, 2))
    assert first == again
    assert first != other


SCRIPTS = {
    "frames": [
        Fault(0.51, FaultKind.DROP, 0.2, 2.0),
        Fault(1.13, FaultKind.DUPLICATE, 0.2, 2.0),
        Fault(0.777, FaultKind.CORRUPT, 1e-3, 1.5),
    ],
    "reset and stall": [Fault(2.2, FaultKind.RESET), Fault(1.0, FaultKind.STALL, lasts_s=0.7)],
    "clock": [Fault(0.3, FaultKind.CLOCK, 50_000.0, 1.0), Fault(3.0, FaultKind.CLOCK, -3000.0)],
}


@pytest.mark.parametrize("script", SCRIPTS.values(), ids=SCRIPTS)
def test_what_comes_out_does_not_depend_on_how_time_is_cut(script):
    def played(step_s):
        board = FaultyBoard(VirtualBoard(Ramp(), BoardOptions(counting=True)), script)
        board.receive(encoder.encode_start(1, 1, 1000, (0, 1), True))
        out = b"".join(board.advance(k * step_s) for k in range(1, int(4.0 / step_s)))
        return out + board.advance(4.0)

    whole = played(4.0)
    assert whole != played_without_faults(4.0)
    for step_s in (0.005, 0.0137, 0.3):
        assert played(step_s) == whole


def played_without_faults(seconds):
    board = VirtualBoard(Ramp(), BoardOptions(counting=True))
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), True))
    return board.advance(seconds)


def test_the_port_is_seen_to_go_however_short_it_is_gone():
    board = FaultyBoard(VirtualBoard(Ramp()), [Fault(1.0, FaultKind.VANISH, lasts_s=1e-3)])
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), True))
    board.advance(3.0)
    assert not board.here
    assert board.now_s == pytest.approx(1.0)
    board.advance(3.0)
    assert board.here
    assert not board.streaming


def board_clock_s(script, *, until_s, step_s):
    """The board's own time at the transport's `until_s`, from the tick in its hello."""
    board = FaultyBoard(VirtualBoard(Ramp()), script)
    board.receive(encoder.encode_start(1, 1, 1000, (0, 1), True))
    for k in range(1, round(until_s / step_s) + 1):
        board.advance(k * step_s)
    board.receive(encoder.encode_stop(2) + encoder.encode_identify(3))
    decoder = FrameDecoder()
    decoder.receive(board.advance(until_s + 0.1))
    events = []
    while (event := decoder.next_event()) is not NEED_DATA:
        events.append(event)
    return next(e.tick for e in events if isinstance(e, Hello)) / 2e6


@pytest.mark.parametrize("step_s", [0.005, 0.02])
@pytest.mark.parametrize("ppm", [30.0, -30.0])
def test_a_few_ppm_are_not_rounded_away_by_short_steps(ppm, step_s):
    # 30 ppm of 5 ms are 0.3 ticks at 2 MHz. By definition of ppm: 60 s * 30e-6 = 1.8 ms.
    runs_off = board_clock_s([Fault(0.0, FaultKind.CLOCK, ppm)], until_s=60.0, step_s=step_s) - 60.0
    assert runs_off == pytest.approx(60.0 * ppm * 1e-6, abs=1e-6)


def test_a_clock_that_drifts_is_off_by_the_integral_of_its_error():
    # 0 to 2000 ppm within 10 s: half of 2000 ppm * 10 s = 10 ms; then 5 s at 2000 ppm, 10 ms more; then right.
    script = [Fault(5.0, FaultKind.CLOCK, 2000.0, 10.0), Fault(20.0, FaultKind.CLOCK, 0.0)]
    for until_s, expected in ((5.0, 0.0), (10.0, 2.5e-3), (15.0, 10e-3), (20.0, 20e-3), (30.0, 20e-3)):
        assert board_clock_s(script, until_s=until_s, step_s=0.02) - until_s == pytest.approx(
            expected, abs=2e-6
        )


def test_faults_are_read_as_they_are_written():
    assert parse_fault("3.5:corrupt:1e-4:2") == Fault(3.5, FaultKind.CORRUPT, 1e-4, 2.0)
    assert parse_fault("8:reset") == Fault(8.0, FaultKind.RESET)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "AT:KIND"),
        ("reset", "AT:KIND"),
        ("x:reset", "AT:KIND"),
        ("1:explode", "vanish"),
        ("1:drop:0.1:1:9", "AT:KIND"),
        ("1:stall:0:x", "AT:KIND"),
        ("-1:reset", "not negative"),
        ("1:drop:2:1", "probability"),
        ("1:drop:0:1", "probability"),
        ("1:drop:0.1", "LASTS"),
        ("1:stall", "LASTS"),
        ("1:vanish", "LASTS"),
        ("nan:reset", "finite"),
        ("inf:reset", "finite"),
        ("1:vanish:0:nan", "finite"),
        ("1:clock:nan", "finite"),
        ("1:clock:-2e6", "ppm"),
    ],
)
def test_what_cannot_be_played_is_refused_with_what_can(text, expected):
    with pytest.raises(RigError, match=expected) as caught:
        parse_fault(text)
    assert "5:vanish:0:1.5" in caught.value.todo
