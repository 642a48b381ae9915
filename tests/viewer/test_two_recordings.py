"""Two recordings over each other, without a window: what is compared, what is said, and what is drawn."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from evenstroke_replay.comparing import compare_judged
from evenstroke_viewer.drawing import Line, Text
from evenstroke_viewer.look import LIGHT, Look
from evenstroke_viewer.sentence import signed
from evenstroke_viewer.two_recordings import (
    STEPS,
    alike_lines,
    change_name,
    laid_picture,
    lay,
    relevant_texts,
    sentence,
)
from evenstroke_viewer.units import PressureUnit
from two_cranks import hose_and_none, judged, scene, twelve, unnamed, with_hose, without_hose

SIZE = (1280.0, 560.0)


def picture(laid, place=0, unit=PressureUnit.KPA, size=SIZE, look=Look(LIGHT)):  # noqa: B008
    return laid_picture(laid, place, unit, *size, look)


def test_the_difference_is_the_one_of_compare():
    laid = hose_and_none()
    assert laid.compared == compare_judged(with_hose(), without_hose())


def test_what_changed_most_comes_first_and_is_the_sentence():
    """The rig makes the second cylinder's intake drop 14 % smaller in the first crank, and nothing else differs."""
    laid = hose_and_none()
    first, *others = laid.choices
    assert change_name(first) == "intake: intake pulse, while cranking"
    changed = [x for x in first.cylinders if x.verdict == "changed"]
    assert [x.cylinder for x in changed] == [2] and changed[0].low < -14.0 < changed[0].high
    words = sentence(laid, first)
    assert "Cylinder 2's intake pulse" in words and "95\N{NO-BREAK SPACE}% interval" in words
    assert not any(x.verdict == "changed" for other in others for x in other.cylinders)


def test_what_cannot_be_told_comes_with_what_to_do():
    noisy = scene(0.0)
    noisy = dataclasses.replace(noisy, cranking=dataclasses.replace(noisy.cranking, noise_db=12.0))
    laid = lay(with_hose(), judged(noisy))
    undecided = [c for c in laid.choices if any(x.verdict == "undecided" for x in c.cylinders)]
    for change in undecided:
        assert "Cannot tell" in sentence(laid, change) and "crank longer" in sentence(laid, change)
    assert undecided, "the scene is to hold something that its cycles do not settle"


def test_the_same_crank_twice_differs_in_nothing():
    laid = lay(without_hose(), without_hose())
    assert all(abs(x.change) < 1e-9 for c in laid.choices for x in c.cylinders)
    for first, second in laid.waves.values():
        assert np.array_equal(first.mean, second.mean)
    assert alike_lines(laid.compared) == ("Nothing differs that the set-ups and the recordings tell of.",)


def test_waveforms_are_of_one_cycle_with_its_pulses_where_firing_order_puts_them():
    first, second = hose_and_none().waves["intake"]
    assert first.mean.shape == (STEPS + 1,) and first.unit == "kPa"
    assert (first.cycles, second.cycles) > (2, 2)
    # The intake strokes of 1-3-4-2 come in the order 4-2-1-3 after the firing TDC of 1 (arithmetic).
    assert [cylinder for cylinder, _ in sorted(first.pulses, key=lambda p: p[1])] == [4, 2, 1, 3]
    places = np.array([share for _, share in sorted(first.pulses, key=lambda p: p[1])])
    assert np.allclose(np.diff(places), 0.25, atol=0.03)


def test_where_they_differ_is_at_the_altered_cylinders_pulse():
    first, second = hose_and_none().waves["intake"]
    difference = np.abs(first.mean - second.mean)
    at = dict(first.pulses)[2]
    apart = abs((np.argmax(difference) / STEPS - at + 0.5) % 1.0 - 0.5)
    assert apart < 0.125  # within half a stroke
    # and far beyond what the cycles' own scatter leaves open
    assert difference.max() > 5 * np.hypot(first.error, second.error)[np.argmax(difference)]


def test_a_mean_waves_error_is_that_of_a_mean():
    """Standard error of a mean: s / sqrt(n) (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2)."""
    from evenstroke_dsp.messages import Cycle, WaveData
    from evenstroke_viewer.two_recordings import _one_cycle
    from evenstroke_viewer.view_model import WaveKeeper

    judged = without_hose()
    keeper = WaveKeeper(np.inf)
    for message in judged.messages:
        if isinstance(message, WaveData) and message.header.kind == "conditioned":
            keeper.take(message)
    rows = [
        row
        for cycle in judged.messages
        if isinstance(cycle, Cycle) and cycle.left_out is None
        if (row := _one_cycle(keeper, "intake", cycle)) is not None
    ]
    wave = lay(judged, judged).waves["intake"][0]
    assert wave.cycles == len(rows)
    assert np.allclose(wave.error, np.std(rows, axis=0, ddof=1) / np.sqrt(len(rows)))


def test_unnamed_cylinders_are_neither_subtracted_nor_laid_over():
    laid = lay(with_hose(), unnamed())
    assert laid.choices == () and laid.waves == {}
    assert "named in the first crank and not" in sentence(laid, None)
    drawn = picture(laid)
    assert drawn.words.count("named in the first crank and not") == 1 and "--" not in drawn.words
    assert "Record a sync on one cylinder, once a cycle" in drawn.words
    assert relevant_texts(laid.compared, None)


def test_likeness_stands_before_the_difference():
    laid = hose_and_none()
    (line,) = alike_lines(laid.compared)
    assert line == "fitted: the compression hose in cylinder 3 | nothing (what this is about)."
    assert any(line in text for text in picture(laid).texts)


def test_every_comparison_is_reached_and_counted_round():
    laid = hose_and_none()
    seen = {picture(laid, place).texts[0] for place in range(len(laid.choices))}
    assert len(seen) == len(laid.choices) == 3
    assert picture(laid, -1) == picture(laid, len(laid.choices) - 1)


def test_every_cylinder_has_its_row_with_its_interval():
    laid = hose_and_none()
    words = " ".join(picture(laid).texts)
    for x in laid.choices[0].cylinders:
        assert x.verdict in words
        assert f"{signed(x.low)} to {signed(x.high)}" in words


@pytest.mark.parametrize("unit", list(PressureUnit))
def test_pressures_are_in_the_chosen_unit(unit):
    legend = next(
        text for text in picture(hose_and_none(), unit=unit).texts if text.startswith("full: first")
    )
    assert legend.endswith(unit.value)


def test_all_of_it_lies_inside_the_picture():
    for laid, size in itertools.product((hose_and_none(), twelve()), (SIZE, (640.0, 200.0))):
        drawn = picture(laid, size=size)
        for item in drawn.items:
            if isinstance(item, Text):
                assert item.x >= -1e-6 and item.x + item.width <= size[0] + 1e-6, item.words
                assert item.y >= -1e-6 and item.y + item.height <= size[1] + 1e-6, item.words
            elif isinstance(item, Line):
                assert all(0 <= x <= size[0] and 0 <= y <= size[1] for x, y in item.points)
