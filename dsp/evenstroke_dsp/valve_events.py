"""When each cylinder's valves open and close, as far as pulses and cylinder pressure show it.

No valve is seen by itself: what is seen is a bend in a pressure, some degrees after a valve has begun to pass gas or
while it ceases to. Each event is read from the bend whose distance from it depends least on what is not known of the
engine; that distance, and how far engines differ in it, are from simulated cranks (`tests/bench/valve_truth.py`
measures them anew) and half of each interval is allowed for what no simulation of ours knows: other cams, other pipes.

What is not claimed, and why:
- From an intake pulse, an opening before or near TDC: the pulse then follows the piston, not the valve. Only a valve
  that opens late, onto a cylinder in deep vacuum, starts its pulse itself.
- Any closing from a pulse: the flow dies away while other cylinders draw or push.
- From cylinder pressure, intake opening and exhaust closing where both valves are open together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.stats import t as student_t

from .angle_record import AngleRecord
from .blocks import Floats
from .messages import ValveEvent
from .setup import Setup
from .travel import speed_of_sound

EventName = Literal["exhaust_opens", "exhaust_closes", "intake_opens", "intake_closes"]

FEWEST_CYCLES = 3
LARGEST_ANGLE_DOUBT_DEG = 8.0
"""Of the crank angle: where a cycle's speed is known worse, its error is no longer like a normal one."""
WIDEST_DEG = 17.0
"""Half an interval: what is wider than a tooth of a belt (720/48 = 15 degrees, arithmetic) says nothing of a cam."""

_SMOOTHING_DEG = 3.0
_EDGE_DEG = 12
_LONGEST_TRAVEL_M = {"intake_pulse": 1.0, "manifold_pressure": 1.0, "exhaust_pulse": 4.0}
"""Where `travel_m` is not given (common practice, no source)."""
_TRAVEL_DOUBT = 0.15
"""Of the travel time: an exhaust at 100 C carries sound 13 % faster than one at 20 C (ISO 9613-1's formula)."""
_GROUPS = 8
_MOST_DIPS = 8
"""Dips of more cylinders stand closer together than opening angles are apart from engine to engine."""
_MOST = 2 / 3
_DIP_AFTER = ((3, (27.0, 11.0)), (4, (22.0, 12.0)), (6, (27.0, 15.0)), (_MOST_DIPS, (23.0, 14.0)))
"""How many cylinders the exhaust probe hears at most; by how much the dip's bottom lies after the opening, beside 8 ms,
and the 95 % half width of that, degrees."""
_ONE_BEND_DEG = 14.0
_PLAIN_SHARE = 0.65
"""Of the sharpest bend: what another one in reach may have. Chosen on cranks 1000 to 1041 of the second model, where
openings 25 to 65 degrees off were stated without it."""


@dataclass(frozen=True, slots=True)
class _Bend:
    """Where an estimator puts an event, and its 95 % half width by the engines simulated and what they leave open."""

    deg: float
    doubt: float


Curve = Callable[[float, float], Floats]
"""(low, high) -> the mean signal every degree of the cylinder's own angle from low to just before high."""
Estimator = Callable[[Curve, float, int], _Bend | None]
"""Takes the curve, the speed in rpm, and how many cylinders the probe hears."""


@dataclass(frozen=True, slots=True)
class SeenEvent:
    """One event of one cylinder by one probe. `own`: 95 % half width from what differs between cylinders and cycles;
    `shared`: from what all cylinders of that probe have in common (offset, travel, angle), of which `travel` is the
    gas path's part; degrees."""

    cylinder: int
    event: EventName
    probe: str
    deg: float
    own: float
    shared: float
    travel: float

    @property
    def half(self) -> float:
        return math.hypot(self.own, self.shared)

    def message(self) -> ValveEvent:
        return ValveEvent(
            cylinder=self.cylinder,
            event=self.event,
            deg=self.deg,
            low=self.deg - self.half,
            high=self.deg + self.half,
            from_=self.probe,
        )


def seen_events(setup: Setup, records: Sequence[AngleRecord]) -> tuple[SeenEvent, ...]:
    """Every event that a probe shows well enough, in the order of probes, cylinders and events."""
    plug_out = {f.cylinder for f in setup.fitted if f.plug_removed}
    out = []
    for record in records:
        if record.cycles < FEWEST_CYCLES or record.uncertainty_deg > LARGEST_ANGLE_DOUBT_DEG:
            continue
        probe = record.probe
        if probe.role == "cylinder_pressure":
            assert probe.cylinder is not None
            heard: tuple[int, ...] = (probe.cylinder,)
        else:
            heard = setup.sees(probe)
        able = sorted(set(heard) - plug_out)
        by_event: dict[EventName, list[SeenEvent]] = {}
        for event, estimator in _estimators(setup, record).items():
            found = [_see(record, cylinder, len(heard), event, estimator) for cylinder in able]
            by_event[event] = [seen for seen in found if seen is not None and seen.half <= WIDEST_DEG]
        if not _borne_out(by_event.get("intake_opens", []), len(able)):
            by_event.pop("intake_opens", None)
        by_event = {event: _without_strays(group) for event, group in by_event.items()}
        out += sorted((seen for group in by_event.values() for seen in group), key=lambda seen: seen.cylinder)
    return tuple(out)


def _without_strays(events: list[SeenEvent]) -> list[SeenEvent]:
    """Those that no two teeth of a cam wheel part from the others: a bend so far off is another cylinder's."""
    if not events:
        return events
    usual = float(np.median([seen.deg for seen in events]))
    return [seen for seen in events if abs(seen.deg - usual) <= 2 * WIDEST_DEG]


def _borne_out(late: Sequence[SeenEvent], cylinders: int) -> bool:
    """Whether most cylinders show the same late opening; noise bends a few pulses into its likeness."""
    if not late or len(late) < _MOST * cylinders:
        return False
    usual = float(np.median([seen.deg for seen in late]))
    alike = sum(abs(seen.deg - usual) <= WIDEST_DEG for seen in late)
    return alike >= _MOST * cylinders


def _estimators(setup: Setup, record: AngleRecord) -> dict[EventName, Estimator]:
    role, scaled = record.probe.role, record.probe.volts_per_unit is not None
    if role == "exhaust_pulse":
        return {"exhaust_opens": exhaust_opening}
    if role in ("intake_pulse", "manifold_pressure"):
        is_open = setup.conditions.throttle == "open" or setup.conditions.fuel == "clear_flood"
        return {} if is_open else {"intake_opens": late_intake_opening}
    if not scaled or record.probe.check_valve:
        return {}  # absolute pressure is needed, and a volume that empties as it fills
    return {
        "exhaust_opens": exhaust_opening_in_cylinder,
        "exhaust_closes": exhaust_closing_into_vacuum,
        "intake_opens": intake_opening_from_vacuum,
        "intake_closes": intake_closing_in_cylinder,
    }


def _see(
    record: AngleRecord, cylinder: int, heard: int, event: EventName, estimator: Estimator
) -> SeenEvent | None:
    """The event by the mean of all cycles, with its scatter by leaving out one group of cycles after another."""

    def without(group: int | None, groups: int) -> _Bend | None:
        def curve(low: float, high: float) -> Floats:
            rows = record.window(cylinder, low, high)
            kept = np.arange(rows.shape[0]) % groups != group if group is not None else slice(None)
            return np.asarray(rows[kept].mean(axis=0))

        return estimator(curve, record.rpm, heard)

    groups = min(record.cycles, _GROUPS)
    whole = without(None, groups)
    if whole is None:
        return None
    parts = [without(group, groups) for group in range(groups)]
    if any(part is None for part in parts):
        return None
    degrees = np.array([part.deg for part in parts if part is not None])
    error = math.sqrt((groups - 1) / groups * float(((degrees - degrees.mean()) ** 2).sum()))
    scatter = float(student_t.ppf(0.975, groups - 1)) * error
    travel, travel_doubt = _travel(record)
    shared = math.sqrt(whole.doubt**2 + record.uncertainty_deg**2 + travel_doubt**2)
    # A fifth of the doubt about the engine is allowed to differ from cylinder to cylinder.
    own = math.hypot(scatter, 0.2 * whole.doubt)
    return SeenEvent(cylinder, event, record.probe.name, whole.deg - travel, own, shared, travel_doubt)


def _travel(record: AngleRecord) -> tuple[float, float]:
    """Degrees of gas travel not yet taken off, and their half width."""
    longest = _LONGEST_TRAVEL_M.get(record.probe.role)
    if longest is None:
        return 0.0, 0.0
    if record.probe.travel_m is not None:
        return 0.0, _TRAVEL_DOUBT * record.delay_deg
    half = longest / 2 / speed_of_sound(20.0) * 6.0 * record.rpm
    return half, half


# --- the bends -----------------------------------------------------------------------------------------


def bends(curve: Curve, low: float, high: float) -> Floats:
    """Second derivative, per square degree, every degree from low to just before high."""
    wide = curve(low - _EDGE_DEG, high + _EDGE_DEG)
    return np.asarray(gaussian_filter1d(wide, _SMOOTHING_DEG, order=2)[_EDGE_DEG:-_EDGE_DEG])


def _peak(values: Floats, low: float) -> tuple[float, float] | None:
    """Place, degrees, and height of the highest inner peak; None where the highest value lies at an end."""
    k = int(np.argmax(values))
    if not 0 < k < values.size - 1:
        return None
    left, top, right = values[k - 1], values[k], values[k + 1]
    bend = left - 2 * top + right
    return low + k + (0.0 if bend == 0 else float(0.5 * (left - right) / bend)), float(top)


def _usual_bend(curve: Curve) -> float:
    """RMS bend over a cycle, what a single bend is strong or weak against."""
    whole = curve(0.0, 720.0)
    return float(np.std(gaussian_filter1d(whole, _SMOOTHING_DEG, order=2, mode="wrap")[20:-20]))


def exhaust_opening(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From an exhaust pulse: the bottom of the dip, where the cylinder has filled up from the pipe.

    The dip's beginning depends on the valve's first hundredths of a millimetre and on what the cylinder before
    is pushing; its bottom comes 21 to 27 degrees and 8 ms after opening, the later the more gas has to be
    started in the pipes. Two engine models, one of them without inertia in the pipes, put it up to 10
    degrees apart in sixes and eights: the offset lies between them (`tests/bench/valve_truth.py`,
    `tests/bench/second_model/study.py features`). Where the pipes ring, several bends are about as sharp, and
    none is taken for the valve's.
    """
    if heard > _MOST_DIPS:
        return None  # the window holds a neighbour's dip too
    low, high = 130.0, 215.0
    sharp = bends(curve, low, high)
    found = _peak(sharp, low)
    if found is None or found[1] < 1.3 * _usual_bend(curve):
        return None
    elsewhere = np.abs(low + np.arange(sharp.size) - found[0]) > _ONE_BEND_DEG
    if elsewhere.any() and float(sharp[elsewhere].max()) > _PLAIN_SHARE * found[1]:
        return None
    after, doubt = next(offset for most, offset in _DIP_AFTER if heard <= most)
    return _Bend(found[0] - after - 0.05 * rpm, doubt)


def late_intake_opening(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From an intake pulse, where the valve opens late onto a cylinder in vacuum: only then does the pulse bend
    down sharply and, when the cylinder has filled, sharply back within some 20 degrees.

    The valve opens before the first bend by 0.77 of the way between the two (simulated engines, -7 to +5).
    """
    bend = bends(curve, 345.0, 475.0)
    usual = _usual_bend(curve)
    first = _peak(-bend[: 430 - 345], 345.0)
    if first is None or first[0] < 376.0 or first[1] < 1.2 * usual:
        return None
    begin = round(first[0]) + 4
    second = _peak(bend[begin - 345 : begin + 22 - 345], float(begin))
    if second is None or second[1] < 1.5 * usual or not 0.4 < second[1] / first[1] < 1.25:
        return None
    return _Bend(first[0] - 0.77 * (second[0] - first[0]), 8.0)


def _gauge(curve: Curve) -> Floats:
    """Cylinder pressure over its own cycle, kPa above the exhaust stroke's level: the atmosphere while cranking."""
    whole = curve(0.0, 720.0)
    return whole - float(np.median(whole[230:330]))


def exhaust_opening_in_cylinder(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From the cylinder's own pressure: expansion into vacuum, then a bend upwards as gas comes back in.

    The bend comes 8 degrees, 0.025 degrees per rpm and 0.45 of its distance from the lowest pressure after the
    opening (simulated engines, with and without a hose: +- 4).
    """
    gauge = _gauge(curve)
    lowest = 90 + int(np.argmin(gaussian_filter1d(gauge, _SMOOTHING_DEG)[90:190]))
    found = _peak(bends(curve, 95.0, 180.0), 95.0)
    if found is None or gauge[lowest] > -8.0 or not 4.0 < found[0] - lowest < 18.0:
        return None  # a leaking cylinder is filled up before, and turns elsewhere
    return _Bend(found[0] - (8.0 + 0.025 * rpm + 0.45 * (found[0] - lowest)), 6.0)


def _vacuum(gauge: Floats) -> tuple[int, float] | None:
    """Where the closed cylinder is at its lowest after TDC, and how far below the intake; None where it is not."""
    lowest = 362 + int(np.argmin(gauge[362:425]))
    depth = float(gauge[445:500].mean() - gauge[lowest])
    return (lowest, depth) if depth > 8.0 else None


def intake_opening_from_vacuum(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From the cylinder's own pressure, where it is in vacuum before the valve opens: the bend upwards.

    It comes 6 degrees, 0.055 degrees per kPa of vacuum and 0.01 per rpm after the opening (simulated: +- 4).
    """
    vacuum = _vacuum(_gauge(curve))
    if vacuum is None:
        return None
    lowest, depth = vacuum
    found = _peak(bends(curve, lowest - 8.0, lowest + 25.0), lowest - 8.0)
    return None if found is None else _Bend(found[0] - (6.0 + 0.055 * depth + 0.01 * rpm), 6.0)


def exhaust_closing_into_vacuum(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From the cylinder's own pressure, where it falls into vacuum before the intake valve opens.

    It bends down 6 degrees before the exhaust valve has closed (simulated: -8 to +8, since a valve that closes near
    TDC cannot be told from the piston's turning).
    """
    vacuum = _vacuum(_gauge(curve))
    if vacuum is None or vacuum[0] < 372:
        return None
    found = _peak(-bends(curve, 353.0, float(vacuum[0])), 353.0)
    return None if found is None else _Bend(found[0] + 6.0, 10.0)


_ATMOSPHERE_KPA = 101.3
_CLOSED_SHARE = 0.75
_USUAL_CLEARANCE = 1 / 9.0
"""Clearance over swept volume: compression ratio 10. So near BDC 8 or 14 changes the exponent by a few per cent."""
_USUAL_CRANK_OVER_ROD = 1 / 3.36


def intake_closing_in_cylinder(curve: Curve, rpm: float, heard: int) -> _Bend | None:
    """From the cylinder's own pressure: where the exponent of its compression, -d ln p / d ln V, has come to three
    quarters of what it is once the cylinder is surely closed (640 to 675 degrees).

    The valve passes next to nothing over its last degrees: zero lift comes 9 later (simulated: 6 to 16).
    """
    pressure = _gauge(curve)[540:700] + _ATMOSPHERE_KPA
    if pressure.min() <= 0:
        return None
    degrees = np.arange(540.0, 700.0)
    slope = np.gradient(gaussian_filter1d(np.log(pressure), _SMOOTHING_DEG))
    exponent = -slope / np.minimum(np.gradient(np.log(_volume(degrees))), -1e-4)
    closed = _CLOSED_SHARE * float(np.median(exponent[100:135]))
    below = np.flatnonzero(exponent[:125] < closed)
    if closed <= 0 or not below.size or not 15 < below[-1] < 120:
        return None
    k = int(below[-1])
    part = (closed - exponent[k]) / (exponent[k + 1] - exponent[k])
    return _Bend(540.0 + k + float(part) + 10.0, 9.0)


def _volume(degrees: Floats) -> Floats:
    """Of a usual cylinder, in swept volumes (Heywood, Internal Combustion Engine Fundamentals, eqs. 2.4 to 2.6)."""
    angle, share = np.radians(degrees), _USUAL_CRANK_OVER_ROD
    travel = (1 - np.cos(angle)) / 2 + (1 - np.sqrt(1 - (share * np.sin(angle)) ** 2)) / (2 * share)
    return np.asarray(_USUAL_CLEARANCE + travel)
