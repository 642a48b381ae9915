"""What a set-up's probes would show of a simulated crank, measured by the judgement's own code.

The crank angle is the simulation's own, so that what is measured is the pulses and not an error of angle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from .angle import Rotation
from .blocks import Floats
from .conditioning import THINNED_HZ, Conditioner
from .cycles import CycleSpan, Place
from .engine import CYCLE_DEG, firing_angles
from .features import ROLE_PULSES
from .history import History
from .measurement import Measured, ProbeMeasurer
from .physics import CrankTrace, probes
from .setup import DEFAULT_LOWPASS_HZ, EDGE_ROLES, PULSE_ROLES, Probe, Setup
from .wheel_lock import WheelPattern

OUTPUT_HZ = THINNED_HZ
"""Rate at which a trace must have been kept: that of conditioned signals."""
_LAST_TURN_DEG = 140.0
"""A cycle is measured with an arm on either side, so that the last one begins that much earlier."""

Key = tuple[str, str]
"""Probe and feature."""


@dataclass(frozen=True, slots=True)
class CrankReading:
    """Means over the steady cycles of one simulated crank.

    values: for each probe and feature, one value per cylinder that is heard, in firing order (NaN where
    nothing was found), in the probe's unit. rpm: mean speed. swings: for probes of the starter, battery
    and crank, highest less lowest of the mean pulse as a share of the signal's mean.
    """

    values: dict[Key, Floats]
    rpm: float
    swings: dict[str, float]


def judged_probes(setup: Setup) -> tuple[Probe, ...]:
    """Those whose pulses are measured and simulated."""
    return tuple(p for p in setup.probe if p.role in ROLE_PULSES)


def heard_cylinders(setup: Setup, probe: Probe) -> tuple[int, ...]:
    """Cylinders whose pulses the probe shows, in firing order."""
    heard = ProbeMeasurer(setup, probe, None).heard
    return tuple(c for c in setup.engine.firing_order if c in heard)


def read_crank(
    setup: Setup,
    trace: CrankTrace,
    settled_s: float,
    corners_hz: Mapping[str, float],
    first_tooth_deg: Mapping[str, float],
) -> CrankReading:
    """Measures every complete cycle that begins `settled_s` or later.

    trace: kept at OUTPUT_HZ. corners_hz: each AC-coupled probe's own low corner, by name; a probe
    without one is coupled directly. first_tooth_deg: where each wheel's first tooth lies, as in a set-up; the
    speed of a wheel without one is taken from the crank itself.
    """
    period = 1.0 / OUTPUT_HZ
    sampled = [p for p in judged_probes(setup) if p.role not in EDGE_ROLES]
    history = History()
    if sampled:
        rows = np.array([_signal(setup, p, trace, period, corners_hz.get(p.name)) for p in sampled])
        asked = [p.lowpass_hz if p.lowpass_hz is not None else DEFAULT_LOWPASS_HZ[p.role] for p in sampled]
        values, lost = Conditioner(asked, OUTPUT_HZ).finish(rows)
        history.add(0.0, period, values, lost)
    rotation = _rotation(trace)
    spans = list(_cycles(setup, rotation, settled_s))
    readings: dict[Key, Floats] = {}
    swings: dict[str, float] = {}
    for probe in judged_probes(setup):
        row = sampled.index(probe) if probe in sampled else None
        measurer = ProbeMeasurer(setup, probe, row)
        toothed = spans
        if rotation is not None and probe.name in first_tooth_deg:
            # A gap between teeth hides a part of the speed's course, always beside the same cylinders.
            knots = _toothed(setup, probe, rotation, first_tooth_deg[probe.name])
            toothed = [replace(span, rotation=knots) for span in spans]
        cycles = [measurer.measure(span, history, "cranking") for span in toothed]
        for feature in measurer.pulse.features:
            readings[probe.name, feature.name] = _means(setup, probe, cycles, feature.name)
        if measurer.rhythm is not None and probe.role not in PULSE_ROLES:
            swings[probe.name] = measurer.rhythm
    rpm = float(np.mean([span.rpm for span in spans])) if spans else math.nan
    return CrankReading(readings, rpm, swings)


def _signal(setup: Setup, probe: Probe, trace: CrankTrace, period: float, corner_hz: float | None) -> Floats:
    """What the probe gives, in its unit."""
    sees = setup.sees(probe)
    if probe.role in ("intake_pulse", "manifold_pressure"):
        signal = probes.intake_pulse(trace, sees)
    elif probe.role == "exhaust_pulse":
        signal = probes.exhaust_pulse(trace, sees)
    elif probe.role == "crankcase_pulse":
        signal = probes.crankcase_pulse(trace)
    elif probe.role == "cylinder_pressure" and probe.cylinder is not None:
        signal = probes.cylinder_transducer(trace, probe.cylinder)
    elif probe.role == "starter_current":
        signal = trace.current_a
    else:
        signal = trace.battery_v
    if probe.travel_m is not None:
        signal = probes.delayed(signal, period, probes.travel_time(probe.travel_m))
    if corner_hz is not None:
        signal = probes.high_pass(signal, period, corner_hz)
    return -signal if probe.positive_is == "vacuum" and probe.role in PULSE_ROLES else signal


def _rotation(trace: CrankTrace) -> Rotation | None:
    """The crank's longest way forwards, a knot for each sample; None where it hardly turns.

    At rest, and when it comes to rest, it swings back.
    """
    falls = np.flatnonzero(np.diff(trace.theta_deg) <= 0)
    ends = np.concatenate([[-1], falls, [trace.theta_deg.size - 1]])
    longest = int(np.argmax(np.diff(ends)))
    forward = slice(int(ends[longest]) + 1, int(ends[longest + 1]) + 1)
    theta = trace.theta_deg[forward]
    if theta.size < 2 or theta[-1] - theta[0] < CYCLE_DEG:
        return None
    return Rotation(t=trace.times_s[forward].tolist(), deg=theta.tolist(), uncertainty_deg=0.0, of_teeth=True)


def _cycles(setup: Setup, rotation: Rotation | None, settled_s: float) -> Iterator[CycleSpan]:
    if rotation is None:
        return
    places = tuple(Place(c, None, angle) for c, angle in firing_angles(setup.engine).items())
    number = 0
    start = math.ceil(rotation.time_to_deg(max(settled_s, rotation.t[0])) / CYCLE_DEG) * CYCLE_DEG
    # What a pulse's travel takes at the end is less than the arm.
    while start + CYCLE_DEG + _LAST_TURN_DEG <= rotation.deg[-1]:
        yield CycleSpan(rotation, 0, number, start, places)
        start += CYCLE_DEG
        number += 1


def _toothed(setup: Setup, probe: Probe, rotation: Rotation, first_tooth_deg: float) -> Rotation:
    """The same turning with knots where a tooth's edge passes, and nowhere else."""
    pattern = WheelPattern.of(probe.teeth) if probe.teeth is not None else None
    if pattern is None:
        return rotation
    zero = firing_angles(setup.engine).get(1, 0.0) + first_tooth_deg
    first, last = rotation.deg[0], rotation.deg[-1]
    turns = np.arange(math.floor((first - zero) / 360.0), math.ceil((last - zero) / 360.0) + 1)
    deg = (zero + turns[:, None] * 360.0 + pattern.starts[None, :]).ravel()
    deg = deg[(deg > first) & (deg < last)]
    return Rotation(t=rotation.times_at(deg).tolist(), deg=deg.tolist(), uncertainty_deg=0.0, of_teeth=True)


def _means(setup: Setup, probe: Probe, cycles: list[tuple[Measured, ...]], feature: str) -> Floats:
    heard = heard_cylinders(setup, probe)
    found: dict[int, list[float]] = {c: [] for c in heard}
    for cycle in cycles:
        for m in cycle:
            # A cylinder without a pulse stays without a number: what cannot be compared is no prediction.
            if m.pulse is None or m.pulse.t_to <= m.pulse.t_from:
                continue
            if m.place.cylinder is not None and feature in m.pulse.values:
                found[m.place.cylinder].append(m.pulse.values[feature])
    return np.array([float(np.mean(found[c])) if found[c] else math.nan for c in heard])
