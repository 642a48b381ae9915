"""A pulse belongs to the cylinder whose stroke made it: one to twelve cylinders, even and uneven, intake and exhaust.

Where pulses lie is worked out here from the strokes alone: the intake falls fastest where the piston runs down fastest
(J. Heywood, Internal Combustion Engine Fundamentals, 2nd edition, equation 2.11, from memory: 74 degrees after TDC
at a rod of 3.3 throws); the exhaust dips when a cylinder's valve opens and rises until the next one's does (cranked
cylinders are below atmosphere then). They are narrow enough to be told apart: how real ones merge is the bench's matter
(tests/bench/accuracy.py). One cylinder is weak; that it is this one must come out.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import Balance
from evenstroke_dsp.setup import Setup, parse_setup

RATE_HZ, SECONDS, REST_S, RPM = 1000.0, 5.0, 0.4, 220.0
FASTEST_DEG, OPENS_DEG = 74.0, 130.0
ENGINES: dict[str, tuple[tuple[int, ...], tuple[float, ...] | None]] = {
    "one": ((1,), None),
    "two": ((1, 2), None),
    "twin 180/540": ((1, 2), (180, 540)),
    "twin 270/450": ((1, 2), (270, 450)),
    "three": ((1, 3, 2), None),
    "four": ((1, 3, 4, 2), None),
    "four 180/90/180/270": ((1, 3, 2, 4), (180, 90, 180, 270)),
    "five": ((1, 2, 4, 5, 3), None),
    "six": ((1, 5, 3, 6, 2, 4), None),
    "six 150/90": ((1, 6, 5, 4, 3, 2), (150, 90) * 3),
    "seven": ((1, 3, 5, 7, 2, 4, 6), None),
    "eight": ((1, 8, 4, 3, 6, 5, 7, 2), None),
    "nine": ((1, 3, 5, 7, 9, 2, 4, 6, 8), None),
    "ten": ((1, 6, 5, 10, 2, 7, 3, 8, 4, 9), None),
    "eleven": ((1, 3, 5, 7, 9, 11, 2, 4, 6, 8, 10), None),
    "twelve": ((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9), None),
}
ROLES = [("intake_pulse", True), ("intake_pulse", False), ("exhaust_pulse", True)]
"""And whether a wheel is fitted beside the sync."""


def setup_of(
    engine: str, role: str, *, wheel: bool, sees: tuple[int, ...] | None = None, stated: bool = True
) -> Setup:
    """stated: which way up the probe is, is written down."""
    order, intervals = ENGINES[engine]
    text = f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"
    if intervals is not None:
        text += f"firing_intervals_deg = {list(intervals)}\n"
    text += (
        f'[[probe]]\nname = "pulse"\nrole = "{role}"\ninput = 0\nvolts_per_unit = 1.0\nvolts_at_zero = 2.5\n'
    )
    text += 'positive_is = "pressure"\n' if stated else ""
    text += "travel_m = 0.0\n" + (f"sees = {list(sees)}\n" if sees is not None else "")
    text += f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 1\ncylinder = {order[0]}\noffset_deg = -8\n'
    if wheel:
        text += (
            '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 2\nteeth = "60-2"\nedge = "falling"\n'
        )
    return parse_setup(text)


def engine_angle(t: np.ndarray) -> np.ndarray:
    """Degrees after the first cylinder's firing TDC: at rest, then steady, from an odd place on."""
    return 77.0 + 6.0 * RPM * np.maximum(t - REST_S, 0.0)


def room_after(setup: Setup, cylinder: int) -> float:
    """Degrees until the next cylinder that the probe hears fires; no pulse is wider than 240."""
    angles = firing_angles(setup.engine)
    others = [(angles[c] - angles[cylinder]) % 720.0 for c in setup.sees(setup.probe[0]) if c != cylinder]
    return min([*others, 240.0])


def pressure(setup: Setup, t: np.ndarray, weak: int) -> np.ndarray:
    """kPa at the probe: one pulse of each heard cylinder and cycle."""
    probe = setup.probe[0]
    heard = setup.sees(probe)
    narrow = min(room_after(setup, c) for c in heard)
    # Where strokes overlap the next one's takes the fall over: simulated sixes' is steepest 22 to 46 degrees into the stroke.
    fastest = FASTEST_DEG - (narrow / 4.0 if narrow <= 120.0 else 0.0)
    total = np.zeros(t.size)
    for cylinder in heard:
        into = engine_angle(t) - firing_angles(setup.engine)[cylinder]
        size = 0.6 if cylinder == weak else 1.0
        if probe.role == "intake_pulse":
            x = ((into - 360.0 - fastest + 360.0) % 720.0 - 360.0) / (narrow / 5.0)
            total -= size * x * np.exp(-0.5 * x**2)
        else:
            x = ((into - OPENS_DEG + 360.0) % 720.0 - 360.0) / narrow - 0.25
            total -= size * np.exp(-0.5 * (x / 0.12) ** 2)
    return np.where(t > REST_S, total, 0.0)


def passages(places: np.ndarray, every: float) -> np.ndarray:
    end = float(engine_angle(np.array([SECONDS]))[0])
    angles = np.sort((places[:, None] + every * np.arange(-1, int(end / every) + 1)).ravel())
    angles = angles[(angles > 77.0) & (angles < end)]
    return REST_S + (angles - 77.0) / (6.0 * RPM)


def blocks_of(setup: Setup, weak: int) -> list[Block]:
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    volts = 2.5 + pressure(setup, t, weak) + 0.002 * np.random.default_rng(weak).standard_normal(t.size)
    changes = {1: (np.array([-8.0]), 720.0, True)}
    if len(setup.probe) > 2:
        changes[2] = (6.0 * np.arange(58), 360.0, False)
    blocks: list[Block] = []
    for key, (places, every, rises) in changes.items():
        at, after = passages(places, every), passages(places + 2.0, every)
        times, rising = np.concatenate([at, after]), np.repeat([rises, not rises], [at.size, after.size])
        order = np.argsort(times)
        blocks.append(EdgeBlock(key, times[order], rising[order], SECONDS))
    return [*blocks, SampleBlock((0,), volts[None, :], 0.0, 1.0 / RATE_HZ)]


@pytest.mark.parametrize(
    ("engine", "role", "wheel"),
    [
        (engine, role, wheel)
        for engine in ENGINES
        for role, wheel in ROLES
        if (engine, role) != ("eleven", "exhaust_pulse")  # asked below: whose pulses speak for upside down
    ],
)
def test_each_pulse_lies_in_the_stroke_of_its_cylinder(bench, engine: str, role: str, wheel: bool) -> None:
    if (engine, role) == ("eleven", "exhaust_pulse"):
        pytest.skip(
            "these pulses speak for upside down: the next test asks whether the right one is among those named"
        )
    order, _ = ENGINES[engine]
    weak = order[len(order) // 2]
    setup = setup_of(engine, role, wheel=wheel)
    run = bench.run(setup, blocks_of(setup, weak))
    check(run, setup, order, weak)


@pytest.mark.parametrize(
    ("engine", "stated"),
    [("four", False), ("six", False), ("eight", False), ("ten", False), ("twelve", False), ("eleven", True)],
)
def test_the_right_one_is_among_those_that_fit_where_which_way_up_is_in_doubt(
    bench, engine: str, stated: bool
) -> None:
    """Nothing is written down; or, of eleven, these pulses speak for upside down against what is."""
    order, _ = ENGINES[engine]
    setup = setup_of(engine, "exhaust_pulse", wheel=True, stated=stated)
    run = bench.run(setup, blocks_of(setup, order[len(order) // 2]))
    angles, seen = firing_angles(setup.engine), 0
    last = [m for m in run.messages if isinstance(m, Balance)][-1]
    (rise,) = (c for c in last.comparisons if c.feature == "rise")
    may_be = {row.position: row.one_of for row in rise.cylinders if row.cylinder is None}
    for cycle in run.cycles[3:-1]:
        for pulse in cycle.probes[0].pulses:
            assert pulse.from_s is not None and pulse.to_s is not None
            middle = float(engine_angle(np.array([(pulse.from_s + pulse.to_s) / 2]))[0])
            fit = (pulse.cylinder,) if pulse.cylinder is not None else may_be[pulse.position]
            assert fit is not None
            into = {c: (middle - angles[c]) % 720.0 - OPENS_DEG for c in fit}
            assert any(0.0 <= into[c] <= room_after(setup, c) for c in fit), into
            seen += 1
    assert seen >= 2 * len(order)


@pytest.mark.parametrize("role", ["intake_pulse", "exhaust_pulse"])
@pytest.mark.parametrize(
    ("engine", "sees"),
    [
        ("four", (1, 4)),
        ("six", (1, 2, 3)),
        ("six 150/90", (1, 3, 5)),
        ("eight", (1, 4, 6, 7)),
        ("ten", (1, 2, 3, 4, 5)),
        ("twelve", (1, 2, 3, 4, 5, 6)),
    ],
)
def test_a_bank_gives_its_pulses_to_its_own_cylinders(
    bench, engine: str, sees: tuple[int, ...], role: str
) -> None:
    setup = setup_of(engine, role, wheel=True, sees=sees)
    run = bench.run(setup, blocks_of(setup, sees[-1]))
    check(run, setup, sees, sees[-1])


def check(run, setup: Setup, heard: tuple[int, ...], weak: int) -> None:
    """Every pulse's middle lies in its cylinder's stroke, and the weak one is the smallest."""
    intake = setup.probe[0].role == "intake_pulse"
    sizes: dict[int, list[float]] = {c: [] for c in heard}
    for cycle in run.cycles[1:-1]:
        for pulse in cycle.probes[0].pulses:
            assert pulse.cylinder in sizes
            assert pulse.from_s is not None and pulse.to_s is not None and pulse.value is not None
            middle = float(engine_angle(np.array([(pulse.from_s + pulse.to_s) / 2]))[0])
            into = (middle - firing_angles(setup.engine)[pulse.cylinder]) % 720.0
            begins, room = (360.0, 180.0) if intake else (OPENS_DEG, room_after(setup, pulse.cylinder))
            assert begins <= into <= begins + room, (pulse.cylinder, into)
            sizes[pulse.cylinder].append(pulse.value)
    assert all(len(each) >= 4 for each in sizes.values())
    if len(heard) > 1:
        assert min(sizes, key=lambda c: np.mean(sizes[c])) == weak


@pytest.mark.parametrize("engine", ["twin 180/540", "twin 270/450"])
def test_a_twin_without_a_sync_names_no_cylinder_by_luck_and_says_what_to_record(bench, engine: str) -> None:
    """By its pulses alone: either positions are named rightly, or it is declined and told to record a sync."""
    order, intervals = ENGINES[engine]
    fitted = setup_of(engine, "intake_pulse", wheel=False)
    text = f"schema = 1\n[engine]\ncylinders = 2\nfiring_order = {list(order)}\nfiring_intervals_deg = {list(intervals or ())}\n"
    alone = parse_setup(text + '[[probe]]\nname = "pulse"\nrole = "intake_pulse"\ninput = 0\n')
    rng = np.random.default_rng(4)
    samples = [b for b in blocks_of(fitted, 2) if isinstance(b, SampleBlock)]
    # Once a cycle, and of no shape that tells the two cylinders apart.
    t = np.arange(samples[0].samples) / RATE_HZ
    hum = 2.5 + np.sin(np.radians(engine_angle(t) / 2.0)) * (t > REST_S) + 0.002 * rng.standard_normal(t.size)
    declined = bench.run(alone, [SampleBlock((0,), hum[None, :], 0.0, 1.0 / RATE_HZ)]).judgement.refused
    assert declined is not None
    assert "fires unevenly" in declined and "Record a sync once a cycle" in declined
    found = bench.run(alone, samples)
    if found.judgement.refused is not None:
        assert "Record a sync once a cycle" in found.judgement.refused
        return
    check(found, fitted, order, 2)
