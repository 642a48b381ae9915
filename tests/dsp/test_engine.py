"""Strokes, firing orders and companions, against arithmetic on the trade's firing orders.

Companions: the cylinder that fires 360 degrees later, by counting through the order by hand. The
orders themselves: common practice, no source.
"""

from __future__ import annotations

import itertools

import pytest
from evenstroke_dsp.engine import companion, companions, firing_angles, firing_intervals, stroke_angle
from evenstroke_dsp.setup import Engine

ORDERS = {
    (1, 3, 4, 2): {(1, 4), (2, 3)},
    (1, 2, 4, 3): {(1, 4), (2, 3)},
    (1, 3, 2, 4): {(1, 2), (3, 4)},
    (1, 5, 3, 6, 2, 4): {(1, 6), (2, 5), (3, 4)},
    (1, 2, 3, 4, 5, 6): {(1, 4), (2, 5), (3, 6)},
    (1, 6, 5, 4, 3, 2): {(1, 4), (3, 6), (2, 5)},
    (1, 8, 4, 3, 6, 5, 7, 2): {(1, 6), (5, 8), (4, 7), (2, 3)},
    (1, 3, 7, 2, 6, 5, 4, 8): {(1, 6), (3, 5), (4, 7), (2, 8)},
}


def engine(order: tuple[int, ...], intervals: tuple[float, ...] | None = None) -> Engine:
    return Engine(cylinders=len(order), firing_order=order, firing_intervals_deg=intervals)


@pytest.mark.parametrize("order", ORDERS)
def test_companions_of_the_trades_firing_orders(order: tuple[int, ...]) -> None:
    e = engine(order)
    assert {tuple(sorted(pair)) for pair in companions(e)} == ORDERS[order]
    for a, b in ORDERS[order]:
        assert companion(e, a) == b
        assert companion(e, b) == a


@pytest.mark.parametrize("order", [(1, 2, 3), (1, 3, 2), (1, 2, 4, 5, 3)])
def test_even_firing_threes_and_fives_have_none(order: tuple[int, ...]) -> None:
    assert companions(engine(order)) == ()


@pytest.mark.parametrize(
    ("order", "intake", "exhaust"),
    [((1, 3, 4, 2), (4, 2, 1, 3), (2, 1, 3, 4)), ((1, 2, 4, 3), (4, 3, 1, 2), None)],
)
def test_strokes_that_follow_cylinder_ones_firing(
    order: tuple[int, ...], intake: tuple[int, ...], exhaust: tuple[int, ...] | None
) -> None:
    # In the 180 degrees after 1's firing TDC the cylinder that is 360 degrees into its cycle draws in, the one
    # that is 180 into it pushes out (arithmetic).
    e = engine(order)

    def in_stroke(begins_deg: float) -> tuple[int, ...]:
        return tuple(sorted(order, key=lambda c: stroke_angle(e, c, begins_deg)))

    assert in_stroke(360.0) == intake
    if exhaust is not None:
        assert in_stroke(180.0) == exhaust


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 8, 10, 12])
def test_even_intervals_sum_to_a_cycle(count: int) -> None:
    e = engine(tuple(range(1, count + 1)))
    assert sum(firing_intervals(e)) == pytest.approx(720.0)
    assert list(firing_angles(e).values()) == pytest.approx([720.0 / count * k for k in range(count)])


@pytest.mark.parametrize(
    ("intervals", "angles", "pairs"),
    [
        # Uneven: a V6 of 90 degrees with shared pins, twins with one or two pins (common practice, no source).
        ((150, 90, 150, 90, 150, 90), (0, 150, 240, 390, 480, 630), set()),
        ((270, 450), (0, 270), set()),
        ((315, 405), (0, 315), set()),
        ((360, 360), (0, 360), {(1, 2)}),
    ],
)
def test_uneven_intervals(
    intervals: tuple[float, ...], angles: tuple[float, ...], pairs: set[tuple[int, int]]
) -> None:
    e = engine(tuple(range(1, len(intervals) + 1)), intervals)
    assert tuple(firing_angles(e).values()) == pytest.approx(angles)
    # Companions by hand: angles that differ by 360.
    by_hand = {
        (i + 1, j + 1)
        for i, j in itertools.combinations(range(len(angles)), 2)
        if abs(angles[j] - angles[i] - 360) < 1
    }
    assert by_hand == pairs
    assert set(companions(e)) == by_hand
