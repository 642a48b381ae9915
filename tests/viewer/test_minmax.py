"""What is drawn of a long waveform has all of its extremes, shows its gaps, and is bounded."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_viewer.minmax import reduce_to_columns
from hypothesis import given, settings
from hypothesis import strategies as st

DT_S = 0.001


@settings(max_examples=60, deadline=None)
@given(
    length=st.integers(1, 5000),
    columns=st.integers(1, 400),
    seed=st.integers(0, 1000),
    lost=st.lists(st.tuples(st.integers(0, 4999), st.integers(1, 300)), max_size=3),
)
def test_extremes_gaps_and_order(length, columns, seed, lost):
    samples = np.random.default_rng(seed).standard_normal(length).astype(np.float32)
    for begin, count in lost:
        samples[begin : begin + count] = np.nan
    times, values = reduce_to_columns(samples, 0.0, DT_S, 0.0, length * DT_S, columns)
    assert len(times) == len(values) <= max(3 * columns + 6, 3 * length)
    known = samples[~np.isnan(samples)]
    if known.size:
        assert np.nanmax(values) == known.max()
        assert np.nanmin(values) == known.min()
    assert np.isnan(samples).any() == np.isnan(values).any() or length // columns <= 2
    assert (np.diff(times) >= -1e-12).all()
    # Each value is a sample's, at that sample's time.
    at = np.rint(times / DT_S).astype(int)
    real = ~np.isnan(values)
    assert (samples[at[real]] == values[real]).all()


def test_few_samples_are_given_as_they_are():
    samples = np.arange(20, dtype=np.float32)
    times, values = reduce_to_columns(samples, 1.0, DT_S, 1.0, 1.02, 100)
    assert (values == samples).all()
    assert times[0] == 1.0


def test_outside_the_window_there_is_nothing():
    times, values = reduce_to_columns(np.ones(10, np.float32), 5.0, DT_S, 0.0, 1.0, 100)
    assert len(times) == len(values) == 0


def test_a_spike_of_one_sample_is_drawn():
    samples = np.zeros(1_000_000, np.float32)
    samples[654_321] = 9.0
    times, values = reduce_to_columns(samples, 0.0, DT_S, 0.0, 1000.0, 800)
    assert values.max() == 9.0
    assert times[values.argmax()] == pytest.approx(654.321)


def test_what_is_drawn_does_not_flicker():
    # The window moves on by less than a column: the columns that both show are the same.
    samples = np.random.default_rng(3).standard_normal(200_000).astype(np.float32)
    first = reduce_to_columns(samples, 0.0, DT_S, 0.0, 100.0, 500)
    second = reduce_to_columns(samples, 0.0, DT_S, 0.05, 100.05, 500)
    common = set(zip(*map(list, first), strict=True)) & set(zip(*map(list, second), strict=True))
    assert len(common) >= len(first[0]) - 4
