"""How well the crank angle is known, in degrees RMS against simulated engines, by engine and by what it rests on.

    python tests/bench/bench_angle.py [--seeds N] [--engine NAME] [--basis NAME] [--leak MM2] [--gaps]

Truth: `theta_deg` of evenstroke_dsp.physics, whose engines, starters and batteries are drawn anew for each seed
(what a set-up leaves open, and ordinary scatter between cylinders). The code under test sees 12-bit
samples with noise, and edges. Errors are taken at every moment of the cycles that count for a judgement.
The floor in the same run is the straight line between the same syncs. Intervals: 95 % of a bootstrap over seeds.
Of a rhythm alone the zero is arbitrary: its mean error is taken off. `held`: share of cycles whose largest error
stays within the uncertainty that was stated for them; a rhythm alone states none for even engines.
"""

from __future__ import annotations

import argparse
import math
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from evenstroke_dsp.blocks import Block, EdgeBlock, Floats, SampleBlock
from evenstroke_dsp.cycles import TOOTH_ERROR_DEG
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import Cycle
from evenstroke_dsp.physics import CrankScenario, CrankTrace, parameters_for, probes, scattered, simulate
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.rhythm_tracker import shortest_period
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.wheel_tracker import EdgeFollower

RATE_HZ = 2000.0
BLOCK = 100
REST_S, CRANK_S = 0.5, 9.0
BITS, REFERENCE_V = 12, 5.0
SYNC_DEG, SYNC_INPUT = -8.0, 3
CHECK_EVERY_S = 0.005


@dataclass(frozen=True)
class Engine:
    order: tuple[int, ...]
    intervals: tuple[float, ...] | None = None
    warm_c: float = 85.0

    def setup_text(self) -> str:
        text = f"schema = 1\n[engine]\ncylinders = {len(self.order)}\nfiring_order = {list(self.order)}\n"
        if self.intervals is not None:
            text += f"firing_intervals_deg = {list(self.intervals)}\n"
        return text + f"[conditions]\nengine_temperature_c = {self.warm_c}\n"


ENGINES = {
    "twin 270/450": Engine((1, 2), (270, 450)),
    "twin 315/405": Engine((1, 2), (315, 405)),
    "three": Engine((1, 3, 2)),
    "four": Engine((1, 3, 4, 2)),
    "five": Engine((1, 2, 4, 5, 3)),
    "six": Engine((1, 5, 3, 6, 2, 4)),
    "V6 150/90": Engine((1, 6, 5, 4, 3, 2), (150, 90) * 3),
    "eight": Engine((1, 8, 4, 3, 6, 5, 7, 2)),
    "four at 0 C": Engine((1, 3, 4, 2), warm_c=0.0),
    "five at 0 C": Engine((1, 2, 4, 5, 3), warm_c=0.0),
}

_INTAKE = '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\nvolts_per_unit = 0.1\nvolts_at_zero = 2.5\n'
_EXHAUST = '[[probe]]\nname = "exhaust"\nrole = "exhaust_pulse"\ninput = 5\nvolts_per_unit = 0.1\nvolts_at_zero = 2.5\n'
_CURRENT = '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 1\nvolts_per_unit = 0.004\n'
_VOLTAGE = '[[probe]]\nname = "battery"\nrole = "battery_voltage"\ninput = 2\nvolts_per_unit = 0.3\n'
_SYNC = '[[probe]]\nname = "cam"\nrole = "cam_sync"\ninput = 3\ncylinder = {first}\nevery = "{every}"\noffset_deg = {deg}\n'
_WHEEL = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 4\nteeth = "60-2"\nedge = "falling"\n'

BASES: dict[str, tuple[str, ...]] = {
    "sync": (_INTAKE, _SYNC),
    "sync, exhaust": (_EXHAUST, _SYNC),
    "sync, voltage": (_INTAKE, _VOLTAGE, _SYNC),
    "sync, current": (_INTAKE, _CURRENT, _SYNC),
    "sync, wheel": (_INTAKE, _SYNC, _WHEEL),
    "rhythm, intake": (_INTAKE,),
    "rhythm, current": (_INTAKE, _CURRENT),
}


def setup_of(engine: Engine, basis: str, *, every: str = "cycle") -> Setup:
    told = [part.format(first=engine.order[0], every=every, deg=SYNC_DEG) for part in BASES[basis]]
    return parse_setup(engine.setup_text() + "".join(told))


def trace_of(engine: Engine, seed: int, leak_mm2: float = 0.0) -> CrankTrace:
    """One engine of that kind, cranked from rest: everything that the set-up leaves open is drawn. leak_mm2: what leaks past
    the rings of the second cylinder to fire, beside what leaks anyway; 5 leaves little of its compression."""
    rng = np.random.default_rng([seed, len(engine.order)])
    parameters = scattered(parameters_for(setup_of(engine, "sync"), rng), rng)
    leaks = list(parameters.ring_leak_mm2)
    leaks[engine.order[1] - 1] += leak_mm2
    parameters = replace(parameters, ring_leak_mm2=tuple(leaks))
    scenario = CrankScenario(rest_s=REST_S, crank_s=CRANK_S, coast_s=0.3, output_hz=RATE_HZ)
    return simulate(parameters, scenario)


def noisy(clean: Floats, share: float, rng: np.random.Generator) -> Floats:
    """With white noise of that share of its own swing, as an ADC of BITS reads it, V."""
    volts = clean + share * float(np.ptp(clean)) * rng.standard_normal(clean.size)
    return probes.counts(volts, REFERENCE_V, BITS) * (REFERENCE_V / 2**BITS)


def blocks_of(
    setup: Setup,
    trace: CrankTrace,
    *,
    seed: int = 0,
    from_s: float = 0.0,
    sync: tuple[Floats, np.ndarray] | None = None,
) -> list[Block]:
    """What a board would send of the crank from `from_s` on, for the probes of `setup_of`. sync: the sync's level changes,
    times and whether they rise, where they are not those once a cycle at SYNC_DEG."""
    rng = np.random.default_rng(seed)
    kept = {p.input for p in setup.probe}
    clean = {
        0: 2.5 + 0.1 * probes.intake_pulse(trace),
        1: 0.004 * trace.current_a,
        2: 0.3 * trace.battery_v,
        5: 2.5 + 0.1 * probes.exhaust_pulse(trace),
    }
    analog = tuple(k for k in clean if k in kept)
    volts = np.stack([noisy(clean[k], 0.01, rng) for k in analog])
    edges = {p.input: edges_of(p.role, trace) for p in setup.probe if p.input in (SYNC_INPUT, 4)}
    if sync is not None:
        edges[SYNC_INPUT] = sync
    blocks: list[Block] = []
    first = round(from_s * RATE_HZ)
    for k in range(first, volts.shape[1], BLOCK):
        part = volts[:, k : k + BLOCK]
        blocks.append(SampleBlock(analog, part, k / RATE_HZ, 1 / RATE_HZ))
        until = (k + part.shape[1]) / RATE_HZ
        for number, (times, rising) in edges.items():
            inside = (times >= k / RATE_HZ) & (times < until)
            blocks.append(EdgeBlock(number, times[inside], rising[inside], until))
    return blocks


def edges_of(role: str, trace: CrankTrace, width_deg: float = 3.0) -> tuple[Floats, np.ndarray]:
    """Level changes of a sync (a pulse once a cycle) or of a 60-2 wheel (falling at each tooth's place)."""
    if role == "crank_teeth":
        places = [6.0 * k for k in range(58)]
        times, which, forward = probes.edge_times(trace, [*places, *(p + 3.0 for p in places)])
        return times[forward], which[forward] >= len(places)
    return sync_edges(trace, width_deg=width_deg)


def sync_edges(
    trace: CrankTrace, deg: float = SYNC_DEG, every_deg: float = 720.0, width_deg: float = 3.0
) -> tuple[Floats, np.ndarray]:
    """Level changes of a sync that rises at this angle, once in so many degrees: times, and whether they rise."""
    times, which, forward = probes.edge_times(
        trace, [deg % every_deg, deg % every_deg + width_deg], every_deg
    )
    return times[forward], which[forward] == 0


def with_false(blocks: list[Block], end_s: float, rate_hz: float, seed: int, *, true: bool) -> list[Block]:
    """The sync's events with others at random times, or the latter alone."""
    rng = np.random.default_rng([seed, round(10 * rate_hz)])
    false = np.sort(rng.uniform(0.0, end_s, rng.poisson(rate_hz * end_s)))
    out: list[Block] = []
    before = -np.inf
    for block in blocks:
        if isinstance(block, EdgeBlock) and block.input == SYNC_INPUT:
            now = false[(false >= before) & (false < block.until)]
            before = block.until
            times, rising = np.concatenate([now, now + 0.001]), np.repeat([True, False], now.size)
            if true:
                times = np.concatenate([times, block.times])
                rising = np.concatenate([rising, block.rising])
            order = np.argsort(times, kind="stable")
            block = EdgeBlock(SYNC_INPUT, times[order], rising[order], block.until)
        out.append(block)
    return out


def wrongly_named(setup: Setup, cycles: list[Cycle], trace: CrankTrace) -> int:
    """Cycles whose names lie nearer to another cylinder's place than to their own."""
    angles, wrong = firing_angles(setup.engine), 0
    for cycle in cycles:
        pulse = cycle.probes[0].pulses[0]
        at = float(np.interp(cycle.from_s, trace.times_s, trace.theta_deg))
        off = (at + pulse.firing_tdc_deg - angles[pulse.cylinder] + 360.0) % 720.0 - 360.0
        wrong += abs(off) > 360.0 / setup.engine.cylinders
    return wrong


@dataclass(frozen=True)
class Outcome:
    """Degrees RMS over the cycles that count, how many these are, and in how many the stated uncertainty held."""

    ours: float
    line: float
    cycles: int
    held: int


def run(setup: Setup, blocks: list[Block]) -> tuple[Pipeline, list[Cycle]]:
    pipeline = Pipeline(setup)
    messages = [m for b in blocks for m in pipeline.push(b)] + pipeline.flush()
    return pipeline, [m for m in messages if isinstance(m, Cycle) and m.stretch == "cranking"]


def outcome(engine: Engine, basis: str, seed: int, trace: CrankTrace) -> Outcome | None:
    """None where no cycle counts."""
    setup = setup_of(engine, basis)
    pipeline, cycles = run(setup, blocks_of(setup, trace, seed=seed))
    times, _, forward = probes.edge_times(trace, [SYNC_DEG], 720.0)
    syncs = times[forward]
    ours, line, held, counted = [], [], 0, 0
    for cycle in cycles:
        if cycle.left_out is not None:
            continue
        at = np.arange(cycle.from_s, cycle.to_s, CHECK_EVERY_S)
        truth = np.interp(at, trace.times_s, trace.theta_deg)
        straight = np.interp(at, syncs, SYNC_DEG + 720.0 * np.arange(syncs.size))
        if basis.startswith("rhythm"):
            # Its zero is arbitrary: what is wrong is what it strays from its own mean over the recording.
            rotation = next(r for r in pipeline._cutter.rotations if r.t[0] <= cycle.from_s <= r.t[-1])
            error = rotation.angles_at(at) - truth
        else:
            error = wrapped(pipeline.engine_angles(at) - truth)
        ours.append(error)
        line.append(wrapped(straight - truth)[(at >= syncs[0]) & (at <= syncs[-1])])
        counted += 1
        stated = cycle.angle_uncertainty_deg
        held += stated is not None and bool(np.abs(error).max() <= stated)
    if not ours:
        return None
    if basis.startswith("rhythm"):
        ours = [np.concatenate(ours) - float(np.median(np.concatenate(ours)))]
    return Outcome(rms(np.concatenate(ours)), rms(np.concatenate(line)), counted, held)


COARSE: dict[str, tuple[float, ...]] = {
    f"{slots}-1": tuple(360.0 / slots * k for k in range(slots - 1)) for slots in (4, 6, 8, 12, 24, 36)
}


def held_in_gaps(
    engine: Engine, trace: CrankTrace, teeth: str, begin_deg: float
) -> list[tuple[float, float]]:
    """Each cycle's largest error by a wheel of few teeth, and what was stated, degrees; none where it is not followed."""
    places = COARSE[teeth]
    times, _, forward = probes.edge_times(trace, [p + begin_deg for p in places])
    period = shortest_period(list(firing_angles(parse_setup(engine.setup_text() + _INTAKE).engine).values()))
    follower = EdgeFollower(places, period)
    follower.push(times[forward].tolist(), float(trace.times_s[-1]))
    follower.finish()
    found = []
    for rotation, zero in zip(follower.rotations, follower.tooth_zero, strict=True):
        rotation.uncertainty_deg = TOOTH_ERROR_DEG
        begins = max(rotation.time_to_deg(REST_S + 1.0), rotation.deg[0]) // 720.0 + 1.0
        while (begins + 2) * 720.0 < rotation.deg[-1]:
            degrees = np.arange(720.0 * begins, 720.0 * (begins + 1), 3.0)
            truth = np.interp(rotation.times_at(degrees), trace.times_s, trace.theta_deg) - begin_deg
            error = (degrees - zero - truth + 180.0) % 360.0 - 180.0
            stated = rotation.uncertainty_between(float(degrees[0]), float(degrees[-1]))
            assert stated is not None
            found.append((float(np.abs(error).max()), stated))
            begins += 1
    return found


def gaps(engine: str, traces: list[CrankTrace]) -> str:
    """A line for each coarse wheel."""
    lines = []
    for teeth in COARSE:
        found = [
            f
            for t in traces
            for b in (0.0, 25.0, 50.0, 75.0, 100.0, 140.0)
            for f in held_in_gaps(ENGINES[engine], t, teeth, b)
        ]
        if found:
            worst, stated = np.array(found).T
            share = float(np.mean(worst <= stated))
            lines.append(
                f"{engine:14} {teeth:6} largest error {worst.mean():5.1f} (worst {worst.max():5.1f}), "
                f"stated {stated.mean():5.1f}, held "
                f" {share:.1%} of {worst.size} cycles\n"
            )
    return "".join(lines)


def wrapped(deg: Floats) -> Floats:
    return np.asarray((deg + 360.0) % 720.0 - 360.0)


def rms(x: Floats) -> float:
    return math.sqrt(float(np.mean(np.square(x))))


def interval(values: Floats) -> tuple[float, float]:
    """95 % of the mean, by bootstrap over seeds."""
    rng = np.random.default_rng(1)
    means = rng.choice(values, (2000, values.size)).mean(axis=1)
    low, high = np.quantile(means, (0.025, 0.975))
    return float(low), float(high)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--engine", choices=ENGINES, action="append")
    parser.add_argument("--basis", choices=BASES, action="append")
    parser.add_argument("--leak", type=float, default=0.0, help="mm2 past the rings of one cylinder")
    parser.add_argument("--gaps", action="store_true", help="wheels of few teeth instead")
    asked = parser.parse_args()
    out = sys.stdout.write
    out("Degrees RMS: mean over seeds [95 % interval], the worst seed; the straight line likewise.\n")
    out(
        f"{'engine':14} {'basis':15} {'evenstroke':>20} {'worst':>6} {'line':>6} {'worst':>6} {'held':>6} {'seeds':>5}\n"
    )
    for name in asked.engine or ENGINES:
        engine = ENGINES[name]
        # The first one compiles, which two threads must not do at once.
        traces = [trace_of(engine, 0, asked.leak)]
        with ThreadPoolExecutor(2) as pool:
            traces += pool.map(
                lambda seed, engine=engine: trace_of(engine, seed, asked.leak), range(1, asked.seeds)
            )
        if asked.gaps:
            out(gaps(name, traces))
            continue
        for basis in asked.basis or BASES:
            found = [outcome(engine, basis, seed, trace) for seed, trace in enumerate(traces)]
            known = [f for f in found if f is not None]
            if not known:
                out(f"{name:14} {basis:15} no cycle counted\n")
                continue
            ours = np.array([f.ours for f in known])
            line = np.array([f.line for f in known])
            low, high = interval(ours)
            share = sum(f.held for f in known) / sum(f.cycles for f in known)
            held = "-" if basis.startswith("rhythm") else f"{share:.1%}"
            mean = f"{ours.mean():.2f} [{low:.2f}, {high:.2f}]"
            out(
                f"{name:14} {basis:15} {mean:>20} {ours.max():6.1f} {line.mean():6.1f} {line.max():6.1f} "
                f"{held:>6} {len(known):5d}\n"
            )


if __name__ == "__main__":
    main()
