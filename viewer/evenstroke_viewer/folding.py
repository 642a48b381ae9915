"""Every cycle's pulses of one probe, laid over each other by their cylinder's own crank angle. No Qt here.

Each cycle's waveform is read at even crank angles once, from the times that the cycle's message gives for them; the gas's
travel from valve to probe, where the set-up says it, is taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from evenstroke_dsp.engine import CYCLE_DEG
from evenstroke_dsp.messages import ANGLE_STEP_DEG, Cycle, CycleProbe, CylinderPulse

from .choosing import Seat, seats
from .view_model import CutWave, ViewModel

Floats = npt.NDArray[np.float64]

STEP_DEG = 2.0
_STEPS = round(CYCLE_DEG / STEP_DEG)
MOST_CYCLES = 60
"""The newest ones of the newest stretch are laid over each other."""
_LEAST_KNOWN = 0.95
"""Share of a pulse that must be there: what is left of a broken one has another mean."""
_EXHAUST_LEVEL_DEG = (230.0, 330.0)
"""Where a cranked cylinder's pressure is the atmosphere's, as in `evenstroke_dsp.pressure_trace`."""

_OUTSIDE = 0.01
"""Share of the values, at either end, for which no room is made: one wild cycle would flatten all others."""

Level = Literal["own mean", "exhaust stroke", "none"]
_BEGINS: dict[str, float] = {
    "intake_pulse": 330.0,
    "manifold_pressure": 330.0,
    "exhaust_pulse": 100.0,
    "crankcase_pulse": -60.0,
}
"""Degrees after the cylinder's own firing TDC: just before the stroke that makes the pulse."""
_COMPRESSION = frozenset({"starter_current", "battery_voltage"})
"""Their pulse lies before and around firing TDC."""


def window_of(role: str, pulses: int) -> tuple[float, float]:
    """From which to which of a cylinder's own degrees its pulse is shown, where a probe hears so many a cycle: of many
    cylinders half a revolution, since their pulses stand closer to each other."""
    if role == "cylinder_pressure":
        return -CYCLE_DEG / 2, CYCLE_DEG / 2
    if pulses == 1:
        return 0.0, CYCLE_DEG
    wide = STEP_DEG * round(min(360.0, max(180.0, 4 * 360.0 / pulses)) / STEP_DEG)
    if role in _COMPRESSION:
        low = -STEP_DEG * round(0.6 * wide / STEP_DEG)
        return low, low + wide
    begins = _BEGINS.get(role)
    return (begins, begins + wide) if begins is not None else (0.0, CYCLE_DEG)


@dataclass(frozen=True, slots=True, eq=False)
class Folded:
    """One cylinder's pulses. deg: (n,) its own crank degrees; rows: (cycles, n) oldest first, NaN where nothing is known;
    median, low, high: (n,) over the cycles, low and high holding the middle half of them. own: from which to which degree
    its pulse was measured, medians; None: not known. left_out: how many cycles are not among them since they do not
    count."""

    seat: Seat
    deg: Floats
    rows: Floats
    median: Floats
    low: Floats
    high: Floats
    own: tuple[float, float] | None
    left_out: int

    @property
    def cycles(self) -> int:
        return len(self.rows)


@dataclass(frozen=True, slots=True, eq=False)
class Fold:
    """One probe's. level: what was taken off each pulse. angle_doubt_deg: half a 95 % interval, either way, mean over the cycles;
    None: cylinders cannot be named, and angles say no more than how pulses stand to each other."""

    probe: str
    role: str
    feature: str
    unit: str
    level: Level
    window: tuple[float, float]
    cylinders: tuple[Folded, ...]
    angle_doubt_deg: float | None
    travel_s: float

    @property
    def ends(self) -> tuple[float, float]:
        """Between which nearly all values lie; 0 and 1 where there is none."""
        rows = [c.rows[np.isfinite(c.rows)] for c in self.cylinders]
        values = np.concatenate(rows) if rows else np.empty(0)
        if not values.size:
            return 0.0, 1.0
        low, high = np.quantile(values, [_OUTSIDE, 1.0 - _OUTSIDE])
        return float(low), float(high)

    def others(self, place: int) -> Floats | None:
        """The median of the other cylinders' medians, to compare one with; None where there are none."""
        rest = [c.median for k, c in enumerate(self.cylinders) if k != place and c.cycles]
        if not rest:
            return None
        return _over(np.stack(rest), 50.0)


class Folder:
    """Folds; keeps what was read of each cycle."""

    def __init__(self) -> None:
        self._rows: dict[tuple[int, str], tuple[CutWave, Floats]] = {}

    def fold(self, model: ViewModel, probe: str) -> Fold | None:
        """All that is kept of this probe; None where no cycle with crank angles has come."""
        cuts = {cut.sequence: cut for cut in model.cuts}
        kept = [c for c in model.cycles if c.sequence in cuts and _measured(c, probe) is not None]
        kept = [c for c in kept if c.stretch == kept[-1].stretch and len(c.angles_at_s) > 1][-MOST_CYCLES:]
        if not kept:
            return None
        rows = [self._row(cycle, cuts[cycle.sequence], probe) for cycle in kept]
        wanted = {(cycle.sequence, probe) for cycle in kept}
        self._rows = {key: row for key, row in self._rows.items() if key in wanted or key[1] != probe}
        last = _measured(kept[-1], probe)
        assert last is not None
        role = _role(model, probe)
        places = [seat for seat in seats(model) if _pulse(last, seat) is not None]
        named = all(seat.cylinder is not None for seat in places)
        window = window_of(role, len(last.pulses)) if named else _around_pulse(kept, probe, len(last.pulses))
        level: Level = (
            "exhaust stroke"
            if role == "cylinder_pressure"
            else "own mean"
            if role.endswith("_pulse") or role == "manifold_pressure"
            else "none"
        )
        doubts = [c.angle_uncertainty_deg for c in kept]
        known = [d for d in doubts if d is not None]
        return Fold(
            probe=probe,
            role=role,
            feature=last.feature,
            unit=cuts[kept[-1].sequence].units.get(probe, ""),
            level=level,
            window=window,
            cylinders=tuple(_cylinder(seat, kept, rows, probe, window, level) for seat in places),
            angle_doubt_deg=float(np.mean(known)) if named and len(known) == len(doubts) else None,
            travel_s=last.travel_s,
        )

    def _row(self, cycle: Cycle, cut: CutWave, probe: str) -> Floats:
        key = (cycle.sequence, probe)
        found = self._rows.get(key)
        if found is None or found[0] is not cut:
            measured = _measured(cycle, probe)
            found = (cut, _at_angles(cycle, cut, probe, measured.travel_s if measured is not None else 0.0))
            self._rows[key] = found
        return found[1]


def _around_pulse(cycles: Sequence[Cycle], probe: str, pulses: int) -> tuple[float, float]:
    """As wide as where cylinders have names, and with the pulses in the middle: where they stand is all that is known."""
    low, high = window_of("", pulses) if pulses == 1 else window_of("exhaust_pulse", pulses)
    middles = []
    for cycle in cycles:
        measured = _measured(cycle, probe)
        for pulse in measured.pulses if measured is not None else ():
            ends = _ends(cycle, pulse, 0.0, 0.0)
            if ends is not None:
                middles.append(np.exp(2j * np.pi * sum(ends) / 2 / CYCLE_DEG))
    middle = float(np.angle(np.mean(middles))) * CYCLE_DEG / (2 * np.pi) if middles else 0.0
    begins = STEP_DEG * round((middle - (high - low) / 2) / STEP_DEG)
    return begins, begins + high - low


def _at_angles(cycle: Cycle, cut: CutWave, probe: str, travel_s: float) -> Floats:
    """(steps,) the waveform every STEP_DEG from the cycle's beginning; NaN where there is none."""
    knots = np.arange(len(cycle.angles_at_s)) * ANGLE_STEP_DEG
    times = np.interp(np.arange(_STEPS) * STEP_DEG, knots, cycle.angles_at_s) + travel_s
    row = np.full(_STEPS, np.nan)
    for piece in cut.pieces.get(probe, []):
        samples = piece.samples[0].astype(np.float64)
        if not samples.size:
            continue
        at = (times - piece.t0_s) / piece.dt_s
        inside = (at > -0.5) & (at < samples.size - 0.5)
        row[inside] = np.interp(at[inside], np.arange(samples.size), samples)
    return row


def _cylinder(
    seat: Seat,
    cycles: Sequence[Cycle],
    rows: Sequence[Floats],
    probe: str,
    window: tuple[float, float],
    level: Level,
) -> Folded:
    """The windows of one cylinder; each begins in one cycle and may end in the next, where that follows at once."""
    deg = np.arange(window[0], window[1] + STEP_DEG / 2, STEP_DEG)
    kept, own, left_out = [], [], 0
    for k, cycle in enumerate(cycles):
        measured = _measured(cycle, probe)
        pulse = _pulse(measured, seat) if measured is not None else None
        if pulse is None or pulse.firing_tdc_deg is None:
            continue
        begins = (pulse.firing_tdc_deg + window[0]) % CYCLE_DEG
        following = k + 1 < len(cycles) and abs(cycles[k + 1].from_s - cycle.to_s) < 1e-6
        after = rows[k + 1] if following else np.full(_STEPS, np.nan)
        touched = (
            [cycle, cycles[k + 1]] if following and begins + deg.size * STEP_DEG > CYCLE_DEG else [cycle]
        )
        if any(_does_not_count(c, probe, seat) for c in touched):
            left_out += 1
            continue
        place = begins / STEP_DEG + np.arange(deg.size)
        both = np.concatenate([rows[k], after, after[:1]])
        low = np.floor(place).astype(np.int64)
        share = place - low
        cut = np.where(share > 1e-9, both[low] * (1 - share) + both[low + 1] * share, both[low])
        if np.isfinite(cut).sum() >= _LEAST_KNOWN * deg.size:
            kept.append(_levelled(cut, deg, level))
            assert measured is not None
            ends = _ends(cycle, pulse, measured.travel_s, window[0])
            if ends is not None:
                own.append(ends)
    table = np.stack(kept) if kept else np.empty((0, deg.size))
    middle = np.median(own, axis=0).tolist() if own else None
    return Folded(
        seat,
        deg,
        table,
        median=_over(table, 50.0),
        low=_over(table, 25.0),
        high=_over(table, 75.0),
        own=(middle[0], middle[1]) if middle is not None else None,
        left_out=left_out,
    )


def _ends(cycle: Cycle, pulse: CylinderPulse, travel_s: float, low: float) -> tuple[float, float] | None:
    """Where a pulse begins and ends, its cylinder's own degrees from `low` on; None where it was not measured."""
    if pulse.from_s is None or pulse.to_s is None or pulse.firing_tdc_deg is None:
        return None
    begins, ends = (_angle_at(cycle, t - travel_s) for t in (pulse.from_s, pulse.to_s))
    first = (begins - pulse.firing_tdc_deg - low) % CYCLE_DEG + low
    return first, first + ends - begins


def _angle_at(cycle: Cycle, t: float) -> float:
    """Degrees after the cycle's beginning; a pulse may lie just outside of it, where the speed is taken to go on."""
    times = cycle.angles_at_s
    if t < times[0]:
        return (t - times[0]) / (times[1] - times[0]) * ANGLE_STEP_DEG
    if t > times[-1]:
        return CYCLE_DEG + (t - times[-1]) / (times[-1] - times[-2]) * ANGLE_STEP_DEG
    return float(np.interp(t, times, np.arange(len(times)) * ANGLE_STEP_DEG))


def _levelled(row: Floats, deg: Floats, level: Level) -> Floats:
    if level == "none":
        return row
    if level == "own mean":
        return np.asarray(row - np.nanmean(row))
    own = (deg % CYCLE_DEG >= _EXHAUST_LEVEL_DEG[0]) & (deg % CYCLE_DEG < _EXHAUST_LEVEL_DEG[1])
    known = row[own][np.isfinite(row[own])]
    return np.asarray(row - np.median(known)) if known.size else row


def _over(rows: Floats, percent: float) -> Floats:
    """A percentile of each column, over the rows that are known there, between neighbours in a straight line; NaN where
    none is known. numpy's own does the same with NaN column by column, fifty times slower."""
    if not rows.shape[0]:
        return np.full(rows.shape[1], np.nan)
    ordered = np.sort(rows, axis=0)  # NaN last
    known = np.isfinite(rows).sum(axis=0)
    place = percent / 100.0 * np.maximum(known - 1, 0)
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(known - 1, 0))
    below, above = (np.take_along_axis(ordered, k[None, :], axis=0)[0] for k in (low, high))
    return np.asarray(below + (place - low) * (above - below))


def _measured(cycle: Cycle, probe: str) -> CycleProbe | None:
    return next((p for p in cycle.probes if p.probe == probe), None)


def _pulse(measured: CycleProbe, seat: Seat) -> CylinderPulse | None:
    """The pulse of the cylinder in that seat."""
    for pulse in measured.pulses:
        if pulse.cylinder == seat.cylinder if seat.cylinder is not None else pulse.position == seat.position:
            return pulse
    return None


def _does_not_count(cycle: Cycle, probe: str, seat: Seat) -> bool:
    measured = _measured(cycle, probe)
    pulse = _pulse(measured, seat) if measured is not None else None
    return bool(cycle.left_out or (pulse is not None and pulse.left_out))


def _role(model: ViewModel, probe: str) -> str:
    probes = model.health.probes if model.health is not None else ()
    return next((p.role for p in probes if p.probe == probe), "other")


def probes_of(model: ViewModel) -> tuple[str, ...]:
    """Probes with pulses and a waveform, the first finding's first."""
    found: dict[str, None] = {}
    for cycle in reversed(model.cycles):
        found = {p.probe: None for p in cycle.probes if p.probe in model.conditioned.probes}
        if found:
            break
    findings = model.finding.findings if model.finding is not None else ()
    first = [name for name in found if findings and name == findings[0].probe]
    return tuple(first + [name for name in found if name not in first])
