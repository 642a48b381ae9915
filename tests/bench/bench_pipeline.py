"""What the pipeline costs, against the floor of its bare filters on the same blocks in the same run.

    python tests/bench/bench_pipeline.py

The floor is scipy.signal.sosfilt forward and backward, second order each, one call a block over all
channels: what no tool that conditions without delay can be below. Trust the ratio, not the seconds.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable

import numpy as np
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.conditioning import butterworth_sections
from evenstroke_dsp.messages import Cycle
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import EDGE_ROLES, Setup, parse_setup
from evenstroke_replay.rig_engine import Cranking, EngineSource
from scipy import signal

SECONDS = 9.0
BLOCK_S = 0.02
ROLES = (
    ("intake", 'role = "intake_pulse"'),
    ("exhaust", 'role = "exhaust_pulse"'),
    ("starter", 'role = "starter_current"'),
    ("battery", 'role = "battery_voltage"'),
    ("crankcase", 'role = "crankcase_pulse"'),
    ("manifold", 'role = "manifold_pressure"'),
    ("p5", 'role = "cylinder_pressure"\ncylinder = 5'),
    ("intake 2", 'role = "intake_pulse"'),
)


def setup_of(channels: int) -> Setup:
    text = "schema = 1\n[engine]\ncylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\n"
    for number, (name, role) in enumerate(ROLES[:channels]):
        text += f'[[probe]]\nname = "{name}"\n{role}\ninput = {number}\n'
    text += f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = {channels}\ncylinder = 1\noffset_deg = -8\n'
    text += f'[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = {channels + 1}\nteeth = "60-2"\n'
    return parse_setup(text)


def blocks_of(setup: Setup, channels: int, rate_hz: float) -> list[Block]:
    source = EngineSource(setup, Cranking(rest_s=0.5, crank_s=SECONDS - 1.0, noise_db=40.0))
    inputs = tuple(range(channels))
    scans = round(BLOCK_S * rate_hz)
    blocks: list[Block] = []
    for first in range(0, round(SECONDS * rate_hz), scans):
        times = np.tile((first + np.arange(scans)) / rate_hz, (channels, 1))
        blocks.append(SampleBlock(inputs, source.volts(inputs, times), first / rate_hz, 1 / rate_hz))
        until = (first + scans) / rate_hz
        edges = source.edges(first / rate_hz, until)
        for probe in setup.probe:
            if probe.role in EDGE_ROLES and probe.input is not None:
                own = [e for e in edges if e.input == probe.input]
                t, up = np.array([e.t for e in own]), np.array([e.rising for e in own], dtype=np.bool_)
                blocks.append(EdgeBlock(probe.input, t, up, until))
    return blocks


def whole_pipeline(setup: Setup, blocks: list[Block]) -> int:
    pipeline = Pipeline(setup)
    messages = [m for b in blocks for m in pipeline.push(b)] + pipeline.flush()
    return sum(isinstance(m, Cycle) for m in messages)


def bare_filters(blocks: list[Block], rate_hz: float) -> float:
    sections = butterworth_sections(50.0, rate_hz)
    state = None
    last = 0.0
    for block in blocks:
        if not isinstance(block, SampleBlock):
            continue
        if state is None:
            state = np.zeros((sections.shape[0], block.volts.shape[0], 2))
        forward, state = signal.sosfilt(sections, block.volts, axis=1, zi=state)
        backward = signal.sosfilt(sections, forward[:, ::-1], axis=1)
        last = float(backward[0, -1])
    return last


def best_of(times: int, work: Callable[[], object]) -> float:
    """Least processor time of a few runs, seconds: other processes only ever add to it."""
    least = math.inf
    for _ in range(times):
        begun = time.process_time()
        work()
        least = min(least, time.process_time() - begun)
    return least


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def main() -> None:
    say(
        f"{SECONDS:.0f} s of cranking in blocks of {BLOCK_S * 1000:.0f} ms; processor time, least of two runs"
    )
    say(
        f"{'channels':>8} {'rate kS/s':>9} {'pipeline ns':>12} {'filters ns':>11} {'ratio':>6} {'of a core':>9}"
    )
    for channels, rate_hz in ((4, 10_000.0), (8, 50_000.0)):
        setup = setup_of(channels)
        blocks = blocks_of(setup, channels, rate_hz)
        cycles = whole_pipeline(setup, blocks)
        if cycles < 10:
            raise SystemExit(f"only {cycles} cycles were measured: this is no bench of the whole pipeline")
        pipeline_s = best_of(2, lambda s=setup, b=blocks: whole_pipeline(s, b))
        floor_s = best_of(2, lambda b=blocks, r=rate_hz: bare_filters(b, r))
        samples = channels * rate_hz * SECONDS
        say(
            f"{channels:>8} {rate_hz / 1000:>9.0f} {pipeline_s / samples * 1e9:>12.1f} "
            f"{floor_s / samples * 1e9:>11.1f} {pipeline_s / floor_s:>6.1f} {pipeline_s / SECONDS:>9.1%}"
        )


if __name__ == "__main__":
    main()
