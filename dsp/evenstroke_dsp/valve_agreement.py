"""Whether the sources of valve events agree: with each other, with the set-up, and one bank with the other."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from .angle_record import AngleRecord
from .cycles import TOOTH_ERROR_DEG
from .messages import CodedWarning, SyncBasis
from .setup import PULSE_ROLES, Setup
from .valve_events import FEWEST_CYCLES, SeenEvent

EVEN_BANKS_DEG = 5.0
"""Banks within this of each other are alike: a third of a tooth of a 48-tooth cam wheel (15 degrees, arithmetic)."""
_BANKS_DIFFER_DEG = 3.0
"""What simulated healthy engines' banks differ by in the offset from bend to event, 95 %, since uneven
spacing inside a bank puts other pulses beside each dip."""

_WHY_UNSEEN = {
    "intake_opens": "an intake valve that opens before or near TDC does not start its pulse, the piston does",
    "intake_closes": "the flow dies away before an intake valve is shut, while other cylinders draw",
    "exhaust_closes": "the flow dies away before an exhaust valve is shut, while other cylinders push",
    "exhaust_opens": "no dip of an opening exhaust valve stands out",
}


def valve_warnings(
    setup: Setup,
    records: Sequence[AngleRecord],
    seen: Sequence[SeenEvent],
    basis: SyncBasis,
    angle_uncertainty_deg: float | None,
) -> list[CodedWarning]:
    """What must be known beside the events: what is not claimed and why, and what does not agree.

    angle_uncertainty_deg: as the judgement states it, half the 95 % interval in the worst cycle that counts.
    """
    if not records:
        return []
    angle = max((r.uncertainty_deg for r in records if r.cycles), default=0.0)
    within_cycle = TOOTH_ERROR_DEG if basis.startswith("wheel") else angle
    return [
        *_unseen(records, seen, angle_uncertainty_deg),
        *_sources_disagree(seen),
        *_differs_from_setup(setup, seen),
        *_banks(setup, records, seen, within_cycle),
    ]


def _unseen(
    records: Sequence[AngleRecord], seen: Sequence[SeenEvent], angle_uncertainty_deg: float | None
) -> list[CodedWarning]:
    usable = [r for r in records if r.cycles >= FEWEST_CYCLES]
    if not usable:
        unnamed = any(r.unnamed_cycles for r in records)
        why = (
            "the crank angle is not known well enough, or not for a named cylinder"
            if unnamed
            else f"fewer than {FEWEST_CYCLES} steady cranking cycles were recorded"
        )
        return [CodedWarning(code="valve_events_none", text=f"Valve events are not stated: {why}.")]
    if not seen:
        known = (
            f" (crank angle: \N{PLUS-MINUS SIGN}{angle_uncertainty_deg:.1f} degrees, 95 %)"
            if angle_uncertainty_deg is not None
            else ""
        )
        text = f"No valve event shows well enough to be stated{known}: that must be good to about a tooth of the cam's wheel."
        return [CodedWarning(code="valve_events_none", text=text)]
    missing = [event for event in _WHY_UNSEEN if event not in {s.event for s in seen}]
    if not missing:
        return []
    text = "; ".join(f"{event.replace('_', ' ')}: {_WHY_UNSEEN[event]}" for event in missing)
    return [CodedWarning(code="valve_events_unseen", text=f"Not stated of the valves: {text}.")]


def _sources_disagree(seen: Sequence[SeenEvent]) -> list[CodedWarning]:
    out = []
    for one, other in itertools.combinations(seen, 2):
        same = (one.cylinder, one.event) == (other.cylinder, other.event)
        if same and abs(one.deg - other.deg) > one.half + other.half:
            text = (
                f"Cylinder {one.cylinder}, {one.event.replace('_', ' ')}: {one.probe} says {_words(one)}, {other.probe} "
                f"{_words(other)}. They cannot both be right: check travel, sync offset and which cylinder is which."
            )
            out.append(CodedWarning(code="valve_events_disagree", text=text))
    return out


def _words(event: SeenEvent) -> str:
    return f"{event.deg:.0f} degrees ({event.deg - event.half:.0f} to {event.deg + event.half:.0f})"


def _differs_from_setup(setup: Setup, seen: Sequence[SeenEvent]) -> list[CodedWarning]:
    out = []
    for (probe, event), group in itertools.groupby(
        sorted(seen, key=lambda s: (s.probe, s.event)), key=lambda s: (s.probe, s.event)
    ):
        given = getattr(setup.engine.valve_events_deg, event)
        mean = _mean(list(group))
        if given is None or abs(mean.deg - given) <= mean.half:
            continue
        late = mean.deg - given
        text = (
            f"{probe}: {event.replace('_', ' ')} at {mean.deg:.0f} degrees ({mean.deg - mean.half:.0f} to "
            f"{mean.deg + mean.half:.0f}, 95 % interval) over cylinders {', '.join(map(str, mean.cylinders))}, "
            f"{abs(late):.0f} {'later' if late > 0 else 'earlier'} than the set-up says ({given:g})."
        )
        out.append(CodedWarning(code="valve_timing_differs", text=text))
    return out


# --- banks ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Mean:
    """Mean timing over cylinders; own and shared as in SeenEvent."""

    deg: float
    own: float
    shared: float
    cylinders: tuple[int, ...]

    @property
    def half(self) -> float:
        return math.hypot(self.own, self.shared)


def _mean(events: Sequence[SeenEvent]) -> _Mean:
    """The cylinders' own errors average out, the shared one does not."""
    degrees = np.array([e.deg for e in events])
    own = math.sqrt(sum(e.own**2 for e in events)) / len(events)
    if len(events) > 1:
        spread = float(degrees.std(ddof=1)) / math.sqrt(len(events))
        own = max(own, float(student_t.ppf(0.975, len(events) - 1)) * spread)
    shared = max(e.shared for e in events)
    return _Mean(float(degrees.mean()), own, shared, tuple(e.cylinder for e in events))


def banks_of(setup: Setup) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """The two banks, as `sees` of the pulse probes tells: what a probe hears that does not hear all, and the rest.

    None where every probe hears every cylinder, or where `sees` of two probes cut the engine differently.
    """
    everyone = set(setup.engine.firing_order)
    halves = {
        frozenset((frozenset(setup.sees(p)), frozenset(everyone - set(setup.sees(p)))))
        for p in setup.probe
        if p.role in PULSE_ROLES and set(setup.sees(p)) != everyone
    }
    if len(halves) != 1:
        return None
    first, second = sorted((tuple(sorted(half)) for half in next(iter(halves))), key=lambda bank: bank[:1])
    return (first, second) if first and second else None


def _banks(
    setup: Setup, records: Sequence[AngleRecord], seen: Sequence[SeenEvent], angle_deg: float
) -> list[CodedWarning]:
    banks = banks_of(setup)
    if banks is None:
        return []
    roles = {r.probe.name: r.probe.role for r in records}
    out = []
    for event in sorted({s.event for s in seen}):
        for role in sorted({roles[s.probe] for s in seen if s.event == event} & PULSE_ROLES):
            of = [s for s in seen if s.event == event and roles[s.probe] == role]
            sides = [[s for s in of if s.cylinder in bank] for bank in banks]
            if all(len(side) >= 2 for side in sides):
                out.append(_bank_warning(banks, event, sides, angle_deg))
    return out


def _bank_warning(
    banks: tuple[tuple[int, ...], tuple[int, ...]],
    event: str,
    sides: Sequence[Sequence[SeenEvent]],
    angle_deg: float,
) -> CodedWarning:
    """angle_deg: how far the crank angle may be out between two places of a cycle."""
    one, other = (_mean(side) for side in sides)
    late = other.deg - one.deg
    # What both have in common drops out; the way of the gas does so only where one probe hears both banks.
    travels = {s.probe: s.travel for side in sides for s in side}
    travel = math.hypot(*travels.values()) if len(travels) > 1 else 0.0
    half = math.sqrt(one.own**2 + other.own**2 + _BANKS_DIFFER_DEG**2 + travel**2 + angle_deg**2)
    low, high = late - half, late + half
    named = [", ".join(map(str, bank)) for bank in banks]
    interval = f"({low:+.0f} to {high:+.0f}, 95 % interval)"
    if low > EVEN_BANKS_DEG or high < -EVEN_BANKS_DEG:
        behind, ahead = (named[1], named[0]) if late > 0 else (named[0], named[1])
        return CodedWarning(
            code="bank_timing_differs",
            text=f"The bank of cylinders {behind} is behind that of {ahead}: {event.replace('_', ' ')} "
            f"{abs(late):.0f} crank degrees later {interval}. A tooth of a 48-tooth cam wheel is 15 degrees.",
        )
    alike = low >= -EVEN_BANKS_DEG and high <= EVEN_BANKS_DEG
    return CodedWarning(
        code="bank_timing_even" if alike else "bank_timing_undecided",
        text=f"Banks, {event.replace('_', ' ')}: cylinders {named[1]} against {named[0]} {late:+.0f} crank degrees "
        f"{interval}: {'alike' if alike else 'cannot tell whether they differ'}.",
    )
