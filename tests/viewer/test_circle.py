"""The wheel of the cycle: angles, radii, chords; against the cycle's own arithmetic."""

from __future__ import annotations

import math

import msgspec
import pytest
from evenstroke_dsp.engine import companion
from evenstroke_dsp.setup import Engine
from evenstroke_dsp.wording import NOT_WORKED_OUT
from evenstroke_viewer.choosing import choices, seats
from evenstroke_viewer.circle import Wheel, circle_picture, disturbed_cylinders
from evenstroke_viewer.drawing import Line, Text, around
from evenstroke_viewer.look import LIGHT, Look
from scenarios import ORDERS, SCENES


@pytest.mark.parametrize("cylinders", ORDERS)
def test_companions_stand_opposite(scenes, cylinders):
    places = {seat.cylinder: seat.at_deg for seat in seats(scenes(f"{cylinders} cylinders"))}
    assert tuple(places) == ORDERS[cylinders]
    engine = Engine(cylinders=cylinders, firing_order=ORDERS[cylinders])
    for cylinder, at in places.items():
        other = companion(engine, cylinder)
        if other is not None:
            assert abs(at - places[other]) == pytest.approx(360.0)
    wheel = Wheel(0.0, 0.0, 100.0, 20.0)
    for at in places.values():
        x, y = wheel.at(at, 80.0)
        ox, oy = wheel.at(at + 360.0, 80.0)
        assert (x, y) == pytest.approx((-ox, -oy))


def test_uneven_intervals_stand_where_they_fire(scenes):
    import msgspec

    # A 90-degree V6 on common pins fires at intervals of 150 and 90 degrees in turn; common practice, no source.
    model = scenes("6 cylinders")
    model.take(msgspec.structs.replace(model.state, firing_intervals_deg=(150.0, 90.0) * 3))
    assert [seat.at_deg for seat in seats(model)] == [0, 150, 240, 390, 480, 630]


def test_outwards_is_larger_and_nothing_leaves_the_rings():
    wheel = Wheel(0.0, 0.0, 100.0, 20.0)
    assert (
        wheel.radius(-20.0) < wheel.radius(-5.0) < wheel.radius(0.0) < wheel.radius(5.0) < wheel.radius(20.0)
    )
    assert wheel.radius(300.0) == wheel.radius(20.0) == pytest.approx(100.0)
    assert wheel.radius(-300.0) == wheel.radius(-20.0)


def test_angles_run_clockwise_from_above():
    assert around(0, 0, 1, 0) == pytest.approx((0, -1))
    assert around(0, 0, 1, 90) == pytest.approx((1, 0))


def test_the_chord_leads_from_the_hose_to_its_companion(scenes):
    model = scenes("disturbed")
    choice = next(c for c in choices(model) if (c.probe, c.feature) == ("intake", "drop"))
    # 1-5-3-6-2-4: the companion of 5 is 2, three places on.
    assert disturbed_cylinders(choice) == (2,)
    picture = circle_picture(model, 1280, 600, Look())
    in_fitted = [
        i for i in picture.items if isinstance(i, Line) and i.colour == LIGHT.fitted and not i.closed
    ]
    chords = [
        line for line in in_fitted if line.points[0][0] < 0.62 * 1280
    ]  # beside it stands the legend's own
    (chord,) = chords
    (x0, y0), (x1, y1) = chord.points
    angles = {seat.cylinder: seat.at_deg for seat in seats(model)}
    wheel_x = 0.31 * 1280
    for (x, y), cylinder in (((x0, y0), 5), ((x1, y1), 2)):
        at = math.degrees(math.atan2(x - wheel_x, 300 - y)) % 360
        assert at == pytest.approx(angles[cylinder] / 2, abs=0.1)
    assert any("p5: +9" in text for text in picture.texts)


def test_each_deviation_is_written_with_its_interval(scenes):
    model = scenes("odd")
    choice = choices(model)[0]
    picture = circle_picture(model, 1280, 600, Look(), 0)
    from evenstroke_viewer.sentence import signed

    for balance in choice.comparison.cylinders:
        assert any(
            signed(balance.deviation) in text and f"{signed(balance.low)} to {signed(balance.high)}" in text
            for text in picture.texts
        )


def test_before_anything_turns_the_set_up_says_what_will_be_compared(scenes):
    model = scenes("rest")
    assert [(c.probe, c.feature) for c in choices(model)][:2] == [
        ("intake", "drop"),
        ("starter", "compression"),
    ]
    assert any("No cycle yet" in text for text in circle_picture(model, 1280, 600, Look()).texts)


def test_the_legend_says_what_is_drawn_and_no_more(scenes):
    plain = circle_picture(scenes("odd"), 1280, 600, Look()).texts
    assert not any("fitted" in text or "unnamed" in text for text in plain)
    fitted = circle_picture(scenes("disturbed"), 1280, 600, Look()).texts
    assert "foreseen of what is fitted" in fitted and "whom it disturbs" in fitted
    assert any("unnamed" in text for text in circle_picture(scenes("unnamed"), 1280, 600, Look()).texts)


def test_large_type_is_large_in_the_legend_too(scenes):
    def size_of(scale):
        picture = circle_picture(scenes("odd"), 1280, 560, Look(LIGHT, scale))
        return next(i for i in picture.items if isinstance(i, Text) and i.words.startswith("undecided")).size

    assert size_of(2.0) >= 1.3 * size_of(1.0)


def test_no_option_of_a_command_stands_in_a_view(scenes):
    """A size that was not worked out is asked for in the form, not on a command line."""
    model = scenes("disturbed")
    note = model.state.setup_notes[0]
    unsized = msgspec.structs.replace(note, text=f"{note.text.split(' By engine')[0]} {NOT_WORKED_OUT}")
    model.take(msgspec.structs.replace(model.state, setup_notes=(unsized,)))
    (text,) = [t for t in circle_picture(model, 1280, 600, Look()).texts if NOT_WORKED_OUT in t]
    assert "--" not in text and "Ctrl+P" in text


def test_unnamed_cylinders_are_places_in_brackets(scenes):
    assert [seat.label for seat in seats(scenes("unnamed"))] == ["(1)", "(2)", "(3)", "(4)"]


@pytest.mark.parametrize("name", SCENES)
def test_every_choice_can_be_drawn_and_spoken(scenes, name):
    model = scenes(name)
    for number in range(max(1, len(choices(model)))):
        picture = circle_picture(model, 1280, 600, Look(), number)
        assert picture.words
