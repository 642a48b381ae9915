"""Which comparison a view shows, of those that get verdicts: known from the set-up before anything turns. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

from evenstroke_dsp.messages import Comparison, CylinderBalance, SetupNote
from evenstroke_dsp.names import pulse_name

from .view_model import ViewModel

_STRETCHES = {"cranking": "while cranking", "idle": "at idle"}


@dataclass(frozen=True, slots=True)
class Choice:
    """comparison: as last published; None before there is one. note: what the set-up does to it; None: not said.
    called: probe and feature in a technician's words."""

    probe: str
    feature: str
    comparison: Comparison | None
    note: SetupNote | None
    called: str

    @property
    def name(self) -> str:
        """ "intake: intake pulse, while cranking"."""
        if self.comparison is None:
            return self.called
        return f"{self.called}, {_STRETCHES[self.comparison.stretch]}"


def called(model: ViewModel, probe: str, feature: str) -> str:
    """ "intake: intake pulse"; the feature's own word until the probe's role is known."""
    roles = {p.probe: p.role for p in model.health.probes} if model.health is not None else {}
    roles |= {c.probe: c.role for c in model.comparisons}
    return f"{probe}: {pulse_name(roles.get(probe, ''), feature)}"


def choices(model: ViewModel) -> tuple[Choice, ...]:
    """All comparisons with verdicts, published or to be expected. What is found first comes first."""
    notes = {(n.probe, n.feature): n for n in (model.state.setup_notes if model.state is not None else ())}
    shown = [
        Choice(c.probe, c.feature, c, notes.get((c.probe, c.feature)), called(model, c.probe, c.feature))
        for c in model.comparisons
        if any(b.verdict is not None for b in c.cylinders)
    ]
    known = {(c.probe, c.feature) for c in shown}
    shown += [
        Choice(*key, None, note, called(model, *key)) for key, note in notes.items() if key not in known
    ]
    return tuple(shown)


def first_choice(model: ViewModel, among: tuple[Choice, ...]) -> int:
    """The place of what the first finding speaks of, else 0."""
    findings = model.finding.findings if model.finding is not None else ()
    for place, choice in enumerate(among):
        if findings and (choice.probe, choice.feature) == (findings[0].probe, findings[0].feature):
            return place
    return 0


@dataclass(frozen=True, slots=True)
class Seat:
    """A cylinder's place in the cycle. label: its number, "1 or 6" where the half-cycle is open, its place in brackets
    where it is unnamed. cylinder: None in both. at_deg: its firing TDC after the first one's, of 720; of unnamed ones
    spread evenly."""

    label: str
    cylinder: int | None
    position: int
    at_deg: float


def seats(model: ViewModel) -> tuple[Seat, ...]:
    """In order of coming, firing order where cylinders have names. Empty before the engine is known."""
    state = model.state
    if state is None:
        return ()
    open_ones = _unnamed(model)
    if open_ones is not None:
        step = 720.0 / max(1, len(open_ones))
        return tuple(
            Seat(label, None, position, k * step)
            for k, (position, label) in enumerate(sorted(open_ones.items()))
        )
    order = state.engine.firing_order
    intervals = state.firing_intervals_deg or (720.0 / len(order),) * len(order)
    return tuple(
        Seat(str(cylinder), cylinder, position, sum(intervals[: position - 1]))
        for position, cylinder in enumerate(order, 1)
    )


def _unnamed(model: ViewModel) -> dict[int, str] | None:
    """Labels by position where cylinders have no names; None where they have, or nothing has turned yet."""
    balances = [b for c in model.comparisons for b in c.cylinders]
    if balances:
        if all(b.cylinder is not None for b in balances):
            return None
        return {
            b.position: " or ".join(map(str, b.one_of)) if b.one_of else f"({b.position})"
            for b in balances
            if b.position is not None
        }
    pulses = [pulse for probe in model.cycles[-1].probes for pulse in probe.pulses] if model.cycles else []
    if all(pulse.cylinder is not None for pulse in pulses):
        return None
    return {pulse.position: f"({pulse.position})" for pulse in pulses}


def balance_at(comparison: Comparison | None, seat: Seat) -> CylinderBalance | None:
    """What is known of the cylinder in that seat; None where the probe does not hear it, or nothing is known yet."""
    for balance in comparison.cylinders if comparison is not None else ():
        if (
            balance.cylinder == seat.cylinder
            if seat.cylinder is not None
            else balance.position == seat.position
        ):
            return balance
    return None
