"""What is known of a stream at each moment, and that it stays bounded."""

from __future__ import annotations

import numpy as np
from evenstroke_dsp.messages import Cycle, Wave, WaveData
from evenstroke_viewer.feed import Delivery, Jumped, MarkNote, Restarted
from evenstroke_viewer.view_model import KEPT_CUTS, KEPT_CYCLES, KEPT_S, ViewModel


def wave(t0_s, samples, kind="raw", dt_s=0.01):
    values = np.asarray(samples, np.float32)[None, :]
    header = Wave(
        sequence=0, kind=kind, probes=("intake",), units=("kPa",), shape=values.shape, t0_s=t0_s, dt_s=dt_s
    )
    return WaveData(header, values)


def cycle(number):
    return Cycle(
        sequence=number, stretch="cranking", index=number, from_s=0.6 * number, to_s=0.6 * number + 0.6, rpm=200.0,
        angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


def test_waves_that_join_up_are_one_piece_and_a_hole_is_a_hole():
    model = ViewModel()
    for t0 in (0.0, 0.1, 0.3, 0.4):  # 0.2 never came
        model.take(wave(t0, np.arange(10) + 100 * t0))
    pieces = model.raw.between("intake", 0.0, 1.0)
    assert [round(p.t0_s, 6) for p in pieces] == [0.0, 0.3]
    assert [p.samples.shape for p in pieces] == [(1, 20), (1, 20)]
    assert model.raw.between("exhaust", 0.0, 1.0) == []


def test_memory_does_not_grow_with_time():
    model = ViewModel()
    for number in range(3 * KEPT_CYCLES):
        model.take(wave(0.6 * number, np.zeros(60)))
        model.take(wave(0.6 * number, np.zeros(60), kind="conditioned"))
        model.take(cycle(number))
    assert len(model.cycles) == KEPT_CYCLES
    assert len(model.cuts) == KEPT_CUTS
    (piece,) = model.raw.between("intake", 0.0, 1e9)
    assert piece.samples.shape[1] * piece.dt_s <= KEPT_S + 0.7


def test_the_waveform_of_a_cycle_is_kept_with_it():
    model = ViewModel()
    model.take(wave(0.0, np.arange(200), kind="conditioned"))
    model.take(cycle(1))  # 0.6 to 1.2 s
    (piece,) = model.cuts[0].pieces["intake"]
    assert (piece.samples[0] == np.arange(60, 121)).all()
    assert model.cuts[0].units == {"intake": "kPa"}


def test_contact():
    model = ViewModel()
    model.deliver(Delivery((), None, 0, 0, 0))
    assert model.contact == "waiting"
    model.deliver(Delivery((cycle(0),), 0.0, 0, 0, 0))
    assert model.contact == "heard"
    before = model.revision
    model.deliver(Delivery((), 2.0, 0, 0, 0))
    assert (model.contact, model.revision) == ("heard", before)
    model.deliver(Delivery((), 3.4, 0, 0, 0))
    assert (model.contact, model.silent_s) == ("silent", 3.0)
    at = model.revision
    model.deliver(Delivery((), 3.9, 0, 0, 0))
    assert model.revision == at  # nothing to draw anew within the same second


def test_another_session_begins_with_nothing():
    model = ViewModel()
    model.take(wave(0.0, np.zeros(10)))
    model.take(cycle(0))
    model.take(MarkNote(0.2, "coughed"))
    model.take(Restarted())
    assert (len(model.cycles), len(model.cuts), len(model.marks), model.now_s) == (0, 0, 0, 0.0)


def test_after_a_jump_only_what_is_told_of_the_other_place_is_known():
    model = ViewModel()
    for number in range(6):
        model.take(cycle(number))
    model.take(wave(0.0, np.zeros(10)))
    model.take(MarkNote(1.0, "here"))
    model.take(Jumped())
    assert (len(model.cycles), len(model.cuts), model.now_s, model.balance) == (0, 0, 0.0, None)
    for number in (0, 1, 1, 2):
        model.take(cycle(number))
    model.take(MarkNote(1.0, "here"))
    assert [c.sequence for c in model.cycles] == [c.sequence for c in model.cuts] == [0, 1, 2]
    assert len(model.marks) == 1  # what somebody marked is not forgotten, and not marked twice


def test_losses_within_the_last_seconds(scenes):
    assert scenes("losing").losing > 0
    assert scenes("odd").losing == 0
