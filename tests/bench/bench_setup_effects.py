"""Does the judgement tell what the set-up made from what the engine has? On engines that it does not know.

Every recording is a simulated crank: an engine drawn from priors that are wider than the judgement's and other in
kind (uniform, not log-normal; air whose heat capacity varies; other discharge, hoses, valve timing, probe corners
off by a tenth), recorded by probes with noise at 10 bits' worth of steps. The judgement sees the set-up file and
the signals. The truth is the same engine cranked without what is fitted, read without noise.

    python tests/bench/bench_setup_effects.py [--recordings 216] [--workers 2] [--kinds "V8, sync only"]

With fewer kinds the recordings of each are the same.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.messages import Judgement, SourceInfo
from evenstroke_dsp.physics import (
    CrankTrace,
    EngineParameters,
    Fault,
    parameters_for,
    scattered,
    scenario_for,
    simulate,
)
from evenstroke_dsp.physics.parameters import CONSTANT_CP_OVER_R, VARIABLE_CP_OVER_R
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import EDGE_ROLES, Setup, parse_setup
from evenstroke_dsp.simulated_probes import read_crank
from evenstroke_replay.physics_cache import PhysicsCache
from evenstroke_replay.rig_physics import PhysicsSource

RATE_HZ = 2000.0
REST_S, CRANK_S, COAST_S = 0.3, 8.0, 0.3
STEP_S = 100e-6
SLOWEST_RPM = 80.0
SEED = 5150

PROBES = """
[acquisition]
rate_hz = 2000
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
low_corner_hz = 0.8
volts_per_unit = 0.5
[[probe]]
name = "spark"
role = "ignition_sync"
input = 1
cylinder = 1
offset_deg = -8
[[probe]]
name = "starter"
role = "starter_current"
input = 2
volts_per_unit = 0.004
volts_at_zero = 0.5
"""
WHEEL = """
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 3
teeth = "60-2"
edge = "falling"
first_tooth_deg = 84
"""
EXHAUST = """
[[probe]]
name = "exhaust"
role = "exhaust_pulse"
input = 4
low_corner_hz = 0.8
volts_per_unit = 2.0
travel_m = 2.0
"""


def setup_text(engine: str, probes: str, hose: tuple[int, float] | None) -> str:
    fitted = ""
    if hose is not None:
        fitted = f'[[fitted]]\nwhat = "transducer hose"\ncylinder = {hose[0]}\nadded_volume_cc = {hose[1]}\n'
    conditions = '[conditions]\nengine_temperature_c = 80\nthrottle = "closed"\nfuel = "disabled"\nignition = "disabled"\n'
    return f"schema = 1\n[engine]\n{engine}\n{conditions}{PROBES}{probes}{fitted}"


KINDS = {
    "four, wheel": (
        "cylinders = 4\nfiring_order = [1, 3, 4, 2]\ndisplacement_cc = 1900\ncompression_ratio = 10.2",
        WHEEL,
        (3, 10.0),
    ),
    "six, wheel and exhaust": (
        "cylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\ndisplacement_cc = 2988\ncompression_ratio = 9.4",
        WHEEL + EXHAUST,
        (5, 9.0),
    ),
    "V8, sync only": (
        "cylinders = 8\nfiring_order = [1, 8, 4, 3, 6, 5, 7, 2]\ndisplacement_cc = 5700\ncompression_ratio = 9.3",
        "",
        (4, 20.0),
    ),
    "three, wheel": ("cylinders = 3\nfiring_order = [1, 3, 2]\ndisplacement_cc = 1300", WHEEL, (2, 8.0)),
}
FAULTS = (
    ("ring_leak", 1.0, 3.0),
    ("intake_valve_leak", 0.5, 3.0),
    ("exhaust_valve_leak", 0.5, 3.0),
    ("intake_restriction", 0.88, 0.96),
    ("worn_lobe", 0.6, 0.85),
)
SHARES = {"fitted, healthy": 20, "bare, healthy": 15, "fitted, faulty": 14, "bare, faulty": 5}


def wide(setup: Setup, rng: np.random.Generator) -> EngineParameters:
    """An engine of that kind from priors of the bench's own."""
    p = parameters_for(setup, rng)

    def by(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    p = dataclasses.replace(
        p,
        discharge=rng.uniform(0.6, 0.85),
        cp_over_r=VARIABLE_CP_OVER_R if rng.random() < 0.5 else CONSTANT_CP_OVER_R,
        heat_factor=rng.uniform(1.0, 4.0),
        exhaust_opens_deg=rng.uniform(115, 142),
        exhaust_closes_deg=rng.uniform(365, 385),
        intake_opens_deg=rng.uniform(335, 365),
        intake_closes_deg=rng.uniform(575, 608),
        inertia_kg_m2=p.inertia_kg_m2 * by(0.6, 1.7),
        coulomb_nm=p.coulomb_nm * by(0.75, 1.35),
        # From next to none, as in a model that lets torque follow speed at once, to that of a high-geared starter.
        starter_inertia_kg_m2=p.inertia_kg_m2 * by(0.01, 1.5),
        clutch_stiffness_nm=by(400.0, 20_000.0),
        armature_ohm=p.armature_ohm * by(0.85, 1.15),
        battery_ohm=p.battery_ohm * by(0.8, 1.4),
        plenum_l=p.plenum_l * by(0.6, 1.7),
        throttle_leak_mm2=p.throttle_leak_mm2 * by(0.6, 1.7),
        runner_mm2=p.runner_mm2 * by(0.8, 1.3),
        tail_l=p.tail_l * by(0.7, 1.5),
    )
    return scattered(p, rng, rng.uniform(0.6, 1.1))


@dataclasses.dataclass(frozen=True)
class Case:
    kind: str
    group: str
    number: int
    setup: Setup
    prediction: Prediction


@dataclasses.dataclass(frozen=True)
class Outcome:
    kind: str
    group: str
    engine_findings: int
    of_set_up: int  # of those, where what is fitted made at least half of the deviation
    covered: int
    predicted: int
    covered_prior: int
    widths: tuple[float, ...]
    prior_widths: tuple[float, ...]
    shown: bool  # the fault moves a verdict's pulse by more than the margin, and that pulse was found odd
    excused: bool
    called: bool
    cycles: int
    left_open: int  # comparisons whose pulses may each be several cylinders'
    compared: int
    notes: tuple[str, ...]


def crank(
    setup: Setup, p: EngineParameters, rng: np.random.Generator, faults: tuple[Fault, ...]
) -> dict[str, CrankTrace]:
    """The recording's trace, the same without what is fitted, and, faulty, the same without the fault."""
    scenario = dataclasses.replace(
        scenario_for(setup, rng, faults=faults), rest_s=REST_S, crank_s=CRANK_S, coast_s=COAST_S,
        step_s=STEP_S, output_hz=RATE_HZ,
    )  # fmt: skip
    # Volumes are measured with a graduated syringe: 5 %.
    parts = tuple(
        dataclasses.replace(f, added_volume_cc=f.added_volume_cc * rng.uniform(0.95, 1.05))
        for f in scenario.fitted
    )
    scenario = dataclasses.replace(scenario, fitted=parts)
    traces = {"recorded": simulate(p, scenario)}
    if parts:
        traces["unfitted"] = simulate(p, dataclasses.replace(scenario, fitted=()))
    if faults:
        traces["sound"] = simulate(p, dataclasses.replace(scenario, faults=()))
    return traces


def blocks(setup: Setup, trace: CrankTrace, rng: np.random.Generator) -> Iterator[Block]:
    played = PhysicsSource(
        setup,
        trace,
        rest_s=REST_S,
        release_s=REST_S + CRANK_S,
        noise_db=rng.uniform(28, 44),
        seed=int(rng.integers(1 << 31)),
    )
    end = float(trace.times_s[-1])
    times = np.arange(int(end * RATE_HZ)) / RATE_HZ
    analog = tuple(i for i, probe in played.wiring.items() if probe.role not in EDGE_ROLES)
    volts = played.volts(analog, np.tile(times, (len(analog), 1)))
    volts = np.floor(np.clip(volts, 0, 4.999) / 5 * 1024) * 5 / 1024
    edges = played.edges(0.0, end)
    for i, probe in played.wiring.items():
        if probe.role in EDGE_ROLES:
            own = [(e.t, e.rising) for e in edges if e.input == i]
            yield EdgeBlock(
                i, np.array([t for t, _ in own]), np.array([up for _, up in own], dtype=bool), end
            )
    for first in range(0, times.size, 400):
        yield SampleBlock(analog, volts[:, first : first + 400], float(times[first]), 1 / RATE_HZ)


def judged(setup: Setup, prediction: Prediction, trace: CrankTrace, rng: np.random.Generator) -> Judgement:
    # The probe's corner is what its maker says, give or take a tenth.
    real = tuple(
        changed(p, low_corner_hz=p.low_corner_hz * rng.uniform(0.9, 1.1)) if p.low_corner_hz else p
        for p in setup.probe
    )
    pipeline = Pipeline(setup, prior_prediction=prediction)
    for block in blocks(changed(setup, probe=real), trace, rng):
        pipeline.push(block)
    pipeline.flush()
    return pipeline.judge(
        SourceInfo(file=None, sha256=None, duration_s=float(trace.times_s[-1]), lost_samples=0)
    )


def changed(struct, **changes):
    import msgspec

    return msgspec.structs.replace(struct, **changes)


def run(case: Case) -> Outcome:
    rng = np.random.default_rng(
        [SEED, sorted(KINDS).index(case.kind), sorted(SHARES).index(case.group), case.number]
    )
    setup = case.setup
    faults: tuple[Fault, ...] = ()
    if "faulty" in case.group:
        kind, low, high = FAULTS[case.number % len(FAULTS)]
        where = int(rng.integers(1, setup.engine.cylinders + 1))
        faults = (Fault(kind=kind, cylinders=(where,), size=float(rng.uniform(low, high))),)
    while True:
        traces = crank(setup, wide(setup, rng), rng, faults)
        if min(float(t.rpm[t.times_s > REST_S + 1.0].mean()) for t in traces.values()) > SLOWEST_RPM:
            break  # a starter that stalls is no recording
    corners = {p.name: p.low_corner_hz for p in setup.probe if p.low_corner_hz}
    teeth = {p.name: p.first_tooth_deg for p in setup.probe if p.first_tooth_deg is not None}
    thin = round(RATE_HZ / 1000)
    readings = {name: read_crank(setup, thinned(t, thin), 2.0, corners, teeth) for name, t in traces.items()}
    judgement = judged(setup, case.prediction, traces["recorded"], rng)
    covered = predicted = covered_prior = of_set_up = 0
    widths, prior_widths, notes = [], [], []
    shown = excused = called = False
    left_open = compared = 0
    for comparison in judgement.comparisons:
        key = (comparison.probe, comparison.feature)
        if not any(c.verdict for c in comparison.cylinders):
            continue
        compared += 1
        if any(c.cylinder is None for c in comparison.cylinders):
            left_open += 1
            called |= bool(faults) and any(
                f.cause == "engine" and (f.probe, f.feature) == key for f in judgement.findings
            )
            continue
        columns = [setup.engine.firing_order.index(c) for c in comparison.reference]

        def deviation(name: str, key=key, columns=columns):
            values = readings[name].values[key]
            return 100 * (values / values[columns].mean() - 1)

        prior = case.prediction.predicted(key, columns)
        for cylinder in comparison.cylinders:
            at = setup.engine.firing_order.index(cylinder.cylinder)
            if cylinder.predicted is not None and "healthy" in case.group:
                truth = (deviation("recorded") - deviation("unfitted"))[at]
                predicted += 1
                covered += cylinder.predicted.low <= truth <= cylinder.predicted.high
                covered_prior += prior[cylinder.cylinder].low <= truth <= prior[cylinder.cylinder].high
                accused = any(
                    f.cause == "engine"
                    and (f.probe, f.feature, f.odd_pulse_at) == (*key, (cylinder.cylinder,))
                    for f in judgement.findings
                )
                of_set_up += accused and truth / cylinder.deviation >= 0.5
                if cylinder.trust == "disturbed":
                    widths.append(cylinder.predicted.high - cylinder.predicted.low)
                    prior_widths.append(prior[cylinder.cylinder].high - prior[cylinder.cylinder].low)
            if faults:
                part = (deviation("recorded") - deviation("sound"))[at]
                finding = next(
                    (
                        f
                        for f in judgement.findings
                        if (f.probe, f.feature) == key and f.odd_pulse_at == (cylinder.cylinder,)
                    ),
                    None,
                )
                # What the fault does, and not what the hose does, makes this pulse odd.
                if finding is not None and abs(part) > EVEN_MARGIN_PERCENT and part * cylinder.deviation > 0:
                    shown = True
                    called |= finding.cause == "engine"
                    if finding.cause == "set-up":
                        excused = True
                        notes.append(
                            f"excused {faults[0]} at {key}, {cylinder.cylinder}: fault {part:.1f}, read {cylinder.low:.1f} to "
                            f"{cylinder.high:.1f}, predicted {cylinder.predicted}"
                        )
    wrong = [f for f in judgement.findings if f.cause == "engine"]
    if wrong and not faults:
        notes += [f"accused: {f.text}" for f in wrong]
    if judgement.refused:
        notes.append(f"refused: {judgement.refused}")
    cycles = max((c.cycles for x in judgement.comparisons for c in x.cylinders), default=0)
    return Outcome(
        case.kind, case.group, len(wrong), of_set_up, covered, predicted, covered_prior, tuple(widths),
        tuple(prior_widths), shown, excused, called, cycles, left_open, compared, tuple(notes),
    )  # fmt: skip


def thinned(trace: CrankTrace, thin: int) -> CrankTrace:
    rows = {f.name: getattr(trace, f.name) for f in dataclasses.fields(trace)}
    cut = {k: v[..., ::thin] for k, v in rows.items() if isinstance(v, np.ndarray)}
    return dataclasses.replace(trace, **cut, hose_kpa={c: v[::thin] for c, v in trace.hose_kpa.items()})


def share(part: int, whole: int) -> str:
    """With its 95 % interval (Clopper and Pearson)."""
    from scipy.stats import beta

    if not whole:
        return "none"
    low = beta.ppf(0.025, part, whole - part + 1) if part else 0.0
    high = beta.ppf(0.975, part + 1, whole - part) if part < whole else 1.0
    return f"{part} of {whole} = {100 * part / whole:.1f} % (95 %: {100 * low:.1f} to {100 * high:.1f} %)"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=216)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=list(KINDS))
    asked = parser.parse_args()
    scale = asked.recordings / (len(KINDS) * sum(SHARES.values()))
    say = sys.stdout.write
    cases = []
    with tempfile.TemporaryDirectory() as folder:
        for kind in asked.kinds:
            engine, probes, hose = KINDS[kind]
            predictions = {}
            for name, fitted in (("fitted", hose), ("bare", None)):
                setup = parse_setup(setup_text(engine, probes, fitted))
                began = time.perf_counter()
                predictions[name] = (setup, PhysicsCache(Path(folder)).prediction(setup))
                new = time.perf_counter() - began
                began = time.perf_counter()
                PhysicsCache(Path(folder)).prediction(setup)
                say(
                    f"{kind}, {name}: {new:.1f} s for a new engine, {time.perf_counter() - began:.2f} s for a cached one\n"
                )
            for group, count in SHARES.items():
                setup, prediction = predictions[group.split(",")[0]]
                cases += [
                    Case(kind, group, k, setup, prediction) for k in range(max(1, round(count * scale)))
                ]
    began = time.perf_counter()
    with ProcessPoolExecutor(asked.workers) as pool:
        outcomes = list(pool.map(run, cases))
    say(f"{len(cases)} recordings in {time.perf_counter() - began:.0f} s\n")
    for outcome in outcomes:
        for note in outcome.notes:
            say(f"  {outcome.kind}, {outcome.group}: {note}\n")
    for kind in (None, *asked.kinds):
        these = [o for o in outcomes if kind in (None, o.kind)]
        say(f"== {kind or 'all'} ({sum(o.cycles for o in these) / len(these):.1f} cycles)\n")
        healthy = [o for o in these if o.group == "fitted, healthy"]
        bare = [o for o in these if o.group == "bare, healthy"]
        faulty = [o for o in these if o.group == "fitted, faulty" and o.shown]
        plain = [o for o in these if o.group == "bare, faulty" and o.shown]
        say(
            f"set-up effects called an engine fault: {share(sum(o.of_set_up > 0 for o in healthy), len(healthy))}\n"
        )
        say(
            f"healthy engines accused, fitted: {share(sum(o.engine_findings > 0 for o in healthy), len(healthy))}\n"
        )
        say(
            f"true faults excused as set-up: {share(sum(o.excused and not o.called for o in faulty), len(faulty))} with no pulse "
            f"called the engine's; any pulse excused: {share(sum(o.excused for o in faulty), len(faulty))}\n"
        )
        say(f"healthy engines accused, bare: {share(sum(o.engine_findings > 0 for o in bare), len(bare))}\n")
        say(
            f"faults called the engine's, fitted: {share(sum(o.called for o in faulty), len(faulty))}; "
            f"bare: {share(sum(o.called for o in plain), len(plain))}\n"
        )
        say(
            f"coverage of predicted: {share(sum(o.covered for o in healthy), sum(o.predicted for o in healthy))}; by the priors: "
            f"{share(sum(o.covered_prior for o in healthy), sum(o.predicted for o in healthy))}\n"
        )
        say(
            f"comparisons whose pulses are left open between cylinders: "
            f"{share(sum(o.left_open for o in these), sum(o.compared for o in these))}\n"
        )
        widths = [w for o in healthy for w in o.widths]
        prior = [w for o in healthy for w in o.prior_widths]
        if widths:
            say(
                f"mean width where disturbed: {np.mean(widths):.1f} %, by the priors {np.mean(prior):.1f} %\n"
            )
    say(f"groups: {dict(Counter(o.group for o in outcomes))}\n")


if __name__ == "__main__":
    main()
