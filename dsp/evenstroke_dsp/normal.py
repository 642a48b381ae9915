"""What healthy engines show, where neither known-goods nor physics say it for this one."""

from __future__ import annotations

from .messages import Normal
from .setup import Engine

_HEALTHY_DROP_PERCENT = (
    (2, 2.0, 2.5),
    (4, 2.0, 5.5),
    (6, 4.0, 9.5),
    (10, 19.0, 19.0),
    (12, 19.0, 43.5),
)
"""Up to so many cylinders, drops of healthy engines that crank lie within so many per cent of their mean: by an independent
simulation with ordinary production scatter; and where the physics here do not speak of the engine at hand, the wider of that
and of what they say of one of which nothing but the firing order is known, so that leaving the physics out accuses no
engine that they would not. 16 drawn engines of each number (`tests/bench/bench_healthy_spread.py --engines 16`): twins 2.5 %,
threes 2.5, fours 5.2, fives 6.3, sixes 7.7 (9.1 in an earlier run), eights 18.6, tens 13.0, twelves 43.2. From eight cylinders
on it is never narrower than that: strokes overlap so far that most of the pulse cancels and one cylinder's scatter does not, the
more the smaller what is left, of which the physics' engines show too little. Of 60 healthy eights of a second model 95 % lie
within 16.7, three of the ten whose drops are below 0.4 kPa beyond 15, the farthest at 21 (`second_model/study.py healthy`).
Not measurements."""

_HEALTHY_EXHAUST_PERCENT = (8, {"rise": 36.0, "suction": 52.0})
"""From so many cylinders on: two banks, each with its manifold, blow into one pipe. An eight's banks fire unevenly, and the gas
in each bank's pipe has inertia, so that its pulses differ by their place in the order, by up to 19 and 25 per cent in
simulated ones without any scatter. Of 60 healthy ones with scatter, of a second model, 95 % lie within 36 and 51.5, the farthest
at 41 and 58 (`python tests/bench/second_model/study.py healthy --recordings 60`). The physics here leave that inertia
out and would call it a fault."""

_HEALTHY_UNEVEN_PERCENT = (
    (2, {"drop": 40.0, "rise": 25.0, "suction": 25.0, "compression": 15.0}),
    (12, {"drop": 100.0, "rise": 75.0, "suction": 75.0, "compression": 30.0}),
)
"""Up to so many cylinders, where the pulses that a probe hears come at uneven intervals: each is then cut off by its
neighbours at another place. 25 simulated healthy engines of each kind (`tests/bench/uneven_spread.py`) reached 33, 18,
16 and 7 per cent (twins), and 98 (V6 150/90), 63, 63 (a V8's bank) and 23 per cent (V6)."""


def generic_normal(
    engine: Engine, feature: str, *, evenly_heard: bool = True, beside_physics: bool = False
) -> Normal | None:
    """The generic table's interval; None for a feature that it says nothing of.

    beside_physics: whether the physics speak of this engine as well.
    """
    if not evenly_heard:
        table = next(table for most, table in _HEALTHY_UNEVEN_PERCENT if engine.cylinders <= most)
        percent = table.get(feature)
        if percent is None:
            return None
        return Normal(
            low=-percent, high=percent, from_="generic table for pulses that come unevenly (simulated)"
        )
    from_ = "generic table for this number of cylinders (simulated)"
    many, exhaust = _HEALTHY_EXHAUST_PERCENT
    if engine.cylinders >= many and feature in exhaust:
        return Normal(low=-exhaust[feature], high=exhaust[feature], from_=from_)
    if feature != "drop":
        return None
    for cylinders, independent, alone in _HEALTHY_DROP_PERCENT:
        if engine.cylinders <= cylinders:
            within = independent if beside_physics else alone
            return Normal(low=-within, high=within, from_=from_)
    return None
