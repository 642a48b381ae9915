"""The clocks that the service reads; tests give it others."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Clock:
    """monotonic_ns only grows; wall_ns is nanoseconds since 1970 (UTC); processor_s is what this process has used."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    wall_ns: Callable[[], int] = time.time_ns
    processor_s: Callable[[], float] = time.process_time


REAL = Clock()
