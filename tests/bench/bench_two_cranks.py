"""How often a comparison of two cranks of an unchanged engine loses the truth, and how wide its intervals are.

    python tests/bench/bench_two_cranks.py                a minute on one idle core
    python tests/bench/bench_two_cranks.py --pairs 1000

No engine: each pulse's mean is drawn from a normal distribution with the standard error that its cycles leave it, and apart
from crank to crank by another one's. Printed for one feature: pairs of which all intervals hold, and the intervals'
half-width, median; beside it what normal intervals by the cycles alone would have (Bonferroni). A pulse that is left
out of the reference for standing out is not modelled here; tests/dsp/test_comparing.py goes through all of `compare`.
"""

from __future__ import annotations

import argparse
import math
import sys

import numpy as np
from evenstroke_dsp.balance import ALPHA
from evenstroke_dsp.crank_scatter import crank_scatter
from scipy import stats

CYLINDERS = (4, 6, 8)
ERRORS = (0.3, 1.2)
SCATTERS = (0.0, 0.5, 1.0, 2.0, 3.0)
CYCLES = 12


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=300)
    pairs = parser.parse_args().pairs
    rng = np.random.default_rng(1)
    sys.stdout.write(
        "cylinders  error of a mean, %  crank to crank, %  all held  half-width, %  by cycles alone, %\n"
    )
    for cylinders in CYLINDERS:
        freedom = 2.0 * (CYCLES - 1) * (cylinders - 1)
        share = 1.0 - 1.0 / cylinders
        for error in ERRORS:
            within = 2.0 * error**2
            alone = float(stats.norm.isf(ALPHA / cylinders / 2)) * math.sqrt(within * share)
            for scatter in SCATTERS:
                held, widths = 0, []
                for _ in range(pairs):
                    apart = math.hypot(scatter, math.sqrt(within)) * rng.standard_normal(cylinders)
                    apart -= apart.mean()
                    reaches = np.array(
                        [
                            crank_scatter(np.delete(apart, c), [within] * (cylinders - 1)).reach(
                                share, within * share, freedom, alpha=ALPHA / cylinders
                            )
                            for c in range(cylinders)
                        ]
                    )
                    held += bool((np.abs(apart) <= reaches).all())
                    widths += reaches.tolist()
                width = float(np.median(widths))
                sys.stdout.write(
                    f"{cylinders:9d}  {error:18.1f}  {scatter:17.1f}  {held / pairs:8.3f}  {width:13.1f}  {alone:19.1f}\n"
                )


if __name__ == "__main__":
    main()
