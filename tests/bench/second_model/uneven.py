"""Whose pulse is it where an engine fires unevenly, and strokes merge? Of the second engine model.

    nice python tests/bench/second_model/uneven.py [--kinds v6_150_90 ...] [--seeds 2] [--first 0]

Each engine is cranked healthy and with each valve shut that is asked about. Healthy, an intake pulse is `right` where without the
stroke of the cylinder that is named most of its fall would be gone, as the same crank with that intake valve shut tells;
`either` where another stroke made up to half as much again, `WRONG` where one made more. With a valve shut, the cylinder that it
belongs to is named `alone` or `among` others, `open` or `WRONG`: by the smallest pulse, or by the one that lost most beside the
healthy crank, since uneven pulses differ by themselves.
"""

# ruff: noqa: T201 (a bench prints)
from __future__ import annotations

import argparse
import collections
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from engine_model import KINDS, Crank, Engine, Fault, Kind, crank, draw
from evenstroke_dsp.messages import Cycle, CylinderBalance
from evenstroke_replay.judging import JudgedFile
from probes import Choices, record
from study import bounds, comparison, judged
from truth import by_angle, smooth

STEP_S, SETTLED_S, OVER_S = 2.5e-5, 3.0, 10.6
DRAWS_DEG = (360.0, 540.0)
FAR_MORE = 1.5
SHOWS = 0.15
"""Of its healthy size: a valve that stays shut and takes less of any pulse hardly shows."""
FEATURES = {"intake": "drop", "exhaust": "rise"}


def _kind(
    name: str,
    order: tuple[int, ...],
    intervals: tuple[float, ...],
    litres: float,
    inertia: tuple[float, float],
) -> Kind:
    banks = tuple(1 + (c > len(order) // 2) * (len(order) > 4) for c in range(1, len(order) + 1))
    rpm = {2: (260, 360), 4: (240, 320), 6: (210, 290), 10: (200, 270)}[len(order)]
    stall = {2: (350, 600), 4: (400, 650), 6: (700, 1000), 10: (800, 1200)}[len(order)]
    return Kind(name, order, intervals, banks, litres * 1e-3, 9.8, 0.9, inertia, rpm, stall)


UNEVEN = {
    kind.name: kind
    for kind in (
        KINDS["twin"],
        _kind("twin_180_540", (1, 2), (180.0, 540.0), 0.6, (0.04, 0.10)),
        _kind("twin_315_405", (1, 2), (315.0, 405.0), 1.4, (0.12, 0.30)),
        _kind("v4_180_90", (1, 3, 2, 4), (180.0, 90.0, 180.0, 270.0), 1.0, (0.08, 0.20)),
        _kind("v6_150_90", (1, 6, 5, 4, 3, 2), (150.0, 90.0) * 3, 3.8, (0.20, 0.40)),
        _kind("v6_132_108", (1, 4, 2, 5, 3, 6), (132.0, 108.0) * 3, 3.0, (0.14, 0.32)),
        _kind("v10_90_54", (1, 6, 5, 10, 2, 7, 3, 8, 4, 9), (90.0, 54.0) * 5, 5.0, (0.20, 0.45)),
    )
}


def mean_cycle(turned: Crank) -> np.ndarray:
    return by_angle(turned, smooth(turned.plenum), SETTLED_S, OVER_S)[0].mean(axis=0)


def strokes(
    result: JudgedFile, engine: Engine, turned: Crank, lost: dict[int, np.ndarray]
) -> collections.Counter[str]:
    """Of each cycle's named intake pulses, whose stroke made them; lost: by cylinder, what its stroke does to the mean cycle."""
    words: collections.Counter[str] = collections.Counter()
    tdc, grid = engine.firing_tdc_deg(), np.arange(720)
    parts = (
        part
        for message in result.messages
        if isinstance(message, Cycle) and message.left_out is None
        for part in message.probes
        if part.probe == "intake"
    )
    for part in parts:
        for pulse in part.pulses:
            if pulse.from_s is None or pulse.to_s is None or pulse.cylinder is None:
                words["unnamed"] += 1
                continue
            ends = np.array([pulse.from_s, pulse.to_s]) - part.travel_s
            begin, end = np.interp(ends, turned.time, turned.angle_deg)
            made = {}
            for cylinder, own in lost.items():
                into = (begin - tdc[cylinder - 1]) % 720
                if into < DRAWS_DEG[1] and into + end - begin > DRAWS_DEG[0]:
                    made[cylinder] = -float(
                        np.diff(np.interp([begin % 720, end % 720], grid, own, period=720))[0]
                    )
            mine, most = made.get(pulse.cylinder, 0.0), max(made.values(), default=np.inf)
            words["right" if mine == most else "either" if mine > most / FAR_MORE else "WRONG"] += 1
    return words


def named(row: CylinderBalance) -> tuple[int, ...]:
    return (row.cylinder,) if row.cylinder is not None else tuple(row.one_of or ())


def sizes(result: JudgedFile, side: str) -> dict[int, CylinderBalance]:
    """By position in order of coming."""
    part = None if result.judgement.refused else comparison(result, FEATURES[side])
    rows = [] if part is None else part.cylinders
    return {k: row for k, row in enumerate(rows) if row.value is not None}


def word_of(
    shut: int, found: dict[int, CylinderBalance], healthy: dict[int, CylinderBalance]
) -> tuple[str, str]:
    if not found or set(found) - set(healthy):
        return "open", "nothing to compare"
    lost = {k: (healthy[k].value or 0.0) - (row.value or 0.0) for k, row in found.items()}
    least, most = min(found, key=lambda k: found[k].value or 0.0), max(lost, key=lambda k: lost[k])
    share = lost[most] / max(healthy[most].value or 0.0, 1e-9)
    said = f"smallest {named(found[least])}, {100 * share:.0f} % lost by {named(found[most])}"
    fits = [named(found[k]) for k in (least, most) if shut in named(found[k])]
    if fits:
        return ("alone" if len(fits[0]) == 1 else "among"), said
    return ("open" if share < SHOWS or not named(found[most]) else "WRONG"), said


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kinds", nargs="*", choices=list(UNEVEN), default=list(UNEVEN))
    parser.add_argument("--seeds", type=int, default=1, help="engines of each kind (default 1)")
    parser.add_argument("--first", type=int, default=0, help="the first seed (default 0)")
    parser.add_argument("--folder", type=Path, default=Path("/tmp/second_model_uneven"))
    args = parser.parse_args()
    total: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for name in args.kinds:
        for seed in range(args.first, args.first + args.seeds):
            kind, random = UNEVEN[name], np.random.default_rng([seed, *name.encode()])
            engine = draw(kind, seed)
            healthy = crank(engine, seed, step_s=STEP_S)
            shut = {
                (side, c): crank(engine, seed, faults=(Fault(f"{side}_shut", c),), step_s=STEP_S)
                for side in FEATURES
                for c in range(1, engine.cylinders + 1)
            }
            whole = mean_cycle(healthy)
            lost = {c: whole - mean_cycle(turned) for (side, c), turned in shut.items() if side == "intake"}
            for angle in ("sync", "wheel"):
                choices = Choices(
                    snr_db=float(random.choice([18.0, 25.0, 30.0])),
                    angle=angle,
                    current=bool(random.random() < 0.5),
                    positive=bool(random.random() < 0.7),
                    polarity_told=bool(random.random() < 0.5),
                    seed=seed,
                )
                known = str(random.choice(["bare", "plain", "full"]))

                def told(
                    turned: Crank, of: str, choices=choices, known=known, kind=kind, engine=engine
                ) -> JudgedFile:
                    return judged(*record(args.folder, of, kind, engine, turned, choices, known=known))

                label = f"{name}_{seed}_{angle}"
                before = told(healthy, label)
                words = strokes(before, engine, healthy, lost)
                total[f"{name} strokes"] += words
                print(
                    label,
                    f"{choices.snr_db:.0f} dB",
                    "upright" if choices.positive else "upside down",
                    dict(words),
                )
                for (side, c), turned in shut.items():
                    word, said = word_of(
                        c, sizes(told(turned, f"{label}_{side}_{c}"), side), sizes(before, side)
                    )
                    total[f"{name} {side} shut"][word] += 1
                    if word == "WRONG":
                        print(f"  {label} {side} shut in {c}: WRONG {said}", flush=True)
    for key, words in total.items():
        print(f"{key}: {dict(words)}; wrong {bounds(words['WRONG'], words.total())}")


if __name__ == "__main__":
    main()
