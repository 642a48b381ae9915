"""The carpet: one row for each cycle, one column for each cylinder, and what repeats is a stripe."""

from __future__ import annotations

from statistics import median

import pytest
from evenstroke_viewer.carpet import (
    FULL_PERCENT,
    Place,
    carpet_of,
    carpet_picture,
    colour,
    most_rows,
    moved,
    probes_of,
)
from evenstroke_viewer.look import LIGHT, Look
from scenarios import ORDERS, SCENES


def test_rows_are_cycles_and_columns_firing_order(scenes):
    model = scenes("odd")
    carpet = carpet_of(model, 0, None, 40)
    assert [cycle.sequence for cycle, _ in carpet.rows] == [c.sequence for c in model.cycles]
    assert tuple(seat.cylinder for seat in carpet.places) == ORDERS[6]
    assert (carpet.probe, carpet.feature) == ("intake", "drop")


def test_what_repeats_is_a_stripe_and_what_happens_once_a_patch(scenes):
    # The rig was told: cylinder 4 (last in the order) 16 % smaller always, cylinder 5 (second) 30 % smaller once.
    carpet = carpet_of(scenes("odd"), 0, None, 40)
    counted = [patches for cycle, patches in carpet.rows if cycle.left_out is None][1:-1]
    last = [patches[5].percent for patches in counted]
    assert all(p < -8 for p in last)
    second = sorted(patches[1].percent for patches in counted)
    assert second[0] < -20 and all(p > -5 for p in second[1:])
    assert -20 < median(last) < -10


def test_one_pulse_that_fails_does_not_colour_its_neighbours(scenes):
    carpet = carpet_of(scenes("odd"), 0, None, 40)
    counted = [patches for cycle, patches in carpet.rows if cycle.left_out is None]
    row = next(patches for patches in counted if patches[1].percent < -20)
    assert all(abs(row[k].percent) < 5 for k in (0, 2, 3, 4))


def test_a_pulse_is_measured_against_its_own_cycle(scenes):
    carpet = carpet_of(scenes("even"), 0, None, 40)
    for _, patches in carpet.rows:
        values = [p.pulse.value for p in patches if p.pulse is not None and p.pulse.value is not None]
        for patch in patches:
            if patch.percent is not None:
                assert patch.percent == pytest.approx(100 * (patch.pulse.value / median(values) - 1))


def test_the_newest_cycle_stays_in_sight_and_an_older_one_can_be_gone_to(scenes):
    model = scenes("odd")
    carpet = carpet_of(model, 0, None, 4)
    assert [c.sequence for c, _ in carpet.rows] == [c.sequence for c in model.cycles][-4:]
    assert carpet.place.sequence == model.cycles[-1].sequence
    first = moved(model, carpet, -1000, 0)
    assert first.sequence == model.cycles[0].sequence
    older = carpet_of(model, 0, first, 4)
    assert model.cycles[0].sequence in [c.sequence for c, _ in older.rows]
    assert moved(model, older, 0, -1).column == (first.column - 1) % 6
    gone = carpet_of(model, 0, Place(99_999, 0), 4)  # a cycle of another session
    assert gone.place.sequence == model.cycles[-1].sequence


def test_colours_say_which_way_and_how_much():
    def distance(a, b):
        return sum(abs(int(a[i : i + 2], 16) - int(b[i : i + 2], 16)) for i in (1, 3, 5))

    assert colour(-FULL_PERCENT, LIGHT) == colour(-90.0, LIGHT) == LIGHT.smaller
    assert colour(FULL_PERCENT, LIGHT) == LIGHT.larger
    strengths = [distance(colour(p, LIGHT), colour(0.0, LIGHT)) for p in (0, 5, 10, 20, 25)]
    assert strengths == sorted(strengths)


def test_every_patch_says_what_it_is(scenes):
    model = scenes("losing")
    picture = carpet_picture(model, carpet_of(model, 0, None, 40), len(probes_of(model)), 1280, 600, Look())
    assert len(picture.spots) == len(model.cycles) * 6
    other = scenes("unnamed")  # its first cycle lacks pulses
    drawn = carpet_picture(other, carpet_of(other, 0, None, 40), len(probes_of(other)), 1280, 600, Look())
    assert any("not measured" in spot.words for spot in drawn.spots)
    assert any("one pulse alone has no interval" in text for text in picture.texts)


@pytest.mark.parametrize("name", SCENES)
def test_every_scene_can_be_drawn(scenes, name):
    model = scenes(name)
    for probe in range(max(1, len(probes_of(model)))):
        carpet = carpet_of(model, probe, None, most_rows(600))
        assert carpet_picture(model, carpet, 1, 1280, 600, Look()).words
