"""An invented engine on the virtual rig, fed straight into the pipeline, without board or files."""

from __future__ import annotations

import functools
import importlib.util
import itertools
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.messages import (
    Balance,
    Comparison,
    Cycle,
    CylinderBalance,
    FindingMessage,
    Judgement,
    PipelineMessage,
    SourceInfo,
    WaveData,
)
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import EDGE_ROLES, Setup, parse_setup
from evenstroke_replay.rig_engine import EngineSource

SHARED_DATA = Path(__file__).parents[3] / "shared" / "data"
NO_SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)

WHEEL = """
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 2
teeth = "60-2"
edge = "falling"
first_tooth_deg = 84
"""


@dataclass(frozen=True)
class Run:
    """What came out of one recording."""

    pipeline: Pipeline
    messages: list[PipelineMessage]
    judgement: Judgement

    @property
    def cycles(self) -> list[Cycle]:
        return [m for m in self.messages if isinstance(m, Cycle)]

    @property
    def balances(self) -> list[Balance]:
        return [m for m in self.messages if isinstance(m, Balance)]

    @property
    def findings(self) -> list[FindingMessage]:
        return [m for m in self.messages if isinstance(m, FindingMessage)]

    def comparison(self, probe: str, feature: str, stretch: str = "cranking") -> Comparison:
        (found,) = (
            c
            for c in self.judgement.comparisons
            if (c.probe, c.feature, c.stretch) == (probe, feature, stretch)
        )
        return found

    def cylinders(self, probe: str, feature: str, stretch: str = "cranking") -> dict[int, CylinderBalance]:
        """By the cylinder's number, else by its position."""
        return {
            c.cylinder if c.cylinder is not None else c.position or 0: c
            for c in self.comparison(probe, feature, stretch).cylinders
        }


class Bench:
    """Makes set-ups, blocks and runs."""

    @staticmethod
    def setup(
        order: Sequence[int],
        *,
        intervals: Sequence[float] | None = None,
        sync: str = "cycle",
        wheel: bool = True,
        corner_hz: float | None = None,
        scale: str = "volts_per_unit = 1.0\nvolts_at_zero = 2.5",
        extra: str = "",
    ) -> Setup:
        """An intake probe on input 0, a spark of the first cylinder on 1 and a 60-2 wheel on 2.

        sync: "cycle", "revolution" or "" for none.
        """
        text = f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"
        if intervals is not None:
            text += f"firing_intervals_deg = {list(intervals)}\n"
        text += f'[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\n{scale}\n'
        if corner_hz is not None:
            text += f"low_corner_hz = {corner_hz}\n"
        if sync:
            text += (
                '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 1\n'
                f'cylinder = {order[0]}\nevery = "{sync}"\noffset_deg = -8\n'
            )
        return parse_setup(text + (WHEEL if wheel else "") + extra)

    @staticmethod
    def blocks(
        setup: Setup, source: EngineSource, *, seconds: float, rate_hz: float = 2000.0, scans: int = 100
    ) -> Iterator[Block]:
        """What a board would send: samples, and after them every edge input up to the same moment."""
        kept = {p.input for p in setup.probe}
        edge_inputs = [p.input for p in setup.probe if p.role in EDGE_ROLES and p.input is not None]
        analog = tuple(sorted(p.input for p in setup.probe if p.role not in EDGE_ROLES and p.input in kept))
        dt = 1.0 / rate_hz
        for first in range(0, round(seconds * rate_hz), scans):
            t0, t1 = first * dt, (first + scans) * dt
            if analog:
                times = np.tile((first + np.arange(scans)) * dt, (len(analog), 1))
                yield SampleBlock(analog, source.volts(analog, times), t0, dt)
            edges = source.edges(t0, t1)
            for number in edge_inputs:
                own = [e for e in edges if e.input == number]
                yield EdgeBlock(
                    number,
                    np.array([e.t for e in own], dtype=np.float64),
                    np.array([e.rising for e in own], dtype=np.bool_),
                    t1,
                )

    @staticmethod
    def run(setup: Setup, blocks: Iterable[Block]) -> Run:
        pipeline = Pipeline(setup)
        messages: list[PipelineMessage] = []
        for block in blocks:
            messages += pipeline.push(block)
        messages += pipeline.flush()
        return Run(pipeline, messages, pipeline.judge(NO_SOURCE))

    def crank(self, setup: Setup, source: EngineSource, *, seconds: float, **how: float) -> Run:
        return self.run(setup, self.blocks(setup, source, seconds=seconds, **how))  # type: ignore[arg-type]

    @staticmethod
    def as_bytes(messages: Iterable[PipelineMessage]) -> list[bytes]:
        """Every message as bytes, arrays included, so that streams compare exactly."""
        return [
            msgspec.json.encode(m.header) + m.samples.tobytes()
            if isinstance(m, WaveData)
            else msgspec.json.encode(m)
            for m in messages
        ]

    @staticmethod
    def recut(
        blocks: Sequence[Block], scans: Sequence[int], waits: Sequence[float], *, edges_first: bool
    ) -> list[Block]:
        """The same data cut elsewhere: samples before the given scan counts, edges before the given times.

        Blocks come in the order of the moments at which they are complete.
        """
        out: list[tuple[float, int, Block]] = []
        samples = [b for b in blocks if isinstance(b, SampleBlock)]
        taken = 0
        for block in samples:
            inner = [c - taken for c in scans if taken < c < taken + block.samples]
            for a, b in zip([0, *inner], [*inner, block.samples], strict=True):
                part = SampleBlock(
                    block.inputs, block.volts[:, a:b], block.t0 + a * block.dt, block.dt, block.skew
                )
                out.append((part.t0 + part.samples * part.dt, 1 if edges_first else 0, part))
            taken += block.samples
        for number in dict.fromkeys(b.input for b in blocks if isinstance(b, EdgeBlock)):
            own = [b for b in blocks if isinstance(b, EdgeBlock) and b.input == number]
            times = np.concatenate([b.times for b in own])
            rising = np.concatenate([b.rising for b in own])
            end = own[-1].until
            bounds = [-np.inf, *sorted(w for w in waits if w < end), end]
            for low, high in itertools.pairwise(bounds):
                inside = (times >= low) & (times < high)
                if high == end:
                    inside = times >= low
                out.append(
                    (
                        high,
                        0 if edges_first else 1,
                        EdgeBlock(number, times[inside], rising[inside], float(high)),
                    )
                )
        out += [(b.t_to, 2, b) for b in blocks if isinstance(b, Gap)]
        return [block for *_, block in sorted(out, key=lambda item: item[:2])]


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()


@pytest.fixture(scope="session")
def capture_path() -> object:
    """Finds a real capture by its name, or skips and says what stays unchecked."""

    def find(name: str) -> Path:
        path = SHARED_DATA / name
        if not path.exists():
            pytest.skip(f"the real capture {name} is not here: nothing was checked against it")
        return path

    return find


@pytest.fixture(scope="session")
def angle() -> ModuleType:
    """The benchmark of the crank angle, for its generator of simulated cranks."""
    path = Path(__file__).parents[1] / "bench" / "bench_angle.py"
    spec = importlib.util.spec_from_file_location("bench_angle", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_angle"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def trace_of(angle: ModuleType) -> Callable[..., object]:
    """A simulated crank of a kind of engine of that benchmark, by its name and a seed (0 if none), each drawn once a file."""
    return functools.cache(lambda name, seed=0: angle.trace_of(angle.ENGINES[name], seed))
