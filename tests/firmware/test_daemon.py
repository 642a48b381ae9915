"""The real daemon on the real firmware in a simulated ATmega328P: it says of a crank what it says of the virtual rig's.

The board's pins are fed from the rig's source, so that both boards hear one and the same engine. Nothing depends on how
fast either process gets on: a full pty holds the simulated clock up, and the end is waited for, not timed.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("serial")
pytest.importorskip("termios", reason="the simulated board needs a pty: the daemon was not run on it here")

from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.messages import Judgement
from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol import encoder
from evenstroke_replay.judging import judge_path
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import open_recording
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

ROWS_HZ = 20_000
CRANK = Cranking(rest_s=1.0, crank_s=9.0, noise_db=40.0, cycle_percent=0.5, seed=4)
OVER_S = 11.5
GIVE_UP_S = 300.0
ANALOG = (0, 1, 2, 3)

SETUP = """
schema = 1
title = "Simulated board"
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
[conditions]
mode = "cranking"
fuel = "disabled"
ignition = "on"
[acquisition]
rate_hz = {rate}
baud = {baud}
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
low_corner_hz = 2.0
volts_per_unit = 0.25
volts_at_zero = 2.5
[[probe]]
name = "tailpipe"
role = "exhaust_pulse"
input = 1
low_corner_hz = 2.0
volts_per_unit = 2.0
volts_at_zero = 2.5
[[probe]]
name = "starter"
role = "starter_current"
input = 2
volts_per_unit = 0.006
volts_at_zero = 0.5
[[probe]]
name = "battery"
role = "battery_voltage"
input = 3
volts_per_unit = 0.25
[[probe]]
name = "spark"
role = "ignition_sync"
input = 4
cylinder = 1
every = "cycle"
offset_deg = -8
"""


def pins(source: EngineSource, folder: Path) -> list[str]:
    """The source as files for the simulated board's pins."""
    times = np.arange(0.0, OVER_S, 1 / ROWS_HZ)
    source.volts(ANALOG, np.tile(times, (4, 1))).T.astype("<f4").tofile(folder / "volts.f32")
    edges = source.edges(0.0, OVER_S)
    (folder / "levels.txt").write_text("".join(f"{e.t:.9f} {int(e.rising)}\n" for e in edges))
    volts, levels = str(folder / "volts.f32"), str(folder / "levels.txt")
    return ["--volts", volts, "--volts-rate", str(ROWS_HZ), "--levels", levels, "--play-from", "start"]


def recorded_by_the_daemon(board: list[str], folder: Path, setup: Path) -> tuple[Path, int]:
    """`evenstroke listen` on the simulated board until what is played is over; its recording and exit code."""
    said = folder / "listen.txt"
    simulated = subprocess.Popen(board, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    listen = None
    try:
        assert simulated.stdout is not None and simulated.stderr is not None
        port = simulated.stdout.readline().strip()
        with said.open("w") as words:
            listen = subprocess.Popen(
                [
                    *(sys.executable, "-m", "evenstroke_daemon", "listen", "--port", port),
                    *("--setup", str(setup), "--record", str(folder / "recordings")),
                    *("--publish", "none", "--quick", "--quiet"),
                ],
                stdout=subprocess.PIPE,
                stderr=words,
                text=True,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )
            heard = b""
            while b"played\n" not in heard:
                ready, _, _ = select.select([simulated.stderr], [], [], 1.0)
                if ready:
                    part = os.read(simulated.stderr.fileno(), 4096)
                    assert part, f"the simulator ended: {heard!r}"
                    heard += part
                assert listen.poll() is None, said.read_text()
            listen.send_signal(signal.SIGTERM)
            out, _ = listen.communicate(timeout=GIVE_UP_S)
        assert out.strip(), said.read_text()
        return Path(out.strip().splitlines()[-1]), listen.returncode
    finally:
        for process in (listen, simulated):
            if process is not None and process.poll() is None:
                process.kill()
                process.communicate()


def recorded_from_the_rig(source: EngineSource, path: Path, text: str, rate: int, baud: int) -> Path:
    """The same source on the virtual rig's board, with a converter like the real one's."""
    board = VirtualBoard(source, BoardOptions(adc_bits=10, baud=baud))
    recorder = Recorder(path, text, started_at=datetime(2026, 3, 1, tzinfo=UTC))
    board.receive(encoder.encode_identify(1) + encoder.encode_start(2, 1, rate, (*ANALOG, 4), False))
    for k in range(1, round(OVER_S * 100) + 1):
        if data := board.advance(k / 100):
            recorder.received(data, k * 10_000_000)
    recorder.close()
    return path


def verdicts(judgement: Judgement) -> dict[tuple[str, str, int | None], str | None]:
    return {
        (c.probe, c.feature, one.cylinder): one.verdict for c in judgement.comparisons for one in c.cylinders
    }


def deviations(judgement: Judgement) -> dict[str, np.ndarray]:
    """By feature, in the order of comparisons and cylinders."""
    found: dict[str, list[float]] = {}
    for c in judgement.comparisons:
        for one in c.cylinders:
            if one.verdict is not None:
                found.setdefault(c.feature, []).append(one.deviation if one.deviation is not None else np.nan)
    return {feature: np.array(values) for feature, values in found.items()}


@pytest.mark.parametrize(("rate", "baud"), [(2500, 250_000), (10_000, 1_000_000)])
def test_a_crank_on_the_simulated_board_is_judged_as_the_same_crank_on_the_rig(
    simulator: Path, firmware: Path, tmp_path: Path, rate: int, baud: int
) -> None:
    text = SETUP.format(rate=rate, baud=baud)
    setup = parse_setup(text)
    (tmp_path / "engine.toml").write_text(text)
    source = EngineSource(setup, CRANK, (Alteration("intake", 3, -20.0), Alteration("tailpipe", 4, -20.0)))
    elf = firmware / f"evenstroke-atmega328p-{baud}.elf"
    board = [str(simulator), str(elf), *pins(source, tmp_path), "--played", str(OVER_S)]
    path, code = recorded_by_the_daemon(board, tmp_path, tmp_path / "engine.toml")
    assert code == 0, (tmp_path / "listen.txt").read_text()

    # What is in the file is what was at the pins.
    blocks = list(blocks_of(open_recording(path), setup))
    assert not [b for b in blocks if isinstance(b, Gap)]
    # A board's time is that at which it held the first voltage, two ADC clocks behind the trigger that began to play.
    held_s = 2 * {2500: 64, 10_000: 16}[rate] / 16e6
    samples = [b for b in blocks if isinstance(b, SampleBlock) and b.t0 + b.samples * b.dt < OVER_S]
    assert sum(b.samples for b in samples) > 0.99 * OVER_S * rate
    for block in samples[::40]:
        scans = block.t0 + held_s + block.dt * np.arange(block.samples)
        volts = source.volts(ANALOG, scans + block.skew * np.arange(4)[:, None])
        counts = np.clip(np.floor(volts * 1024 / 5), 0, 1023)
        np.testing.assert_allclose(block.volts * 1024 / 5, counts, atol=1.01)

    judged = judge_path(path).judgement
    from_rig = recorded_from_the_rig(source, tmp_path / "rig.mcap", text, rate, baud)
    of_rig = judge_path(from_rig).judgement
    assert judged.refused is None
    said = verdicts(judged)
    # The sound cylinders lie by +5.3 % of a mean that the altered one draws down, next to the margin of 5 %.
    by_rig = verdicts(of_rig)
    assert said.keys() == by_rig.keys()
    assert all(word == by_rig[key] or "undecided" in (word, by_rig[key]) for key, word in said.items())
    assert said["intake", "drop", 3] == "smaller" and said["tailpipe", "rise", 4] == "smaller"
    # Ten bits, ticks, and when the board begins to play are all that lies between the two. They move the angle that the
    # current tells, and with it what is taken for a compression's load (by up to 0.6 points in seven runs) and for the
    # dip at exhaust opening, a few counts deep here (by up to 1.3).
    ours, theirs = deviations(judged), deviations(of_rig)
    assert ours.keys() == theirs.keys()
    for feature, values in ours.items():
        np.testing.assert_allclose(
            values, theirs[feature], rtol=0, atol=0.5 if feature in ("drop", "rise") else 2.0
        )
    assert [c.cycles for c in judged.cranked] == [c.cycles for c in of_rig.cranked]


def test_the_counting_test_after_flashing_finds_the_board_and_loses_nothing(
    simulator: Path, firmware: Path
) -> None:
    board = [str(simulator), str(firmware / "evenstroke-atmega328p-500000.elf")]
    with subprocess.Popen(board, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as simulated:
        assert simulated.stdout is not None
        try:
            port = simulated.stdout.readline().strip()
            said = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "evenstroke_daemon",
                    "ports",
                    port,
                    "--baud",
                    "500000",
                    "--count",
                    "5000",
                ],
                capture_output=True,
                text=True,
                timeout=GIVE_UP_S,
                check=False,
            )
        finally:
            simulated.kill()
    assert said.returncode == 0, said.stdout + said.stderr
    assert "evenstroke ATmega328P" in said.stdout
    assert "at 5000 Hz: " in said.stdout and "none lost, none wrong" in said.stdout
