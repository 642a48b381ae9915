"""What an uncertain crank angle does to the balance: it widens and is said, where pulses merge; else it does nothing.

The recordings are the benchmark's: simulated cranks whose true balance is read off the noise-free pressure.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parents[1] / "bench"


@pytest.fixture(scope="module")
def bench_cranks(tmp_path_factory):
    sys.path.insert(0, str(BENCH))
    try:
        from accuracy_cranks import judged, recordings
    finally:
        sys.path.remove(str(BENCH))
    folder = tmp_path_factory.mktemp("cranks")
    recordings.simulate_all([("twin-270-450", 0, False), ("four", 0, False)], folder)
    return judged, recordings, folder


# Chosen as the worst of those whose interval excluded the truth by a sync alone before it was widened.
@pytest.mark.parametrize(("seed", "snr_db", "odd"), [(1000, 30.0, (2, 0.0)), (1033, 18.0, (1, -6.5))])
def test_an_uneven_twin_by_sync_alone_is_widened_until_it_holds_the_truth(
    bench_cranks, seed, snr_db, odd
) -> None:
    judged, recordings, folder = bench_cranks
    case = recordings.Case("twin-270-450", seed, snr_db, 0, odd=(odd,), per_cycle=0.02)
    outcome = judged.judge(case, folder)
    assert outcome.angle_rms_deg > 12.0, "what compression makes of the speed is not known well enough here"
    assert "angle_uncertain" in outcome.codes
    assert not outcome.ever_excluded() and not outcome.ever_wrong()
    # With a wheel the same crank is known to a tenth of a degree, and narrow.
    known = judged.judge(dataclasses.replace(case, probes=("intake", "spark", "wheel")), folder)
    assert "angle_uncertain" not in known.codes

    def width(found) -> float:
        return found.last[1].high - found.last[1].low

    assert width(known) < width(outcome)


def test_an_even_four_by_sync_alone_is_not_widened(bench_cranks) -> None:
    judged, recordings, folder = bench_cranks
    outcome = judged.judge(recordings.Case("four", 1, 30.0, 0), folder)
    assert "angle_uncertain" not in outcome.codes
    assert outcome.rms_error() < 1.0
