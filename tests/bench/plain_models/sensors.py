"""What home-built sensors and a cheap logger make of a model's signals, written as a user would bring it: CSV and set-up."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import signal

from .engines import Kind

GRID_HZ = 4000.0


@dataclass
class Plan:
    """How a recording is made. What is None or empty is not fitted, or not written in the set-up."""

    rate_hz: float = 1000.0
    snr_db: float = 25.0
    corner_hz: float = 0.5
    corner_given: bool = True
    lowpass_hz: float = 120.0
    resonance: bool = False
    intake: bool = True
    exhaust: bool = False
    current: bool = False
    volts: bool = False
    sync: str = "cycle"  # cycle, revolution, none
    sync_cylinder: int = 1
    advance: float = 8.0
    advance_given: bool = True
    wheel: object = None
    hose: int | None = None  # transducer in this cylinder
    inverted: bool = False
    pickup: float = 0.0  # 50 Hz, RMS over the pulse's RMS
    lost: float = 0.0
    missed: float = 0.0
    doubled: float = 0.0
    travel_m: float = 0.5
    travel_given: bool = True
    positive_given: bool = False
    added_cc: float = 9.0
    first_tooth_deg: float = 84.0
    bits: int = 12


def piezo(y: np.ndarray, plan: Plan) -> np.ndarray:
    """The disc and its amplifier: one pole of high-pass, one pole of low-pass or a resonance at 300 Hz of Q 3."""
    b, a = signal.butter(1, plan.corner_hz, "highpass", fs=GRID_HZ)
    z = signal.lfilter(b, a, y - y[0])
    if plan.resonance:
        w0, q = 2 * np.pi * 300.0, 3.0
        b, a = signal.bilinear([w0**2], [1, w0 / q, w0**2], GRID_HZ)
    else:
        b, a = signal.butter(1, plan.lowpass_hz, fs=GRID_HZ)
    return signal.lfilter(b, a, z)


def in_band_rms(y: np.ndarray, rate_hz: float) -> float:
    """RMS within 0.5 to 50 Hz."""
    sos = signal.butter(3, [0.5, 50.0], "bandpass", fs=rate_hz, output="sos")
    return float(np.std(signal.sosfiltfilt(sos, y)))


def _pulse_train(t: np.ndarray, at: np.ndarray, wide_s: float) -> np.ndarray:
    y = np.zeros_like(t)
    for one in at:
        x = t - one
        y[(x >= 0) & (x < wide_s)] = 1.0
    return y


def write(
    folder: Path, kind: Kind, trace: dict, plan: Plan, rng: np.random.Generator, steady: tuple[float, float]
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Writes rec.csv and setup.toml into folder. Returns by pulse probe, on the trace's grid and without noise, the pressure that
    reaches it, and what it makes of that."""
    folder.mkdir(parents=True, exist_ok=True)
    grid, theta = trace["time_s"], trace["theta_deg"]
    t = np.arange(0, grid[-1] - 0.02, 1 / plan.rate_hz)
    th = np.interp(t, grid, theta)
    steady_grid = (grid > steady[0]) & (grid < steady[1])
    steady_t = (t > steady[0]) & (t < steady[1])
    columns: dict[str, np.ndarray] = {}
    clean: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    probes: list[str] = []
    lsb = 5.0 / 2**plan.bits
    delay = plan.travel_m / 343.2  # ISO 9613-1, at 20 degrees C

    def pulse_probe(name: str, role: str, y: np.ndarray, inverted: bool) -> None:
        moved = np.interp(grid - delay, grid, y)
        out = piezo(moved, plan)
        scale = 1.1 / np.max(np.abs(out[steady_grid] - np.mean(out[steady_grid])))
        scale *= -1.0 if inverted else 1.0
        z = np.interp(t, grid, out) * scale
        clean[name] = (moved, out)
        rms = in_band_rms(z[steady_t], plan.rate_hz)
        band = 49.5 / (plan.rate_hz / 2)
        noise = rms / 10 ** (plan.snr_db / 20) / np.sqrt(band)
        z = z + noise * rng.standard_normal(len(z))
        if plan.pickup:
            z = z + plan.pickup * rms * np.sqrt(2) * np.sin(2 * np.pi * 50.0 * t + rng.uniform(0, 6))
        columns[name] = 2.5 + z
        lines = [f'name = "{name}"', f'role = "{role}"', "volts_at_zero = 2.5"]
        if plan.corner_given:
            lines.append(f"low_corner_hz = {plan.corner_hz}")
        if plan.travel_given:
            lines.append(f"travel_m = {plan.travel_m}")
        if plan.positive_given:
            lines.append('positive_is = "pressure"')
        probes.append("\n".join(lines))

    if plan.intake:
        pulse_probe("intake", "intake_pulse", trace["intake"], plan.inverted)
    if plan.exhaust:  # banks meet in one tail pipe
        pulse_probe(
            "tailpipe", "exhaust_pulse", trace["exhaust"].sum(axis=0), plan.inverted and not plan.intake
        )
    if plan.current:
        y = np.interp(t, grid, trace["current"])
        columns["clamp"] = 0.5 + 0.005 * (y + 0.01 * np.std(y[steady_t]) * 3 * rng.standard_normal(len(t)))
        probes.append('name = "clamp"\nrole = "starter_current"\nvolts_per_unit = 0.005\nvolts_at_zero = 0.5')
    if plan.volts:
        y = np.interp(t, grid, trace["volts"])
        columns["battery"] = 0.25 * (y + 0.01 * rng.standard_normal(len(t)))
        probes.append('name = "battery"\nrole = "battery_voltage"\nvolts_per_unit = 0.25')
    if plan.hose is not None:
        y = np.interp(t, grid, trace["cylinder"][plan.hose - 1])
        columns["p"] = 0.5 + 0.002 * (y - 101.3) + 0.002 * rng.standard_normal(len(t))
        probes.append(
            f'name = "p"\nrole = "cylinder_pressure"\ncylinder = {plan.hose}\nadded_volume_cc = {plan.added_cc}\n'
            "volts_per_unit = 0.002\nvolts_at_zero = 0.5"
        )
    if plan.sync != "none":
        every = 720.0 if plan.sync == "cycle" else 360.0
        zero = kind.firing_deg()[plan.sync_cylinder - 1] - plan.advance
        first = np.ceil((theta[0] - zero) / every)
        events = zero + every * np.arange(first, np.floor((theta[-1] - zero) / every) + 1)
        moving = np.maximum.accumulate(theta) + np.arange(len(theta)) * 1e-9
        at = np.interp(events, moving, grid)
        keep = rng.random(len(at)) >= plan.missed
        at = at[keep]
        extra = at[rng.random(len(at)) < plan.doubled]
        at = np.sort(np.concatenate([at, extra + rng.uniform(0.012, 0.25, len(extra))]))
        columns["spark"] = (
            0.1
            + 4.0 * _pulse_train(t, at, max(0.003, 2.2 / plan.rate_hz))
            + 0.02 * rng.standard_normal(len(t))
        )
        line = (
            f'name = "spark"\nrole = "ignition_sync"\ncylinder = {plan.sync_cylinder}\nevery = "{plan.sync}"'
        )
        probes.append(line + (f"\noffset_deg = {-plan.advance}" if plan.advance_given else ""))
    if plan.wheel is not None:
        first = plan.first_tooth_deg
        if isinstance(plan.wheel, str):
            teeth, gap = (int(x) for x in plan.wheel.split("-"))
            edges = np.arange(teeth - gap) * 360.0 / teeth
            wide = 180.0 / teeth
            said = f'"{plan.wheel}"'
        else:
            edges, wide, said = np.array(plan.wheel, float), 7.0, str(list(plan.wheel))
        rev = (th - first) % 360.0
        high = np.zeros(len(t), bool)  # a tooth ends (falling) at its edge
        for edge in edges:
            high |= ((edge - rev) % 360.0 < wide) & ((edge - rev) % 360.0 > 0)
        columns["wheel"] = 0.3 + 4.2 * high + 0.02 * rng.standard_normal(len(t))
        probes.append(
            f'name = "wheel"\nrole = "crank_teeth"\nteeth = {said}\nedge = "falling"\nfirst_tooth_deg = {first}'
        )
    keep_rows = np.ones(len(t), bool)
    if plan.lost:
        block = max(4, int(0.04 * plan.rate_hz))
        for begin in range(0, len(t), block):
            if rng.random() < plan.lost:
                keep_rows[begin : begin + block] = False
        keep_rows[0] = keep_rows[-1] = True
    table = [t] + [np.clip(np.round(np.clip(v, 0, 5 - lsb) / lsb) * lsb, 0, 5) for v in columns.values()]
    with (folder / "rec.csv").open("w") as stream:
        stream.write(",".join(["time_s", *columns]) + "\n")
        np.savetxt(
            stream, np.array(table).T[keep_rows], fmt=["%.6f"] + ["%.4f"] * len(columns), delimiter=","
        )
    lines = ["schema = 1", f'title = "{folder.name}"', "[engine]"]
    lines += [f"cylinders = {kind.cylinders}", f"firing_order = {list(kind.order)}"]
    if len(set(kind.intervals)) > 1:
        lines.append(f"firing_intervals_deg = {list(kind.intervals)}")
    lines += [
        "[conditions]",
        'mode = "cranking"',
        'fuel = "disabled"',
        'throttle = "closed"',
        'ignition = "on"',
    ]
    if plan.hose is not None:
        lines.append('acknowledged = ["plug_out_ignition_on"]')
    for probe in probes:
        lines += ["[[probe]]", probe]
    (folder / "setup.toml").write_text("\n".join(lines) + "\n")
    return clean
