"""From a set-up to an engine: arithmetic of its sizes, who shares a pipe, how healthy engines scatter."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.physics import parameters_for, scattered
from evenstroke_dsp.setup import parse_setup


def test_compression_volume_is_what_arithmetic_says(bench) -> None:
    # 498 cc at CR 9.4 leave 59.3 cc.
    assert bench.six.swept_cc == pytest.approx(498.1, abs=0.1)
    assert bench.six.clearance_cc[0] == pytest.approx(59.3, abs=0.05)


def test_a_probe_that_hears_half_the_engine_splits_plenum_and_pipe() -> None:
    text = (
        "schema = 1\n[engine]\ncylinders = 6\nfiring_order = [1, 2, 3, 4, 5, 6]\n"
        '[[probe]]\nname = "left"\nrole = "exhaust_pulse"\nsees = [1, 3, 5]\n'
    )
    p = parameters_for(parse_setup(text))
    assert p.exhaust_groups == ((1, 3, 5), (2, 4, 6))
    assert p.intake_groups == ((1, 2, 3, 4, 5, 6),)


def test_scatter_leaves_an_engine_healthy_and_its_cylinders_unlike(bench) -> None:
    engines = [scattered(bench.six, np.random.default_rng(seed)) for seed in range(200)]
    ratios = np.array([[e.compression_ratio(c) for c in range(1, 7)] for e in engines])
    assert ratios.std() / 9.4 == pytest.approx(0.015 * 8.4 / 9.4, rel=0.1)
    leaks = np.array([e.ring_leak_mm2 for e in engines])
    assert np.median(leaks) == pytest.approx(bench.six.ring_leak_mm2[0], rel=0.05)
    assert scattered(bench.six, np.random.default_rng(1)) == engines[1]
    assert scattered(bench.six, np.random.default_rng(1), 0.0) == bench.six
