"""Carpet: a row for each cycle as it comes, a column for each cylinder in firing order, colour its deviation. No Qt here.

What repeats is a stripe from above to below, what happens once a single patch. Each patch is one pulse against the median
of its own cycle: a battery that tires colours nothing, and one pulse that fails does not colour its neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from evenstroke_dsp.even_margin import EVEN_MARGIN_PERCENT
from evenstroke_dsp.messages import Comparison, Cycle, CycleProbe, CylinderPulse

from .choosing import Seat, balance_at, called, seats
from .drawing import Item, Line, Picture, Shape, Spot, Text, rectangle, triangle
from .look import Look, Theme, blend
from .minmax import reduce_to_columns
from .sentence import interval_words, signed
from .units import NARROW_SPACE, factor, rounded, shown
from .view_model import Piece, ViewModel

FULL_PERCENT = 25.0
"""Deviation at which a colour is at its strongest."""
_LOWEST_ROW = 13.0
_HIGHEST_ROW = 34.0


@dataclass(frozen=True, slots=True)
class Patch:
    """One pulse of one cycle. percent: from the median of its cycle; None where it was not measured.
    left_out: why it does not count, or None."""

    seat: Seat
    percent: float | None
    pulse: CylinderPulse | None
    left_out: str | None


@dataclass(frozen=True, slots=True)
class Place:
    """A chosen patch: its cycle's sequence number, and its column, from 0."""

    sequence: int
    column: int


def probes_of(model: ViewModel) -> tuple[tuple[str, str], ...]:
    """Probes with more than one pulse a cycle, and their features; the first finding's comes first."""
    found: dict[tuple[str, str], None] = {}
    for cycle in reversed(model.cycles):
        for probe in cycle.probes:
            if len(probe.pulses) > 1:
                found.setdefault((probe.probe, probe.feature))
        if found:
            break
    findings = model.finding.findings if model.finding is not None else ()
    first = [key for key in found if findings and key[0] == findings[0].probe]
    return tuple(first + [key for key in found if key not in first])


def row_of(cycle: Cycle, probe: str, places: Sequence[Seat], comparison: Comparison | None) -> list[Patch]:
    """One cycle's patches in the order of the seats."""
    measured = next((p for p in cycle.probes if p.probe == probe), None)
    pulses = [_pulse_at(measured, seat) for seat in places]
    middle = _median([p for p in pulses if p is not None and p.left_out is None], comparison)
    row = []
    for seat, pulse in zip(places, pulses, strict=True):
        value = pulse.value if pulse is not None else None
        percent = None if value is None or not middle else 100.0 * (value / middle - 1.0)
        left_out = cycle.left_out or (pulse.left_out if pulse is not None else None)
        row.append(Patch(seat, percent, pulse, left_out))
    return row


def _pulse_at(probe: CycleProbe | None, seat: Seat) -> CylinderPulse | None:
    for pulse in probe.pulses if probe is not None else ():
        if pulse.cylinder == seat.cylinder if seat.cylinder is not None else pulse.position == seat.position:
            return pulse
    return None


def _median(pulses: Sequence[CylinderPulse], comparison: Comparison | None) -> float | None:
    """The median size of the pulses that the comparison refers to, else of all."""
    reference = comparison.reference if comparison is not None else ()
    of_these = [
        p.value
        for p in pulses
        if p.value is not None and (p.cylinder if p.cylinder is not None else p.position) in reference
    ]
    values = of_these or [p.value for p in pulses if p.value is not None]
    return median(values) if values else None


def colour(percent: float, theme: Theme) -> str:
    """From the ground's colour, at no deviation, to that of smaller or larger."""
    strength = min(1.0, abs(percent) / FULL_PERCENT)
    return blend(
        blend(theme.ground, theme.even, 0.12), theme.smaller if percent < 0 else theme.larger, strength
    )


@dataclass(frozen=True, slots=True)
class Carpet:
    """What is drawn. rows: the cycles that fit, oldest first. place: the chosen patch, None without a cycle."""

    probe: str
    feature: str
    comparison: Comparison | None
    places: tuple[Seat, ...]
    rows: tuple[tuple[Cycle, tuple[Patch, ...]], ...]
    place: Place | None


def carpet_of(model: ViewModel, probe: int, place: Place | None, most_rows: int) -> Carpet | None:
    """probe: which of `probes_of`, counted round; place: what somebody chose; None: the newest cycle's oddest.

    The rows end with the newest cycle, or with the chosen one where that is older. None while nothing can be shown.
    """
    probes, places = probes_of(model), seats(model)
    if not probes or not places:
        return None
    name, feature = probes[probe % len(probes)]
    comparison = next(
        (c for c in model.comparisons if (c.probe, c.feature) == (name, feature)),
        None,
    )
    cycles = list(model.cycles)
    numbers = [c.sequence for c in cycles]
    end = len(cycles)
    if place is not None and place.sequence in numbers:
        at = numbers.index(place.sequence)
        if at < end - most_rows:
            end = min(end, at + max(1, most_rows // 2))
    else:
        place = None
    rows = tuple(
        (cycle, tuple(row_of(cycle, name, places, comparison)))
        for cycle in cycles[max(0, end - most_rows) : end]
    )
    if place is None and rows:
        cycle, patches = rows[-1]
        place = Place(cycle.sequence, max(range(len(patches)), key=lambda k: abs(patches[k].percent or 0.0)))
    return Carpet(name, feature, comparison, places, rows, place)


def moved(model: ViewModel, carpet: Carpet, rows: int, columns: int) -> Place | None:
    """The place so many rows and columns from the chosen one, as far as there are cycles and cylinders."""
    if carpet.place is None:
        return None
    numbers = [c.sequence for c in model.cycles]
    at = numbers.index(carpet.place.sequence) + rows
    return Place(
        numbers[max(0, min(len(numbers) - 1, at))],
        (carpet.place.column + columns) % len(carpet.places),
    )


def most_rows(height: float) -> int:
    """How many cycles fit a view of this height, pixels."""
    return max(4, int(0.78 * height / _LOWEST_ROW))


# --- the picture ------------------------------------------------------------------------------------------


def carpet_picture(
    model: ViewModel, carpet: Carpet | None, probes: int, width: float, height: float, look: Look
) -> Picture:
    """carpet: as `carpet_of` gives it for this height; probes: among how many it was chosen."""
    theme = look.theme
    if carpet is None:
        words = (
            "The carpet begins with the first complete cycle, and gains a row with each. "
            "What to do now stands in the first view (key 1)."
        )
        if len(seats(model)) == 1:
            words = "One cylinder: no other's pulses can lie beside its own. The sixth view (key 6) lays them over each other."
        text = Text(
            *(0.1 * width, 0, 0.8 * width, height, words, look.px(34, width, height), theme.ink),
            align="centre",
            upright="middle",
        )
        return Picture(width, height, theme.ground, (text,), words)
    pad = 0.018 * width
    left, split = pad, 0.62 * width
    items, spots = _cells(carpet, left, split - left - pad, height, look, width)
    items += _waveform(model, carpet, split, width - pad, height, look, width, probes)
    return Picture(width, height, theme.ground, tuple(items), _spoken(carpet), tuple(spots))


def _cells(
    carpet: Carpet, x: float, wide: float, height: float, look: Look, width: float
) -> tuple[list[Item], list[Spot]]:
    theme = look.theme
    numbers_wide = 0.085 * wide
    column_wide = (wide - numbers_wide) / len(carpet.places)
    top, bottom = 0.17 * height, 0.95 * height
    size = min(look.px(26, width, height), 0.06 * height)
    items: list[Item] = []
    for k, seat in enumerate(carpet.places):
        at = x + numbers_wide + k * column_wide
        inner = column_wide - 4
        items.append(
            Text(
                *(at + 2, 0.015 * height, inner, 0.075 * height, seat.label, size, theme.ink, True),
                align="centre",
                upright="middle",
                least=7,
            )
        )
        balance = balance_at(carpet.comparison, seat)
        if balance is not None and balance.deviation is not None and carpet.comparison is not None:
            words = interval_words(carpet.comparison, balance).replace(" (", "\n(")
            items.append(
                Text(
                    *(at + 1, 0.09 * height, column_wide - 2, 0.075 * height, words, 0.6 * size, theme.ink),
                    align="centre",
                    least=5,
                )
            )
    high = min(_HIGHEST_ROW, (bottom - top) / max(1, len(carpet.rows)))
    spots: list[Spot] = []
    for r, (cycle, patches) in enumerate(carpet.rows):
        y = top + r * high
        if high >= _LOWEST_ROW or r % 2 == 0:
            items.append(
                Text(
                    *(x, y, numbers_wide - 6, high, str(cycle.index + 1), 0.72 * high, theme.quiet),
                    align="right",
                    upright="middle",
                    least=6,
                )
            )
        for k, patch in enumerate(patches):
            at = x + numbers_wide + k * column_wide
            items += _patch(patch, at, y, column_wide, high, theme)
            name = f"{cycle.sequence}/{k}"
            spots.append(Spot(at, y, column_wide, high, name, _patch_words(cycle, patch)))
            one_offs = balance_at(carpet.comparison, patch.seat)
            if one_offs is not None and cycle.index in one_offs.one_off_cycles:
                box = rectangle(at + 3, y + 2, column_wide - 6, high - 4)
                items.append(Line(box, theme.ink, 1.0, dashed=True, closed=True))
            if carpet.place == Place(cycle.sequence, k):
                box = rectangle(at + 1, y + 1, column_wide - 2, high - 2)
                items.append(Line(box, theme.ink, 3.0, closed=True))
    return items, spots


def _patch(patch: Patch, x: float, y: float, wide: float, high: float, theme: Theme) -> list[Item]:
    box = rectangle(x + 1, y + 0.5, wide - 2, high - 1)
    if patch.percent is None:
        cross = Line(((x + 4, y + high - 3), (x + wide - 4, y + 3)), theme.rule)
        return [Line(box, theme.rule, closed=True), cross]
    fill = colour(patch.percent, theme)
    if patch.left_out is not None:  # pale, since it says nothing of the cylinder
        middle = y + high / 2
        pale = Shape(box, blend(fill, theme.ground, 0.75))
        return [pale, Line(((x + 4, middle), (x + wide - 4, middle)), theme.ink)]
    items: list[Item] = [Shape(box, fill)]
    if abs(patch.percent) > EVEN_MARGIN_PERCENT:
        size = min(0.22 * high, 0.12 * wide, 7.0)
        centre = (x + wide / 2, y + high / 2)
        items.append(Shape(triangle(*centre, size, up=patch.percent > 0), theme.ink, theme.ground))
    return items


def _patch_words(cycle: Cycle, patch: Patch) -> str:
    words = f"cycle {cycle.index + 1}, cylinder {patch.seat.label}: "
    if patch.percent is None:
        return words + (f"not measured ({patch.left_out})" if patch.left_out else "not measured")
    out = f"; left out: {patch.left_out.replace('_', ' ')}" if patch.left_out else ""
    return f"{words}{signed(patch.percent)}{NARROW_SPACE}% from its cycle's median{out}"


def _waveform(
    model: ViewModel,
    carpet: Carpet,
    x: float,
    to_x: float,
    height: float,
    look: Look,
    width: float,
    probes: int,
) -> list[Item]:
    """The chosen patch: in words, its cycle's waveform with it marked, and what the signs mean."""
    theme, wide = look.theme, to_x - x

    def px(nominal: float) -> float:
        return look.px(nominal, width, height * 1.18)

    name = called(model, carpet.probe, carpet.feature)
    items: list[Item] = [
        Text(x, 0.015 * height, wide, 0.075 * height, name, px(30), theme.ink, True, upright="middle")
    ]
    others = f"{probes} probes: C shows another" if probes > 1 else ""
    items.append(Text(x, 0.09 * height, wide, 0.045 * height, others, px(17), theme.quiet, least=7))
    chosen = next(
        (
            (c, row)
            for c, row in carpet.rows
            if carpet.place is not None and c.sequence == carpet.place.sequence
        ),
        None,
    )
    if chosen is None or carpet.place is None:
        return items
    cycle, row = chosen
    patch = row[carpet.place.column]
    words = _patch_words(cycle, patch)
    words = words[0].upper() + words[1:]
    if patch.pulse is not None and patch.pulse.value is not None:
        size = shown(patch.pulse.value, patch.pulse.value_unit, model.pressure_unit)
        words += f" ({size}; one pulse alone has no interval)"
    items.append(Text(x, 0.145 * height, wide, 0.15 * height, words, px(22), theme.ink, least=7))
    items += _trace(
        model,
        carpet.probe,
        cycle,
        patch,
        (x, 0.31 * height, wide, 0.35 * height),
        min(px(15), 0.032 * height),
        look,
    )
    items += _legend(theme, x, 0.72 * height, wide, 0.25 * height, px(17))
    return items


def _trace(
    model: ViewModel,
    probe: str,
    cycle: Cycle,
    patch: Patch,
    box: tuple[float, float, float, float],
    size: float,
    look: Look,
) -> list[Item]:
    x, y, wide, high = box
    theme = look.theme
    items: list[Item] = [Line(rectangle(x, y, wide, high), theme.rule, closed=True)]
    cut = next((c for c in reversed(model.cuts) if c.sequence == cycle.sequence), None)
    pieces = cut.pieces.get(probe, []) if cut is not None else []
    values: list[float] = [v for piece in pieces for v in piece.samples[0].tolist() if not math.isnan(v)]
    if cut is None or not values:
        words = (
            "The waveform of this cycle is not kept any more." if cut is None else "No waveform came with it."
        )
        items.append(
            Text(x, y, wide, high, words, 1.3 * size, theme.quiet, align="centre", upright="middle", least=7)
        )
        return items
    low, top = min(values), max(values)
    span = (top - low) or 1.0
    from_s = min(p.t0_s for p in pieces)
    to_s = max(p.t0_s + float(p.samples.shape[1]) * p.dt_s for p in pieces)
    inset = 1.4 * size

    def across(t: float) -> float:
        return x + (t - from_s) / (to_s - from_s) * wide

    def down(v: float) -> float:
        return y + high - inset - (v - low) / span * (high - 2 * inset)

    if patch.pulse is not None and patch.pulse.from_s is not None and patch.pulse.to_s is not None:
        a, b = across(patch.pulse.from_s), across(patch.pulse.to_s)
        items.append(Shape(rectangle(a, y + 1, b - a, high - 2), blend(theme.ground, theme.even, 0.3)))
    for piece in pieces:
        items += _piece_lines(piece, from_s, to_s, wide, across, down, theme.ink)
    unit = cut.units.get(probe, "")
    by, sign = factor(unit, model.pressure_unit)
    length = f"{to_s - from_s:.2f}{NARROW_SPACE}s, {cycle.rpm:.0f}{NARROW_SPACE}rpm on average"
    ends = f"{rounded(low * by)} to {rounded(top * by)}{NARROW_SPACE}{sign}"
    below = (y + high + 2, 0.48 * wide, 1.6 * size)
    items.append(Text(x, *below, ends.replace("-", "\N{MINUS SIGN}"), size, theme.quiet, least=7))
    items.append(Text(x + 0.52 * wide, *below, length, size, theme.quiet, align="right", least=7))
    for seat_pulse in next((p.pulses for p in cycle.probes if p.probe == probe), ()):
        if seat_pulse.from_s is None or seat_pulse.to_s is None:
            continue
        label = str(seat_pulse.cylinder) if seat_pulse.cylinder is not None else f"({seat_pulse.position})"
        middle = across(0.5 * (seat_pulse.from_s + seat_pulse.to_s))
        items.append(
            Text(
                *(middle - 2 * size, y + high - inset, 4 * size, inset, label, size, theme.ink, True),
                align="centre",
                least=7,
            )
        )
    return items


def _piece_lines(
    piece: Piece,
    from_s: float,
    to_s: float,
    wide: float,
    across: Callable[[float], float],
    down: Callable[[float], float],
    ink: str,
) -> list[Item]:
    times, values = reduce_to_columns(
        piece.samples[0], piece.t0_s, piece.dt_s, from_s, to_s, max(1, int(wide))
    )
    lines: list[Item] = []
    run: list[tuple[float, float]] = []
    for t, v in zip(times.tolist(), values.tolist(), strict=True):
        if math.isnan(v):
            if len(run) > 1:
                lines.append(Line(tuple(run), ink))
            run = []
        else:
            run.append((across(t), down(v)))
    if len(run) > 1:
        lines.append(Line(tuple(run), ink))
    return lines


def _legend(theme: Theme, x: float, y: float, wide: float, high: float, size: float) -> list[Item]:
    bar = 0.2 * high
    items: list[Item] = []
    steps = 21
    for k in range(steps):
        percent = FULL_PERCENT * (2 * k / (steps - 1) - 1)
        items.append(Shape(rectangle(x + k * wide / steps, y, wide / steps, bar), colour(percent, theme)))
    sign = f"{NARROW_SPACE}%"
    ends = ((f"\N{MINUS SIGN}{FULL_PERCENT:.0f}{sign} or less", "left"), ("0", "centre"))
    for words, align in (*ends, (f"+{FULL_PERCENT:.0f}{sign} or more", "right")):
        items.append(
            Text(x, y + bar, wide, 0.2 * high, words, size, theme.quiet, align=align, least=7)  # type: ignore[arg-type]
        )
    words = (
        f"Triangles: beyond ±{EVEN_MARGIN_PERCENT:.0f}{sign}. Dashed: a one-off. Pale, struck out: does not count. "
        "Stripes repeat. Arrows choose a patch."
    )
    items.append(Text(x, y + 0.46 * high, wide, 0.54 * high, words, size, theme.ink, least=7))
    return items


def _spoken(carpet: Carpet) -> str:
    words = [f"{carpet.probe} {carpet.feature}, {len(carpet.rows)} cycles shown."]
    for cycle, row in carpet.rows[-1:]:
        words += [_patch_words(cycle, patch) + "." for patch in row]
    return " ".join(words)
