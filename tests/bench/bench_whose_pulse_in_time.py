"""Whose pulse is it by a sync alone, on cranks that nearly stall and on others, upside down or not?

    nice python tests/bench/bench_whose_pulse_in_time.py [--seeds N] [--first N] [--cylinders N] [--role ROLE] [--sync DEG]

Engines of two to six cylinders, and of eight, which the table does not hold, are drawn anew for each seed (evenly firing; every
second one at freezing point, every fourth with an open throttle), cranked, and recorded at 20 dB behind a low corner of 1 Hz
that the set-up does not state. Truth: the simulation's crank angle at the middle of each pulse, against where pulses of such
engines lie; further from its own cylinder's place than from a neighbour's is wrong. Each row: in how many recordings every
pulse that was named was right (of these, in how many the first cycles were left open), some were wrong, and none was named.
What is wrong is printed, too.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from bench_angle import BITS, REFERENCE_V
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.features import exhaust_middle
from evenstroke_dsp.messages import Cycle
from evenstroke_dsp.physics import CrankScenario, CrankTrace, parameters_for, probes, scattered, simulate
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from scipy import signal

ORDERS = {
    2: (1, 2),
    3: (1, 3, 2),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 8, 4, 3, 6, 5, 7, 2),
}
RATE_HZ, SNR_DB, CORNER_HZ = 1000.0, 20.0, 1.0
BLOCK = 100
LATER_DEG = {
    "intake": {2: -20, 3: -35, 4: -18, 5: 20, 6: -44, 8: -46},
    "exhaust": {2: -40, 3: -45, 4: -60, 5: -38, 6: -14, 8: 9},
}
"""Where the middle of a pulse lies after 435 degrees, or after `exhaust_middle`, in simulated cranks: medians."""


def text_of(cylinders: int, seed: int) -> str:
    warm_c, throttle = (85, 0)[seed % 2], ("closed", "open")[seed % 4 == 3]
    return (
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {list(ORDERS[cylinders])}\n"
        f'[conditions]\nengine_temperature_c = {warm_c}\nthrottle = "{throttle}"\n'
    )


def crank(cylinders: int, seed: int) -> tuple[CrankTrace, tuple[float, ...]]:
    setup = parse_setup(text_of(cylinders, seed) + '[[probe]]\nname = "i"\nrole = "intake_pulse"\n')
    rng = np.random.default_rng([seed, cylinders, 50])
    engine = scattered(parameters_for(setup, rng), rng)
    throttle = setup.conditions.throttle or "closed"
    scenario = CrankScenario(rest_s=0.3, crank_s=7.0, coast_s=0.2, throttle=throttle, output_hz=RATE_HZ)  # type: ignore[arg-type]
    return simulate(engine, scenario), engine.firing_deg


def whose(
    trace: CrankTrace, firing_deg: tuple[float, ...], text: str, role: str, sync_deg: float, *, inverted: bool
) -> tuple[int, int, int]:
    """How many pulses were given to the right cylinder, to a wrong one, and left open."""
    cylinders = len(firing_deg)
    t, angle = trace.times_s, np.maximum.accumulate(trace.theta_deg)
    kpa = (trace.plenum_kpa if role == "intake" else trace.exhaust_kpa)[0]
    heard = signal.sosfilt(signal.butter(1, CORNER_HZ, "high", fs=RATE_HZ, output="sos"), kpa - kpa[0])
    band = signal.sosfiltfilt(signal.butter(2, [0.5, 50.0], "band", fs=RATE_HZ, output="sos"), heard)
    level = float(np.std(band[t > 1.5]))
    white = level / 10 ** (SNR_DB / 20) / np.sqrt(49.5 / (RATE_HZ / 2))
    heard = heard + white * np.random.default_rng([cylinders, len(t)]).standard_normal(t.size)
    gain = min(0.5 / level, 2.4 / float(np.abs(heard).max()))
    volts = 2.5 + (-gain if inverted else gain) * heard
    volts = probes.counts(volts, REFERENCE_V, BITS) * (REFERENCE_V / 2**BITS)
    first = firing_deg[0] + sync_deg
    turns = np.arange(np.ceil((angle[0] - first) / 720.0), np.floor((angle[-1] - first) / 720.0) + 1)
    events = np.interp(first + 720.0 * turns, angle + 1e-9 * np.arange(t.size), t)
    edges = np.sort(np.concatenate([events, events + 0.002]))
    rising = np.resize([True, False], edges.size)
    text += f'[[probe]]\nname = "pulse"\nrole = "{role}_pulse"\ninput = 0\n'
    text += f'[[probe]]\nname = "cam"\nrole = "cam_sync"\ninput = 1\ncylinder = 1\noffset_deg = {sync_deg}\n'
    pipeline, messages = Pipeline(parse_setup(text)), []
    for k in range(0, t.size, BLOCK):
        begin, end = k / RATE_HZ, (k + BLOCK) / RATE_HZ
        messages += pipeline.push(SampleBlock((0,), volts[None, k : k + BLOCK], begin, 1.0 / RATE_HZ))
        inside = (edges >= begin) & (edges < end)
        messages += pipeline.push(EdgeBlock(1, edges[inside], rising[inside], end))
    messages += pipeline.flush()
    interval = 720.0 / cylinders
    place = (435.0 if role == "intake" else exhaust_middle(130.0, interval)) + LATER_DEG[role][cylinders]
    right = wrong = left_open = 0
    for m in messages:
        if not isinstance(m, Cycle) or m.stretch != "cranking" or m.left_out is not None:
            continue
        for p in (p for probe in m.probes for p in probe.pulses):
            if p.cylinder is None:
                left_open += 1
            elif p.from_s is not None and p.to_s is not None and p.to_s > p.from_s:
                middle = np.interp((p.from_s + p.to_s) / 2.0, t, angle) - firing_deg[p.cylinder - 1]
                astray = abs((middle - place + 360.0) % 720.0 - 360.0) > interval / 2.0
                right, wrong = right + (not astray), wrong + astray
    return right, wrong, left_open


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cylinders", type=int, action="append", choices=sorted(ORDERS))
    parser.add_argument("--role", action="append", choices=sorted(LATER_DEG))
    parser.add_argument("--sync", type=float, default=-8.0, help="degrees after cylinder 1's firing TDC")
    options = parser.parse_args()
    for cylinders in options.cylinders or sorted(ORDERS):
        seeds = range(options.first, options.first + options.seeds)
        cranks = [(seed, *crank(cylinders, seed)) for seed in seeds]
        for role in options.role or sorted(LATER_DEG):
            for inverted in (False, True):
                counts = {"right": 0, "of these, at first open": 0, "some wrong": 0, "none named": 0}
                for seed, trace, firing in cranks:
                    told = whose(
                        trace, firing, text_of(cylinders, seed), role, options.sync, inverted=inverted
                    )
                    right, wrong, left_open = map(int, told)
                    counts["right"] += right > 0 and not wrong
                    counts["of these, at first open"] += right > 0 and not wrong and left_open > 0
                    counts["some wrong"] += wrong > 0
                    counts["none named"] += not (right or wrong)
                    if wrong:
                        sys.stdout.write(f"    seed {seed}: {wrong} wrong, {right} right, {left_open} open\n")
                way = "upside down" if inverted else "upright"
                sys.stdout.write(f"{cylinders} cylinders, {role}, {way}: {counts}\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
