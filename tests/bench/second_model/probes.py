"""From a noise-free crank to what a cheap logger writes: probes with corners, noise, twelve bits, a CSV and its set-up.

Signal to noise: RMS of the clean probe signal over RMS of the added noise, both within 0.5 to 50 Hz, over the steady crank.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from engine_model import ATMOSPHERE, OUTPUT_STEP_S, Crank, Engine, Fitted, Kind
from scipy.signal import butter, lfilter, sosfiltfilt

BITS = 12
FULL_SCALE_V = 5.0
RATE_HZ = 5000.0
STEPS = round(1 / RATE_HZ / OUTPUT_STEP_S)
SPARK_BEFORE_DEG = -9.0
SPARK_S = 2e-3
FIRST_TOOTH_DEG = 102.0


@dataclass(frozen=True)
class Choices:
    """How a crank is recorded. snr_db None: without noise. angle: "wheel", "sync" (once a cycle), "revolution" or "none"."""

    snr_db: float | None = 30.0
    angle: str = "sync"
    current: bool = True
    exhaust: bool = True
    corner_hz: float = 0.8
    corner_told: bool = True
    travel_m: float = 0.4
    positive: bool = True
    polarity_told: bool = True  # whether the set-up says so when the probe is upside down
    seed: int = 0


def _high_pass(signal: np.ndarray, corner_hz: float) -> np.ndarray:
    a = np.exp(-2 * np.pi * corner_hz * OUTPUT_STEP_S)
    return lfilter([1, -1], [1, -a], signal - signal[0]) * (1 + a) / 2


def _in_band(signal: np.ndarray) -> np.ndarray:
    return sosfiltfilt(butter(2, [0.5, 50.0], btype="band", fs=1 / OUTPUT_STEP_S, output="sos"), signal)


def _noisy(
    clean: np.ndarray, time: np.ndarray, snr_db: float | None, random: np.random.Generator
) -> np.ndarray:
    if snr_db is None:
        return clean
    steady = (time > 4.5) & (time < 10.5)  # the manifold has been drawn down: only pulses are left
    level = _in_band(clean)[steady].std() / 10 ** (snr_db / 20)
    # White at the logger's own rate: noise drawn at the model's finer steps would fold back and be 3 dB more.
    noise = np.repeat(random.normal(size=len(clean) // STEPS + 1), STEPS)[: len(clean)]
    return clean + noise * level / _in_band(noise)[steady].std()


def _delayed(signal: np.ndarray, metres: float, kelvin: float) -> np.ndarray:
    late = metres / np.sqrt(1.4 * 287.0 * kelvin)
    at = np.arange(len(signal)) * OUTPUT_STEP_S
    return np.interp(at - late, at, signal)


def _fit(signal: np.ndarray) -> float:
    """Volts per pascal that keep it within 2.2 V either side of the middle, rounded down to two digits as one would."""
    gain = 2.2 / np.abs(signal).max()
    step = 10 ** np.floor(np.log10(gain) - 1)
    return float(np.floor(gain / step) * step)


def _teeth(angle_deg: np.ndarray) -> np.ndarray:
    """A Hall sensor on 60-2: falling edges at FIRST_TOOTH_DEG + 6 k, k = 0..57, of cylinder 1's TDC; high in the gap."""
    place = (angle_deg - FIRST_TOOTH_DEG) % 360.0
    tooth = np.floor(place / 6.0)
    inside = place - 6.0 * tooth
    low = (tooth < 58) & (inside < 3.0)
    return np.where(low, 0.3, 4.7)


def _spark(crank: Crank, every_deg: float) -> np.ndarray:
    count = np.floor((crank.angle_deg - SPARK_BEFORE_DEG) / every_deg)
    at = np.flatnonzero(np.diff(count) > 0) + 1
    at = at[crank.speed[at] > 3.0]
    high = np.zeros(len(crank.time), dtype=bool)
    for k in at:
        high[k : k + round(SPARK_S / OUTPUT_STEP_S)] = True
    return np.where(high, 4.5, 0.1)


def record(
    folder: Path,
    name: str,
    kind: Kind,
    engine: Engine,
    crank: Crank,
    choices: Choices,
    fitted: Fitted | None = None,
    known: str = "plain",
    told_cc: float | None = None,
) -> tuple[Path, Path]:
    """Write NAME.csv and NAME.toml. known: "bare" (cylinders and order), "plain" (displacement and compression too), "full"
    (nominal valve events too). told_cc: the hose as the user gives it; None: as it is."""
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng([choices.seed, 5])
    columns: dict[str, np.ndarray] = {}
    probes: list[str] = []

    def pulse(column: str, role: str, pascal: np.ndarray, travel: float, kelvin: float) -> None:
        clean = _delayed(_high_pass(pascal - ATMOSPHERE, choices.corner_hz), travel, kelvin)
        noisy = _noisy(clean, crank.time, choices.snr_db, random)
        gain = _fit(noisy)  # the noise is white up to the logger's own rate, and must not clip
        sign = 1.0 if choices.positive else -1.0
        columns[column] = 2.5 + sign * gain * noisy
        text = [
            f'name = "{column}"',
            f'role = "{role}"',
            f"volts_per_unit = {gain * 1000:.6g}",
            "volts_at_zero = 2.5",
        ]
        text.append(f"travel_m = {travel:.1f}")
        if choices.corner_told:
            text.append(f"low_corner_hz = {choices.corner_hz:.2g}")
        if not choices.positive and choices.polarity_told:
            text.append('positive_is = "vacuum"')
        probes.append("\n".join(text))

    pulse("intake", "intake_pulse", crank.plenum, choices.travel_m, engine.air_k + 10)
    if choices.exhaust:
        pulse("exhaust", "exhaust_pulse", crank.exhaust, 1.5, engine.air_k + 15)
    if choices.angle == "wheel":
        columns["wheel"] = _teeth(crank.angle_deg)
        probes.append(
            f'name = "wheel"\nrole = "crank_teeth"\nteeth = "60-2"\nedge = "falling"\nfirst_tooth_deg = {FIRST_TOOTH_DEG:g}'
        )
    if choices.angle in ("wheel", "sync", "revolution"):
        every = "revolution" if choices.angle == "revolution" else "cycle"
        columns["spark"] = _spark(crank, 360.0 if every == "revolution" else 720.0)
        probes.append(
            f'name = "spark"\nrole = "ignition_sync"\ncylinder = 1\nevery = "{every}"\noffset_deg = {SPARK_BEFORE_DEG:g}'
        )
    if choices.current:
        noise = 0.0 if choices.snr_db is None else 3.0
        columns["starter"] = 0.5 + 0.004 * (crank.current + noise * random.normal(size=len(crank.time)))
        probes.append(
            'name = "starter"\nrole = "starter_current"\nvolts_per_unit = 0.004\nvolts_at_zero = 0.5'
        )
        columns["battery"] = 0.25 * (crank.battery + 0.1 * noise / 3 * random.normal(size=len(crank.time)))
        probes.append('name = "battery"\nrole = "battery_voltage"\nvolts_per_unit = 0.25')
    if fitted is not None:
        columns[f"p{fitted.cylinder}"] = (
            0.5 + 2e-6 * (crank.hose - ATMOSPHERE) + 0.002 * random.normal(size=len(crank.time))
        )
        cc = fitted.volume * 1e6 if told_cc is None else told_cc
        probes.append(
            f'name = "p{fitted.cylinder}"\nrole = "cylinder_pressure"\ncylinder = {fitted.cylinder}\nadded_volume_cc = {cc:g}\n'
            "volts_per_unit = 0.002\nvolts_at_zero = 0.5"
        )
    lsb = FULL_SCALE_V / 2**BITS
    table = {c: np.clip(np.floor(v[::STEPS] / lsb), 0, 2**BITS - 1) * lsb for c, v in columns.items()}
    if choices.snr_db is None:  # the reference without noise has no steps either
        table = {c: v[::STEPS] for c, v in columns.items()}
    csv = folder / f"{name}.csv"
    rows = np.column_stack([crank.time[::STEPS], *table.values()])
    np.savetxt(
        csv,
        rows,
        delimiter=",",
        header="time_s," + ",".join(table),
        comments="",
        fmt="%.5f" if choices.snr_db is not None else "%.8f",
    )
    intervals = ", ".join(f"{d:g}" for d in kind.intervals_deg)
    lines = ["schema = 1", f'title = "{name}"', "[engine]", f"cylinders = {engine.cylinders}"]
    lines += [f"firing_order = {list(kind.firing_order)}", f"firing_intervals_deg = [{intervals}]"]
    if known != "bare":
        lines += [
            f"displacement_cc = {kind.displacement * 1e6:.0f}",
            f"compression_ratio = {kind.compression_ratio}",
        ]
    if known == "full":
        lines += [
            "[engine.valve_events_deg]",
            "exhaust_opens = 133",
            "exhaust_closes = 373",
            "intake_opens = 352",
            "intake_closes = 595",
        ]
    warm = 15 if engine.wall_k < 320 else 82
    lines += [
        "[conditions]",
        'mode = "cranking"',
        f"engine_temperature_c = {warm}",
        'throttle = "closed"',
        'fuel = "disabled"',
    ]
    lines += ['ignition = "on"', 'start_prevented_by = "injector connectors off"', "battery_support = false"]
    if fitted is not None:
        lines += ['acknowledged = ["plug_out_ignition_on"]']
    for probe in probes:
        lines += ["[[probe]]", probe]
    toml = folder / f"{name}.toml"
    toml.write_text("\n".join(lines) + "\n")
    return csv, toml
