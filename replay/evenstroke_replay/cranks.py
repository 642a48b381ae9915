"""Several cranks in one file: where each one lies, its part of the data, and whether they say the same.

A file is judged as a whole: each cycle is compared with its own mean, so that a battery that turns the second crank more
slowly takes nothing from one cylinder and gives nothing to another. What was changed on the engine in between does,
and no mean over both would show it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.comparisons import verdict_cylinders
from evenstroke_dsp.messages import CodedWarning, Comparison, CrankedStretch, CylinderBalance, Judgement

PAUSE_S = 2.0
"""Turning that begins again sooner is the same crank: the stream was lost, or the starter let go for a moment."""
FEWEST_CYCLES = 4
"""A shorter one is a touch of the key, and can be compared with nothing."""


@dataclass(frozen=True, slots=True)
class Crank:
    """Seconds of the file. window: from the middle of the rest before it to the middle of the rest after it."""

    from_s: float
    to_s: float
    cycles: int
    mean_rpm: float
    window: tuple[float, float]


def cranks_in(cranked: Sequence[CrankedStretch]) -> tuple[Crank, ...]:
    """The cranks that the stretches make, those left out that are too short to be one."""
    together: list[list[CrankedStretch]] = []
    for stretch in cranked:
        if together and stretch.from_s - together[-1][-1].to_s < PAUSE_S:
            together[-1].append(stretch)
        else:
            together.append([stretch])
    long = [group for group in together if sum(s.cycles for s in group) >= FEWEST_CYCLES]
    edges = [
        -math.inf,
        *((a[-1].to_s + b[0].from_s) / 2 for a, b in itertools.pairwise(long)),
        math.inf,
    ]
    out = []
    for number, group in enumerate(long):
        cycles = sum(s.cycles for s in group)
        turned_s = sum(s.to_s - s.from_s for s in group)
        window = edges[number], edges[number + 1]
        out.append(Crank(group[0].from_s, group[-1].to_s, cycles, 120.0 * cycles / turned_s, window))
    return tuple(out)


def within(blocks: Iterable[Block], window: tuple[float, float]) -> Iterator[Block]:
    """What of the blocks lies between two times, seconds."""
    begin, end = window
    for block in blocks:
        if isinstance(block, SampleBlock):
            first = max(0, _count(block, begin))
            last = min(block.samples, _count(block, end))
            if first < last:
                yield replace(block, volts=block.volts[:, first:last], t0=block.t0 + first * block.dt)
        elif isinstance(block, EdgeBlock):
            inside = (block.times >= begin) & (block.times < end)
            if block.until > begin:
                yield replace(block, times=block.times[inside], rising=block.rising[inside])
        elif isinstance(block, Gap) and block.t_to > begin and block.t_from < end:
            yield block


def _count(block: SampleBlock, until: float) -> int:
    """How many of a block's samples come before a time; more than it has, or fewer than none, where it lies outside."""
    if math.isinf(until):
        return block.samples if until > 0 else 0
    return math.ceil((until - block.t0) / block.dt - 1e-9)


def said_of(cranks: Sequence[Crank], each: Sequence[Judgement]) -> Iterator[CodedWarning]:
    """What the reader of a judgement of all cranks together must know. each: every crank's own judgement."""
    listed = "; ".join(
        f"{number}: {c.from_s:.1f} to {c.to_s:.1f} s, {c.cycles} cycles at {c.mean_rpm:.0f} rpm"
        for number, c in enumerate(cranks, 1)
    )
    yield CodedWarning(
        code="several_cranks",
        text=f"The file holds {len(cranks)} cranks, which are judged together ({listed}; mean speeds, no uncertainty stated). "
        "Each cycle is compared with its own mean, so that another speed by itself makes no cylinder odd. If anything "
        "was changed in between, judge them apart: --crank 1, --crank 2.",
    )
    for where, first, second in _unlike(each):
        yield CodedWarning(
            code="cranks_differ",
            text=f"{where} is not the same in all cranks: {_words(*first)}, {_words(*second)} (95 % intervals). What was "
            "changed in between? Do not rest on their mean; judge them apart: --crank "
            f"{first[0]}, --crank {second[0]}.",
        )


def _words(number: int, balance: CylinderBalance) -> str:
    return f"{balance.deviation:+.0f} % ({balance.low:+.0f} to {balance.high:+.0f}) in crank {number}"


def _unlike(
    each: Sequence[Judgement],
) -> Iterator[tuple[str, tuple[int, CylinderBalance], tuple[int, CylinderBalance]]]:
    """Named cylinders whose intervals in two cranks leave more room between them than the even margin's half."""
    seen: dict[tuple[str, str, str, int], list[tuple[int, CylinderBalance]]] = {}
    for number, judgement in enumerate(each, 1):
        for comparison, balance in verdict_cylinders(judgement.comparisons):
            if balance.cylinder is not None and balance.low is not None and balance.high is not None:
                seen.setdefault(_place(comparison, balance.cylinder), []).append((number, balance))
    for (probe, feature, _, cylinder), balances in seen.items():
        lowest = min(balances, key=lambda b: b[1].high or 0.0)
        highest = max(balances, key=lambda b: b[1].low or 0.0)
        if (highest[1].low or 0.0) - (lowest[1].high or 0.0) > EVEN_MARGIN_PERCENT / 2:
            first, second = sorted((lowest, highest), key=lambda b: b[0])
            yield f"Cylinder {cylinder}'s {feature} ({probe})", first, second


def _place(comparison: Comparison, cylinder: int) -> tuple[str, str, str, int]:
    return comparison.probe, comparison.feature, comparison.stretch, cylinder
