"""Cranks of an invented family of fours whose third runner is long: its pulse is small in every sound one of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from setup_texts import FOUR, intake, probe, sampled

FAMILY = 'family = "Barge four"\n'
SETUP = FOUR + FAMILY + intake(low_corner_hz=0.5, volts_per_unit=1.0, volts_at_zero=2.5)
SETUP += probe("spark", "ignition_sync", cylinder=1, offset_deg=-8)
"""For the captures below; their columns are called as the probes are."""
SOUND = {1: 2.0, 3: -11.0, 4: 2.0, 2: 2.0}
"""Per cent, each cylinder of a sound engine of this family."""
_SCATTER = 0.8
"""From one sound engine to the next, per cent."""
_RATE_HZ = 1000


def setup(text: str = SETUP) -> Setup:
    return parse_setup(text)


def crank(path: Path, number: int, altered: dict[int, float] | None = None, crank_s: float = 7.0) -> Path:
    """A capture as CSV of the engine of that number (from 1 on); altered: per cent that a cylinder is off besides."""
    draw = np.random.default_rng(number)
    sizes = {c: p + draw.normal(0.0, _SCATTER) + (altered or {}).get(c, 0.0) for c, p in SOUND.items()}
    wired = SETUP.replace('name = "intake"', 'name = "intake"\ninput = 0').replace(
        'name = "spark"', 'name = "spark"\ninput = 1'
    )
    source = EngineSource(
        parse_setup(wired + sampled(_RATE_HZ)),
        Cranking(rest_s=0.5, crank_s=crank_s, noise_db=35.0, seed=number),
        tuple(Alteration("intake", c, p) for c, p in sizes.items()),
        analog_probes=frozenset({"spark"}),
    )
    times = np.arange(0.0, crank_s + 1.0, 1.0 / _RATE_HZ)
    volts = source.volts((0, 1), np.tile(times, (2, 1)))
    table = np.column_stack([times, *volts])
    np.savetxt(path, table, delimiter=",", header="time_s,intake,spark", comments="", fmt="%.5f")
    return path
