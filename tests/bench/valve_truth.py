"""How far valve events, as judged from simulated cranks, lie from the valves' true timing.

    python tests/bench/valve_truth.py [--engines 100] [--first-seed 0]

Draws engines of 2 to 8 cylinders from the physics' priors, with valve timing of its own (two in five with an intake that
opens late), production scatter and sometimes a leak; cranks them; plays what probes of random corner, travel and noise
would show through the pipeline; and compares the stated intervals with the simulated timing. This is where the
offsets in `valve_events.py` come from: the printed errors are theirs. Printed for each event and source: how many, in how
many engines, the share of intervals that hold the truth with its 95 % interval (Clopper and Pearson 1934, by
scipy), the errors' percentiles, and the half widths. The worst misses are listed.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.messages import Judgement, SourceInfo
from evenstroke_dsp.physics import (
    CrankTrace,
    EngineParameters,
    Fault,
    parameters_for,
    probes,
    scattered,
    scenario_for,
    simulate,
)
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Probe, Setup, parse_setup
from scipy.stats import binomtest

OUTPUT_HZ = 2000.0
ORDERS = {
    2: [1, 2],
    3: [1, 2, 3],
    4: [1, 3, 4, 2],
    5: [1, 2, 4, 5, 3],
    6: [1, 5, 3, 6, 2, 4],
    8: [1, 8, 4, 3, 6, 5, 7, 2],
}
WHEEL = '[[probe]]\nname="wheel"\nrole="crank_teeth"\nteeth="60-2"\nedge="falling"\nfirst_tooth_deg=84\n'


@dataclasses.dataclass(frozen=True)
class Corners:
    """What the probes truly are, whatever the set-up says of it: by the probe's name."""

    low_corner_hz: Mapping[str, float] = dataclasses.field(default_factory=dict)
    travel_m: Mapping[str, float] = dataclasses.field(default_factory=dict)
    snr_db: float | None = None


class Claim(NamedTuple):
    event: str
    role: str
    error: float
    half: float
    holds: bool
    seed: int
    cylinder: int


def play(
    setup: Setup, engine: EngineParameters, trace: CrankTrace, corners: Corners, rng: np.random.Generator
) -> tuple[Pipeline, Judgement]:
    """What the pipeline makes of that crank, by the set-up's probes."""
    period = float(trace.times_s[1] - trace.times_s[0])
    columns: dict[str, np.ndarray] = {}
    edges: list[tuple[str, np.ndarray, np.ndarray]] = []
    for probe in setup.probe:
        if probe.role == "crank_teeth":
            at = [(engine.firing_deg[0] + 84 + 6 * k) % 360 for k in range(58)]
            times, _, forward = probes.edge_times(trace, at, 360.0)
            edges.append((probe.name, times[forward], np.zeros(int(forward.sum()), dtype=bool)))
        elif probe.is_sync:
            at = [(engine.firing_deg[(probe.cylinder or 1) - 1] + (probe.offset_deg or 0.0)) % 720]
            times, _, forward = probes.edge_times(trace, at, 720.0)
            both = np.sort(np.concatenate([times[forward], times[forward] + 0.002]))
            edges.append((probe.name, both, np.arange(both.size) % 2 == 0))
        else:
            columns[probe.name] = _column(probe, trace, period, corners, rng)
    pipeline = Pipeline(setup)
    values = np.array(list(columns.values()))
    for first in range(0, values.shape[1], 1000):
        block = SampleBlock(tuple(columns), values[:, first : first + 1000], first * period, period)
        pipeline.push(block)
        until = block.t0 + block.samples * period
        for name, times, rising in edges:
            inside = (times >= block.t0) & (times < until)
            pipeline.push(EdgeBlock(name, times[inside], rising[inside], until))
    pipeline.flush()
    source = SourceInfo(file=None, sha256=None, duration_s=values.shape[1] * period, lost_samples=0)
    return pipeline, pipeline.judge(source)


def _column(
    probe: Probe, trace: CrankTrace, period: float, corners: Corners, rng: np.random.Generator
) -> np.ndarray:
    """Volts, at one volt per unit."""
    if probe.role == "starter_current":
        return probes.with_noise(trace.current_a, period, rng, white_rms=3.0)
    if probe.role == "battery_voltage":
        return probes.with_noise(trace.battery_v, period, rng, white_rms=0.01)
    if probe.role == "cylinder_pressure":
        assert probe.cylinder is not None
        return probes.with_noise(
            probes.cylinder_transducer(trace, probe.cylinder), period, rng, white_rms=2.0
        )
    pulse = probes.intake_pulse if probe.role == "intake_pulse" else probes.exhaust_pulse
    x = pulse(trace, probe.sees)
    x = probes.delayed(x, period, probes.travel_time(corners.travel_m.get(probe.name, 0.0)))
    if probe.name in corners.low_corner_hz:
        x = probes.high_pass(x, period, corners.low_corner_hz[probe.name])
    if corners.snr_db is None:
        return x
    steady = slice(x.size // 4, -x.size // 8)
    # White noise that has this much of its power below 50 Hz.
    white = float(np.std(x[steady])) / 10 ** (corners.snr_db / 20) / np.sqrt(50.0 * 2 * period)
    return probes.with_noise(x, period, rng, white_rms=white)


def setup_text(
    cylinders: int,
    *,
    order: list[int] | None = None,
    engine: str = "",
    throttle: str = "closed",
    said: Mapping[str, str] | None = None,
    pressure_in: int | None = None,
    wheel: bool = True,
    extra: str = "",
) -> str:
    """Intake and exhaust pulse, a spark at the first cylinder, and what else is asked for.

    said: probe name -> lines that its table has besides.
    """
    order = order or ORDERS[cylinders]
    said = {"intake": "", "exhaust": ""} if said is None else said
    text = f"schema=1\n[engine]\ncylinders={cylinders}\nfiring_order={order}\n{engine}\n"
    text += f'[conditions]\nthrottle="{throttle}"\n'
    for name, lines in said.items():
        role = "intake_pulse" if name.startswith("intake") else "exhaust_pulse"
        text += f'[[probe]]\nname="{name}"\nrole="{role}"\nvolts_per_unit=1.0\n{lines}\n'
    if pressure_in is not None:
        text += f'[[probe]]\nname="pressure"\nrole="cylinder_pressure"\ncylinder={pressure_in}\nvolts_per_unit=1.0\n'
    text += f'[[probe]]\nname="spark"\nrole="ignition_sync"\ncylinder={order[0]}\noffset_deg=-8\n'
    return text + (WHEEL if wheel else "") + extra


def with_random_timing(engine: EngineParameters, rng: np.random.Generator, *, late: bool) -> EngineParameters:
    """Valve timing from wide ranges, wider than road engines'; late: the intake opens 12 to 42 after TDC."""
    intake = (
        (rng.uniform(372, 402), rng.uniform(596, 645))
        if late
        else (rng.uniform(334, 366), rng.uniform(578, 612))
    )
    return dataclasses.replace(
        engine,
        exhaust_opens_deg=float(rng.uniform(118, 152)),
        exhaust_closes_deg=float(rng.uniform(362, 388)),
        intake_opens_deg=float(intake[0]),
        intake_closes_deg=float(intake[1]),
    )


def claims(seed: int) -> list[Claim]:
    """Every valve event that the judgement of one drawn engine states, against the truth."""
    rng = np.random.default_rng(seed)
    cylinders = int(rng.choice([2, 3, 4, 4, 5, 6, 6, 8]))
    corner = {
        name: round(float(np.exp(rng.uniform(np.log(0.1), np.log(4.0)))), 3) for name in ("intake", "exhaust")
    }
    travel = {
        "intake": round(float(rng.uniform(0.1, 1.0)), 2),
        "exhaust": round(float(rng.uniform(0.3, 4.0)), 2),
    }
    knows_corner, knows_travel = rng.random() < 0.5, rng.random() < 0.7
    said = {
        name: (f"low_corner_hz={corner[name]}\n" if knows_corner else "")
        + (f"travel_m={travel[name]}" if knows_travel else "")
        for name in corner
    }
    text = setup_text(
        cylinders,
        throttle=str(rng.choice(["closed", "closed", "closed", "open"])),
        said=said,
        pressure_in=int(rng.integers(1, cylinders + 1)) if rng.random() < 0.6 else None,
    )
    setup = parse_setup(text)
    engine = with_random_timing(
        scattered(parameters_for(setup, rng), rng), rng, late=bool(rng.random() < 0.4)
    )
    faults = ()
    if rng.random() < 0.3:
        kind = str(rng.choice(["ring_leak", "exhaust_valve_leak", "intake_valve_leak"]))
        where = (int(rng.integers(1, cylinders + 1)),)
        faults = (Fault(kind=kind, cylinders=where, size=float(rng.uniform(0.3, 2.0))),)  # type: ignore[arg-type]
    scenario = dataclasses.replace(
        scenario_for(setup, rng, faults=faults), rest_s=0.3, crank_s=5.0, coast_s=0.2, output_hz=OUTPUT_HZ
    )
    trace = simulate(engine, scenario)
    corners = Corners(corner, travel, float(rng.choice([15, 20, 25, 30, 40])))
    _, judgement = play(setup, engine, trace, corners, rng)
    return list(_compared(setup, engine, judgement, seed))


def _compared(setup: Setup, engine: EngineParameters, judgement: Judgement, seed: int) -> Iterator[Claim]:
    for event in judgement.valve_events:
        truth = getattr(engine, f"{event.event}_deg")
        role = setup.probe_named(event.from_).role
        holds = event.low <= truth <= event.high
        yield Claim(
            event.event,
            role,
            event.deg - truth,
            (event.high - event.low) / 2,
            holds,
            seed,
            event.cylinder,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    asked = parser.parse_args()
    found: dict[tuple[str, str], list[Claim]] = defaultdict(list)
    # msgspec learns its types at first use, and two threads that do so at once crash the process.
    parse_setup(setup_text(4))
    with ThreadPoolExecutor(2) as pool:
        for several in pool.map(claims, range(asked.first_seed, asked.first_seed + asked.engines)):
            for claim in several:
                found[claim.event, claim.role].append(claim)
    sys.stdout.write(f"{asked.engines} engines from seed {asked.first_seed}\n")
    for (event, role), group in sorted(found.items()):
        # Cylinders of one engine share their offset: engines are what is counted.
        engines = {c.seed for c in group}
        held = sum(all(c.holds for c in group if c.seed == seed) for seed in engines)
        low, high = binomtest(held, len(engines)).proportion_ci(0.95)
        errors = np.percentile([c.error for c in group], [2.5, 50, 97.5])
        halves = np.median([c.half for c in group])
        sys.stdout.write(
            f"{event:15} {role:18} {len(group):4} in {len(engines):3} engines; all hold in {held / len(engines):.2f} "
            f"({low:.2f} to {high:.2f}); errors {errors[0]:+.1f} {errors[1]:+.1f} {errors[2]:+.1f} deg; "
            f"half width {halves:.1f} deg\n"
        )
        for c in sorted((c for c in group if not c.holds), key=lambda c: -abs(c.error))[:3]:
            sys.stdout.write(f"    worst: seed {c.seed}, cylinder {c.cylinder}, off by {c.error:+.1f} deg\n")


if __name__ == "__main__":
    main()
