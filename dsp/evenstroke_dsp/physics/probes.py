"""Signals of probes, made from a trace: pure functions from arrays to arrays.

A chain as on the bench: a trace's pressure -> delayed -> high_pass -> volts -> with_noise -> counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter

from .cranking import CrankTrace
from .scenario import PhysicsError

Floats = NDArray[np.float64]


def intake_pulse(trace: CrankTrace, sees: Sequence[int] | None = None) -> Floats:
    """(S,) gauge pressure in the plenum of the first cylinder in `sees` (default: the first plenum), kPa."""
    return _gauge(trace.plenum_kpa[_group(trace.intake_groups, sees)], trace)


def exhaust_pulse(trace: CrankTrace, sees: Sequence[int] | None = None) -> Floats:
    """(S,) gauge pressure in that cylinder's tail pipe, kPa."""
    return _gauge(trace.exhaust_kpa[_group(trace.exhaust_groups, sees)], trace)


def crankcase_pulse(trace: CrankTrace) -> Floats:
    """(S,) gauge pressure in the crankcase, kPa."""
    return _gauge(trace.crankcase_kpa, trace)


def cylinder_transducer(trace: CrankTrace, cylinder: int) -> Floats:
    """(S,) gauge pressure, kPa, where a transducer of that cylinder sits: at the end of its hose, if it has one."""
    return _gauge(trace.hose_kpa.get(cylinder, trace.cylinder_kpa[cylinder - 1]), trace)


def delayed(signal: Floats, period_s: float, delay_s: float) -> Floats:
    """The signal delay_s later, by linear interpolation; before that, its first value."""
    places = np.arange(signal.size, dtype=np.float64)
    return np.interp(places - delay_s / period_s, places, signal)


def travel_time(travel_m: float, temperature_k: float = 293.15) -> float:
    """Time, s, of sound over that gas path. c = 331.3 sqrt(T / 273.15) m/s (343.2 at 20 C, ISO 9613-1)."""
    return travel_m / (331.3 * math.sqrt(temperature_k / 273.15))


def high_pass(signal: Floats, period_s: float, corner_hz: float) -> Floats:
    """An AC-coupled probe (a piezo disc on its bias resistors): first order, at rest before the start.

    Bilinear transform with the corner prewarped: the response at corner_hz is exactly that of
    s / (s + 2 pi f).
    """
    warped = 2 / period_s * math.tan(math.pi * corner_hz * period_s)
    b, a = bilinear([1.0, 0.0], [1.0, warped], fs=1 / period_s)
    # The first value was there for ever: a coupled probe then reads zero.
    return np.asarray(lfilter(b, a, signal - signal[0]), dtype=np.float64)


def rc_corner_hz(capacitance_f: float, resistance_ohm: float) -> float:
    """Corner of a capacitive probe into a resistance: 1 / (2 pi R C)."""
    return 1 / (2 * math.pi * resistance_ohm * capacitance_f)


def volts(signal: Floats, volts_per_unit: float, volts_at_zero: float = 0.0) -> Floats:
    return volts_at_zero + volts_per_unit * signal


def with_noise(
    signal: Floats,
    period_s: float,
    rng: np.random.Generator,
    *,
    white_rms: float = 0.0,
    hum_amplitude: float = 0.0,
    hum_hz: float = 50.0,
) -> Floats:
    """The signal plus white noise and mains hum of random phase, in the signal's unit."""
    times = np.arange(signal.size) * period_s
    phase = rng.uniform(0, 2 * math.pi)
    hum = hum_amplitude * np.sin(2 * math.pi * hum_hz * times + phase)
    white = white_rms * rng.standard_normal(signal.size)
    return np.asarray(signal + hum + white, dtype=np.float64)


def counts(volts: Floats, reference_v: float, bits: int) -> NDArray[np.uint16]:
    """An ADC's counts: floor(volts 2^bits / reference), clipped to what its bits can say."""
    full = 2**bits
    return np.asarray(np.clip(np.floor(volts * full / reference_v), 0, full - 1), dtype=np.uint16)


def resampled(signal: Floats, times_s: Floats, wanted_s: Floats) -> Floats:
    """Linear interpolation onto other times, such as an ADC's."""
    return np.interp(wanted_s, times_s, signal)


def edge_times(
    trace: CrankTrace, edges_deg: Sequence[float], period_deg: float = 360.0
) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """When the crank passes given angles: teeth of a wheel, a cam sensor, a spark.

    edges_deg: in engine angle, modulo period_deg (360 for a wheel on the crank, 720 for once a cycle).
    Returns times (s, ascending), which of edges_deg it was, and whether the crank was turning forwards
    (an engine that comes to rest swings back over its teeth).
    Raises PhysicsError where two edges are the same.
    """
    places = np.asarray(edges_deg, dtype=np.float64) % period_deg
    order = np.argsort(places)
    ascending = places[order]
    if ascending.size == 0 or np.any(np.diff(ascending) <= 0):
        raise PhysicsError(
            "not a list of distinct angles",
            where="edges_deg",
            expected=f"at least one angle, all different modulo {period_deg:g} degrees",
            found=str(list(edges_deg)),
            todo="list each edge once",
        )
    turns, within = np.divmod(trace.theta_deg, period_deg)
    # How many edges lie below each sample's angle, counted from angle zero on.
    passed = turns.astype(np.int64) * ascending.size + np.searchsorted(ascending, within, side="right")
    times: list[float] = []
    which: list[int] = []
    forward: list[bool] = []
    for i in np.flatnonzero(np.diff(passed)):
        before, after = int(passed[i]), int(passed[i + 1])
        crossed = range(before, after) if after > before else range(before - 1, after - 1, -1)
        start, end = trace.theta_deg[i], trace.theta_deg[i + 1]
        for number in crossed:
            turn, k = divmod(number, ascending.size)
            share = (turn * period_deg + ascending[k] - start) / (end - start)
            times.append(float(trace.times_s[i] + share * (trace.times_s[i + 1] - trace.times_s[i])))
            which.append(int(order[k]))
            forward.append(after > before)
    return np.array(times), np.array(which, dtype=np.int64), np.array(forward, dtype=np.bool_)


def _gauge(absolute: Floats, trace: CrankTrace) -> Floats:
    return np.subtract(absolute, trace.ambient_kpa)


def _group(groups: tuple[tuple[int, ...], ...], sees: Sequence[int] | None) -> int:
    if not sees:
        return 0
    return next(i for i, group in enumerate(groups) if sees[0] in group)
