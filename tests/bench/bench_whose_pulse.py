"""Is any pulse named wrong where the truth is known: one to twelve cylinders, both ways up, any delay, both kinds of sync?

    nice .venv/bin/python tests/bench/bench_whose_pulse.py [--engine NAME ...] [--runs 12] [--seed 1]

Cranks of the first-principles physics in which one cylinder's intake or exhaust valve stays shut: the least of the pulses is
then that cylinder's. Each is recorded many times, drawn anew: upright or upside down, `positive_is` written down or not, with
a delay of 0 to 16 ms on the way (0 to 3 in an intake), `travel_m` given or not, one sync a cycle or a revolution, with a wheel
or without. A recording is
    alone   the true cylinder, and no other, is named
    among   it is named beside others (`one_of`)
    open    refused, unnamed, or the valve's pulse stands out from no other
    WRONG   named without it
and each line of a WRONG one says how it was recorded. At the end counts by engine and
role, and by what was written down, with the Clopper-Pearson bounds of what is wrong.
"""

# ruff: noqa: T201 (a bench prints)
from __future__ import annotations

import argparse
import collections
import dataclasses
import importlib.util
import sys
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.physics import CrankTrace, parameters_for, probes, scattered, scenario_for, simulate
from evenstroke_dsp.physics.scenario import Fault
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.travel import gas_temperature_c, speed_of_sound
from scipy.stats import beta

RATE_HZ, SPARK_DEG, NOISE_DB, REST_S, CRANK_S = 1000.0, -8.0, 25.0, 0.6, 7.0
LONGEST_S = {"intake": 0.003, "exhaust": 0.016}
SIDES = {"intake": ("intake_pulse", "drop"), "exhaust": ("exhaust_pulse", "rise")}
STANDS_OUT = -15.0
"""Per cent: a valve that stays shut and moves its pulse by less hardly shows, and another may be the least by chance."""


def _module(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


TESTS = Path(__file__).parents[1]
ENGINES = _module("attribution_engines", TESTS / "dsp" / "test_attribution.py").ENGINES
COUPLED = _module("health_conftest", TESTS / "health" / "conftest.py").Cranks.coupled


@dataclasses.dataclass(frozen=True)
class Recorded:
    """How one recording was made."""

    side: str
    upright: bool
    polarity_written: bool
    delay_s: float
    travel_given: bool
    every: str
    wheel: bool
    corner_hz: float
    corner_given: bool

    @classmethod
    def drawn(cls, side: str, rng: np.random.Generator) -> Recorded:
        return cls(
            side=side,
            upright=bool(rng.random() < 0.6),
            polarity_written=bool(rng.random() < 0.4),
            delay_s=LONGEST_S[side] * float(rng.integers(0, 5)) / 4.0,
            travel_given=bool(rng.random() < 0.5),
            every=str(rng.choice(["cycle", "cycle", "revolution"])),
            wheel=bool(rng.random() < 0.5),
            corner_hz=float(rng.choice([0.4, 1.0, 2.5])),
            corner_given=bool(rng.random() < 0.5),
        )

    def __str__(self) -> str:
        words = [
            "upright" if self.upright else "upside down",
            "positive_is " + ("written" if self.polarity_written else "not written"),
            f"{1000 * self.delay_s:.0f} ms " + ("given" if self.travel_given else "not given"),
            f"sync a {self.every}" + (" and wheel" if self.wheel else ""),
            f"corner {self.corner_hz:g} Hz " + ("given" if self.corner_given else "not given"),
        ]
        return ", ".join(words)


def setup_of(engine: str, how: Recorded | None) -> Setup:
    order, intervals = ENGINES[engine]
    text = f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"
    text += f"firing_intervals_deg = {list(intervals)}\n" if intervals else ""
    text += '[conditions]\nengine_temperature_c = 85\nthrottle = "closed"\n'
    if how is None:
        return parse_setup(text + '[[probe]]\nname = "pulse"\nrole = "intake_pulse"\ninput = 0\n')
    text += f'[[probe]]\nname = "pulse"\nrole = "{SIDES[how.side][0]}"\ninput = 0\nvolts_per_unit = 1.0\n'
    if how.polarity_written:  # rightly
        text += f'positive_is = "{"pressure" if how.upright else "vacuum"}"\n'
    text += f"low_corner_hz = {how.corner_hz}\n" if how.corner_given else ""
    if how.travel_given:
        conditions = parse_setup(text).conditions
        speed = speed_of_sound(gas_temperature_c(SIDES[how.side][0], conditions))
        text += f"travel_m = {how.delay_s * speed:.4f}\n"
    text += f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 1\ncylinder = {order[0]}\n'
    text += f'every = "{how.every}"\noffset_deg = {SPARK_DEG}\n'
    if how.wheel:
        text += (
            '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 2\nteeth = "60-2"\nedge = "falling"\n'
        )
    return parse_setup(text)


def cranked(engine: str, side: str, shut: int, seed: int) -> CrankTrace:
    """One engine out of production whose valve stays shut, at 1 kHz."""
    setup = setup_of(engine, None)
    rng = np.random.default_rng([seed, list(ENGINES).index(engine)])
    drawn = scattered(parameters_for(setup, rng), rng)
    faults = (Fault(kind=f"{side}_valve_not_opening", cylinders=(shut,)),)
    scenario = dataclasses.replace(
        scenario_for(setup, faults=faults), rest_s=REST_S, crank_s=CRANK_S, coast_s=0.8, output_hz=RATE_HZ
    )
    return simulate(drawn, scenario)


def blocks_of(setup: Setup, trace: CrankTrace, volts: np.ndarray) -> list[Block]:
    angles = firing_angles(setup.engine)
    until = float(trace.times_s[-1]) + 1.0 / RATE_HZ
    blocks: list[Block] = []
    for probe in setup.probe[1:]:
        if probe.is_sync:
            period = 720.0 if probe.every == "cycle" else 360.0
            times, _, forward = probes.edge_times(trace, [angles[probe.cylinder] + SPARK_DEG], period)
            ahead = times[forward]
            both = np.stack([ahead, ahead + 0.0015], axis=1).ravel()
            blocks.append(EdgeBlock(1, both, np.tile([True, False], ahead.size), until))
            continue
        falls, _, down = probes.edge_times(trace, [84.0 + 6.0 * k for k in range(58)], 360.0)
        rises, _, up = probes.edge_times(trace, [81.0 + 6.0 * k for k in range(58)], 360.0)
        times = np.concatenate([falls[down], rises[up]])
        rising = np.repeat([False, True], [int(down.sum()), int(up.sum())])
        order = np.argsort(times)
        blocks.append(EdgeBlock(2, times[order], rising[order], until))
    return [*blocks, SampleBlock((0,), volts[None, :], float(trace.times_s[0]), 1.0 / RATE_HZ)]


def outcome(
    engine: str, shut: int, how: Recorded, pressure: np.ndarray, trace: CrankTrace
) -> tuple[str, str]:
    """One of the four words, and what was said."""
    setup = setup_of(engine, how)
    signal = probes.delayed(pressure, 1.0 / RATE_HZ, how.delay_s)
    volts = COUPLED(
        signal, corner_hz=how.corner_hz, sign=1.0 if how.upright else -1.0, noise_db=NOISE_DB, seed=3
    )
    pipeline = Pipeline(setup)
    for block in blocks_of(setup, trace, volts):
        pipeline.push(block)
    pipeline.flush()
    judgement = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0))
    feature = SIDES[how.side][1]
    part = next((c for c in judgement.comparisons if (c.feature, c.stretch) == (feature, "cranking")), None)
    rows = [] if part is None else [r for r in part.cylinders if r.deviation is not None]
    if judgement.refused or part is None or not rows:
        return "open", f"refused: {judgement.refused}"
    least = min(rows, key=lambda r: r.deviation or 0.0)
    named = (least.cylinder,) if least.cylinder is not None else tuple(least.one_of or ())
    codes = sorted({w.code for w in judgement.warnings} & SAID)
    said = f"{named} {least.deviation:.0f} %, {part.trust} {list(part.because)} {codes}"
    if not named or (least.deviation or 0.0) > STANDS_OUT:
        return "open", said
    return ("WRONG" if shut not in named else "alone" if len(named) == 1 else "among"), said


SAID = {"polarity", "polarity_untold", "strokes_open", "travel_estimated", "pipe_rings", "half_cycle_told"}


def bounds(bad: int, of: int) -> str:
    low = beta.ppf(0.025, bad, of - bad + 1) if bad else 0.0
    high = beta.ppf(0.975, bad + 1, of - bad) if bad < of else 1.0
    return f"wrong {bad} of {of} ({100 * low:.1f} to {100 * high:.1f} %)"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--engine", nargs="*", choices=list(ENGINES), default=[e for e in ENGINES if e != "one"]
    )
    parser.add_argument("--side", nargs="*", choices=list(SIDES), default=list(SIDES))
    parser.add_argument("--runs", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all", action="store_true", help="a line for each recording")
    args = parser.parse_args()
    counts: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for engine in args.engine:
        for side in args.side:
            rng = np.random.default_rng([args.seed, list(ENGINES).index(engine), list(SIDES).index(side)])
            order = ENGINES[engine][0]
            shut = order[int(rng.integers(len(order)))]
            trace = cranked(engine, side, shut, args.seed)
            pressure = (probes.intake_pulse if side == "intake" else probes.exhaust_pulse)(trace)
            for _ in range(args.runs):
                how = Recorded.drawn(side, rng)
                word, said = outcome(engine, shut, how, pressure, trace)
                counts[f"{engine} {side}"][word] += 1
                settled = [
                    "polarity written" if how.polarity_written else "polarity open",
                    "travel given" if how.travel_given else "travel open",
                    f"sync a {how.every}",
                ]
                counts[f"{side}, {', '.join(settled)}"][word] += 1
                if args.all or word == "WRONG":
                    print(f"{engine} {side} shut in {shut}: {word} {said}; {how}", flush=True)
    for key, of in counts.items():
        print(f"{key}: {dict(of)}; {bounds(of['WRONG'], of.total())}")


if __name__ == "__main__":
    main()
