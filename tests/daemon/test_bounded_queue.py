"""Queues: bounded, never blocking, every drop counted, and nothing lost without a Gap."""

from __future__ import annotations

import threading

import numpy as np
from evenstroke_daemon.bounded_queue import BlockQueue, BoundedQueue, gap_over
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, SampleBlock
from hypothesis import given
from hypothesis import strategies as st

DT = 0.001


def samples(first, count):
    return SampleBlock((0,), np.zeros((1, count)), first * DT, DT)


@given(st.lists(st.integers(0, 40)), st.integers(1, 100))
def test_never_more_than_its_capacity_and_put_is_dropped_or_had(sizes, capacity):
    queue = BoundedQueue("q", capacity, lambda item: item)
    kept = [size for size in sizes if queue.put(size) and queue.count().depth <= capacity]
    assert queue.dropped == sum(sizes) - sum(kept)
    queue.close()
    got = []
    while (item := queue.get()) is not None:
        got.append(item)
    assert got == kept
    assert queue.count().depth == 0


def test_get_waits_for_what_comes_and_ends_when_it_is_closed():
    queue = BoundedQueue("q", 10, lambda item: 1)
    got = []
    reader = threading.Thread(target=lambda: got.extend([queue.get(), queue.get(), queue.get()]))
    reader.start()
    queue.put("a")
    queue.put("b")
    queue.close()
    reader.join(30)
    assert got == ["a", "b", None]


def test_what_is_done_while_waiting_holds_up_neither_the_one_who_puts_nor_the_one_who_counts():
    # The recorder flushes to the disk here; the port's reader must not wait for that.
    queue = BoundedQueue("q", 10, lambda item: 1)
    held_up = []

    def slow():
        if not held_up:
            other = threading.Thread(target=lambda: (queue.put("a"), queue.count()))
            other.start()
            other.join(10)
            held_up.append(other.is_alive())

    assert queue.get(slow) == "a"
    assert held_up == [False]


@given(st.lists(st.tuples(st.integers(1, 50), st.booleans()), min_size=1, max_size=40))
def test_every_scan_is_handed_on_or_lies_in_a_gap(batches):
    """With a reader that takes a batch whenever the second of each pair says so."""
    queue = BlockQueue(2)
    got, at = [], 0
    for count, take in batches:
        queue.put([samples(at, count)])
        at += count
        if take:
            got.extend(queue.get())
    queue.close()
    while (batch := queue.get()) is not None:
        got.extend(batch)
    handed = sum(b.samples for b in got if isinstance(b, SampleBlock))
    gaps = sum(b.lost_samples for b in got if isinstance(b, Gap))
    assert handed + queue.lost_samples == at
    assert gaps <= queue.lost_samples, "the last loss may have nothing after it"
    # What is handed on is one unbroken line of samples and gaps from the beginning.
    now = 0.0
    for block in got:
        begins, ends = (
            (block.t_from, block.t_to)
            if isinstance(block, Gap)
            else (block.t0, block.t0 + block.samples * block.dt)
        )
        assert abs(begins - now) < DT / 10
        now = ends


def test_a_gap_counts_scans_once_however_many_blocks_carry_them():
    # Inputs that are not evenly spaced come as two blocks of the same scans.
    other = SampleBlock((3,), np.zeros((1, 20)), 0.0004, DT)
    edges = EdgeBlock(5, np.array([0.015]), np.array([True]), 0.02)
    gap = gap_over([samples(0, 20), other, edges, Gap(0.02, 0.05, 30, GapReason.SAMPLES_MISSING)])
    assert (gap.t_from, gap.t_to, gap.lost_samples) == (0.0, 0.05, 50)
    assert gap.reason == "pipeline_behind"


def test_an_empty_batch_is_nothing():
    queue = BlockQueue(1)
    queue.put([])
    assert queue.count().depth == 0
