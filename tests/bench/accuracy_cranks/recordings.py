"""What a board would have sent of a simulated crank, with everything that goes wrong in a workshop."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.engine import CYCLE_DEG
from evenstroke_dsp.physics import (
    CrankScenario,
    CrankTrace,
    EngineParameters,
    ImposedSpeed,
    parameters_for,
    probes,
    scattered,
    simulate,
)
from evenstroke_dsp.physics.scenario import Fault
from evenstroke_dsp.setup import Setup, parse_setup

from . import truth
from .truth import Floats, Stroke

RATE_HZ = 2000.0
SECONDS = 10.0
REST_S = 0.4
BLOCK_S = 0.02
BITS, REFERENCE_V = 12, 5.0
SPARK_OFFSET_DEG = -8.0
SETTLED_S = 3.0
"""From then on the plenum has been emptied, and cycles differ little."""
START_S = 6.5
"""When the engine of a recording that goes on running begins to run by itself."""


@dataclass(frozen=True)
class EngineKind:
    """An engine of the bench; `family` groups engines that share a goal."""

    order: tuple[int, ...]
    intervals: tuple[float, ...] | None = None
    temperature_c: float = 85.0

    @property
    def cylinders(self) -> int:
        return len(self.order)


ENGINES: dict[str, EngineKind] = {
    "three": EngineKind((1, 3, 2)),
    "four": EngineKind((1, 3, 4, 2)),
    "five": EngineKind((1, 2, 4, 5, 3)),
    "six": EngineKind((1, 5, 3, 6, 2, 4)),
    "v6": EngineKind((1, 2, 3, 4, 5, 6)),
    "v6-150-90": EngineKind((1, 6, 5, 4, 3, 2), (150, 90, 150, 90, 150, 90)),
    "v8": EngineKind((1, 8, 4, 3, 6, 5, 7, 2)),
    "twin-270-450": EngineKind((1, 2), (270, 450)),
    "cold-five": EngineKind((1, 2, 4, 5, 3), None, -5.0),
}
VARIANTS = 10
"""Engines of each kind: the median one and others out of the same production. With three, as it was, one engine that is hard to
crank was a third of all that its kind is judged by."""
FEWEST_CYCLES = 5
"""An engine that its starter turns over no more often than this in ten seconds is drawn again: that is another trouble."""


@dataclass(frozen=True)
class Case:
    """One recording. Shares are of 1.

    odd: (cylinder, what its deviation from the mean of all shall be, per cent). factors: (cylinder, what
    its pulses are multiplied by), in every cycle. one_offs: (settled cycle, counted from 0; cylinder;
    factor). wander: correlation from cycle to cycle of the per-cycle changes. pickup: amplitude of 50 Hz
    hum over the clean pulse's RMS. hesitates: share of its speed that the crank loses for a moment, some once a second,
    half to all of it. drift: likewise, of a slope and a slow swing.
    """

    engine: str
    seed: int
    snr_db: float
    variant: int = 0
    odd: tuple[tuple[int, float], ...] = ()
    factors: tuple[tuple[int, float], ...] = ()
    per_cycle: float = 0.01
    wander: float = 0.0
    one_offs: tuple[tuple[int, int, float], ...] = ()
    drift: float = 0.0
    sag: float = 0.0
    hesitates: float = 0.0
    lost: float = 0.0
    missed: int = 0
    doubled: int = 0
    inverted: bool = False
    pickup: float = 0.0
    starts: bool = False
    corner_hz: float | None = None
    probes: tuple[str, ...] = ("intake", "spark")


@dataclass(frozen=True)
class Crank:
    """Noise-free: what the physics made of one engine, every channel shape (samples,)."""

    t: Floats
    theta_deg: Floats
    intake_kpa: Floats
    current_a: Floats
    firing_deg: tuple[float, ...]
    lost: Floats
    """Of unevenly firing engines, what each cylinder's stroke does to the mean cycle (`truth.made_elsewhere`); else empty."""


@dataclass(frozen=True)
class Recording:
    """Blocks as they would come, and what is true of them."""

    setup: Setup
    blocks: Sequence[Block]
    t: Floats
    theta_deg: Floats
    strokes: Sequence[Stroke]
    deviations: dict[int, float]
    lost: Floats
    firing_deg: tuple[float, ...]
    one_off_times: tuple[tuple[int, float], ...] = field(default=())


def setup_of(case: Case) -> Setup:
    kind = ENGINES[case.engine]
    text = f"schema = 1\n[engine]\ncylinders = {kind.cylinders}\nfiring_order = {list(kind.order)}\n"
    if kind.intervals is not None:
        text += f"firing_intervals_deg = {list(kind.intervals)}\n"
    text += f"[conditions]\nengine_temperature_c = {kind.temperature_c}\n"
    for name in case.probes:
        text += _PROBES[name].format(first=kind.order[0])
        if name == "intake" and case.corner_hz is not None:
            text += f"low_corner_hz = {case.corner_hz}\n"
    return parse_setup(text)


_PROBES = {
    "intake": '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\n',
    "spark": '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 1\ncylinder = {first}\n'
    f"offset_deg = {SPARK_OFFSET_DEG}\n",
    "wheel": '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 2\nteeth = "60-2"\nedge = "rising"\n'
    "first_tooth_deg = 84\n",
    "current": '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 3\nvolts_per_unit = 0.005\n',
}


# --- noise-free cranks, each simulated once -----------------------------------------------------------


def simulate_all(wanted: Sequence[tuple[str, int, bool]], folder: Path) -> None:
    """Cranks every (engine, variant, starts) that is wanted, on two threads, into the folder.

    Set-ups are parsed before the threads begin: msgspec builds its types at their first use, and two threads
    that do so at once crash.
    """
    prepared = [(key, setup_of(Case(key[0], 0, 40.0))) for key in wanted]
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda item: _simulate(*item[0], item[1], folder), prepared))


def _engines(engine: str, variant: int, setup: Setup) -> Iterator[EngineParameters]:
    """Variant 0: the median engine; others: drawn, and with the scatter of production, as many as are asked for."""
    if not variant:
        yield parameters_for(setup)
    rng = np.random.default_rng([variant, *engine.encode()])
    while variant:
        yield scattered(parameters_for(setup, rng), rng)


def _simulate(engine: str, variant: int, starts: bool, setup: Setup, folder: Path) -> None:
    scenario = CrankScenario(rest_s=REST_S, crank_s=SECONDS - REST_S, coast_s=0.0, output_hz=RATE_HZ)
    for parameters in _engines(engine, variant, setup):
        trace = simulate(parameters, scenario)
        if trace.theta_deg[-1] - trace.theta_deg[0] > FEWEST_CYCLES * CYCLE_DEG:
            break
    else:
        raise RuntimeError(f"{engine}: the median engine does not turn {FEWEST_CYCLES} cycles")
    if starts:
        rpm = np.array(trace.rpm)
        runs = trace.times_s >= START_S
        rpm[runs] += (800.0 - rpm[runs]) * (1.0 - np.exp(-(trace.times_s[runs] - START_S) / 0.25))
        speed = ImposedSpeed(rad_s=rpm * math.pi / 30, period_s=1 / RATE_HZ)
        imposed = dataclasses.replace(scenario, imposed=speed, first_deg=float(trace.theta_deg[0]))
        trace = simulate(parameters, imposed)
    uneven = ENGINES[engine].intervals is not None and not starts
    np.savez(
        folder / f"{engine}-{variant}-{int(starts)}.npz",
        t=trace.times_s,
        theta=trace.theta_deg,
        intake=probes.intake_pulse(trace),
        current=trace.current_a,
        firing=np.array(parameters.firing_deg),
        lost=_lost(parameters, scenario, trace) if uneven else np.empty((0, 0)),
    )


def _lost(parameters: EngineParameters, scenario: CrankScenario, healthy: CrankTrace) -> Floats:
    """What each cylinder's stroke does to the mean cycle: the same crank with its intake valve shut tells."""

    def cycle(trace: CrankTrace) -> Floats:
        intake = probes.intake_pulse(trace)
        return truth.mean_cycle(intake, trace.theta_deg, RATE_HZ, round(RATE_HZ * SETTLED_S))

    faults = (
        Fault(kind="intake_valve_not_opening", cylinders=(c + 1,)) for c in range(len(parameters.firing_deg))
    )
    shut = [simulate(parameters, dataclasses.replace(scenario, faults=(fault,))) for fault in faults]
    return np.asarray(cycle(healthy) - np.stack([cycle(trace) for trace in shut]))


@functools.cache
def crank_of(engine: str, variant: int, starts: bool, folder: Path) -> Crank:
    with np.load(folder / f"{engine}-{variant}-{int(starts)}.npz") as saved:
        return Crank(
            saved["t"],
            saved["theta"],
            saved["intake"],
            saved["current"],
            tuple(saved["firing"].tolist()),
            saved["lost"],
        )


# --- one recording ------------------------------------------------------------------------------------


def record(case: Case, folder: Path) -> Recording:
    rng = np.random.default_rng([case.seed, *case.engine.encode()])
    crank = crank_of(case.engine, case.variant, case.starts, folder)
    setup = setup_of(case)
    heard = tuple(sorted(setup.engine.firing_order))
    strokes = truth.strokes_of(crank.intake_kpa, crank.theta_deg, crank.firing_deg, heard, RATE_HZ)
    cranking = [s for s in strokes if not case.starts or crank.t[s.next_crest] < START_S - 0.2]
    repeating = dict(case.factors)
    for cylinder, wanted in case.odd:
        healthy = truth.deviations(crank.intake_kpa, cranking, heard, RATE_HZ)
        others = sum(1.0 + d / 100.0 for c, d in healthy.items() if c != cylinder)
        share = wanted / 100.0
        repeating[cylinder] = (
            (1 + share) * others / (len(heard) - 1 - share) / (1 + healthy[cylinder] / 100.0)
        )
    every = [repeating.get(s.cylinder, 1.0) for s in strokes]
    as_repeats = truth.scaled_strokes(crank.intake_kpa, strokes, every)
    deviations = truth.deviations(as_repeats, cranking, heard, RATE_HZ)

    changes, one_offs = _changes(case, strokes, rng)
    clean = truth.scaled_strokes(
        crank.intake_kpa, strokes, [f * c for f, c in zip(every, changes, strict=True)]
    )
    t, theta, current = crank.t, crank.theta_deg, crank.current_a
    times = tuple((strokes[k].cylinder, float(t[strokes[k].trough])) for k in one_offs)
    if case.sag:
        left = 1.0 - case.sag * np.clip(crank.t / SECONDS, 0.0, 1.0)
        t, theta, clean, current, times = _slowed(left, crank, clean, times)
    if case.hesitates:
        left = _hesitations(case, crank.t)
        t, theta, clean, current, times = _slowed(left, crank, clean, times)
    turning = (t > REST_S + 1.0) & ((t < START_S) if case.starts else (t < SECONDS))
    swing = truth.band_rms(clean[turning], RATE_HZ)
    level = float(clean[turning].mean())
    intake = clean - level
    if case.corner_hz is not None:
        intake = probes.high_pass(intake, 1 / RATE_HZ, case.corner_hz)
    intake = intake + case.drift * swing * _drift(t, rng)
    if case.pickup:
        intake = intake + case.pickup * swing * np.sin(2 * math.pi * 50.0 * t + rng.uniform(0, 2 * math.pi))
    # White noise has the same power in every hertz: what lies in the band is 49.5 Hz out of half the rate.
    white = swing / 10 ** (case.snr_db / 20) / math.sqrt(49.5 / (RATE_HZ / 2))
    intake = intake + white * rng.standard_normal(t.size)
    if case.inverted:
        intake = -intake
    # Volts per kPa: some 1 V from crest to trough, but the plenum's own depression must fit as well.
    gain = min(0.25 / swing, 2.3 / float(np.abs(intake).max()))
    channels = {"intake": 2.5 + gain * intake, "current": 0.005 * current}
    analog = [p for p in ("intake", "current") if p in case.probes]
    edges = {1: _sync_edges(case, t, theta, crank, rng)}
    if "wheel" in case.probes:
        edges[2] = _wheel_edges(t, theta, crank, setup)
    sampled = np.stack(
        [probes.counts(channels[n], REFERENCE_V, BITS) * (REFERENCE_V / 2**BITS) for n in analog]
    )
    inputs = tuple({"intake": 0, "current": 3}[n] for n in analog)
    lost = rng.random(round(SECONDS / BLOCK_S)) < case.lost
    blocks = list(_blocks(inputs, sampled, edges, lost))
    return Recording(setup, blocks, t, theta, strokes, deviations, crank.lost, crank.firing_deg, times)


def _changes(
    case: Case, strokes: Sequence[Stroke], rng: np.random.Generator
) -> tuple[list[float], list[int]]:
    """Each stroke's own factor: a little different every cycle, and what happens once; which those are."""
    last: dict[int, float] = {}
    factors = []
    for s in strokes:
        fresh = case.per_cycle * float(rng.standard_normal())
        before = last.get(s.cylinder)
        now = fresh if before is None else case.wander * before + math.sqrt(1.0 - case.wander**2) * fresh
        last[s.cylinder] = now
        factors.append(1.0 + now)
    settled = [s.cycle for s in truth.settled(strokes)]
    first, number = min(settled), max(settled) - min(settled) + 1
    which = []
    for cycle, cylinder, factor in case.one_offs:
        for k, s in enumerate(strokes):
            # A crank that all but stalls has few cycles: one that is not there would be no case.
            if s.cycle == first + cycle % number and s.cylinder == cylinder:
                factors[k] *= factor
                which.append(k)
    return factors, which


def _hesitations(case: Case, t: Floats) -> Floats:
    """What is left of the speed: dips of 0.15 to 0.5 s, at random times from the first second on."""
    rng = np.random.default_rng([case.seed, 7])
    left, at = np.ones_like(t), rng.uniform(0.8, 2.0)
    while at < SECONDS:
        width, depth = rng.uniform(0.15, 0.5), case.hesitates * rng.uniform(0.5, 1.0)
        into = np.abs(t - at) < width / 2
        left[into] *= 1.0 - depth * (0.5 + 0.5 * np.cos(2 * math.pi * (t[into] - at) / width))
        at += rng.exponential(0.7) + width / 2
    return np.asarray(left)


def _slowed(
    left: Floats, crank: Crank, clean: Floats, times: tuple[tuple[int, float], ...]
) -> tuple[Floats, Floats, Floats, Floats, tuple[tuple[int, float], ...]]:
    """Speed and pulses of which that share is left, shape (samples,), the recording cut at its length."""
    stretched = np.concatenate([[0.0], np.cumsum(1.0 / left[:-1]) / RATE_HZ])
    wanted = crank.t
    level = float(np.median(clean))

    def at(x: Floats) -> Floats:
        return np.interp(wanted, stretched, x)

    moved = tuple((c, float(np.interp(t, crank.t, stretched))) for c, t in times)
    return wanted, at(crank.theta_deg), at(level + (clean - level) * left), at(crank.current_a), moved


def _drift(t: Floats, rng: np.random.Generator) -> Floats:
    """Slow: a slope and a swing of a tenth of a hertz, one unit each."""
    return np.asarray(t / SECONDS + np.sin(2 * math.pi * (0.1 * t + rng.random())))


def _crossings(
    t: Floats, theta: Floats, places: Sequence[float], period_deg: float
) -> tuple[Floats, list[int]]:
    """When the unwrapped engine angle first passes each place of each period, and which place it was."""
    turning = np.maximum.accumulate(theta)
    found: list[tuple[float, int]] = []
    for which, place in enumerate(places):
        k = np.arange(
            np.ceil((turning[0] - place) / period_deg), np.floor((turning[-1] - place) / period_deg) + 1
        )
        after = np.searchsorted(turning, place + period_deg * k, side="left")
        for at, target in zip(after, place + period_deg * k, strict=True):
            if 0 < at < t.size:
                part = (target - turning[at - 1]) / (turning[at] - turning[at - 1])
                found.append((float(t[at - 1] + part * (t[at] - t[at - 1])), which))
    found.sort()
    return np.array([f[0] for f in found]), [f[1] for f in found]


def _sync_edges(
    case: Case, t: Floats, theta: Floats, crank: Crank, rng: np.random.Generator
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    first = ENGINES[case.engine].order[0]
    events, _ = _crossings(t, theta, [crank.firing_deg[first - 1] + SPARK_OFFSET_DEG], truth.CYCLE_DEG)
    inner = np.arange(4, events.size - 2)
    missed = rng.choice(inner, size=min(case.missed, inner.size), replace=False) if case.missed else []
    extra = []
    for k in rng.choice(inner, size=min(case.doubled, inner.size), replace=False) if case.doubled else []:
        extra.append(float(events[k] + (events[k + 1] - events[k]) * rng.uniform(0.15, 0.5)))
    events = np.sort(np.concatenate([np.delete(events, missed), extra]))
    times = np.sort(np.concatenate([events, events + 0.002]))
    return times, np.resize([True, False], times.size)


def _wheel_edges(
    t: Floats, theta: Floats, crank: Crank, setup: Setup
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """A 60-2 wheel: rising at each tooth, falling three degrees later."""
    rises = [(crank.firing_deg[0] + 84.0 + 6.0 * k) % 360.0 for k in range(58)]
    ups, _ = _crossings(t, theta, rises, 360.0)
    downs, _ = _crossings(t, theta, [(r + 3.0) % 360.0 for r in rises], 360.0)
    times = np.concatenate([ups, downs])
    order = np.argsort(times)
    return times[order], np.concatenate([np.ones(ups.size, bool), np.zeros(downs.size, bool)])[order]


def _blocks(
    inputs: tuple[int, ...],
    sampled: Floats,
    edges: dict[int, tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]],
    lost: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> Iterator[Block]:
    scans = round(BLOCK_S * RATE_HZ)
    for k, gone in enumerate(lost):
        begin, end = k * BLOCK_S, (k + 1) * BLOCK_S
        if gone:
            yield Gap(begin, end, scans, GapReason.BOARD_DROPPED)
        else:
            yield SampleBlock(inputs, sampled[:, k * scans : (k + 1) * scans], begin, 1 / RATE_HZ)
        for number, (times, rising) in edges.items():
            inside = (times >= begin) & (times < end)
            yield EdgeBlock(number, times[inside], rising[inside], end)
