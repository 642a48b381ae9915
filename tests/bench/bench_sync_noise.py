"""How often a sync that hears noise names cylinders, how often a true one does not, and how late the first cycles come.

    python tests/bench/bench_sync_noise.py                               a few seeds of each
    python tests/bench/bench_sync_noise.py --seeds 12 --engine four --basis "sync, wheel"

Cranks are the engine physics' own (bench_angle.py); noise is events at random (a Poisson process) all through the recording,
rest included, from one to four a second. For each engine and basis:

    noise      recordings of noise alone in which any cycle was named, and in which it was named wrongly
    both       recordings with true events and one false one a second: named wrongly, refused, and how many cycles were named
    true       recordings of true events alone: cycles that count and were named, and how many cycles late the first two came
"""

from __future__ import annotations

import argparse
import functools
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import bench_angle as angle
import numpy as np
from evenstroke_dsp.blocks import SampleBlock
from evenstroke_dsp.messages import Cycle, SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from scipy import stats

RATES_HZ = (1.0, 2.0, 3.0, 4.0)
_SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


@dataclass(frozen=True)
class Heard:
    """Of one recording: cycles that count, those that were named, those named wrongly, and how late each came."""

    counted: int
    named: int
    wrong: int
    refused: bool
    late: tuple[float, ...]


@functools.cache
def trace_of(engine: str, seed: int) -> angle.CrankTrace:
    return angle.trace_of(angle.ENGINES[engine], seed)


def hear(engine: str, basis: str, seed: int, rate_hz: float, *, true: bool) -> Heard:
    trace = trace_of(engine, seed)
    setup = angle.setup_of(angle.ENGINES[engine], basis)
    blocks = angle.blocks_of(setup, trace, seed=seed)
    pipeline, cycles, late = Pipeline(setup), [], []
    for block in angle.with_false(blocks, float(trace.times_s[-1]), rate_hz, seed, true=true):
        until = block.t0 + block.samples * block.dt if isinstance(block, SampleBlock) else block.until
        came = [m for m in pipeline.push(block) if isinstance(m, Cycle)]
        cycles += came
        late += [(until - m.to_s) / (m.to_s - m.from_s) for m in came]
    cycles += [m for m in pipeline.flush() if isinstance(m, Cycle)]
    counted = [c for c in cycles if c.left_out is None and c.stretch == "cranking" and c.probes]
    named = [c for c in counted if any(p.cylinder is not None for p in c.probes[0].pulses)]
    refused = pipeline.judge(_SOURCE).refused is not None
    return Heard(len(counted), len(named), angle.wrongly_named(setup, named, trace), refused, tuple(late))


def share(met: int, total: int) -> str:
    """With its 95 % interval (C. Clopper and E. Pearson, Biometrika 26, 1934, 404)."""
    low = stats.beta.ppf(0.025, met, total - met + 1) if met else 0.0
    high = stats.beta.ppf(0.975, met + 1, total - met) if met < total else 1.0
    return f"{met}/{total} ({low:.1%} to {high:.1%})"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--engine", choices=angle.ENGINES, action="append")
    parser.add_argument("--basis", choices=angle.BASES, action="append")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    bases = asked.basis or ["sync", "sync, current", "sync, wheel"]
    seeds = range(asked.first, asked.first + asked.seeds)
    jobs = {
        (engine, basis, kind): [(engine, basis, seed, rate) for seed in seeds for rate in rates]
        for engine in asked.engine or ["four", "three", "six", "twin 270/450"]
        for basis in bases
        for kind, rates in (("noise", RATES_HZ), ("both", (1.0,)), ("true", (0.0,)))
    }
    with ProcessPoolExecutor(asked.jobs) as pool:
        running = {
            key: [pool.submit(hear, *one, true=key[2] != "noise") for one in ones]
            for key, ones in jobs.items()
        }
        for (engine, basis, kind), ones in running.items():
            heard = [one.result() for one in ones]
            named = sum(h.named for h in heard)
            words = f"{engine:14} {basis:15} {kind:6}"
            wrong = f"wrongly in {share(sum(h.wrong > 0 for h in heard), len(heard))}"
            if kind == "noise":
                words += f" named in {share(sum(h.named > 0 for h in heard), len(heard))}, {wrong}"
            else:
                words += f" {named} of {sum(h.counted for h in heard)} cycles named, {wrong}"
                words += f", refused {sum(h.refused for h in heard)}"
            if kind == "true":
                first = [h.late[:2] for h in heard if len(h.late) >= 2]
                if first:
                    words += (
                        f"; the first cycle came {np.median([a for a, _ in first]):.2f} cycles late "
                        f"(at most {max(a for a, _ in first):.2f}), the second {np.median([b for _, b in first]):.2f} "
                        f"({max(b for _, b in first):.2f})"
                    )
            sys.stdout.write(words + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
