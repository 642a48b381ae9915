"""Engines cranked by the first-principles physics, with probes as on the bench, fed into the pipeline."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import Comparison, CylinderBalance, Judgement, ProbeHealth, SourceInfo
from evenstroke_dsp.physics import CrankTrace, parameters_for, probes, scattered, scenario_for, simulate
from evenstroke_dsp.physics.scenario import Fault
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Setup, parse_setup
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

Floats = NDArray[np.float64]

RATE_HZ = 2000.0
SPARK_DEG = -8.0
WHEEL = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 3\nteeth = "60-2"\nedge = "falling"\nfirst_tooth_deg = 84\n'

ENGINES: dict[str, tuple[list[int], str]] = {
    "odd twin": ([1, 2], "firing_intervals_deg = [270, 450]"),
    "three": ([1, 3, 2], ""),
    "four": ([1, 3, 4, 2], ""),
    "five": ([1, 2, 4, 5, 3], ""),
    "six": ([1, 5, 3, 6, 2, 4], ""),
    "odd six": ([1, 2, 3, 4, 5, 6], "firing_intervals_deg = [150, 90, 150, 90, 150, 90]"),
    "eight": ([1, 8, 4, 3, 6, 5, 7, 2], ""),
    "twelve": ([1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9], ""),
}


@dataclass(frozen=True)
class Outcome:
    judgement: Judgement
    health: tuple[ProbeHealth, ...]
    pipeline: Pipeline

    @property
    def codes(self) -> set[str]:
        return {w.code for w in self.judgement.warnings}

    def said(self, code: str) -> str:
        """All warnings of that code."""
        return " ".join(w.text for w in self.judgement.warnings if w.code == code)

    def comparison(self, probe: str, feature: str) -> Comparison:
        (found,) = (
            c
            for c in self.judgement.comparisons
            if (c.probe, c.feature, c.stretch) == (probe, feature, "cranking")
        )
        return found

    def cylinders(self, probe: str, feature: str) -> dict[int, CylinderBalance]:
        return {c.cylinder or c.position or 0: c for c in self.comparison(probe, feature).cylinders}


@dataclass
class Cranks:
    """Makes set-ups and cranks, each once, and runs them through the pipeline."""

    _known: dict[str, CrankTrace] = field(default_factory=dict)

    def setup(
        self,
        kind: str,
        *,
        intake: str = "",
        exhaust: str = "",
        conditions: str = 'throttle = "closed"',
        wheel: bool = True,
        sync: str = "cycle",
        extra: str = "",
    ) -> Setup:
        order, intervals = ENGINES[kind]
        text = (
            f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {order}\n{intervals}\n"
            f"[conditions]\nengine_temperature_c = 85\n{conditions}\n"
            f'[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\nvolts_per_unit = 1.0\n{intake}\n'
            f'[[probe]]\nname = "exhaust"\nrole = "exhaust_pulse"\ninput = 1\nvolts_per_unit = 1.0\n{exhaust}\n'
        )
        if sync:
            text += (
                f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 2\ncylinder = {order[0]}\n'
                f'every = "{sync}"\noffset_deg = {SPARK_DEG}\n'
            )
        return parse_setup(text + (WHEEL if wheel else "") + extra)

    def crank(
        self, setup: Setup, *, seed: int = 1, seconds: float = 6.0, faults: tuple[Fault, ...] = ()
    ) -> CrankTrace:
        """rest 0.6 s, crank, coast 0.8 s: one engine out of production, drawn by the seed."""
        plain = (setup.engine, setup.conditions.throttle, setup.fitted)
        key = repr((plain, seed, seconds, faults))
        if key not in self._known:
            for attempt in range(20):
                rng = np.random.default_rng([seed, attempt])
                engine = scattered(parameters_for(setup, rng), rng)
                scenario = dataclasses.replace(
                    scenario_for(setup, faults=faults),
                    rest_s=0.6,
                    crank_s=seconds,
                    coast_s=0.8,
                    output_hz=RATE_HZ,
                )
                trace = simulate(engine, scenario)
                # Some drawn starters do not get some drawn engines over a compression.
                if trace.theta_deg[-1] - trace.theta_deg[0] > seconds * 120 * 6:
                    break
            self._known[key] = trace
        return self._known[key]

    @staticmethod
    def coupled(
        pressure: Floats,
        *,
        corner_hz: float = 0.0,
        sign: float = 1.0,
        travel_m: float = 0.0,
        noise_db: float | None = None,
        seed: int = 5,
    ) -> Floats:
        """What a probe of that corner reads, kPa; noise by the RMS of pulse and noise within 0.5 to 50 Hz."""
        period = 1.0 / RATE_HZ
        x = probes.delayed(pressure, period, probes.travel_time(travel_m)) if travel_m else pressure
        if corner_hz:
            x = probes.high_pass(x, period, corner_hz)
        if noise_db is not None:
            band = butter(2, [0.5, 50.0], "bandpass", fs=RATE_HZ, output="sos")
            pulse = sosfiltfilt(band, x)[x.size // 3 : -x.size // 4]
            share = 49.5 / (RATE_HZ / 2.0)  # of white noise that lies in the band
            rms = float(np.sqrt(np.mean(pulse**2))) * 10 ** (-noise_db / 20.0) / np.sqrt(share)
            x = probes.with_noise(x, period, np.random.default_rng(seed), white_rms=rms)
        return np.asarray(sign * x)

    @staticmethod
    def blocks(
        setup: Setup, trace: CrankTrace, signals: dict[int, Floats], scans: int = 200
    ) -> Iterator[Block]:
        """Samples of the analog inputs and the edges of spark and wheel, as a board would send them."""
        angles = firing_angles(setup.engine)
        edges: dict[int, tuple[Floats, NDArray[np.bool_]]] = {}
        for probe in setup.probe:
            if probe.is_sync:
                period = 720.0 if probe.every == "cycle" else 360.0
                at = angles[probe.cylinder or 1] + (probe.offset_deg or SPARK_DEG)
                times, _, forward = probes.edge_times(trace, [at], period)
                times = times[forward]
                both = np.stack([times, times + 0.0015], axis=1).ravel()
                edges[int(probe.input or 0)] = both, np.tile([True, False], times.size)
            elif probe.role == "crank_teeth":
                teeth = [angles[1] + 84.0 + 6.0 * k for k in range(58)]
                falls, _, forward = probes.edge_times(trace, teeth, 360.0)
                rises, _, back = probes.edge_times(trace, [t - 3.0 for t in teeth], 360.0)
                times = np.concatenate([falls[forward], rises[back]])
                rising = np.concatenate([np.zeros(forward.sum(), bool), np.ones(back.sum(), bool)])
                order = np.argsort(times)
                edges[int(probe.input or 0)] = times[order], rising[order]
        inputs = tuple(sorted(signals))
        volts = np.stack([signals[k] for k in inputs])
        for first in range(0, trace.times_s.size, scans):
            piece = volts[:, first : first + scans]
            t0, t1 = first / RATE_HZ, (first + piece.shape[1]) / RATE_HZ
            yield SampleBlock(inputs, piece, t0, 1.0 / RATE_HZ)
            for number, (times, rising) in edges.items():
                inside = (times >= t0) & (times < t1)
                yield EdgeBlock(number, times[inside], rising[inside], t1)

    def judged(
        self,
        setup: Setup,
        trace: CrankTrace,
        signals: dict[int, Floats],
        as_recorded: Setup | None = None,
    ) -> Outcome:
        """as_recorded: what really was fitted, where the set-up is wrong about it."""
        pipeline = Pipeline(setup)
        health: tuple[ProbeHealth, ...] = ()
        for block in self.blocks(as_recorded or setup, trace, signals):
            pipeline.push(block)
            if isinstance(block, SampleBlock) and block.t0 > trace.times_s[-1] - 2.0:
                health = health or pipeline.health()
        pipeline.flush()
        source = SourceInfo(file=None, sha256=None, duration_s=float(trace.times_s[-1]), lost_samples=0)
        return Outcome(pipeline.judge(source), health, pipeline)

    def heard(self, trace: CrankTrace, **how: object) -> dict[int, Floats]:
        """Intake on input 0 and exhaust on input 1, both probes of one kind."""
        return {
            0: self.coupled(probes.intake_pulse(trace), seed=11, **how),  # type: ignore[arg-type]
            1: self.coupled(probes.exhaust_pulse(trace), seed=12, **how),  # type: ignore[arg-type]
        }


@pytest.fixture(scope="session")
def cranks() -> Cranks:
    return Cranks()
