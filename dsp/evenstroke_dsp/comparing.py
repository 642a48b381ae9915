"""Two cranks of one engine: are they like for like, what differs from one to the other, and what did the set-up make?

Plain functions of two judgements and their set-ups. What is not alike is not subtracted.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Literal

import msgspec
import numpy as np
from scipy import stats

from .balance import ALPHA, EVEN_MARGIN_PERCENT
from .conditioning import THINNED_HZ
from .crank_scatter import NO_SCATTER, crank_scatter
from .disturbance import altered
from .findings import effect_words, fitted_words, removal, settle_words
from .messages import Comparison, CylinderBalance, Judgement, Predicted, SourceInfo
from .names import pulse_name
from .setup import DEFAULT_LOWPASS_HZ, Conditions, Probe, Setup
from .wording import listed

Matters = Literal["no", "somewhat", "prevents", "the point"]

_SPEED_NOTED, _SPEED_PREVENTS = 0.03, 0.15
"""Share by which mean speeds may differ: pulses follow the speed, and so does what inertia carries (common
practice, no source)."""
_TEMPERATURE_NOTED_K = 10.0
_CORNER_RATIO = 1.1
_ELECTRIC = frozenset({"starter_current", "battery_voltage", "crank_teeth"})
_THROTTLED = frozenset({"intake_pulse", "manifold_pressure"})
_FEWEST_TELLING = 3
"""Pulses from whose differences it is told how much one crank differs from the next: with two, one difference alone would
have to tell (Student's t of 1 degree of freedom is 12.7)."""
_NOTHING = Predicted(deviation=0.0, low=0.0, high=0.0)
_DEVIATIONS_A_RANGE = 2 * float(stats.norm.ppf(0.975))
"""Standard deviations from one end of a 95 % range to the other."""


class _Part(msgspec.Struct, frozen=True, kw_only=True):
    pass


class Unlike(_Part, frozen=True, kw_only=True):
    """One thing in which the two cranks differ. probe: null where it concerns the whole crank."""

    what: str
    probe: str | None
    first: str
    second: str
    matters: Matters
    text: str


class CylinderChange(_Part, frozen=True, kw_only=True):
    """First less second, per cent (degrees for `_deg` features), of deviations against the same reference.

    low, high: 95 % interval, over all pulses of the feature at once; it holds what the cycles of both cranks scatter
    and, where the other pulses tell that (`between_cranks`), how much the same engine differs from one crank to the next.
    It is of two whole cranks, looked at once. verdict: `same` where it lies within the even margin, `changed` where it
    reaches beyond and excludes no change, else `undecided`; null for features without verdicts.
    predicted: what the physics say that the difference in what is fitted makes; null where they do not speak, or nothing
    differs.
    between_cranks: whether low and high hold it.
    """

    cylinder: int
    first: float
    second: float
    change: float
    low: float
    high: float
    verdict: Literal["changed", "same", "undecided"] | None
    predicted: Predicted | None
    between_cranks: bool


class FeatureChange(_Part, frozen=True, kw_only=True):
    """reference: the cylinders that nothing fitted touches, without one that stands out by having changed: as a part of
    the mean it would move all others. crank_to_crank: standard deviation by which the engine itself differs between the
    cranks, per cent or degrees, as pulses tell it beyond what their cycles scatter and what the physics foresee of what is
    fitted (as likely more as less); crank_to_crank_most: it is less with 95 % probability; telling: how many pulses tell,
    untouched: how many of the reference nothing fitted touches. Null where fewer than three tell.
    foreseen: whether the physics' prediction was taken off what they tell it by; without it the small effects that a hose
    has on every pulse count as the engine's."""

    probe: str
    role: str
    feature: str
    stretch: str
    unit: str
    reference: tuple[int, ...]
    crank_to_crank: float | None
    crank_to_crank_most: float | None
    untouched: int
    cylinders: tuple[CylinderChange, ...]
    telling: int
    foreseen: bool


class NotCompared(_Part, frozen=True, kw_only=True):
    probe: str
    feature: str | None
    because: str


class TwoCranks(_Part, frozen=True, kw_only=True):
    """What `evenstroke compare --json` prints."""

    schema: Literal["evenstroke.comparison/1"] = "evenstroke.comparison/1"
    first: SourceInfo
    second: SourceInfo
    unlike: tuple[Unlike, ...]
    changes: tuple[FeatureChange, ...]
    not_compared: tuple[NotCompared, ...]
    texts: tuple[str, ...]
    next_step: str


def compare(first: Judgement, first_setup: Setup, second: Judgement, second_setup: Setup) -> TwoCranks:
    """First and second crank, in the order in which they are given; the set-ups are those they were made with."""
    unlike = tuple(_unlike(first, first_setup, second, second_setup))
    whole = next(
        (u for u in unlike if u.probe is None and u.matters == "prevents" and u.what in _WHOLE), None
    )
    changes: list[FeatureChange] = []
    not_compared: list[NotCompared] = []
    if whole is not None:
        not_compared = [
            NotCompared(probe=p.name, feature=None, because=whole.text) for p in first_setup.probe
        ]
    else:
        others = {(c.probe, c.feature, c.stretch): c for c in second.comparisons}
        pairs: list[tuple[Comparison, Comparison]] = []
        for comparison in first.comparisons:
            other = others.get((comparison.probe, comparison.feature, comparison.stretch))
            reason = _reason(comparison, other, unlike)
            if reason is not None or other is None:
                not_compared.append(
                    NotCompared(probe=comparison.probe, feature=comparison.feature, because=reason or "")
                )
            else:
                pairs.append((comparison, other))
        changes = [_change(one, other, first_setup, second_setup) for one, other in pairs]
    texts = tuple(_texts(changes, first, second, first_setup, second_setup, whole))
    return TwoCranks(
        first=first.source,
        second=second.source,
        unlike=unlike,
        changes=tuple(c for c in changes if c.cylinders),
        not_compared=tuple(not_compared),
        texts=texts,
        next_step=_next_step(changes, first, second, first_setup, second_setup, unlike),
    )


# --- like for like ---------------------------------------------------------------------------------

_WHOLE = ("engine", "test", "judgement")
_ALIKE = {
    "engine": "Name two cranks of the same engine, or mend the firing order in one of the set-ups.",
    "test": "Compare two cranks, or two recordings at idle.",
    "judgement": "Then compare again, or compare with another crank.",
}
"""What to do about what concerns the whole crank, where that is not to crank once more alike."""
_ITSELF = "Both are the same recording, byte for byte, which cannot differ from itself: name two cranks."


def _unlike(a: Judgement, a_setup: Setup, b: Judgement, b_setup: Setup) -> Iterator[Unlike]:
    def differs(what: str, first: object, second: object, matters: Matters, text: str) -> Unlike:
        return Unlike(
            what=what, probe=None, first=_plain(first), second=_plain(second), matters=matters, text=text
        )

    if _is_itself(a, b):
        yield differs(
            "recording", a.source.file or "a stream", b.source.file or "a stream", "somewhat", _ITSELF
        )
    for number, judgement in (("first", a), ("second", b)):
        if judgement.refused is not None:
            first, second = ("judged" if j.refused is None else "refused" for j in (a, b))
            yield differs("judgement", first, second, "prevents", f"The {number} crank could not be judged.")
    if (a.engine.cylinders, a.engine.firing_order) != (b.engine.cylinders, b.engine.firing_order):
        yield differs("engine", a.engine.firing_order, b.engine.firing_order, "prevents",
                      "These are two different engines by their firing orders: nothing is subtracted.")  # fmt: skip
    elif _geometry(a_setup) != _geometry(b_setup):
        yield differs("engine data", _geometry(a_setup), _geometry(b_setup), "no",
                      "The set-ups describe the engine differently: mend one of them if it is the same engine.")  # fmt: skip
    ca, cb = a_setup.conditions, b_setup.conditions
    if ca.mode != cb.mode:
        yield differs("test", ca.mode, cb.mode, "prevents", "One is a crank and the other an idling engine.")
    if fitted_key(a_setup) != fitted_key(b_setup):
        yield differs("fitted", fitted_words(a_setup) or "nothing", fitted_words(b_setup) or "nothing", "the point",
                      "What is fitted differs: the difference between the cranks shows what it did.")  # fmt: skip
    if _open(ca) != _open(cb):
        yield differs("throttle", _throttle(ca), _throttle(cb), "prevents",
                      "An open throttle makes intake pulses far smaller and fills the cylinders more: pulses of the "
                      "intake are not subtracted.")  # fmt: skip
    if bool(ca.battery_support) != bool(cb.battery_support):
        yield differs("battery support", ca.battery_support, cb.battery_support, "prevents",
                      "A supported battery sags less: current, voltage and crank speed are not subtracted.")  # fmt: skip
    if _named(a) != _named(b):
        first, second = ("cylinders named" if _named(j) else "no single cylinder named" for j in (a, b))
        yield differs("names", first, second, "prevents", "Only one of the cranks says whose pulse is whose.")
    yield from _warmth(ca, cb)
    yield from _speeds(a, b)
    if a.engine == b.engine:
        yield from _probes(a_setup, b_setup)


def _named(judgement: Judgement) -> bool:
    """Whether it names cylinders; of one that is refused that is no matter."""
    balances = [x for c in judgement.comparisons for x in c.cylinders]
    return not balances or any(x.cylinder is not None for x in balances)


def _is_itself(a: Judgement, b: Judgement) -> bool:
    return a.source.sha256 is not None and a.source.sha256 == b.source.sha256


def _warmth(a: Conditions, b: Conditions) -> Iterator[Unlike]:
    first, second = a.engine_temperature_c, b.engine_temperature_c
    if first is None or second is None:
        if first != second:
            yield Unlike(what="temperature", probe=None, first=_plain(first), second=_plain(second), matters="somewhat",
                         text="One set-up does not say how warm the engine was: it matters if that differed.")  # fmt: skip
        return
    apart = abs(first - second)
    if apart > _TEMPERATURE_NOTED_K:
        yield Unlike(what="temperature", probe=None, first=f"{first:g} C", second=f"{second:g} C", matters="somewhat",
                     text=f"The engine was {apart:.0f} K warmer in one: oil, friction and speed differ; crank both at the "
                     "same warmth.")  # fmt: skip


def _speeds(a: Judgement, b: Judgement) -> Iterator[Unlike]:
    first, second = _rpm(a), _rpm(b)
    if first is None or second is None:
        return
    apart = abs(first / second - 1.0)
    if apart > _SPEED_NOTED:
        prevents = apart > _SPEED_PREVENTS
        yield Unlike(
            what="speed", probe=None, first=f"{first:.0f} rpm", second=f"{second:.0f} rpm",
            matters="prevents" if prevents else "somewhat",
            text=f"The mean speeds differ by {apart * 100:.0f} %: "
            + ("too much for pulses to be alike, so that nothing is subtracted; charge or rest the battery and crank again."
               if prevents else "per cent against the same cylinders suffer little from that."),
        )  # fmt: skip


def _probes(a: Setup, b: Setup) -> Iterator[Unlike]:
    others = {p.name: p for p in b.probe}
    for probe in a.probe:
        other = others.get(probe.name)
        if other is None:
            continue
        for what, first, second, matters, text in _probe_differences(a, probe, b, other):
            if first != second:
                yield Unlike(
                    what=what,
                    probe=probe.name,
                    first=_plain(first),
                    second=_plain(second),
                    matters=matters,
                    text=text,
                )
    rates = [s.acquisition.rate_hz for s in (a, b) if s.acquisition is not None]
    if len(rates) == 2 and rates[0] != rates[1]:
        slow = min(rates) < THINNED_HZ
        yield Unlike(what="sampling rate", probe=None, first=f"{rates[0]} Hz", second=f"{rates[1]} Hz",
                     matters="somewhat" if slow else "no",
                     text="Below 1000 Hz pulses are less well placed." if slow else "Both are fast enough.")  # fmt: skip


def _probe_differences(
    a: Setup, p: Probe, b: Setup, q: Probe
) -> Iterator[tuple[str, object, object, Matters, str]]:
    yield "role", p.role, q.role, "prevents", "The same name stands for two different probes."
    yield "place", p.place, q.place, "prevents", "At another place the same pulse has another size."
    yield (
        "cylinders heard",
        set(a.sees(p)),
        set(b.sees(q)),
        "prevents",
        "It does not hear the same cylinders.",
    )
    low, other = (
        p.lowpass_hz or DEFAULT_LOWPASS_HZ.get(p.role),
        q.lowpass_hz or DEFAULT_LOWPASS_HZ.get(q.role),
    )
    yield (
        "low-pass",
        low,
        other,
        "prevents",
        "Another filter makes another size; judge both with the same set-up.",
    )
    first, second = p.low_corner_hz, q.low_corner_hz
    if first and second and max(first, second) / min(first, second) <= _CORNER_RATIO:
        second = first
    yield (
        "low corner",
        first,
        second,
        "prevents",
        ("The probes' low corners differ: they distort the once-per-cycle rhythm differently."),
    )
    yield (
        "travel",
        p.travel_m,
        q.travel_m,
        "no",
        "The path changes when a pulse comes, hardly how large it is.",
    )
    yield "scale", p.volts_per_unit, q.volts_per_unit, "no", "Per cent do not depend on it."


def _unnamed(first: Collection[CylinderBalance], second: Collection[CylinderBalance]) -> str | None:
    """Why pulses cannot be compared by cylinder, and what to do; None where all are named in both."""
    bare = [any(c.cylinder is None for c in of) for of in (first, second)]
    if not any(bare):
        return None
    if all(bare):
        return (
            "cylinders are not named in either crank, and positions of one are not those of the other: record a sync on one "
            "cylinder, or tell evenstroke compare whose pulse comes first in each"
        )
    named, other = ("first", "second") if bare[1] else ("second", "first")
    return (
        f"cylinders are named in the {named} crank and not, or not singly, in the {other}: record a sync on one cylinder, once a "
        "cycle, in that too, or tell evenstroke compare whose pulse comes first in it"
    )


_SPOILT = {
    "dead": ("its signal is gone", "mend it and crank again"),
    "clipped": (
        "its signal is cut off at its end",
        "its pulses are larger than they read, so that a change cannot be told; do what is said there and crank again",
    ),
    "roles_doubtful": (
        "it may be swapped with another probe",
        "see which is in which pipe, mend the set-up, and judge that recording again",
    ),
}
"""By code of `because`: what spoils what is compared so that a change would be made up, and what to do."""


def _spoilt(comparison: Comparison, other: Comparison) -> str | None:
    """What makes a difference of these two say nothing, in which crank, and what to do; None where nothing does."""
    for code, (what, todo) in _SPOILT.items():
        where = [number for number, of in (("first", comparison), ("second", other)) if code in of.because]
        if where:
            return f"{what} in the {listed(where)} crank{'s' if len(where) > 1 else ''}: {todo}"
    return None


def _reason(comparison: Comparison, other: Comparison | None, unlike: Sequence[Unlike]) -> str | None:
    if other is None:
        return "the second crank has no such comparison"
    if unnamed := _unnamed(comparison.cylinders, other.cylinders):
        return unnamed
    if spoilt := _spoilt(comparison, other):
        return spoilt
    for u in unlike:
        if u.matters != "prevents":
            continue
        whole = u.probe is None and (
            u.what == "speed"
            or (u.what == "throttle" and comparison.role in _THROTTLED)
            or (u.what == "battery support" and comparison.role in _ELECTRIC)
        )
        if whole or u.probe == comparison.probe:
            return u.text
    return None


def fitted_key(setup: Setup) -> tuple[object, ...]:
    """What is fitted in plug holes, for telling two set-ups apart."""
    probes = [
        (p.cylinder, p.added_volume_cc, p.check_valve) for p in setup.probe if p.role == "cylinder_pressure"
    ]
    parts = [(f.cylinder, f.added_volume_cc, f.check_valve, f.plug_removed) for f in setup.fitted]
    return (*sorted(map(str, probes)), *sorted(map(str, parts)))


def _geometry(setup: Setup) -> tuple[object, ...]:
    e = setup.engine
    return (e.displacement_cc, e.compression_ratio, e.bore_mm, e.stroke_mm, e.rod_mm)


def _open(conditions: Conditions) -> bool:
    return conditions.throttle == "open" or conditions.fuel == "clear_flood"


def _throttle(conditions: Conditions) -> str:
    return "open" if _open(conditions) else conditions.throttle or "not said"


def _rpm(judgement: Judgement) -> float | None:
    cycles = sum(c.cycles for c in judgement.cranked)
    lasted = sum(c.to_s - c.from_s for c in judgement.cranked)
    return 120.0 * cycles / lasted if cycles and lasted > 0 else None


def _plain(value: object) -> str:
    if value is None:
        return "not said"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (set, frozenset, tuple)):
        return ", ".join(map(_plain, sorted(value) if isinstance(value, (set, frozenset)) else value))
    return f"{value:g}" if isinstance(value, float) else str(value)


# --- differences ---------------------------------------------------------------------------------


def _change(a: Comparison, b: Comparison, a_setup: Setup, b_setup: Setup) -> FeatureChange:
    """Deviations of both against the same cylinders: those that are disturbed in neither, and did not change.

    The intervals hold at once over the pulses of the feature (Bonferroni). What an unknown low corner does to pulses is in none
    of them: the same probe does it to both cranks. How much the engine differs from crank to crank the other pulses tell by
    what is left of their differences once what the physics foresee of the fitted parts is taken off, known as well as they
    know it; pulses that are touched tell only then.
    """
    first = {c.cylinder: c for c in a.cylinders if c.cylinder is not None and _known(c)}
    second = {c.cylinder: c for c in b.cylinders if c.cylinder is not None and _known(c)}
    both = [c for c in first if c in second]
    clean = [c for c in both if "disturbed" not in (first[c].trust, second[c].trust)]
    reference = clean if len(clean) >= 2 else both
    relative = a.unit == "percent"

    def against(cylinder: int) -> tuple[_Against, _Against]:
        return (
            _against(first, a, cylinder, reference, relative=relative),
            _against(second, b, cylinder, reference, relative=relative),
        )

    def differences(cylinders: Sequence[int]) -> dict[int, float]:
        return {c: x.deviation - y.deviation for c in cylinders for x, y in [against(c)]}

    while relative and (moved := _stands_out(differences(reference))) is not None:
        reference = [c for c in reference if c != moved]
    effects = {c: _effect(first[c], a_setup, second[c], b_setup) for c in both}
    out = []
    untouched: list[int] = []
    left: dict[int, float] = {}
    variances: dict[int, float] = {}
    if len(reference) >= 2:
        untouched = [c for c in clean if c in reference]
        for cylinder in both:
            effect = effects[cylinder]
            if cylinder in untouched or (cylinder not in clean and effect is not None):
                x, y = against(cylinder)
                effect = effect or _NOTHING
                known = ((effect.high - effect.low) / _DEVIATIONS_A_RANGE) ** 2
                left[cylinder] = x.deviation - y.deviation - effect.deviation
                variances[cylinder] = x.alone + y.alone + known
        for cylinder in both:
            x, y = against(cylinder)
            others = [c for c in left if c != cylinder]
            told = len(others) >= _FEWEST_TELLING
            scatter = (
                crank_scatter([left[c] for c in others], [variances[c] for c in others])
                if told
                else NO_SCATTER
            )
            reach = scatter.reach(
                _share(cylinder, reference),
                x.variance + y.variance,
                _freedom(x.variance, first.values(), y.variance, second.values()),
                alpha=ALPHA / len(both),
            )
            change = x.deviation - y.deviation
            judged = first[cylinder].verdict is not None and second[cylinder].verdict is not None
            effect = effects[cylinder]
            out.append(
                CylinderChange(
                    cylinder=cylinder, first=x.deviation, second=y.deviation, change=change, low=change - reach,
                    high=change + reach, verdict=_word(change - reach, change + reach) if judged else None,
                    predicted=effect if effect is not _NOTHING else None, between_cranks=told,
                )
            )  # fmt: skip
    of_all = None
    if len(left) >= _FEWEST_TELLING:
        of_all = crank_scatter(list(left.values()), list(variances.values()))
    return FeatureChange(
        probe=a.probe, role=a.role, feature=a.feature, stretch=a.stretch, unit=a.unit,
        reference=tuple(reference), cylinders=tuple(out), untouched=len(untouched),
        crank_to_crank=of_all.quantile(0.5) if of_all else None,
        crank_to_crank_most=of_all.quantile(0.95) if of_all else None, telling=len(left),
        foreseen=any(effects[c] is not None and effects[c] is not _NOTHING for c in left),
    )  # fmt: skip


def _stands_out(differences: dict[int, float]) -> int | None:
    """The cylinder whose difference is no chance beside the others', and larger than the even margin; None for none.

    Each one against the mean and the spread of the others, at 5 % over all of them (externally studentized residual
    with Bonferroni's bound: Cook and Weisberg, Residuals and Influence in Regression, 1982, section 2.2; from memory).
    """
    n = len(differences)
    if n - 1 < _FEWEST_TELLING:
        return None
    far = {}
    for cylinder, difference in differences.items():
        others = [d for c, d in differences.items() if c != cylinder]
        spread = float(np.std(others, ddof=1)) * math.sqrt(1 + 1 / (n - 1))
        off = abs(difference - float(np.mean(others)))
        if off > EVEN_MARGIN_PERCENT and off > float(stats.t.ppf(1 - 0.05 / (2 * n), n - 2)) * spread:
            far[cylinder] = off
    return max(far, key=far.__getitem__) if far else None


class _Against(_Part, frozen=True, kw_only=True):
    """One pulse against the reference; variance: of that, alone: of the pulse without the reference's own."""

    deviation: float
    variance: float
    alone: float


def _known(c: CylinderBalance) -> bool:
    return c.deviation is not None and c.standard_error is not None


def _share(cylinder: int, reference: Sequence[int]) -> float:
    """Variance of a value against the mean of these, in variances of one value (arithmetic)."""
    return 1.0 + (-1.0 if cylinder in reference else 1.0) / len(reference)


def _against(
    of: dict[int, CylinderBalance],
    judged: Comparison,
    cylinder: int,
    reference: Sequence[int],
    *,
    relative: bool,
) -> _Against:
    """A deviation against these cylinders, and its variance by what the cycles scatter."""

    def alone(c: int) -> float:
        # The standard error is against the reference that it was judged by, here it is against another one.
        error = of[c].standard_error or 0.0
        return error * error / _share(c, judged.reference)

    level = sum((of[r].deviation or 0.0) for r in reference) / len(reference)
    scale = 100.0 / (100.0 + level) if relative else 1.0
    own = alone(cylinder)
    within = 2.0 * own / len(reference) if cylinder in reference else 0.0
    variance = own - within + sum(alone(r) for r in reference) / len(reference) ** 2
    return _Against(
        deviation=((of[cylinder].deviation or 0.0) - level) * scale,
        variance=variance * scale * scale,
        alone=own * scale * scale,
    )


def _freedom(
    first: float, of_first: Collection[CylinderBalance], second: float, of_second: Collection[CylinderBalance]
) -> float:
    """Degrees of freedom behind the sum of two variances (B. Welch, Biometrika 34, 1947; from memory). Each one's are pooled
    over cylinders, less a mean for each cylinder and a yardstick for each cycle, as the balance counts them."""

    def of(cylinders: Collection[CylinderBalance]) -> float:
        cycles = [c.cycles for c in cylinders]
        return max(1.0, float(sum(cycles) - len(cycles) - (max(cycles) - 1)))

    total = first * first / of(of_first) + second * second / of(of_second)
    return (first + second) ** 2 / total if total > 0 else min(of(of_first), of(of_second))


def _word(low: float, high: float) -> Literal["changed", "same", "undecided"]:
    if low >= -EVEN_MARGIN_PERCENT and high <= EVEN_MARGIN_PERCENT:
        return "same"
    return "changed" if low > 0 or high < 0 else "undecided"


def _effect(
    first: CylinderBalance, first_setup: Setup, second: CylinderBalance, second_setup: Setup
) -> Predicted | None:
    """What the difference in what is fitted makes of the difference of this pulse; None where that is not known.

    The same parts do the same in both cranks. Of different ones in the same engine the two predictions err together, which
    is not counted on here.
    """
    if fitted_key(first_setup) == fitted_key(second_setup):
        return _NOTHING

    def of(balance: CylinderBalance, setup: Setup) -> Predicted | None:
        return balance.predicted if altered(setup) else _NOTHING

    one, other = of(first, first_setup), of(second, second_setup)
    if one is None or other is None:
        return None
    if one is other:
        return _NOTHING
    middle = one.deviation - other.deviation
    return Predicted(
        deviation=middle,
        low=middle - math.hypot(one.deviation - one.low, other.high - other.deviation),
        high=middle + math.hypot(one.high - one.deviation, other.deviation - other.low),
    )


# --- words -----------------------------------------------------------------------------------------


def _texts(
    changes: Sequence[FeatureChange],
    a: Judgement,
    b: Judgement,
    a_setup: Setup,
    b_setup: Setup,
    whole: Unlike | None,
) -> Iterator[str]:
    if whole is not None:
        yield whole.text
        return
    if fitted_key(a_setup) != fitted_key(b_setup):
        yield from _what_it_made(changes, a, b, a_setup, b_setup)
    else:
        yield from _what_changed(changes)
    yield from _between_words(changes, alike=fitted_key(a_setup) == fitted_key(b_setup))


def _what_it_made(
    changes: Sequence[FeatureChange], a: Judgement, b: Judgement, a_setup: Setup, b_setup: Setup
) -> Iterator[str]:
    with_it, without = (a_setup, b_setup) if fitted_words(a_setup) else (b_setup, a_setup)
    sign = 1.0 if with_it is a_setup else -1.0
    alone = not fitted_words(without)
    hose = fitted_words(with_it)
    touched = _odd(a.comparisons) | _odd(b.comparisons)
    odd = {
        (c.probe, c.feature, x.cylinder): x
        for c in (b if with_it is a_setup else a).comparisons
        for x in c.cylinders
    }
    said = [
        (change, x, odd.get((change.probe, change.feature, x.cylinder)))
        for change in changes
        for x in change.cylinders
        if x.verdict is not None and (change.probe, change.feature, x.cylinder) in touched
    ]
    said.sort(key=lambda one: -max(abs(one[1].first), abs(one[1].second)))
    by = "the change of what is fitted" if not alone else hose
    made: list[str] = []
    lists: dict[str, list[str]] = {"remains": [], "open": [], "healthy": [], "no longer": []}
    for change, x, by_itself in said:
        low, high = sorted((sign * x.low, sign * x.high))
        read, left = (x.first, x.second) if sign > 0 else (x.second, x.first)
        read, left = round(read, 1) + 0.0, round(left, 1) + 0.0  # never "-0.0"
        name = f"cylinder {x.cylinder}'s {pulse_name(change.role, change.feature)} ({change.probe})"
        span = f"{low:+.1f} to {high:+.1f} %"
        odd_by_itself = by_itself is not None and by_itself.verdict in ("smaller", "larger")
        if x.verdict == "changed":
            words = ""
            if x.predicted is not None:
                least, most = sorted((sign * x.predicted.low, sign * x.predicted.high))
                foreseen = effect_words(Predicted(deviation=0.0, low=least, high=most))
                words = f"; engine physics foresaw it {foreseen}"
            made.append(
                f"{name[0].upper()}{name[1:]}: {read:+.1f} % with it, {left:+.1f} % without it: {by} made "
                f"{sign * x.change:+.1f} percentage points of that ({low:+.1f} to {high:+.1f}, 95 % interval){words}. "
                f"{_left(by_itself, left)}"
            )
        elif by_itself is not None and odd_by_itself and _as_healthy(by_itself):
            lists["healthy"].append(f"{name}, {read:+.1f} % and {left:+.1f} % (apart {span})")
        else:
            # What is odd without it, by more than it can have made, it did not make.
            stays = odd_by_itself and (x.verdict == "same" or max(abs(low), abs(high)) < abs(left))
            kind = "remains" if stays else "open" if x.verdict != "same" else "no longer"
            lists[kind].append(f"{name}, {read:+.1f} % and {left:+.1f} % (apart {span})")
    figures = "with it and without it, and the 95 % interval of the difference"
    headings = {
        "remains": f"There without it too, so that {by} did not make it, or little of it ({figures})",
        "open": f"Whether {by} made any of this cannot be told; a third crank, as the second, may tell ({figures})",
        "healthy": f"No sign of a fault, since healthy engines show as much without it ({figures})",
        "no longer": f"No longer odd without it, though {by} changed it by less than the margin ({figures})",
    }
    # What is still there first, then what it made, then what asks for nothing.
    for kind in ("remains", "", "open", "healthy", "no longer"):
        if not kind:
            yield from made
        elif lists[kind]:
            yield f"{headings[kind]}: {'; '.join(lists[kind])}."


def _between_words(changes: Sequence[FeatureChange], *, alike: bool) -> Iterator[str]:
    """How much the engine itself differs from one crank to the next, and whether the intervals hold that."""
    judged = [c for c in changes if any(x.verdict for x in c.cylinders)]
    told = [c for c in judged if c.crank_to_crank is not None]
    for foreseen in (True, False):
        of = [c for c in told if c.foreseen is foreseen]
        if not of:
            continue
        sizes = listed(
            f"{pulse_name(c.role, c.feature)} ({c.probe}) {c.crank_to_crank:.1f} % (less than "
            f"{max(c.crank_to_crank_most or 0.0, 0.1):.1f} %, as {c.telling} pulses tell)"
            for c in of
        )
        if foreseen:
            whose = "the pulses differ, beyond what their cycles scatter and what engine physics foresee of what is fitted,"
        elif alike:
            whose = "the pulses differ, beyond what their cycles scatter,"
        else:
            whose = "the pulses that nothing fitted touches differ, beyond what their cycles scatter,"
        uncounted = (
            ""
            if foreseen or alike
            else " What little the fitted parts do to those too is not worked out and counts as the engine's."
        )
        yield (
            f"From one crank to the next {whose} by (standard deviation, and what it is below with 95 % probability): {sizes}. "
            f"Each interval above holds that, where at least three other pulses tell it.{uncounted}"
        )
    if any(not x.between_cranks for c in judged for x in c.cylinders):
        without = listed(
            dict.fromkeys(
                f"{pulse_name(c.role, c.feature)} ({c.probe})"
                for c in judged
                if any(not x.between_cranks for x in c.cylinders)
            )
        )
        yield (
            f"Of {without} some intervals are of the cycles recorded alone: fewer than three other pulses are untouched in both "
            "cranks or have a prediction of what touches them, so that how much the engine differs from one crank to the next is "
            "not in them. A third crank, as the second, would show it: compare those two."
        )


def _as_healthy(left: CylinderBalance) -> bool:
    """Whether all of the interval lies within what healthy engines show."""
    normal = left.normal
    return (
        normal is not None
        and left.low is not None
        and left.high is not None
        and normal.low <= left.low
        and left.high <= normal.high
    )


def _left(alone: CylinderBalance | None, deviation: float) -> str:
    verdict = alone.verdict if alone is not None else None
    if alone is not None and verdict in ("smaller", "larger"):
        words = f"What is left, {deviation:+.1f} %, is there without it"
        if alone.normal is None or not _as_healthy(alone):
            return f"{words}."
        return f"{words}; healthy engines of this kind show as much ({alone.normal.low:+.0f} to {alone.normal.high:+.0f} %)."
    if verdict == "even":
        return "Without it this pulse is even."
    return "Without it this pulse is not settled yet."


def _what_changed(changes: Sequence[FeatureChange]) -> Iterator[str]:
    changed = [(c, x) for c in changes for x in c.cylinders if x.verdict == "changed"]
    for change, x in changed:
        yield (
            f"Cylinder {x.cylinder}'s {pulse_name(change.role, change.feature)} ({change.probe}) was {x.first:+.1f} % in the "
            f"first crank and {x.second:+.1f} % in the second: {x.change:+.1f} % apart ({x.low:+.1f} to {x.high:+.1f} %, 95 % "
            "interval)."
        )
    if not changed and any(c.cylinders for c in changes):
        yield "Nothing that was compared differs between the two cranks by more than their intervals."


def _odd(comparisons: Iterable[Comparison]) -> set[tuple[str, str, int | None]]:
    return {
        (c.probe, c.feature, x.cylinder)
        for c in comparisons
        for x in c.cylinders
        if x.verdict in ("smaller", "larger")
    }


def _next_step(
    changes: Sequence[FeatureChange],
    a: Judgement,
    b: Judgement,
    a_setup: Setup,
    b_setup: Setup,
    unlike: Sequence[Unlike],
) -> str:
    preventing = [u for u in unlike if u.matters == "prevents"]
    if _is_itself(a, b):
        return _ITSELF
    if not any(c.cylinders for c in changes):
        first, second = ([x for c in j.comparisons for x in c.cylinders] for j in (a, b))
        if all(u.what == "names" for u in preventing) and (unnamed := _unnamed(first, second)):
            return f"Nothing could be subtracted: {unnamed}."
        others = {(c.probe, c.feature, c.stretch): c for c in b.comparisons}
        pairs = [
            (c, others[key]) for c in a.comparisons if (key := (c.probe, c.feature, c.stretch)) in others
        ]
        spoilt = dict.fromkeys(f"{c.probe}: {why}" for c, other in pairs if (why := _spoilt(c, other)))
        if spoilt and not preventing:
            return f"Nothing could be subtracted. {'; '.join(spoilt)}."
        refused = next((j.refused for j in (a, b) if j.refused is not None), None)
        why = preventing[0].text if preventing else "The two cranks have no probe of the same name in common."
        todo = (
            _ALIKE.get(preventing[0].what)
            if preventing
            else "Name the same probe alike in both set-ups, and judge with those."
        )
        if refused is not None and preventing[0].what == "judgement":
            why = f"{why.removesuffix('.')}: {refused.removeprefix('Cannot judge: ')}"
        todo = todo or "Make the two cranks alike and crank again after two minutes' rest."
        return f"Nothing could be subtracted. {why} {todo}"
    not_all = (
        ""
        if not preventing
        else (
            f" Not all was compared, since {listed(dict.fromkeys(u.what for u in preventing))} "
            "is not alike in both (below): have that alike where it matters, and crank again."
        )
    )
    return _by_what_is_left(changes, a, b, a_setup, b_setup) + not_all


def _by_what_is_left(
    changes: Sequence[FeatureChange], a: Judgement, b: Judgement, a_setup: Setup, b_setup: Setup
) -> str:
    bare = [j for j, s in ((b, b_setup), (a, a_setup)) if not fitted_words(s)]
    if not bare:
        return f"{removal(b_setup)}; then compare with that."
    changed = sorted({x.cylinder for c in changes for x in c.cylinders if x.verdict == "changed"})
    if changed and fitted_key(a_setup) == fitted_key(b_setup):
        return (
            f"The two cranks are alike and yet differ (cylinder{'' if len(changed) == 1 else 's'} "
            f"{listed(map(str, changed))}): either what was done in between did that, or it comes and goes. Crank once more "
            "after two minutes' rest, and compare with each of them, before anything is opened."
        )
    engine = [f for f in bare[0].findings if f.cause == "engine"]
    if engine:
        at = sorted({str(f.odd_pulse_at[0]) for f in engine if f.odd_pulse_at})
        pulses = "The pulse that is" if len(at) == 1 else "The pulses that are"
        told = (
            f"{pulses} odd with nothing fitted (cylinder{'' if len(at) == 1 else 's'} {listed(at)}) "
            f"{'is' if len(at) == 1 else 'are'} the engine's; which cylinder is at fault that does not say."
        )
        same = {(c.probe, c.feature, x.cylinder) for c in changes for x in c.cylinders if x.verdict == "same"}
        if any((f.probe, f.feature, f.odd_pulse_at[0]) in same for f in engine if f.odd_pulse_at):
            settle = settle_words(bare[0].comparisons)
            return f"{told} It was the same in both cranks: {settle}"
        return f"{told} {engine[0].next_step}"
    if _odd(bare[0].comparisons):
        unclear = any(f.cause != "spread" for f in bare[0].findings)
        if unclear:
            return (
                "Without anything fitted something is still odd, but not beyond doubt. Repeat that crank after two minutes' "
                "rest."
            )
        return (
            "Without anything fitted nothing is left but what healthy engines show: look for the complaint elsewhere before "
            "anything is dismantled."
        )
    return "Without anything fitted nothing odd is left: look for the complaint elsewhere before anything is dismantled."
