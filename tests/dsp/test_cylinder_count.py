"""A set-up of another engine than the one recorded is noticed by how often compression comes; faults are not mistaken for it."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.cylinder_count import CompressionOrders, other_count, other_count_of_pulses
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.capture_csv import read_capture

ORDERS = {
    3: [1, 3, 2],
    4: [1, 3, 4, 2],
    5: [1, 2, 4, 5, 3],
    6: [1, 5, 3, 6, 2, 4],
    8: [1, 8, 4, 3, 6, 5, 7, 2],
}
MANY = {10: [1, 6, 5, 10, 2, 7, 3, 8, 4, 9], 12: [1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10]}
UNEVEN = {
    "twin, cranks 180 degrees apart": ([1, 2], [180, 540]),
    "twin, cranks 90 degrees apart": ([1, 2], [270, 450]),
    "V twin of 45 degrees": ([1, 2], [315, 405]),
    "three with a T of cranks": ([1, 2, 3], [180, 270, 270]),
    "four with cross cranks": ([1, 3, 2, 4], [270, 180, 90, 180]),
    "V4": ([1, 3, 2, 4], [180, 270, 180, 90]),
    "V6 of 90 degrees": ([1, 2, 3, 4, 5, 6], [150, 90] * 3),
    "V10 of 90 degrees": (list(range(1, 11)), [90, 54] * 5),
}
"""Firing intervals as their cranks and banks make them (arithmetic)."""
DEG = np.arange(0.0, 720.0, 2.0)


def engine(cylinders: int, intervals: str = "", order: list[int] | None = None):
    order = order or ORDERS[cylinders]
    return parse_setup(
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {order}\n{intervals}\n"
        '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 0\n'
    ).engine


def load(of, strength: dict[int, float], *, of_speed: bool = False) -> CompressionOrders:
    """Ten cycles of a hump before each firing TDC, of the given strengths (else 1), with noise; or the speed it leaves."""
    orders, rng = CompressionOrders(), np.random.default_rng(3)
    for _ in range(10):
        cycle = 0.1 * rng.standard_normal(DEG.size)
        for cylinder, at in firing_angles(of).items():
            away = (DEG - at + 360.0) % 720.0 - 360.0
            cycle += strength.get(cylinder, 1.0) * np.exp(-0.5 * (away / 35.0) ** 2)
        orders.add(-np.cumsum(cycle - cycle.mean()) if of_speed else cycle, of_speed=of_speed)
    return orders


@pytest.mark.parametrize("of_speed", [False, True])
@pytest.mark.parametrize("said", ORDERS)
@pytest.mark.parametrize("recorded", ORDERS)
def test_another_even_engine_is_noticed(said: int, recorded: int, of_speed: bool) -> None:
    found = other_count(engine(said), load(engine(recorded), {}, of_speed=of_speed))
    if said == recorded:
        assert found is None
    else:
        assert found is not None and found.times == recorded


@pytest.mark.parametrize(
    ("cylinders", "dead"),
    [(n, dead) for n in ORDERS for dead in ((2,), (1, 2), (1, 3)) if n > 3 or len(dead) == 1],
)
@pytest.mark.parametrize("left", [0.0, 0.5])
@pytest.mark.parametrize("of_speed", [False, True])
def test_cylinders_that_do_not_compress_are_no_other_engine(
    cylinders: int, dead, left: float, of_speed: bool
) -> None:
    of = engine(cylinders)
    found = other_count(of, load(of, dict.fromkeys(dead, left), of_speed=of_speed))
    assert found is None or (len(dead) > 1 and not found.surely)


@pytest.mark.parametrize("of_speed", [False, True])
@pytest.mark.parametrize("name", UNEVEN)
def test_an_odd_firing_engine_is_none_that_contradicts_itself(name: str, of_speed: bool) -> None:
    order, intervals = UNEVEN[name]
    of = engine(len(order), f"firing_intervals_deg = {intervals}", order)
    assert other_count(of, load(of, {}, of_speed=of_speed)) is None


@pytest.mark.parametrize("of_speed", [False, True])
@pytest.mark.parametrize("cylinders", MANY)
def test_one_dead_cylinder_of_many_is_no_other_engine(cylinders: int, of_speed: bool) -> None:
    # What is left of the firing's own order is far smaller than the low orders that the missing stroke makes.
    of = engine(cylinders, order=MANY[cylinders])
    assert other_count(of, load(of, {2: 0.0}, of_speed=of_speed)) is None


@pytest.mark.parametrize(("cylinders", "out"), [(4, (1, 4)), (6, (1, 6)), (6, (1, 3, 2)), (8, (1, 4, 6, 7))])
def test_plugs_that_the_set_up_says_are_out_are_missed_by_nobody(
    cylinders: int, out: tuple[int, ...]
) -> None:
    of = engine(cylinders)
    recorded = load(of, dict.fromkeys(out, 0.0))
    assert other_count(of, recorded, out) is None
    assert other_count(of, load(engine(5), {}), out) is not None


def test_a_real_four_is_no_six(capture_path) -> None:
    # Counted in the file: four dips a cycle while cranking, order 2 of the revolution leading.
    text = (
        f"schema = 1\n[engine]\ncylinders = 6\nfiring_order = {ORDERS[6]}\n"
        '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ncolumn = "Channel 0"\nsampling = "edges"\nteeth = "60-2"\n'
    )
    for cylinders, warned in ((6, True), (4, False)):
        setup = parse_setup(
            text.replace("cylinders = 6", f"cylinders = {cylinders}").replace(
                str(ORDERS[6]), str(ORDERS[cylinders])
            )
        )
        pipeline = Pipeline(setup)
        capture = read_capture(capture_path("inline4_60-2_crank_then_run.csv"), setup, time_column="Time[s]")
        last = [m for block in capture.blocks() for m in pipeline.push(block)] + pipeline.flush()
        said = {w.code for w in last[-1].warnings}
        assert ("cylinder_count" in said) == warned


def test_cycles_that_the_rhythm_cut_bear_out_no_count(angle, trace_of) -> None:
    """They have as many compressions each as the set-up has cylinders, whatever engine it is; the engine by its physics."""
    counted = {}
    for basis in ("pulses, current", "sync, current"):
        setup = angle.setup_of(angle.ENGINES["six"], "sync, current")
        if basis.startswith("pulses"):
            probes = tuple(p for p in setup.probe if not p.is_sync)
            setup = msgspec.structs.replace(setup, probe=probes)
        pipeline, cycles = angle.run(setup, angle.blocks_of(setup, trace_of("six")))
        assert len(cycles) > 5
        counted[basis] = [m.orders.cycles for m in pipeline._measurers if m.probe.role == "starter_current"]
    assert counted["pulses, current"] == [0]
    assert counted["sync, current"][0] > 5


@pytest.mark.parametrize("width_deg", [20.0, 35.0, 50.0])
@pytest.mark.parametrize("said", [4, 5, 6, 8])
@pytest.mark.parametrize("recorded", [4, 5, 6, 8])
def test_another_number_of_pulses_is_noticed_and_no_dead_one_is_taken_for_it(
    said: int, recorded: int, width_deg: float
) -> None:
    def cycle(sizes: list[float]) -> np.ndarray:
        """Gaussian pulses at even places."""
        degrees = np.arange(0.0, 720.0, 2.0)
        whole = np.zeros(degrees.size)
        for k, size in enumerate(sizes):
            away = (degrees - 720.0 * k / len(sizes) + 360.0) % 720.0 - 360.0
            whole -= size * np.exp(-0.5 * (away / width_deg) ** 2)
        return whole

    if said != recorded:
        # Half of them may be a sync at every revolution (`sync_rate`), twice as many what a volume rings at.
        found = other_count_of_pulses(cycle([1.0] * recorded), said)
        assert found == (None if recorded in (said / 2, said * 2) else recorded)
        return
    rng = np.random.default_rng(recorded)
    for _ in range(50):
        sizes = rng.uniform(0.7, 1.3, recorded)
        sizes[rng.choice(recorded, rng.integers(0, recorded - 1), replace=False)] = 0.0
        assert other_count_of_pulses(cycle(list(sizes)), recorded) is None
