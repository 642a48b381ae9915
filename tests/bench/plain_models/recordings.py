"""One recording of a plain model: draw an engine, alter one cylinder until its pulse deviates as asked, run it, write it as a
user would bring it, and keep what is true of it."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np

from . import kinematic, lumped, sensors, truth
from .engines import KINDS, Kind

MODELS = {"lumped": lumped, "kinematic": kinematic}
REST_S, AFTER_S = 0.8, 0.9
_TROUGH_AFTER_DEG = {2: (460, 585), 3: (470, 570), 4: (455, 555), 5: (440, 530), 6: (425, 505), 8: (410, 475)}
"""Where after its own firing TDC the plenum's trough of a cylinder lies, by how many there are: seen by shutting one valve."""
_SPEED_OF_SOUND = 343.2
_NEAR_PERCENT = 0.6


@dataclass(frozen=True)
class Made:
    """A recording. time, angle_deg: cylinder 1's angle on the model's own grid. deviations: by probe, per cent of the mean of all
    cylinders in order of number: of the pressure at the probe, and of what the probe makes of it. trough_deg: by probe."""

    csv: Path
    toml: Path
    kind: Kind
    time: np.ndarray
    angle_deg: np.ndarray
    rpm: float
    deviations: dict[str, tuple[np.ndarray, np.ndarray]]
    trough_deg: dict[str, float]
    one_off: tuple[int, int] | None = None

    def firing_tdc_deg(self) -> np.ndarray:
        """By cylinder."""
        return self.kind.firing_deg()


def _pressure(trace: dict, side: str) -> np.ndarray:
    """Turned so that a pulse is a fall from crest to trough."""
    return trace["intake"] if side == "intake" else -trace["exhaust"].sum(axis=0)


def _trough_deg(model: ModuleType, engine, side: str, theta0: float) -> float:
    trace = model.run(engine, 4.0, REST_S, 0.1, theta0)
    steady = (trace["time_s"] > REST_S + 1.2) & (trace["time_s"] < REST_S + 3.9)
    low, high = _TROUGH_AFTER_DEG[engine.kind.cylinders]
    if side == "exhaust":  # a crest, between its own valve's dip and the next one's
        low = 35.0 + (engine.exhaust_opens if model is lumped else engine.exhaust_from)
        high = low + min(0.85 * 720.0 / engine.kind.cylinders, 150.0)
    y = truth.low_passed(_pressure(trace, side))
    everyone = tuple(range(1, engine.kind.cylinders + 1))
    return truth.trough_place(trace["theta_deg"], y, engine.kind, everyone, steady, low, high)


def _deviation(
    model: ModuleType, engine, side: str, theta0: float, trough_deg: float, cylinder: int
) -> float:
    coarse = {"step_s": 5e-5} if model is lumped else {}
    trace = model.run(engine, 3.2, 0.1, 0.05, theta0, **coarse)
    steady = (trace["time_s"] > 1.1) & (trace["time_s"] < 3.28)
    y = truth.low_passed(_pressure(trace, side))
    everyone = tuple(range(1, engine.kind.cylinders + 1))
    sizes = truth.sizes(trace["theta_deg"], y, engine.kind, trough_deg, everyone, steady)
    return float(truth.deviations(sizes)[cylinder - 1])


def altered(
    model: ModuleType, engine, side: str, theta0: float, trough_deg: float, cylinder: int, percent: float
):
    """The engine with that cylinder's valve lift (lumped) or pulse (kinematic) changed until its pulse deviates so; the nearest
    that was found where no change does it."""
    name = {
        ("lumped", "intake"): "in_lift",
        ("lumped", "exhaust"): "ex_lift",
        ("kinematic", "intake"): "intake_size",
        ("kinematic", "exhaust"): "exhaust_size",
    }[model.__name__.rpartition(".")[2], side]

    def with_share(share: float):
        other = copy.deepcopy(engine)
        getattr(other, name)[cylinder - 1] *= share
        return other

    def off(share: float) -> float:
        return _deviation(model, with_share(share), side, theta0, trough_deg, cylinder) - percent

    if model is lumped:
        shares = np.linspace(1.02, 1.6, 10) if percent > 0 else np.r_[0.95, 0.8, np.geomspace(0.6, 0.02, 9)]
    else:
        most, steps = (0.12, 20) if engine.kind.cylinders >= 5 else (0.6, 25)
        shares = 1.0 + np.sign(percent) * np.linspace(most / steps, most, steps)
    best = before = 1.0
    least = at_first = off(1.0)
    for share in shares:
        now = off(share)
        if abs(now) < abs(least):
            best, least = share, now
        if np.sign(now) != np.sign(at_first):
            break
        before = share
    else:
        return with_share(best)
    low, high = before, share
    for _ in range(5):
        if abs(least) < _NEAR_PERCENT:
            break
        middle = (low + high) / 2
        now = off(middle)
        if abs(now) < abs(least):
            best, least = middle, now
        low, high = (middle, high) if np.sign(now) == np.sign(at_first) else (low, middle)
    return with_share(best)


def make(
    folder: Path,
    kind_name: str,
    model_name: str,
    seed: int,
    plan: sensors.Plan,
    *,
    fault: tuple[int, float] | None = None,
    side: str = "intake",
    cold: bool = False,
    one_off: tuple[int, int] | None = None,
    fires_from_s: float = np.inf,
    sag: float = 0.0,
    seconds: float = 10.0,
) -> Made:
    """fault: cylinder and by how many per cent of the mean its pulse deviates. one_off: cylinder and the cycle in which its
    intake valve or stroke is as would make every one of its pulses half as large."""
    kind, model = KINDS[kind_name], MODELS[model_name]
    random = np.random.default_rng(seed)
    engine = model.draw(kind, random, 1.0, cold)
    theta0 = random.uniform(0, 720)
    sides = (["intake"] if plan.intake else []) + (["exhaust"] if plan.exhaust else [])
    trough = {s: _trough_deg(model, engine, s, theta0) for s in sides}
    if fault is not None:
        engine = altered(model, engine, side, theta0, trough[side], *fault)
    if one_off is not None:
        half = altered(model, engine, "intake", theta0, trough["intake"], one_off[0], -50.0)
        place = one_off[0] - 1
        left = half.in_lift[place] if model is lumped else half.intake_size[place] / engine.intake_size[place]
        engine.one_off = (*one_off, float(left))
    engine.fires_from_s, engine.sag = min(fires_from_s, 1e9), sag
    if plan.hose is not None and model is lumped:
        engine.added_cc[plan.hose - 1] += plan.added_cc
    trace = model.run(engine, seconds, REST_S, AFTER_S, theta0)
    time, theta = trace["time_s"], trace["theta_deg"]
    steady_s = (REST_S + 0.9, min(REST_S + seconds - 0.05, engine.fires_from_s - 0.1))
    clean = sensors.write(folder, kind, trace, plan, np.random.default_rng(seed + 5), steady_s)
    steady = (time > steady_s[0]) & (time < steady_s[1])
    degrees_per_s = float(np.rad2deg(trace["omega"][steady].mean()))
    everyone = tuple(range(1, kind.cylinders + 1))
    deviations, places = {}, {}
    for probe, (at_probe, by_probe) in clean.items():
        s = "intake" if probe == "intake" else "exhaust"
        sign = 1.0 if s == "intake" else -1.0
        places[probe] = trough[s]
        here = trough[s] + degrees_per_s * plan.travel_m / _SPEED_OF_SOUND
        both = []
        for y in (at_probe, by_probe):
            sizes = truth.sizes(theta, truth.low_passed(sign * y), kind, here, everyone, steady)
            both.append(truth.deviations(sizes))
        deviations[probe] = (both[0], both[1])
    return Made(
        folder / "rec.csv", folder / "setup.toml", kind, time, theta, degrees_per_s / 6.0, deviations, places,
        one_off,
    )  # fmt: skip
