"""What the firmware costs an ATmega328P, and what it sustains: measured in the simulated microcontroller.

    python tests/bench/bench_firmware.py [--minutes 1] [--seconds 5]

Prints cycles of the core's parts, how much of the processor idles at each rate and speed of the line, the largest rate
that each line sustains beside what it could carry, and simulated minutes at the rated speeds (--minutes for each; 0 leaves
that out). Every run has four inputs and some 380 level changes a second on D8, as a tooth wheel gives while cranking.
Everything is counted in simulated cycles: how busy this computer is alters nothing. Nothing here passes or fails.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import serial
from evenstroke_protocol import encoder
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NEED_DATA, Ack, AckStatus, Counters, Edges, Loss, Samples
from evenstroke_protocol.wire import Kind

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"
CPU_HZ = 16_000_000
RATED = {250_000: (2500,), 500_000: (2500, 5000), 1_000_000: (2500, 5000, 10_000)}
# A slot, a quarter of a scan, is a whole number of ticks of 0.5 us and at least one conversion of 27.
RATES = (3125, 4000, 5000, 6250, 10_000, 12_500, 15_625)
EDGES_A_SECOND = 380
BLOCK_SCANS = 46
BYTES_A_SCAN = 256 / BLOCK_SCANS
COSTS_BYTES = 250  # of atmega328p/costs.c
ROOM = 2 * (11 + 4 + 2) * 10 + 5 * EDGES_A_SECOND + 26
"""Bytes a second beside samples, as SPEC.md, "Is the line fast enough?", counts them."""


@dataclass(frozen=True, slots=True)
class Run:
    """Simulated seconds of sampling, what was lost in them, and how often the firmware had nothing to do."""

    seconds: float
    scans: int
    edges: int
    lost: int
    visits: int

    @property
    def whole(self) -> bool:
        return self.lost == 0


def make(folder: Path, *targets: str, more: str = "") -> None:
    command = ["make", "-s", "-C", str(FIRMWARE), f"BUILD={folder}", f"MORE={more}", *targets]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def simulate(board: Path, elf: Path, *options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [str(board), str(elf), *map(str, options)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def told(said: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(re.findall(r"^\{.*\}$", said, re.MULTILINE)[-1])
    return found


def address_of(elf: Path, name: str) -> str:
    listing = subprocess.run(["avr-nm", str(elf)], check=True, capture_output=True, text=True).stdout
    (found,) = re.findall(rf"^([0-9a-f]+) . {name}$", listing, re.MULTILINE)
    return "0x" + str(found)


def levels(folder: Path, seconds: float) -> Path:
    """Level changes at uneven gaps, for a run of that length."""
    gaps = np.random.default_rng(5).uniform(0.6, 1.4, round(seconds * EDGES_A_SECOND)) / EDGES_A_SECOND
    path = folder / "levels.txt"
    path.write_text("".join(f"{t:.9f} {k % 2 ^ 1}\n" for k, t in enumerate(np.cumsum(gaps))))
    return path


def run(board: Path, elf: Path, baud: int, rate: int, seconds: float, folder: Path) -> Run | None:
    """Sample four inputs and D8 until the simulator's time is over; None where the board refuses the start."""
    process = simulate(
        board, elf, "--play-from", "start", "--levels", levels(folder, seconds + 2), "--seconds", seconds,
        "--rest", address_of(elf, "rest"),
    )  # fmt: skip
    assert process.stdout is not None
    decoder, counters, lost, scans, edges = FrameDecoder(), None, 0, 0, 0
    expected: int | None = None
    refused = False
    with serial.Serial(process.stdout.readline().strip(), baud, timeout=0.2) as line:
        found = False
        while True:
            if not found:  # it may still be in its reset
                line.write(b"\0" + encoder.encode_identify(1))
            try:
                data = line.read(4096)
            except serial.SerialException:
                data = b""  # the simulator has ended
            if not data and process.poll() is not None:
                break
            decoder.receive(data)
            while (event := decoder.next_event()) is not NEED_DATA:
                match event:
                    case Ack(command=Kind.IDENTIFY) if not found:
                        found = True
                        line.write(encoder.encode_start(2, 1, rate, (0, 1, 2, 3, 4), False))
                    case Ack(command=Kind.START, status=status):
                        refused = status is not AckStatus.DONE
                        if refused:
                            process.terminate()
                    case Samples():
                        if expected is not None and event.tick != expected:
                            lost += 1
                        expected = (event.tick + len(event.counts) * event.scan_ticks) % 2**32
                        scans += len(event.counts)
                    case Edges():
                        edges += len(event.edges)
                    case Counters():
                        counters = event
                    case Loss(offset=offset) if offset > 0:
                        lost += 1
    ended = told(process.communicate()[1])
    if refused:
        return None
    if counters is not None:
        lost += counters.overruns + counters.blocks_dropped + counters.edges_missed
    played = ended["played_s"]
    visits = ended["rest_visits"]
    assert isinstance(played, float) and isinstance(visits, int)
    if scans < 0.9 * played * rate:
        lost += 1  # the run never got going, whatever the counters say
    return Run(played, scans, edges, lost, visits)


def costs(board: Path, folder: Path) -> None:
    make(folder, "costs")
    marks = told(simulate(board, folder / "costs.elf", "--seconds", 1).communicate()[1])["marks"]
    assert isinstance(marks, list)
    nothing, loop, crc16, crc32, _, pack, _, seal = np.diff(marks).tolist()
    loop -= nothing
    print("cycles, without what sending and interrupts cost:")
    print(f"  CRC-16, a byte                       {(crc16 - nothing - loop) / COSTS_BYTES:8.1f}")
    print(f"  CRC-32, a byte                       {(crc32 - nothing - loop) / COSTS_BYTES:8.1f}")
    print(f"  packing, a scan of four inputs       {(pack - nothing) / BLOCK_SCANS:8.1f}")
    print(f"  CRC-32 and COBS, a block of {COSTS_BYTES} bytes {seal - nothing:8d}")


def idle(board: Path, folder: Path, seconds: float) -> None:
    elf = folder / "evenstroke-atmega328p-1000000.elf"
    quiet = told(
        simulate(board, elf, "--seconds", 2, "--rest", address_of(elf, "rest")).communicate(timeout=120)[1]
    )
    visits = quiet["rest_visits"]
    assert isinstance(visits, int)
    whole = visits / 2.0
    print(f"\nidle: visits to where nothing is to be done, of the {whole:.0f} a second without a run")
    print(f"{'baud':>10} {'rate':>8} {'idle':>8} {'cycles a block of 46 scans':>28} {'lost':>6}")
    for baud, rates in RATED.items():
        for rate in rates:
            one = run(board, folder / f"evenstroke-atmega328p-{baud}.elf", baud, rate, seconds, folder)
            assert one is not None
            free = one.visits / one.seconds / whole
            print(
                f"{baud:>10} {rate:>8} {100 * free:>7.1f}% {(1 - free) * CPU_HZ * BLOCK_SCANS / rate:>28.0f} {one.lost:>6}",
                flush=True,
            )


def sustained(board: Path, folder: Path, seconds: float) -> None:
    """With any of RATES, and without the refusal of what fills the line too far."""
    variants = folder / "variants"
    flags = f"-DRATES_HZ={','.join(map(str, RATES))} -DLINE_PERCENT=1000"
    make(variants, *(str(variants / f"evenstroke-atmega328p-{baud}.elf") for baud in RATED), more=flags)
    print(f"\nlargest of {', '.join(map(str, RATES))} Hz without a loss in {seconds:g} simulated seconds")
    print(
        f"{'baud':>10} {'sustained':>10} {'next':>8} {'the line carries':>18} {'firmware accepts below':>24}"
    )
    for baud in RATED:
        best, next_ = 0, 0
        for rate in RATES:
            one = run(board, variants / f"evenstroke-atmega328p-{baud}.elf", baud, rate, seconds, variants)
            if one is None or not one.whole:
                next_ = rate
                break
            best = rate
        carries = (baud / 10 - ROOM) / BYTES_A_SCAN
        accepts = (0.9 * baud / 10 - 2400) / BYTES_A_SCAN
        print(f"{baud:>10} {best:>10} {next_ or '-':>8} {carries:>15.0f} Hz {accepts:>21.0f} Hz", flush=True)


def minutes(board: Path, folder: Path, how_many: float) -> None:
    print(f"\n{how_many:g} simulated minutes at each line's highest rate")
    for baud, rates in RATED.items():
        one = run(board, folder / f"evenstroke-atmega328p-{baud}.elf", baud, rates[-1], 60 * how_many, folder)
        assert one is not None
        print(
            f"{baud:>10} {rates[-1]:>8} Hz: {one.seconds / 60:.2f} min, {one.scans} scans, {one.edges} level changes, "
            f"{one.lost} lost",
            flush=True,
        )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seconds", type=float, default=5.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            make(folder, "simulated", "all")
        except (subprocess.CalledProcessError, FileNotFoundError):
            print("not measured: this needs make, gcc, gcc-avr, avr-libc, libsimavr-dev and libelf-dev")
            return 0
        board = folder / "board"
        costs(board, folder)
        idle(board, folder, given.seconds)
        sustained(board, folder, given.seconds)
        if given.minutes > 0:
            minutes(board, folder, given.minutes)
    return 0


if __name__ == "__main__":
    sys.exit(main())
