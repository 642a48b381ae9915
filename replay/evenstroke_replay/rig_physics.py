"""The virtual rig's engine by first principles: one simulated crank with a set-up's probes on it.

What is fitted and what is wrong act here as the physics have it (`evenstroke_dsp.physics`); no size of any pulse is
given. It is still a simulation: nothing about a real engine follows from it.
"""

from __future__ import annotations

import dataclasses
import math
from functools import cached_property

import numpy as np
from evenstroke_dsp.engine import CYCLE_DEG, firing_angles
from evenstroke_dsp.physics import (
    CrankTrace,
    Fault,
    parameters_for,
    probes,
    scattered,
    scenario_for,
    simulate,
)
from evenstroke_dsp.physics.scenario import FAULT_UNITS
from evenstroke_dsp.setup import EDGE_ROLES, PULSE_ROLES, Probe, Setup
from evenstroke_protocol.events import InputInfo, InputKind

from .rig_source import EdgeTimeline, Floats, GridNoise, RigError, SourceEdge
from .rig_wiring import (
    CAM_LOBE_DEG,
    DEFAULT_OFFSET_DEG,
    PULSE_LASTS_S,
    on_grid,
    rms_within,
    scale,
    tooth_angles,
    wire,
)

COAST_S = 1.5
"""How long the engine takes to come to rest, after which nothing changes any more."""
UNKNOWN_CORNER_HZ = 0.3
"""Every pulse probe has a low corner; one that the set-up does not give must be played as something."""


def crank(
    setup: Setup, *, seed: int, rest_s: float, crank_s: float, faults: tuple[Fault, ...] = ()
) -> CrankTrace:
    """One engine that fits the set-up, healthy but for `faults`, with what the set-up fits, cranked once.

    seed: which engine: what the set-up leaves open is drawn, and the cylinders differ a little, as
    they do out of production. The same seed is the same engine, whatever is fitted to it.
    Raises PhysicsError where the faults or what is fitted do not suit the engine.
    """
    rng = np.random.default_rng(seed)
    engine = scattered(parameters_for(setup, rng), rng)
    scenario = dataclasses.replace(
        scenario_for(setup, faults=faults), rest_s=rest_s, crank_s=crank_s, coast_s=COAST_S
    )
    return simulate(engine, scenario)


def parse_engine_fault(text: str) -> Fault:
    """KIND[:CYLINDERS[:SIZE]] as a fault; cylinders with commas. Raises RigError for anything else."""
    kind, _, rest = text.partition(":")
    cylinders, _, size = rest.partition(":")
    try:
        known = next((k for k in FAULT_UNITS if k == kind), None)
        if known is None:
            raise ValueError(kind)
        return Fault(
            kind=known,
            cylinders=tuple(int(c) for c in cylinders.split(",") if c),
            size=float(size) if size else 0.0,
        )
    except ValueError:
        raise RigError(
            "not a fault of an engine",
            where="--engine-fault",
            expected="KIND[:CYLINDERS[:SIZE]], KIND one of " + ", ".join(FAULT_UNITS),
            found=text,
            todo="for instance  --engine-fault intake_restriction:3:0.9",
        ) from None


class PhysicsSource:
    """A simulated crank with a set-up's probes on it; a `Source`.

    noise_db: ratio of the RMS of a probe's clean signal to the RMS of its white noise, both within
    0.5 to 50 Hz, while it cranks; None for no noise. release_s: when the starter lets go, on the trace's times.
    Probes without a scale get one of the rig's own. Raises RigError for a set-up that cannot be wired.
    """

    def __init__(
        self,
        setup: Setup,
        trace: CrankTrace,
        *,
        rest_s: float,
        release_s: float,
        noise_db: float | None = 40.0,
        seed: int = 1,
        reference_v: float = 5.0,
    ) -> None:
        self._setup = setup
        self._trace = trace
        self._rate_hz = 1.0 / float(trace.times_s[1] - trace.times_s[0])
        # From a second after the start the starter is up to speed; of a shorter crank its second half has to do.
        up_to_speed_s = min(rest_s + 1.0, 0.5 * (rest_s + release_s))
        self._steady = slice(round(up_to_speed_s * self._rate_hz), round(release_s * self._rate_hz))
        self._noise_db = noise_db
        self._reference_v = reference_v
        self.wiring = wire(setup)
        rate = setup.acquisition.rate_hz if setup.acquisition is not None else self._rate_hz
        # Noise finer than the board samples would fold back into the band in which it is defined.
        self._noise = GridNoise(seed, min(self._rate_hz, float(rate)))
        self._clean: dict[int, Floats] = {}
        self._noise_v: dict[int, float] = {}

    @cached_property
    def inputs(self) -> tuple[InputInfo, ...]:
        return tuple(
            InputInfo(InputKind.EDGE, f"edge {i}")
            if i in self.wiring and self.wiring[i].role in EDGE_ROLES
            else InputInfo(InputKind.ANALOG, f"analog {i}")
            for i in range(max(self.wiring) + 1)
        )

    @property
    def ends_at_s(self) -> float | None:
        return None

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        out = np.zeros_like(times)
        for row, i in enumerate(inputs):
            if i in self.wiring:
                noise = self.noise_v(i) * self._noise.at(i, times[row]) if self.noise_v(i) > 0 else 0.0
                out[row] = on_grid(self.clean(i), times[row], self._rate_hz) + noise
        return out

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        return self._timeline.between(t_from, t_to)

    def prepare(self) -> None:
        """Work out every signal now, so that the first answers do not wait for it."""
        for i, probe in self.wiring.items():
            if probe.role not in EDGE_ROLES:
                self.noise_v(i)
        self.edges(0.0, 0.0)

    def clean(self, input: int) -> Floats:
        """Volts of an analog input without noise, at the trace's times, shape (n,)."""
        if input not in self._clean:
            self._clean[input] = self._volts_of(self.wiring[input])
        return self._clean[input]

    def noise_v(self, input: int) -> float:
        """RMS of the white noise on an analog input, volts over the whole band of its grid."""
        if input not in self._noise_v:
            level = 0.0
            if self._noise_db is not None:
                band = rms_within(self.clean(input)[self._steady], self._rate_hz, 0.5, 50.0)
                # White noise of variance s^2 on a grid of rate f has the one-sided density 2 s^2 / f.
                level = (
                    band * 10.0 ** (-self._noise_db / 20.0) * math.sqrt(self._noise.rate_hz / (2.0 * 49.5))
                )
            self._noise_v[input] = float(level)
        return self._noise_v[input]

    # --- analog probes -----------------------------------------------------------------------------

    def _volts_of(self, probe: Probe) -> Floats:
        value = self._value_of(probe)
        period = 1.0 / self._rate_hz
        if probe.travel_m:
            value = probes.delayed(value, period, probes.travel_time(probe.travel_m))
        if probe.role in PULSE_ROLES:
            value = -value if probe.positive_is == "vacuum" else value
            corner = probe.low_corner_hz if probe.low_corner_hz is not None else UNKNOWN_CORNER_HZ
            value = probes.high_pass(value, period, corner)
        per_unit, zero = scale(probe, self._reference_v)
        return probes.volts(value, per_unit, zero)

    def _value_of(self, probe: Probe) -> Floats:
        """The signal in its role's unit, at the trace's times."""
        trace, sees = self._trace, self._setup.sees(probe)
        match probe.role:
            case "intake_pulse" | "manifold_pressure":
                return probes.intake_pulse(trace, sees)
            case "exhaust_pulse":
                return probes.exhaust_pulse(trace, sees)
            case "crankcase_pulse":
                return probes.crankcase_pulse(trace)
            case "cylinder_pressure":
                assert probe.cylinder is not None
                return probes.cylinder_transducer(trace, probe.cylinder)
            case "starter_current":
                return trace.current_a
            case "battery_voltage":
                return trace.battery_v
            case _:
                return np.zeros_like(trace.times_s)

    # --- edge probes -------------------------------------------------------------------------------

    @cached_property
    def _timeline(self) -> EdgeTimeline:
        return EdgeTimeline(
            {
                i: self._teeth(p) if p.role == "crank_teeth" else self._sync(p)
                for i, p in sorted(self.wiring.items())
                if p.role in EDGE_ROLES
            }
        )

    def _teeth(self, probe: Probe) -> tuple[Floats, np.ndarray]:
        assert probe.teeth is not None
        angles = np.array(tooth_angles(probe.teeth))
        pitch = np.diff(angles, append=360.0 + angles[0])
        first = probe.first_tooth_deg if probe.first_tooth_deg is not None else 84.0
        active = angles + first + firing_angles(self._setup.engine).get(1, 0.0)
        # The other edge comes half of the closest pitch later, so that a missing tooth stays missing.
        other = active + 0.5 * float(pitch.min())
        rising, falling = (active, other) if probe.edge == "rising" else (other, active)
        return self._changes(rising, falling, CYCLE_DEG / 2)

    def _sync(self, probe: Probe) -> tuple[Floats, np.ndarray]:
        """A short pulse at each event, whose leading, rising edge is the event."""
        assert probe.cylinder is not None
        offset = probe.offset_deg if probe.offset_deg is not None else DEFAULT_OFFSET_DEG[probe.role]
        every = CYCLE_DEG if probe.every == "cycle" else CYCLE_DEG / 2
        at = firing_angles(self._setup.engine)[probe.cylinder] + offset
        if probe.role == "cam_sync":
            return self._changes(np.array([at]), np.array([at + CAM_LOBE_DEG]), every)
        times, _, forward = probes.edge_times(self._trace, [at], every)
        # Nothing fires or injects while the engine swings back.
        times = times[forward]
        lasts = PULSE_LASTS_S[probe.role]
        return (
            np.concatenate([times, times + lasts]),
            np.repeat([True, False], times.size),
        )

    def _changes(self, rising: Floats, falling: Floats, every_deg: float) -> tuple[Floats, np.ndarray]:
        """Level changes at given angles; turning backwards, what fell rises."""
        both = [*rising.tolist(), *falling.tolist()]
        times, which, forward = probes.edge_times(self._trace, both, every_deg)
        return times, (which < rising.size) == forward
