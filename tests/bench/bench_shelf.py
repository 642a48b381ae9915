"""How often do healthy engines lie within what known-goods of their family show, and how often are they accused?

Families are the simulated engines behind the shipped predictions (one family for each shipped set-up, whose engines differ by all
that its file leaves open, so more than those of one workshop's family would, and with longer tails). Of each family some
engines are drawn for the shelf, and all others are held against them: true deviations, without what cycles leave open.
Counted is of how many of the others every cylinder lies within; in brackets the share of shelves that hold 95 % of the others,
and the range's half width in standard deviations of the family. By the degrees of freedom as judged (Huynh and Feldt), by
Greenhouse and Geisser's alone, and as if cylinders were unrelated.

Then whole judgements: invented fours of known scatter, with noise, are cranked, some shelved and others judged by them without
physics. Counted is how many of the healthy get a finding that is called the engine's, and how many whose cylinder 1 is weak,
with 95 % intervals (Clopper and Pearson).

    python tests/bench/bench_shelf.py [--times 200] [--shelves 6]       some two minutes on one idle core
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import evenstroke_dsp.known_goods as known_goods
import numpy as np
from evenstroke_dsp.prediction import LEAST_DRAWS
from evenstroke_dsp.setup import Setup
from evenstroke_replay.judging import judge_path
from evenstroke_replay.physics_cache import PhysicsCache, cache_folder
from evenstroke_replay.setup_files import load_setup, shipped_setups
from evenstroke_replay.shelf import Shelf
from evenstroke_replay.shelving import shelve
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
import barge_four

ENGINES = (3, 5, 10)
VERDICTS = ("drop", "rise", "suction", "compression")
WEAK_PERCENT = -25.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--shelves", type=int, default=6)
    asked = parser.parse_args()
    _families(asked.times)
    _judged(asked.shelves)


def _families(times: int) -> None:
    judged = known_goods.epsilon

    def box(covariance: np.ndarray, engines: int) -> float:
        # With very many engines Huynh and Feldt's is Greenhouse and Geisser's.
        return judged(covariance, 10**9)

    ways: dict[str, Callable[[np.ndarray, int], float]] = {
        "as judged": judged,
        "Greenhouse": box,
        "unrelated": lambda covariance, engines: 1.0,
    }
    rng = np.random.default_rng(1)
    seen = set()
    for name in shipped_setups():
        setup = load_setup(name)[0]
        prediction = PhysicsCache(cache_folder()).prediction(setup)
        for key, sizes in prediction.bare.items() if prediction is not None else ():
            deviations = 100.0 * (sizes / sizes.mean(axis=1, keepdims=True) - 1.0)
            deviations = deviations[np.isfinite(deviations).all(axis=1)]
            kind = (setup.engine.family, *key)
            if key[1] not in VERDICTS or sizes.shape[1] < 2 or len(deviations) < LEAST_DRAWS or kind in seen:
                continue
            seen.add(kind)
            spread = float(np.sqrt((deviations.std(axis=0, ddof=1) ** 2).mean()))
            for engines in ENGINES:
                words = []
                for way, epsilon in ways.items():
                    known_goods.epsilon = epsilon
                    inside, held, reach = _counted(deviations, engines, times, rng)
                    words.append(f"{way} {100 * inside:5.1f} % ({100 * held:.0f} %, {reach / spread:.1f})")
                known_goods.epsilon = judged
                sys.stdout.write(
                    f"{name}, {key[0]} {key[1]}, {sizes.shape[1]} cylinders, {engines:2} on the shelf: {'; '.join(words)}\n"
                )
        sys.stdout.flush()


def _counted(
    deviations: np.ndarray, engines: int, times: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """The share of other engines within, that of shelves that hold 95 % of them, and the range's half width."""
    inside, reaches = [], []
    for _ in range(times):
        order = rng.permutation(len(deviations))
        low, high = known_goods.healthy_range(deviations[order[:engines]])
        others = deviations[order[engines:]]
        inside.append(float(((low <= others) & (others <= high)).all(axis=1).mean()))
        reaches.append(float((high - low).mean() / 2))
    held = float(np.mean(np.array(inside) >= known_goods.SHARE))
    return float(np.mean(inside)), held, float(np.mean(reaches))


def _judged(shelves: int) -> None:
    accused, found, alone, healthy = 0, 0, 0, 0
    number = 1
    setup = barge_four.setup()
    with tempfile.TemporaryDirectory() as folder:
        for each in range(shelves):
            shelf = Shelf(Path(folder) / f"shelf {each}")
            while len(shelf.entries()) < known_goods.FEWEST_ENGINES:
                path = barge_four.crank(Path(folder) / f"{number}.csv", number)
                number += 1
                _shelf_it(shelf, path, setup)
            for _ in range(4):
                path = barge_four.crank(Path(folder) / f"{number}.csv", number)
                healthy += 1
                accused += _engines(judge_path(path, setup, shelf=shelf).judgement.findings)
                alone += _engines(judge_path(path, setup).judgement.findings)
                weak = barge_four.crank(Path(folder) / "weak.csv", number, {1: WEAK_PERCENT})
                found += any(
                    f.cause == "engine" and f.odd_pulse_at == (1,)
                    for f in judge_path(weak, setup, shelf=shelf).judgement.findings
                )
                number += 1
    sys.stdout.write(
        f"fours, {known_goods.FEWEST_ENGINES} on each of {shelves} shelves: healthy ones accused {_share(accused, healthy)} "
        f"(without a shelf {_share(alone, healthy)}); cylinder 1 weak by {-WEAK_PERCENT:.0f} %, called the engine's "
        f"{_share(found, healthy)}\n"
    )


def _shelf_it(shelf: Shelf, path: Path, setup: Setup) -> None:
    """Put a crank on the shelf; one whose drops are limited is left."""
    judged = judge_path(path, setup)
    if judged.judgement.comparisons[0].trust == "clean":
        now = "2026-11-29T00:00:00+00:00"
        shelve(shelf, path, judged, added_at=now, evenstroke_version="bench", known_by="as commanded")


def _engines(findings: object) -> bool:
    return any(f.cause == "engine" for f in findings)


def _share(count: int, of: int) -> str:
    bounds = stats.binomtest(count, of).proportion_ci(method="exact")
    return f"{count} of {of} ({100 * bounds.low:.0f} to {100 * bounds.high:.0f} %)"


if __name__ == "__main__":
    main()
