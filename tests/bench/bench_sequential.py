"""How often the judgement's statistics lose the truth, and how soon they call an odd cylinder, without any engine.

    python tests/bench/bench_sequential.py                 a few minutes on two idle cores
    python tests/bench/bench_sequential.py --draws 2000    an hour or so
    python tests/bench/bench_sequential.py --only lost

Draws each cycle's drops straight from a normal distribution: an engine of three to eight cylinders, a spread from cycle to
cycle, a correlation from each cycle to the next (first-order autoregression), and looks after every cycle, with the share
of the 95 % that cranking gets. Whole cranks, with noise that is measured and not drawn: accuracy.py.

Lost: cranks of 20 cycles in which any cylinder's interval ever excluded the truth. Floor: 5 % at a correlation of 0, 6 %
at 0.3, 10 % at 0.5. Called: cranks in which the odd cylinder was called so within the cycles of each goal; floor 95 %, for
independent cycles. The spreads are those that a signal-to-noise ratio comes to; at 30 dB also, without a floor, the 2.4 %
that some simulated eights show in accuracy.py. A floor fails where
the 95 % interval of the count (C. Clopper and E. Pearson, Biometrika 26, 1934, 404) excludes it; ends with 1 then.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from accuracy import clopper_pearson
from evenstroke_dsp.balance import ALPHA, BalanceTable
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.comparisons import SHARES

COLUMNS = (3, 4, 6, 8)
LONGEST = 20
MOST_LOST = {0.0: 0.05, 0.3: 0.06, 0.5: 0.10}
LEAST_CALLED = 0.95


@dataclass(frozen=True)
class Power:
    """A repeating deviation that is to be called within so many cycles; all in per cent."""

    snr_db: int
    spread: float
    deviation: float
    within: int
    goal: bool = True


POWERS = (
    Power(30, 1.4, 10.0, 6),
    Power(30, 2.4, 10.0, 6, goal=False),
    Power(25, 2.3, 10.0, 12),
    Power(20, 3.8, 15.0, 10),
    Power(15, 6.0, 20.0, 12),
)


def drops(rho: float, cycles: int, true: Floats, spread: float, draw: np.random.Generator) -> Floats:
    """Shape (cycles, columns). true, spread: per cent."""
    x = draw.normal(size=(cycles, true.size))
    for k in range(1, cycles):
        x[k] = rho * x[k - 1] + np.sqrt(1.0 - rho**2) * x[k]
    return (1.0 + true / 100.0) * (1.0 + spread / 100.0 * x)


def table(columns: int) -> BalanceTable:
    alpha = ALPHA * SHARES["cranking"] / columns
    return BalanceTable(columns, tuple(range(columns)), relative=True, with_verdict=True, alpha=alpha)


def lost(columns: int, rho: float, draws: int) -> int:
    """How many cranks of an even engine have an interval that ever loses the truth."""
    draw, count = np.random.default_rng([1, columns, round(10 * rho)]), 0
    for _ in range(draws):
        balance = table(columns)
        for k, row in enumerate(drops(rho, LONGEST, np.zeros(columns), 2.0, draw)):
            balance.add(k, row)
            ends = [(d.low, d.high) for d in balance.deviations()]
            if any(low is not None and high is not None and not low <= 0.0 <= high for low, high in ends):
                count += 1
                break
    return count


def called(columns: int, rho: float, power: Power, draws: int) -> int:
    """How many cranks have the odd cylinder called, smaller and larger by turns, within the cycles."""
    draw = np.random.default_rng([2, columns, round(10 * rho), power.snr_db, round(10 * power.spread)])
    count = 0
    for number in range(draws):
        sign = (-1.0) ** number
        true = np.full(columns, -sign * power.deviation / (columns - 1))
        true[0] = sign * power.deviation
        balance = table(columns)
        for k, row in enumerate(drops(rho, power.within, true, power.spread, draw)):
            balance.add(k, row)
            if balance.deviations()[0].verdict == ("larger" if sign > 0 else "smaller"):
                count += 1
                break
    return count


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--draws", type=int, default=300, help="cranks for each line (default 300)")
    parser.add_argument("--only", choices=("lost", "called"), help="one of the two counts")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    options = parser.parse_args()
    failed, counted, sped = 0, [], []
    with ProcessPoolExecutor(options.jobs) as pool:
        losses = [(c, r) for r, c in itertools.product(MOST_LOST, COLUMNS)]
        powers = [(c, r, p) for p, r, c in itertools.product(POWERS, (0.0, 0.3), COLUMNS)]
        if options.only != "called":
            counted = [(c, r, pool.submit(lost, c, r, options.draws)) for c, r in losses]
        if options.only != "lost":
            sped = [(c, r, p, pool.submit(called, c, r, p, options.draws)) for c, r, p in powers]
        for columns, rho, count in counted:
            low, high = clopper_pearson(count.result(), options.draws)
            missed = low > MOST_LOST[rho]
            failed += missed
            sys.stdout.write(
                f"{'FAIL' if missed else 'PASS'} lost   {columns} cylinders, correlation {rho}: "
                f"{count.result()}/{options.draws}, {low:.1%} to {high:.1%}, at most {MOST_LOST[rho]:.0%}\n"
            )
            sys.stdout.flush()
        for columns, rho, p, count in sped:
            low, high = clopper_pearson(count.result(), options.draws)
            held = p.goal and not rho
            missed = held and high < LEAST_CALLED
            failed += missed
            sys.stdout.write(
                f"{'    ' if not held else 'FAIL' if missed else 'PASS'} called {columns} cylinders, correlation {rho}: "
                f"{p.deviation:g} % at {p.snr_db} dB (spread {p.spread} %) within {p.within}: "
                f"{count.result()}/{options.draws}, {low:.1%} to {high:.1%}\n"
            )
            sys.stdout.flush()
    return int(failed > 0)


if __name__ == "__main__":
    raise SystemExit(main())
