"""Two cranks: like for like first, then differences against the same reference."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from drawn_cranks import crank_of
from evenstroke_dsp.comparing import compare
from evenstroke_dsp.crank_scatter import NO_SCATTER, PRIOR_SCALE, crank_scatter
from evenstroke_dsp.messages import (
    Comparison,
    CrankedStretch,
    CylinderBalance,
    EngineInfo,
    Finding,
    Judgement,
    Normal,
    Predicted,
    SourceInfo,
    SyncInfo,
)
from evenstroke_dsp.setup import Setup, parse_setup

FOUR = (
    "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n[conditions]\nengine_temperature_c = 80\n"
    'battery_support = false\nthrottle = "closed"\n[[probe]]\nname = "intake"\nrole = "intake_pulse"\nlow_corner_hz = 1.0\n'
)
HOSE = '[[fitted]]\nwhat = "the hose"\ncylinder = 3\nadded_volume_cc = 9.0\n'
ORDER = (1, 3, 4, 2)


def judgement(sizes: dict[int, float], *, half_width: float = 1.0, disturbed: tuple[int, ...] = (), rpm: float = 200.0,
              predicted: Predicted | None = None) -> Judgement:  # fmt: skip
    """One comparison; deviations of these sizes against the cylinders that are not disturbed."""
    reference = [c for c in ORDER if c not in disturbed]
    level = np.mean([sizes[c] for c in reference])
    cylinders = []
    for c in ORDER:
        deviation = float(100 * (sizes[c] / level - 1))
        low, high = deviation - half_width, deviation + half_width
        verdict = (
            "smaller"
            if high < -5
            else "larger"
            if low > 5
            else "even"
            if low > -5 and high < 5
            else "undecided"
        )
        cylinders.append(
            CylinderBalance(
                cylinder=c, value=sizes[c], value_unit="kPa", deviation=deviation, low=low, high=high, cycles=12,
                verdict=verdict, normal=None, trust="disturbed" if c in disturbed else "clean",
                predicted=predicted if c in disturbed else None, more_cycles=None, one_off_cycles=(), position=None,
                one_of=None, standard_error=half_width / 1.96,
            )
        )  # fmt: skip
    comparison = Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent",
        trust="disturbed" if disturbed else "clean", because=(), reference=tuple(reference), cylinders=tuple(cylinders),
    )  # fmt: skip
    return Judgement(
        source=SourceInfo(file="x", sha256=None, duration_s=9.0, lost_samples=0),
        engine=EngineInfo(cylinders=4, firing_order=ORDER),
        cranked=(CrankedStretch(from_s=0.0, to_s=120 * 12 / rpm, cycles=12, mean_rpm=rpm),), running_from_s=None,
        sync=SyncInfo(basis="cycle", events=13, missed=0, extra=0, angle_uncertainty_deg=None),
        comparisons=(comparison,), findings=(), causes=(), valve_events=(), warnings=(), refused=None,
    )  # fmt: skip


EVEN = dict.fromkeys(ORDER, 1.0)
WITH, WITHOUT = parse_setup(FOUR + HOSE), parse_setup(FOUR)


def by_cylinder(two):
    (change,) = two.changes
    return {x.cylinder: x for x in change.cylinders}


def test_what_the_hose_made_is_said_and_what_it_did_not_make() -> None:
    first = judgement(
        {**EVEN, 2: 0.91, 4: 0.85},
        half_width=0.5,
        disturbed=(2,),
        predicted=Predicted(deviation=-9, low=-12, high=-6),
    )
    second = judgement({**EVEN, 4: 0.85}, half_width=0.5)
    two = compare(first, WITH, second, WITHOUT)
    assert two.changes[0].reference == (1, 3, 4), "disturbed in neither"
    found = by_cylinder(two)
    # 0.91 against the mean of 1, 1 and 0.85 is -4.2 %; 1 against the same is +5.3 %: -9.5 apart (arithmetic).
    assert found[2].change == pytest.approx(100 * (0.91 - 1.0) / 0.95)
    assert found[2].verdict == "changed"
    assert found[4].change == pytest.approx(0.0, abs=1e-9)
    assert found[4].verdict == "same"
    assert [u.matters for u in two.unlike] == ["the point"]
    said = " ".join(two.texts)
    assert "There without it too, so that the hose in cylinder 3 did not make it" in said
    assert (
        "cylinder 4's intake pulse (intake), -10.5 % and -10.5 % (apart" in said
    )  # 0.85 of 0.95: arithmetic
    assert "2 to 10 % smaller" in compare(
        judgement({**EVEN, 2: 0.85}, disturbed=(2,), predicted=Predicted(deviation=-6, low=-10, high=-2)), WITH,
        judgement(EVEN), WITHOUT,
    ).texts[0]  # fmt: skip


def test_what_is_left_and_healthy_is_said_to_be_and_comes_after_what_is_not() -> None:
    # Cylinder 1 is some 24 % large and 4 some 18 % small, hose or none; healthy engines reach 30 % in 1 and 5 % in 4.
    sizes = {**EVEN, 1: 1.3, 4: 0.85}
    reach = {1: 30.0, 4: 5.0}

    def known(judged: Judgement) -> Judgement:
        (comparison,) = judged.comparisons
        cylinders = tuple(
            msgspec.structs.replace(
                c,
                normal=Normal(
                    low=-reach.get(c.cylinder, 40), high=reach.get(c.cylinder, 40), from_="invented"
                ),
            )
            for c in comparison.cylinders
        )
        return msgspec.structs.replace(
            judged, comparisons=(msgspec.structs.replace(comparison, cylinders=cylinders),)
        )

    said = compare(known(judgement(sizes, disturbed=(2,))), WITH, known(judgement(sizes)), WITHOUT).texts
    about_four = next(k for k, text in enumerate(said) if "cylinder 4's intake pulse" in text)
    about_one = next(k for k, text in enumerate(said) if "cylinder 1's intake pulse" in text)
    assert about_four < about_one
    assert "healthy" not in said[about_four]
    assert said[about_one].startswith("No sign of a fault, since healthy engines show as much")


def test_the_interval_of_a_difference_covers_it_as_often_as_it_says() -> None:
    # Reference: normal errors, simulated; the half-width is that of a 95 % interval of one deviation.
    rng = np.random.default_rng(7)
    sigma, runs, hits = 0.8, 600, 0
    for _ in range(runs):
        one, other = ({c: 1.0 + sigma / 100 * rng.standard_normal() for c in ORDER} for _ in range(2))
        width = 1.96 * sigma * np.sqrt(3 / 4)
        found = by_cylinder(
            compare(judgement(one, half_width=width), WITHOUT, judgement(other, half_width=width), WITHOUT)
        )
        hits += found[1].low <= 0.0 <= found[1].high
    assert hits / runs > 0.93


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (('throttle = "closed"', 'throttle = "open"'), "throttle"),
        (('name = "intake"', 'name = "intake"\nplace = "elsewhere"'), "place"),
        (('name = "intake"', 'name = "intake"\nlowpass_hz = 20'), "low-pass"),
        (("low_corner_hz = 1.0", "low_corner_hz = 5.0"), "low corner"),
        (('name = "intake"', 'name = "intake"\nsees = [1, 3, 4]'), "cylinders heard"),
        (("[1, 3, 4, 2]", "[1, 2, 4, 3]"), "engine"),
    ],
)
def test_unlike_things_are_not_subtracted_and_why_is_said(change: tuple[str, str], what: str) -> None:
    other = parse_setup(FOUR.replace(*change))
    second = judgement(EVEN)
    if what == "engine":
        second = msgspec.structs.replace(second, engine=EngineInfo(cylinders=4, firing_order=(1, 2, 4, 3)))
    two = compare(judgement(EVEN), WITHOUT, second, other)
    assert two.changes == ()
    (unlike,) = [u for u in two.unlike if u.what == what]
    assert unlike.matters == "prevents"
    assert two.not_compared[0].because == unlike.text
    assert "Nothing could be subtracted" in two.next_step


@pytest.mark.parametrize(
    ("change", "what", "matters"),
    [
        (("engine_temperature_c = 80", "engine_temperature_c = 20"), "temperature", "somewhat"),
        (("battery_support = false", "battery_support = true"), "battery support", "prevents"),
        (("low_corner_hz = 1.0", "low_corner_hz = 1.0\nvolts_per_unit = 2.0"), "scale", "no"),
    ],
)
def test_what_matters_less_is_noted_and_the_pulses_are_subtracted(change, what: str, matters: str) -> None:
    two = compare(judgement(EVEN), WITHOUT, judgement(EVEN), parse_setup(FOUR.replace(*change)))
    assert [(u.what, u.matters) for u in two.unlike] == [(what, matters)]
    assert len(by_cylinder(two)) == 4


def test_speeds_far_apart_prevent_and_near_ones_do_not() -> None:
    near = compare(judgement(EVEN), WITHOUT, judgement(EVEN, rpm=190.0), WITHOUT)
    assert [u.matters for u in near.unlike] == ["somewhat"] and near.changes
    far = compare(judgement(EVEN), WITHOUT, judgement(EVEN, rpm=140.0), WITHOUT)
    assert [u.matters for u in far.unlike] == ["prevents"] and not far.changes


def test_a_refused_crank_is_compared_with_nothing() -> None:
    refused = msgspec.structs.replace(judgement(EVEN), comparisons=(), refused="no cycle was found")
    two = compare(judgement(EVEN), WITHOUT, refused, WITHOUT)
    assert two.changes == () and "no cycle was found" in two.next_step
    # It stands there, and not again at each probe.
    assert "no cycle" not in " ".join(
        (*two.texts, *(u.text for u in two.unlike), *(n.because for n in two.not_compared))
    )


def plain(order: tuple[int, ...], more: str = "") -> Setup:
    return parse_setup(
        FOUR.replace("cylinders = 4", f"cylinders = {len(order)}").replace("[1, 3, 4, 2]", str(list(order)))
        + more
    )


ORDERS = {4: ORDER, 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}


@pytest.mark.parametrize("cylinders", ORDERS)
@pytest.mark.parametrize("scatter", [0.0, 0.5, 1.0, 2.0])
def test_two_cranks_of_an_engine_that_did_not_change_are_held_by_all_intervals_at_once(
    cylinders: int, scatter: float
) -> None:
    # Reference: normal scatter from crank to crank (per cent, of the difference) and from cycle to cycle, simulated; the
    # standard error is an estimate with the freedom that 12 cycles leave it. At 95 %, no more than 15 of 150 pairs lose any
    # (binomial, one standard deviation 2.7).
    rng = np.random.default_rng(100 * cylinders + int(10 * scatter))
    order, cycles, runs, error = ORDERS[cylinders], 12, 150, 0.8
    freedom = (cycles - 1) * (cylinders - 1)
    setup, held = plain(order), 0
    for _ in range(runs):
        apart = scatter * rng.standard_normal(cylinders)
        cranks = [
            crank_of(
                dict(zip(order, shift + error * rng.standard_normal(cylinders), strict=True)),
                error * float(np.sqrt(rng.chisquare(freedom) / freedom)),
                cycles,
            )
            for shift in (apart, 0.0 * apart)
        ]
        found = by_cylinder(compare(cranks[0], setup, cranks[1], setup))
        held += all(x.low <= 0.0 <= x.high for x in found.values())
    assert held >= 0.90 * runs


def test_an_engine_that_repeats_itself_is_compared_about_as_finely_as_its_cycles_allow() -> None:
    # Reference: two means with a standard error of 0.8 each, against the mean of six: 0.8 sqrt(2) sqrt(5/6) = 1.03; of six
    # normal intervals at once z is 2.64 (Bonferroni): 2.7. What the engine may do beside that at most doubles it.
    rng = np.random.default_rng(5)
    order, widths = ORDERS[6], []
    for _ in range(40):
        one, other = (
            crank_of(dict(zip(order, 0.8 * rng.standard_normal(6), strict=True)), 0.8, 12) for _ in range(2)
        )
        found = by_cylinder(compare(one, plain(order), other, plain(order)))
        widths += [(x.high - x.low) / 2 for x in found.values()]
    assert 2.7 < np.median(widths) < 1.7 * 2.7


def test_scatter_from_crank_to_crank_is_what_cycles_do_not_explain() -> None:
    # Reference: the arithmetic of a variance component. Differences of standard deviation 1, all of it from cycles: none is
    # left; none of it from cycles: all is. Without anything that tells, half of a half-Cauchy lies below its
    # scale, and 0.95 of it below 12.71 scales (any table of Student's t, one degree of freedom).
    rng = np.random.default_rng(9)
    of_cycles = [crank_scatter(rng.standard_normal(7), [1.0] * 7).quantile(0.5) for _ in range(100)]
    of_cranks = [crank_scatter(rng.standard_normal(7), [1e-4] * 7).quantile(0.5) for _ in range(100)]
    assert np.median(of_cycles) < 0.6
    assert np.median(of_cranks) == pytest.approx(1.0, abs=0.15)
    assert crank_scatter([], []).quantile(0.5) == pytest.approx(PRIOR_SCALE, rel=0.05)
    assert crank_scatter([], []).quantile(0.95) == pytest.approx(12.71 * PRIOR_SCALE, rel=0.1)


def test_where_nothing_tells_of_scatter_the_interval_is_students() -> None:
    # t of 0.975 and 10 degrees of freedom: 2.228 (any table of Student's t).
    assert NO_SCATTER.reach(1.0, 4.0, 10.0, alpha=0.05) == pytest.approx(2 * 2.228, rel=1e-3)


def test_a_large_change_of_one_pulse_is_still_seen() -> None:
    rng = np.random.default_rng(21)
    order, seen = ORDERS[6], 0
    for _ in range(40):
        one, other = (dict(zip(order, 0.8 * rng.standard_normal(6), strict=True)) for _ in range(2))
        one[3] -= 10.0
        found = by_cylinder(
            compare(crank_of(one, 0.8, 12, (3,)), plain(order), crank_of(other, 0.8, 12), plain(order))
        )
        seen += found[3].verdict == "changed"
    assert seen >= 36


def test_a_change_no_larger_than_the_other_pulses_own_is_not_said_to_be_one() -> None:
    order = (1, 5, 3, 6, 2, 4)
    six = parse_setup(
        FOUR.replace("cylinders = 4", "cylinders = 6").replace("[1, 3, 4, 2]", str(list(order)))
    )

    def crank(sizes: dict[int, float]) -> Judgement:
        level = np.mean(list(sizes.values()))
        whole = judgement(EVEN, half_width=0.2)
        (comparison,) = whole.comparisons
        cylinders = tuple(
            msgspec.structs.replace(
                comparison.cylinders[0],
                cylinder=c,
                deviation=float(d),
                low=float(d) - 0.2,
                high=float(d) + 0.2,
                standard_error=0.1,
            )
            for c in order
            for d in [100 * (sizes[c] / level - 1)]
        )
        comparison = msgspec.structs.replace(comparison, reference=order, cylinders=cylinders)
        return msgspec.structs.replace(
            whole, engine=EngineInfo(cylinders=6, firing_order=order), comparisons=(comparison,)
        )

    sizes = dict(zip(order, (1.0, 1.01, 0.99, 1.012, 0.992, 1.0), strict=True))
    two = compare(crank(sizes), six, crank(dict.fromkeys(order, 1.0)), six)
    assert {x.verdict for x in by_cylinder(two).values()} <= {"same", "undecided"}
    assert two.changes[0].crank_to_crank == pytest.approx(0.93, abs=0.1), (
        "arithmetic: of +1, -1, +1.2, -0.8, 0, 0"
    )
    assert two.changes[0].untouched == 6
    assert any("From one crank to the next the pulses differ, beyond" in text for text in two.texts)
    two = compare(crank({**sizes, 3: 0.8}), six, crank(dict.fromkeys(order, 1.0)), six)
    assert by_cylinder(two)[3].verdict == "changed", "its own change does not hide it"


HOSED = HOSE.replace("cylinder = 3", "cylinder = 1")


@pytest.mark.parametrize("cylinders", ORDERS)
@pytest.mark.parametrize("scatter", [0.0, 1.0, 2.0])
def test_what_a_hose_makes_is_held_by_all_intervals_at_once(cylinders: int, scatter: float) -> None:
    # Reference: as above. The companion's effect is drawn about what is foreseen as wide as that says of itself, the
    # others' too, by Student's t of 5 degrees of freedom, which lies further out than the normal law that is reckoned with.
    rng = np.random.default_rng(70 * cylinders + int(10 * scatter))
    order, companion, cycles, runs, error = ORDERS[cylinders], ORDERS[cylinders][cylinders // 2], 12, 150, 0.4
    bare, held = plain(order), 0
    hosed = plain(order, HOSED)
    foreseen = {
        c: Predicted(deviation=m, low=m - 1.96 * s, high=m + 1.96 * s)
        for c, m in zip(order, np.linspace(-2.0, 2.0, cylinders).tolist(), strict=True)
        for m, s in [(-8.0, 2.5) if c == companion else (m, 0.5)]
    }
    for _ in range(runs):
        made = {
            c: p.deviation + (p.high - p.low) / 3.92 * rng.standard_t(5) * (3 / 5) ** 0.5
            for c, p in foreseen.items()
        }
        first = {c: made[c] + scatter * rng.standard_normal() + error * rng.standard_normal() for c in order}
        second = {c: error * rng.standard_normal() for c in order}
        one = crank_of(first, error, cycles, (companion,), foreseen)
        (change,) = compare(one, hosed, crank_of(second, error, cycles), bare).changes
        level = np.mean([made[c] for c in change.reference])
        held += all(x.low <= made[x.cylinder] - level <= x.high for x in change.cylinders)
    assert held >= 0.90 * runs


def test_what_is_foreseen_of_a_hose_is_not_the_engines_difference() -> None:
    # A six reads the same twice but for a hose, which moves each pulse by 1 or 2 %, exactly as foreseen to within 0.3 %
    # (standard deviation). Once that is taken off nothing is left; without the physics a scatter of some 1.6 % seems to be there.
    order = ORDERS[6]
    made = dict(zip(order, (-1.5, 2.0, -2.0, -8.0, 1.5, 1.0), strict=True))
    foreseen = {c: Predicted(deviation=m, low=m - 0.6, high=m + 0.6) for c, m in made.items()}
    bare = crank_of(dict.fromkeys(order, 0.0), 0.2, 12)
    told = {}
    for known in (foreseen, None):
        (change,) = compare(
            crank_of(made, 0.2, 12, (6,), known), plain(order, HOSED), bare, plain(order)
        ).changes
        assert change.crank_to_crank is not None
        told[known is not None] = change
        assert change.foreseen is (known is not None)
    assert told[True].crank_to_crank < 0.4 < 1.2 < told[False].crank_to_crank < 2.5
    widths = {k: np.mean([x.high - x.low for x in change.cylinders]) for k, change in told.items()}
    assert widths[True] < 0.5 * widths[False]
    assert (told[True].telling, told[True].untouched) == (6, 5), (
        "the companion tells as well, by what it is off"
    )
    assert told[False].telling == 5


def test_what_is_foreseen_uncertainly_narrows_nothing() -> None:
    # Whether a touched pulse that is foreseen to within 20 % tells or not is much the same.
    order = ORDERS[6]
    rng = np.random.default_rng(3)
    off = dict(zip(order, (1.2 * rng.standard_normal(6)).tolist(), strict=True))
    nothing = {c: Predicted(deviation=0.0, low=0.0, high=0.0) for c in order}
    widths = []
    for doubt in (20.0, 2000.0):
        known = {**nothing, 6: Predicted(deviation=-8.0, low=-8.0 - doubt, high=-8.0 + doubt)}
        (change,) = compare(
            crank_of(off, 0.2, 12, (6,), known), plain(order, HOSED), crank_of(dict.fromkeys(order, 0.0), 0.2, 12), plain(order)
        ).changes  # fmt: skip
        widths.append(np.mean([x.high - x.low for x in change.cylinders]))
    assert widths[0] == pytest.approx(widths[1], rel=0.05)


def test_the_same_hose_twice_leaves_every_pulse_to_tell() -> None:
    order = ORDERS[6]
    hosed = plain(order, HOSED)
    one, other = (crank_of(dict.fromkeys(order, 0.0) | {6: -8.0}, 0.3, 12, (6,)) for _ in range(2))
    (change,) = compare(one, hosed, other, hosed).changes
    assert (change.telling, change.untouched, change.foreseen) == (6, 5, False)
    assert all(x.predicted is None for x in change.cylinders), "nothing differs"


def test_of_two_hoses_the_difference_is_foreseen() -> None:
    # -8 +/- 3 less +2 +/- 4 is -10 +/- 5 (arithmetic of independent errors).
    order = ORDERS[6]
    one = crank_of(
        dict.fromkeys(order, 0.0),
        0.3,
        12,
        (6,),
        dict.fromkeys(order, Predicted(deviation=-8, low=-11, high=-5)),
    )
    other = crank_of(
        dict.fromkeys(order, 0.0), 0.3, 12, (3,), dict.fromkeys(order, Predicted(deviation=2, low=-2, high=6))
    )
    (change,) = compare(one, plain(order, HOSED), other, plain(order, HOSE.replace("= 3", "= 4"))).changes
    assert {(x.predicted.deviation, x.predicted.low, x.predicted.high) for x in change.cylinders} == {
        (-10, -15, -5)
    }


def test_too_few_untouched_pulses_are_said() -> None:
    two = compare(judgement({**EVEN, 2: 0.9}, disturbed=(2,)), WITH, judgement(EVEN), WITHOUT)
    found = by_cylinder(two)
    assert found[2].between_cranks, "1, 3 and 4 are untouched"
    assert not found[1].between_cranks
    assert any("fewer than three other pulses are untouched" in text for text in two.texts)


def six_crank(sizes: dict[int, float], half_width: float = 0.3) -> Judgement:
    """A six's intake drops, of which nothing is disturbed."""
    order = tuple(sizes)
    whole = judgement(EVEN)
    (comparison,) = whole.comparisons
    level = np.mean(list(sizes.values()))
    cylinders = []
    for c, size in sizes.items():
        d = float(100 * (size / level - 1))
        word = "smaller" if d < -5 else "larger" if d > 5 else "even"
        cylinders.append(
            msgspec.structs.replace(
                comparison.cylinders[0],
                cylinder=c,
                deviation=d,
                low=d - half_width,
                high=d + half_width,
                standard_error=half_width / 1.96,
                verdict=word,
            )
        )
    comparison = msgspec.structs.replace(comparison, reference=order, cylinders=tuple(cylinders))
    return msgspec.structs.replace(
        whole, engine=EngineInfo(cylinders=6, firing_order=order), comparisons=(comparison,)
    )


SIX_ORDER = (1, 5, 3, 6, 2, 4)
SIX = parse_setup(
    FOUR.replace("cylinders = 4", "cylinders = 6").replace("[1, 3, 4, 2]", str(list(SIX_ORDER)))
)
NEARLY = dict(zip(SIX_ORDER, (1.0, 1.003, 0.998, 1.002, 0.999, 1.001), strict=True))


def test_a_pulse_that_changed_is_no_part_of_what_it_is_measured_by() -> None:
    # Nothing is fitted in either crank; between them cylinder 3 lost 18 %. As a part of the mean of all six it would
    # make each other one read 3 points otherwise (18 / 6, arithmetic).
    two = compare(six_crank(NEARLY), SIX, six_crank({**NEARLY, 3: 0.82}), SIX)
    assert two.changes[0].reference == (1, 5, 6, 2, 4)
    found = by_cylinder(two)
    assert found[3].change == pytest.approx(100 * (0.998 - 0.82) / np.mean([1.0, 1.003, 1.002, 0.999, 1.001]))
    assert found[3].verdict == "changed"
    assert {found[c].verdict for c in (1, 5, 6, 2, 4)} == {"same"}
    assert all(abs(found[c].change) < 0.01 for c in (1, 5, 6, 2, 4))
    assert two.changes[0].untouched == 5
    assert two.next_step.startswith("The two cranks are alike and yet differ (cylinder 3)")
    assert "nothing odd is left" not in two.next_step
    alike = compare(six_crank(NEARLY), SIX, six_crank(NEARLY), SIX)
    assert alike.changes[0].reference == SIX_ORDER


def test_nothing_is_left_out_of_the_mean_that_chance_makes_differ() -> None:
    # Normal scatter from crank to crank of 2 %, 400 pairs; at 5 % over all six, and a bound that errs on the safe side.
    rng = np.random.default_rng(11)
    left_out = 0
    for _ in range(400):
        one, other = ({c: 1.0 + 0.02 * rng.standard_normal() for c in SIX_ORDER} for _ in range(2))
        left_out += len(compare(six_crank(one), SIX, six_crank(other), SIX).changes[0].reference) < 6
    assert left_out / 400 < 0.08


def test_the_same_recording_twice_is_said_to_be() -> None:
    one = judgement(EVEN)
    one = msgspec.structs.replace(one, source=msgspec.structs.replace(one.source, sha256="ab" * 32))
    two = compare(one, WITHOUT, one, WITHOUT)
    assert all(x.change == 0.0 for x in by_cylinder(two).values())
    assert two.unlike[0].what == "recording"
    assert "the same recording, byte for byte" in two.next_step
    assert "crank again" not in two.next_step


def test_pulses_without_names_are_not_called_cranks_without_anything_in_common() -> None:
    one = judgement(EVEN)
    (comparison,) = one.comparisons
    unnamed = tuple(
        msgspec.structs.replace(c, cylinder=None, position=k) for k, c in enumerate(comparison.cylinders, 1)
    )
    one = msgspec.structs.replace(one, comparisons=(msgspec.structs.replace(comparison, cylinders=unnamed),))
    two = compare(one, WITHOUT, one, WITHOUT)
    assert "cylinders are not named in either crank" in two.next_step


def test_a_crank_with_names_and_one_without_are_told_apart() -> None:
    named = judgement(EVEN)
    (comparison,) = named.comparisons
    unnamed = tuple(
        msgspec.structs.replace(c, cylinder=None, position=k) for k, c in enumerate(comparison.cylinders, 1)
    )
    bare = msgspec.structs.replace(
        named, comparisons=(msgspec.structs.replace(comparison, cylinders=unnamed),)
    )
    for first, second, without in ((named, bare, "second"), (bare, named, "first")):
        two = compare(first, WITHOUT, second, WITHOUT)
        assert [u.what for u in two.unlike] == ["names"]
        assert f"not, or not singly, in the {without}" in two.next_step
        assert not two.changes
    assert "record a sync on one cylinder" in two.next_step
    assert "nothing in common" not in two.next_step and "no probe" not in two.next_step


def with_finding(judged: Judgement, cylinder: int) -> Judgement:
    found = Finding(
        odd_pulse_at=(cylinder,), probe="intake", feature="drop", cause="engine", suspect_cylinder=None, text="Odd.",
        next_step="Repeat the same crank once more after two minutes' rest.",
    )  # fmt: skip
    return msgspec.structs.replace(judged, findings=(found,))


def test_what_was_the_same_with_and_without_the_hose_need_not_be_repeated_again() -> None:
    first = judgement({**EVEN, 2: 0.91, 4: 0.85}, half_width=0.3, disturbed=(2,))
    again = compare(first, WITH, with_finding(judgement({**EVEN, 4: 0.85}, half_width=0.3), 4), WITHOUT)
    assert "It was the same in both cranks: confirm without opening the engine" in again.next_step
    assert "Repeat the same crank" not in again.next_step
    other = compare(first, WITH, with_finding(judgement({**EVEN, 4: 0.7}, half_width=0.3), 4), WITHOUT)
    assert "Repeat the same crank" in other.next_step


def test_what_was_left_out_of_the_comparison_is_part_of_what_to_do() -> None:
    amps = '[[probe]]\nname = "amps"\nrole = "starter_current"\n'
    one = judgement(EVEN)
    (pulse,) = one.comparisons
    load = msgspec.structs.replace(pulse, probe="amps", role="starter_current", feature="compression")
    one = msgspec.structs.replace(one, comparisons=(pulse, load))
    other = parse_setup((FOUR + amps).replace('throttle = "closed"', 'throttle = "open"'))
    two = compare(one, parse_setup(FOUR + amps), one, other)
    assert [c.feature for c in two.changes] == ["compression"]
    assert "Not all was compared, since throttle is not alike in both" in two.next_step


def test_two_engines_are_not_sent_to_be_cranked_alike() -> None:
    second = msgspec.structs.replace(
        judgement(EVEN), engine=EngineInfo(cylinders=4, firing_order=(1, 2, 4, 3))
    )
    two = compare(judgement(EVEN), WITHOUT, second, parse_setup(FOUR.replace("[1, 3, 4, 2]", "[1, 2, 4, 3]")))
    assert "two cranks of the same engine" in two.next_step
    assert "crank again" not in two.next_step


@pytest.mark.parametrize(
    ("code", "said"),
    [("dead", "signal is gone"), ("clipped", "cut off"), ("roles_doubtful", "swapped with another probe")],
)
def test_a_spoilt_signal_has_not_changed(code: str, said: str) -> None:
    """Cut off at one level all pulses are alike, and what was odd would seem to be gone with the hose."""
    odd, even = judgement({**EVEN, 3: 0.8}, half_width=0.5), judgement(EVEN, half_width=0.5)
    assert by_cylinder(compare(odd, WITH, even, WITHOUT))[3].verdict == "changed"
    (comparison,) = even.comparisons
    spoilt = msgspec.structs.replace(
        even, comparisons=(msgspec.structs.replace(comparison, because=(code,), trust="limited"),)
    )
    for first, second, which in ((odd, spoilt, "second"), (spoilt, odd, "first")):
        two = compare(first, WITH, second, WITHOUT)
        assert not two.changes
        assert [n.probe for n in two.not_compared] == ["intake"]
        assert said in two.next_step and f"in the {which} crank" in two.next_step
