"""How often the stated interval holds the balance that a probe without a low corner would have shown.

    .venv/bin/python tests/bench/bench_low_corner.py [--seeds N]

Engines of the first-principles physics, each drawn anew; probes AC-coupled at no, 0.5, 2 and 8 Hz, at 25 dB
(RMS of pulse over RMS of noise, both within 0.5 to 50 Hz), the corner given in the set-up or not. The truth is
the same recording without corner and noise. The stated intervals are of 95 % and simultaneous, so that at
least 95 of 100 recordings should hold all their cylinders. Printed: recordings and cylinders that do, with
the 95 % interval of the share of recordings (Clopper and Pearson, by scipy's binomtest), how wide the
intervals are, and verdicts that contradict the truth.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

KINDS = ("three", "four", "six", "eight")
CORNERS_HZ = (0.0, 0.5, 2.0, 8.0)
NOISE_DB = 25.0
EVEN_PERCENT = 5.0
FEATURES = (("intake", "drop"), ("exhaust", "rise"))


def _cranks():
    path = Path(__file__).parents[1] / "health" / "conftest.py"
    spec = importlib.util.spec_from_file_location("health_conftest", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["health_conftest"] = module
    spec.loader.exec_module(module)
    return module.Cranks()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=3)
    seeds = parser.parse_args().seeds
    held: dict[tuple, list] = {}
    for seed in range(seeds):
        cranks = _cranks()
        for kind in KINDS:
            plain = cranks.setup(kind)
            trace = cranks.crank(plain, seed=500 + seed, seconds=8.0)
            true = cranks.judged(plain, trace, cranks.heard(trace))
            if true.judgement.refused:
                sys.stdout.write(f"{kind} {seed}: refused, left out: {true.judgement.refused[:60]}\n")
                continue
            for corner in CORNERS_HZ:
                for given in (True, False):
                    if given and not corner:
                        continue
                    keys = f"low_corner_hz = {corner}" if given else ""
                    setup = cranks.setup(kind, intake=keys, exhaust=f"{keys}\ntravel_m = 0.0")
                    signals = cranks.heard(trace, corner_hz=corner, noise_db=NOISE_DB)
                    outcome = cranks.judged(setup, trace, signals)
                    for probe, feature in FEATURES:
                        row = _compared(true.cylinders(probe, feature), outcome.cylinders(probe, feature))
                        held.setdefault((probe, corner, given), []).append((kind, seed, *row))
    for (probe, corner, given), rows in held.items():
        whole = sum(inside == all_ for *_, inside, all_, _, _ in rows)
        share = binomtest(whole, len(rows)).proportion_ci(0.95)
        cylinders = sum(r[2] for r in rows), sum(r[3] for r in rows)
        wrong = sum(r[5] for r in rows)
        sys.stdout.write(
            f"{probe:8} corner {corner:3.1f} Hz {'given  ' if given else 'unknown'}: recordings {whole}/{len(rows)} "
            f"({share.low:.2f} to {share.high:.2f}), cylinders {cylinders[0]}/{cylinders[1]}, "
            f"median width {np.median([r[4] for r in rows]):5.1f} %, contradicting verdicts {wrong}\n"
        )
        for kind, number, inside, all_, width, _ in rows:
            if inside < all_:
                sys.stdout.write(
                    f"      misses: {kind}, seed {number}: {inside}/{all_}, width {width:.1f} %\n"
                )


def _compared(true, stated) -> tuple[int, int, float, int]:
    """Cylinders whose interval holds the truth, all that have one, mean width, contradicting verdicts."""
    inside = wrong = 0
    widths = []
    for cylinder, balance in stated.items():
        truth = true[cylinder].deviation
        if balance.low is None or truth is None:
            continue
        widths.append(balance.high - balance.low)
        inside += balance.low <= truth <= balance.high
        wrong += (
            (balance.verdict == "smaller" and truth > -EVEN_PERCENT)
            or (balance.verdict == "larger" and truth < EVEN_PERCENT)
            or (balance.verdict == "even" and abs(truth) > EVEN_PERCENT)
        )
    return inside, len(widths), float(np.mean(widths)) if widths else float("nan"), wrong


if __name__ == "__main__":
    main()
