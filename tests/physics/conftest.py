"""Engines, cranks and what is read off them, for all tests of the physics."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from evenstroke_dsp.physics import (
    CrankScenario,
    CrankTrace,
    EngineParameters,
    ImposedSpeed,
    parameters_for,
    simulate,
)
from evenstroke_dsp.setup import parse_setup
from scipy.signal import butter, sosfiltfilt

SIX = """
schema = 1
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
displacement_cc = 2988
compression_ratio = 9.4
bore_mm = 88.0
stroke_mm = 81.9
rod_mm = 140.0
[engine.valve_events_deg]
exhaust_opens = 140
exhaust_closes = 375
intake_opens = 350
intake_closes = 590
[conditions]
engine_temperature_c = 88
[[probe]]
name = "intake"
role = "intake_pulse"
"""


def plain_setup(cylinders: int, order: list[int], extra: str = "") -> str:
    return (
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {order}\n{extra}\n"
        '[conditions]\nengine_temperature_c = 85\n[[probe]]\nname = "i"\nrole = "intake_pulse"\n'
    )


@pytest.fixture(scope="session")
def six() -> EngineParameters:
    return parameters_for(parse_setup(SIX))


@pytest.fixture(scope="session")
def crank() -> Callable[..., CrankTrace]:
    """Simulate once per session whatever several tests look at."""
    known: dict[str, CrankTrace] = {}

    def crank(parameters: EngineParameters, **scenario: object) -> CrankTrace:
        settings = {"crank_s": 6.0, **scenario}
        key = repr((parameters, settings))
        if "imposed" in settings or key not in known:
            known[key] = simulate(parameters, CrankScenario(**settings))  # type: ignore[arg-type]
        return known[key]

    return crank


def steady(trace: CrankTrace) -> np.ndarray:
    """Samples well after spin-up and before release."""
    return (trace.times_s > 3.0) & (trace.times_s < trace.times_s[-1] - 0.6)


def folded(trace: CrankTrace, signal: np.ndarray, lowpass_hz: float | None = 50.0) -> np.ndarray:
    """(720,) mean over whole steady cycles, at engine angles 0, 1 ... 719."""
    if lowpass_hz is not None:
        rate = 1 / (trace.times_s[1] - trace.times_s[0])
        signal = sosfiltfilt(butter(2, lowpass_hz, fs=rate, output="sos"), signal)
    keep = steady(trace)
    angle, signal = trace.theta_deg[keep], signal[keep]
    first, last = int(np.ceil(angle[0] / 720)), int(np.floor(angle[-1] / 720))
    grid = np.arange(720.0)
    return np.mean([np.interp(grid + 720 * k, angle, signal) for k in range(first, last)], axis=0)


def of_each(
    parameters: EngineParameters, cycle: np.ndarray, first_deg: float, last_deg: float, pick: Callable[..., float]
) -> np.ndarray:
    """(N,) `pick` (np.max, np.min) of each cylinder's window of its own angle."""
    return np.array(
        [
            pick(np.roll(cycle, -int(round(firing + first_deg)))[: int(last_deg - first_deg)])
            for firing in parameters.firing_deg
        ]
    )


def drops(parameters: EngineParameters, trace: CrankTrace) -> np.ndarray:
    """(N,) crest to trough of each cylinder's intake pulse, kPa."""
    cycle = folded(trace, trace.plenum_kpa[0])
    width = 720 / parameters.cylinders
    crest = of_each(parameters, cycle, 365 - width / 3, 365 + width / 2, np.max)
    trough = of_each(parameters, cycle, 365 + 0.2 * width, 365 + 1.1 * width, np.min)
    return crest - trough


def suctions(parameters: EngineParameters, trace: CrankTrace) -> np.ndarray:
    """(N,) depth of the dip after each exhaust valve's opening below the ambient pressure, kPa."""
    cycle = folded(trace, trace.exhaust_kpa[0])
    return trace.ambient_kpa - of_each(parameters, cycle, 140, 200, np.min)


def current_peaks(parameters: EngineParameters, trace: CrankTrace) -> np.ndarray:
    """(N,) A, around each firing TDC."""
    return of_each(parameters, folded(trace, trace.current_a), -40, 40, np.max)


def same_speed_as(trace: CrankTrace) -> ImposedSpeed:
    period = trace.times_s[1] - trace.times_s[0]
    return ImposedSpeed(rad_s=trace.rpm * np.pi / 30, period_s=float(period))


def sealed_single(parameters: EngineParameters, ratio: float, **changes: object) -> EngineParameters:
    """One cylinder of that engine, adiabatic and without any opening; a vast crankcase."""
    return dataclasses.replace(
        parameters,
        firing_order=(1,),
        firing_deg=(0.0,),
        clearance_cc=(parameters.swept_cc / (ratio - 1),),
        intake_lift_mm=(0.0,),
        exhaust_lift_mm=(0.0,),
        ring_leak_mm2=(0.0,),
        intake_seat_leak_mm2=(0.0,),
        exhaust_seat_leak_mm2=(0.0,),
        heat_factor=0.0,
        intake_groups=((1,),),
        exhaust_groups=((1,),),
        **changes,  # type: ignore[arg-type]
    )


def constant_speed(rpm: float, duration_s: float) -> ImposedSpeed:
    return ImposedSpeed(rad_s=np.full(3, rpm * np.pi / 30), period_s=duration_s)
