"""Columns of a running waveform against numpy on the samples themselves, however the stream was cut and watched."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from evenstroke_dsp.messages import Wave, WaveData
from evenstroke_viewer.columns import RunningColumns
from evenstroke_viewer.view_model import WaveKeeper

DT = 1e-3


def wave(samples, t0_s, dt_s=DT):
    header = Wave(
        sequence=0,
        kind="raw",
        probes=("intake",),
        units=("kPa",),
        shape=(1, len(samples)),
        t0_s=t0_s,
        dt_s=dt_s,
    )
    return WaveData(header, np.asarray(samples, np.float32)[None, :])


def filled(samples, cuts=(), missing=(), dt_s=DT):
    """A keeper that got the samples in messages cut at these places; those in `missing`, numbered, never came."""
    keeper = WaveKeeper()
    ends = [0, *cuts, len(samples)]
    for number, (a, b) in enumerate(itertools.pairwise(ends)):
        if number not in missing:
            keeper.take(wave(samples[a:b], a * dt_s, dt_s))
    return keeper


def by_hand(samples, column, width_s, dt_s=DT):
    """The samples whose time lies in that column."""
    index = np.arange(len(samples))
    return samples[np.floor(np.round(index * dt_s / width_s, 6)) == column]


@pytest.mark.parametrize("seed", range(4))
def test_each_column_has_its_samples_extremes(seed):
    rng = np.random.default_rng(seed)
    samples = rng.normal(size=3000).astype(np.float32)
    cuts = np.sort(rng.choice(np.arange(1, 3000), size=12, replace=False)).tolist()
    width_s = float(rng.uniform(3, 40)) * DT
    columns = RunningColumns("intake").between(filled(samples, cuts), 0.3, 2.7, width_s)
    assert columns.low.size > 50
    for k in range(columns.low.size):
        own = by_hand(samples, columns.first + k, width_s)
        assert columns.low[k] == own.min()
        assert columns.high[k] == own.max()
    assert not columns.lost.any()


@pytest.mark.parametrize("seed", range(4))
def test_watching_as_it_comes_shows_what_one_look_shows(seed):
    rng = np.random.default_rng(seed)
    samples = rng.normal(size=4000).astype(np.float32)
    samples[rng.integers(0, 4000, size=20)] = np.nan
    keeper, watched = WaveKeeper(), RunningColumns("intake")
    width_s, window_s = 0.007, 1.4
    at = 0
    while at < 4000:
        step = int(rng.integers(5, 200))
        if rng.random() > 0.15 or at == 0:  # else this message never came
            keeper.take(wave(samples[at : at + step], at * DT))
        at += step
        until = keeper.until_s
        seen = watched.between(keeper, until - window_s, until, width_s)
        once = RunningColumns("intake").between(keeper, until - window_s, until, width_s)
        # The newest column before a hole may have been seen before the hole was known.
        np.testing.assert_array_equal(seen.low, once.low)
        np.testing.assert_array_equal(seen.high, once.high)
        assert seen.first == once.first


def test_a_spike_of_one_sample_is_never_lost():
    samples = np.zeros(20_000, np.float32)
    samples[12_345] = 7.0
    columns = RunningColumns("intake").between(filled(samples, dt_s=1e-4), 0.0, 2.0, 0.01)
    assert np.nanmax(columns.outline()[1]) == 7.0


def test_a_band_leaves_no_hole_between_columns_and_fills_no_more_than_samples_span():
    rng = np.random.default_rng(3)
    samples = np.cumsum(rng.normal(size=4000)).astype(np.float32)
    samples[2000:2100] = np.nan
    columns = RunningColumns("intake").between(filled(samples), 0.0, 4.0, 0.01)
    low, high = columns.band()
    known = ~np.isnan(columns.low)
    assert (low[known] <= columns.low[known]).all() and (high[known] >= columns.high[known]).all()
    assert np.isnan(low[~known]).all() and np.isnan(high[~known]).all()
    both = known[1:] & known[:-1]
    assert (low[1:] <= high[:-1])[both].all() and (high[1:] >= low[:-1])[both].all()
    # It goes no farther than to touch the column before.
    assert (low[1:] >= np.minimum(columns.low[1:], columns.high[:-1]))[both].all()
    assert (high[1:] <= np.maximum(columns.high[1:], columns.low[:-1]))[both].all()


def test_a_message_that_never_came_is_a_gap_where_it_was():
    samples = np.ones(3000, np.float32)
    keeper = filled(samples, cuts=(1000, 1200, 2000), missing=(1,))
    width_s = 0.01
    gaps = RunningColumns("intake").between(keeper, 0.0, 3.0, width_s).gaps()
    assert len(gaps) == 1
    assert gaps[0] == pytest.approx((1.0, 1.2), abs=1.01 * width_s)


def test_lost_samples_within_a_message_are_a_gap_and_its_rest_is_drawn():
    samples = np.ones(3000, np.float32)
    samples[1500:1503] = np.nan
    columns = RunningColumns("intake").between(filled(samples), 0.0, 3.0, 0.01)
    assert [round(t, 3) for gap in columns.gaps() for t in gap] == [1.5, 1.51]
    assert not np.isnan(columns.low).any()


def test_neither_the_beginning_nor_the_end_of_a_stream_is_a_loss():
    keeper = WaveKeeper()
    keeper.take(wave(np.ones(500), 3.0))
    columns = RunningColumns("intake").between(keeper, 0.0, 10.0, 0.01)
    assert columns.gaps() == []
    assert np.isnan(columns.low[:299]).all()
    assert not np.isnan(columns.low[300:350]).any()


def test_samples_farther_apart_than_columns_are_no_loss():
    columns = RunningColumns("intake").between(filled(np.ones(100), dt_s=0.01), 0.0, 1.0, 0.002)
    assert columns.gaps() == []
