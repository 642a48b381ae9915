"""From what unsteadiness of the cranking speed on do comparisons suffer? Where `speed_unsteady` begins rests on this.

    python tests/bench/bench_unsteady.py --seeds 4

Cranks of accuracy.py at 25 dB, as they are, sagging by 30 %, and hesitating by so much of their speed, some once a second, with
the pulses as much smaller. Each line: what the pipeline measures of the speed from cycle to cycle, in how many it says
`speed_unsteady`, in how many a verdict ever contradicted the truth or an interval excluded it, cylinders left undecided, and
cycles used.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from accuracy_cranks.judged import judge
from accuracy_cranks.recordings import ENGINES, VARIANTS, Case, record, simulate_all
from evenstroke_dsp.pipeline import Pipeline

HESITATES = (0.05, 0.1, 0.2, 0.3, 0.45)
OFF_PERCENT = (0.0, -12.0, 15.0, -4.0)


def measured(case: Case, folder: Path) -> tuple[float, int]:
    """Per cent from cycle to cycle (NaN: too few cycles), and cycles used."""
    recording, pipeline = record(case, folder), Pipeline(record(case, folder).setup)
    for block in recording.blocks:
        pipeline.push(block)
    pipeline.flush()
    unsteady = pipeline._stretches.unsteady_percent
    return np.nan if unsteady is None else unsteady, pipeline.angle_records[0].cycles


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--engine", action="append", choices=sorted(ENGINES))
    parser.add_argument("--cranks", type=Path, help="folder that keeps the noise-free cranks between runs")
    asked = parser.parse_args()
    engines = asked.engine or ["three", "four", "six", "v8"]
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.cranks or Path(temporary)
        wanted = [(e, v, False) for e in engines for v in range(VARIANTS)]
        simulate_all([w for w in wanted if not (folder / f"{w[0]}-{w[1]}-0.npz").exists()], folder)
        for change in ({}, {"sag": 0.3}, *({"hesitates": h} for h in HESITATES)):
            for engine in engines:
                wrong = excluded = said = undecided = 0
                spread, used = [], []
                for seed in range(asked.seeds):
                    order, off = ENGINES[engine].order, OFF_PERCENT[seed % len(OFF_PERCENT)]
                    odd = ((order[seed % len(order)], off),) if off else ()
                    case = replace(Case(engine, 50 + seed, 25.0, seed % VARIANTS, odd=odd), **change)
                    outcome = judge(case, folder)
                    wrong += outcome.ever_wrong()
                    excluded += outcome.ever_excluded()
                    said += "speed_unsteady" in outcome.codes
                    undecided += sum(v == "undecided" for v in outcome.verdicts.values())
                    percent, cycles = measured(case, folder)
                    spread.append(percent)
                    used.append(cycles)
                name = " ".join(f"{k} {v:.0%}" for k, v in change.items()) or "as it is"
                words = " ".join(f"{s:.1f}" for s in spread)
                sys.stdout.write(
                    f"{name:14} {engine:6} {words} %; said {said}, wrong {wrong}, excluded {excluded} of {asked.seeds}; "
                    f"undecided {undecided}; cycles {used}\n"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    main()
