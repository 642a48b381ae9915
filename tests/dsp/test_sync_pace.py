"""How often a sync comes, told by what comes between its events: half the pulses, or one, are not one that is missing.

Pulses are Gaussian, at even places of a true cycle and as wide as is said; how many come between two events follows by counting.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.history import History
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.sync_pace import SyncPace, why_not
from evenstroke_dsp.sync_tracker import SyncTracker

DT = 0.001
ORDERS = {2: [1, 2], 3: [1, 3, 2], 4: [1, 3, 4, 2], 6: [1, 5, 3, 6, 2, 4], 8: [1, 8, 4, 3, 6, 5, 7, 2]}


def setup_of(cylinders: int, every: str, mode: str, role: str):
    return parse_setup(
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {ORDERS[cylinders]}\n"
        f'[conditions]\nmode = "{mode}"\n[[probe]]\nname = "it"\nrole = "{role}"\ninput = 0\n'
        f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\ninput = 1\nevery = "{every}"\n'
    )


def pace(
    sizes: list[float],
    times_a_cycle: float,
    every: str = "cycle",
    *,
    spread_deg: float = 45.0,
    rpm: float = 190.0,
    mode: str = "cranking",
    role: str = "intake_pulse",
    seconds: float = 9.0,
    spin_up: bool = False,
):
    """sizes: of each pulse in a true cycle. times_a_cycle: how often the sync really comes in it."""
    setup = setup_of(len(sizes), every, mode, role)
    t = np.arange(0.0, seconds, DT)
    speed = np.interp(t, [0.0, 4.0, 4.5], [190.0, 190.0, rpm]) if spin_up else np.full(t.size, rpm)
    turned = np.cumsum(speed * 6.0 * DT)
    x = np.zeros(t.size)
    for k, size in enumerate(sizes):
        away = (turned - 720.0 * k / len(sizes) + 360.0) % 720.0 - 360.0
        x -= size * np.exp(-0.5 * (away / spread_deg) ** 2)
    x += 0.02 * np.random.default_rng(1).standard_normal(t.size)
    history, tracker = History(), SyncTracker("revolution" if every == "revolution" else "cycle")
    held = SyncPace(setup, setup.probe[1], tracker, history)
    held.sources[0].row = 0
    step = 720.0 / times_a_cycle
    events = np.interp(np.arange(step / 3, turned[-1], step), turned, t)
    for first in range(0, t.size, 100):
        history.add(t[first], DT, x[None, first : first + 100], np.zeros((1, 100), dtype=bool))
        now = t[first] + 100 * DT
        inside = events[(events >= t[first]) & (events < now)]
        both = np.sort(np.concatenate([inside, inside + 0.001]))
        tracker.push(both, np.arange(both.size) % 2 == 0, now)
        held.update()
    tracker.finish()
    held.update()
    return held.found()


@pytest.mark.parametrize("gone", range(6))
@pytest.mark.parametrize("spread_deg", [34.0, 52.0, 63.0])
def test_one_missing_pulse_of_six_is_not_a_sync_that_comes_too_often(gone: int, spread_deg: float) -> None:
    sizes = [1.0] * 6
    sizes[gone] = 0.0
    assert pace(sizes, 1, spread_deg=spread_deg) is None
    assert pace(sizes, 2, "revolution", spread_deg=spread_deg) is None


@pytest.mark.parametrize("cylinders", [2, 3, 4, 6, 8])
@pytest.mark.parametrize(("times", "every"), [(1, "cycle"), (2, "revolution")])
def test_a_sync_as_the_set_up_says_is_not_doubted(cylinders: int, times: int, every: str) -> None:
    for spread_deg in (20.0, 45.0, 80.0):
        assert pace([1.0] * cylinders, times, every, spread_deg=spread_deg) is None
        assert pace([1.0] * (cylinders - 1) + [0.7], times, every, spread_deg=spread_deg) is None


@pytest.mark.parametrize(
    "sizes",
    [[1.0] * 4, [1.0] * 6, [1.0] * 8, [1.0, 0.95, 1.05, 1.0, 1.0, 1.0], [1.0, 0.0, 1.0, 1.0, 1.0, 1.0]],
)
@pytest.mark.parametrize("role", ["intake_pulse", "exhaust_pulse"])
def test_one_every_revolution_is_not_one_a_cycle(sizes: list[float], role: str) -> None:
    """The last: two halves of the cycle on top of each other, one pulse of the six missing."""
    found = pace(sizes, 2, role=role, spread_deg=30.0)
    assert found is not None and (found.times, found.pulses) == (2, len(sizes) // 2)
    assert 'write every = "revolution"' in why_not(found, len(sizes))


@pytest.mark.parametrize("cylinders", [2, 4, 6, 8])
def test_one_a_cycle_is_not_one_every_revolution(cylinders: int) -> None:
    found = pace([1.0] * cylinders, 1, "revolution", spread_deg=200.0 / cylinders)
    assert found is not None and (found.times, found.pulses) == (1, 2 * cylinders)
    assert found.rpm == pytest.approx(95.0, rel=0.02)
    assert 'write every = "cycle"' in why_not(found, cylinders)


@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
@pytest.mark.parametrize("every", ["cycle", "revolution"])
def test_a_coil_heard_at_every_firing_is_not_one_a_cycle(cylinders: int, every: str) -> None:
    """Eight cylinders' pulses would be too quick for the probe at the speed that such a sync has, and would not show."""
    found = pace([1.0, *[0.95] * (cylinders - 1)], cylinders, every, spread_deg=200.0 / cylinders)
    if found is None:
        assert (cylinders, every) == (3, "revolution")  # 285 rpm: a starter might turn that fast
        return
    assert found.times == cylinders and found.pulses == (2 if every == "revolution" else 1)
    words = why_not(found, cylinders)
    assert "at every firing" in words and "crank again" in words


@pytest.mark.parametrize("cylinders", [4, 6, 8])
def test_an_engine_that_starts_with_a_dead_cylinder_is_not_such_a_coil(cylinders: int) -> None:
    """Broad pulses, one missing, at 900 rpm: one pulse a cycle is what is left of them, and the starter's speed came before."""
    sizes = [1.0] * (cylinders - 1) + [0.0]
    assert pace(sizes, 1, spread_deg=60.0, rpm=900.0, spin_up=True, seconds=12.0) is None
    assert pace(sizes, 1, spread_deg=60.0, rpm=900.0, mode="idle") is None


@pytest.mark.parametrize("role", ["starter_current", "battery_voltage"])
@pytest.mark.parametrize("sizes", [[1.0, 0.0] * 2, [1.0, 0.2] * 2, [1.0, 0.4] * 2, [1.0, 0.0] * 3])
def test_every_second_compression_that_is_lost_is_no_such_sync_at_a_starter_s_speed(role: str, sizes) -> None:
    """As a four's are whose gasket is burnt through between its two middle cylinders: the fault is what must be said."""
    for spread_deg in (30.0, 45.0, 60.0):
        assert pace(sizes, 1, role=role, spread_deg=spread_deg) is None
    found = pace([1.0] * len(sizes), 2, role=role, spread_deg=30.0)  # 380 rpm by such a sync
    assert found is not None and (found.times, found.pulses) == (2, len(sizes) // 2)
    assert "or only theirs reach it (`sees`)" in why_not(found, len(sizes))


def test_a_probe_that_hears_half_the_cylinders_does_not_outweigh_one_that_hears_all() -> None:
    """An exhaust probe in one bank's pipe whose set-up does not say so, beside an intake probe that is right."""
    setup = parse_setup(
        "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
        '[[probe]]\nname = "in"\nrole = "intake_pulse"\ninput = 0\n[[probe]]\nname = "out"\nrole = "exhaust_pulse"\ninput = 2\n'
        '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\ninput = 1\n'
    )
    t = np.arange(0.0, 9.0, DT)
    turned = 190.0 * 6.0 * t
    events = np.arange(240.0, turned[-1], 720.0) / (190.0 * 6.0)
    for both in (True, False):
        history, tracker = History(), SyncTracker()
        held = SyncPace(setup, setup.probe[2], tracker, history)
        for source in held.sources:
            source.row = (
                {"in": 0, "out": 1}[source.probe.name] if both or source.probe.name == "out" else None
            )
        signals = np.stack([-np.cos(np.radians(2 * turned)), np.cos(np.radians(turned))])
        for first in range(0, t.size, 100):
            history.add(t[first], DT, signals[:, first : first + 100], np.zeros((2, 100), dtype=bool))
            now = t[first] + 100 * DT
            inside = events[(events >= t[first]) & (events < now)]
            edges = np.sort(np.concatenate([inside, inside + 0.001]))
            tracker.push(edges, np.arange(edges.size) % 2 == 0, now)
            held.update()
        assert (held.found() is None) == both
