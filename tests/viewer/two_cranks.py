"""Two recordings of an invented four, made by the recorder as a board would fill them: a hose in 3, and without it."""

from __future__ import annotations

import functools
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.importing import import_capture
from evenstroke_replay.judging import JudgedFile
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from evenstroke_viewer.two_recordings import Laid, lay
from scenarios import ORDERS, RATE_HZ, Scene, blocks, plain_setup, plain_text

HOSE = '[[fitted]]\nwhat = "compression hose"\ncylinder = 3\nadded_volume_cc = 12.0\n'


def scene(percent: float, extra: str = "", *, seed: int = 7, sync: bool = True) -> Scene:
    """A crank whose intake pulse of cylinder 2 is altered so much."""
    setup = parse_setup(plain_text(ORDERS[4], sync=sync) + extra)
    cranking = Cranking(
        rest_s=0.8, crank_s=6.0, noise_db=34.0, uneven_percent=0.8, cycle_percent=1.0, seed=seed
    )
    return Scene(setup, cranking, (Alteration("intake", 2, percent),), until_s=8.0)


def judged(of: Scene, name: str = "crank.mcap") -> JudgedFile:
    """As `judge_path` gives it, without a file."""
    source = EngineSource(of.setup, of.cranking, of.alterations)
    pipeline = Pipeline(of.setup)
    messages = []
    for block in blocks(of, source):
        messages += pipeline.push(block)
    messages += pipeline.flush()
    judgement = pipeline.judge(SourceInfo(file=name, sha256=None, duration_s=of.until_s, lost_samples=0))
    return JudgedFile(judgement, tuple(messages), of.setup, None)


@functools.cache
def with_hose() -> JudgedFile:
    return judged(scene(-14.0, HOSE), "with-hose.mcap")


@functools.cache
def without_hose() -> JudgedFile:
    return judged(scene(0.0, seed=7), "without.mcap")


@functools.cache
def unnamed() -> JudgedFile:
    return judged(scene(0.0, sync=False), "unnamed.mcap")


@functools.cache
def hose_and_none() -> Laid:
    return lay(with_hose(), without_hose())


def write_recording(of: Scene, folder: Path, name: str) -> Path:
    """The same crank as a recording: what a logger would have written as CSV, imported."""
    text = (
        f"schema = 1\n[engine]\ncylinders = 4\nfiring_order = {list(ORDERS[4])}\n"
        '[[probe]]\nname = "intake"\nrole = "intake_pulse"\nvolts_per_unit = 0.5\nvolts_at_zero = 2.5\n'
        '[[probe]]\nname = "starter"\nrole = "starter_current"\nvolts_per_unit = 0.006\nvolts_at_zero = 0.5\n'
        '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\nevery = "cycle"\noffset_deg = -8\n'
    )
    source = EngineSource(of.setup, of.cranking, of.alterations)
    times = np.arange(round(of.until_s * RATE_HZ)) / RATE_HZ
    volts = source.volts((0, 1), np.tile(times, (2, 1)))
    spark = np.zeros(times.size)
    for edge in source.edges(0.0, of.until_s):
        if edge.input == 2 and edge.rising:
            first = round(edge.t * RATE_HZ)
            spark[first : first + 4] = 5.0
    csv = folder / f"{name}.csv"
    rows = np.column_stack([times, *volts, spark])
    np.savetxt(csv, rows, delimiter=",", fmt="%.6g", header="time_s,intake,starter,spark", comments="")
    out = folder / f"{name}.mcap"
    import_capture(csv, text, out, started_at=datetime(2026, 2, 3, tzinfo=UTC))
    return out


@functools.cache
def twelve() -> Laid:
    setup = plain_setup(ORDERS[12])
    cranks = [
        Scene(setup, Cranking(rest_s=0.8, crank_s=6.0, noise_db=34.0, seed=seed), changes, until_s=8.0)
        for seed, changes in ((7, (Alteration("intake", 8, -30.0),)), (9, ()))
    ]
    return lay(
        *(
            judged(crank, f"2026-02-03T0915{k}0-twelve-cylinders-on-the-bench.mcap")
            for k, crank in enumerate(cranks)
        )
    )
