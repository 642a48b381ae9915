"""What HARDWARE.md's filters do to a judgement: nothing but a delay, also at the lowest rate.

A simulated engine is heard once straight and once through the circuits' responses, worked out from the table's values, and
both are sampled as the board does, in counts, one input after the other.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.messages import Judgement, SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_replay.rig_physics import PhysicsSource, crank, parse_engine_fault
from scipy import signal

HARDWARE = Path(__file__).parents[2] / "firmware_protocol" / "HARDWARE.md"
GRID_HZ = 20_000
RATE_HZ = 2500
BLOCK = 100
ANALOG = (0, 1, 2, 3)
REST_S, CRANK_S, END_S = 1.0, 9.0, 11.0
NO_SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def figures() -> ModuleType:
    path = HARDWARE.parent / "hardware" / "figures.py"
    spec = importlib.util.spec_from_file_location("figures", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["figures"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def setup() -> Setup:
    """The set-up that HARDWARE.md shows, with an engine, and scales for the pulses."""
    (shown,) = re.findall(r"```toml\n(.*?)```", HARDWARE.read_text(encoding="utf-8"), re.DOTALL)
    scaled = re.sub(
        r"(low_corner_hz = .*\n)", r"\1volts_per_unit = VOLTS_PER_KPA\nvolts_at_zero = 2.5\n", shown
    )
    for volts in ("0.25", "4.0"):  # a depression of some kPa; pulses of some hundredths
        scaled = scaled.replace("VOLTS_PER_KPA", volts, 1)
    # An angle that is known: else a pulse between two places is left open, or not, by a filter's fraction of a millisecond.
    scaled, syncs = re.subn(r'(role = "\w+_sync".*\n)', r"\1offset_deg = -10\n", scaled)
    assert syncs == 1
    engine = "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\ndisplacement_cc = 2000\n"
    return parse_setup(engine + scaled)


@pytest.fixture(scope="module")
def source(setup: Setup) -> PhysicsSource:
    fault = parse_engine_fault("worn_lobe:3:0.7")
    trace = crank(setup, seed=4, rest_s=REST_S, crank_s=CRANK_S, faults=(fault,))
    heard = PhysicsSource(setup, trace, rest_s=REST_S, release_s=REST_S + CRANK_S, noise_db=40, seed=4)
    heard.prepare()
    return heard


def through_the_circuits(volts: np.ndarray) -> np.ndarray:
    """Each input through its filter; poles by the bilinear transform at 20 kHz, far above all corners."""
    value = {name: v.nominal for name, v in figures().values_in(HARDWARE.read_text("utf-8")).items()}

    def sections(r1: str, c1: str, r2: str, c2: str) -> tuple[np.ndarray, np.ndarray]:
        a, b, c, d = (value[name] for name in (r1, c1, r2, c2))
        return signal.bilinear([1], [a * b * c * d, a * b + a * d + c * d, 1], GRID_HZ)

    divider = value["R10"] * value["R11"] / (value["R10"] + value["R11"])
    pulse = sections("R3", "C2", "R4", "C3")
    filters = [pulse, pulse, sections("R15", "C9", "R16", "C10")]
    filters.append(signal.bilinear([1], [divider * value["C7"], 1], GRID_HZ))
    return np.stack(
        [signal.lfilter(b, a, row - row[0]) + row[0] for (b, a), row in zip(filters, volts, strict=True)]
    )


def judged(setup: Setup, source: PhysicsSource, volts: np.ndarray) -> Judgement:
    pipeline = Pipeline(setup)
    apart = GRID_HZ // RATE_HZ
    for first in range(0, round(END_S * RATE_HZ) - BLOCK, BLOCK):
        rows = (first + np.arange(BLOCK)) * apart
        counts = [np.clip(np.floor(volts[j, rows + j * apart // 4] * 1024 / 5), 0, 1023) for j in ANALOG]
        dt = 1 / RATE_HZ
        pipeline.push(SampleBlock(ANALOG, np.stack(counts) * 5 / 1024, first * dt, dt, dt / 4))
        edges = source.edges(first * dt, (first + BLOCK) * dt)
        times, rising = np.array([e.t for e in edges]), np.array([e.rising for e in edges], bool)
        pipeline.push(EdgeBlock(4, times, rising, (first + BLOCK) * dt))
    pipeline.flush()
    return pipeline.judge(NO_SOURCE)


def test_the_filters_leave_every_verdict_and_deviation_where_it_was(
    setup: Setup, source: PhysicsSource
) -> None:
    volts = source.volts(ANALOG, np.tile(np.arange(0, END_S, 1 / GRID_HZ), (4, 1)))
    assert volts.min() > 0 and volts.max() < 5, "nothing is clipped"
    straight = judged(setup, source, volts)
    filtered = judged(setup, source, through_the_circuits(volts))
    pairs = [
        (a, b, one, other)
        for a, b in zip(straight.comparisons, filtered.comparisons, strict=True)
        for one, other in zip(a.cylinders, b.cylinders, strict=True)
        if one.verdict is not None
    ]
    assert len(pairs) >= 16
    said = [(one.verdict, other.verdict) for _, _, one, other in pairs]
    assert all(one == other or "undecided" in (one, other) for one, other in said)
    assert said.count(("smaller", "smaller")) >= 2 and said.count(("even", "even")) >= 2
    for a, _, one, other in pairs:
        assert one.deviation is not None and other.deviation is not None and one.high is not None
        width = one.high - one.low if one.low is not None else 0.0
        assert abs(one.deviation - other.deviation) < max(0.5, width / 4), (a.probe, a.feature, one.cylinder)
