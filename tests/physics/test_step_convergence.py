"""The integration's step does not make the result."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.physics import Fault, FittedPart, kernel

HOSE = (FittedPart(cylinder=5, added_volume_cc=9.0),)
HALF_A_RUNNER = (Fault(kind="intake_restriction", cylinders=(3,), size=0.5),)


def features(bench, step_s: float) -> dict[str, np.ndarray]:
    p = bench.six
    healthy = bench.crank(p, crank_s=5.0, step_s=step_s)
    fitted = bench.crank(p, crank_s=5.0, step_s=step_s, fitted=HOSE)
    restricted = bench.crank(p, crank_s=5.0, step_s=step_s, faults=HALF_A_RUNNER)
    keep = bench.steady(healthy)
    return {
        "drop": bench.drops(p, healthy),
        "suction": bench.suctions(p, healthy),
        "peak": healthy.cylinder_kpa[:, keep].max(axis=1),
        "rpm": np.array([healthy.rpm[keep].mean()]),
        "hose": (bench.drops(p, fitted) / bench.drops(p, healthy) - 1) * 100,
        "half a runner": (bench.drops(p, restricted) / bench.drops(p, healthy) - 1) * 100,
    }


def test_the_default_step_is_short_enough(bench) -> None:
    default, fine = features(bench, 50e-6), features(bench, 12.5e-6)
    for name, share in (("drop", 4e-3), ("suction", 6e-3), ("peak", 1e-3), ("rpm", 2.5e-3)):
        assert default[name] == pytest.approx(fine[name], rel=share), name
    # Their effects on every cylinder's pulse, in points of per cent.
    for name in ("hose", "half a runner"):
        assert default[name] == pytest.approx(fine[name], abs=0.05), name


def test_the_error_of_a_compression_falls_with_the_square_of_the_step(bench) -> None:
    engine = bench.sealed_single(9.4, cp_over_r=(3.5,))

    def error(step_s: float) -> float:
        trace = bench.crank(
            engine,
            rest_s=0.0,
            crank_s=0.0,
            coast_s=0.2,
            first_deg=540.0,
            step_s=step_s,
            output_hz=1250.0,
            imposed=bench.constant_speed(200),
        )
        # Sample 187.5 is TDC; just before it, by the isentrope of the volume there.
        i = 150
        swept = [
            kernel.swept_volume(
                np.radians(a), engine.stroke_mm / 2, engine.rod_mm, np.pi / 4 * engine.bore_mm**2
            )[0]
            for a in (540.0, trace.theta_deg[i])
        ]
        first, then = (s * 1e-3 + engine.clearance_cc[0] for s in swept)
        return abs(trace.cylinder_kpa[0][i] / trace.cylinder_kpa[0][0] / (first / then) ** 1.4 - 1)

    coarse, fine = error(400e-6), error(200e-6)
    assert coarse / fine == pytest.approx(4, rel=0.15)
