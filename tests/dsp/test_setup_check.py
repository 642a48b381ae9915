"""What a set-up allows, before anyone cranks.

Companions and the order of strokes follow from the firing order by arithmetic: pistons 360
crank degrees apart move together. The table of orders is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.disturbance import disturbed_cylinders
from evenstroke_dsp.findings import effect_words
from evenstroke_dsp.messages import Predicted
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.setup_check import check_setup, check_text, expected_sync
from evenstroke_dsp.setup_effects import range_words

SIX = "schema = 1\n[engine]\ncylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\n"
THREE = "schema = 1\n[engine]\ncylinders = 3\nfiring_order = [1, 3, 2]\n"
EIGHT = "schema = 1\n[engine]\ncylinders = 8\nfiring_order = [1, 8, 4, 3, 6, 5, 7, 2]\n"
FOUR = "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
INTAKE = '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
P5 = '[[probe]]\nname = "p5"\nrole = "cylinder_pressure"\ncylinder = 5\nadded_volume_cc = 9.0\n'
SPARK = '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\n'
CAM = '[[probe]]\nname = "cam"\nrole = "cam_sync"\ncylinder = 1\n'
WHEEL = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\nteeth = "60-2"\n'
AMPS = '[[probe]]\nname = "amps"\nrole = "starter_current"\n'
LEAVES_NOTHING = {
    "every plug out": SIX
    + INTAKE
    + "".join(f'[[fitted]]\nwhat = "open hole"\ncylinder = {c}\nplug_removed = true\n' for c in range(1, 7)),
    "idling with the fuel off": SIX + '[conditions]\nmode = "idle"\nfuel = "disabled"\n' + INTAKE,
    "idling with a plug out": SIX + '[conditions]\nmode = "idle"\n' + INTAKE + P5,
    "a single": "schema = 1\n[engine]\ncylinders = 1\nfiring_order = [1]\n" + INTAKE,
}
HOSE_3 = '[[fitted]]\nwhat = "hose"\ncylinder = 3\nadded_volume_cc = 12.0\n'
HOSE_2 = HOSE_3.replace("3", "2")
OPEN_5 = '[[fitted]]\nwhat = "hole"\ncylinder = 5\nplug_removed = true\n'


def said(setup: Setup) -> str:
    return " ".join(check_text(setup).split())


def section(setup: Setup, title: str) -> str:
    return "\n".join(next(s.lines for s in check_setup(setup) if s.title == title))


@pytest.mark.parametrize(
    ("role", "feature", "expected"),
    [
        ("intake_pulse", "drop", {2}),
        ("intake_pulse", "area", {2}),
        ("crankcase_pulse", "area", {2}),
        ("exhaust_pulse", "rise", {5, 2}),
        ("exhaust_pulse", "suction", {5, 2}),
        ("exhaust_pulse", "steepest_deg", {5, 2}),
        ("starter_current", "compression", {5, 2}),
        ("battery_voltage", "compression", {5, 2}),
        ("crank_teeth", "compression", {5, 2}),
    ],
)
def test_added_volume_disturbs_the_companion_and_for_some_features_its_own_cylinder(
    role: str, feature: str, expected: set[int]
) -> None:
    disturbed = disturbed_cylinders(parse_setup(SIX + INTAKE + P5), role, feature)
    assert set(disturbed) == expected
    assert set(disturbed.values()) == {("added_volume",)}


def test_every_cause_is_named_where_two_meet() -> None:
    disturbed = disturbed_cylinders(parse_setup(SIX + INTAKE + P5 + OPEN_5), "intake_pulse", "drop")
    assert disturbed == {2: ("added_volume", "plug_removed")}


def test_fitted_things_disturb_as_probes_do() -> None:
    setup = parse_setup(SIX + INTAKE + HOSE_3 + OPEN_5)
    assert disturbed_cylinders(setup, "intake_pulse", "drop") == {2: ("plug_removed",), 4: ("added_volume",)}


def test_where_no_pistons_move_together_everything_is_disturbed() -> None:
    setup = parse_setup(THREE + INTAKE + P5.replace("= 5", "= 3"))
    assert set(disturbed_cylinders(setup, "intake_pulse", "drop")) == {1, 2, 3}


def test_a_transducer_of_unsaid_volume_disturbs_and_a_flush_one_does_not() -> None:
    unsaid = parse_setup(SIX + INTAKE + P5.replace("added_volume_cc = 9.0\n", ""))
    assert set(disturbed_cylinders(unsaid, "intake_pulse", "drop")) == {2}
    flush = parse_setup(SIX + INTAKE + P5.replace("9.0", "0"))
    assert disturbed_cylinders(flush, "exhaust_pulse", "rise") == {}


def test_what_can_be_compared_with_disturbed_ones_alone_is_disturbed_too() -> None:
    # In an even twin the deviations from the mean of both are equal and opposite (arithmetic): a hose that makes one
    # read small makes the other read large.
    twin = "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    setup = parse_setup(twin + INTAKE + P5.replace("= 5", "= 2"))
    assert disturbed_cylinders(setup, "intake_pulse", "drop") == {1: ("added_volume",), 2: ("added_volume",)}
    # Of a six's companions 5 and 2 the hose in 5 disturbs 2; a probe that hears 2 and 4 has no other yardstick for 4.
    six = parse_setup(SIX + INTAKE + P5)
    assert set(disturbed_cylinders(six, "intake_pulse", "drop", (2, 4))) == {2, 4}
    assert set(disturbed_cylinders(six, "intake_pulse", "drop", (2, 4, 6))) == {2}
    assert set(disturbed_cylinders(six, "intake_pulse", "drop", (5,))) == {2}


def test_nothing_fitted_disturbs_nothing() -> None:
    assert disturbed_cylinders(parse_setup(SIX + INTAKE), "exhaust_pulse", "rise") == {}


@pytest.mark.parametrize(
    ("probes", "basis"),
    [
        (INTAKE, "none"),
        (SPARK, "cycle"),
        (SPARK + 'every = "revolution"\n', "revolution"),
        (WHEEL, "wheel"),
        (WHEEL + SPARK, "wheel+cycle"),
        (WHEEL + SPARK + 'every = "revolution"\n', "wheel+revolution"),
        (CAM + SPARK + 'every = "revolution"\n', "cycle"),
    ],
)
def test_the_sync_to_be_expected(probes: str, basis: str) -> None:
    assert expected_sync(parse_setup(SIX + probes)) == basis


def test_the_engine_is_described_in_the_order_of_its_strokes() -> None:
    text = section(parse_setup(SIX + INTAKE), "Engine")
    assert "order 1-5-3-6-2-4, evenly, every 120 crank degrees" in text
    assert "1 with 6, 5 with 2 and 3 with 4" in text
    # 360 degrees on, the companion's intake stroke begins; 180 on, the exhaust stroke of the one
    # that fired 180 before: arithmetic on 1-5-3-6-2-4 at 120 degrees.
    assert "intake strokes come in the order 6-2-4-1-5-3, exhaust strokes in the order 4-1-5-3-6-2" in text


def test_uneven_firing_is_described_by_its_angles() -> None:
    twin = "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\nfiring_intervals_deg = [270, 450]\n"
    text = section(parse_setup(twin + INTAKE), "Engine")
    assert "unevenly: 1 at 0, 2 at 270 crank degrees" in text
    assert "No two pistons move together" in text


def test_bore_and_stroke_that_contradict_the_displacement_are_pointed_out() -> None:
    # 88.0 mm x 81.9 mm x 6 is 2988.8 cc: pi/4 x bore^2 x stroke, arithmetic
    sizes = "bore_mm = 88.0\nstroke_mm = 81.9\ndisplacement_cc = "
    assert "one of them is wrong" not in section(parse_setup(SIX + sizes + "2988\n" + INTAKE), "Engine")
    assert "bore and stroke make 2989 cc" in section(parse_setup(SIX + sizes + "2498\n" + INTAKE), "Engine")


@pytest.mark.parametrize(
    ("probe", "line", "cost"),
    [
        (INTAKE, "low_corner_hz = 2", "every interval is widened"),
        (INTAKE, "volts_per_unit = 1", "reported in volts"),
        (SPARK, "offset_deg = -8", "0 to 30 degrees before TDC of 1"),
        (SPARK.replace("ignition_sync", "coil_current_sync"), "offset_deg = -8", "0 to 30 degrees before"),
        (CAM, "offset_deg = 60", "names no cylinder"),
        (WHEEL, 'edge = "falling"\nfirst_tooth_deg = 84', "angles are relative"),
        (P5.replace("added_volume_cc = 9.0\n", ""), "added_volume_cc = 9", "Without added_volume_cc"),
        (INTAKE.replace("intake_pulse", "exhaust_pulse"), "travel_m = 4", "Without travel_m"),
    ],
)
def test_what_a_missing_key_costs_is_said_while_it_is_missing(probe: str, line: str, cost: str) -> None:
    assert cost in section(parse_setup(SIX + probe), "Probes")
    assert cost not in section(parse_setup(SIX + probe + line + "\n"), "Probes")


def test_a_corner_that_is_not_undone_is_said() -> None:
    assert "not undone" in section(parse_setup(SIX + AMPS + "low_corner_hz = 2\n"), "Probes")
    assert "not undone" not in section(parse_setup(SIX + INTAKE + "low_corner_hz = 2\n"), "Probes")


def test_a_cycle_sync_without_its_place_names_nobody() -> None:
    assert "names no cylinder" in section(parse_setup(SIX + INTAKE + CAM), "Naming cylinders")
    assert "names every cylinder" in section(
        parse_setup(SIX + INTAKE + CAM + "offset_deg = 60\n"), "Naming cylinders"
    )
    assert "names every cylinder" in section(parse_setup(SIX + INTAKE + CAM + SPARK), "Naming cylinders")


def test_teeth_of_a_known_place_narrow_what_a_cycle_sync_of_unknown_place_leaves_open() -> None:
    placed = WHEEL + 'edge = "falling"\nfirst_tooth_deg = 84\n'
    text = section(parse_setup(SIX + INTAKE + CAM + placed), "Naming cylinders")
    assert "one of two companions" in text
    assert "in order of coming" in section(parse_setup(SIX + INTAKE + CAM + WHEEL), "Naming cylinders")


def test_a_second_wheel_is_said_to_be_unused() -> None:
    second = WHEEL.replace('"wheel"', '"flywheel"')
    assert "only wheel is used" in section(parse_setup(SIX + INTAKE + WHEEL + second), "Naming cylinders")
    assert "is used" not in section(parse_setup(SIX + INTAKE + WHEEL), "Naming cylinders")


def test_comparisons_say_what_is_disturbed_and_what_is_clean() -> None:
    text = section(parse_setup(SIX + INTAKE + AMPS + P5), "What can be compared")
    assert "intake, drop: disturbed in cylinder 2; clean in 1, 3, 4, 5 and 6." in text
    assert "amps, compression: disturbed in cylinders 2 and 5; clean in 1, 3, 4 and 6." in text
    assert "p5, peak: with intervals, without a verdict." in text
    assert "has not been worked out" in text


def test_clean_set_ups_say_what_a_transducer_would_do() -> None:
    assert "all 6 cylinders cleanly" in section(parse_setup(SIX + INTAKE), "What can be compared")
    assert "companion's pulse that a hose alters" in section(
        parse_setup(SIX + INTAKE), "Where to put a transducer"
    )
    assert "shows in all" in section(parse_setup(THREE + INTAKE), "Where to put a transducer")


def test_a_probe_that_hears_one_cylinder_compares_nothing() -> None:
    setup = parse_setup(SIX + INTAKE + "sees = [3]\n")
    assert "only one cylinder is heard" in section(setup, "What can be compared")


def test_every_plug_out_leaves_nothing_to_judge() -> None:
    out = "".join(f'[[fitted]]\nwhat = "hole"\ncylinder = {c}\nplug_removed = true\n' for c in range(1, 7))
    assert "will be refused" in section(parse_setup(SIX + INTAKE + out), "What can be compared")


def test_dangers_come_first_and_say_that_listen_refuses() -> None:
    conditions = '[conditions]\nfuel = "disabled"\nignition = "on"\n'
    text = said(parse_setup(SIX + conditions + INTAKE + P5))
    assert text.index("Dangers") < text.index("Engine")
    assert "`listen` will refuse" in text
    acknowledged = conditions + 'acknowledged = ["plug_out_ignition_on"]\n'
    text = said(parse_setup(SIX + acknowledged + INTAKE + P5))
    assert "`listen` will refuse" not in text
    assert "grounded spark tester" in text


def test_contradictory_and_unsaid_conditions_are_pointed_out() -> None:
    assert "does not idle" in said(
        parse_setup(SIX + '[conditions]\nmode = "idle"\nfuel = "disabled"\n' + INTAKE)
    )
    assert "keeps the engine from starting" in said(parse_setup(SIX + INTAKE))
    assert "throttle is open" in said(parse_setup(SIX + '[conditions]\nthrottle = "open"\n' + INTAKE)).lower()


def test_what_is_fitted_without_being_recorded_is_described() -> None:
    text = section(parse_setup(SIX + INTAKE + HOSE_3 + OPEN_5), "Probes")
    assert "hose in cylinder 3, adding 12 cc." in text
    assert "hole in cylinder 5, its plug out." in text


def test_the_text_fits_its_width() -> None:
    assert max(map(len, check_text(parse_setup(SIX + INTAKE + P5 + SPARK), width=72).splitlines())) <= 72


def test_the_text_begins_with_the_title_and_ends_with_a_line_end() -> None:
    text = check_text(parse_setup('title = "A lifeboat"\n' + SIX + INTAKE))
    assert text.startswith("A lifeboat\n\nIn short\n")
    assert text.endswith(".\n")


@pytest.mark.parametrize(
    ("setup", "title", "said_so"),
    [
        (SIX + INTAKE + P5 + HOSE_3, "What can be compared", "disturbed in cylinders 2 and 4; clean in 1, 3, 5 and 6"),
        (SIX + INTAKE + P5 + HOSE_3, "What can be compared", "cylinders 3 and 5 compress less"),
        (SIX + INTAKE + OPEN_5, "What to record instead", "the plug of 5 in, eight seconds"),
        (THREE + INTAKE + P5.replace("5", "3"), "What can be compared", "clean in none"),
        (THREE + INTAKE + P5.replace("5", "3"), "Where to put a transducer", "No cylinder of this engine"),
        (SIX + INTAKE + "sees = [1, 5, 3]\n", "What this test cannot see", "hears nothing of 2, 4 and 6"),
        (SIX + INTAKE + SPARK.replace("ignition", "injector"), "What else alters it", "loads it"),
        (SIX + INTAKE + P5, "What stays good", "its valve timing by crank angle"),
        (SIX + INTAKE + P5, "Where to put a transducer", "right if 5 is the suspect, wrong if 2 is"),
        (SIX + INTAKE + P5 + "check_valve = true\n", "What else alters it", "pumps up"),
        (SIX + '[conditions]\nthrottle = "open"\n' + INTAKE, "Conditions", "The throttle is open"),
        (SIX + '[conditions]\nfuel = "clear_flood"\n' + INTAKE, "What else alters it", "holds the throttle open"),
        (SIX + "[conditions]\nbattery_support = true\n" + INTAKE, "What else alters it", "the same in all cranks"),
        (SIX + INTAKE, "What this test cannot see", "half its area"),
        (SIX + INTAKE, "What this test cannot see", "What all cylinders share makes none odd"),
        (SIX + INTAKE, "What this test cannot see", "nor is a choked exhaust port"),
        (FOUR + INTAKE, "What this test cannot see", "with so few cylinders not even a runner at a tenth"),
        (EIGHT + INTAKE + "sees = [8, 4, 6, 2]\n", "What can be compared", "Limited: these pulses come at uneven intervals"),
        (SIX + AMPS, "What this test cannot see", "Only the load of each compression is recorded"),
        (SIX + INTAKE + P5 + HOSE_2, "Where to put a transducer", "Leave one of the two out"),
        (SIX + AMPS + P5 + HOSE_2, "What can be compared", "they load the starter less themselves"),
    ],
)  # fmt: skip
def test_each_case_of_a_set_up_is_put_in_plain_words(setup: str, title: str, said_so: str) -> None:
    assert said_so in section(parse_setup(setup), title)


def test_nothing_is_called_good_where_no_cylinder_is_clean() -> None:
    good = section(parse_setup(THREE + INTAKE + P5.replace("5", "3")), "What stays good")
    assert "called clean above" not in good
    assert "called clean above" in section(parse_setup(SIX + INTAKE + P5), "What stays good")
    assert "uneven intervals" not in section(parse_setup(EIGHT + INTAKE), "What can be compared")


def test_a_clean_set_up_names_nothing_to_record_instead() -> None:
    assert all(s.title != "What to record instead" for s in check_setup(parse_setup(SIX + INTAKE)))


@pytest.mark.parametrize("text", LEAVES_NOTHING.values(), ids=LEAVES_NOTHING.keys())
def test_nothing_is_called_clean_where_a_judgement_would_be_declined(text: str) -> None:
    (compared,) = [s for s in check_setup(parse_setup(text)) if s.title == "What can be compared"]
    assert len(compared.lines) == 1
    assert "cleanly" not in compared.lines[0]
    assert "refused" in compared.lines[0] or compared.lines[0].startswith("Nothing: ")


def test_an_engine_that_idles_with_its_plugs_in_is_compared() -> None:
    assert "intake, drop: compares all 6 cylinders cleanly." in said(
        parse_setup(SIX + '[conditions]\nmode = "idle"\n' + INTAKE)
    )


def short(text: str, prediction: Prediction | None = None) -> str:
    return " ".join(check_setup(parse_setup(text), prediction)[0].lines)


def test_what_matters_stands_first_and_in_short() -> None:
    assert check_setup(parse_setup(SIX + INTAKE + P5))[0].title == "In short"
    with_hose = short(SIX + SPARK + INTAKE + AMPS + P5)
    assert "intake drop of 2; amps compression of 2 and 5." in with_hose
    assert "The others compare as usual." in with_hose
    assert "Crank twice: first with the plug in and nothing else, then as it is." in with_hose
    assert "No cylinder can be named" not in with_hose
    assert "No cylinder can be named as it is: a sync" in short(SIX + INTAKE + P5)
    bare = short(SIX + SPARK + INTAKE)
    assert "Nothing that is fitted disturbs a comparison. Crank eight seconds." in bare
    assert "intake drop of all." in short(THREE + SPARK + INTAKE + P5.replace("= 5", "= 2"))
    assert "No two cylinders are left to compare" in short(THREE + SPARK + INTAKE + P5.replace("= 5", "= 2"))


@pytest.mark.parametrize("what", LEAVES_NOTHING)
def test_in_short_a_test_that_would_be_declined_is_said_to_be(what: str) -> None:
    said = short(LEAVES_NOTHING[what])
    assert "Crank eight seconds" not in said
    assert "Crank twice" not in said


def test_a_danger_stands_before_everything() -> None:
    conditions = '[conditions]\nfuel = "on"\nignition = "on"\n'
    assert short(SIX + conditions + INTAKE + P5).startswith("Do not crank it as it is:")


def predicted(effects: dict[int, float], order: tuple[int, ...] = (1, 5, 3, 6, 2, 4)) -> Prediction:
    """Of intake drops: 40 simulated engines in which what is fitted does so much, per cent, give or take 1."""
    rng = np.random.default_rng(5)
    bare = 1.0 + 0.01 * rng.standard_normal((40, len(order)))
    factor = np.array([1.0 + effects.get(c, 0.0) / 100 for c in order])
    return Prediction(
        cylinders={"intake": order},
        fitted={("intake", "drop"): bare * factor * (1.0 + 0.01 * rng.standard_normal((40, len(order))))},
        bare={("intake", "drop"): bare},
        rpm=np.full(40, 200.0),
        swings={},
        relative=frozenset({("intake", "drop")}),
        scaled=frozenset(),
    )


def test_the_pulse_before_the_companions_is_named_where_the_hose_alters_it_as_surely() -> None:
    # In this V8's firing order 3 fires, and so inhales, just before 6, the companion of 1 (arithmetic). Sizes as an
    # independent first-principles study of such a V8 found them: 6 smaller, 3 larger by as much.
    hose = '[[fitted]]\nwhat = "hose"\ncylinder = 1\nadded_volume_cc = 20.0\n'
    setup, order = parse_setup(EIGHT + SPARK + INTAKE + hose), (1, 8, 4, 3, 6, 5, 7, 2)
    sections = {
        s.title: " ".join(s.lines) for s in check_setup(setup, predicted({6: -12.0, 3: 12.0, 5: -4.0}, order))
    }
    assert "(3 and 6 most)" in sections["In short"]
    assert (
        "That of 3, which inhales just before 6, is made larger as surely as that of 6 smaller: trust neither."
        in sections["What can be compared"]
    )
    assert "most of all of 3 and 6: right if 1 is the suspect" in sections["Where to put a transducer"]
    assert (
        "as surely that of the cylinder that inhales just before the companion"
        in sections["Where to put a transducer"]
    )
    alone = {s.title: " ".join(s.lines) for s in check_setup(setup, predicted({6: -12.0}, order))}
    assert not any("as surely" in text or "most)" in text for text in alone.values())


def test_sections_do_not_contradict_what_the_physics_disturb() -> None:
    setup = parse_setup(SIX + SPARK + INTAKE + OPEN_5)
    most = predicted({1: 30.0, 5: -80.0, 3: 20.0, 2: -15.0, 4: 10.0, 6: 25.0})
    sections = {s.title: " ".join(s.lines) for s in check_setup(setup, most)}
    assert "clean in none" in sections["What can be compared"]
    assert "What stays good" not in sections, "no cylinder was called clean"
    assert "costs the balance of 1, 2, 3, 4 and 6" in sections["Where to put a transducer"]
    assert "the missing plug of cylinder 5 made" in sections["What to record instead"]
    assert "hose made" not in " ".join(sections.values())
    few = predicted({2: -15.0})
    sections = {s.title: " ".join(s.lines) for s in check_setup(setup, few)}
    assert "Cylinders called clean above" in sections["What stays good"]


def test_no_pulse_is_said_to_lack_more_than_all_of_it() -> None:
    assert range_words(Predicted(deviation=-82.0, low=-111.0, high=-52.0)) == "-82 % (-100 to -52 %)"
    assert effect_words(Predicted(deviation=-82.0, low=-111.0, high=-52.0)) == "52 to 100 % smaller"
