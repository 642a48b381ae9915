"""A parametric engine for the virtual rig: shapes by crank angle, given and not derived.

This is no engine simulation. Every probe's signal is a shape over crank angle, laid down per
cylinder, with a size that the caller commands. Nothing follows from first principles: added volume
in a cylinder alters nothing here, neither its own pulse nor another's, and neighbours' strokes do
not mix. It shows that evenstroke measures what was commanded; it is no evidence of what an engine
or a test set-up does.

What is commanded is what must be measured. In a real plenum the strokes of neighbouring cylinders
overlap, and what remains is one valley per cylinder; here that valley is laid down directly, from
crest to crest with all crests at one level, and all of one probe's valleys have one shape. A cylinder
that is commanded 9 % smaller therefore has exactly 0.91 of the others' crest-to-trough drop, as long
as nothing filters it.

Angles: engine angle, 0 at the firing TDC of the first cylinder in the firing order, not wrapped;
cylinder angle, 0 at that cylinder's own firing TDC (0-180 power, 180-360 exhaust, 360-540 intake,
540-720 compression). Cycle n of a cylinder begins at its n-th firing TDC, counted from 0 at the one
that lies at its `firing_angles` value.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from evenstroke_dsp.engine import CYCLE_DEG, firing_angles, firing_intervals
from evenstroke_dsp.setup import EDGE_ROLES, PULSE_ROLES, Engine, Probe, Setup
from evenstroke_protocol.events import InputInfo, InputKind
from scipy import signal

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

GRID_HZ = 10_000.0
"""Grid on which clean signals are worked out; between its points they are interpolated linearly."""
MOST_CRANKING_S = 400.0
SPEED_OF_SOUND_M_S = 343.2
"""In air at 20 degrees Celsius (ISO 9613-1, reference conditions; from memory)."""

_SPIN_UP_S = 0.5
_COAST_DOWN_S = 0.4
_SETTLE_S = 5.0
_ANGLE_STEP_DEG = 0.5
_DIP_BEFORE_TDC_DEG = 12.0
_SLOWEST_SHARE = 0.05
_STEEPEST_INTAKE_DEG = 435.0
_WIDEST_PULSE_DEG = 240.0
_FIRST_CYCLE = -3
"""A pulse under way at rest may belong to a firing TDC of a cycle or two before the first."""

# What an engine and a home-built probe may give while cranking: invented, within common practice.
_DROP_KPA = 0.9
_RISE_KPA = 0.5
_CRANKCASE_KPA = 0.25
_DEPRESSION_KPA = 7.0
_ATMOSPHERE_KPA = 101.3
_CRANKING_A = 120.0
_HUMP_A = 60.0
_INRUSH_A = 320.0
_INRUSH_FADES_S = 0.05
_BATTERY_V = 12.6
_BATTERY_OHM = 0.012
_BATTERY_TIRES_V = 0.2
_POLYTROPIC_EXPONENT = 1.25
_THERMAL_LOSS_ANGLE_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Alteration:
    """One cylinder's part in one probe's signal, off by `percent` of the other cylinders' size.

    cycle: that one of the cylinder's cycles only (a one-off); None: every cycle.
    On a probe that reads crank teeth it is the dip in speed before the cylinder's firing TDC.
    """

    probe: str
    cylinder: int
    percent: float
    cycle: int | None = None


@dataclass(frozen=True, slots=True)
class Cranking:
    """How the parametric engine is cranked.

    rpm: mean speed once it has spun up. rest_s: before the starter engages. crank_s: from there to
    its release. ripple_percent: highest minus lowest speed within a cycle, of the mean.
    sag_percent: fall of the speed from the first to the last moment of steady cranking, of the mean.
    noise_db: ratio of the RMS of a probe's clean signal to the RMS of its white noise, both within
    0.5 to 50 Hz, over the steady cranking; None for no noise. uneven_percent: standard deviation of
    the cylinders' sizes, cycle_percent: of each pulse's size from cycle to cycle; both drawn anew
    for each probe. start_deg: engine angle at rest; None draws it.
    """

    rpm: float = 200.0
    rest_s: float = 1.0
    crank_s: float = 10.0
    ripple_percent: float = 12.0
    sag_percent: float = 4.0
    noise_db: float | None = None
    uneven_percent: float = 0.0
    cycle_percent: float = 0.0
    seed: int = 1
    start_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """What the engine really did: for tests and for teaching, never for judging.

    times, theta_deg: shape (n,), the crank's path on the rig's grid, seconds and engine angle.
    spun_up_s, release_s: the steady cranking lies between them.
    firing_tdc_s: per cylinder, times of the firing TDCs that were passed; its cycle numbers start
    at first_cycle. sizes: per probe and cylinder, the commanded size in those cycles, 1 = nominal.
    """

    times: Floats
    theta_deg: Floats
    spun_up_s: float
    release_s: float
    firing_tdc_s: dict[int, Floats]
    first_cycle: dict[int, int]
    sizes: dict[str, dict[int, Floats]]


class EngineSource:
    """The parametric engine with a set-up's probes on it; a `Source`.

    Probes in edge roles are wired to edge inputs, all others to analog ones; those named in
    `analog_probes` give the level of an edge role as volts instead. A probe without
    `volts_per_unit` gets a scale of the rig's own, and a pulse probe whose zero is at 0 V is biased
    to the middle of the range, as any input that sees both signs must be.

    Raises RigError for a set-up that the rig cannot serve and for impossible commands.
    """

    def __init__(
        self,
        setup: Setup,
        cranking: Cranking | None = None,
        alterations: tuple[Alteration, ...] = (),
        *,
        analog_probes: frozenset[str] = frozenset(),
        reference_v: float = 5.0,
    ) -> None:
        self._setup = setup
        self._cranking = cranking if cranking is not None else Cranking()
        self._reference_v = reference_v
        self._alterations = alterations
        _check_cranking(self._cranking)
        for alteration in alterations:
            _check_alteration(setup, alteration)
        for name in analog_probes:
            _probe_named(setup, name)
        self._probe_of_input = wire(setup)
        self._angles = firing_angles(setup.engine)
        self._edge_inputs = {
            i for i, p in self._probe_of_input.items() if p.role in EDGE_ROLES and p.name not in analog_probes
        }
        self._clean: dict[int, Floats] = {}
        self._noise_v: dict[int, float] = {}
        rate = setup.acquisition.rate_hz if setup.acquisition is not None else GRID_HZ
        # Noise finer than the board samples would fold back into the band in which it is defined.
        self._noise = GridNoise(self._cranking.seed, min(GRID_HZ, float(rate)))
        self._draw_sizes()
        self._turn()

    # --- the surface of a source ---------------------------------------------------------------

    @cached_property
    def inputs(self) -> tuple[InputInfo, ...]:
        return tuple(
            InputInfo(InputKind.EDGE, f"edge {i}")
            if i in self._edge_inputs
            else InputInfo(InputKind.ANALOG, f"analog {i}")
            for i in range(max(self._probe_of_input) + 1)
        )

    @property
    def ends_at_s(self) -> float | None:
        return None

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        out = np.empty_like(times)
        for row, i in enumerate(inputs):
            probe = self._probe_of_input.get(i)
            if probe is None:
                out[row] = 0.0
            elif probe.role in EDGE_ROLES:
                out[row] = self._level(i, times[row])
            else:
                out[row] = on_grid(self.clean(i), times[row], GRID_HZ)
            noise = self.noise_v(i)
            if noise > 0.0:
                out[row] += noise * self._noise.at(i, times[row])
        return out

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        return self._timeline.between(t_from, t_to)

    def prepare(self) -> None:
        """Work out every signal now, so that the first answers do not wait for it."""
        for i in self._probe_of_input:
            self.noise_v(i)
            if self._probe_of_input[i].role not in EDGE_ROLES:
                self.clean(i)
        self.edges(0.0, 0.0)

    # --- what really happened --------------------------------------------------------------------

    @cached_property
    def truth(self) -> Truth:
        tdc: dict[int, Floats] = {}
        first: dict[int, int] = {}
        sizes: dict[str, dict[int, Floats]] = {p.name: {} for p in self._setup.probe}
        for cylinder, angle in self._angles.items():
            numbers = np.arange(
                math.ceil((self._theta[0] - angle) / CYCLE_DEG),
                math.floor((self._theta[-1] - angle) / CYCLE_DEG) + 1,
            )
            first[cylinder] = int(numbers[0]) if len(numbers) else 0
            tdc[cylinder] = self._time_at(angle + CYCLE_DEG * numbers)
            for probe in self._setup.probe:
                sizes[probe.name][cylinder] = self._sizes[probe.name][cylinder][numbers - _FIRST_CYCLE]
        return Truth(
            times=self._t,
            theta_deg=self._theta,
            spun_up_s=self._spun_up_s,
            release_s=self._release_s,
            firing_tdc_s=tdc,
            first_cycle=first,
            sizes=sizes,
        )

    def clean(self, input: int) -> Floats:
        """Volts of an analog input without noise, on the rig's grid (`truth.times`), shape (n,)."""
        if input not in self._clean:
            self._clean[input] = self._volts_of(self._probe_of_input[input])
        return self._clean[input]

    def noise_v(self, input: int) -> float:
        """RMS of the white noise on an analog input, volts over the whole band of its grid."""
        if input not in self._noise_v:
            self._noise_v[input] = self._noise_for(input)
        return self._noise_v[input]

    def edge_times(self, input: int) -> tuple[Floats, Floats]:
        """Times of one edge role's (rising, falling) level changes, seconds."""
        return self._edges_of[input]

    # --- the crank ---------------------------------------------------------------------------------

    def _draw_sizes(self) -> None:
        """Size of every cylinder's part in every probe's signal, for its cycles from _FIRST_CYCLE on."""
        c = self._cranking
        self._most_cycles = math.ceil((c.crank_s + _COAST_DOWN_S) * c.rpm * 1.2 / 120.0) + 4 - _FIRST_CYCLE
        self._sizes: dict[str, dict[int, Floats]] = {}
        for stream, probe in enumerate(self._setup.probe):
            draw = np.random.Generator(np.random.Philox(key=[c.seed, 1000 + stream]))
            self._sizes[probe.name] = {}
            for cylinder in self._setup.engine.firing_order:
                own = 1.0 + c.uneven_percent / 100.0 * draw.standard_normal()
                varies = c.cycle_percent / 100.0 * draw.standard_normal(self._most_cycles)
                self._sizes[probe.name][cylinder] = own * (1.0 + varies)
        for a in self._alterations:
            sizes = self._sizes[a.probe][a.cylinder]
            if a.cycle is None:
                sizes *= 1.0 + a.percent / 100.0
            elif a.cycle - _FIRST_CYCLE < len(sizes):
                sizes[a.cycle - _FIRST_CYCLE] *= 1.0 + a.percent / 100.0

    def _turn(self) -> None:
        """The crank's path: speed = base(t) * shape(angle), so that t and angle separate.

        d(angle)/shape(angle) = base(t) dt; both sides are integrals of known functions, and no
        equation of motion is stepped.
        """
        c = self._cranking
        self._release_s = c.rest_s + c.crank_s
        self._spun_up_s = c.rest_s + _SPIN_UP_S
        stands_s = self._release_s + _COAST_DOWN_S
        self._t = np.arange(round((stands_s + _SETTLE_S) * GRID_HZ) + 1) / GRID_HZ
        up = np.clip((self._t - c.rest_s) / _SPIN_UP_S, 0.0, 1.0)
        down = np.clip((self._t - self._release_s) / _COAST_DOWN_S, 0.0, 1.0)
        steady = np.clip((self._t - self._spun_up_s) / (c.crank_s - _SPIN_UP_S), 0.0, 1.0)
        self._spun = 0.5 * (1.0 - np.cos(np.pi * up)) * 0.5 * (1.0 + np.cos(np.pi * down))
        self._spun *= 1.0 + c.sag_percent / 100.0 * (0.5 - steady)
        self._engaged = (self._t >= c.rest_s) & (self._t < self._release_s)
        base = self._spun * c.rpm * 6.0
        travelled = np.concatenate(([0.0], np.cumsum(0.5 * (base[1:] + base[:-1])) / GRID_HZ))

        start = c.start_deg
        if start is None:
            start = float(np.random.Generator(np.random.Philox(key=[c.seed, 999])).uniform(0.0, CYCLE_DEG))
        angle = np.arange(start, start + 1.05 * travelled[-1] + CYCLE_DEG, _ANGLE_STEP_DEG)
        slowness = 1.0 / self._speed_shape(angle)
        passed = np.concatenate(([0.0], np.cumsum(0.5 * (slowness[1:] + slowness[:-1])) * _ANGLE_STEP_DEG))
        self._theta = np.interp(travelled, passed, angle)
        moving = np.flatnonzero(np.diff(self._theta) > 0.0)
        self._moving = slice(int(moving[0]), int(moving[-1]) + 2)

    def _speed_shape(self, angle: Floats) -> Floats:
        """Speed over its mean by engine angle: a dip as each cylinder compresses."""
        wheels = [p for p in self._setup.probe if p.role == "crank_teeth"]
        nominal_angle = np.arange(0.0, CYCLE_DEG, _ANGLE_STEP_DEG)
        centres = np.array(list(self._angles.values())) - _DIP_BEFORE_TDC_DEG
        # Narrow enough to leave a dip per cylinder, however many there are.
        width = min(30.0, min(firing_intervals(self._setup.engine)) / 4.0)
        nominal = _dip(nominal_angle[:, None] - centres, width).sum(axis=1)
        depth = self._cranking.ripple_percent / 100.0 / max(float(np.ptp(nominal)), 1e-9)
        even = 1.0 - depth * (nominal - nominal.mean())
        # The mean over angle of the slowness, so that a cycle takes exactly 120 / rpm seconds.
        shrink = float(np.mean(1.0 / even))
        total = np.zeros_like(angle)
        for cylinder, at in self._angles.items():
            turns = np.floor((angle - at + _DIP_BEFORE_TDC_DEG + CYCLE_DEG / 2) / CYCLE_DEG).astype(np.int64)
            size = self._sizes[wheels[0].name][cylinder][turns - _FIRST_CYCLE] if wheels else 1.0
            total += size * _dip(angle - at + _DIP_BEFORE_TDC_DEG, width)
        shape = shrink * (1.0 - depth * (total - nominal.mean()))
        if shrink <= 0.0 or shape.min() < _SLOWEST_SHARE:
            raise RigError(
                "the crank would all but stop in a compression",
                where="virtual rig",
                expected=f"a speed that stays above {_SLOWEST_SHARE:.0%} of its mean",
                found=f"a ripple of {self._cranking.ripple_percent:g} per cent and what it is altered by",
                todo="choose less ripple, or a smaller alteration of the wheel",
            )
        return np.asarray(shape)

    def _time_at(self, angle: Floats) -> Floats:
        """When the crank passes engine angles that it does pass, seconds."""
        return np.asarray(np.interp(angle, self._theta[self._moving], self._t[self._moving]))

    # --- analog probes -----------------------------------------------------------------------------

    def _volts_of(self, probe: Probe) -> Floats:
        value = self._value_of(probe)
        if probe.positive_is == "vacuum" and probe.role in PULSE_ROLES:
            value = -value
        if probe.low_corner_hz:  # 0 is a probe that has none
            b, a = signal.butter(1, probe.low_corner_hz, "highpass", fs=GRID_HZ)
            value = signal.lfilter(b, a, value - value[0])
        per_unit, zero = scale(probe, self._reference_v)
        return np.asarray(zero + per_unit * value)

    def _value_of(self, probe: Probe) -> Floats:
        """The signal in its role's unit, on the grid."""
        match probe.role:
            case "intake_pulse" | "manifold_pressure":
                pulled = self._lay(probe, self._spun, _STEEPEST_INTAKE_DEG, _valley_from_steepest, _valley)
                drawn = self._spun * _DEPRESSION_KPA
                if probe.role == "manifold_pressure":
                    drawn -= _ATMOSPHERE_KPA
                elif probe.low_corner_hz is None:
                    # Every pulse probe has a corner, and loses the mean; an unknown one is played as the
                    # lowest that does.
                    drawn[:] = 0.0
                return np.asarray(-drawn - _DROP_KPA * pulled)
            case "exhaust_pulse":
                opens = self._setup.engine.valve_events_deg.exhaust_opens
                return _RISE_KPA * self._lay(
                    probe, self._spun, 130.0 if opens is None else opens, _from_its_start, _dip_then_rise
                )
            case "crankcase_pulse":
                return _CRANKCASE_KPA * self._lay(probe, self._spun, 180.0, _around_its_middle, _valley)
            case "cylinder_pressure":
                return self._cylinder_pressure(probe)
            case "starter_current":
                return self._current(probe)
            case "battery_voltage":
                tired = np.clip((self._t - self._cranking.rest_s) / self._cranking.crank_s, 0.0, 1.0)
                return np.asarray(_BATTERY_V - _BATTERY_TIRES_V * tired - _BATTERY_OHM * self._current(probe))
            case _:
                return np.zeros_like(self._t)

    def _lay(
        self,
        probe: Probe,
        envelope: Floats,
        at_deg: float,
        begins: Callable[[float, float], float],
        shape: Callable[[Floats], Floats],
    ) -> Floats:
        """One pulse per cylinder and cycle, each in its own stretch of crank angle, on the grid.

        at_deg: the cylinder angle that places the pulse; begins: from it and the pulse's width to
        the angle at which the pulse begins; shape: the pulse over 0 to 1 of its width.
        """
        theta, envelope = self._delayed(probe, envelope)
        total = np.zeros_like(theta)
        heard = self._setup.sees(probe)
        at = np.array([self._angles[cylinder] for cylinder in heard])
        # As wide as there is room between the closest two; all alike, so that filters treat all alike.
        width = min(_WIDEST_PULSE_DEG, float(np.diff(at, append=at[0] + CYCLE_DEG).min()))
        for cylinder in heard:
            into = theta - (self._angles[cylinder] + begins(at_deg, width))
            turn = np.floor(into / CYCLE_DEG).astype(np.int64)
            part = (into - turn * CYCLE_DEG) / width
            within = part < 1.0
            size = self._sizes[probe.name][cylinder][turn[within] - _FIRST_CYCLE]
            total[within] += size * shape(part[within])
        return np.asarray(total * envelope)

    def _delayed(self, probe: Probe, envelope: Floats) -> tuple[Floats, Floats]:
        if not probe.travel_m:
            return self._theta, envelope
        earlier = self._t - probe.travel_m / SPEED_OF_SOUND_M_S
        return np.interp(earlier, self._t, self._theta), np.interp(earlier, self._t, envelope)

    def _current(self, probe: Probe) -> Floats:
        humps = self._lay(probe, self._spun, -20.0, _around_its_middle, _valley)
        since = np.maximum(self._t - self._cranking.rest_s, 0.0)
        inrush = _INRUSH_A * np.exp(-since / _INRUSH_FADES_S) * -np.expm1(-since / 0.003)
        mean = _CRANKING_A * -np.expm1(-since / 0.003)
        return np.asarray(np.where(self._engaged, mean + inrush + _HUMP_A * humps, 0.0))

    def _cylinder_pressure(self, probe: Probe) -> Floats:
        assert probe.cylinder is not None
        table = motored_pressure(
            self._setup.engine, added_volume_cc=probe.added_volume_cc or 0.0, intake_kpa=-_DEPRESSION_KPA
        )
        into = self._theta - self._angles[probe.cylinder]
        # A compression belongs to the firing TDC it ends at: change cycles half way round from it.
        turn = np.floor((into + CYCLE_DEG / 2) / CYCLE_DEG).astype(np.int64)
        size = self._sizes[probe.name][probe.cylinder][turn - _FIRST_CYCLE]
        steps = np.arange(len(table)) * (CYCLE_DEG / len(table))
        return np.asarray(size * self._spun * np.interp(into % CYCLE_DEG, steps, table, period=CYCLE_DEG))

    def _noise_for(self, input: int) -> float:
        db = self._cranking.noise_db
        probe = self._probe_of_input.get(input)
        if db is None or probe is None:
            return 0.0
        if probe.role in EDGE_ROLES:
            # A level has no pulse to measure noise against: a hundredth of the range, less by `db`.
            return float(self._reference_v * 10.0 ** (-db / 20.0) / 100.0)
        steady = slice(round(self._spun_up_s * GRID_HZ), round(self._release_s * GRID_HZ))
        band = rms_within(self.clean(input)[steady], GRID_HZ, 0.5, 50.0)
        # White noise of variance s^2 on a grid of rate f has the one-sided density 2 s^2 / f.
        return float(band * 10.0 ** (-db / 20.0) * math.sqrt(self._noise.rate_hz / (2.0 * 49.5)))

    # --- edge probes -------------------------------------------------------------------------------

    @cached_property
    def _edges_of(self) -> dict[int, tuple[Floats, Floats]]:
        return {
            i: self._teeth(p) if p.role == "crank_teeth" else self._sync(p)
            for i, p in self._probe_of_input.items()
            if p.role in EDGE_ROLES
        }

    @cached_property
    def _timeline(self) -> EdgeTimeline:
        changes = {}
        for i in sorted(self._edge_inputs):
            up, down = self._edges_of[i]
            changes[i] = (np.concatenate((up, down)), np.arange(len(up) + len(down)) < len(up))
        return EdgeTimeline(changes)

    def _level(self, input: int, times: Floats) -> Floats:
        """An edge role's level as volts: one tenth and nine tenths of the range."""
        up, down = self._edges_of[input]
        high = np.searchsorted(up, times, side="right") > np.searchsorted(down, times, side="right")
        if len(down) and (not len(up) or down[0] < up[0]):
            high = np.searchsorted(up, times, side="right") >= np.searchsorted(down, times, side="right")
        return np.where(high, 0.9, 0.1) * self._reference_v

    def _passed(self, angles: Floats, every_deg: float) -> Floats:
        """Times at which the crank passes the given angles, modulo `every_deg`, in ascending order."""
        low, high = self._theta[0], self._theta[-1]
        turns = np.arange(math.floor(low / every_deg) - 1, math.ceil(high / every_deg) + 1)
        all_angles = np.sort((np.asarray(angles) % every_deg + turns[:, None] * every_deg).ravel())
        return self._time_at(all_angles[(all_angles > low) & (all_angles < high)])

    def _teeth(self, probe: Probe) -> tuple[Floats, Floats]:
        assert probe.teeth is not None
        angles = np.array(tooth_angles(probe.teeth))
        pitch = np.diff(angles, append=360.0 + angles[0])
        # The other edge comes half of the closest pitch later, so that a missing tooth stays missing.
        back = angles + 0.5 * float(pitch.min())
        first = probe.first_tooth_deg if probe.first_tooth_deg is not None else 84.0
        origin = first + self._angles.get(1, 0.0)
        active, other = self._passed(angles + origin, 360.0), self._passed(back + origin, 360.0)
        return (active, other) if probe.edge == "rising" else (other, active)

    def _sync(self, probe: Probe) -> tuple[Floats, Floats]:
        """A short pulse at each event, whose leading, rising edge is the event."""
        assert probe.cylinder is not None
        offset = probe.offset_deg if probe.offset_deg is not None else DEFAULT_OFFSET_DEG[probe.role]
        every = CYCLE_DEG if probe.every == "cycle" else CYCLE_DEG / 2
        at = self._angles[probe.cylinder] + offset
        event = self._passed(np.array([at]), every)
        if probe.role == "cam_sync":
            end = self._passed(np.array([at + CAM_LOBE_DEG]), every)
            return event, end
        return event, event + PULSE_LASTS_S[probe.role]


# --- shapes ---------------------------------------------------------------------------------------


def _valley(part: Floats) -> Floats:
    """One smooth hump over 0 to 1, 0 at both ends with no slope, 1 in the middle."""
    return np.asarray(0.5 * (1.0 - np.cos(2.0 * np.pi * part)))


def _dip_then_rise(part: Floats) -> Floats:
    """Below zero over the first third (the valve opens on a cylinder under vacuum), then a hump.

    At cranking the dip is the deeper and sharper of the two: an engine's exhaust is told right way up by it.
    """
    dip = np.where(part < 0.3, _valley(part / 0.3), 0.0)
    hump = np.where(part >= 0.3, _valley((part - 0.3) / 0.7), 0.0)
    return np.asarray(0.5 * hump - 0.85 * dip)


def _valley_from_steepest(at_deg: float, width: float) -> float:
    # The valley falls most steeply a quarter of its width after its crest.
    return at_deg - width / 4.0


def _around_its_middle(at_deg: float, width: float) -> float:
    return at_deg - width / 2.0


def _from_its_start(at_deg: float, width: float) -> float:
    return at_deg


def _dip(angle: Floats, width: float) -> Floats:
    """A bell around 0 of `width` degrees standard deviation, repeating every 720."""
    sharpness = (CYCLE_DEG / (2.0 * np.pi * width)) ** 2
    return np.asarray(np.exp(sharpness * (np.cos(2.0 * np.pi * angle / CYCLE_DEG) - 1.0)))


def motored_pressure(
    engine: Engine, *, added_volume_cc: float, intake_kpa: float, steps: int = 2880
) -> Floats:
    """Gauge pressure of one cylinder turned over without firing, kPa, by cylinder angle; shape (steps,).

    Compression from intake valve closing by p V^n = const, n = 1.25 (motored engines: 1.2 to 1.35,
    common practice, no source), over the slider-crank's volume (Heywood, Internal Combustion Engine
    Fundamentals, equations 2.4 to 2.6; from memory). intake_kpa: gauge pressure in the intake.
    Geometry that the set-up leaves out: 500 cc a cylinder, compression ratio 9.5, rod 1.75 strokes.
    """
    swept = engine.displacement_cc / engine.cylinders if engine.displacement_cc is not None else 500.0
    ratio = engine.compression_ratio if engine.compression_ratio is not None else 9.5
    crank_per_rod = (
        engine.stroke_mm / 2.0 / engine.rod_mm
        if engine.stroke_mm is not None and engine.rod_mm is not None
        else 1.0 / 3.5
    )
    valves = engine.valve_events_deg
    opens = valves.exhaust_opens if valves.exhaust_opens is not None else 130.0
    closes = valves.intake_closes if valves.intake_closes is not None else 590.0
    angle: Floats = np.arange(steps, dtype=np.float64) * (CYCLE_DEG / steps)

    def volume(degrees: Floats) -> Floats:
        turned = np.radians(degrees)
        piston = (1.0 - np.cos(turned)) + (
            1.0 - np.sqrt(1.0 - (crank_per_rod * np.sin(turned)) ** 2)
        ) / crank_per_rod
        return np.asarray(swept / (ratio - 1.0) + added_volume_cc + swept * piston / 2.0)

    trapped = _ATMOSPHERE_KPA + intake_kpa
    # Heat and leakage put the peak a little before TDC and leave less on the way down.
    lag = _THERMAL_LOSS_ANGLE_DEG
    squeezed = trapped * (volume(np.array([closes])) / volume(angle + lag)) ** _POLYTROPIC_EXPONENT
    expanding = angle < opens
    pressure = np.where(expanding | (angle >= closes), squeezed, _ATMOSPHERE_KPA)
    pressure = np.where(expanding, pressure * (1.0 - 0.05 * angle / opens), pressure)
    pressure = np.where((angle >= CYCLE_DEG / 2) & (angle < closes), trapped, pressure)
    # Valves open and close over some degrees; a window of 8 degrees rounds the corners.
    window = signal.windows.hann(round(8.0 * steps / CYCLE_DEG) | 1)
    around = len(window) // 2
    wrapped = np.concatenate((pressure[-around:], pressure, pressure[:around]))
    rounded = np.convolve(wrapped, window / window.sum(), "valid")
    closed = (angle < opens - 10.0) | (angle > closes + 10.0)
    return np.asarray(np.where(closed, pressure, rounded) - _ATMOSPHERE_KPA)


# --- wiring and checks ----------------------------------------------------------------------------


def _probe_named(setup: Setup, name: str) -> Probe:
    try:
        return setup.probe_named(name)
    except KeyError:
        raise RigError(
            "the set-up has no such probe",
            where=f"probe {name!r}",
            expected=f"one of {', '.join(p.name for p in setup.probe)}",
            found=name,
            todo="use a name from the set-up",
        ) from None


def _check_alteration(setup: Setup, alteration: Alteration) -> None:
    probe = _probe_named(setup, alteration.probe)
    heard = setup.sees(probe) if probe.cylinder is None else (probe.cylinder,)
    where = f"alteration of probe {alteration.probe!r}"
    if probe.is_sync or probe.role == "other":
        raise RigError(
            "this probe has no pulse that could be altered",
            where=where,
            expected="a probe of pulses, pressure, current, voltage or teeth",
            found=f"the role {probe.role}",
            todo="choose another probe",
        )
    if alteration.cylinder not in heard:
        raise RigError(
            "this probe does not hear that cylinder",
            where=where,
            expected=f"one of {', '.join(map(str, heard))}",
            found=str(alteration.cylinder),
            todo="choose a cylinder that the probe hears",
        )
    _check_range(f"{where}: percent", alteration.percent, -100.0, 300.0, "per cent")
    if alteration.cycle is not None and alteration.cycle < 0:
        raise RigError("cycles count from 0", where=where, expected="0 or more", found=str(alteration.cycle))


def _check_cranking(c: Cranking) -> None:
    _check_range("rpm", c.rpm, 30.0, 1500.0, "rpm")
    _check_range("rest before cranking", c.rest_s, 0.0, 60.0, "s")
    _check_range("seconds of cranking", c.crank_s, 1.0, MOST_CRANKING_S, "s")
    _check_range("ripple", c.ripple_percent, 0.0, 80.0, "per cent")
    _check_range("sag", c.sag_percent, -50.0, 50.0, "per cent")
    _check_range("unevenness", c.uneven_percent, 0.0, 30.0, "per cent")
    _check_range("variation from cycle to cycle", c.cycle_percent, 0.0, 30.0, "per cent")
    _check_range("seed", c.seed, 0, 2**63, "")
    if c.noise_db is not None:
        _check_range("noise", c.noise_db, -20.0, 120.0, "dB")


def _check_range(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        raise RigError(
            f"{what} is out of the rig's range",
            where="virtual rig",
            expected=f"{low:g} to {high:g} {unit}".rstrip(),
            found=f"{value:g}",
            todo="choose a value in this range",
        )
