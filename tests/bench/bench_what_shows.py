"""What does a fitted volume, and what does each fault, do to each cylinder's pulses, by our own engine physics?

Two tables. First a transducer's hose: its companion's intake pulse, the fitted cylinder's own dip and starter load, in
engines drawn from the priors without scatter. Then every fault, one size each: by how much it moves the pulses of its
own cylinder, the most it moves any other's, and whether that is more than healthy engines show, for each kind of
pulse: what the test can see, and what it cannot.

    python tests/bench/bench_what_shows.py [--draws 8] [--workers 2] [--hose-only]
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.engine import companion
from evenstroke_dsp.physics import Fault, FittedPart, parameters_for, scattered, scenario_for, simulate
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.simulated_draws import CRANK_S, REST_S, SETTLED_S, STEP_S
from evenstroke_dsp.simulated_probes import OUTPUT_HZ, read_crank

SEED = 1877
PROBES = """
[conditions]
engine_temperature_c = 80
throttle = "closed"
[[probe]]
name = "intake"
role = "intake_pulse"
[[probe]]
name = "exhaust"
role = "exhaust_pulse"
travel_m = 2.0
[[probe]]
name = "starter"
role = "starter_current"
"""
ENGINES = {
    "four, heavy crank": (
        "cylinders = 4\nfiring_order = [1, 3, 4, 2]\ndisplacement_cc = 2300\ncompression_ratio = 10",
        2.5,
        (3, 10.0),
    ),
    "four": (
        "cylinders = 4\nfiring_order = [1, 3, 4, 2]\ndisplacement_cc = 1900\ncompression_ratio = 10",
        1.0,
        (3, 10.0),
    ),
    "six": (
        "cylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\ndisplacement_cc = 2988\ncompression_ratio = 9.4",
        1.0,
        (5, 9.0),
    ),
    "V8": (
        "cylinders = 8\nfiring_order = [1, 8, 4, 3, 6, 5, 7, 2]\ndisplacement_cc = 5700\ncompression_ratio = 9.3",
        1.0,
        (4, 20.0),
    ),
}
FAULTS = (
    ("intake_valve_leak", 1.0),
    ("exhaust_valve_leak", 1.0),
    ("ring_leak", 1.0),
    ("gasket_leak", 1.0),
    ("intake_restriction", 0.5),
    ("intake_restriction", 0.9),
    ("exhaust_restriction", 0.5),
    ("exhaust_restriction", 0.9),
    ("worn_lobe", 0.5),
    ("worn_lobe", 0.8),
    ("intake_valve_not_opening", 0.0),
    ("exhaust_valve_not_opening", 0.0),
    ("cam_timing", 10.0),
    ("intake_air_leak", 50.0),
)
"""Kind and size: mm2, share or crank degrees, as `Fault` says."""
KEYS = (
    ("intake", "drop"),
    ("intake", "depth"),
    ("exhaust", "rise"),
    ("exhaust", "suction"),
    ("starter", "compression"),
)
Values = dict[tuple[str, str], Floats]


def cranked(
    setup: Setup, rng: np.random.Generator, heavier: float, scatter: bool, **scenario: object
) -> Values:
    """Deviations by feature, in firing order, per cent of the mean; and the sizes themselves under "size"."""
    own = rng.spawn(2)
    engine = parameters_for(setup, own[0])
    engine = dataclasses.replace(engine, inertia_kg_m2=engine.inertia_kg_m2 * heavier)
    if scatter:
        engine = scattered(engine, own[1])
    whole = dataclasses.replace(
        scenario_for(setup), rest_s=REST_S, crank_s=CRANK_S, coast_s=0.0, step_s=STEP_S, output_hz=OUTPUT_HZ, **scenario
    )  # fmt: skip
    return dict(read_crank(setup, simulate(engine, whole), SETTLED_S, {}, {}).values)


def seeds(draws: int) -> Sequence[np.random.SeedSequence]:
    return np.random.SeedSequence(SEED).spawn(draws)


def changes(before: Values, after: Values, key: tuple[str, str], *, of_mean: bool) -> Floats:
    """Per cent: of each size by itself, or of its deviation from the mean of all."""
    if not of_mean:
        return np.asarray(100 * (after[key] / before[key] - 1))
    return np.asarray(100 * (after[key] / after[key].mean() - before[key] / before[key].mean()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=8)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--hose-only", action="store_true", help="the first table alone")
    asked = parser.parse_args()
    say = sys.stdout.write
    with ThreadPoolExecutor(asked.workers) as pool:
        for name, (engine, heavier, (where, volume)) in ENGINES.items():
            setup = parse_setup(f"schema = 1\n[engine]\n{engine}\n{PROBES}")
            order = setup.engine.firing_order
            pair = companion(setup.engine, where)
            own_at, pair_at = order.index(where), order.index(pair)

            def run(
                seed: np.random.SeedSequence, setup=setup, heavier=heavier, scatter=False, **scenario: object
            ) -> Values:
                return cranked(setup, np.random.default_rng(seed), heavier, scatter, **scenario)

            bare = list(pool.map(run, seeds(asked.draws)))
            hose = (FittedPart(cylinder=where, added_volume_cc=volume),)
            fitted = list(pool.map(lambda s, run=run, hose=hose: run(s, fitted=hose), seeds(asked.draws)))
            say(f"== {name}: hose of {volume:g} cc in {where}, companion {pair}; {asked.draws} engines\n")
            for key, at, what in (
                (("intake", "drop"), pair_at, "companion's drop"),
                (("intake", "drop"), pair_at - 1, "drop just before the companion's"),
                (("intake", "depth"), pair_at, "companion's depth of trough"),
                (("exhaust", "suction"), own_at, "own dip at exhaust opening"),
                (("starter", "compression"), own_at, "own load on the starter"),
            ):
                sizes = [changes(b, f, key, of_mean=False)[at] for b, f in zip(bare, fitted, strict=True)]
                sizes = [size for size in sizes if np.isfinite(size)]
                stalled = f"; {asked.draws - len(sizes)} stalled" if len(sizes) < asked.draws else ""
                say(
                    f"  {what}: {np.median(sizes):+.1f} % ({min(sizes):+.1f} to {max(sizes):+.1f}{stalled})\n"
                )
            if asked.hose_only:
                continue
            scattered_ones = list(pool.map(lambda s, run=run: run(s, scatter=True), seeds(4 * asked.draws)))
            usual = {}
            for key in KEYS:
                uneven = [np.abs(100 * (s[key] / s[key].mean() - 1)).max() for s in scattered_ones]
                usual[key] = max(float(np.quantile(uneven, 0.95)), EVEN_MARGIN_PERCENT)
                say(
                    f"  healthy scatter, {' '.join(key)}: farthest of all cylinders {np.median(uneven):.1f} % in the median "
                    f"engine, {np.quantile(uneven, 0.95):.1f} % in 95 % of them\n"
                )
            for kind, size in FAULTS:
                cylinders = (
                    (where, order[0])
                    if kind == "gasket_leak"
                    else ()
                    if kind == "intake_air_leak"
                    else (where,)
                )
                fault = (Fault(kind=kind, cylinders=cylinders, size=size),)
                faulty = list(
                    pool.map(lambda s, run=run, fault=fault: run(s, faults=fault), seeds(asked.draws))
                )
                words = []
                for key in KEYS:
                    found = [changes(b, f, key, of_mean=True) for b, f in zip(bare, faulty, strict=True)]
                    if not np.isfinite(found).all():
                        words.append(f"{key[1]} not found")
                        continue
                    own = float(np.median([x[own_at] for x in found]))
                    paired = float(np.median([x[pair_at] for x in found]))
                    most = [float(np.abs(x).max()) for x in found]
                    shows = np.mean([m > usual[key] for m in most])
                    words.append(
                        f"{key[1]} own {own:+.0f}, companion {paired:+.0f}, most {np.median(most):.0f} % [{shows:.0%}]"
                    )
                say(f"  {kind} {size:g}: {'; '.join(words)}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
