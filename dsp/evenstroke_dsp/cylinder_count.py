"""Does compression come as often as the set-up's cylinders say? Told by the orders of speed or of the starter's load.

A cylinder that does not compress adds all orders below the firing's own alike, and the lowest most. Where another one
is the strongest, and those below it are not there, this is another engine's recording, or the set-up's cylinder count is
wrong.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG, firing_angles
from .setup import Engine

ROLES = ("crank_teeth", "starter_current", "battery_voltage")
"""What compression shows in, whatever the gas does."""
HIGHEST = 12
_FEWEST_CYCLES = 2
_EXPECTED = 0.3  # of all cylinders' strokes in step, from which an order is one that the engine has
_ALIKE = 0.5  # of the strongest: lower orders that large are there too, as one weak cylinder makes them
_STRONGER, _FAR_STRONGER = 2.5, 5.0
"""Amplitude of the strongest order over that of the strongest expected one: simulated engines with one cylinder that
does not compress stay below 2 (tests/dsp/test_cylinder_count.py)."""


_FEWEST_CYLINDERS = 4
"""With fewer a pulse is short beside the cycle, and its own harmonics may outdo the order of their number."""
_PULSES_STRONGER = 2.0


@dataclass(slots=True)
class CompressionOrders:
    """Feeds on whole cycles; power by how often a cycle an order comes, shape (HIGHEST + 1,)."""

    cycles: int = 0
    power: Floats = field(default_factory=lambda: np.zeros(HIGHEST + 1))

    def add(self, cycle: Floats, *, of_speed: bool = False) -> None:
        """One cycle on an even grid over 720 degrees. of_speed: its slope is what loads the crank."""
        level = cycle - np.linspace(0.0, cycle[-1] - cycle[0], cycle.size)
        orders = np.abs(np.fft.rfft(level - level.mean())[: HIGHEST + 1])
        self.power += (orders * np.arange(HIGHEST + 1) if of_speed else orders) ** 2
        self.cycles += 1


@dataclass(frozen=True, slots=True)
class OtherCount:
    """What a probe shows against the set-up: it swings `times` a cycle. `surely`: so much so that nothing judged holds."""

    times: int
    surely: bool


def other_count(
    engine: Engine, orders: CompressionOrders, without: Collection[int] = ()
) -> OtherCount | None:
    """How often a cycle compression comes, where that contradicts the set-up's cylinders; else None.

    without: the cylinders that do not compress by the set-up itself, their plugs being out.
    """
    if orders.cycles < _FEWEST_CYCLES or not orders.power.any():
        return None
    compressing = [angle for cylinder, angle in firing_angles(engine).items() if cylinder not in without]
    if not compressing:
        return None
    turns = 2 * np.pi / CYCLE_DEG * np.array(compressing)
    numbers = np.arange(HIGHEST + 1)
    in_step = np.abs(np.exp(1j * numbers[:, None] * turns[None, :]).mean(axis=1))
    own = (in_step >= _EXPECTED) & (numbers > 1)
    # Of an uneven engine the strokes may be in step only in orders above the count: a twin's of 180 and 540 degrees in
    # three and four.
    expected = own & (numbers <= max(engine.cylinders, int(np.argmax(own)) + 1))
    amplitude = np.sqrt(orders.power)
    # Not once a cycle: that is one weak cylinder, or a speed that changes meanwhile.
    strongest = 2 + int(np.argmax(amplitude[2:]))
    ratio = float(amplitude[strongest]) / max(float(amplitude[expected].max(initial=0.0)), 1e-300)
    weak_one = float(amplitude[1:strongest].min()) >= _ALIKE * float(amplitude[strongest])
    if expected[strongest] or ratio < _STRONGER or weak_one:
        return None
    return OtherCount(strongest, surely=ratio >= _FAR_STRONGER)


def other_count_of_pulses(cycle: Floats, cylinders: int) -> int | None:
    """How often evenly spaced pulses come in a mean cycle, where those of so many cylinders, however unlike, cannot; else None.

    cycle: on an even grid over 720 degrees, its end left out. Pulses at n even places, of whatever sizes, have the order m as
    large as n - m and n + m, but for what the shape of a single one takes off higher orders: the strongest is n or at most n / 2
    (arithmetic). A multiple of n may be what a volume rings at.
    """
    if cylinders < _FEWEST_CYLINDERS:
        return None
    orders = np.abs(np.fft.rfft(cycle)[: 2 * HIGHEST + 1])
    strongest = 1 + int(np.argmax(orders[1:]))
    possible = [*range(1, cylinders // 2 + 1), cylinders]
    if strongest in possible or strongest % cylinders == 0:
        return None
    return strongest if orders[strongest] >= _PULSES_STRONGER * orders[possible].max() else None
