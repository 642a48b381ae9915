"""How unlike healthy pulses are where a probe hears them at uneven intervals: where `normal.py` has it from.

    python tests/bench/uneven_spread.py [--engines 12]

Cranks healthy simulated engines of each kind, with production scatter, and prints of each feature the 99th percentile
and the largest of the cylinders' deviations from their mean, as the judgement states them.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from evenstroke_dsp.physics import CrankScenario, PhysicsError, parameters_for, scattered, simulate
from evenstroke_dsp.setup import parse_setup
from valve_truth import Corners, play, setup_text

BANK = "travel_m=0.5\nsees="
BOTH = {"intake": "travel_m=0.4", "exhaust": "travel_m=2.5"}
STARTER = '[[probe]]\nname="starter"\nrole="starter_current"\nvolts_per_unit=1.0\n'
V6_90 = "firing_intervals_deg=[150, 90, 150, 90, 150, 90]"
KINDS: dict[str, tuple[list[int], str, dict[str, str]]] = {
    "V8, a bank's pipe": ([1, 8, 4, 3, 6, 5, 7, 2], "", {"exhaust": BANK + "[1,3,5,7]"}),
    "V8, a bank's plenum": ([1, 8, 4, 3, 6, 5, 7, 2], "", {"intake": BANK + "[1,3,5,7]"}),
    "twin 270/450": ([1, 2], "firing_intervals_deg=[270, 450]", BOTH),
    "twin 315/405": ([1, 2], "firing_intervals_deg=[315, 405]", BOTH),
    "V6 150/90": ([1, 2, 3, 4, 5, 6], V6_90, BOTH),
}


def deviations(kind: str, seed: int) -> list[tuple[str, float]]:
    """(feature, deviation in per cent) of every cylinder whose probe hears pulses unevenly."""
    order, engine, said = KINDS[kind]
    setup = parse_setup(setup_text(len(order), order=order, engine=engine, said=said, extra=STARTER))
    rng = np.random.default_rng(seed)
    drawn = scattered(parameters_for(setup, rng), rng)
    try:
        trace = simulate(drawn, CrankScenario(rest_s=0.3, crank_s=6.0, coast_s=0.2, output_hz=2000.0))
    except PhysicsError:
        return []
    travel = {p.name: p.travel_m or 0.0 for p in setup.probe}
    _, judgement = play(setup, drawn, trace, Corners({}, travel, 40.0), rng)
    return [
        (comparison.feature, cylinder.deviation)
        for comparison in judgement.comparisons
        if "uneven_spacing" in comparison.because and comparison.unit == "percent"
        for cylinder in comparison.cylinders
        if cylinder.deviation is not None and cylinder.verdict is not None
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=12)
    asked = parser.parse_args()
    parse_setup(setup_text(4))  # see valve_truth.main
    for kind in KINDS:
        found: dict[str, list[float]] = defaultdict(list)
        with ThreadPoolExecutor(2) as pool:
            for several in pool.map(deviations, [kind] * asked.engines, range(asked.engines)):
                for feature, deviation in several:
                    found[feature].append(abs(deviation))
        for feature, sizes in sorted(found.items()):
            sys.stdout.write(
                f"{kind:20} {feature:12} {len(sizes):4} pulses: 99 % within {np.percentile(sizes, 99):.0f} %, "
                f"largest {max(sizes):.0f} %\n"
            )


if __name__ == "__main__":
    main()
