"""How uneven are healthy engines of which nothing but the firing order is known? Where `normal.py`'s table has it from.

Cranks engines drawn from the priors, with ordinary scatter between their cylinders and nothing fitted, and prints within
what all pulses of 95 % of them lie: as the judgement states it (a law's reach, with its margin for another model), and as
counted, with the largest. The counted share has a 95 % interval of its own.

    python tests/bench/bench_healthy_spread.py [--engines 24] [--workers 2] [--only 3,5,12]
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from evenstroke_dsp.features import ROLE_PULSES
from evenstroke_dsp.prediction import LEAST_DRAWS
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.simulated_draws import predict

SEED = 4077
ORDERS = {
    2: [1, 2],
    3: [1, 3, 2],
    4: [1, 3, 4, 2],
    5: [1, 2, 4, 5, 3],
    6: [1, 5, 3, 6, 2, 4],
    8: [1, 8, 4, 3, 6, 5, 7, 2],
    10: [1, 6, 5, 10, 2, 7, 3, 8, 4, 9],
    12: [1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9],
}
"""All fire evenly. Orders of tens and twelves: from memory; what matters here is how many there are."""
PROBES = (
    '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n[[probe]]\nname = "exhaust"\nrole = "exhaust_pulse"\n'
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=24)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", type=lambda text: [int(n) for n in text.split(",")], default=list(ORDERS))
    asked = parser.parse_args()
    if asked.engines < LEAST_DRAWS:
        parser.error(f"--engines: {LEAST_DRAWS} or more, or nothing is stated")
    say = sys.stdout.write
    for cylinders in asked.only:
        order = ORDERS[cylinders]
        setup = parse_setup(
            f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {order}\n{PROBES}"
        )
        with ThreadPoolExecutor(asked.workers) as pool:
            drawn = predict(setup, asked.engines, np.random.default_rng(SEED), pool.map)
        for probe in setup.probe:
            for feature in ROLE_PULSES[probe.role].features:
                if not feature.verdict:
                    continue
                key = (probe.name, feature.name)
                normal = drawn.normal(key, range(cylinders))
                sizes = drawn.bare[key]
                largest = np.abs(100 * (sizes / sizes.mean(axis=1, keepdims=True) - 1)).max(axis=1)
                largest = largest[np.isfinite(largest)]
                stated = (
                    "nothing stated"
                    if normal is None
                    else f"stated {max(max(-n.low, n.high) for n in normal.values()):.1f} %"
                )
                say(
                    f"{cylinders:2} cylinders, {feature.name}: {stated}; farthest pulse of an engine: median "
                    f"{np.median(largest):.1f} %, 95 % of engines {np.quantile(largest, 0.95):.1f} %, largest of "
                    f"{largest.size} {largest.max():.1f} %\n"
                )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
