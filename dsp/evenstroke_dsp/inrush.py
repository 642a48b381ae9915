"""What a starter would draw if it stood still, from the first moments of its current.

The current rises as the circuit's inductance lets it and is already falling, since the rotor turns, before it has got to where it
would end. With i the current, u the speed's electromotive force over the circuit's resistance, s and w the angle by which clutch
and shaft are wound up and the crank's speed in units of u, and T what the clutch carries in units of current:

    lag di/dt = stall - i - u           circuit of a direct-current motor (Fitzgerald, Kingsley and Umans, Electric
    m du/dt = i - T                     Machinery, chapter 7, from memory); m the rotor's time constant
    ds/dt = u - w, T = k s              clutch and shaft
    dw/dt = c (T - held)                crank; it stands until T exceeds what holds it

None of the constants is known. They are fitted to the current by least squares, held by what starters are like, so that what a
slow recording does not show stays there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, signal

from .blocks import Floats
from .conditioning import butterworth_sections

_STALL, _LAG, _M, _K, _C, _HELD, _ON = range(7)
"""Where each unknown stands; logarithms, but for the moment at which the contacts close. Currents over the largest one."""
_USUAL = np.array(
    [0.12, math.log(0.0025), math.log(0.06), math.log(400.0), math.log(20.0), math.log(0.15), 0.0]
)
_SPREAD = np.array([0.30, 0.35, 1.0, 1.5, 1.5, 0.5, 0.0])
"""Wide enough for circuits of 1 to 4 ms, for rotors of 1e-4 to 1e-3 kg m2 behind any gear, and for clutches from a soft one to
one that does not give at all (common practice, no source; tried on 130 inrushes of two simulated kinds of starter)."""
_CHANGE = np.array([0.01, 0.02, 0.03, 0.05, 0.05, 0.03, 5e-5])
_STARTS = (
    (0.015, 1500.0),
    (0.08, 300.0),
)  # m and k: a light rotor that meets its clutch at once, and a heavy one
_BEFORE_S, _AFTER_S, _STEP_S = 0.020, 0.050, 0.00025
_FASTEST_HZ = 1500.0
"""A wider low-pass does not fit the model's steps, and moves no current whose circuit lags by a millisecond or more."""
_RISES = 0.15  # of the largest current
_MISFIT = 0.003  # of the largest current: what the model itself gets wrong
_FEWEST = 8
_ENOUGH = 1e-3  # of the sum of squares: a step that gains less is the last


@dataclass(frozen=True, slots=True)
class Inrush:
    """stall: current above rest that the starter would draw at a standstill, in the recording's unit. spread: standard deviation
    of its logarithm, of the fit alone."""

    stall: float
    spread: float


def read_inrush(t: Floats, load: Floats, noise: float, lowpass_hz: float) -> Inrush | None:
    """From a current (or what a battery's voltage falls by) above rest that begins inside: seconds and values, shape (samples,).

    noise: standard deviation of a sample. lowpass_hz: what `conditioning` has filtered it by, so that the model's current is
    filtered likewise. None where too few samples show it.
    """
    largest = float(load.max())
    k = int(np.argmax(load > _RISES * largest))
    between = float(np.median(np.diff(t)))
    on = float(t[k]) - between / 2
    shown = (t > on - max(_BEFORE_S, 2 * between)) & (t < on + _AFTER_S)
    if k == 0 or shown.sum() < _FEWEST:
        return None
    after, seen = t[shown] - on, load[shown] / largest
    # A low-passed current has no more than two samples a period of its corner that differ by themselves: so many count.
    repeated = math.sqrt(max(1.0, 0.5 / (lowpass_hz * between)))
    error = math.hypot(_MISFIT * repeated, noise / largest)
    spread = _SPREAD.copy()
    spread[_ON] = between

    sections = butterworth_sections(min(lowpass_hz, _FASTEST_HZ), 1.0 / _STEP_S)

    def residuals(points: Floats) -> Floats:
        off = (_current(points, after, sections) - seen[:, None]) / error
        return np.concatenate([off, ((points - _USUAL) / spread).T])

    fits = []
    # A step of the fit may try a starter whose current grows beyond all bounds; the next one goes back.
    with np.errstate(over="ignore", invalid="ignore"):
        for constant, stiff in _STARTS:
            point = _USUAL.copy()
            point[[_M, _K]] = math.log(constant), math.log(stiff)
            fits.append(_fitted(point, residuals))
    point, cost, variance = min(fits, key=lambda fit: fit[1])
    misfit = max(1.0, cost / after.size)
    return Inrush(largest * math.exp(point[_STALL]), math.sqrt(variance * misfit))


def _fitted(point: Floats, residuals: Callable[[Floats], Floats]) -> tuple[Floats, float, float]:
    """The best point, its cost, and the variance of the stall current's logarithm there."""
    moves = np.concatenate([np.zeros((1, point.size)), np.diag(_CHANGE)])

    def off(at: Floats) -> Floats:
        return residuals(at[None])[:, 0]

    def slope(at: Floats) -> Floats:
        around = residuals(at + moves)
        return np.asarray((around[:, 1:] - around[:, :1]) / _CHANGE)

    fit = optimize.least_squares(off, point, slope, method="lm", x_scale=_CHANGE, ftol=_ENOUGH)
    found = slope(fit.x)
    return fit.x, 2.0 * float(fit.cost), float(np.linalg.inv(found.T @ found)[_STALL, _STALL])


def _current(points: Floats, after: Floats, sections: Floats) -> Floats:
    """Of starters with these unknowns, shape (points, unknowns), at times after the first rise, shape (times, points)."""
    stall, lag, m, stiff, light, held = np.exp(points[:, :_ON].T)
    idle = math.ceil(2 * _BEFORE_S / _STEP_S)
    steps = idle + math.ceil((float(after[-1]) + 2 * _BEFORE_S) / _STEP_S)
    found = np.zeros((steps + 1, len(points)))
    i, u, s, w = (np.zeros(len(points)) for _ in range(4))
    by_circuit, by_rotor = _STEP_S / lag, _STEP_S / m
    # Current and rotor by the implicit Euler rule, so that neither a quick circuit nor a light rotor makes it unstable.
    whole = 1.0 / (1.0 + by_circuit + by_circuit * by_rotor)
    for k in range(idle, steps):
        turns = u - by_rotor * stiff * s
        i = (i + by_circuit * (stall - turns)) * whole
        u = turns + by_rotor * i
        s = np.maximum(s + _STEP_S * (u - w), 0.0)
        w = np.maximum(w + _STEP_S * light * (stiff * s - held * stall), 0.0)
        found[k + 1] = i
    found = signal.sosfiltfilt(sections, found, axis=0)
    at = idle + (after[:, None] - points[:, _ON]) / _STEP_S
    first = np.clip(np.floor(at).astype(np.intp), 0, steps - 1)
    part = np.clip(at - first, 0.0, 1.0)
    which = np.arange(len(points))
    return np.asarray(found[first, which] * (1.0 - part) + found[first + 1, which] * part)
