"""A model of signals and no physics: pulses of a given shape at valve events, a speed that compression modulates.

The square of the speed loses what compressing takes, E(phi) = (V_bdc / V)^(n - 1) - 1 of a polytropic (Heywood, chapter 2, for
V; the work of a polytropic), and gets it back less a part for heat and leaks; the starter is a straight line of torque over
speed. Each cylinder draws a skewed half sine out of a plenum that fills again as a leaky integrator (one time constant); the
exhaust likewise, after a dip. What evenstroke should read of it is so known without any gas dynamics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from scipy import signal

from .engines import Kind


@dataclass
class Engine:
    """Angles in crank degrees, speeds in rpm; arrays hold a value for each cylinder in the maker's numbers."""

    kind: Kind
    strength: np.ndarray
    intake_size: np.ndarray
    exhaust_size: np.ndarray
    rpm: float = 200.0
    ripple: float = 0.25
    wander: float = 0.004
    pulse_scatter: float = 0.006
    intake_from: float = 375.0
    intake_wide: float = 200.0
    exhaust_from: float = 135.0
    exhaust_wide: float = 200.0
    dip: float = 0.5
    skew: float = 1.1
    plenum_s: float = 0.05
    pipe_s: float = 0.005
    sag: float = 0.0
    one_off: tuple[int, int, float] | None = None
    fires_from_s: float = 1e9
    level: float = 0.0
    seed: int = 0


def draw(kind: Kind, rng: np.random.Generator, scatter: float = 1.0, cold: bool = False) -> Engine:
    """One engine of a kind. scatter: of production, 1 = ordinary, 0 = all cylinders alike."""
    n = kind.cylinders
    even = {5: 0.4, 6: 0.15, 8: 0.15}.get(
        n, 1.0
    )  # strokes that overlap leave little: the same scatter would be tens of per cent
    return Engine(
        kind,
        strength=1.0 + 0.02 * scatter * rng.standard_normal(n),
        intake_size=1.0 + 0.012 * even * scatter * rng.standard_normal(n),
        exhaust_size=1.0 + 0.015 * even * scatter * rng.standard_normal(n),
        rpm=rng.uniform(95, 135) if cold else rng.uniform(165, 250),
        ripple=(rng.uniform(0.5, 0.8) if cold else rng.uniform(0.25, 0.55)) / _swing(kind),
        intake_from=rng.uniform(358, 380),
        intake_wide=rng.uniform(165, 190),
        exhaust_from=rng.uniform(125, 145),
        exhaust_wide=rng.uniform(205, 230),
        dip=rng.uniform(0.2, 0.7),
        skew=rng.uniform(0.95, 1.25),
        plenum_s=rng.uniform(0.02, 0.08),
        pipe_s=rng.uniform(0.003, 0.008),
        pulse_scatter=0.006 * even,
        level=rng.uniform(0.0, 3.0),
        seed=int(rng.integers(1 << 30)),
    )


def _swing(kind: Kind) -> float:
    """How far the square of the speed goes up and down for a ripple of 1, of equal cylinders."""
    theta = np.arange(0.0, 720.0, 2.0)
    lost = np.array([_lost(th, kind.firing_deg(), np.ones(kind.cylinders), 9.8) for th in theta])
    return float(2.0 * np.ptp(lost))


@numba.njit(cache=True)
def _lost(th, fire, strength, cr):
    lam = 3.4
    lost = 0.0
    for i in range(len(fire)):
        phi = (th - fire[i]) % 720.0
        if phi > 540.0 or phi < 150.0:
            x = np.deg2rad(phi)
            s = (1 + lam - np.cos(x) - np.sqrt(lam * lam - np.sin(x) ** 2)) / 2
            e = ((1.0 / (1.0 / cr + (1 - 1.0 / cr) * s)) ** 0.3 - 1.0) / (cr**0.3 - 1.0)
            lost += strength[i] * (e if phi > 540.0 else e * (0.93 - 0.1 * phi / 180.0))
    return lost


@numba.njit(cache=True)
def _turn(fire, strength, ripple, cr, w_mean, dt, theta0):
    n = len(fire)
    theta = np.empty(len(w_mean))
    omega = np.empty(len(w_mean))
    th = theta0
    for q in range(len(w_mean)):
        lost = _lost(th, fire, strength, cr)
        square = 1.0 - 2.0 * ripple * (lost - n * 0.12)
        w = w_mean[q] * np.sqrt(max(square, 0.04))
        theta[q] = th
        omega[q] = w
        th += np.rad2deg(w) * dt
    return theta, omega


def _bump(x: np.ndarray, skew: float) -> np.ndarray:
    """A smooth bump over 0 to 1, its crest beyond the middle for skew over 1, its height 1."""
    inside = (x > 0) & (x < 1)
    x = np.where(inside, x, 0.5)
    return np.where(inside, np.sin(np.pi * x**skew), 0.0)


def run(engine: Engine, seconds: float, rest_s: float, after_s: float, theta0: float) -> dict:
    """Signals as `lumped.run` gives them (cylinder: a polytropic pressure, kPa)."""
    rng = np.random.default_rng(engine.seed)
    kind, n, dt = engine.kind, engine.kind.cylinders, 1 / 4000
    t = np.arange(int((rest_s + seconds + after_s) / dt)) * dt
    w0 = engine.rpm * 2 * np.pi / 60
    knots = np.arange(0, t[-1] + 1, 0.5)
    slow = np.interp(t, knots, 1 + engine.wander * rng.standard_normal(knots.size))
    since, until = t - rest_s, t - rest_s - seconds
    w = (
        w0
        * slow
        * (1 - np.exp(-np.maximum(since, 0) / 0.09))
        * (1 - engine.sag * np.clip(since / seconds, 0, 1))
    )
    w = np.where(until > 0, w * np.clip(1 - until / 0.5, 0, 1), w)
    fired = np.clip((t - engine.fires_from_s) / 0.9, 0, 1)
    w = w * (1 - fired) + fired * 850 * 2 * np.pi / 60
    theta, omega = _turn(kind.firing_deg(), engine.strength, engine.ripple, 9.8, w, dt, theta0)
    on = (since > 0) & (until < 0) & (fired < 0.3)
    no_load = 1.45 * w0
    target = np.where(on, np.maximum(0, 420 * (1 - omega / no_load)), 0.0)
    current = np.empty_like(target)
    state, gain = 0.0, dt / 0.004
    for q, value in enumerate(target):
        state += gain * (value - state)
        current[q] = state
    fire = kind.firing_deg()
    cycles = int(theta[-1] // 720) + 3
    intake, exhaust, cylinder = np.zeros_like(t), np.zeros((len(kind.banks), len(t))), np.zeros((n, len(t)))
    by_speed = np.clip(omega / w0, 0, 1.3) * np.clip(1 - 0.4 * fired, 0, 1)
    pumped = 1 - np.exp(-np.maximum(since, 0) / 0.25)
    for i in range(n):
        bank = next(b for b, members in enumerate(kind.banks) if i + 1 in members)
        size = 1 + engine.pulse_scatter * rng.standard_normal(cycles + 2)
        size_ex = 1 + engine.pulse_scatter * rng.standard_normal(cycles + 2)
        if engine.one_off is not None and engine.one_off[0] == i + 1:
            size[engine.one_off[1] + 1] *= engine.one_off[2]
            size_ex[engine.one_off[1] + 1] *= engine.one_off[2]
        rel = theta - fire[i]
        k = np.floor(rel / 720).astype(int)
        phi = rel - 720 * k
        x = (phi - engine.intake_from) / engine.intake_wide
        intake -= engine.intake_size[i] * size[np.clip(k + 1, 0, cycles + 1)] * _bump(x, engine.skew)
        x = (phi - engine.exhaust_from) / engine.exhaust_wide
        pulse = _bump((x - 0.15) / 0.85, engine.skew) - engine.dip * _bump(x / 0.3, 1.0)
        exhaust[bank] += engine.exhaust_size[i] * size_ex[np.clip(k + 1, 0, cycles + 1)] * pulse
        y = np.deg2rad(phi)
        s = (1 + 3.4 - np.cos(y) - np.sqrt(3.4**2 - np.sin(y) ** 2)) / 2
        closed = (phi > 585) | (phi < engine.exhaust_from)
        ratio = 1.0 / (1 / 9.8 + (1 - 1 / 9.8) * s)
        down = np.where(phi < 180, 0.86, 1.0)
        cylinder[i] = np.where(
            closed, 92 * engine.strength[i] * ratio**1.27 * down, np.where(phi < 360, 101.3, 93.0)
        )
    b, a = signal.bilinear([1.0], [engine.plenum_s, 1.0], 1 / dt)
    intake = 4.0 * signal.lfilter(b, a, intake * by_speed) - engine.level * pumped + 101.3
    b, a = signal.bilinear([1.0], [engine.pipe_s, 1.0], 1 / dt)
    exhaust = signal.lfilter(b, a, exhaust * by_speed, axis=1)
    return {
        "time_s": t, "theta_deg": theta, "omega": omega, "current": current, "volts": 12.6 - 0.0085 * current,
        "intake": intake, "exhaust": exhaust * 0.1 + 101.3, "cylinder": cylinder,
    }  # fmt: skip
