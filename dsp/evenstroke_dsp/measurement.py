"""Measures every probe's pulses in one cycle and gives each to the cylinder whose stroke made it."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicSpline

from .angle import Rotation
from .blocks import Bools, Floats
from .clamp_direction import ClampDirection
from .clipping import ClippingFinder
from .cycles import STARTED_RPM, Anchor, CycleSpan, Place
from .cylinder_count import ROLES as COMPRESSION_ROLES
from .cylinder_count import CompressionOrders, OtherCount, other_count
from .engine import CYCLE_DEG, firing_angles, firing_intervals
from .features import (
    EXHAUST_OPENS_DEG,
    FOLD_STEP_DEG,
    LONGEST_ARM_DEG,
    ROLE_PULSES,
    Pulse,
    RolePulse,
    Shape,
    Window,
    exhaust_middle,
    fold,
    measure,
    middle_in_fold,
    rival_slope,
)
from .health import NOISY_DB
from .history import History
from .low_corner import highest_corner, plausible, undone_cycle
from .mean_cycle import STEPS, MeanCycle, array_factor
from .messages import StretchKind
from .place_in_time import PlaceInTime, has_usual_place, place_in_time, usual_place
from .polarity import (
    DOUBTFUL_FROM,
    INVERTED_FROM,
    LevelStep,
    level_step,
    odds_before_looking,
    odds_of_inverted,
)
from .pulse_evidence import (
    CORNER_PRIOR,
    LONGEST_TRAVEL_M,
    LOW_CORNERS_HZ,
    PulseEvidence,
    ShiftPrior,
    evidence,
)
from .setup import PULSE_ROLES, Probe, Setup
from .travel import TravelEstimate, estimated, gas_temperature_c, speed_of_sound, travel_time

_ARM = 0.6  # of the way to the next pulse's middle: crest and trough may lie beyond half way
_ARM_IN_TIME = 0.45
"""Likewise in time, of the mean time from one to the next: on a three that all but stalls, what is reached back over a dwell
is the recovery of the pulse before (tests/bench/accuracy.py, balance-4, seeds 200 to 205: 0.73 points RMS without, 0.68 so).
Where strokes overlap there is no dwell between them, and so short an arm cuts the pulse: 0.48 points RMS for 0.43 on sixes
(balance-68, seeds 700 to 709, 25 dB)."""
_OTHER_ARMS = (0.8, 1.0)
_OTHER_MIDDLES = (-0.5, 0.0, 0.5)
"""Where else one may say that a pulse ends which merges with its neighbour, at the farthest at the neighbour's middle; and where
its middle is, which uneven pulses do not share, as a share of how far it is sought."""
_FOLD_MEMORY = 0.2
_LONGEST_REACH_DEG = 90.0
_EVEN_SPACING_DEG = 5.0
_BEFORE_TURNING_S = 2.0
_LOST_FROM_REST = 0.1
"""Share of the samples from rest into the crank that may be lost: a level's mean does not need each of them."""
_ANGLE_MATTERS = 0.25
_OTHER_SLOPE = 0.25
"""Of a firing interval: healthy middles settle within 0.1 of it."""
_FIRST_CYCLES = 8
"""A fold forgets the first of them by then."""
"""Of the shortest firing interval: from such a doubt about the crank angle on a window may miss the crest or trough of a
pulse that merges with its neighbour, as uneven ones do. Even ones stand apart: of simulated threes, fours and cold fives
whose angle was in doubt by up to seven tenths of an interval no interval excluded the truth for that."""
_ANGLE_SHARES = (0.25, 0.5)
_RIVAL = 0.7
"""From this on an exhaust rings: how steep the second steepest rise in a firing interval is, as a share of the steepest."""
_FAR_SMALLER, _SMALL_TOO, _GOES_ON_DEG = 0.1, 0.3, 300.0
"""An exhaust stroke that is missing is missed by the pulses after it as well, and most by one of those where strokes overlap or
the pipe rings. So where the smallest pulse is smaller than the mean by more than the first share, each up to that many degrees
before it that has lost the second share of what the smallest has, from the median of the larger half, may be the first of them;
in a pipe that rings any of those before it. Of 73 exhausts of sixes, V6s and V8s of the second model with a shut valve
(tests/bench/second_model, study.py attribution --side exhaust) the smallest pulse was a later cylinder's in 27; with those named
that this finds, or an unknown polarity, the right one was not among them in 2."""
_STROKE_DEG = 180.0
"""Upside down, a stroke's end looks like a rise: so much later than its beginning."""
_OVERLAP = 0.25
"""Of a firing interval, by which the plenum falls fastest before the middle of a stroke that overlaps with the next one's. Of 24
simulated sixes and eights (draws of dsp/make_pulse_phases.py) it was 0.06 to 0.74; sought around the stroke's own middle, three
of them with an open throttle had each pulse named after the next cylinder."""
_PLACE_SPREAD_DEG, _PLACE_TOLD = 15.0, math.log(20.0)
_PLACE_SURE = math.log(200.0)
"""Standard deviation of where a healthy engine's pulses lie in their place, beside the crank angle's own; and the logarithm of
the odds from which a place is taken against the neighbour's, and taken again where it had been left open. By the draws of
dsp/make_pulse_phases.py, with a closed throttle, the deviation is 4 to 15."""
_FEWEST_TO_PLACE, _ONE_CYCLE_MISLEADS = 2, 0.3
"""Cycles before which the angle's doubt, from that share of a firing interval on, leaves pulses open: 0.33 in a three that all
but stalls, whose first cycle was misread (tests/bench/accuracy.py, three, seed 401)."""
_UNEVEN_LOST = 0.5
"""Of a mean firing interval: the crank angle's doubt from which uneven pulses lie between places. Of ten twins of 270/450 by
a sync alone the stated doubt was 0.5 in three that all but stall, 50 to 96 degrees off and one of them with a wrong name, and 0.1
to 0.25 in the others; of ten V6s of 150/90 0.12 to 0.45, 1 to 6 degrees off and none with a wrong name (tests/bench/accuracy.py,
attribution, seeds 700 to 709)."""
_ASIDE_AT_FIRST = 0.15
"""Of a firing interval, that the first cycle's intake pulses lie from where such engines' do: a probe that may be upside down
shows the recovery there, which may be another cylinder's. Exhausts' recoveries lie where strokes do, a tenth of an interval off
in simulated sixes: those wait for the second cycle."""
_MOST_APART = 8  # cylinders: of more, upside down, the dip before a stroke may be in the place before
_FEWEST_TO_OPEN = 3  # cycles, as many as a verdict needs: before that a probe's polarity is in doubt anyway
_UNHEARD_SHARE = 0.15  # of the median pulse
_KEPT_CYCLES = 30
"""Cycles that can be measured anew when the probe turns out to be the other way up."""
_SPEED_OVER_DEG = 12.0
_SPEED_STEP_DEG = 3.0
_GAP_SPACINGS = 1.5
_WIDEST_HOLE = 0.4
"""Of the firing interval. On the virtual rig a gap in the worst place moves `compression` by at most 2 % up to a third
of it (60-2 on an eight), by 8 % at half (on a twelve)."""


def undo_low_corner(t: Floats, x: Floats, low_corner_hz: float, from_s: float, to_s: float) -> Floats:
    """What an AC-coupled probe would read without its first-order high-pass corner, but for a constant.

    The inverse of s/(s + w) is 1 + w/s. What the probe reads has no mean of its own over a steady cycle, so
    that the cycle's mean is its bias, and the integral starts without the memory of what came before.
    t, x: one cycle and somewhat beyond, shape (samples,). from_s, to_s: the cycle itself, seconds.
    """
    inside = (t >= from_s) & (t < to_s)
    if not inside.any():
        return x
    ac = x - x[inside].mean()
    integral: Floats = cumulative_trapezoid(ac, x=t, initial=0)
    return x + 2 * math.pi * low_corner_hz * integral


@dataclass(frozen=True, slots=True)
class Measured:
    """One place's pulse in one cycle; `pulse` is None where it is left out, `left_out` says why."""

    place: Place
    position: int
    pulse: Pulse | None
    left_out: str | None


def _gone_or_not_found(measured: list[Measured]) -> tuple[Measured, ...]:
    """A place without a pulse has one of no size only beside others that have theirs: where most have none, it is not the
    cylinders' doing, and nothing was found."""
    gone = [m.pulse is not None and m.pulse.t_to <= m.pulse.t_from for m in measured]
    there = sum(m.pulse is not None for m in measured) - sum(gone)
    if sum(gone) <= there:
        return tuple(measured)
    return tuple(
        Measured(m.place, m.position, None, "not_found") if none else m
        for m, none in zip(measured, gone, strict=True)
    )


@dataclass(slots=True)
class _Fold:
    mean: Floats | None = None
    cycles: int = 0


@dataclass(frozen=True, slots=True)
class _Signal:
    t: Floats
    x: Floats
    lost: Bools | None


@dataclass(frozen=True, slots=True)
class CountedCycle:
    """One cycle that counts, with its number in its stretch."""

    span: CycleSpan
    kind: StretchKind
    number: int
    places: tuple[Place, ...]
    signal: _Signal


def _key(kind: StretchKind, rotation: int | None) -> tuple[StretchKind, int]:
    """Unnamed places of one turning have nothing to do with those of another; rotation: None for named ones."""
    return kind, -1 if rotation is None else rotation


@dataclass(slots=True)
class _Latest:
    """The latest cycle that counts of one stretch, and what all of them say of the crank angle's doubt."""

    span: CycleSpan
    places: tuple[Place, ...]
    middle_deg: float
    """Of its pulses, degrees after their firing TDC as the crank angle is known."""
    deg_per_s: float
    reach_deg: float
    longest_arm_s: float
    """As `_reach` and `_longest_arm_s` had them then: hours later the turning has forgotten how it went."""
    doubt_deg: float | None = None
    """Mean of the cycles' doubts, either way: their values' mean is displaced by no more."""
    doubts: int = 0

    def doubted_since(self, before: _Latest | None) -> _Latest:
        """The same, with the doubt of those before it in the mean."""
        if before is not None:
            self.doubt_deg, self.doubts = before.doubt_deg, before.doubts
        doubt = self.span.uncertainty_deg
        if doubt is not None:
            self.doubts += 1
            mean = self.doubt_deg or 0.0
            self.doubt_deg = mean + (doubt - mean) / self.doubts
        return self


_OTHER_ROLE = {"intake_pulse": "exhaust_pulse", "exhaust_pulse": "intake_pulse"}
_CUT_BESIDE = 0.1
"""Of a pulse's length, so far before and behind it the level of its crest and trough is measured too."""
_CLAMP_ROSE = 0.3
"""Heights of its pulse by which a clamp's level rises as the engine begins to turn, at the least: simulated fours
and sixes rise by 0.7 to 1.4. One that hears nothing rises by chance, and its swing must not be measured by that."""
_RHYTHM_ROLES = frozenset({"crank_teeth", "starter_current", "battery_voltage"})
_WEAKEST_RHYTHM = 0.03
"""A crank that compression slows, or a starter that it loads, swings by more than this share of its mean
at the firing rhythm. Real captures: 2.4 % peak to peak, and none of it at the firing rhythm, with
the plugs out; some 10 % and more with compression."""
_WEAKEST_OF_CURRENT = 0.15
"""The same of starter current whose zero is known. Simulated threes to eights swing by 0.41 to 4 of its mean; with all plugs out
the pistons' own inertia still makes 0.005 to 0.11 (tests/dsp/test_no_compression.py)."""
_WEAKEST_OF_BATTERY = 0.006
"""The same of a battery's voltage, of which the starter takes a tenth. Simulated threes to eights swing by 0.028 to 0.36 of its
mean, with all plugs out by 0.0001 to 0.0023 (tests/dsp/test_no_compression.py)."""
_FROM_REST = PULSE_ROLES | {"starter_current"}
"""Roles whose level before the engine turns says something."""


@dataclass(slots=True)
class ProbeMeasurer:
    """Measures one probe; remembers the mean pulse shape, from which the middles follow.

    row: the probe's channel in the history, or None for a wheel, whose speed is the signal.
    offset_s: how much later than the scan's time this channel is sampled.
    """

    setup: Setup
    probe: Probe
    row: int | None
    offset_s: float = 0.0
    clamp: ClampDirection | None = None
    """Which way round a starter's clamp lies, where the engine is cranked; its signal comes turned already."""
    clipping: ClippingFinder | None = None
    """When its signal was cut off; None for a wheel."""
    folds: dict[tuple[StretchKind, int], _Fold] = field(default_factory=dict)
    hole_deg: float = 0.0
    """Widest angle between two usable teeth so far; 0 where the signal is none of a wheel."""
    orders: CompressionOrders = field(default_factory=CompressionOrders)
    """Of the cranking cycles, for what shows compression."""
    rhythm: float | None = None
    """Swing of the mean pulse as a share of the signal's mean, at the last cranking cycle; of a clamp that was recorded
    from rest on, of what the mean is above its level at rest: where no current is not 0 V and nobody wrote down where it
    is, the mean is mostly that."""
    mean_level: float | None = None
    """Of the signal itself over the last cranking cycle that counts, in the probe's unit: of none in which an engine starts."""
    zero_known: bool = False
    """Of a clamp: its level at rest was recorded, and `rhythm` is a share of what came on top of it."""
    inverted: bool = False
    """The probe was found to be the other way up than `positive_is` says; what is measured is corrected."""
    polarity_doubtful: bool = False
    """Nothing tells, or not clearly enough, that the probe is the way up that it is taken to be."""
    evidence: PulseEvidence | None = None
    maybe_swapped: bool = False
    """With a probe of the other role (`swapped_probes`): each pulse may be the stroke of the cylinder that fits that role."""
    by_either_role: tuple[PulseEvidence | None, PulseEvidence | None] = (None, None)
    """By crank angle: as what the set-up says it is, and as if an intake probe were an exhaust probe or the other way round; None
    where there is but one of them."""
    travel: TravelEstimate | None = None
    """The delay on the way as the cranking pulses show it, where `travel_m` is not given."""
    unheard: tuple[Place, ...] = ()
    """Places whose pulse hardly shows in the mean cycle."""
    rings: bool = False
    """Two rises nearly as steep follow each exhaust stroke: what one stroke leaves in the pipe alters later pulses."""
    _one_stands_out: bool = False
    _small_before: int = 0
    _between: bool = False
    _means: dict[tuple[StretchKind, int], MeanCycle] = field(default_factory=dict)
    _counted: list[CountedCycle] = field(default_factory=list)
    _latest_of: dict[tuple[StretchKind, int], _Latest] = field(default_factory=dict)
    _latest: tuple[CycleSpan, StretchKind, tuple[Place, ...], _Signal, float] | None = None
    _speaks_for_inverted: bool = False
    """Whether the recording itself does, with the odds before looking taken off."""
    _in_time: PlaceInTime | None = None
    """Of cranking cycles between whose syncs nothing told how the crank turns: what the mean cycle in time says."""
    _means_in_time: dict[tuple[StretchKind, int], MeanCycle] = field(default_factory=dict)
    _level_step: LevelStep | None = None
    _unnamed_middles: dict[int, float] = field(default_factory=dict)
    """By turning with unnamed places: the latest middle of the first one's pulse, degrees after its firing TDC, not
    modulo anything, so that positions go on counting from the same pulse wherever the middle moves."""
    _highest_corner_hz: float = math.inf
    _cranked_middle: float | None = None
    """Of the latest cranking cycle that counts: degrees after firing TDC, where places are known."""

    @property
    def problems(self) -> tuple[str, ...]:
        """Codes of `health`, of what only cycles tell."""
        codes = {
            "polarity": self.inverted or self.clamp_reversed,
            "polarity_untold": self.polarity_doubtful or self.clamp_doubtful,
            "noisy": self.swamped,
            "not_heard": bool(self.unheard),
        }
        return tuple(code for code, so in codes.items() if so)

    @property
    def clamp_reversed(self) -> bool:
        """A clamp lies the wrong way round, and its signal was turned over."""
        return self.clamp is not None and self.clamp.reversed

    @property
    def clamp_doubtful(self) -> bool:
        """A clamp reads a current below zero of which nobody knows whether it is one: no verdict is given."""
        return self.clamp is not None and self.clamp.doubtful

    @property
    def swamped(self) -> bool:
        """Whether noise is so strong that no verdict is given, and `noisy` says why."""
        mean = self.mean_cycle
        noise_db = mean.signal_to_noise_db if mean is not None else None
        return noise_db is not None and noise_db < NOISY_DB

    @property
    def least_rhythm(self) -> float:
        """What `rhythm` is at the least where compression loads what this probe shows."""
        if self.probe.role == "battery_voltage":
            return _WEAKEST_OF_BATTERY
        return _WEAKEST_OF_CURRENT if self.zero_known else _WEAKEST_RHYTHM

    @property
    def hears_pulses(self) -> bool:
        """Whether this is a pulse probe whose pulses stand out of what is noise."""
        pulses = self.probe.role in PULSE_ROLES or self.probe.role == "manifold_pressure"
        return pulses and self.mean_cycle is not None and not self.swamped

    @property
    def rhythm_of_least(self) -> float:
        """`rhythm` as a share of that; infinite where it is not known or no such sign."""
        told = self.rhythm if self.probe.role in _RHYTHM_ROLES else None
        return math.inf if told is None else told / self.least_rhythm

    @property
    def without_compression(self) -> bool:
        """Whether by this probe the crank turns without the rhythm of compression."""
        return self.rhythm_of_least < 1.0

    @property
    def shows_compression(self) -> bool:
        """Whether this probe shows that rhythm."""
        return 1.0 <= self.rhythm_of_least < math.inf

    def cut_off(self, pulse: Pulse) -> tuple[bool, bool]:
        """Whether the signal was cut off, where this pulse is measured, at the end that weaker and at the end that stronger
        values lie towards."""
        if self.clipping is None:
            return False, False
        aside = _CUT_BESIDE * (pulse.t_to - pulse.t_from)
        # A hump is measured from the level on both its sides, and its message ends at its crest.
        after = pulse.t_to - pulse.t_from if self.pulse.shape is Shape.HUMP else 0.0
        low, high = self.clipping.between(pulse.t_from - aside, pulse.t_to + after + aside)
        upright = (self.pulse.sign > 0) != self.inverted
        if self.probe.positive_is == "vacuum" and self.probe.role in PULSE_ROLES:
            upright = not upright
        return (low, high) if upright else (high, low)

    @property
    def mean_cycle(self) -> MeanCycle | None:
        """The cranking cycles' mean, of the turning with most of them."""
        key = self._most_cranked()
        return None if key is None else self._means[key]

    def _most_cranked(self) -> tuple[StretchKind, int] | None:
        cranked = [key for key in self._means if key[0] == "cranking"]
        return max(cranked, key=lambda key: self._means[key].cycles, default=None)

    @property
    def other_count(self) -> OtherCount | None:
        """How often a cycle compression comes, where that is not what the set-up says."""
        plugs_out = {fitted.cylinder for fitted in self.setup.fitted if fitted.plug_removed}
        return other_count(self.setup.engine, self.orders, plugs_out)

    @property
    def pulse(self) -> RolePulse:
        return ROLE_PULSES[self.probe.role]

    @property
    def unit(self) -> str:
        return "rpm" if self.row is None else self.probe.unit

    @property
    def delay_s(self) -> float:
        """What the gas takes from valve to probe; without `travel_m` the pulses themselves must tell (`travel`)."""
        return travel_time(self.probe.travel_m or 0.0, self.probe.role, self.setup.conditions)

    def needs_until(self, span: CycleSpan) -> float:
        """The history must reach this time before the cycle can be measured, seconds."""
        _, beyond = self._reaches(span)
        return span.rotation.time_at(span.start_deg + beyond) + self.delay_s + self.offset_s

    def places(self, span: CycleSpan) -> tuple[Place, ...]:
        """The places in the cycle whose pulses this probe hears; none where that cannot be told."""
        heard = self.heard
        if len(heard) == self.setup.engine.cylinders:
            return span.places
        named = tuple(p for p in span.places if p.cylinder is not None)
        return tuple(p for p in named if p.cylinder in heard)

    @property
    def pulses_a_cycle(self) -> int:
        """How many cylinders this probe hears."""
        return len(self.heard)

    def strokes_open(self, kind: StretchKind) -> bool:
        """Whether more than one cylinder's stroke fits each pulse, although the places are known: as long as the probe may be
        upside down, its smallest pulse comes after others that are small too or in a pipe that rings, pulses lie between two
        places, as they do on a crank whose angle is in doubt and not at idle, the delay on the way may carry them into another
        place, or this probe may be swapped with one of the other role."""
        return self._places_off(kind) != (0, 0) or (self.maybe_swapped and kind == "cranking")

    @property
    def may_be_upside_down(self) -> bool:
        """Whether its pulses may be what an earlier stroke leaves in a probe that is the other way up than it is taken to be."""
        mean = self.mean_cycle
        told = mean is not None and mean.cycles >= _FEWEST_TO_OPEN
        asked = self.probe.role == "exhaust_pulse" and (
            self._crowded or (self._in_time is not None and self._speaks_for_inverted)
        )
        return told and asked and self.polarity_doubtful

    @property
    def small_before(self) -> bool:
        """Whether the smallest exhaust pulse comes after others that are small too: a stroke may be missing in one of those."""
        return self._small_before > 0

    @property
    def between_places(self) -> bool:
        """Whether cranking pulses may lie in either of two cylinders' places, as far as the crank angle is known."""
        return self._between

    def travel_open(self, kind: StretchKind) -> bool:
        """Whether the delay on the way, which had to be estimated, may carry a pulse into another one's place."""
        return self._carried(kind) != (0, 0)

    def _carried(self, kind: StretchKind) -> tuple[int, int]:
        """By how many places the stroke may lie before the one that is named, and after it, for the delay that is not known."""
        travel, placed = self.travel, (of for key, of in reversed(self._latest_of.items()) if key[0] == kind)
        latest = next((of for of in placed if of.span.rotation.places_known), None)
        if latest is None or travel is None or self.pulses_a_cycle < 2:
            return 0, 0
        deg_per_s, half = latest.deg_per_s, latest.reach_deg
        off = ((travel.high_s - travel.delay_s) * deg_per_s, (travel.delay_s - travel.low_s) * deg_per_s)
        back, ahead = (math.floor((deg - half) / (2.0 * half)) + 1 if deg > half else 0 for deg in off)
        return back, ahead

    def _places_off(self, kind: StretchKind) -> tuple[int, int]:
        """As `_carried`, for all that leaves open whose pulse lies in a place.

        Upside down, what looks like a stroke is the end of one before, or the dip before the next. Between two places it may be
        either, since windows take now the one pulse and now the other.
        """
        back, ahead = self._carried(kind)
        if self.may_be_upside_down:
            back = max(back, math.ceil(_STROKE_DEG * self.pulses_a_cycle / CYCLE_DEG))
            ahead = max(ahead, int(self.pulses_a_cycle > _MOST_APART))
        if self._between and kind == "cranking":
            back, ahead = max(back, 1), max(ahead, 1)
        if kind == "cranking":
            rung = self.rings and self._one_stands_out
            back = max(back, _places_before(self.pulses_a_cycle) if rung else self._small_before)
        return back, ahead

    def strokes_that_fit(self, cylinder: int, kind: StretchKind) -> tuple[int, ...]:
        """The cylinders of which one made the pulse in this cylinder's place, in firing order."""
        back, ahead = self._places_off(kind)
        order = [c for c in self.setup.engine.firing_order if c in self.heard]
        at = order.index(cylinder)
        fit = [order[(at - k) % len(order)] for k in range(back, -ahead - 1, -1)]
        if self.maybe_swapped and kind == "cranking" and self._cranked_middle is not None:
            fit.append(self._by_other_role(cylinder, self._cranked_middle))
        return tuple(dict.fromkeys(fit))

    def _by_other_role(self, cylinder: int, middle_deg: float) -> int:
        """Whose stroke the pulse in this cylinder's place is where the probe is of the other role: turned over, a fall of the one
        is the rise of the other."""
        angles = firing_angles(self.setup.engine)
        at = angles[cylinder] + middle_deg - self._nominal_middle(_OTHER_ROLE[self.probe.role])
        return min(
            self.heard,
            key=lambda c: abs((angles[c] - at + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2),
        )

    @property
    def heard(self) -> tuple[int, ...]:
        if self.probe.role == "cylinder_pressure" and self.probe.cylinder is not None:
            return (self.probe.cylinder,)
        if self.probe.role in PULSE_ROLES or self.probe.role == "manifold_pressure":
            return self.setup.sees(self.probe)
        return self.setup.engine.firing_order

    def anchor(self, from_s: float, to_s: float, cylinder: int) -> Anchor:
        """That this pulse, from end to end as in its message, is `cylinder`'s."""
        # A hump's message ends at its crest, the middle; a fall's or a rise's middle lies between its ends.
        middle_s = to_s if self.pulse.shape is Shape.HUMP else (from_s + to_s) / 2
        return Anchor(middle_s - self.delay_s, cylinder, self._nominal_middle())

    @property
    def hidden_by_gap(self) -> bool:
        """Whether the wheel's gap hides so much of a firing interval that the speed there is a guess."""
        return self.hole_deg > _WIDEST_HOLE * min(firing_intervals(self.setup.engine))

    @property
    def evenly_heard(self) -> bool:
        """Whether the pulses come at even intervals; where they do not, healthy ones differ in size."""
        angles = firing_angles(self.setup.engine)
        heard = np.sort([angles[c] for c in self.heard])
        gaps = np.diff(np.concatenate([heard, [heard[0] + CYCLE_DEG]]))
        return bool(np.ptp(gaps) <= _EVEN_SPACING_DEG)

    def measure(
        self, span: CycleSpan, history: History, kind: StretchKind, *, counts: bool = True
    ) -> tuple[Measured, ...]:
        """All pulses of one cycle, in order of coming.

        counts: what it says of the pulses' shape is remembered. A spin-up is none of their shape: while the plenum
        empties, the level falls by more than a pulse, and the middles would be sought on the wrong slope for cycles.
        """
        places = self.places(span)
        if not places:
            return ()
        signal = self._signal(span, history)
        self._latest = None
        if signal is None or signal.t.size < 16:
            return tuple(Measured(p, k + 1, None, "not_recorded") for k, p in enumerate(places))
        unturned = signal
        if self.probe.role in _FROM_REST and self._level_step is None:
            self._level_step = self._level_step_into(span, history, float(np.ptp(signal.x)))
        signal = self._turned(signal)
        folded, cycle_mean = self._fold(span, signal, places, kind, counts=counts)
        if kind == "cranking" and counts:
            self.mean_level = self.pulse.sign * cycle_mean
        step = self._level_step
        if self.probe.role == "starter_current" and step is not None and step.heights > _CLAMP_ROSE:
            cycle_mean -= step.rest
            self.zero_known = True
        if kind == "cranking" and cycle_mean != 0:
            self.rhythm = float(np.ptp(folded)) / abs(cycle_mean)
        middle = self._middle(span, folded)
        if kind == "cranking" and not counts and not self._counted:
            self._between = self._widely_in_doubt(span)
        if counts and kind == "cranking":
            self._cranked_middle = middle
        if counts and not span.rotation.places_known:
            self._unnamed_middles[span.rotation_index] = middle
        if self.probe.role in PULSE_ROLES:
            self._latest = (span, kind, places, unturned, middle)
        return self._pulses(span, places, signal, middle, longest_arm_s=self._longest_arm_s(span))

    def count(self, number: int) -> bool:
        """The cycle measured last counts, as that number of its stretch: learn from it about the probe.

        True where the probe now turns out to be the other way up than it was taken to be, or the first cycles to have been
        measured elsewhere than where the pulses are: then all cycles so far have to be taken anew, from `counted_anew`.
        """
        if self._latest is None:
            return False
        span, kind, places, signal, middle = self._latest
        if len(self._counted) < _KEPT_CYCLES:
            self._counted.append(CountedCycle(span, kind, number, places, signal))
        key = self._fold_key(span, places, kind)
        latest = _Latest(span, places, middle, span.rpm * 6.0, self._reach(span), self._longest_arm_s(span))
        before = self._latest_of.get(key)
        moved = (
            before is not None
            and len(self._counted) <= _FIRST_CYCLES
            and self._moved(before.middle_deg, middle)
        )
        self._latest_of[key] = latest.doubted_since(before)
        self._learn(span, kind, places, signal)
        self._find_small(kind)
        self._find_rings(span, kind, places)
        stated = self.probe.positive_is is not None
        odds = odds_of_inverted(
            self.probe.role,
            self.evidence,
            self._level_step,
            self.mean_cycle,
            self.pulses_a_cycle,
            stated=stated,
        )
        was = self.inverted
        self._speaks_for_inverted = odds is not None and odds > odds_before_looking(stated=stated)
        if odds is not None and len(self._counted) < _KEPT_CYCLES:
            self.inverted = odds > INVERTED_FROM or (was and odds > 1.0)
        self.polarity_doubtful = odds is None or (1.0 / odds if self.inverted else odds) > DOUBTFUL_FROM
        turned = self.inverted != was
        if turned:
            self._unnamed_middles.clear()
            for memory in self.folds.values():
                memory.mean = -memory.mean if memory.mean is not None else None
        self._find_between(span, kind, places)
        return turned or moved

    def _moved(self, before_deg: float, now_deg: float) -> bool:
        """Whether the pulses' middle is sought on another slope than in the cycle before: while a level that fell as turning
        began, or a signal that it drove against its end, comes back, that may be the steepest of all."""
        return abs(now_deg - before_deg) > _OTHER_SLOPE * CYCLE_DEG / max(self.pulses_a_cycle, 1)

    def counted_anew(self) -> Iterator[tuple[CountedCycle, tuple[Measured, ...]]]:
        """Every cycle that counts, measured with what is known of the probe by now."""
        for cycle in self._counted:
            key = self._fold_key(cycle.span, cycle.places, cycle.kind)
            memory = self.folds[key]
            assert memory.mean is not None
            signal = self._turned(cycle.signal)
            middle = self._latest_of[key].middle_deg = self._middle(cycle.span, memory.mean)
            if not cycle.span.rotation.places_known:
                self._unnamed_middles[cycle.span.rotation_index] = middle
            longest = self._longest_arm_s(cycle.span)
            yield (
                cycle,
                self._pulses(cycle.span, cycle.places, signal, middle, longest_arm_s=longest),
            )

    def corner_values(
        self, kind: StretchKind, rotation: int | None = None
    ) -> tuple[dict[str, Floats], dict[str, Floats]] | None:
        """What the mean cycle measures as it was read, and behind each low corner that may have made it.

        Of that stretch, and of unnamed places of that turning; by feature: values by position, shape (places,), and
        (corners, places). None for a probe whose corner is known or that has no mean cycle yet.
        """
        if self.probe.role not in PULSE_ROLES or self.probe.low_corner_hz is not None:
            return None
        found = self._mean_of(kind, rotation)
        if found is None:
            return None
        latest, mean = found
        corners, probability = np.asarray(LOW_CORNERS_HZ), CORNER_PRIOR
        if self.evidence is not None:
            probability = self.evidence.of_corner(inverted=self.inverted)
        tried = plausible(corners, probability, self._highest_corner_hz)
        whole = -mean.whole if self.inverted else mean.whole
        as_read = self._of_cycle(latest, whole, mean.times)
        undone = [
            self._of_cycle(latest, undone_cycle(whole, mean.times, float(hz)), mean.times) for hz in tried
        ]
        names = [feature.name for feature in self.pulse.features]
        return (
            {name: _values(as_read, name) for name in names},
            {name: np.array([_values(measured, name) for measured in undone]) for name in names},
        )

    def angle_uncertain(self, kind: StretchKind, rotation: int | None = None) -> bool:
        """The crank angle is so uncertain that the window of a pulse may miss its crest or its trough."""
        return self._angle_doubt_deg(self._latest_of.get(_key(kind, rotation))) is not None

    def _angle_doubt_deg(self, latest: _Latest | None) -> float | None:
        """How far the counted cycles' windows may be displaced; None where that is too little to matter."""
        doubt = None if latest is None else latest.doubt_deg
        if latest is None or doubt is None or self.row is None or self.evenly_heard:
            return None
        gaps = np.diff(np.sort([p.firing_deg for p in latest.places]), append=np.inf)
        least = min(float(gaps.min()), CYCLE_DEG / max(len(latest.places), 1))
        return min(doubt, least) if doubt > _ANGLE_MATTERS * least else None

    def displaced_values(
        self, kind: StretchKind, rotation: int | None = None
    ) -> tuple[dict[str, Floats], dict[str, Floats]] | None:
        """What the mean cycle measures, and what it does with windows displaced by the doubt about the crank angle.

        As `corner_values` gives them; rows are displacements: of each place alone and of neighbours against each other.
        None where the angle is known well enough, or there is no mean cycle yet.
        """
        found = self._mean_of(kind, rotation)
        if found is None:
            return None
        latest, mean = found
        doubt = self._angle_doubt_deg(latest)
        if doubt is None:
            return None
        whole = -mean.whole if self.inverted else mean.whole
        places = len(latest.places)
        alone = np.concatenate([np.eye(places), -np.eye(places)])
        turns = np.resize([1.0, -1.0], places)
        patterns = np.concatenate([alone, [turns, -turns]])
        displaced = np.concatenate([share * doubt * patterns for share in _ANGLE_SHARES])
        as_read = self._of_cycle(latest, whole, mean.times)
        moved = [self._of_cycle(latest, whole, mean.times, shift) for shift in displaced]
        names = [feature.name for feature in self.pulse.features]
        return (
            {name: _values(as_read, name) for name in names},
            {name: np.array([_values(measured, name) for measured in moved]) for name in names},
        )

    def redefined_values(
        self, kind: StretchKind, rotation: int | None = None
    ) -> tuple[dict[str, Floats], dict[str, Floats]] | None:
        """What the mean cycle measures, and what it does where pulses are said to end elsewhere; as `corner_values` gives them.

        Evenly spaced pulses all end alike. Uneven ones merge by twos, and how large each of two is, is then a matter of where one
        ends and the other begins. None for even ones, for few that stand apart, and where there is no mean cycle yet.
        """
        found = self._mean_of(kind, rotation)
        if found is None or self.evenly_heard or self.pulse.shape is Shape.HUMP or not self._crowded:
            return None
        latest, mean = found
        whole = -mean.whole if self.inverted else mean.whole
        as_read = self._of_cycle(latest, whole, mean.times)
        own = self._own_middles(latest, whole)
        others = [
            self._of_cycle(latest, whole, mean.times, aside, arm)
            for arm in _OTHER_ARMS
            for aside in (
                own,
                *(share * self._reach(latest.span) * np.ones(own.size) for share in _OTHER_MIDDLES),
            )
        ]
        names = [feature.name for feature in self.pulse.features]
        return (
            {name: _values(as_read, name) for name in names},
            {name: np.array([_values(measured, name) for measured in others]) for name in names},
        )

    def _own_middles(self, like: _Latest, cycle: Floats) -> Floats:
        """How far from the middle that all share each place's own steepest one lies in a mean cycle, degrees, shape (places,)."""
        firing = np.array([p.firing_deg for p in like.places])
        shared = self._middle(like.span, fold(cycle, firing))
        reach = self._reach(like.span)
        own = [middle_in_fold(fold(cycle, np.array([at])), self.pulse.shape, shared, reach) for at in firing]
        return np.asarray(own) - shared

    @property
    def close_pairs(self) -> tuple[tuple[int, int], ...]:
        """Cylinders that follow each other more closely than those that are heard do on average."""
        angles = firing_angles(self.setup.engine)
        heard = sorted(self.heard, key=lambda c: angles[c])
        gaps = [
            (angles[b] - angles[a]) % CYCLE_DEG for a, b in zip(heard, [*heard[1:], heard[0]], strict=True)
        ]
        close = CYCLE_DEG / len(heard) - _EVEN_SPACING_DEG / 2
        return tuple(
            (a, b) for a, b, gap in zip(heard, [*heard[1:], heard[0]], gaps, strict=True) if gap < close
        )

    def _mean_of(self, kind: StretchKind, rotation: int | None) -> tuple[_Latest, MeanCycle] | None:
        """The latest counted cycle of a stretch, and of unnamed places of a turning, and the mean one; None before the
        second."""
        key = _key(kind, rotation)
        latest, mean = self._latest_of.get(key), self._means.get(key)
        return None if latest is None or mean is None or mean.cycles < 2 else (latest, mean)

    def _of_cycle(
        self,
        like: _Latest,
        cycle: Floats,
        times: Floats,
        displaced_deg: Floats | None = None,
        arm: float = _ARM,
    ) -> tuple[Measured, ...]:
        """The pulses of one cycle that repeats, in order of coming; displaced_deg: of each place's window; arm: how far it
        reaches, of the way to the next pulse's middle."""
        begin, half, step = like.span.start_deg, STEPS // 2, CYCLE_DEG / STEPS
        turns = (times[half:-1] - times[-1], times[:-1], times[:half] + times[-1])
        at = np.concatenate(turns)
        # From whole steps: angles that are rounded anew where cycles meet may repeat or turn back there.
        deg = begin + step * np.arange(-half, STEPS + half)
        rotation = Rotation(t=at.tolist(), deg=deg.tolist())
        rotation.places_known = like.span.rotation.places_known
        span = CycleSpan(rotation, like.span.rotation_index, 0, begin, like.places)
        signal = _Signal(at + self.delay_s, np.concatenate([cycle[half:], cycle, cycle[:half]]), None)
        folded = fold(cycle, np.array([p.firing_deg for p in like.places]))
        in_time = math.isfinite(like.longest_arm_s)
        middle = like.middle_deg if in_time else self._middle(span, folded)
        return self._pulses(span, like.places, signal, middle, displaced_deg, arm, like.longest_arm_s)

    def _find_small(self, kind: StretchKind) -> None:
        """Places whose pulse hardly shows in the mean cycle, and how many before the smallest one are small too."""
        key = self._most_cranked()
        if kind != "cranking" or key is None:
            return
        mean, latest = self._means[key], self._latest_of[key]
        if mean.cycles < 3 or len(latest.places) < 3:
            return
        whole = -mean.whole if self.inverted else mean.whole
        measured = self._of_cycle(latest, whole, mean.times)
        sizes = _values(measured, self.pulse.features[0].name)
        if np.isfinite(sizes).all():
            small = sizes < _UNHEARD_SHARE * np.median(sizes)
            self.unheard = tuple(m.place for m, so in zip(measured, small, strict=True) if so)
            overlap = self.pulses_a_cycle * _STROKE_DEG > CYCLE_DEG
            asked = self.probe.role == "exhaust_pulse" and overlap
            alike = _beside_their_like(sizes, np.array([m.place.firing_deg for m in measured]))
            stands_out = alike < (1.0 - _FAR_SMALLER) * alike.mean()
            self._one_stands_out = asked and bool(stands_out.any())
            # Of uneven pulses the smallest is not always that which is smallest beside its like: either may be asked about.
            asked_about = {int(np.argmin(sizes)), int(np.argmin(alike))} if self._one_stands_out else set()
            self._small_before = max(
                (_small_before(alike, at) for at in asked_about if stands_out[at]), default=0
            )

    def _find_rings(self, span: CycleSpan, kind: StretchKind, places: tuple[Place, ...]) -> None:
        memory = self.folds.get(self._fold_key(span, places, kind))
        if kind != "cranking" or self.probe.role != "exhaust_pulse" or not self._crowded:
            return
        if not self.evenly_heard:
            return
        if memory is None or memory.mean is None or not span.rotation.places_known:
            return
        interval = CYCLE_DEG / self.pulses_a_cycle
        self.rings = rival_slope(memory.mean, self.pulse.shape, interval) > _RIVAL

    def _find_between(self, span: CycleSpan, kind: StretchKind, places: tuple[Place, ...]) -> None:
        """Between two cylinders: the odds that the pulses are their own place's, by how far they lie from it and from the
        neighbour's. The interval times what one distance is more than the other, over twice the variance, is their logarithm."""
        memory = self.folds.get(self._fold_key(span, places, kind))
        latest = self._latest_of.get(self._fold_key(span, places, kind))
        known = kind == "cranking" and span.rotation.places_known and self.pulse.shape is not Shape.HUMP
        if not known or memory is None or memory.mean is None or latest is None:
            return
        if self.pulses_a_cycle < 2:
            return
        if not self.evenly_heard:
            # Where one place's pulse lies says little of another's: only the crank angle tells.
            self._between = (latest.doubt_deg or 0.0) >= _UNEVEN_LOST * CYCLE_DEG / self.pulses_a_cycle
            return
        if self._sync_between_stalls(span) is not None:
            middle = self._middle_in_time(span, memory.mean)
            if self._in_time is None:
                aside = abs(middle - self._usual_place(span)) * self.pulses_a_cycle / CYCLE_DEG
                other = self.probe.role == "exhaust_pulse" or aside > _ASIDE_AT_FIRST
                self._between = self._widely_in_doubt(span) or (self.polarity_doubtful and other)
                return
            told = self._in_time.told(middle, inverted=self.inverted)
            if self.polarity_doubtful:
                stroke = self._stroke_before(memory.mean, middle)
                told = min(told, self._in_time.told(stroke, inverted=not self.inverted))
            self._between = told < (_PLACE_SURE if self._between else _PLACE_TOLD)
            return
        interval = CYCLE_DEG / self.pulses_a_cycle
        off = self._middle(span, memory.mean) - self._expected_middle(span)
        sigma = math.hypot(_PLACE_SPREAD_DEG, (latest.doubt_deg or 0.0) / 2.0)
        told = interval * (interval - 2.0 * abs(off)) / (2.0 * sigma**2)
        first = memory.cycles < _FEWEST_TO_PLACE
        self._between = told < (_PLACE_SURE if self._between and not first else _PLACE_TOLD)
        self._between |= first and self._widely_in_doubt(span)

    def _stroke_before(self, folded: Floats, middle_deg: float) -> float:
        """Where the stroke lies whose end, upside down, is what seems to be the stroke at `middle_deg`."""
        half = CYCLE_DEG / self.pulses_a_cycle / 2
        return middle_in_fold(-folded, self.pulse.shape, middle_deg - half, half)

    def _widely_in_doubt(self, span: CycleSpan) -> bool:
        """Whether the crank angle inside this cycle is so little known that one noisy cycle alone does not place its pulses."""
        known = span.rotation.places_known and self.pulse.shape is not Shape.HUMP
        doubt = span.uncertainty_deg if known and self.pulses_a_cycle > 1 else None
        misleads = _ONE_CYCLE_MISLEADS if self.evenly_heard else _UNEVEN_LOST
        return doubt is not None and doubt > misleads * CYCLE_DEG / self.pulses_a_cycle

    def _turned(self, signal: _Signal) -> _Signal:
        return _Signal(signal.t, -signal.x, signal.lost) if self.inverted else signal

    def _learn(self, span: CycleSpan, kind: StretchKind, places: tuple[Place, ...], signal: _Signal) -> None:
        """One more cycle for the mean pulse, in the stated polarity, and what it says of the probe."""
        low, high = np.searchsorted(signal.t, (span.from_s, span.to_s))
        if signal.lost is not None and signal.lost[low:high].any():
            return
        grid = np.arange(STEPS + 1) * np.float64(CYCLE_DEG / STEPS)
        times = span.rotation.times_at(span.start_deg + grid) + self.delay_s
        firing = np.array([p.firing_deg for p in places])
        mean = self._means.setdefault(self._fold_key(span, places, kind), MeanCycle())
        cycle = np.interp(times, signal.t, signal.x)
        mean.add(cycle, times, firing)
        if kind != "cranking":
            return
        step = self._level_step
        if step is not None and self.probe.low_corner_hz is None:
            left = (float(cycle.mean()) - step.rest) / float(np.ptp(mean.whole))
            bound = highest_corner(left, span.from_s - step.begin_s)
            self._highest_corner_hz = min(self._highest_corner_hz, bound)
        prior = self._shift_prior(span)
        role, throttle = self.probe.role, self.setup.conditions.throttle
        corner_known = self.probe.low_corner_hz is not None
        sync_deg = self._sync_between_stalls(span)
        even = span.rotation.times_at_even_speed(span.start_deg + grid) if sync_deg is not None else None
        other = _OTHER_ROLE.get(role)
        if other is not None and all(p.role != other for p in self.setup.probe):
            other = None
        by_angle = None
        if other is not None or even is None:
            by_angle = evidence(mean, array_factor(firing), role, throttle, prior, corner_known=corner_known)
        if other is not None:
            there = self._shift_prior(span, other)
            by_other = evidence(mean, array_factor(firing), other, throttle, there, corner_known=corner_known)
            self.by_either_role = by_angle, by_other
        if sync_deg is None or even is None:
            self.evidence = by_angle
        else:
            even = even + self.delay_s
            in_time = self._means_in_time.setdefault(self._fold_key(span, places, kind), MeanCycle())
            in_time.add(np.interp(even, signal.t, signal.x), even, firing)
            self._in_time = place_in_time(
                in_time, role, throttle, len(places), sync_deg, prior, corner_known=corner_known
            )
            self.evidence = None if self._in_time is None else self._in_time.pulse
        if self.evidence is not None and prior.longest_travel_deg > 0 and prior.places_known:
            self.travel = estimated(self.evidence, prior, span.rpm * 6.0, inverted=self.inverted)

    def _shift_prior(self, span: CycleSpan, role: str = "") -> ShiftPrior:
        """role: another one than the probe's."""
        role = role or self.probe.role
        rotation = span.rotation
        speed = speed_of_sound(gas_temperature_c(role, self.setup.conditions))
        longest_m = 0.0 if self.probe.travel_m is not None else LONGEST_TRAVEL_M.get(role, 0.0)
        return ShiftPrior(
            error_deg=(rotation.uncertainty_deg or 0.0) / 2.0,
            longest_travel_deg=longest_m / speed * span.rpm * 6.0,
            half_cycle_open=rotation.half_cycle_open,
            places_known=rotation.places_known,
        )

    def _level_step_into(self, span: CycleSpan, history: History, height: float) -> LevelStep | None:
        """How the level moved as the engine began to turn; None for what does not show it."""
        if self.probe.role == "crankcase_pulse" or self.row is None:
            return None
        piece = history.piece(span.rotation.t[0] - _BEFORE_TURNING_S, span.to_s)
        if piece is None or piece.lost[self.row].mean() > _LOST_FROM_REST:
            return None
        came = ~piece.lost[self.row]
        sign = -1.0 if self.probe.positive_is == "vacuum" else 1.0
        corner_hz = self.probe.low_corner_hz if self.probe.role in PULSE_ROLES else None
        t, x = piece.t[came], sign * piece.values[self.row][came]
        if self.probe.role != "starter_current":
            return level_step(t, x, height, corner_hz)
        # A clamp's noise at rest may be as large as what is left of its pulse without compression; from rest into the crank it
        # moves by far more than either.
        whole = float(np.ptp(x))
        step = level_step(t, x, whole)
        return None if step is None or height <= 0 else replace(step, heights=step.heights * whole / height)

    def _pulses(
        self,
        span: CycleSpan,
        places: tuple[Place, ...],
        signal: _Signal,
        middle: float,
        displaced_deg: Floats | None = None,
        arm: float = _ARM,
        longest_arm_s: float = math.inf,
    ) -> tuple[Measured, ...]:
        middles = self._nominal(span, places)
        displaced = np.zeros(len(places)) if displaced_deg is None else displaced_deg
        # Unnamed positions count from the turning's first pulse, wherever it lies against the cycle's seam.
        middles += middle - (self._nominal_middle() if span.rotation.places_known else 0.0)
        order = np.argsort(middles)
        gaps = np.diff(np.concatenate([middles[order], [middles[order[0]] + CYCLE_DEG]]))
        measured = []
        for k, which in enumerate(order):
            gap_before, gap_after = float(gaps[k - 1]), float(gaps[k])
            window = self._window(
                span.rotation,
                span.start_deg + float(middles[which] + displaced[which]),
                middle,
                gap_before * arm,
                gap_after * arm,
                longest_arm_s,
            )
            interval = (gap_before + gap_after) / 2
            measured.append(self._one(places[int(which)], k + 1, signal, window, interval))
        return _gone_or_not_found(measured)

    def values_at(self, span: CycleSpan, history: History, degrees: Floats) -> Floats | None:
        """The signal, turned so that stronger is larger, at ascending degrees after the cycle's start, travel
        time taken off; None where it was not recorded, or samples were lost."""
        signal = self._signal(span, history)
        if signal is None or (signal.lost is not None and signal.lost.any()):
            return None
        times = span.rotation.times_at(span.start_deg + degrees) + self.delay_s
        if signal.t.size < 16:
            return None
        sample = float(signal.t[1] - signal.t[0])
        if signal.t[0] > times[0] + sample or signal.t[-1] < times[-1] - sample:
            return None
        return np.interp(times, signal.t, signal.x)

    def _one(self, place: Place, position: int, signal: _Signal, window: Window, interval: float) -> Measured:
        low, high = np.searchsorted(signal.t, (window.t_low, window.t_high))
        if signal.t[0] > window.t_low or signal.t[-1] < window.t_high:
            return Measured(place, position, None, "cut_short")
        if signal.lost is not None and signal.lost[low:high].any():
            return Measured(place, position, None, "lost_samples")
        pulse = measure(self.pulse, signal.t, signal.x, window, min(interval, 2 * LONGEST_ARM_DEG))
        return Measured(place, position, pulse, None if pulse is not None else "not_found")

    def _window(
        self,
        rotation: Rotation,
        at_deg: float,
        middle: float,
        before: float,
        after: float,
        longest_s: float,
    ) -> Window:
        arm_before, arm_after = min(before, LONGEST_ARM_DEG), min(after, LONGEST_ARM_DEG)
        times = rotation.times_at(np.array([at_deg - arm_before, at_deg, at_deg + arm_after])) + self.delay_s
        degrees = arm_before + arm_after
        if max(times[1] - times[0], times[2] - times[1]) > longest_s:
            times = np.clip(times, times[1] - longest_s, times[1] + longest_s)
            degrees = float(np.ptp(rotation.angles_at(times - self.delay_s)))
        opens = None
        if any(feature.name == "suction" for feature in self.pulse.features):
            opens = rotation.time_at(at_deg - middle + self._exhaust_opens_deg()) + self.delay_s
        speed = degrees / float(times[2] - times[0])
        return Window(float(times[0]), float(times[1]), float(times[2]), middle, speed, opens)

    def _signal(self, span: CycleSpan, history: History) -> _Signal | None:
        """The signal over all that is measured of the cycle, turned so that stronger is larger."""
        degrees = span.start_deg + np.array(self._reaches(span))
        t_from, t_to = span.rotation.times_at(degrees) + self.delay_s
        sign = self.pulse.sign
        if self.row is None:
            if not span.rotation.of_teeth:
                return None
            return self._speed(span.rotation, float(t_from), float(t_to), sign)
        piece = history.piece(float(t_from) - self.offset_s, float(t_to) - self.offset_s)
        if piece is None:
            return None
        if self.probe.positive_is == "vacuum" and self.probe.role in PULSE_ROLES:
            sign = -sign
        x = sign * piece.values[self.row]
        t = piece.t + self.offset_s
        if self.probe.low_corner_hz is not None and self.probe.role in PULSE_ROLES:
            x = undo_low_corner(
                t, x, self.probe.low_corner_hz, span.from_s + self.delay_s, span.to_s + self.delay_s
            )
        return _Signal(t, x, piece.lost[self.row])

    def _speed(self, rotation: Rotation, t_from: float, t_to: float, sign: float) -> _Signal | None:
        """Crank speed, rpm, over at least 12 degrees: single teeth are never quite even."""
        t, deg = np.asarray(rotation.t), np.asarray(rotation.deg)
        inside = slice(max(0, int(np.searchsorted(t, t_from)) - 3), int(np.searchsorted(t, t_to)) + 3)
        t, deg = t[inside], deg[inside]
        if t.size < 8:
            return None
        # The edges at a gap are out of place: the field there is another one than between teeth.
        gap = np.diff(deg) > _GAP_SPACINGS * float(np.median(np.diff(deg)))
        beside = np.concatenate([gap, [False]]) | np.concatenate([[False], gap])
        if not beside.all():
            t, deg = t[~beside], deg[~beside]
        if t.size < 8:
            return None
        spacing = float(np.median(np.diff(deg)))
        self.hole_deg = max(self.hole_deg, float(np.diff(deg).max()))
        # Over the same angle everywhere, across a gap too: a mean over more would be flatter there, and
        # the cylinders whose dip lies at the gap would seem to compress less.
        over = max(_SPEED_OVER_DEG, 2 * spacing)
        at = np.arange(deg[0] + over / 2, deg[-1] - over / 2, min(spacing, _SPEED_STEP_DEG))
        if at.size < 8:
            return None
        passed = CubicSpline(deg, t)
        rpm: Floats = over / (passed(at + over / 2) - passed(at - over / 2)) / 6.0
        return _Signal(passed(at), sign * rpm, None)

    def _fold(
        self,
        span: CycleSpan,
        signal: _Signal,
        places: tuple[Place, ...],
        kind: StretchKind,
        *,
        counts: bool,
    ) -> tuple[Floats, float]:
        grid = np.arange(0.0, CYCLE_DEG, FOLD_STEP_DEG)
        in_time = self._sync_between_stalls(span) is not None
        even = span.rotation.times_at_even_speed(span.start_deg + grid) if in_time else None
        times = (span.rotation.times_at(span.start_deg + grid) if even is None else even) + self.delay_s
        values = np.interp(times, signal.t, signal.x)
        # Cut by the set-up's own count of pulses, a cycle bears that count out whatever engine it is.
        told = kind == "cranking" and not span.rotation.by_rhythm
        if told and self.probe.role in COMPRESSION_ROLES:
            self.orders.add(values, of_speed=self.row is None)
        now = fold(values, np.array([p.firing_deg for p in places]))
        memory = self.folds.setdefault(self._fold_key(span, places, kind), _Fold())
        if not counts:
            return now if memory.mean is None else memory.mean, float(values.mean())
        memory.cycles += 1
        weight = max(1.0 / memory.cycles, _FOLD_MEMORY)
        memory.mean = now if memory.mean is None else memory.mean + weight * (now - memory.mean)
        return memory.mean, float(values.mean())

    @staticmethod
    def _fold_key(span: CycleSpan, places: tuple[Place, ...], kind: StretchKind) -> tuple[StretchKind, int]:
        return _key(kind, span.rotation_index if places[0].cylinder is None else None)

    def _exhaust_opens_deg(self) -> float:
        given = self.setup.engine.valve_events_deg.exhaust_opens
        return EXHAUST_OPENS_DEG if given is None else given

    def _nominal_middle(self, role: str = "") -> float:
        """Where in its cylinder's cycle a pulse's middle lies by the role and the set-up alone, degrees; role: another one."""
        middle = ROLE_PULSES[role or self.probe.role].middle_deg
        if middle is not None:
            return middle
        interval = CYCLE_DEG / self.setup.engine.cylinders
        return exhaust_middle(self._exhaust_opens_deg(), interval)

    def _nominal(self, span: CycleSpan, places: tuple[Place, ...]) -> Floats:
        """Degrees after the cycle's start from which each place's pulse is measured, shape (places,).

        A pulse belongs to the cycle in which it nominally lies. Where it is found moves from cycle to cycle; if that decided,
        a pulse at the border of two would now be in both and now in neither.
        """
        firing = np.array([p.firing_deg for p in places])
        return (firing + self._nominal_middle()) % CYCLE_DEG if span.rotation.places_known else firing

    def _reaches(self, span: CycleSpan) -> tuple[float, float]:
        """Degrees after the cycle's start within which all that is measured of it lies."""
        reach = self._reach(span) + LONGEST_ARM_DEG
        if self.travel is not None:
            reach += self.travel.delay_s * span.rpm * 6.0
        places = self.places(span)
        if not places:
            return -LONGEST_ARM_DEG, CYCLE_DEG + LONGEST_ARM_DEG
        if not span.rotation.places_known:
            # Positions begin at a pulse, which may then lie on the cycle's seam.
            return -reach, CYCLE_DEG + reach
        nominal = self._nominal(span, places)
        first, last = float(nominal.min()) - reach, float(nominal.max()) + reach
        return min(first, -LONGEST_ARM_DEG), max(last, CYCLE_DEG + LONGEST_ARM_DEG)

    def _reach(self, span: CycleSpan) -> float:
        """How far from where it is expected a pulse's middle is sought, degrees: further where the angle itself is in doubt, as
        in a three that all but stalls at each compression."""
        doubt = span.uncertainty_deg if self.evenly_heard else None
        longest = _LONGEST_REACH_DEG + (doubt or 0.0)
        return min(min(firing_intervals(self.setup.engine)) / 2, longest)

    def _sync_between_stalls(self, span: CycleSpan) -> float | None:
        """Where the sync lies after a firing TDC, degrees, in a cranked cycle between whose syncs nothing tells how the crank
        turns, and whose pulses in time are known from simulated engines; else None."""
        cylinders = self.pulses_a_cycle
        if cylinders != self.setup.engine.cylinders or not self.evenly_heard or span.rpm > STARTED_RPM:
            return None
        rotation = span.rotation
        if not (rotation.assumed and rotation.places_known) or rotation.half_cycle_open:
            return None
        if rotation.times_at_even_speed(np.array([span.start_deg, span.start_deg + CYCLE_DEG])) is None:
            return None
        # The interval that the cycle begins in: what comes later must not decide.
        begun = bisect.bisect_right(rotation.assumed, span.start_deg + 1e-6, key=lambda interval: interval[0])
        first, last = rotation.assumed[begun - 1]
        if (last - first + 1.0) % (CYCLE_DEG / cylinders) > 2.0:
            return None
        sync_deg = first - span.start_deg - span.places[0].firing_deg
        known = has_usual_place(self.probe.role, self.setup.conditions.throttle, cylinders)
        return sync_deg if known else None

    def _longest_arm_s(self, span: CycleSpan) -> float:
        """How far from its middle a pulse's ends may lie in such a cycle, where the crank angle of a dwell is not known."""
        if self._sync_between_stalls(span) is None:
            return math.inf
        share = _ARM if self._crowded else _ARM_IN_TIME
        return share * (span.to_s - span.from_s) / self.pulses_a_cycle

    def _usual_place(self, span: CycleSpan) -> float:
        sync_deg, throttle = self._sync_between_stalls(span), self.setup.conditions.throttle
        assert sync_deg is not None
        usual = usual_place(self.probe.role, throttle, self.pulses_a_cycle, sync_deg, span.rpm)
        assert usual is not None
        return usual

    def _middle_in_time(self, span: CycleSpan, folded: Floats) -> float:
        """The middle of the pulse in degrees of even speed after its cylinder's firing TDC; folded: likewise."""
        usual, cylinders = self._usual_place(span), self.pulses_a_cycle
        expected = usual if self._in_time is None else self._in_time.expected_deg(inverted=self.inverted)
        return middle_in_fold(folded, self.pulse.shape, expected, CYCLE_DEG / cylinders / 2)

    def _middle(self, span: CycleSpan, folded: Floats) -> float:
        if self._sync_between_stalls(span) is not None:
            return self._at_crank_angle(span, self._middle_in_time(span, folded))
        reach = self._reach(span)
        if not span.rotation.places_known:
            known = self._unnamed_middles.get(span.rotation_index)
            return middle_in_fold(folded, self.pulse.shape, known, reach)
        return middle_in_fold(folded, self.pulse.shape, self._expected_middle(span), reach)

    @staticmethod
    def _at_crank_angle(span: CycleSpan, even_deg: float) -> float:
        """What so many degrees of even speed after each cylinder's firing TDC are as the crank angle is known, on the mean."""
        at = np.sort((np.array([p.firing_deg for p in span.places]) + even_deg) % CYCLE_DEG)
        times = span.rotation.times_at_even_speed(span.start_deg + at)
        assert times is not None
        return even_deg + float((span.rotation.angles_at(times) - span.start_deg - at).mean())

    def _expected_middle(self, span: CycleSpan) -> float:
        """As `_nominal_middle`, but earlier where intake strokes overlap, and later by what the gas takes where that had to be
        estimated, degrees."""
        late = 0.0 if self.travel is None else self.travel.delay_s * span.rpm * 6.0
        if self._crowded and self.pulse.shape is Shape.FALL:
            late -= _OVERLAP * CYCLE_DEG / self.pulses_a_cycle
        return self._nominal_middle() + late

    @property
    def _crowded(self) -> bool:
        """Whether pulses come so close that each one's stroke goes on when the next one's begins."""
        return self.pulses_a_cycle * LONGEST_ARM_DEG > CYCLE_DEG


def no_compression(measurers: Sequence[ProbeMeasurer]) -> bool:
    """Whether the crank turns without compression by all that would show it. A battery that hardly sags may be a large one: it is
    believed alone where no probe hears a pulse either."""
    without = [m for m in measurers if m.without_compression]
    if all(m.probe.role == "battery_voltage" for m in without) and any(m.hears_pulses for m in measurers):
        return False
    return bool(without) and not any(m.shows_compression for m in measurers)


def _places_before(places: int) -> int:
    """How many places before its own a missing stroke may lie."""
    return int(_GOES_ON_DEG * places / CYCLE_DEG)


def _beside_their_like(sizes: Floats, firing_deg: Floats) -> Floats:
    """Sizes as shares of the largest of those before and after which cylinders fire alike, shape (places,): of evenly firing
    engines all, of a V6 of 150/90 the first of each pair beside each other and the second beside each other.

    sizes: in order of coming, shape (places,). firing_deg: their firing TDC after the start of the cycle.
    """
    gaps = np.diff(firing_deg, append=firing_deg[0]) % CYCLE_DEG
    periods = (p for p in range(1, gaps.size + 1) if gaps.size % p == 0)
    period = next(p for p in periods if np.ptp(gaps.reshape(-1, p), axis=0).max() <= _EVEN_SPACING_DEG)
    largest = np.tile(sizes.reshape(-1, period).max(axis=0), gaps.size // period)
    return np.asarray(sizes / np.where(largest > 0, largest, 1.0))


def _small_before(sizes: Floats, at: int) -> int:
    """How many places before a small pulse the first of those lies that are small too; 0 where none is.

    sizes: in order of coming, of pulses of which healthy ones are alike, shape (places,).
    """
    usual = float(np.median(np.sort(sizes)[-(sizes.size // 2) :]))
    limit = usual - _SMALL_TOO * (usual - sizes[at])
    before = range(1, _places_before(sizes.size) + 1)
    return max((k for k in before if sizes[at - k] <= limit), default=0)


def _values(measured: tuple[Measured, ...], feature: str) -> Floats:
    """One feature by position, shape (places,); NaN where not found."""
    return np.array(
        [m.pulse.values.get(feature, np.nan) if m.pulse is not None else np.nan for m in measured]
    )
