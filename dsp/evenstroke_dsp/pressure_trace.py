"""What one cylinder's own pressure does over its cycle, by crank angle, while it is cranked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from .angle_record import AngleRecord
from .blocks import Floats
from .messages import CodedWarning
from .setup import Setup

FEWEST_CYCLES = 3
_ATMOSPHERE_KPA = 101.3
_EXHAUST_LEVEL = slice(230, 330)
_EQUAL_VOLUME_DEG = 60
_LATEST_PEAK_DEG = 4.0
"""After TDC. A motored pressure peaks 0.5 to 2 degrees before TDC (common practice, no source); a narrow hose holds
it back by some degrees (its volume fills through its bore: 9 cc through 8 mm2 takes 3 ms)."""


@dataclass(frozen=True, slots=True)
class PressureReading:
    """One quantity read off the trace: mean over the cycles, with its 95 % interval."""

    name: str
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class PressureTrace:
    """The mean cycle. deg: (720,) the cylinder's own crank degrees; mean, lowest, highest: (720,) over the cycles, in
    `unit` above the exhaust stroke's level, which is the atmosphere while cranking."""

    probe: str
    cylinder: int
    unit: str
    cycles: int
    deg: Floats
    mean: Floats
    lowest: Floats
    highest: Floats
    readings: tuple[PressureReading, ...]

    def reading(self, name: str) -> PressureReading | None:
        return next((r for r in self.readings if r.name == name), None)


def pressure_traces(setup: Setup, records: Sequence[AngleRecord]) -> tuple[PressureTrace, ...]:
    """One for each transducer whose cycles and angle are known."""
    return tuple(
        _trace(setup, record)
        for record in records
        if record.probe.role == "cylinder_pressure" and record.cycles >= FEWEST_CYCLES
    )


def pressure_warnings(traces: Sequence[PressureTrace]) -> list[CodedWarning]:
    """A motored pressure that peaks well after TDC: then it is the crank angle that is out."""
    out = []
    for trace in traces:
        peak = trace.reading("peak after TDC")
        if peak is not None and peak.low > _LATEST_PEAK_DEG:
            text = (
                f"{trace.probe}: the pressure peaks {peak.value:.1f} degrees after TDC ({peak.low:.1f} to {peak.high:.1f}, "
                "95 % interval). A cylinder that does not fire peaks just before it: check the sync's offset, the wheel's "
                "first tooth, and that nothing fires."
            )
            out.append(CodedWarning(code="peak_after_tdc", text=text, probe=trace.probe))
    return out


def _trace(setup: Setup, record: AngleRecord) -> PressureTrace:
    probe = record.probe
    assert probe.cylinder is not None
    rows = record.window(probe.cylinder, 0.0, 720.0)
    rows = rows - np.median(rows[:, _EXHAUST_LEVEL], axis=1)[:, None]
    scaled = probe.volts_per_unit is not None
    readings = _readings(setup, record, rows, scaled=scaled)
    return PressureTrace(
        probe=probe.name,
        cylinder=probe.cylinder,
        unit=probe.unit,
        cycles=record.cycles,
        deg=np.arange(720.0),
        mean=rows.mean(axis=0),
        lowest=rows.min(axis=0),
        highest=rows.max(axis=0),
        readings=tuple(readings),
    )


def _readings(setup: Setup, record: AngleRecord, rows: Floats, *, scaled: bool) -> list[PressureReading]:
    unit, angle = record.probe.unit, record.uncertainty_deg
    around = np.concatenate([rows[:, 600:], rows[:, :120]], axis=1)  # 120 degrees before TDC to 120 after
    out = [
        _reading("peak", around.max(axis=1), unit, 0.0),
        _reading("peak after TDC", np.array([_crest(row) for row in around]) - 120.0, "crank degrees", angle),
        _reading("lowest before exhaust opening", rows[:, 90:190].min(axis=1), unit, 0.0),
        _reading("lowest after gas-exchange TDC", rows[:, 362:425].min(axis=1), unit, 0.0),
    ]
    if not scaled or record.probe.check_valve:
        return out
    pressure = around + _ATMOSPHERE_KPA
    before, after = pressure[:, 120 - _EQUAL_VOLUME_DEG], pressure[:, 120 + _EQUAL_VOLUME_DEG]
    mean = np.log(pressure.mean(axis=0))
    steepness = abs(float(np.gradient(mean)[120 - _EQUAL_VOLUME_DEG])) + abs(
        float(np.gradient(mean)[120 + _EQUAL_VOLUME_DEG])
    )
    lost = 100.0 * (1.0 - after / before)
    out.append(
        _reading(
            f"lost between {_EQUAL_VOLUME_DEG} degrees before and after TDC",
            lost,
            "%",
            100 * steepness * angle,
        )
    )
    return out + _exponents(setup, record, pressure, angle)


def _exponents(setup: Setup, record: AngleRecord, pressure: Floats, angle: float) -> list[PressureReading]:
    """Of compression and of expansion, -d ln p / d ln V, where the set-up gives the volume at every angle."""
    engine = setup.engine
    swept_cc = None
    if engine.displacement_cc is not None:
        swept_cc = engine.displacement_cc / engine.cylinders
    elif engine.bore_mm is not None and engine.stroke_mm is not None:
        swept_cc = math.pi / 4 * engine.bore_mm**2 * engine.stroke_mm * 1e-3
    if (
        swept_cc is None
        or engine.compression_ratio is None
        or engine.stroke_mm is None
        or engine.rod_mm is None
    ):
        return []
    if record.probe.added_volume_cc is None:
        return []
    clearance = 1.0 / (engine.compression_ratio - 1.0) + record.probe.added_volume_cc / swept_cc
    share = engine.stroke_mm / 2.0 / engine.rod_mm

    def slopes(low: int, high: int, shift: float) -> Floats:
        degrees = np.arange(low, high)
        volume = np.log(_swept_volumes(degrees.astype(np.float64) + shift, clearance, share))
        return np.array([-np.polyfit(volume, np.log(row[degrees + 120]), 1)[0] for row in pressure])

    out = []
    for name, low, high in (("exponent of compression", -80, -30), ("exponent of expansion", 30, 80)):
        moved = abs(float(slopes(low, high, angle).mean() - slopes(low, high, -angle).mean())) / 2
        out.append(_reading(name, slopes(low, high, 0.0), "", moved))
    return out


def _swept_volumes(degrees: Floats, clearance: float, crank_per_rod: float) -> Floats:
    """Cylinder volume in swept volumes (Heywood, Internal Combustion Engine Fundamentals, eqs. 2.4 to 2.6)."""
    angle = np.radians(degrees)
    travel = (1 - np.cos(angle)) / 2 + (1 - np.sqrt(1 - (crank_per_rod * np.sin(angle)) ** 2)) / (
        2 * crank_per_rod
    )
    return np.asarray(clearance + travel)


def _crest(row: Floats) -> float:
    """Place of the peak by a parabola through 12 degrees on either side: single samples are noisy."""
    k = int(np.clip(np.argmax(row), 12, row.size - 13))
    near = np.arange(k - 12, k + 13)
    a, b, _ = np.polyfit(near - k, row[near], 2)
    return k - b / (2 * a) if a < 0 else float(k)


def _reading(name: str, values: Floats, unit: str, shared: float) -> PressureReading:
    """shared: 95 % half width that does not average out over cycles."""
    mean = float(values.mean())
    error = float(values.std(ddof=1)) / math.sqrt(values.size)
    half = math.hypot(float(student_t.ppf(0.975, values.size - 1)) * error, shared)
    return PressureReading(name, mean, mean - half, mean + half, unit)
