"""What the fitted set-up does to each cylinder, and what healthy engines of this kind show: from many
simulated engines to ranges, narrowed by what one recording shows of its own engine.

Each draw is one engine that fits the set-up, cranked with what is fitted and without (`simulated_draws.py`). What
the set-up does to a cylinder is the difference of its deviation between the two; that the unfitted ones are not
quite even is what healthy engines show.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import cast

import numpy as np
from scipy import stats

from .balance import EVEN_MARGIN_PERCENT
from .blocks import Bools, Floats
from .messages import Comparison, Normal, Predicted
from .setup import Setup

Key = tuple[str, str]
"""Probe and feature."""

LEAST_DRAWS = 12
"""With fewer engines that could be simulated nothing is stated."""
_COVERAGE = 0.95
_MODEL_SHARE = 0.2
_MODEL_LEAST = 0.3
"""What another model of the same engine makes of an effect: off by this share of it where it is large, and by this much, in
per cent of the pulse, where it is small (standard deviations; judged from what tests/bench/bench_setup_effects.py shows)."""
_NORMAL_SHARE = 1.4
"""Another model, or another maker's production, scatters its healthy cylinders this much more (judged likewise)."""
_ABSURD = 10.0
"""Robust standard deviations beyond which a draw is left out."""
_LARGEST_SCORE = 2.5
"""A recording further than this from the simulated engines, in standard deviations, is treated as that far off."""

PHYSICS_NORMAL = "physics: simulated healthy engines of this kind"


@dataclass(frozen=True, slots=True)
class Sight:
    """One thing that a recording shows of its engine, beside each cylinder's deviation.

    error: how far the same engine could read otherwise on a real test bench, one standard deviation; what is
    less well known narrows less. logarithmic: compared as the logarithm.
    """

    error: float
    logarithmic: bool


# The errors are judgements, no measurements: a probe's scale is good to a fifth, what
# a friction law or a valve's profile changes of a shape is some degrees.
_SPEED = Sight(0.03, logarithmic=True)
_SWING = Sight(0.12, logarithmic=True)
_ANGLE = Sight(3.0, logarithmic=False)
_SIZE = Sight(0.25, logarithmic=True)
_PRESSURE = Sight(0.10, logarithmic=True)
_PENALTIES = (0.0, 0.05, 0.15, 0.5, 1.5, 5.0)
"""What is tried against slopes that only the draws' chance makes: added to each covariate's variance, that of the
draws being 1."""


@dataclass(frozen=True, slots=True)
class SeenSize:
    value: float
    sight: Sight


@dataclass(frozen=True)
class Seen:
    """What a recording shows of its engine.

    rpm: mean cranking speed. swings: see `CrankReading`. sizes, angles: mean over all cylinders of a
    feature, in the probe's unit or degrees; of a battery or starter that is how far voltage sags and current rises
    with each compression.
    angle_uncertainty_deg: of the crank angle, 95 %; None where it is not known.
    """

    rpm: float | None
    swings: Mapping[str, float]
    sizes: Mapping[Key, SeenSize]
    angles: Mapping[Key, float]
    angle_uncertainty_deg: float | None


@dataclass(frozen=True)
class Prediction:
    """Readings of simulated engines, D of them.

    cylinders: of each probe, those it shows, in firing order: the columns of `fitted` and `bare`.
    fitted, bare: for each probe and feature, (D, columns): values with what the set-up fits, and without;
    NaN where nothing was found. Where nothing is fitted, `fitted` is empty.
    rpm: (D,) and swings: (D,) for each probe, of the cranks as the set-up describes them.
    relative: the keys whose deviations are per cent; those of the others are degrees.
    """

    cylinders: dict[str, tuple[int, ...]]
    fitted: dict[Key, Floats]
    bare: dict[Key, Floats]
    rpm: Floats
    swings: dict[str, Floats]
    relative: frozenset[Key]
    scaled: frozenset[str]
    """Probes whose unit is known, so that a size can be compared."""
    _said: dict[object, object] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Ranges by the priors: the same questions come with every cycle."""

    @property
    def described(self) -> dict[Key, Floats]:
        """Values of the cranks as the set-up describes them."""
        return self.fitted or self.bare

    def knows(self, key: Key) -> bool:
        """Whether anything is stated about this probe and feature."""
        return key in self.bare and self.bare[key].shape[1] >= 2

    def effects(self, key: Key, reference: Sequence[int]) -> Floats | None:
        """(draws, columns) what is fitted does to the deviations, per cent or degrees; None: nothing fitted."""
        if key not in self.fitted:
            return None
        relative = key in self.relative
        with_it = _deviations(self.fitted[key], reference, relative=relative)
        return with_it - _deviations(self.bare[key], reference, relative=relative)

    def predicted(
        self, key: Key, reference: Sequence[int], seen: Seen | None = None
    ) -> dict[int, Predicted] | None:
        """By cylinder, the deviation that what is fitted makes, with its 95 % range; without those that it leaves
        no pulse (`silent`).

        reference: columns whose mean is 100 per cent. seen: what narrows the range; None leaves it at the
        priors'. None: nothing is fitted, or nothing can be stated.
        """
        if seen is None:
            asked = ("predicted", key, tuple(reference))
            if asked not in self._said:
                self._said[asked] = self._predicted(key, reference, None)
            return cast("dict[int, Predicted] | None", self._said[asked])
        return self._predicted(key, reference, seen)

    def _predicted(
        self, key: Key, reference: Sequence[int], seen: Seen | None
    ) -> dict[int, Predicted] | None:
        effects = self.effects(key, reference)
        if effects is None or effects.shape[1] < 2:
            return None
        silent = self.silent(key)
        heard = [k for k, c in enumerate(self.cylinders[key[0]]) if c not in silent]
        usable: Bools = _ordinary(effects[:, heard]) & np.isfinite(self.rpm)
        if usable.sum() < LEAST_DRAWS:
            return None
        scores, at, errors = self._scores(seen, usable)
        out = {}
        for column in heard:
            cylinder = self.cylinders[key[0]][column]
            drawn = effects[usable, column]
            bend = _bend(drawn)
            middle, deviation, freedom = _conditional(np.arcsinh(drawn / bend), scores, at, errors)
            most = bend * math.sinh(middle)
            model = math.hypot(_MODEL_SHARE * most, _MODEL_LEAST) / math.hypot(most, bend)
            reach = float(stats.t.ppf(0.5 + _COVERAGE / 2, freedom)) * math.hypot(deviation, model)
            low, high = (bend * math.sinh(x) for x in (middle - reach, middle + reach))
            out[cylinder] = Predicted(deviation=most, low=low, high=high)
        return out

    def normal(self, key: Key, reference: Sequence[int]) -> dict[int, Normal] | None:
        """By cylinder, within what healthy engines of this kind lie: all their cylinders in 95 % of engines."""
        asked = ("normal", key, tuple(reference))
        if asked not in self._said:
            self._said[asked] = self._normal(key, reference)
        return cast("dict[int, Normal] | None", self._said[asked])

    def _normal(self, key: Key, reference: Sequence[int]) -> dict[int, Normal] | None:
        if not self.knows(key):
            return None
        deviations = _deviations(self.bare[key], reference, relative=key in self.relative)
        deviations = deviations[_ordinary(deviations)]
        draws, columns = deviations.shape
        if draws < LEAST_DRAWS:
            return None
        middles = deviations.mean(axis=0)
        spreads = deviations.std(axis=0, ddof=1)
        freedom = draws - 1
        if columns == len(self.cylinders[key[0]]) and _alike(deviations):
            # One cylinder is like another: what is known of all is known of each.
            middles = np.zeros(columns)
            spreads = np.full(columns, math.sqrt(float((spreads**2).mean())))
            freedom *= columns
        reach = _NORMAL_SHARE * float(stats.t.ppf(1 - (1 - _COVERAGE) / 2 / columns, freedom))
        return {
            cylinder: Normal(
                low=float(middle - reach * spread), high=float(middle + reach * spread), from_=PHYSICS_NORMAL
            )
            for cylinder, middle, spread in zip(self.cylinders[key[0]], middles, spreads, strict=True)
        }

    def silent(self, key: Key) -> frozenset[int]:
        """Cylinders that what is fitted leaves without such a pulse in at least half of the engines: behind an
        open plug hole nothing is drawn through the intake."""
        if key not in self.fitted:
            return frozenset()
        found = np.isfinite(self.fitted[key]).mean(axis=0)
        return frozenset(c for c, share in zip(self.cylinders[key[0]], found, strict=True) if share <= 0.5)

    def disturbed(self, key: Key, by_rule: Iterable[int]) -> frozenset[int]:
        """Cylinders that what is fitted may alter: those by rule, and those whose prediction reaches beyond
        half the even margin against the mean of all that are not disturbed.

        One by one, the furthest first: against the mean of all a single large effect would seem to move
        every other cylinder the other way. Where fewer than two are left, all are disturbed. By the priors, so
        that a comparison's reference is the same live and afterwards.
        """
        asked = ("disturbed", key, frozenset(by_rule))
        if asked not in self._said:
            self._said[asked] = self._disturbed(key, by_rule)
        return cast("frozenset[int]", self._said[asked])

    def _disturbed(self, key: Key, by_rule: Iterable[int]) -> frozenset[int]:
        out = set(by_rule)
        if not self.knows(key):
            return frozenset(out)
        out |= self.silent(key)
        if key not in self.relative:
            return frozenset(out)
        cylinders = self.cylinders[key[0]]
        while True:
            clean = [k for k, c in enumerate(cylinders) if c not in out]
            if len(clean) < 2:
                return frozenset(cylinders)
            predicted = self.predicted(key, clean)
            if predicted is None:
                return frozenset(out)
            reach = {
                cylinders[k]: max(-predicted[cylinders[k]].low, predicted[cylinders[k]].high) for k in clean
            }
            furthest = max(reach, key=reach.__getitem__)
            if reach[furthest] <= EVEN_MARGIN_PERCENT / 2:
                return frozenset(out)
            out.add(furthest)

    # --- narrowing ------------------------------------------------------------------------------------

    def _scores(self, seen: Seen | None, usable: Bools) -> tuple[Floats, Floats, Floats]:
        """What the draws show, what the recording shows, both in standard deviations of the draws about
        their mean, and the error of each: (draws, k), (k,), (k,)."""
        columns, at, errors = [], [], []
        for drawn, value, sight, error in self._sights(seen) if seen is not None else ():
            x = drawn[usable]
            if sight.logarithmic:
                if not (value > 0 and (x > 0).all()):
                    continue
                x, value = np.log(x), math.log(value)
            deviation = float(x.std(ddof=1))
            if not (np.isfinite(x).all() and math.isfinite(value) and deviation > 0):
                continue
            mean = float(x.mean())
            columns.append((x - mean) / deviation)
            at.append(float(np.clip((value - mean) / deviation, -_LARGEST_SCORE, _LARGEST_SCORE)))
            errors.append(error / deviation)
        scores = np.column_stack(columns) if columns else np.empty((int(usable.sum()), 0))
        return scores, np.asarray(at), np.asarray(errors)

    def _sights(self, seen: Seen) -> Iterable[tuple[Floats, float, Sight, float]]:
        if seen.rpm is not None:
            yield self.rpm, seen.rpm, _SPEED, _SPEED.error
        for probe, swing in seen.swings.items():
            if probe in self.swings:
                yield self.swings[probe], swing, _SWING, _SWING.error
        for key, size in seen.sizes.items():
            if key in self.described and key[0] in self.scaled:
                yield self.described[key].mean(axis=1), size.value, size.sight, size.sight.error
        if seen.angle_uncertainty_deg is not None:
            error = math.hypot(_ANGLE.error, seen.angle_uncertainty_deg / 2)
            for key, angle in seen.angles.items():
                if key in self.described:
                    yield self.described[key].mean(axis=1), angle, _ANGLE, error


def seen_of(
    comparisons: Sequence[Comparison],
    rpm: float | None,
    swings: Mapping[str, float],
    angle_uncertainty_deg: float | None,
) -> Seen:
    """What a recording's own comparisons of cranking show of its engine."""
    sizes: dict[Key, SeenSize] = {}
    angles: dict[Key, float] = {}
    for comparison in comparisons:
        values = [c.value for c in comparison.cylinders]
        if comparison.stretch != "cranking" or any(v is None for v in values):
            continue
        mean = float(np.mean([v for v in values if v is not None]))
        key = (comparison.probe, comparison.feature)
        if (comparison.role, comparison.feature) in _SIZES:
            sizes[key] = SeenSize(mean, _SIZES[comparison.role, comparison.feature])
        elif comparison.feature in _ANGLES.get(comparison.role, ()):
            angles[key] = mean
    return Seen(rpm, dict(swings), sizes, angles, angle_uncertainty_deg)


_SIZES = {
    ("intake_pulse", "drop"): _SIZE,
    ("manifold_pressure", "drop"): _SIZE,
    ("exhaust_pulse", "rise"): _SIZE,
    ("cylinder_pressure", "peak"): _PRESSURE,
    ("starter_current", "compression"): _SIZE,
    ("battery_voltage", "compression"): _SIZE,
    ("crank_teeth", "compression"): _SWING,  # a wheel's scale is its teeth
}
_ANGLES = {
    "intake_pulse": ("steepest_deg", "width_deg"),
    "manifold_pressure": ("steepest_deg", "width_deg"),
    "exhaust_pulse": ("steepest_deg",),
}


def fits(setup: Setup) -> bool:
    """Whether the physics can say anything of this test: they crank, and do not idle."""
    return setup.conditions.mode == "cranking"


def _deviations(values: Floats, reference: Sequence[int], *, relative: bool) -> Floats:
    """(draws, columns) per cent of the reference columns' mean, or the difference to it."""
    level = values[:, list(reference)].mean(axis=1, keepdims=True)
    if not relative:
        return np.asarray(values - level)
    return np.asarray(100.0 * (values / np.where(level > 0, level, np.nan) - 1.0))


def _ordinary(rows: Floats) -> Bools:
    """(draws,) whether all of a draw's values were found and none lies absurdly far from the other draws': an engine
    that all but stops at each TDC is no crank that anybody records, and one such draw would make every range."""
    found = np.isfinite(rows)
    kept: Bools = np.asarray(found.all(axis=1))
    if not kept.any():
        return kept
    middle = np.median(rows[kept], axis=0)
    # 1.4826: from the median absolute deviation to a normal law's standard deviation (textbooks).
    spread = 1.4826 * np.median(np.abs(rows[kept] - middle), axis=0)
    reach = _ABSURD * np.maximum(spread, _MODEL_LEAST)
    near = np.abs(np.where(found, rows, 0.0) - middle) <= reach
    return np.asarray(kept & near.all(axis=1))


def _bend(drawn: Floats) -> float:
    """Effects are handled as arsinh(effect / this): below it much as they are, above it much as their logarithm, sign
    kept.

    Inertia, leak and plenum multiply an effect: its draws lie unevenly about their middle, far out on the side of the large
    ones, and evenly on this scale. A normal law of the effects themselves would reach as far to the other sign; with a
    smaller bend than twice the usual effect, ranges of large ones reach out to what no engine shows.
    """
    return max(_MODEL_LEAST / _MODEL_SHARE, 2.0 * abs(float(np.median(drawn))))


def _alike(deviations: Floats) -> bool:
    """Whether the columns differ no more in their means than chance makes them, with a wide margin."""
    draws = deviations.shape[0]
    error = deviations.std(axis=0, ddof=1) / math.sqrt(draws)
    return bool((np.abs(deviations.mean(axis=0)) <= 4.0 * error + 1e-9).all())


def _conditional(effect: Floats, scores: Floats, at: Floats, errors: Floats) -> tuple[float, float, float]:
    """Mean, standard deviation and degrees of freedom of an effect where the scores are `at`, give or
    take `errors`.

    Regression on covariates that are themselves known with an error (Fuller, Measurement Error
    Models, 1987, section 1.6.3, prediction; from memory): their error is added to their variance, which
    shrinks the slopes. So that slopes of chance do not widen what they should narrow, they are shrunk further
    (Hoerl and Kennard, Ridge Regression, Technometrics 12, 1970; from memory) by whatever predicts best each
    draw that is left out (Allen's PRESS, Technometrics 16, 1974; from memory); if nothing does better, the
    priors' mean stands.
    """
    draws, k = scores.shape
    mean = float(effect.mean())
    prior = float(effect.var(ddof=1))
    best = prior * draws / (draws - 1)  # each draw left out, by the mean of the others: arithmetic
    out = mean, math.sqrt(prior * (1 + 1 / draws)), float(draws - 1)
    for penalty in _PENALTIES if k else ():
        gram = scores.T @ scores + np.diag(draws * (errors**2 + penalty))
        weights = np.linalg.solve(gram, scores.T)  # (k, draws)
        slope = weights @ (effect - mean)
        leverage = 1 / draws + np.einsum("ij,ji->i", scores, weights)
        left_out = (effect - mean - scores @ slope) / np.maximum(1 - leverage, 0.05)
        missed = float((left_out**2).mean())
        doubt = float((slope * errors) @ (slope * errors))
        if missed + doubt < best:
            best = missed + doubt
            own = 1 / draws + float(at @ np.linalg.solve(gram, at))
            freedom = max(draws - float(leverage.sum()), 3.0)
            out = mean + float(at @ slope), math.sqrt(missed * (1 + own) + doubt), freedom
    return out
