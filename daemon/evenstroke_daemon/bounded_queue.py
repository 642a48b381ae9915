"""Queues between the service's threads: bounded, never blocking the one who puts, every drop counted.

Policy, everywhere: what does not fit is dropped as it comes (the newest), what is queued stays in order.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

from evenstroke_dsp.blocks import Block, Gap, GapReason, SampleBlock
from evenstroke_dsp.messages import QueueCount

T = TypeVar("T")

_LOOK_UP_S = 0.02


class BoundedQueue(Generic[T]):
    """A first-in, first-out queue of at most `capacity`, in whatever unit `size` measures an item."""

    def __init__(self, name: str, capacity: int, size: Callable[[T], int]) -> None:
        self._name = name
        self._capacity = capacity
        self._size = size
        self._items: deque[T] = deque()
        self._depth = 0
        self._dropped = 0
        self._closed = False
        self._changed = threading.Condition()

    def put(self, item: T) -> bool:
        """Queue the item, or drop it, count it and return False when it does not fit."""
        size = self._size(item)
        with self._changed:
            if self._depth + size > self._capacity:
                self._dropped += size
                return False
            self._items.append(item)
            self._depth += size
            self._changed.notify()
            return True

    def get(self, while_waiting: Callable[[], None] = lambda: None) -> T | None:
        """The oldest item; waits for one. None when the queue is closed and empty.

        while_waiting: called again and again, some dozen times a second, as long as none comes; never with the
        queue locked, for it may wait for a disk, or for a lock whose holder asks this queue for its count.
        """
        while True:
            with self._changed:
                if not self._items and not self._closed:
                    self._changed.wait(_LOOK_UP_S)
                if self._items:
                    item = self._items.popleft()
                    self._depth -= self._size(item)
                    return item
                if self._closed:
                    return None
            while_waiting()

    def close(self) -> None:
        """Nothing more will be put; what is queued can still be had."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def dropped(self) -> int:
        return self._dropped

    def count(self) -> QueueCount:
        with self._changed:
            return QueueCount(
                queue=self._name, capacity=self._capacity, depth=self._depth, dropped=self._dropped
            )


class BlockQueue:
    """Batches of blocks on their way to the pipeline. What was dropped is put into the next batch as a Gap.

    lost_samples: scans that never reached the pipeline because it was behind.
    """

    def __init__(self, capacity: int) -> None:
        self._queue: BoundedQueue[list[Block]] = BoundedQueue("pipeline_batches", capacity, lambda _: 1)
        self._missing: list[Block] = []
        self.lost_samples = 0
        self.count = self._queue.count

    def get(self) -> list[Block] | None:
        """The oldest batch; waits for one. None when the queue is closed and empty."""
        return self._queue.get()

    def put(self, batch: list[Block]) -> None:
        """Queue the batch, or remember its loss; never blocks. One thread puts."""
        if not batch:
            return
        if self._queue.put([*self._missing, *batch]):
            self._missing = []
        else:
            self.lost_samples += _scans(batch)
            self._missing = [gap_over([*self._missing, *batch])]

    @property
    def dropped(self) -> int:
        """Batches that never reached the pipeline as they were."""
        return self._queue.dropped

    def close(self) -> None:
        """Nothing more will be put. A loss that nothing follows needs no Gap: there is nothing after it."""
        self._queue.close()


def gap_over(blocks: list[Block]) -> Gap:
    """The gap that dropping these blocks leaves. The scans of gaps among them stay lost and are counted in."""
    times: list[float] = []
    for block in blocks:
        if isinstance(block, SampleBlock):
            times += [block.t0, block.t0 + block.samples * block.dt]
        elif isinstance(block, Gap):
            times += [block.t_from, block.t_to]
        else:
            times += [block.until, *block.times[:1].tolist()]
    lost = sum(block.lost_samples for block in blocks if isinstance(block, Gap))
    return Gap(min(times), max(times), lost + _scans(blocks), GapReason.PIPELINE_BEHIND)


def _scans(blocks: list[Block]) -> int:
    # Inputs that are not evenly spaced come as several blocks of the same scans.
    scans: dict[object, int] = {}
    for block in blocks:
        if isinstance(block, SampleBlock):
            scans[block.inputs] = scans.get(block.inputs, 0) + block.samples
    return max(scans.values(), default=0)
