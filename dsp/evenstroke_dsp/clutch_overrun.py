"""By how much the crank runs ahead of the starter's rotor, which an overrunning clutch lets it do.

Current tells the rotor's speed. After a TDC the gas drives the crank on; where the rotor cannot follow, the clutch lets go,
the rotor goes by the motor alone, its current falling with the motor's own time constant, and takes the crank on again when
that has slowed down. The wound-up clutch and shaft add a few degrees while they hold.

With w the crank's speed, v the rotor's (as at the crank), s the wind-up, and all torques over the crank's inertia J:

    dw/dt = a G(x) - f + T        crank; a = p0 swept / J, G the gas torque (`gas_torque.py`), f friction
    dv/dt = (v0 - v) / m - T / r  rotor; v0 its speed without load, m its time constant, r its inertia over J
    T = max(k s + d (v - w), 0)   clutch: it pushes and never pulls
    current = (v0 + free - v) / g

None of these is known. They are fitted to the current of one interval between two syncs: nonlinear least squares (Levenberg
and Marquardt; W. Press and others, Numerical Recipes, section 15.5, from memory) from several starts, held by priors: what
starters and engines are like, so that what the current does not show stays where it usually is. What repeats wrongly in a model
is no evidence: every interval is fitted by itself, the last one's fit only its start.

The model is led by the data: its rotor is pulled toward the current's within _PULLED_S, so that a wrong torque costs some speed
for a moment and not the rest of the cycle, also where an engine nearly stops before a TDC. The crank is pulled too while the
current shows that the clutch holds.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG
from .gas_torque import STEPS, gas_torque
from .setup import Engine

_STEP_S = 0.003
_EVERY = 2  # steps from one residual to the next
_PULLED_S = 0.02
_DAMPING_S = 60.0
"""Of the clutch over the crank's inertia, per second (common practice, no source)."""
_FREE = 0.03
"""Current of a starter that turns nothing, over the mean one: its own friction (common practice, no source)."""
_HOLDS = 0.5
"""The clutch surely holds where the current says that it carries so much of the mean load."""

_LIKE_RPM = 190.0
_GAS_PER_CYLINDER, _GAS_ALWAYS, _GAS_SPREAD = 0.53, 1.2, 0.3
"""Speed that the gas torque's unit costs a starter: its speed without load over (always + so much for each cylinder), standard
deviation of the logarithm: starters are matched to what they turn. Fitted to 300 draws of `physics.parameters_for` for each
of twins to eights (medians within 2 %, standard deviation 0.17), and widened. Of the same draws, below: a times the cylinders
has medians of 840 to 1200 and 0.37, k 12000 to 38000 and 0.8. Friction and what is lost: from 20 simulated cranks."""
_LIGHT, _LIGHT_SPREAD = 1000.0, 0.45  # a times the cylinders, 1/s2
_FRICTION, _FRICTION_SPREAD = 0.45, 0.3  # over the mean load
_CONSTANT_SPREAD = 0.4  # of m about what the steepest fall shows
_LOST, _LOST_SPREAD = 0.42, 0.06
_STIFF, _STIFF_SPREAD = 22000.0, 0.9  # k, 1/s2
_SCATTER = 0.10  # of the cylinders, in gas torque
_LEVEL_SPREAD = 0.15  # of v0 over the mean speed
_START_SPREAD = 0.05
_BEFORE_SPREAD = 0.3

_MISFIT = 0.05
"""What the model's current is off, over the mean load, every 6 ms as if independent; a residual beyond _ROBUST of it counts
little more: near a standstill, what leaks meanwhile is not in the model."""
_ROBUST = 1.5
_CLOSES_DEG = 2.0
_TRIES = (0.03, 1.0, 30.0, 1000.0)
_STARTS, _FIRST_ROUNDS, _ROUNDS = 3, 12, 3
_SEARCH_FIRST, _SEARCHES = 3, 6
_ENOUGH, _LITTLE = 0.01, 0.3
_UNBELIEVABLE = 0.7
"""Misfit from which on the lead is not believed: of 12 cycles of twins that all but stop before TDC and bore it, the worst were
off twice as far with the lead as without; below it, every kind of engine gained by the lead."""
_FARTHEST = 5.0  # standard deviations of the prior that a fit may go
_BAD = 0.5  # cost per residual from which on other starts are worth a try
_FALLS_DEEPEST = 0.2  # of the mean load: below, its relative fall is noise
_REMEMBERED = 40  # intervals
_FALL_S, _FALLS_S = 0.018, (0.002, 1.0)  # where nothing fell; and what can be
_STEEPEST = 0.05  # of the samples fall steeper than what is taken

_GAS, _A, _F, _M, _V0, _GAIN, _X0, _W0, _LOSS, _K, _EACH = range(11)
"""Where each unknown stands; logarithms, but for v0, both starting values and the share lost. From _EACH on: cylinders."""


@dataclass(frozen=True, slots=True)
class Lead:
    """times: seconds, shape (samples,), from one sync to the next; rate: degrees per second by which the crank is faster than the
    rotor, same shape. gain: degrees per second that a unit of load costs, as the fit has it."""

    times: Floats
    rate: Floats
    gain: float


class ClutchOverrun:
    """Feeds on intervals in order of time. firing_deg: each cylinder's firing TDC, degrees after the sync, in firing order.
    offset_doubt_deg: by how much the sync itself may lie elsewhere, half a 95 % interval, either way."""

    def __init__(self, engine: Engine, firing_deg: Floats, offset_doubt_deg: float) -> None:
        whole, lost = gas_torque(engine)
        grid = CYCLE_DEG / STEPS * np.arange(STEPS)
        self._whole, self._lost = (
            np.array([np.interp((grid - f) % CYCLE_DEG, grid, one, period=CYCLE_DEG) for f in firing_deg])
            for one in (whole, lost)
        )
        self._cylinders = len(firing_deg)
        self._doubt = math.radians(offset_doubt_deg) / 1.96
        self.begin()

    def begin(self) -> None:
        """A turning begins."""
        self._falls: deque[tuple[int, Floats]] = deque(maxlen=_REMEMBERED)
        self._last: list[tuple[Floats, float, float]] = []
        self._seen = self._searched = 0

    def steepest_fall_s(self, load: Floats, slope: Floats, mean: float) -> float:
        """Seconds in which the load would fall by a factor e where it fell fastest so far: a starter's own time constant wherever
        its clutch let go, and longer than any that coupled rotors show."""
        deep = load > _FALLS_DEEPEST * mean
        falls = -slope[deep] / (load[deep] - _FREE * mean)
        self._falls.append((load.size, np.sort(falls[falls > 0])[-max(1, load.size // 4) :]))
        fastest = np.sort(np.concatenate([f for _, f in self._falls]))
        if not fastest.size:
            return _FALL_S
        beyond = int(_STEEPEST * sum(size for size, _ in self._falls))
        return float(np.clip(1.0 / fastest[max(0, fastest.size - 1 - beyond)], *_FALLS_S))

    def between(
        self, t: Floats, load: Floats, t0: float, t1: float, deg: float, gain: float, gain_spread: float
    ) -> Lead | None:
        """How the crank led the rotor from the sync at t0 to the one at t1, `deg` degrees later.

        t, load: seconds and current above rest, shape (samples,), evenly spaced, from t0 or a moment before it at which the
        clutch holds. gain: degrees per second that a unit of load costs; gain_spread: standard deviation of its logarithm.
        None where no fit is to be believed.
        """
        fit = _Fit(self, t, load, t0, t1, math.radians(deg), math.radians(gain), gain_spread)
        best, cost = None, math.inf
        if self._last:
            best, cost = fit.improved(np.array([fit.like(*one) for one in self._last]), _ROUNDS)
        self._seen += 1
        bad = cost > _BAD * fit.residuals and self._searched < _SEARCHES
        if self._seen <= _SEARCH_FIRST or bad:
            self._searched += 1
            other, its = fit.improved(fit.starts(), _FIRST_ROUNDS)
            if its < cost:
                best, cost = other, its
        if best is None or not math.isfinite(cost):
            return None
        misfit = cost / fit.residuals
        now = best, fit.usual[_V0], misfit
        kept = min([*self._last, now], key=lambda one: one[2])
        self._last = [now] if kept is now else [now, kept]
        return fit.lead(best) if misfit < _UNBELIEVABLE else None


class _Fit:
    """One interval's unknowns, fitted to its current. Points: shape (points, unknowns)."""

    def __init__(
        self,
        of: ClutchOverrun,
        t: Floats,
        load: Floats,
        t0: float,
        t1: float,
        angle: float,
        gain: float,
        gain_spread: float,
    ) -> None:
        self._torque = of._whole, of._lost
        n = of._cylinders
        steps = math.ceil((t1 - t[0]) / _STEP_S)
        self._dt = (t1 - t[0]) / steps
        self._t = t[0] + self._dt * np.arange(steps + 1)
        self._load = np.interp(self._t, t, load)
        self._angle, self._before = angle, t0 - t[0]
        inside = t >= t0
        mean = float(np.trapezoid(load[inside], t[inside])) / (t[-1] - t0)
        self._mean, self._free = mean, _FREE * mean
        speed = angle / (t1 - t0)
        fall_s = of.steepest_fall_s(load[inside], np.gradient(load, t)[inside], mean)
        carried = self._load - self._free + fall_s * np.gradient(self._load, self._dt)
        self._holds = (carried > _HOLDS * mean).tolist()
        level = speed + gain * mean
        usual, spread, step = (np.full(_EACH + n, x) for x in (0.0, _SCATTER, 0.02))
        for which, middle, deviation in (
            (_GAS, math.log(level / (_GAS_ALWAYS + _GAS_PER_CYLINDER * n)), _GAS_SPREAD),
            (_A, math.log(_LIGHT / n), _LIGHT_SPREAD),
            (_F, math.log(_FRICTION * mean), _FRICTION_SPREAD),
            (_M, math.log(fall_s), _CONSTANT_SPREAD),
            (_V0, level, _LEVEL_SPREAD * speed),
            (_GAIN, math.log(gain), gain_spread),
            (_X0, -speed * self._before, math.hypot(0.05 + _BEFORE_SPREAD * speed * self._before, of._doubt)),
            (_W0, max(level - gain * float(self._load[0]), 0.1 * speed), _START_SPREAD * speed),
            (_LOSS, _LOST * math.sqrt(_LIKE_RPM * math.pi / 30.0 / speed), _LOST_SPREAD),
            (_K, math.log(_STIFF), _STIFF_SPREAD),
        ):
            usual[which], spread[which] = middle, deviation
        step[[_V0, _W0]], step[_K] = 0.01 * speed, 0.1
        self.usual, self._spread, self._step, self._speed = usual, spread, step, speed
        self._closes = math.radians(_CLOSES_DEG)
        self._begins = math.hypot(self._closes, of._doubt)
        self.residuals = len(self._load[::_EVERY])

    def like(self, point: Floats, usual_level: float, _: float) -> Floats:
        """Another interval's point, with this one's level and beginning."""
        found = point.copy()
        found[[_X0, _W0]] = self.usual[[_X0, _W0]]
        found[_V0] += self.usual[_V0] - usual_level
        return found

    def starts(self) -> Floats:
        """A few points that fit best out of many, and differ."""
        tried = []
        steps = (
            (-0.25, 0.25),
            (-0.6, -0.2, 0.2, 0.6),
            (-0.2, 0.2),
            (-0.3, 0.3),
            (-0.7, 0.7),
            (0.0, -0.06, -0.12),
        )
        for gas, light, friction, constant, gain, level in itertools.product(*steps):
            point = self.usual.copy()
            point[[_GAS, _A, _F, _M, _GAIN]] += gas, light, friction, constant, gain
            point[_V0] += level * self._speed
            tried.append(point)
        points = np.array(tried)
        order = np.argsort(self._cost(self._residuals(points)))
        taken = [int(order[0])]
        far = np.array([1.0, 1.0, 0.12 * self._speed])
        for k in order[1:].tolist():
            away = np.abs(points[taken] - points[k])[:, [_GAS, _A, _V0]] / far
            if len(taken) < _STARTS and (away.max(axis=1) > 0.45).all():
                taken.append(k)
        return points[taken]

    def improved(self, points: Floats, rounds: int) -> tuple[Floats, float]:
        """The best point that so many rounds lead to from any of these, and its cost."""
        points = points.copy()
        starts, unknowns = points.shape
        damping, far = np.full(starts, 0.01), _FARTHEST * self._spread
        moves = np.concatenate([np.zeros((1, unknowns)), np.diag(self._step)])
        costs = np.full(starts, math.inf)
        for _ in range(rounds):
            around = (points[None] + moves[:, None]).reshape(-1, unknowns)
            residuals = self._residuals(around)
            residuals = residuals.reshape(residuals.shape[0], unknowns + 1, starts)
            costs = self._cost(residuals[:, 0])
            tried = []
            for k in range(starts):
                slope = (residuals[:, 1:, k] - residuals[:, :1, k]) / self._step
                square, down = slope.T @ slope, slope.T @ residuals[:, 0, k]
                for share in _TRIES:
                    damped = square + damping[k] * share * np.diag(np.diag(square))
                    tried.append(points[k] - np.linalg.solve(damped, down))
            found = np.clip(np.array(tried), self.usual - far, self.usual + far)
            their = self._cost(self._residuals(found)).reshape(starts, -1)
            best = their.argmin(axis=1)
            gained = costs - their[np.arange(starts), best]
            for k in range(starts):
                if gained[k] > 0:
                    points[k], costs[k] = found[len(_TRIES) * k + best[k]], their[k, best[k]]
                    damping[k] = min(max(damping[k] * _TRIES[best[k]], 1e-4), 1e4)
                else:
                    damping[k] *= _TRIES[2]
            if gained.max() < max(_ENOUGH * float(costs.min()), _LITTLE):
                break
        k = int(costs.argmin())
        return points[k], float(costs[k])

    def lead(self, point: Floats) -> Lead:
        _, (_, crank, rotor) = self._residuals_and_course(point[None, :])
        gain = math.degrees(math.exp(point[_GAIN]))
        return Lead(self._t, np.degrees((crank - rotor)[:, 0]), gain)

    def _cost(self, residuals: Floats) -> Floats:
        return np.asarray(np.nan_to_num((residuals**2).sum(axis=0), nan=np.inf))

    def _residuals(self, points: Floats) -> Floats:
        return self._residuals_and_course(points)[0]

    def _residuals_and_course(self, points: Floats) -> tuple[Floats, tuple[Floats, Floats, Floats]]:
        """Shape (residuals, points); and each point's angle and speeds of crank and rotor, radians a second, (steps, points)."""
        angle, crank, rotor = self._turned(points)
        off = (points[:, _V0] - rotor[::_EVERY]) / np.exp(points[:, _GAIN]) - self._load[::_EVERY, None]
        off /= _MISFIT * self._mean
        off /= np.sqrt(1.0 + (off / _ROBUST) ** 2)
        k = min(int(self._before / self._dt), angle.shape[0] - 2)
        begins = angle[k] + (self._before - k * self._dt) * crank[k]
        ends = [(angle[-1] - begins - self._angle) / self._closes, begins / self._begins]
        prior = ((points - self.usual) / self._spread).T
        return np.concatenate([off, ends, prior]), (angle, crank, rotor)

    def _turned(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        dt, size = self._dt, len(points)
        unit, gain, constant = np.exp(points[:, _A]), np.exp(points[:, _GAIN]), np.exp(points[:, _M])
        both = np.exp(points[:, _GAS]) / unit  # of the crank and the motor, seconds
        friction = np.exp(points[:, _F]) * gain / both
        share = np.exp(points[:, _EACH:])
        whole, lost = self._torque
        gas = unit[:, None] * (share @ whole + points[:, _LOSS, None] * (share @ lost)) - friction[:, None]
        table = (dt * np.concatenate([gas, gas[:, :1]], axis=1)).ravel()
        first = (STEPS + 1) * np.arange(size)
        keeps = np.exp(-dt / constant)
        unloaded = points[:, _V0] - gain * self._free
        driven = unloaded * (1.0 - keeps)
        by_rotor = both * (
            1.0 - keeps
        )  # speed that the rotor loses to one unit of the clutch's torque in a step
        stiff = np.exp(points[:, _K])
        # The clutch's torque at the end of the step, so that no stiffness is too large for it.
        implicit = stiff * dt + _DAMPING_S
        whole_step = 1.0 / (1.0 + implicit * (dt + by_rotor))
        by_wind, by_slip = stiff * whole_step, implicit * whole_step
        pulled = 1.0 - math.exp(-dt / _PULLED_S)
        seen = points[:, _V0] - gain * self._load[:, None]
        angle, crank = points[:, _X0], np.maximum(points[:, _W0], 0.1)
        rotor = seen[0]
        wind = np.maximum(unloaded - rotor, 0.0) / both / stiff
        angles, cranks, rotors = (np.empty((len(self._load), size)) for _ in range(3))
        per_step = STEPS / math.radians(CYCLE_DEG)
        last = len(self._load) - 1
        for k in range(last + 1):
            angles[k], cranks[k], rotors[k] = angle, crank, rotor
            place = (angle * per_step) % STEPS
            at = place.astype(np.intp)
            place -= at
            at += first
            torque = table[at]
            before = crank
            crank = crank + torque + place * (table[at + 1] - torque)
            rotor = driven + keeps * rotor
            clutch = np.maximum(by_wind * wind + by_slip * (rotor - crank), 0.0)
            rotor = rotor - by_rotor * clutch
            shown = seen[min(k + 1, last)]
            off = pulled * (shown - rotor)
            rotor = rotor + off
            crank = crank + dt * clutch
            crank = crank + (pulled * (shown - crank) if self._holds[k] else off * (clutch > 0))
            crank = np.maximum(crank, 0.0)
            wind = np.maximum(wind + dt * (rotor - crank), 0.0)
            angle = angle + dt * 0.5 * (before + crank)
        return angles, cranks, rotors
