"""The strip without a screen: whose pulse is labelled how, losses, scales; against the rig, which knows what it made."""

from __future__ import annotations

import itertools

import msgspec
import numpy as np
import pytest
from evenstroke_viewer.drawing import Curve, Envelope, Text
from evenstroke_viewer.feed import MarkNote
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.strip import Sight, Strip, labels_of, lanes_of, scale, ticks
from evenstroke_viewer.units import PressureUnit
from scenarios import ORDERS, SCENES

LOOK = Look(LIGHT)


@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
def test_pulses_are_labelled_in_firing_order(scenes, cylinders):
    """Intake strokes follow each other as the cylinders fire (arithmetic: each is 360 degrees after its own firing)."""
    labels = labels_of(scenes(f"{cylinders} cylinders"), "intake", 3.0, 8.0)
    order = ORDERS[cylinders]
    assert len(labels) > 2 * cylinders
    apart = float(np.median([b.from_s - a.from_s for a, b in itertools.pairwise(labels)]))
    for a, b in itertools.pairwise(labels):
        strokes = round((b.from_s - a.from_s) / apart)
        assert strokes in (1, 2)  # a pulse on the border of two cycles may belong to neither
        assert order.index(int(b.words)) == (order.index(int(a.words)) + strokes) % cylinders


def test_the_label_of_the_altered_cylinder_stands_over_the_small_drop(scenes):
    """The rig made cylinder 4's intake drops 16 % smaller: read off the published raw samples under each label."""
    model = scenes("odd")
    drops: dict[str, list[float]] = {}
    for label in labels_of(model, "intake", 3.0, 8.0):
        (piece,) = model.raw.between("intake", label.from_s, label.to_s)
        t = piece.t0_s + piece.dt_s * np.arange(piece.samples.shape[1])
        ends = [float(piece.samples[0][np.abs(t - at) < 0.004].mean()) for at in (label.from_s, label.to_s)]
        drops.setdefault(label.words, []).append(ends[0] - ends[1])
    sizes = {name: float(np.median(of)) for name, of in drops.items()}
    others = np.mean([size for name, size in sizes.items() if name != "4"])
    assert sizes["4"] / others == pytest.approx(0.84, abs=0.04)
    assert {label.verdict for label in labels_of(model, "intake", 3.0, 8.0) if label.words == "4"} == {
        "smaller"
    }


def test_a_label_bears_the_verdict_on_the_feature_that_it_stands_over(scenes):
    """An exhaust probe has verdicts on rise and suction; what is labelled is the rise."""
    model = scenes("disturbed")
    rise, suction = (
        next(c for c in model.comparisons if (c.probe, c.feature) == ("exhaust", feature))
        for feature in ("rise", "suction")
    )
    other = tuple(msgspec.structs.replace(b, verdict="smaller") for b in suction.cylinders)
    changed = [
        msgspec.structs.replace(suction, cylinders=other) if c is suction else c for c in model.comparisons
    ]
    model.take(msgspec.structs.replace(model.balance, comparisons=tuple(changed)))
    verdicts = {b.cylinder: b.verdict for b in rise.cylinders}
    labels = labels_of(model, "exhaust", 3.0, 8.0)
    assert labels
    assert all(label.verdict == verdicts[int(label.words)] for label in labels)


def test_cylinders_without_names_are_labelled_by_place(scenes):
    words = {label.words for label in labels_of(scenes("unnamed"), "intake", 3.0, 8.0)}
    assert words == {"(1)", "(2)", "(3)", "(4)"}


def test_what_does_not_count_is_struck_out(scenes):
    model = scenes("losing")
    out = [label for label in labels_of(model, "intake", 0.0, 6.0) if label.left_out]
    assert out
    assert any(
        a <= label.to_s and b >= label.from_s - 1.0 for label in out for a, b in SCENES["losing"]().lost
    )


def test_losses_are_drawn_where_they_were(scenes):
    model = scenes("losing")
    picture = Strip().picture(model, Sight(seconds=5.0, until_s=6.0), 1280, 560, LOOK)
    words = [t for t in picture.items if isinstance(t, Text) and t.words == "lost"]
    assert len(words) == 3 * len(lanes_of(model))
    left, wide = 0.15 * 1280, 1280 * (1 - 0.15 - 0.012)
    for (from_s, to_s), text in zip(SCENES["losing"]().lost, words[:3], strict=True):
        middle = left + (0.5 * (from_s + to_s) - 1.0) / 5.0 * wide
        assert text.x + text.width / 2 == pytest.approx(middle, abs=3)


def test_no_curve_crosses_a_loss(scenes):
    model = scenes("losing")
    picture = Strip().picture(model, Sight(seconds=5.0, until_s=6.0), 1280, 560, LOOK)
    left, wide = 0.15 * 1280, 1280 * (1 - 0.15 - 0.012)
    envelopes = [item for item in picture.items if isinstance(item, Envelope)]
    assert len(envelopes) == 2 * len(lanes_of(model))
    for curve in (envelope.as_curve() for envelope in envelopes):
        for from_s, to_s in SCENES["losing"]().lost:
            a, b = (left + (t - 1.0) / 5.0 * wide for t in (from_s + 0.02, to_s - 0.02))
            inside = (curve.xs > a) & (curve.xs < b)
            assert np.isnan(curve.ys[inside]).all()
            before, after = np.flatnonzero(curve.xs <= a)[-1], np.flatnonzero(curve.xs >= b)[0]
            assert np.isnan(curve.ys[before : after + 1]).any()


def test_scales_carry_the_unit_that_was_chosen(scenes):
    model = scenes("odd")
    model.choose(PressureUnit.PSI)
    texts = Strip().picture(model, Sight(), 1280, 560, LOOK).texts
    assert sum("psi" in words for words in texts) == 2
    assert sum(words.endswith("\N{NO-BREAK SPACE}A") for words in texts) == 2


def test_a_mark_is_drawn_with_its_note(scenes):
    model = scenes("odd")
    model.take(MarkNote(7.0, "throttle opened"))
    assert "throttle opened" in Strip().picture(model, Sight(seconds=5.0, until_s=9.0), 1280, 560, LOOK).texts


def test_one_probe_alone_and_one_waveform_alone(scenes):
    model = scenes("odd")
    strip = Strip()
    both = strip.picture(model, Sight(), 1280, 560, LOOK)
    alone = strip.picture(model, Sight(only=1), 1280, 560, LOOK)
    assert "intake" in both.texts
    assert "starter" in alone.texts and "intake" not in alone.texts
    curves = [
        sum(isinstance(i, Envelope) for i in strip.picture(model, Sight(shown=s), 1280, 560, LOOK).items)
        for s in ("both", "conditioned", "raw")
    ]
    assert curves == [4, 2, 2]


def test_few_seconds_show_samples_themselves(scenes):
    """Zoomed in, each curve passes through samples that were published."""
    model = scenes("odd")
    picture = Strip().picture(model, Sight(seconds=0.5, until_s=5.0, shown="raw", only=0), 1280, 560, LOOK)
    (curve,) = [i for i in picture.items if isinstance(i, Curve)]
    (piece,) = model.raw.between("intake", 4.5, 5.0)
    t = piece.t0_s + piece.dt_s * np.arange(piece.samples.shape[1])
    inside = (t >= 4.5) & (t <= 5.0)
    assert np.isfinite(curve.xs).sum() == pytest.approx(inside.sum(), abs=3)


def test_before_anything_came_it_says_what_to_do(scenes):
    (words,) = Strip().picture(scenes("waiting"), Sight(), 1280, 560, LOOK).texts
    assert "evenstroke listen" in words


@pytest.mark.parametrize(
    ("low", "high"), [(-0.83, 1.94), (0.0, 0.0), (101.2, 101.3), (-3e-4, 2e-4), (5, 4000)]
)
def test_a_scale_holds_its_values_and_wastes_little(low, high):
    least, most = scale(low, high)
    assert least <= low and high <= most
    assert most > least
    if high > low:
        assert most - least <= 1.6 * (high - low)


def test_ticks_are_round_and_within():
    assert ticks(5.37, 10.37, 10) == pytest.approx([5.5, 6, 6.5, 7, 7.5, 8, 8.5, 9, 9.5, 10])
    assert ticks(0.0, 0.5, 5) == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4, 0.5])


def test_a_trouble_of_the_probe_stands_by_its_name(scenes):
    assert "samples lost" in Strip().picture(scenes("losing"), Sight(), 1280, 560, Look(DARK)).texts
