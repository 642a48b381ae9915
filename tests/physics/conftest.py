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
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

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


def _plain_setup(cylinders: int, order: list[int], extra: str) -> str:
    return (
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {order}\n{extra}\n"
        '[conditions]\nengine_temperature_c = 85\n[[probe]]\nname = "i"\nrole = "intake_pulse"\n'
    )


class Bench:
    """Cranks engines, each case once, and reads features off the traces."""

    def __init__(self) -> None:
        self.six = parameters_for(parse_setup(SIX))
        self._known: dict[str, CrankTrace] = {}

    def engine(
        self, cylinders: int, order: list[int], extra: str = "", rng: np.random.Generator | None = None
    ) -> EngineParameters:
        return parameters_for(parse_setup(_plain_setup(cylinders, order, extra)), rng)

    def setup_text(self, cylinders: int, order: list[int], extra: str = "") -> str:
        return _plain_setup(cylinders, order, extra)

    def crank(self, parameters: EngineParameters, **scenario: object) -> CrankTrace:
        settings = {"crank_s": 6.0, **scenario}
        if "imposed" in settings:
            return simulate(parameters, CrankScenario(**settings))  # type: ignore[arg-type]
        key = repr((parameters, settings))
        if key not in self._known:
            self._known[key] = simulate(parameters, CrankScenario(**settings))  # type: ignore[arg-type]
        return self._known[key]

    def steady(self, trace: CrankTrace) -> Bools:
        """Samples well after spin-up and before release."""
        return (trace.times_s > 3.0) & (trace.times_s < trace.times_s[-1] - 0.6)

    def folded(self, trace: CrankTrace, signal: Floats, lowpass_hz: float | None = 50.0) -> Floats:
        """(720,) mean over whole steady cycles, at engine angles 0, 1 ... 719."""
        if lowpass_hz is not None:
            rate = 1 / (trace.times_s[1] - trace.times_s[0])
            signal = sosfiltfilt(butter(2, lowpass_hz, fs=rate, output="sos"), signal)
        keep = self.steady(trace)
        angle, signal = trace.theta_deg[keep], signal[keep]
        first, last = int(np.ceil(angle[0] / 720)), int(np.floor(angle[-1] / 720))
        grid = np.arange(720.0)
        return np.mean([np.interp(grid + 720 * k, angle, signal) for k in range(first, last)], axis=0)

    def drops(self, parameters: EngineParameters, trace: CrankTrace) -> Floats:
        """(N,) crest to trough of each cylinder's intake pulse, kPa."""
        cycle = self.folded(trace, trace.plenum_kpa[0])
        width = 720 / parameters.cylinders
        crest = _of_each(parameters, cycle, 365 - width / 3, 365 + width / 2, np.max)
        return crest - _of_each(parameters, cycle, 365 + 0.2 * width, 365 + 1.1 * width, np.min)

    def suctions(self, parameters: EngineParameters, trace: CrankTrace) -> Floats:
        """(N,) depth of the dip after each exhaust valve's opening below the ambient pressure, kPa."""
        cycle = self.folded(trace, trace.exhaust_kpa[0])
        return trace.ambient_kpa - _of_each(parameters, cycle, 140, 200, np.min)

    def current_peaks(self, parameters: EngineParameters, trace: CrankTrace) -> Floats:
        """(N,) A, around each firing TDC."""
        return _of_each(parameters, self.folded(trace, trace.current_a), -40, 40, np.max)

    def speed_at_tdc(self, parameters: EngineParameters, trace: CrankTrace) -> Floats:
        """(N,) slowest speed around each firing TDC, rpm."""
        return _of_each(parameters, self.folded(trace, trace.rpm, None), -15, 15, np.min)

    def speed_of(self, trace: CrankTrace) -> ImposedSpeed:
        period = trace.times_s[1] - trace.times_s[0]
        return ImposedSpeed(rad_s=trace.rpm * np.pi / 30, period_s=float(period))

    def constant_speed(self, rpm: float) -> ImposedSpeed:
        return ImposedSpeed(rad_s=np.full(3, rpm * np.pi / 30), period_s=100.0)

    def sealed_single(self, ratio: float, **changes: object) -> EngineParameters:
        """One cylinder of the six, adiabatic and without any opening."""
        settings = {
            "firing_order": (1,),
            "firing_deg": (0.0,),
            "clearance_cc": (self.six.swept_cc / (ratio - 1),),
            "intake_lift_mm": (0.0,),
            "exhaust_lift_mm": (0.0,),
            "ring_leak_mm2": (0.0,),
            "intake_seat_leak_mm2": (0.0,),
            "exhaust_seat_leak_mm2": (0.0,),
            "heat_factor": 0.0,
            "intake_groups": ((1,),),
            "exhaust_groups": ((1,),),
            **changes,
        }
        return dataclasses.replace(self.six, **settings)  # type: ignore[arg-type]


def _of_each(
    parameters: EngineParameters,
    cycle: Floats,
    first_deg: float,
    last_deg: float,
    pick: Callable[[Floats], float],
) -> Floats:
    """(N,) `pick` of each cylinder's window of its own angle."""
    width = int(last_deg - first_deg)
    return np.array([pick(np.roll(cycle, -round(at + first_deg))[:width]) for at in parameters.firing_deg])


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()
