"""What is measured of one pulse, and where in the cycle each role's pulse is looked for.

A pulse is found from its middle outwards: the middle (steepest fall, steepest rise or crest) lies
at a place that the stroke gives, shifted by what the gas takes to travel and by what the engine's
own pulses show on average.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .blocks import Floats


class Shape(enum.Enum):
    """What one cylinder makes in a probe's signal."""

    FALL = "fall"  # crest, then trough: an intake stroke empties the plenum
    RISE = "rise"  # trough, then crest: an exhaust stroke fills the pipe
    HUMP = "hump"  # trough, crest, trough: compression loads the starter


@dataclass(frozen=True, slots=True)
class Feature:
    """One measured quantity. `relative`: compared in per cent, else in degrees."""

    name: str
    relative: bool
    verdict: bool


@dataclass(frozen=True, slots=True)
class RolePulse:
    """How a role's pulse is found and what is measured of it; the first feature leads.

    middle_deg: cylinder angle of the middle of the pulse, before any travel time; None: it follows the
    opening of the exhaust valve (`exhaust_middle`).
    sign: -1 where the quantity falls when the pulse's strength grows (voltage, speed).
    """

    shape: Shape
    middle_deg: float | None
    features: tuple[Feature, ...]
    sign: float = 1.0


def _relative(name: str, *, verdict: bool = False) -> Feature:
    return Feature(name, relative=True, verdict=verdict)


def _angle(name: str) -> Feature:
    return Feature(name, relative=False, verdict=False)


_SHARED = (_relative("depth"), _relative("area"), _angle("steepest_deg"), _angle("width_deg"))

# Middles, common practice, no source: the piston is fastest some 75 degrees after TDC and draws most
# then (435 = 360 + 75); the load of compression is greatest just before
# firing TDC and the crank is slowest there.
ROLE_PULSES: dict[str, RolePulse] = {
    "intake_pulse": RolePulse(Shape.FALL, 435.0, (_relative("drop", verdict=True), *_SHARED)),
    "manifold_pressure": RolePulse(Shape.FALL, 435.0, (_relative("drop", verdict=True), *_SHARED)),
    "exhaust_pulse": RolePulse(
        Shape.RISE,
        None,
        (_relative("rise", verdict=True), *_SHARED, _relative("suction", verdict=True)),
    ),
    "crankcase_pulse": RolePulse(Shape.HUMP, 180.0, (_relative("area"),)),
    "starter_current": RolePulse(Shape.HUMP, 705.0, (_relative("compression", verdict=True),)),
    "battery_voltage": RolePulse(Shape.HUMP, 705.0, (_relative("compression", verdict=True),), sign=-1.0),
    "crank_teeth": RolePulse(Shape.HUMP, 720.0, (_relative("compression", verdict=True),), sign=-1.0),
    "cylinder_pressure": RolePulse(Shape.HUMP, 720.0, (_relative("peak"), _angle("peak_deg"))),
}

EXHAUST_OPENS_DEG = 130.0
"""Where no valve events are given: 50 degrees before BDC (common practice, no source: 40 to 60)."""


def exhaust_middle(exhaust_opens_deg: float, interval_deg: float) -> float:
    """Cylinder angle of the steepest rise in the exhaust while cranking.

    A cranked cylinder is below atmosphere when its exhaust valve opens: the pipe dips, then the piston
    pushes until the next cylinder's valve opens and the pipe dips again. The rise lies between the two
    dips: about half way for many cylinders, at mid-stroke for few (common practice, no source).
    """
    return exhaust_opens_deg + 10.0 + 0.45 * min(interval_deg, 180.0)


FOLD_STEP_DEG = 2.0
LONGEST_ARM_DEG = 130.0
"""A pulse's crest and trough lie within this of its middle, however few cylinders there are."""


LEVEL_ARM, LONGEST_LEVEL_ARM_DEG = 0.3, 30.0
"""Of the shorter arm of an intake pulse's window, on either side of its crest and trough: so much tells their level, 0.18 of
an even firing interval; no more crank degrees than that, since a pulse of few cylinders fills but a part of its interval.

The highest of noisy samples is too high, and by a larger share the flatter, that is smaller, the pulse. A place that is sought
on the smoothed signal hardly knows the noise where it then reads, and a parabola there keeps a crest's height. Simulated
(fours with one cylinder 20 % small, six cranks at 20 dB): the odd cylinder's bias falls from 1.2 to -0.1 points, the balance's
error from 1.2 to 0.6 RMS, the spread from cycle to cycle from 3.7 to 3.1 %; threes at 18 dB err by 0.8 instead of 0.9. Without
noise it moves the balance of healthy threes to eights by 0.1 points RMS at most, and the size by -4 to +1 % of itself. Exhaust
pulses, whose trough is sharp, are read at their very ends: a parabola would lose a sixth of them, and noise moves a sharp end
little."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """One pulse as measured: its ends, and each feature's value in the probe's unit (degrees, unit x degrees).

    Where there is none its ends are the same, and all that is said of it is that its size is 0.
    """

    t_from: float
    t_to: float
    values: dict[str, float]


@dataclass(frozen=True, slots=True)
class Window:
    """Where one pulse is looked for: seconds, and the cylinder angle of `t_mid`."""

    t_low: float
    t_mid: float
    t_high: float
    mid_deg: float
    deg_per_s: float
    exhaust_opens_t: float | None = None


def fold(values: Floats, firing_deg: Floats) -> Floats:
    """Mean signal over all cylinders as a function of cylinder angle, every 2 degrees over 720.

    values: one cycle on a grid of 2 degrees, shape (360,). firing_deg: each cylinder's firing
    TDC after the start of the cycle, shape (cylinders,).
    """
    steps = values.size
    shift = np.rint(firing_deg / FOLD_STEP_DEG).astype(int)
    index = (np.arange(steps)[None, :] + shift[:, None]) % steps
    return np.asarray(values[index].mean(axis=0))


def middle_in_fold(folded: Floats, shape: Shape, expected_deg: float | None, reach_deg: float) -> float:
    """Cylinder angle of the pulse's middle: the steepest place, or the crest, within `reach_deg` of
    the expected angle; anywhere within the first firing interval where none is expected."""
    slope = (np.roll(folded, -1) - np.roll(folded, 1)) / (2 * FOLD_STEP_DEG)
    strength = {Shape.FALL: -slope, Shape.RISE: slope, Shape.HUMP: folded}[shape]
    angles = np.arange(folded.size) * FOLD_STEP_DEG
    if expected_deg is None:
        return float(
            angles[: max(1, round(2 * reach_deg / FOLD_STEP_DEG))][
                int(np.argmax(strength[: max(1, round(2 * reach_deg / FOLD_STEP_DEG))]))
            ]
        )
    away = (angles - expected_deg + 360.0) % 720.0 - 360.0
    inside = np.abs(away) <= reach_deg
    best = int(np.flatnonzero(inside)[int(np.argmax(strength[inside]))])
    return expected_deg + float(away[best])


def rival_slope(folded: Floats, shape: Shape, interval_deg: float) -> float:
    """How steep the second steepest rise (or fall) within one firing interval is, as a share of the steepest, 0 to 1.

    folded: as `fold` gives it, of cylinders that fire every `interval_deg`: so it repeats with that.
    """
    slope = np.roll(folded, -1) - np.roll(folded, 1)
    strength = slope if shape is Shape.RISE else -slope
    crests = (strength >= np.roll(strength, 1)) & (strength > np.roll(strength, -1)) & (strength > 0)
    within = np.flatnonzero(crests[: round(interval_deg / FOLD_STEP_DEG)])
    sizes = np.sort(strength[within])
    return float(sizes[-2] / sizes[-1]) if sizes.size > 1 else 0.0


def measure(pulse: RolePulse, t: Floats, x: Floats, window: Window, interval_deg: float) -> Pulse | None:
    """One pulse's features; None where the window holds too few samples.

    t: seconds, ascending. x: the signal, already turned so that a stronger pulse is larger.
    interval_deg: the firing interval around this pulse.
    """
    low, mid, high = np.searchsorted(t, (window.t_low, window.t_mid, window.t_high))
    if low >= mid or mid >= high or high - low < 5:
        return None
    if pulse.shape is Shape.HUMP:
        return _measure_hump(pulse, t, x, window, (int(low), int(high)))
    falls = pulse.shape is Shape.FALL
    turned = x if falls else -x
    reach = _reach(t, window) if falls else 0
    sought = _smoothed(turned, int(low), int(high), reach)
    end = int(mid + np.argmin(sought[mid - low :]))
    # An exhaust valve that opens less moves its own pulse's trough beyond the middle that the others have. An intake's crest
    # stays: what falls beyond that is the next stroke's.
    begin = int(low + np.argmax(sought[: (mid if falls else end) - low + 1]))
    if end <= begin:
        t_none = float(t[begin])  # it rises all the way where it should fall: this cylinder made no pulse
        return Pulse(t_none, t_none, {pulse.features[0].name: 0.0})
    crest, bottom = _level(turned, begin, reach), _level(turned, end, reach)
    size = crest - bottom
    trough = min(crest, bottom) if falls else min(-crest, -bottom)
    values = {
        "drop" if falls else "rise": size,
        "depth": _mean_around(t, x, window, interval_deg) - trough,
        "area": _area(t, turned, window, interval_deg),
    }
    slope = np.diff(turned[begin : end + 1])
    steepest = begin + int(np.argmin(slope))
    values["steepest_deg"] = (
        window.mid_deg + ((t[steepest] + t[steepest + 1]) / 2 - window.t_mid) * window.deg_per_s
    )
    width = _width_s(
        t,
        turned,
        begin,
        end,
        min(int(np.searchsorted(t, window.t_high + (window.t_high - window.t_mid))), t.size),
    )
    if width is not None:
        values["width_deg"] = width * window.deg_per_s
    if window.exhaust_opens_t is not None:
        suction = _suction(t, x, window.exhaust_opens_t, window.deg_per_s, interval_deg)
        if suction is not None:
            values["suction"] = suction
    return Pulse(float(t[begin]), float(t[end]), values)


def _reach(t: Floats, window: Window) -> int:
    """Samples on either side of a crest or trough that belong to it."""
    sample_s = float(t[-1] - t[0]) / (t.size - 1)
    arm_s = LEVEL_ARM * min(window.t_mid - window.t_low, window.t_high - window.t_mid)
    return round(min(arm_s, LONGEST_LEVEL_ARM_DEG / window.deg_per_s) / sample_s)


def _smoothed(x: Floats, low: int, high: int, reach: int) -> Floats:
    """x[low:high] behind a Hann window of `reach` samples on either side; beyond the ends the last value goes on."""
    if reach < 1:
        return x[low:high]
    inside = np.clip(np.arange(low - reach, high + reach), 0, x.size - 1)
    weights = np.hanning(2 * reach + 3)[1:-1]
    return np.convolve(x[inside], weights / weights.sum(), "valid")


def _level(x: Floats, at: int, reach: int) -> float:
    """The least-squares parabola through `reach` samples on either side, where it stands at the middle one.

    Its weights: A. Savitzky and M. Golay, Analytical Chemistry 36 (1964) 1627, in closed form (from memory).
    """
    m = min(reach, at, x.size - 1 - at)
    if m < 2:
        return float(x[at])
    j = np.arange(-m, m + 1)
    weights = 3.0 * (3 * m * m + 3 * m - 1 - 5 * j * j) / ((2 * m - 1) * (2 * m + 1) * (2 * m + 3))
    return float(weights @ x[at - m : at + m + 1])


def _measure_hump(
    pulse: RolePulse, t: Floats, x: Floats, window: Window, span: tuple[int, int]
) -> Pulse | None:
    low, high = span
    inner_low, inner_high = np.searchsorted(
        t, ((window.t_low + window.t_mid) / 2, (window.t_mid + window.t_high) / 2)
    )
    if inner_high - inner_low < 2:
        return None
    crest = int(inner_low + np.argmax(x[inner_low:inner_high]))
    before = int(low + np.argmin(x[low : crest + 1]))
    after = int(crest + np.argmin(x[crest:high]))
    base = (float(x[before]) + float(x[after])) / 2
    peak_t = _vertex(t, x, crest)
    values = {
        "compression": float(x[crest]) - base,
        "peak": float(x[crest]),  # as the transducer reads: above atmosphere where its zero is given
        "peak_deg": window.mid_deg + (peak_t - window.t_mid) * window.deg_per_s,
        "area": float(np.trapezoid(np.maximum(x[before : after + 1] - base, 0.0), t[before : after + 1]))
        * window.deg_per_s,
    }
    wanted = {feature.name for feature in pulse.features}
    return Pulse(float(t[before]), peak_t, {name: v for name, v in values.items() if name in wanted})


def _vertex(t: Floats, x: Floats, crest: int) -> float:
    """Time of the crest between samples, by the parabola through three."""
    if not 0 < crest < x.size - 1:
        return float(t[crest])
    left, top, right = x[crest - 1], x[crest], x[crest + 1]
    bend = left - 2 * top + right
    part = 0.0 if bend == 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
    return float(t[crest] + part * (t[crest + 1] - t[crest - 1]) / 2)


def _mean_around(t: Floats, x: Floats, window: Window, interval_deg: float) -> float:
    """Mean level over one firing interval around the middle: slow drift does not reach it."""
    half = interval_deg / 2 / window.deg_per_s
    a, b = np.searchsorted(t, (window.t_mid - half, window.t_mid + half))
    return float(x[a:b].mean()) if b > a else float("nan")


def _area(t: Floats, turned: Floats, window: Window, interval_deg: float) -> float:
    """Between the signal and its highest level, over one firing interval around the middle."""
    half = interval_deg / 2 / window.deg_per_s
    a, b = np.searchsorted(t, (window.t_mid - half, window.t_mid + half))
    part = turned[a:b]
    if part.size < 2:
        return 0.0
    return float(np.trapezoid(part.max() - part, t[a:b]) * window.deg_per_s)


def _width_s(t: Floats, turned: Floats, begin: int, end: int, limit: int) -> float | None:
    """From half way down to half way up again, seconds; None where it does not come up in the window."""
    half = (turned[begin] + turned[end]) / 2
    down = begin + int(np.argmax(turned[begin : end + 1] <= half))
    back = np.flatnonzero(turned[end:limit] >= half)
    return float(t[end + back[0]] - t[down]) if back.size else None


def _suction(t: Floats, x: Floats, opens_t: float, deg_per_s: float, interval_deg: float) -> float | None:
    """How far the pressure dips within 70 degrees after the exhaust valve opens, from its usual level around there.

    The level is the median over whole firing intervals: what the pressure was just before is no level, since gas that
    the next cylinder's exhaust valve leaks at its own firing TDC arrives then (simulated: it made the dip of the
    cylinder before read up to 160 per cent too deep, against 30 this way).
    """
    half = interval_deg * max(1, int(2 * LONGEST_ARM_DEG // interval_deg)) / 2
    middle = opens_t + 25.0 / deg_per_s
    first, last = np.searchsorted(t, (middle - half / deg_per_s, middle + half / deg_per_s))
    at, after = np.searchsorted(t, (opens_t, opens_t + 70.0 / deg_per_s))
    if first >= last or at >= after:
        return None
    return float(np.median(x[first:last]) - x[at:after].min())


FeatureUnit = Literal["percent", "degrees"]


def unit_of_value(feature: str, probe_unit: str) -> str:
    """Unit of a feature's value, from the probe's own unit."""
    if feature.endswith("_deg"):
        return "deg"
    return f"{probe_unit}·deg" if feature == "area" else probe_unit
