"""How a set-up's probes are wired to a virtual board: inputs, scales, teeth, sync pulses, noise.

Both of the rig's engines use it, the one of commanded shapes and the one of physics.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from evenstroke_dsp.setup import PULSE_ROLES, Probe, Setup
from scipy import signal

from .rig_source import MOST_INPUTS, Floats, RigError

DEFAULT_OFFSET_DEG = {
    "ignition_sync": -10.0,
    "coil_current_sync": -14.0,
    "cam_sync": 60.0,
    "injector_sync": 330.0,
}
"""Where the set-up leaves `offset_deg` out: an unknown that the rig must settle somewhere."""
PULSE_LASTS_S = {"ignition_sync": 0.0015, "coil_current_sync": 0.003, "injector_sync": 0.005}
CAM_LOBE_DEG = 40.0


def wire(setup: Setup) -> dict[int, Probe]:
    """Which probe is on which input."""
    wired: dict[int, Probe] = {}
    for index, probe in enumerate(setup.probe):
        if probe.input is None:
            continue
        if probe.input >= MOST_INPUTS:
            raise RigError(
                "the virtual board has no such input",
                where=f"probe[{index}] ({probe.name!r}).input",
                expected=f"0 to {MOST_INPUTS - 1}",
                found=str(probe.input),
                todo="number the inputs from 0",
            )
        wired[probe.input] = probe
    missing = [p.name for p in setup.probe if p.input is None]
    if missing:
        raise RigError(
            "a probe without an input cannot be wired to a virtual board",
            where=f"set-up, probes {', '.join(missing)}",
            expected="input = a number for every probe",
            found="no input",
            todo="add the inputs, or play the capture that this set-up was written for with --play",
        )
    return wired


def scale(probe: Probe, reference_v: float) -> tuple[float, float]:
    """Volts per unit and volts at zero of the unit."""
    middle = reference_v / 2.0
    if probe.role in PULSE_ROLES:
        per_unit = probe.volts_per_unit if probe.volts_per_unit is not None else 0.2 * reference_v
        return per_unit, probe.volts_at_zero if probe.volts_at_zero != 0.0 else middle
    if probe.volts_per_unit is not None:
        return probe.volts_per_unit, probe.volts_at_zero
    match probe.role:
        case "cylinder_pressure":
            return 0.8 * reference_v / 2000.0, 0.1 * reference_v
        case "manifold_pressure":
            return 0.8 * reference_v / 115.0, 0.0
        case "starter_current":
            return 0.8 * reference_v / 600.0, 0.1 * reference_v
        case "battery_voltage":
            return reference_v / 20.0, 0.0
        case _:
            return 1.0, middle


def tooth_angles(teeth: str | tuple[float, ...]) -> tuple[float, ...]:
    """Angles of a wheel's edges within one revolution, 0 = the first of the longest unbroken run.

    "N-M": N places with M missing together. "N-M-M-...": several gaps; where they lie is not in the
    name, so the rig puts them where one run of teeth is clearly the longest. A list stands as it is.
    """
    if not isinstance(teeth, str):
        return teeth
    places, *gaps = (int(number) for number in teeth.split("-"))
    left = places - sum(gaps)
    runs = [left * weight // sum(range(1, len(gaps) + 1)) for weight in range(len(gaps), 0, -1)]
    runs[0] += left - sum(runs)
    angles: list[float] = []
    at = 0
    for run, gap in itertools.zip_longest(runs, gaps, fillvalue=0):
        angles += [360.0 * (at + k) / places for k in range(run)]
        at += run + gap
    return tuple(angles)


def rms_within(values: Floats, rate_hz: float, low_hz: float, high_hz: float) -> float:
    """RMS of what a signal holds between two frequencies: periodogram with a Hann window, no trend."""
    level = signal.detrend(values)
    frequency, density = signal.periodogram(level, rate_hz, window="hann", detrend=False)
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    return float(math.sqrt(float(density[inside].sum()) * float(frequency[1])))


def on_grid(values: Floats, times: Floats, rate_hz: float) -> Floats:
    """Values on a grid from time 0 on, at these times; beyond its ends the last ones hold."""
    place = np.clip(times * rate_hz, 0.0, len(values) - 1.001)
    index = place.astype(np.int64)
    left = values[index]
    return np.asarray(left + (place - index) * (values[index + 1] - left))
