"""The real firmware in a simulated ATmega328P: what it samples and times, at every rated speed, and when things go wrong.

The simulator is simavr (Debian's libsimavr); the voltages and level changes that it is fed are computed here, and what
a 10-bit converter makes of a voltage is floor(1024 V / Vref) (data sheet of the ATmega328P, "ADC Conversion Result").
"""

from __future__ import annotations

import json
import random
import re
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

serial = pytest.importorskip("serial")
pytest.importorskip("termios", reason="the simulated board needs a pty: the firmware was not run here")

from evenstroke_dsp.blocks import EdgeBlock  # noqa: E402
from evenstroke_protocol import encoder  # noqa: E402
from evenstroke_protocol.decoder import FrameDecoder  # noqa: E402
from evenstroke_protocol.events import (  # noqa: E402
    NEED_DATA,
    Ack,
    AckStatus,
    Counters,
    Edges,
    Hello,
    Loss,
    LossReason,
    ResetCause,
    Samples,
)
from evenstroke_protocol.wire import Kind  # noqa: E402
from evenstroke_replay.judging import judge_path  # noqa: E402
from evenstroke_replay.player import blocks_of  # noqa: E402
from evenstroke_replay.recorder import Recorder  # noqa: E402
from evenstroke_replay.recording import open_recording  # noqa: E402
from setup_texts import FOUR, intake, probe  # noqa: E402

TICKS_HZ = 2_000_000
ROWS_HZ = 20_000
SECONDS = 60.0
ALL = (0, 1, 2, 3, 4)
GIVE_UP_S = 600.0  # only so that a fault ends: a busy machine may take long
CLOCK_SETUP = FOUR + intake(input=0) + probe("cam", "cam_sync", input=4, cylinder=1)
RATED = [(250_000, 2500), (500_000, 5000), (1_000_000, 10_000)]


@dataclass
class Signals:
    """What is fed in: volts (rows, 4) at ROWS_HZ from the reset on, and the level changes of D8 (seconds, level)."""

    volts: np.ndarray
    edges_s: np.ndarray
    levels: np.ndarray
    files: list[str] = field(default_factory=list)

    def at(self, t_s: np.ndarray, column: int) -> np.ndarray:
        return np.interp(t_s, np.arange(len(self.volts)) / ROWS_HZ, self.volts[:, column])


@pytest.fixture(scope="module")
def signals(tmp_path_factory: pytest.TempPathFactory) -> Signals:
    t = np.arange(0, SECONDS, 1 / ROWS_HZ)
    volts = np.stack([2.5 + 1.8 * np.sin(2 * np.pi * (3 + 2 * k) * t + k) for k in range(4)], axis=1)
    # As of a wheel that speeds up and slows down: some 190 teeth a second, both edges.
    gaps = np.random.default_rng(5).uniform(0.0015, 0.0037, 24000)
    edges = 0.05 + np.cumsum(gaps)
    edges = edges[edges < SECONDS]
    levels = np.arange(len(edges)) % 2 ^ 1
    folder = tmp_path_factory.mktemp("signals")
    volts.astype("<f4").tofile(folder / "volts.f32")
    (folder / "levels.txt").write_text("".join(f"{a:.9f} {b}\n" for a, b in zip(edges, levels, strict=True)))
    files = ["--volts", str(folder / "volts.f32"), "--volts-rate", str(ROWS_HZ)]
    return Signals(volts, edges, levels, [*files, "--levels", str(folder / "levels.txt")])


class SimulatedBoard:
    """A running simulator, with its line open."""

    def __init__(self, process: subprocess.Popen[str], path: str, baud: int) -> None:
        self.process = process
        self.line = serial.Serial(path, baud, timeout=0.1)
        self.decoder = FrameDecoder()
        self.events: list[object] = []
        self.ended: dict[str, object] = {}

    def until(self, wanted: Callable[[object], bool], *, again: bytes = b"") -> object:
        """Read on to the first such event; the others are kept too. `again` is said every half second."""
        gives_up = time.monotonic() + GIVE_UP_S
        say_at = time.monotonic()
        while time.monotonic() < gives_up:
            if again and time.monotonic() >= say_at:
                self.line.write(again)
                say_at += 0.5
            self.decoder.receive(self.line.read(4096))
            found = None
            while (event := self.decoder.next_event()) is not NEED_DATA:
                self.events.append(event)
                if found is None and wanted(event):
                    found = event
            if found is not None:
                return found
            assert self.process.poll() is None, "the simulator ended"
        raise AssertionError("the board never said it")

    def find(self) -> Hello:
        """As a host does with a board that may still be in its reset (SPEC.md, "Timing")."""
        self.until(
            lambda e: isinstance(e, Ack) and e.command == Kind.IDENTIFY,
            again=b"\0" + encoder.encode_identify(1),
        )
        hello = self.all(Hello)[-1]
        assert isinstance(hello, Hello)
        return hello

    def ask(self, framed: bytes, kind: Kind) -> Ack:
        self.line.write(framed)
        ack = self.until(lambda e: isinstance(e, Ack) and e.command == kind)
        assert isinstance(ack, Ack)
        assert ack.status is AckStatus.DONE
        return ack

    def crank(
        self, rate: int, seconds: float, *, counting: bool = False, inputs: tuple[int, ...] = ALL
    ) -> None:
        """A run of so many of the board's seconds, from its first block to the ack of its stop."""
        self.find()
        self.ask(encoder.encode_start(2, 1, rate, inputs, counting), Kind.START)
        # Not from the hello: the simulated board's clock goes on while a busy machine keeps this process waiting.
        started = self.until(lambda e: isinstance(e, Samples))
        assert isinstance(started, Samples)
        enough = started.tick + seconds * TICKS_HZ
        self.until(lambda e: isinstance(e, Samples) and e.tick > enough)
        self.ask(encoder.encode_stop(3), Kind.STOP)

    def all(self, kind: type) -> list:
        return [e for e in self.events if isinstance(e, kind)]


@contextmanager
def running(simulator: Path, elf: Path, baud: int, *options: str) -> Iterator[SimulatedBoard]:
    process = subprocess.Popen(
        [str(simulator), str(elf), "--seconds", "600", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    board = None
    try:
        board = SimulatedBoard(process, process.stdout.readline().strip(), baud)
        yield board
    finally:
        process.terminate()
        if board is not None:
            board.line.close()
        said = process.communicate(timeout=GIVE_UP_S)[1]
        found = re.findall(r"^\{.*\}$", said, re.MULTILINE)
        if board is not None and found:
            board.ended = json.loads(found[-1])


def elf_of(firmware: Path, baud: int) -> Path:
    return firmware / f"evenstroke-atmega328p-{baud}.elf"


def table_of(blocks: list[Samples]) -> tuple[np.ndarray, np.ndarray]:
    """Ticks of the scans, and their counts (scans, inputs)."""
    ticks = [b.tick + np.arange(len(b.counts)) * b.scan_ticks for b in blocks]
    return np.concatenate(ticks), np.concatenate([b.counts for b in blocks]).astype(np.int64)


def offset_of(board: SimulatedBoard, signals: Signals) -> float:
    """Ticks from the reset to where the board's own ticks began: the one constant, from the first edge."""
    edges = [e for f in board.all(Edges) for e in f.edges]
    ticks = np.array([e.tick for e in edges])
    true = signals.edges_s * TICKS_HZ
    shape = np.diff(ticks[:20])
    # Which of the edges that were fed came first is found by the gaps between them, all different.
    fits = [np.abs(np.diff(true[k : k + 20]) - shape).max() for k in range(len(true) - 20)]
    first = int(np.argmin(fits))
    assert fits[first] <= 2
    apart = true[first : first + len(ticks)] - ticks
    return float((apart.min() + apart.max()) / 2)


@pytest.mark.parametrize(("baud", "rate"), RATED)
def test_at_every_rated_speed_samples_and_edges_are_right_and_nothing_is_lost(
    simulator: Path, firmware: Path, signals: Signals, baud: int, rate: int
) -> None:
    with running(simulator, elf_of(firmware, baud), baud, *signals.files) as board:
        board.crank(rate, 4.0)
    assert [e for e in board.all(Loss) if e.offset > 0] == [], (
        "at 0 stands what was half sent before it was opened"
    )
    counters = board.all(Counters)[-1]
    assert (counters.overruns, counters.blocks_dropped, counters.edges_missed) == (0, 0, 0)
    offset = offset_of(board, signals)

    ticks, counts = table_of(board.all(Samples))
    assert set(np.diff(ticks)) == {TICKS_HZ // rate}
    assert len(ticks) >= 4.0 * rate
    skew = board.all(Samples)[0].skew_ticks
    for j in range(4):
        volts = signals.at((ticks + offset + j * skew) / TICKS_HZ, j)
        np.testing.assert_allclose(counts[:, j], np.floor(1024 * volts / 5.0), atol=1)

    edges = [e for f in board.all(Edges) for e in f.edges]
    true = signals.edges_s * TICKS_HZ - offset
    first = int(np.argmin(np.abs(true - edges[0].tick)))
    same = slice(first, first + len(edges))
    np.testing.assert_allclose([e.tick for e in edges], true[same], atol=1)
    assert [e.rising for e in edges] == signals.levels[same].astype(bool).tolist()
    assert all(e.input == 4 for e in edges)


@pytest.mark.parametrize("inputs", [(2,), (0, 3), (0, 1, 2, 3, 4)])
def test_the_counting_signal_counts_what_the_board_took(
    simulator: Path, firmware: Path, signals: Signals, inputs: tuple[int, ...]
) -> None:
    with running(simulator, elf_of(firmware, 1_000_000), 1_000_000, *signals.files) as board:
        board.crank(10_000, 1.0, counting=True, inputs=inputs)
    ticks, counts = table_of(board.all(Samples))
    k = (ticks - ticks[0])[:, None] // 200 * counts.shape[1] + np.arange(counts.shape[1])
    np.testing.assert_array_equal(counts, k % 1024)


@pytest.mark.parametrize("lost", [1, 2, 3, 4, 5, 11, 40])
def test_lost_triggers_are_counted_exactly_and_tear_one_block(
    simulator: Path, firmware: Path, signals: Signals, lost: int
) -> None:
    with running(
        simulator,
        elf_of(firmware, 500_000),
        500_000,
        *signals.files,
        "--lose-triggers",
        f"5:{lost}",
        "--pace",
        "4",
    ) as board:
        board.crank(5000, 8.0)
    assert (board.ended["triggers_kept_back"], board.ended["triggers_missed"]) == (lost, 0)
    counters = board.all(Counters)[-1]
    assert (counters.overruns, counters.blocks_dropped) == (lost, 1)
    ticks, counts = table_of(board.all(Samples))
    gaps = np.diff(ticks)
    assert sorted(set(gaps))[0] == 400
    assert (gaps > 400).sum() == 1
    # What stands behind the gap is right again, to the scan.
    offset = offset_of(board, signals)
    behind = int(np.argmax(gaps)) + 1
    volts = signals.at((ticks[behind:] + offset) / TICKS_HZ, 0)
    np.testing.assert_allclose(counts[behind:, 0], np.floor(1024 * volts / 5.0), atol=1)


def test_losses_faster_than_the_main_loop_never_give_a_count_another_time_or_input(
    simulator: Path, overdriven_firmware: Path, signals: Signals, tmp_path: Path
) -> None:
    """Two losses close together, then blocks' worth of rest, again and again; the counts of a scan before differ plainly."""
    t = np.arange(len(signals.volts)) / ROWS_HZ
    fast = np.stack([2.5 + 1.8 * np.sin(2 * np.pi * (60 + 2 * k) * t + k) for k in range(4)], axis=1)
    fast.astype("<f4").tofile(tmp_path / "fast.f32")
    draw = np.random.default_rng(3)
    pairs = "".join(f"1,{draw.integers(6, 24)},1,{draw.integers(300, 420)}," for _ in range(200))
    with running(
        simulator,
        elf_of(overdriven_firmware, 1_000_000),
        1_000_000,
        *signals.files,
        "--volts",
        str(tmp_path / "fast.f32"),
        "--lose-triggers",
        f"1:{pairs}1",
    ) as board:
        board.crank(12_500, 4.0)
    assert board.ended["triggers_kept_back"] == 401
    assert board.all(Counters)[-1].overruns == 401 + board.ended["triggers_missed"]
    fed = Signals(fast, signals.edges_s, signals.levels)
    offset = offset_of(board, signals)
    ticks, counts = table_of(board.all(Samples))
    assert len(ticks) > 20_000
    assert (np.diff(ticks) > TICKS_HZ // 12_500).sum() > 100
    skew = board.all(Samples)[0].skew_ticks
    for j in range(4):
        volts = fed.at((ticks + offset + j * skew) / TICKS_HZ, j)
        np.testing.assert_allclose(counts[:, j], np.floor(1024 * volts / 5.0), atol=1)


def test_a_line_that_is_too_slow_drops_whole_blocks_and_counts_them(
    simulator: Path, firmware: Path, signals: Signals
) -> None:
    with running(
        simulator, elf_of(firmware, 1_000_000), 1_000_000, *signals.files, "--byte-cycles", "400"
    ) as board:
        board.crank(10_000, 2.0, counting=True)
    counters = board.all(Counters)[-1]
    assert counters.overruns == 0
    assert counters.blocks_dropped > 50
    ticks, counts = table_of(board.all(Samples))
    missing = int((np.diff(ticks) - 200).sum() // 200)
    # Every scan is sent or in a block that was counted; the last block may be one that was dropped.
    assert missing % 46 == 0
    assert 0 <= counters.blocks_dropped - missing // 46 <= 1
    k = (ticks - ticks[0])[:, None] // 200 * 4 + np.arange(4)
    np.testing.assert_array_equal(counts, k % 1024)


def test_a_reset_in_mid_stream_ends_the_run_and_the_next_one_is_whole(
    simulator: Path, firmware: Path, signals: Signals
) -> None:
    with running(
        simulator, elf_of(firmware, 500_000), 500_000, *signals.files, "--reset-at", "5", "--pace", "4"
    ) as board:
        board.find()
        board.ask(encoder.encode_start(2, 1, 5000, ALL, False), Kind.START)
        hello = board.until(lambda e: isinstance(e, Hello) and e.reset_cause is ResetCause.EXTERNAL)
        assert isinstance(hello, Hello)
        assert hello.run == 0
        before = len(board.all(Samples))
        board.ask(encoder.encode_start(3, 2, 5000, ALL, False), Kind.START)
        board.until(lambda e: isinstance(e, Samples) and e.run == 2 and e.sequence > 20)
    damaged = [e for e in board.all(Loss) if e.offset > 0]
    assert len(damaged) <= 1, "the frame that the reset cut off, at most"
    assert all(e.reason in (LossReason.NOT_COBS, LossReason.BAD_CRC, LossReason.TOO_SHORT) for e in damaged)
    after = board.all(Samples)[before:]
    assert [b.sequence for b in after if b.run == 2] == list(range(len([b for b in after if b.run == 2])))


def test_each_boot_is_counted_in_the_eeprom(simulator: Path, firmware: Path, signals: Signals) -> None:
    with running(
        simulator, elf_of(firmware, 500_000), 500_000, *signals.files, "--reset-at", "5", "--pace", "4"
    ) as board:
        first = board.find().boot_count
        board.until(lambda e: isinstance(e, Hello) and e.reset_cause is ResetCause.EXTERNAL)
    assert board.all(Hello)[-1].boot_count == first + 1


@pytest.mark.parametrize(
    ("ppm", "drift"),
    [(5000.0, 0.0), (-5000.0, 10.0)],
    ids=["fast", "slow and drifting"],
)
def test_a_wrong_crystal_is_stated_and_times_are_right_to_what_is_stated(
    simulator: Path, firmware: Path, signals: Signals, tmp_path: Path, ppm: float, drift: float
) -> None:
    """Half a per cent, as a ceramic resonator may have; both ends' true times come from the simulator, no clock is read."""
    sent = tmp_path / "sent.txt"
    wrong = ["--clock", f"{ppm}:{drift}", "--transcript", str(sent)]
    with running(simulator, elf_of(firmware, 250_000), 250_000, *signals.files, *wrong) as board:
        board.crank(2500, 12.0)

    # A host with a right clock, that reads now and then.
    path = tmp_path / "wrong.mcap"
    recorder = Recorder(path, CLOCK_SETUP, started_at=datetime(2026, 3, 1, tzinfo=UTC))
    draw, waiting, reads_at = random.Random(3), b"", 0.0
    for line in sent.read_text().splitlines():
        left_s, data = line.split()
        if float(left_s) > reads_at:
            if waiting:
                recorder.received(waiting, round(reads_at * 1e9))
            waiting, reads_at = b"", float(left_s) + draw.expovariate(1 / 0.005)
        waiting += bytes.fromhex(data)
    recorder.received(waiting, round(reads_at * 1e9))
    recorder.close()

    (warning,) = [w for w in judge_path(path).judgement.warnings if w.code == "board_clock_off"]
    stated = re.search(r"runs (\d+) ppm (fast|slow) .* interval: (\d+) ppm", warning.text)
    assert stated is not None, warning.text
    rate = int(stated[1]) * (1 if stated[2] == "fast" else -1)
    uncertainty = int(stated[3]) + 1
    assert uncertainty < 200

    recording = open_recording(path)
    blocks = [b for b in blocks_of(recording, recording.setup) if isinstance(b, EdgeBlock)]
    recorded = np.concatenate([b.times for b in blocks])
    true = signals.edges_s
    # Edges that were fed and those that were recorded pair up by the gaps between them, all different.
    shape = np.diff(recorded[:20]) / (1 + rate / 1e6)
    fits = [np.abs(np.diff(true[k : k + 20]) - shape).max() for k in range(len(true) - 20)]
    first = int(np.argmin(fits))
    assert fits[first] < 1e-5
    true = true[first : first + len(recorded)]

    # As recorded they are wrong by what the crystal is; corrected by what is stated, right to what is stated. Whoever
    # corrects by one rate keeps what a drift bends off a straight line: drift * T^2 / 8 either way of its chord.
    elapsed = true - true[0]
    assert elapsed[-1] > 11.0
    off = recorded - recorded[0] - elapsed
    crystal = (ppm + drift * true[0]) / 1e6 * elapsed + drift / 1e6 * elapsed**2 / 2
    np.testing.assert_allclose(off, crystal, atol=3 / TICKS_HZ)
    left = (recorded - recorded[0]) / (1 + rate / 1e6) - elapsed
    bent = drift / 1e6 * elapsed[-1] ** 2 / 8
    assert np.all(np.abs(left) <= 3 * uncertainty / 1e6 * elapsed + 2 * bent + 3 / TICKS_HZ)
    mean = ppm + drift * (true[0] + true[-1]) / 2
    assert abs(rate - mean) <= 3 * uncertainty + 1, (
        "it is a 95 % interval: three of it leave six standard errors"
    )
