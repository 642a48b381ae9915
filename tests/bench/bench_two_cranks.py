"""How often a comparison of two cranks loses the truth, and how wide its intervals are: of an unchanged engine as it is, and
with a hose in the first crank.

    python tests/bench/bench_two_cranks.py                a minute on one idle core
    python tests/bench/bench_two_cranks.py --pairs 1000
    nice python tests/bench/bench_two_cranks.py --engines 6      engines of each kind, simulated; ten minutes

Without engines each pulse's mean is drawn from a normal distribution with the standard error that its cycles leave it, and
apart from crank to crank by another one's. A hose moves every pulse by what the physics foresee, give or take what they
state of themselves (Student's t of 5 degrees of freedom, as wide): the companion's by much, the others' by up to 2 %. Printed for
one feature: pairs of which all intervals hold, and the intervals' half-width, median; beside it what normal intervals by the
cycles alone would have (Bonferroni), or, with a hose, what they are when nothing is foreseen (as with `--quick`).

With engines two whole cranks are simulated, recorded and judged (`bench_setup_effects.py`: engines from wider priors), the
second one without the hose and with a battery, friction, leak and resting place of its own. The truth is the first one's with
and without the hose, without noise.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
import tempfile
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from bench_setup_effects import (
    KINDS,
    RATE_HZ,
    REST_S,
    SLOWEST_RPM,
    changed,
    crank,
    judged,
    setup_text,
    share,
    thinned,
    wide,
)
from evenstroke_dsp.balance import ALPHA
from evenstroke_dsp.comparing import FeatureChange, compare
from evenstroke_dsp.crank_scatter import crank_scatter
from evenstroke_dsp.messages import Judgement, Predicted
from evenstroke_dsp.physics import EngineParameters
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.simulated_probes import read_crank
from evenstroke_replay.physics_cache import PhysicsCache
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
from drawn_cranks import crank_of

CYLINDERS = (4, 6, 8)
ERRORS = (0.3, 1.2)
SCATTERS = (0.0, 0.5, 1.0, 2.0, 3.0)
CYCLES = 12
ORDERS = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}
COMPANIONS = {4: 4, 6: 6, 8: 6}
"""Of cylinder 1, where the hose is."""
COMPANION_EFFECT, OTHERS_EFFECT = (-8.0, 2.5), 2.0
"""Per cent: what it makes of the companion's pulse, give or take (a standard deviation), and at most of the others'."""
FREEDOM = 5
SEED = 404

say = sys.stdout.write


def drawn(pairs: int, rng: np.random.Generator) -> None:
    """The same set-up in both cranks."""
    say("cylinders  error of a mean, %  crank to crank, %  all held  half-width, %  by cycles alone, %\n")
    for cylinders in CYLINDERS:
        freedom = 2.0 * (CYCLES - 1) * (cylinders - 1)
        portion = 1.0 - 1.0 / cylinders
        for error in ERRORS:
            within = 2.0 * error**2
            alone = float(stats.norm.isf(ALPHA / cylinders / 2)) * math.sqrt(within * portion)
            for scatter in SCATTERS:
                held, widths = 0, []
                for _ in range(pairs):
                    apart = math.hypot(scatter, math.sqrt(within)) * rng.standard_normal(cylinders)
                    apart -= apart.mean()
                    reaches = np.array(
                        [
                            crank_scatter(np.delete(apart, c), [within] * (cylinders - 1)).reach(
                                portion, within * portion, freedom, alpha=ALPHA / cylinders
                            )
                            for c in range(cylinders)
                        ]
                    )
                    held += bool((np.abs(apart) <= reaches).all())
                    widths += reaches.tolist()
                width = float(np.median(widths))
                say(
                    f"{cylinders:9d}  {error:18.1f}  {scatter:17.1f}  {held / pairs:8.3f}  {width:13.1f}  {alone:19.1f}\n"
                )


def drawn_hose(pairs: int, rng: np.random.Generator) -> None:
    """A hose in the first crank alone."""
    say(
        "\nwith a hose in the first crank (half-width, %, of the untouched and the companion; then the same without physics)\n"
        "cylinders  error of a mean, %  crank to crank, %  all held  untouched  companion  all held  untouched  companion\n"
    )
    for cylinders in CYLINDERS:
        order, companion = ORDERS[cylinders], COMPANIONS[cylinders]
        bare, hosed = setups(order)
        for error in ERRORS:
            for scatter in SCATTERS:
                told: dict[bool, list[FeatureChange]] = {True: [], False: []}
                held = {True: 0, False: 0}
                for _ in range(pairs):
                    effects, foreseen = effects_of(order, companion, rng)
                    reading = {c: 100.0 + error * rng.standard_normal() for c in order}
                    first = {
                        c: effects[c]
                        + scatter * rng.standard_normal()
                        + 100.0
                        + error * rng.standard_normal()
                        for c in order
                    }
                    second = crank_of(reading, error, CYCLES)
                    for physics in (True, False):
                        one = crank_of(first, error, CYCLES, (companion,), foreseen if physics else None)
                        (change,) = compare(one, hosed, second, bare).changes
                        told[physics].append(change)
                        held[physics] += all_held(change, effects)
                line = f"{cylinders:9d}  {error:18.1f}  {scatter:17.1f}"
                for physics in (True, False):
                    widths = {
                        at: np.median(
                            [
                                (x.high - x.low) / 2
                                for change in told[physics]
                                for x in change.cylinders
                                if (x.cylinder == companion) == at
                            ]
                        )
                        for at in (False, True)
                    }
                    line += f"  {held[physics] / pairs:8.3f}  {widths[False]:9.1f}  {widths[True]:9.1f}"
                say(line + "\n")


def setups(order: Sequence[int]) -> tuple[Setup, Setup]:
    """Without and with the hose."""
    text = (
        f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"
        '[[probe]]\nname = "intake"\nrole = "intake_pulse"\nlow_corner_hz = 1.0\n'
    )
    hose = '[[fitted]]\nwhat = "hose"\ncylinder = 1\nadded_volume_cc = 10.0\n'
    return parse_setup(text), parse_setup(text + hose)


def effects_of(
    order: Sequence[int], companion: int, rng: np.random.Generator
) -> tuple[dict[int, float], dict[int, Predicted]]:
    """What the hose makes of each pulse, and what is foreseen of it: 0.3 % and a fifth of it off, as the physics state."""
    effects, foreseen = {}, {}
    for c in order:
        middle = rng.uniform(-OTHERS_EFFECT, OTHERS_EFFECT)
        error = math.hypot(0.3, 0.2 * middle)
        if c == companion:
            middle, error = COMPANION_EFFECT
        reach = float(stats.norm.ppf(0.975)) * error
        foreseen[c] = Predicted(deviation=middle, low=middle - reach, high=middle + reach)
        effects[c] = middle + error * rng.standard_t(FREEDOM) * math.sqrt((FREEDOM - 2) / FREEDOM)
    return effects, foreseen


def all_held(change: FeatureChange, truth: Mapping[int, float]) -> bool:
    """Whether every interval holds what the hose makes of that pulse, against the same reference."""
    level = np.mean([truth[c] for c in change.reference])
    return all(x.low <= truth[x.cylinder] - level <= x.high for x in change.cylinders)


# --- simulated engines ---------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Pair:
    """By the probe and the feature: the intervals with physics and without, and what the hose truly makes."""

    kind: str
    with_physics: tuple[FeatureChange, ...]
    without: tuple[FeatureChange, ...]
    truth: dict[tuple[str, str], dict[int, float]]
    touched: dict[tuple[str, str], frozenset[int]]


def pair(case: tuple[str, Setup, Prediction, Setup, Prediction, int]) -> Pair:
    """One engine from wide priors, cranked with the hose and, another day, without."""
    kind, hosed, of_hosed, bare, of_bare, number = case
    rng = np.random.default_rng([SEED, sorted(KINDS).index(kind), number])
    while True:
        engine = wide(hosed, rng)
        traces = crank(hosed, engine, rng, ())
        later = crank(bare, another_day(engine, rng), rng, ())["recorded"]
        if (
            min(float(t.rpm[t.times_s > REST_S + 1.0].mean()) for t in (*traces.values(), later))
            > SLOWEST_RPM
        ):
            break
    corners = {p.name: p.low_corner_hz for p in hosed.probe if p.low_corner_hz}
    teeth = {p.name: p.first_tooth_deg for p in hosed.probe if p.first_tooth_deg is not None}
    readings = {
        name: read_crank(hosed, thinned(t, round(RATE_HZ / 1000)), 2.0, corners, teeth)
        for name, t in traces.items()
    }
    first = judged(hosed, of_hosed, traces["recorded"], rng)
    second = judged(bare, of_bare, later, rng)
    changes = compare(first, hosed, second, bare).changes
    truth = {}
    for change in changes:
        key = (change.probe, change.feature)
        columns = [hosed.engine.firing_order.index(c) for c in change.reference]
        with_it, without = (
            100 * (readings[name].values[key] / readings[name].values[key][columns].mean() - 1)
            for name in ("recorded", "unfitted")
        )
        truth[key] = dict(zip(hosed.engine.firing_order, (with_it - without).tolist(), strict=True))
    touched = {
        (c.probe, c.feature): frozenset(
            x.cylinder for x in c.cylinders if x.trust == "disturbed" and x.cylinder is not None
        )
        for c in first.comparisons
    }
    return Pair(kind, changes, compare(nothing_foreseen(first), hosed, second, bare).changes, truth, touched)


def another_day(engine: EngineParameters, rng: np.random.Generator) -> EngineParameters:
    """The same engine with another charge, oil and throttle stop's dirt: a few per cent (assumptions)."""
    return dataclasses.replace(
        engine,
        battery_ohm=engine.battery_ohm * math.exp(rng.normal(0.0, 0.05)),
        coulomb_nm=engine.coulomb_nm * math.exp(rng.normal(0.0, 0.03)),
        throttle_leak_mm2=engine.throttle_leak_mm2 * math.exp(rng.normal(0.0, 0.05)),
        heat_factor=engine.heat_factor * math.exp(rng.normal(0.0, 0.05)),
    )


def nothing_foreseen(judgement: Judgement) -> Judgement:
    return changed(
        judgement,
        comparisons=tuple(
            changed(c, cylinders=tuple(changed(x, predicted=None) for x in c.cylinders))
            for c in judgement.comparisons
        ),
    )


def simulated(engines: int, workers: int) -> None:
    cases = []
    with tempfile.TemporaryDirectory() as folder:
        for kind, (engine, probes, hose) in KINDS.items():
            hosed, bare = (parse_setup(setup_text(engine, probes, h)) for h in (hose, None))
            cache = PhysicsCache(Path(folder))
            of_hosed, of_bare = cache.prediction(hosed), cache.prediction(bare)
            cases += [(kind, hosed, of_hosed, bare, of_bare, k) for k in range(engines)]
    with ProcessPoolExecutor(workers) as pool:
        pairs = list(pool.map(pair, cases))
    say("\nsimulated engines: features of which all intervals held; half-width, %, median\n")
    for kind in KINDS:
        for words, these in (
            ("with physics", lambda p: p.with_physics),
            ("without", lambda p: p.without),
        ):
            held: dict[tuple[str, str], list[bool]] = defaultdict(list)
            widths: dict[tuple[str, str, bool], list[float]] = defaultdict(list)
            for one in (p for p in pairs if p.kind == kind):
                for change in these(one):
                    key = (change.probe, change.feature)
                    if change.cylinders and any(x.verdict for x in change.cylinders):
                        held[key].append(all_held(change, one.truth[key]))
                        for x in change.cylinders:
                            widths[(*key, x.cylinder in one.touched[key])].append((x.high - x.low) / 2)
            for key, of in held.items():
                middle = [
                    f"{np.median(w):.1f}" if (w := widths[(*key, at)]) else "none" for at in (False, True)
                ]
                say(
                    f"{kind}, {words}, {' '.join(key)}: {share(sum(of), len(of))}; untouched {middle[0]}, touched {middle[1]}\n"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--engines", type=int, default=0, help="of each kind; instead of what is drawn")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    if asked.engines:
        simulated(asked.engines, asked.workers)
        return
    drawn(asked.pairs, np.random.default_rng(1))
    drawn_hose(asked.pairs, np.random.default_rng(2))


if __name__ == "__main__":
    main()
