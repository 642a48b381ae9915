"""Keeps one balance table per probe, feature and stretch, and states them as comparisons (contract 3)."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .balance import ALPHA, KEPT_CYCLES, BalanceTable, CylinderDeviation
from .blocks import Bools, Floats
from .disturbance import disturbance_codes, disturbed_cylinders
from .even_margin import EVEN_MARGIN_PERCENT
from .features import Feature, Pulse, unit_of_value
from .known_goods import KnownGoods
from .low_corner import widening
from .measurement import Measured, ProbeMeasurer
from .messages import TRUST_ORDER, Comparison, CylinderBalance, Normal, Predicted, StretchKind, Trust
from .normal import generic_normal
from .prediction import Prediction, Seen
from .ran_unasked import MAY_HAVE_RUN
from .setup import PULSE_ROLES, Probe, Setup
from .silent_cycles import SilentCycles
from .swapped_probes import SwappedPair

SHARES: dict[StretchKind, float] = {"cranking": 0.9, "idle": 0.1}
"""Of `ALPHA`. An engine that starts gives every verdict again, idling; whether it will is not known when the first are
given. Idling has many cycles, and its intervals become a tenth wider by this than by halves; cranking has few, and its
become 4 to 8 % narrower after six."""

_MERGING = 2
"""Which of the causes in `ComparisonKeeper._altered` is that pulses merge."""

_CUT_SHARE, _FEWEST_CUT, _LATEST = 0.1, 2, 60
"""A pulse that is cut off in more than this share of its latest cycles, and in more than a single one, reads small on average."""
_SHORT = 0.5
"""Of the cycles that were measured, or of as many as are remembered, up to which all from the first whose signal is cut off to
the last are left out. What is scattered over more of them may be cut off because it is large: without those cycles it would read
small."""
SILENT_FOR_A_WHILE, CLIPPED_FOR_A_WHILE = "silent_for_a_while", "clipped_for_a_while"
"""Codes of cycles that are left out for their signal, which limits nothing that is stated of the others."""
HALVES_DIFFER = "halves_differ"
"""Code of a mean that cannot tell which half of the cylinders is off: a fact of the numbers that limits none of them."""
_AS_FAR = 0.5
"""Of how far one half lies from the mean, how far each of the other lies at the least."""
_UNDISTORTED_BY_TOP = frozenset({"suction"})
"""Verdict features that only the signal's lower end falsifies: the level they are measured from is a median."""

_FEW_CYCLES = 3
"""So many in another turning are no crank, and make way for the next one."""

Altered = tuple[dict[str, Floats], dict[str, Floats]]
"""The mean cycle as read, and with what is not known altered: as `ProbeMeasurer.corner_values` gives them."""

Slot = tuple[int | None, tuple[int, ...] | None, int]
"""Cylinder, else the cylinders it may be, and the position in order of coming."""


@dataclass(slots=True)
class _Group:
    """All tables of one probe in one stretch; columns are slots."""

    measurer: ProbeMeasurer
    stretch: StretchKind
    slots: tuple[Slot, ...]
    rotation: int | None  # the turning that unnamed slots belong to
    tables: dict[Feature, BalanceTable] = field(default_factory=dict)
    cycles: int = 0
    columns: list[int] = field(default_factory=list)  # of the measured places, in the order of the slots
    positions: tuple[int, ...] = ()  # in order of coming, of each slot
    pulses: deque[tuple[int, tuple[Pulse | None, ...]]] = field(default_factory=lambda: deque(maxlen=_LATEST))
    cut: dict[int, tuple[float, float]] = field(
        default_factory=dict
    )  # by cycle: when its pulses were cut off
    left_out: frozenset[int] = frozenset()  # cycles of which nothing is compared, as of now

    @property
    def named(self) -> bool:
        return all(slot[0] is not None for slot in self.slots)

    def shown(self, by_series: Mapping[int, tuple[int, ...]]) -> tuple[Slot, ...]:
        """The slots as they are named: where several strokes fit each pulse, or the sync comes in two series, by all that fit
        and its position."""
        if by_series and self.named:
            return tuple(
                (None, self._that_fit((None, by_series[slot[0] or 0], 0)), position)
                for slot, position in zip(self.slots, self.positions, strict=True)
            )
        if not self.measurer.strokes_open(self.stretch):
            return self.slots
        return tuple(
            (None, self._that_fit(slot), position)
            for slot, position in zip(self.slots, self.positions, strict=True)
        )

    def look_for_cuts(self) -> None:
        """Notes in which of the latest cycles a pulse was cut off: of the last ones that shows only by those after them."""
        for number, pulses in self.pulses:
            off = [p for p in pulses if p is not None and any(self.measurer.cut_off(p))]
            if off:
                self.cut[number] = min(p.t_from for p in off), max(p.t_to for p in off)
        while len(self.cut) > KEPT_CYCLES:
            del self.cut[next(iter(self.cut))]

    @property
    def clipped_cycles(self) -> frozenset[int]:
        """From the first cycle that is cut off to the last, where that was for a short while only."""
        if not self.cut:
            return frozenset()
        first, last = min(self.cut), max(self.cut)
        short = last - first + 1 <= _SHORT * min(self.cycles, KEPT_CYCLES)
        return frozenset(range(first, last + 1)) if short else frozenset()

    def cut_off(self, *, either_end: bool) -> Bools:
        """Which columns' pulses are cut off, shape (slots,); either_end: or at the end alone that weaker values lie towards."""
        counts = np.zeros((2, len(self.slots)))
        for number, pulses in self.pulses:
            for column, pulse in enumerate(pulses):
                if pulse is not None and number not in self.left_out:
                    weak, strong = self.measurer.cut_off(pulse)
                    counts[:, column] += weak or (strong and either_end), 1
        return np.asarray((counts[0] >= _FEWEST_CUT) & (counts[0] > _CUT_SHARE * counts[1]))

    def _that_fit(self, slot: Slot) -> tuple[int, ...] | None:
        cylinder, one_of, _ = slot
        may_be = (cylinder,) if cylinder is not None else one_of
        if may_be is None or not self.measurer.strokes_open(self.stretch):
            return may_be
        fit = [c for one in may_be for c in self.measurer.strokes_that_fit(one, self.stretch)]
        return tuple(dict.fromkeys(fit))


class ComparisonKeeper:
    """`add` what was measured of each cycle; `state` gives all comparisons so far.

    verdicts_shared: over how many verdicts of one stretch, at most, its share of `ALPHA` is divided.
    """

    def __init__(
        self,
        setup: Setup,
        measurers: Sequence[ProbeMeasurer],
        prediction: Prediction | None = None,
        known_goods: KnownGoods | None = None,
    ) -> None:
        self._setup = setup
        self._prediction = prediction
        self._known_goods = known_goods
        self._groups: dict[tuple[str, StretchKind], _Group] = {}
        self._forgotten: dict[tuple[str, StretchKind], _Group] = {}
        # Of cylinders, where positions were kept before their sync came: too few as yet to take their place.
        self._named: dict[tuple[str, StretchKind], _Group] = {}
        self.verdicts_shared = _verdicts(measurers)
        self._limits: dict[str, tuple[str, ...]] = {}
        self.silent: dict[str, SilentCycles] = {}
        """In which cycles a probe's signal was gone, by its name."""
        self._altered: dict[tuple[str, StretchKind], tuple[Altered | None, ...]] = {}
        self._set_aside = 0
        self.speed_unsteady = False
        """Whether the cranking cycles' speed limits what is compared, as of now."""
        self.other_pace = False
        """Whether the sync comes otherwise than the set-up says, so that what was cut by it are no cycles, as of now."""
        self.may_have_run = False
        """Whether what is said to be cranked may have run by itself, as of now: nobody knows then what healthy engines show."""
        self.swapped: SwappedPair | None = None
        """Two probes that may be swapped, as of now."""
        self.by_series: Mapping[int, tuple[int, ...]] = {}
        """Where the sync comes in two series: whose pulse each named cylinder's may be, as of now; else empty."""

    @property
    def positions_set_aside(self) -> int:
        """Cycles whose positions belong to another turning than those that are compared."""
        return self._set_aside + sum(group.cycles for group in self._named.values())

    @property
    def valve_events_untold(self) -> bool:
        """Whether no valve's event may be stated: the sync is another cylinder's as well, or two probes are likely swapped."""
        return bool(self.by_series) or (self.swapped is not None and self.swapped.likely)

    def limit(self, probe: str, reasons: tuple[str, ...]) -> None:
        """From now on this probe's comparisons are limited for these reasons, and no longer for earlier ones."""
        self._limits[probe] = reasons

    def is_dead(self, probe: str) -> bool:
        """Whether this probe gave no signal in any cycle."""
        silent = self.silent.get(probe)
        return "dead" in self._limits.get(probe, ()) and not (silent is not None and silent.was_there)

    def dead_from_s(self, probe: str) -> float | None:
        """From when at the latest this probe's signal, which was there before, is gone; None where it is not."""
        silent = self.silent.get(probe)
        if silent is None or not silent.gone:
            return None
        return max(begin for kind in SHARES for begin, _ in silent.times(kind)[-1:])

    def left_out_s(self, code: str, probe: str) -> tuple[tuple[float, float], ...]:
        """When cycles of this probe lay that are left out for this reason, seconds, of both stretches."""
        groups = [group for (name, _), group in self._groups.items() if name == probe]
        if code == SILENT_FOR_A_WHILE:
            silent = self.silent.get(probe)
            return () if silent is None else tuple(t for g in groups for t in silent.times(g.stretch))
        cut = [[g.cut[k] for k in g.clipped_cycles if k in g.cut] for g in groups]
        return tuple((min(of)[0], max(t for _, t in of)) for of in cut if of)

    def forget(self, probe: str) -> None:
        """All cycles of this probe will be added anew; the verdicts that it was given are not forgotten."""
        self._forgotten |= {key: group for key, group in self._groups.items() if key[0] == probe}
        self._groups = {key: group for key, group in self._groups.items() if key[0] != probe}
        self._named = {key: group for key, group in self._named.items() if key[0] != probe}

    def add(
        self,
        measurer: ProbeMeasurer,
        measured: Sequence[Measured],
        stretch: StretchKind,
        cycle: int,
        rotation: int,
    ) -> None:
        """One cycle's pulses of one probe, in order of coming; cycle: its number in the stretch."""
        slots = tuple((m.place.cylinder, m.place.one_of, m.position) for m in measured)
        named = all(slot[0] is not None for slot in slots)
        columns = list(range(len(slots)))
        if named:
            order = {c: k for k, c in enumerate(self._setup.engine.firing_order)}
            by_order = sorted(range(len(slots)), key=lambda k: order[slots[k][0] or 0])
            slots = tuple((slots[k][0], None, 0) for k in by_order)
            measured = [measured[k] for k in by_order]
            columns = by_order
        group = self._group(measurer, stretch, slots, None if named else rotation)
        if group is None:
            self._set_aside += 1
            return
        group.cycles += 1
        group.columns = columns
        group.positions = tuple(m.position for m in measured)
        group.pulses.append((cycle, tuple(m.pulse for m in measured)))
        for feature, table in group.tables.items():
            values = [
                m.pulse.values.get(feature.name, np.nan) if m.pulse is not None else np.nan for m in measured
            ]
            table.add(cycle, np.asarray(values, dtype=np.float64))
        key = (measurer.probe.name, stretch)
        if group is self._named.get(key) and group.cycles > _FEW_CYCLES:
            self._set_aside += self._groups[key].cycles
            self._groups[key] = self._named.pop(key)

    def state(self, seen: Seen | None = None) -> tuple[Comparison, ...]:
        """All comparisons; those of cranking first, in the order of the probes.

        seen: what narrows what the set-up is predicted to do; without it the priors' range is stated.
        """
        for group in self._groups.values():
            group.look_for_cuts()
            silent = self.silent.get(group.measurer.probe.name)
            group.left_out = group.clipped_cycles | (
                silent.left_out(group.stretch) if silent is not None else frozenset()
            )
            for table in group.tables.values():
                table.leave_out(group.left_out)
        self._altered = {
            key: (
                g.measurer.corner_values(g.stretch, g.rotation),
                g.measurer.displaced_values(g.stretch, g.rotation),
                g.measurer.redefined_values(g.stretch, g.rotation),
            )
            for key, g in self._groups.items()
        }
        return tuple(
            self._comparison(group, feature, table, seen)
            for stretch in ("cranking", "idle")
            for group in self._groups.values()
            if group.stretch == stretch
            for feature, table in group.tables.items()
            if table.cycles
        )

    def level_changes(self) -> dict[str, tuple[float, float]]:
        """By probe: how its cranking pulses' size changed from the first cycle to the last, and how sure that is."""
        out = {}
        for (name, stretch), group in self._groups.items():
            leading = next(iter(group.tables.values()))
            change = leading.level_change() if stretch == "cranking" else None
            if change is not None:
                out[name] = change
        return out

    @staticmethod
    def _widen(
        group: _Group,
        feature: Feature,
        table: BalanceTable,
        reference: tuple[int, ...],
        causes: Sequence[Altered | None],
    ) -> float:
        """Lets the intervals hold what an unknown low corner, an uncertain crank angle and another end of pulses that merge may
        have moved; the most that the last of them moves, per cent or degrees."""
        found = []
        of_merging = 0.0
        for number, altered in enumerate(causes):
            if altered is None or altered[0][feature.name].size != len(group.slots):
                continue
            as_read, moved = altered[0][feature.name], altered[1][feature.name]
            columns = group.columns
            wider = widening(as_read[columns], moved[:, columns], reference, relative=feature.relative)
            if wider is not None:
                found.append(wider)
                if number == _MERGING:
                    of_merging = float(max(wider.up.max(), -wider.down.min()))
        if found:
            table.down = np.sum([w.down for w in found], axis=0)
            table.up = np.sum([w.up for w in found], axis=0)
        return of_merging

    @staticmethod
    def _bound_by_clipping(
        group: _Group, feature: Feature, table: BalanceTable, reference: tuple[int, ...]
    ) -> None:
        """A pulse that is cut off is at least as large as it reads, and so is the mean that it is part of: lets the intervals
        hold all that this leaves open, so that a verdict that it may falsify is not given."""
        table.lowest[:], table.highest[:] = np.inf, -np.inf
        upright = not group.measurer.polarity_doubtful
        cut = group.cut_off(either_end=not (upright and feature.name in _UNDISTORTED_BY_TOP))
        if not cut.any():
            return
        probe, of_mean = group.measurer.probe, cut[list(reference)]
        # What is undone of a low corner spreads over the whole cycle; of other features no more is known than that they are off.
        if not feature.verdict or (probe.low_corner_hz is not None and probe.role in PULSE_ROLES):
            table.lowest[:], table.highest[:] = -np.inf, np.inf
            return
        for column, own in enumerate(cut.tolist()):
            others = of_mean.sum() - (own and column in reference)
            if own and (others or column not in reference):
                table.lowest[column], table.highest[column] = -np.inf, np.inf
            elif own:
                # No more than all of a mean's parts.
                table.highest[column] = 100.0 * (len(reference) - 1)
            elif others:
                table.lowest[column] = -100.0

    def _group(
        self, measurer: ProbeMeasurer, stretch: StretchKind, slots: tuple[Slot, ...], rotation: int | None
    ) -> _Group | None:
        """The group to add to; None where unnamed positions of another turning are already kept.

        Positions cannot be added to cylinders. Those go before: a sync that came late names the rest of the crank.
        """
        key = (measurer.probe.name, stretch)
        for group in (self._groups.get(key), self._named.get(key)):
            if group is not None and (group.slots == slots and group.rotation == rotation):
                return group
        group = self._groups.get(key)
        groups = self._groups
        if group is not None and group.cycles > _FEW_CYCLES:
            if rotation is not None or group.rotation is None:
                return None
            groups = self._named
        group = _Group(measurer, stretch, slots, rotation)
        for feature in measurer.pulse.features:
            group.tables[feature] = BalanceTable(
                len(slots),
                _reference(slots, self._disturbed(measurer.probe, feature, slots, stretch)),
                relative=feature.relative,
                with_verdict=feature.verdict and len(slots) >= 2,
                alpha=ALPHA * SHARES[stretch] / max(1, self.verdicts_shared),
            )
        before = self._forgotten.pop(key, None)
        if before is not None and before.slots == slots and before.rotation == rotation:
            for feature, table in group.tables.items():
                table.remember(before.tables[feature].given)
        groups[key] = group
        return group

    def _comparison(
        self, group: _Group, feature: Feature, table: BalanceTable, seen: Seen | None
    ) -> Comparison:
        probe = group.measurer.probe
        disturbed = self._disturbed(probe, feature, group.slots, group.stretch)
        reference = _reference(group.slots, disturbed)
        limited = list(self._limits.get(probe.name, ()))
        altered = self._altered.get((probe.name, group.stretch), ())
        merging = self._widen(group, feature, table, reference, altered)
        self._bound_by_clipping(group, feature, table, reference)
        deviations = table.deviations()
        maybe_swapped = self.swapped is not None and probe.name in self.swapped.both
        exchanged = maybe_swapped and self.swapped is not None and self.swapped.likely
        # `dead`, `unfiltered`, `noisy`, `no_compression`, `polarity`, `sync_rate` or `roles_doubtful` says why.
        untold = group.measurer.swamped or group.measurer.without_compression
        if (
            (untold and group.stretch == "cranking")
            or group.measurer.clamp_doubtful
            or self.other_pace
            or exchanged
            or self.is_dead(probe.name)
            or "unfiltered" in limited
        ):
            deviations = tuple(_undecided(d) for d in deviations)
        if self.is_dead(probe.name):
            # Cycles without a signal are nothing that a cylinder did.
            deviations = tuple(replace(d, one_offs=()) for d in deviations)
        if group.cut and not group.clipped_cycles and "dead" not in limited:
            limited.append("clipped")
        if not group.measurer.evenly_heard:
            limited.append("uneven_spacing")
        if feature.relative and merging > EVEN_MARGIN_PERCENT:
            limited.append("strokes_merge")
        if group.measurer.angle_uncertain(group.stretch, group.rotation):
            limited.append("angle_uncertain")
        if self.speed_unsteady and group.stretch == "cranking":
            limited.append("speed_unsteady")
        if self.other_pace:
            limited.append("sync_rate")
        if group.measurer.hidden_by_gap:
            limited.append("wheel_gap")
        if group.measurer.rings:
            limited.append("pipe_rings")
        if group.measurer.small_before and group.stretch == "cranking":
            limited.append("strokes_overlap")
        if group.measurer.between_places and group.stretch == "cranking":
            limited.append("between_places")
        if group.measurer.travel_open(group.stretch):
            limited.append("travel_unknown")
        unit = unit_of_value(feature.name, group.measurer.unit)
        measured = self._measured_normals(group, feature, reference)
        normals = measured if measured is not None else self._normals(group, feature, reference)
        if measured is None and not group.measurer.evenly_heard:
            generic = generic_normal(self._setup.engine, feature.name, evenly_heard=False)
            normals, unmodelled = described_normals(normals, deviations, generic)
            limited += ["unmodelled"] if unmodelled else []
        predicted = self._predicted(group, feature, reference, seen)
        if maybe_swapped:
            # Neither what healthy engines show of such a pulse nor what the set-up does to it is known.
            limited.append("roles_doubtful")
            normals, predicted = [None] * len(normals), [None] * len(predicted)
        if self.may_have_run and group.stretch == "cranking":
            limited.append(MAY_HAVE_RUN)
            normals, predicted = [None] * len(normals), [None] * len(predicted)
        shown = group.shown(self.by_series)
        may_be = self._columns_that_fit(group, shown)
        ambiguous = bool(self.by_series) and group.named
        if ambiguous or any(one_of is not None for _, one_of, _ in group.slots):
            limited.append("sync_ambiguous")
        if ambiguous:
            # What the set-up does to one of them cannot be held against a pulse that may be another's.
            predicted = [None] * len(predicted)
        cylinders = tuple(
            self._cylinder(
                slot,
                deviation,
                unit,
                _widest_normal([normals[c] for c in may_be[k]]),
                _widest_prediction([predicted[c] for c in may_be[k]]),
                _trust(
                    ambiguous or any(c in disturbed for c in may_be[k]),
                    bool(limited) or withdrawn or not deviation.cycles,
                ),
            )
            for k, (slot, deviation, withdrawn) in enumerate(
                zip(shown, deviations, table.withdrawn, strict=True)
            )
        )
        cylinders_in_order = cylinders
        if group.measurer.strokes_open(group.stretch) or ambiguous:
            cylinders = tuple(sorted(cylinders, key=lambda c: c.position or 0))
        if any(table.withdrawn):
            limited.append("verdict_withdrawn")
        if not all(deviation.cycles for deviation in deviations):
            limited.append("not_measured")
        because = sorted({code for codes in disturbed.values() for code in codes} | set(limited))
        if probe.low_corner_hz is None and probe.role in PULSE_ROLES:
            because.append("low_corner_unknown")
        silent = self.silent.get(probe.name)
        if silent is not None and silent.times(group.stretch) and "dead" not in limited:
            because.append(SILENT_FOR_A_WHILE)
        if group.clipped_cycles:
            because.append(CLIPPED_FOR_A_WHILE)
        if feature.relative and _halves_differ([cylinders_in_order[k] for k in reference]):
            because.append(HALVES_DIFFER)
        return Comparison(
            probe=probe.name,
            role=probe.role,
            feature=feature.name,
            stretch=group.stretch,
            unit="percent" if feature.relative else "degrees",
            trust=max((c.trust for c in cylinders), key=TRUST_ORDER.index),
            because=tuple(because),
            reference=tuple(_label(shown[k]) for k in reference) if len(shown) >= 2 else (),
            cylinders=cylinders,
        )

    def _cylinder(
        self,
        slot: Slot,
        deviation: CylinderDeviation,
        unit: str,
        normal: Normal | None,
        predicted: Predicted | None,
        trust: Trust,
    ) -> CylinderBalance:
        cylinder, one_of, position = slot
        return CylinderBalance(
            cylinder=cylinder,
            value=deviation.value,
            value_unit=unit,
            deviation=deviation.deviation,
            low=deviation.low,
            high=deviation.high,
            cycles=deviation.cycles,
            verdict=deviation.verdict,
            normal=normal,
            trust=trust,
            predicted=predicted,
            more_cycles=deviation.more_cycles,
            one_off_cycles=deviation.one_offs,
            position=None if cylinder is not None else position,
            one_of=one_of,
            standard_error=deviation.standard_error,
        )

    # --- what the physics say --------------------------------------------------------------------------

    def _physics(self, group: _Group, feature: Feature) -> Prediction | None:
        """The prediction, where it speaks of this comparison."""
        known = self._prediction is not None and self._prediction.knows(
            (group.measurer.probe.name, feature.name)
        )
        return self._prediction if known and group.stretch == "cranking" else None

    def _measured_normals(
        self, group: _Group, feature: Feature, reference: Sequence[int]
    ) -> list[Normal | None] | None:
        """For each slot what known-good engines of the family show; None where too few are known."""
        if self._known_goods is None:
            return None
        key = (group.measurer.probe.name, feature.name, group.stretch)
        columns = self._columns(group, reference)
        by_cylinder = self._known_goods.normal(key, columns, relative=feature.relative)
        if by_cylinder is None:
            return None
        return [
            _widest_normal([by_cylinder[c] for c in self._candidates(s) if c in by_cylinder])
            for s in group.slots
        ]

    def _normals(self, group: _Group, feature: Feature, reference: Sequence[int]) -> list[Normal | None]:
        """For each slot what healthy cranked engines show: by the physics, else by the generic table."""
        if group.stretch != "cranking":
            return [None] * len(group.slots)  # neither speaks of an engine that fires
        physics = self._physics(group, feature)
        key = (group.measurer.probe.name, feature.name)
        by_cylinder = physics.normal(key, self._columns(group, reference)) if physics is not None else None
        even = group.measurer.evenly_heard
        table = generic_normal(
            self._setup.engine, feature.name, evenly_heard=even, beside_physics=by_cylinder is not None
        )
        if by_cylinder is None:
            return [table] * len(group.slots)
        out: list[Normal | None] = []
        for slot in group.slots:
            of = [by_cylinder[c] for c in self._candidates(slot) if c in by_cylinder]
            # Two simulations that differ: nobody is accused of what either of them shows of healthy engines.
            out.append(_widest_normal([table, *of] if of and table is not None and even else of))
        return out

    def _predicted(
        self, group: _Group, feature: Feature, reference: Sequence[int], seen: Seen | None
    ) -> list[Predicted | None]:
        """For each slot what the set-up does to it; for an unnamed one, to any cylinder that it may be."""
        physics = self._physics(group, feature)
        key = (group.measurer.probe.name, feature.name)
        columns = self._columns(group, reference)
        by_cylinder = physics.predicted(key, columns, seen) if physics is not None else None
        if by_cylinder is None:
            return [None] * len(group.slots)
        out: list[Predicted | None] = []
        for slot in group.slots:
            of = [by_cylinder[c] for c in self._candidates(slot) if c in by_cylinder]
            if len(of) == 1:
                out.append(of[0])
            elif of:
                low, high = min(p.low for p in of), max(p.high for p in of)
                out.append(Predicted(deviation=(low + high) / 2, low=low, high=high))
            else:
                out.append(None)
        return out

    def _columns(self, group: _Group, reference: Sequence[int]) -> Sequence[int]:
        """The prediction's columns for a reference of slots: the same for named ones, else all."""
        named = all(slot[0] is not None for slot in group.slots)
        return reference if named else range(len(group.slots))

    def _columns_that_fit(self, group: _Group, shown: Sequence[Slot]) -> list[list[int]]:
        """For each slot the columns of the cylinders that it may be; its own alone where the places are unnamed anyway."""
        if not (group.measurer.strokes_open(group.stretch) or self.by_series) or not group.named:
            return [[k] for k in range(len(shown))]
        column = {slot[0]: k for k, slot in enumerate(group.slots)}
        return [[column[c] for c in slot[1] or ()] for slot in shown]

    def _candidates(self, slot: Slot) -> tuple[int, ...]:
        cylinder, one_of, _ = slot
        return (cylinder,) if cylinder is not None else (one_of or self._setup.engine.firing_order)

    def _disturbed(
        self, probe: Probe, feature: Feature, slots: Sequence[Slot], stretch: StretchKind
    ) -> Mapping[int, tuple[str, ...]]:
        """Columns that the set-up may have altered; every unnamed one that may be such a cylinder."""
        by_rule = disturbed_cylinders(self._setup, probe.role, feature.name, self._setup.sees(probe))
        cylinders: Mapping[int, tuple[str, ...]] = by_rule
        if self._prediction is not None and stretch == "cranking":
            codes = disturbance_codes(self._setup)
            reached = self._prediction.disturbed((probe.name, feature.name), by_rule)
            cylinders = {c: by_rule.get(c, codes) for c in reached}
        out: dict[int, tuple[str, ...]] = {}
        for k, slot in enumerate(slots):
            found = sorted({code for c in self._candidates(slot) for code in cylinders.get(c, ())})
            if found and slot[0] is None:
                found.append("sync_ambiguous")
            if found:
                out[k] = tuple(found)
        return out


def _widest_normal(of: Sequence[Normal | None]) -> Normal | None:
    """What any of several cylinders may show in health; None where one of them is not known."""
    known = [n for n in of if n is not None]
    if len(known) < len(of) or not known:
        return None
    return Normal(low=min(n.low for n in known), high=max(n.high for n in known), from_=known[-1].from_)


def _widest_prediction(of: Sequence[Predicted | None]) -> Predicted | None:
    """What the set-up does to any of several cylinders; None where it is not known of one of them."""
    known = [p for p in of if p is not None]
    if len(known) < len(of) or not known:
        return None
    if len(known) == 1:
        return known[0]
    low, high = min(p.low for p in known), max(p.high for p in known)
    return Predicted(deviation=(low + high) / 2, low=low, high=high)


def described_normals(
    normals: Sequence[Normal | None], deviations: Sequence[CylinderDeviation], generic: Normal | None
) -> tuple[list[Normal | None], bool]:
    """What healthy engines show of pulses that come unevenly, and whether the simulation is doubted.

    Each such pulse is cut off by its neighbours at a place that pipes and valves decide. Where two or more lie wholly
    beyond what the simulated engines show, it is likelier that these have other pipes than this one than that so many
    cylinders are bad: then nothing is known of those pulses, unless they are beyond the generic table too.
    """

    def beyond(normal: Normal | None, deviation: CylinderDeviation) -> bool:
        low, high = deviation.low, deviation.high
        return (
            normal is not None
            and low is not None
            and high is not None
            and not (low <= normal.high and high >= normal.low)
        )

    out = [beyond(n, d) for n, d in zip(normals, deviations, strict=True)]
    if sum(out) < 2 or generic is None:
        return list(normals), False
    kept = [
        n if not far else generic if beyond(generic, d) else None
        for n, d, far in zip(normals, deviations, out, strict=True)
    ]
    return kept, True


def _reference(slots: Sequence[Slot], disturbed: Mapping[int, tuple[str, ...]]) -> tuple[int, ...]:
    """Columns whose mean is 100 per cent: the undisturbed ones where they are at least two, else all."""
    clean = tuple(k for k in range(len(slots)) if k not in disturbed)
    return clean if len(clean) >= 2 else tuple(range(len(slots)))


def _halves_differ(reference: Sequence[CylinderBalance]) -> bool:
    """Whether four or more cylinders fall into two halves, either as far from their mean as the other, by verdicts of one half at
    the least: then it is no more likely that the one is off than that the other is."""
    count = len(reference)
    if count < 4 or count % 2 or any(c.deviation is None for c in reference):
        return False
    ordered = sorted(reference, key=lambda c: c.deviation or 0.0)
    small, large = ordered[: count // 2], ordered[count // 2 :]
    far = sum(c.deviation or 0.0 for c in large) / len(large)
    each_as_far = all(abs(c.deviation or 0.0) >= _AS_FAR * far for c in reference) and (
        (small[-1].deviation or 0.0) < 0.0 < (large[0].deviation or 0.0)
    )
    told = all(c.verdict == "smaller" for c in small) or all(c.verdict == "larger" for c in large)
    return each_as_far and told


def _undecided(deviation: CylinderDeviation) -> CylinderDeviation:
    """As it is, but for the verdict that it would get on less noise; no number of cycles would settle it."""
    if deviation.verdict is None:
        return deviation
    return replace(deviation, verdict="undecided", more_cycles=None)


def _trust(disturbed: bool, limited: bool) -> Trust:
    return "disturbed" if disturbed else "limited" if limited else "clean"


def _label(slot: Slot) -> int:
    return slot[0] if slot[0] is not None else slot[2]


def _verdicts(measurers: Sequence[ProbeMeasurer]) -> int:
    """Every pulse of every verdict feature recorded."""
    return sum(
        m.pulses_a_cycle
        for m in measurers
        for feature in m.pulse.features
        if feature.verdict and m.pulses_a_cycle > 1
    )


def verdict_cylinders(comparisons: Sequence[Comparison]) -> Iterator[tuple[Comparison, CylinderBalance]]:
    """Every cylinder that has a verdict, with its comparison."""
    for comparison in comparisons:
        for cylinder in comparison.cylinders:
            if cylinder.verdict is not None:
                yield comparison, cylinder
