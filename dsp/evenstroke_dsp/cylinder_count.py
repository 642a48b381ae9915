"""Does compression come as often as the set-up's cylinders say? Told by the orders of speed or of the starter's load.

A cylinder that does not compress adds orders below the firing's own, and mostly the lowest; it makes no other one the
strongest of all. Where one is, this is another engine's recording, or the set-up's cylinder count is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG, firing_angles
from .setup import Engine

ROLES = ("crank_teeth", "starter_current", "battery_voltage")
"""What compression shows in, whatever the gas does."""
HIGHEST = 12
_FEWEST_CYCLES = 2
_EXPECTED = 0.35  # of all cylinders' strokes in step, from which an order is one that the engine has
_STRONGER, _FAR_STRONGER = 2.5, 5.0
"""Amplitude of the strongest order over that of the strongest expected one: simulated engines with one cylinder that
does not compress stay below 2 (tests/dsp/test_cylinder_count.py)."""


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


def other_count(engine: Engine, orders: CompressionOrders) -> OtherCount | None:
    """How often a cycle compression comes, where that contradicts the set-up's cylinders; else None."""
    if orders.cycles < _FEWEST_CYCLES or not orders.power.any():
        return None
    turns = 2 * np.pi / CYCLE_DEG * np.array(list(firing_angles(engine).values()))
    numbers = np.arange(HIGHEST + 1)
    in_step = np.abs(np.exp(1j * numbers[:, None] * turns[None, :]).mean(axis=1))
    expected = (in_step >= _EXPECTED) & (numbers > 1) & (numbers <= max(engine.cylinders, 2))
    amplitude = np.sqrt(orders.power)
    amplitude[:2] = 0.0  # once a cycle: one weak cylinder, or a speed that changes meanwhile
    strongest = int(np.argmax(amplitude))
    ratio = float(amplitude[strongest]) / max(float(amplitude[expected].max(initial=0.0)), 1e-300)
    if expected[strongest] or ratio < _STRONGER:
        return None
    return OtherCount(strongest, surely=ratio >= _FAR_STRONGER)
