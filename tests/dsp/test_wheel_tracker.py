"""The toothed wheel's pattern and the angles that follow from it, against wheels laid down by arithmetic."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.blocks import Bools, Floats
from evenstroke_dsp.setup import Probe
from evenstroke_dsp.wheel_tracker import EdgeFollower, WheelTracker

Edge = Literal["auto", "rising", "falling"]
T = np.arange(0.0, 8.0, 1e-4)
TWELVE_PLUS_ONE = (0.0, *(20.0 + 30.0 * k for k in range(12)))

WHEELS: dict[str, tuple[str | tuple[float, ...], list[float]]] = {
    "60-2": ("60-2", [6.0 * k for k in range(58)]),
    "36-1": ("36-1", [10.0 * k for k in range(35)]),
    "4-1": ("4-1", [0.0, 90.0, 180.0]),
    # Thirty-six pitches, three gaps of two, two of them side by side: 16 + 13 + 1 teeth remain.
    "36-2-2-2": (
        "36-2-2-2",
        [10.0 * k for k in range(16)] + [180.0 + 10.0 * k for k in range(13)] + [330.0],
    ),
    "12+1 as a list": (TWELVE_PLUS_ONE, list(TWELVE_PLUS_ONE)),
}


def cranked(
    rpm: float = 200.0, *, ripple: float = 0.06, rest_s: float = 0.5, stop_s: float = 9.0, start: float = 77.0
) -> Floats:
    """Wheel angle over T: rest, spin-up in half a second, a crank with the ripple of a six, coast-down.

    It still turns at the end of T unless it stops before.
    """
    up = np.clip((T - rest_s) / 0.5, 0.0, 1.0)
    down = np.clip((stop_s - T) / 0.4, 0.0, 1.0)
    speed = rpm * 6.0 * 0.25 * (1 - np.cos(np.pi * up)) * (1 - np.cos(np.pi * down))
    angle = start + np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])) * 1e-4])
    # A small wobble of the angle three times a revolution is a ripple of 3 * amplitude (in radians).
    return np.asarray(angle + np.degrees(ripple / 2 / 3) * np.sin(np.radians(3 * angle)))


STRONG = np.arange(0.0, 8.0, 2.5e-4)


def compressed(
    swing: float, dips: int, *, sharp: float = 1.0, rpm: float = 170.0, start: float = 77.0
) -> Floats:
    """Wheel angle over STRONG, from rest to rest: the speed goes from its greatest to its `swing`th part and back `dips`
    times in 720 degrees; `sharp` makes dips narrow."""
    slowest = 2.0 / (1.0 + swing)
    angle, at = np.empty(STRONG.size), start
    drive = np.clip((STRONG - 0.5) / 0.6, 0.0, 1.0) * np.clip((7.0 - STRONG) / 0.5, 0.0, 1.0)
    for k, share in enumerate(drive.tolist()):
        angle[k] = at
        dip = (0.5 + 0.5 * math.cos(math.radians(at * dips / 2))) ** sharp
        at += rpm * 6.0 * slowest * (swing - (swing - 1.0) * dip) * share * 2.5e-4
    return angle


def edges_at(angle: Floats, teeth: Sequence[float], t: Floats = T) -> Floats:
    turns = np.arange(np.floor(angle[0] / 360.0) - 1, np.ceil(angle[-1] / 360.0) + 1)
    at = np.sort((np.asarray(teeth)[None, :] + 360.0 * turns[:, None]).ravel())
    at = at[(at > angle[0]) & (at < angle[-1])]
    moving = np.concatenate([[True], np.diff(angle) > 0])
    return np.interp(at, angle[moving], t[moving])


def followed(
    teeth: str | tuple[float, ...], times: Floats, until: float = 8.0
) -> tuple[EdgeFollower, Rotation]:
    follower = EdgeFollower(teeth)
    follower.push(times.tolist(), until)
    follower.finish()
    (rotation,) = follower.rotations
    return follower, rotation


@pytest.mark.parametrize("name", WHEELS)
def test_angles_are_the_wheels(name: str) -> None:
    teeth, places = WHEELS[name]
    angle = cranked()
    times = edges_at(angle, places)
    follower, rotation = followed(teeth, times)
    assert rotation.t[0] < 2.2  # locked within a few revolutions: at 200 rpm one takes 0.3 s
    assert rotation.t[-1] > 7.8
    assert (follower.rejected, follower.missed) == (0, 0)
    at_knots = np.asarray(rotation.deg) - follower.tooth_zero[0]
    true = np.interp(rotation.t, T, angle)
    off = (at_knots - true + 180.0) % 360.0 - 180.0
    # Tooth 0 must be the wheel's own first tooth, and every later one its own.
    assert float(np.abs(off).max()) < 0.1


@pytest.mark.parametrize(("name", "least"), [("60-2", 0.1), ("36-1", 0.1)])
def test_angles_between_the_teeth(name: str, least: float) -> None:
    teeth, places = WHEELS[name]
    angle = cranked()
    follower, rotation = followed(teeth, edges_at(angle, places))
    steady = np.arange(2.5, 6.0, 0.000731)
    off = rotation.angles_at(steady) - follower.tooth_zero[0] - np.interp(steady, T, angle)
    assert float(np.abs((off + 180.0) % 360.0 - 180.0).max()) < least


@pytest.mark.parametrize("rpm", [80.0, 200.0, 320.0])
@pytest.mark.parametrize("ripple", [0.0, 0.12, 0.3])
def test_cranking_speeds_and_ripples_are_followed_without_a_mend(rpm: float, ripple: float) -> None:
    follower, rotation = followed("60-2", edges_at(cranked(rpm, ripple=ripple), WHEELS["60-2"][1]))
    assert (follower.rejected, follower.missed) == (0, 0)
    assert rotation.t[-1] > 7.8


@pytest.mark.parametrize("swing", [2.5, 3.5, 5.0])
@pytest.mark.parametrize("dips", [1, 2, 4])
@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2-2-2", "12+1 as a list"])
def test_strong_compression_is_followed(name: str, dips: int, swing: float) -> None:
    """A large engine was published at 225 rpm in expansion and 85 in compression (trade press, from memory): 2.6 to 1."""
    teeth, places = WHEELS[name]
    angle = compressed(swing, dips)
    times = edges_at(angle, places, STRONG)
    follower = EdgeFollower(teeth, 720.0 / dips)
    follower.push(times.tolist(), 8.0)
    follower.finish()
    (rotation,) = follower.rotations
    assert rotation.t[0] < 1.5 and rotation.t[-1] > 6.5
    at_knots = np.asarray(rotation.deg) - follower.tooth_zero[0]
    off = (at_knots - np.interp(rotation.t, STRONG, angle) + 180.0) % 360.0 - 180.0
    # The last teeth before rest come so late that their number is anyone's guess; no cycle is cut from them.
    turning = np.asarray(rotation.t) < 6.5
    assert float(np.abs(off[turning]).max()) < 0.5


@pytest.mark.parametrize("teeth", [(0.0, 90.0, 180.0), tuple(30.0 * k for k in range(11))])
@pytest.mark.parametrize("dips", [1, 2, 4])
@pytest.mark.parametrize("swing", [1.3, 2.5, 3.5])
def test_a_coarse_wheel_is_right_or_not_followed(teeth: tuple[float, ...], dips: int, swing: float) -> None:
    """Where compression makes steps as large as the gap's, no place may be taken for sure."""
    angle = compressed(swing, dips, sharp=3.0)
    follower = EdgeFollower(teeth, 720.0 / dips)
    follower.push(edges_at(angle, teeth, STRONG).tolist(), 8.0)
    follower.finish()
    for rotation, zero in zip(follower.rotations, follower.tooth_zero, strict=True):
        t = np.asarray(rotation.t)
        off = (np.asarray(rotation.deg) - zero - np.interp(t, STRONG, angle) + 180.0) % 360.0 - 180.0
        assert float(np.abs(off[t < 6.4]).max()) < 0.5


def test_bounce_at_every_tooth_is_taken_out_and_counted() -> None:
    angle = cranked()
    times = edges_at(angle, WHEELS["60-2"][1])
    bounced = times[:-1] + 0.08 * np.diff(times)
    follower, rotation = followed("60-2", np.sort(np.concatenate([times, bounced])))
    # Those of the first revolutions, before the lock, are not looked at.
    assert follower.rejected >= bounced.size - 3 * 58
    off = np.asarray(rotation.deg) - follower.tooth_zero[0] - np.interp(rotation.t, T, angle)
    # The first edge of the lock may be a bounce itself, 8 % of a pitch late.
    assert float(np.abs((off[1:] + 180.0) % 360.0 - 180.0).max()) < 0.1


@pytest.mark.parametrize("edge", ["rising", "falling", "auto"])
@pytest.mark.parametrize("even_edge", ["rising", "falling"])
def test_the_direction_whose_edges_fit(edge: Edge, even_edge: str) -> None:
    """A tooth's other edge is uneven on a worn wheel; `auto` must take the even one and say so."""
    angle = cranked()
    places = np.array(WHEELS["60-2"][1])
    even = edges_at(angle, places.tolist())
    wobble = np.random.default_rng(4).uniform(-1.2, 1.2, places.size)
    other = edges_at(angle, (places + 3.0 + wobble).tolist())
    times = np.concatenate([even, other])
    is_even = np.arange(times.size) < even.size
    rising: Bools = is_even if even_edge == "rising" else ~is_even
    order = np.argsort(times)
    tracker = WheelTracker(Probe(name="wheel", role="crank_teeth", input=0, teeth="60-2", edge=edge))
    tracker.push(times[order], rising[order], 8.0)
    tracker.finish()
    assert tracker.edge == (even_edge if edge == "auto" else edge)
    assert tracker.follower is not None
    if tracker.edge == even_edge:
        assert (tracker.follower.rejected, tracker.follower.missed) == (0, 0)


def test_glitches_are_rejected_and_counted() -> None:
    angle = cranked()
    times = edges_at(angle, WHEELS["60-2"][1])
    some = np.flatnonzero((times > 3.0) & (times < 6.0))[::97]
    glitches = times[some] + 0.2 * (times[some + 1] - times[some])
    follower, rotation = followed("60-2", np.sort(np.concatenate([times, glitches])))
    assert follower.rejected == len(glitches)
    assert follower.missed == 0
    off = np.asarray(rotation.deg) - follower.tooth_zero[0] - np.interp(rotation.t, T, angle)
    assert float(np.abs((off + 180.0) % 360.0 - 180.0).max()) < 0.1


def test_teeth_that_did_not_come_are_counted() -> None:
    angle = cranked()
    times = edges_at(angle, WHEELS["60-2"][1])
    gone = np.flatnonzero((times > 3.0) & (times < 6.0))[10::173]
    follower, rotation = followed("60-2", np.delete(times, gone))
    assert follower.missed == len(gone)
    off = np.asarray(rotation.deg) - follower.tooth_zero[0] - np.interp(rotation.t, T, angle)
    assert float(np.abs((off + 180.0) % 360.0 - 180.0).max()) < 0.1


def test_stop_and_restart_are_two_rotations() -> None:
    first = edges_at(cranked(rest_s=0.2, stop_s=3.2), WHEELS["60-2"][1])
    second = edges_at(cranked(rest_s=4.5, stop_s=7.8, start=201.0), WHEELS["60-2"][1])
    follower = EdgeFollower("60-2")
    follower.push(np.concatenate([first, second]).tolist(), 8.0)
    follower.finish()
    assert len(follower.rotations) == 2
    assert follower.rotations[0].ended
    assert follower.rotations[0].t[-1] <= first[-1]
    assert follower.rotations[1].t[0] >= second[0]


@pytest.mark.parametrize("rpm", [120.0, 200.0, 300.0])
def test_a_coast_down_to_rest_mends_nothing(rpm: float) -> None:
    """The last teeth before rest come ever later; none is missing, and none may be said to be."""
    angle = cranked(rpm, stop_s=6.0)
    follower, rotation = followed("60-2", edges_at(angle, WHEELS["60-2"][1]))
    assert (follower.rejected, follower.missed) == (0, 0)
    off = np.asarray(rotation.deg) - follower.tooth_zero[0] - np.interp(rotation.t, T, angle)
    assert float(np.abs((off + 180.0) % 360.0 - 180.0).max()) < 0.1


def test_silence_ends_the_rotation_without_another_edge() -> None:
    times = edges_at(cranked(stop_s=4.0), WHEELS["60-2"][1])
    follower = EdgeFollower("60-2")
    follower.push(times.tolist(), float(times[-1]) + 0.05)
    assert not follower.rotations[-1].ended
    follower.push([], float(times[-1]) + 3.0)
    assert follower.rotations[-1].ended


@pytest.mark.parametrize("teeth", ["60-2", "36-1", TWELVE_PLUS_ONE])
def test_even_teeth_are_no_such_wheel(teeth: str | tuple[float, ...]) -> None:
    """A wheel without a gap fits everywhere, that is nowhere."""
    even = edges_at(cranked(), [6.0 * k for k in range(60)])
    follower = EdgeFollower(teeth)
    follower.push(even.tolist(), 8.0)
    follower.finish()
    assert follower.rotations == []


def test_random_edges_are_no_wheel() -> None:
    times = np.cumsum(np.random.default_rng(5).exponential(0.005, 3000))
    follower = EdgeFollower("60-2")
    follower.push(times.tolist(), float(times[-1]))
    follower.finish()
    assert sum(len(r.t) for r in follower.rotations) < 300


@pytest.mark.parametrize("wrong", ["36-1", "58-2", "60-3"])
def test_another_wheel_than_described_is_not_followed_in_silence(wrong: str) -> None:
    """Either it is given up within a few revolutions, or each of them leaves a mend that is warned of."""
    times = edges_at(cranked(), WHEELS["60-2"][1])
    follower = EdgeFollower(wrong)
    follower.push(times.tolist(), 8.0)
    follower.finish()
    turns = max((r.deg[-1] - r.deg[0] for r in follower.rotations), default=0.0) / 360.0
    assert turns < 4 or follower.missed + follower.rejected >= turns - 2


@pytest.mark.parametrize(("name", "most"), [("60-2", 0.3), ("36-1", 0.3), ("12+1 as a list", 2.0)])
def test_angles_in_gaps_and_between_coarse_teeth_hold_what_is_stated(name: str, most: float) -> None:
    """Analytic truth: a speed that goes three to one within 180 degrees."""
    teeth, places = WHEELS[name]
    angle = compressed(3.0, 4)
    times = edges_at(angle, places, STRONG)
    follower = EdgeFollower(teeth, 180.0)
    follower.push(times.tolist(), 8.0)
    (rotation,) = follower.rotations
    rotation.uncertainty_deg = 0.1
    at = np.arange(2.0, 6.0, 0.000731)
    off = rotation.angles_at(at) - follower.tooth_zero[0] - np.interp(at, STRONG, angle)
    off = np.abs((off + 180.0) % 360.0 - 180.0)
    first, last = rotation.angles_at(at[[0, -1]])
    stated = rotation.uncertainty_between(float(first), float(last))
    assert stated is not None
    assert float(off.max()) <= min(stated, most)
    degrees = np.linspace(first, last, 4001)
    assert np.allclose(rotation.angles_at(rotation.times_at(degrees)), degrees, atol=1e-6)
