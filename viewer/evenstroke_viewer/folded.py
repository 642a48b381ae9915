"""Folded: every cycle's pulses over each other by crank angle, cylinder by cylinder, with median, spread, valve events
and the cylinder's own pressure. No Qt here.

One panel for each cylinder, all on one scale, each with the median of the others: what is different stands off it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from evenstroke_dsp.engine import CYCLE_DEG
from evenstroke_dsp.messages import CylinderBalance, ValveEvent

from .choosing import balance_at, called
from .drawing import Box, Curve, Item, Line, Picture, Shape, Spot, Text, rectangle, triangle
from .folding import Fold, Folded, Folder, probes_of
from .look import Look, blend
from .sentence import interval_words
from .strip import scale
from .units import NARROW_SPACE, factor, rounded
from .view_model import ViewModel

_MINUS = "\N{MINUS SIGN}"
_DEG = "\N{DEGREE SIGN}"
_MOST_DRAWN = 30
"""Single cycles that are drawn, the newest; median and spread are of all."""
_PEAK_WITHIN_DEG = 90.0
_LEAST_ROW = 7.5
"""Height of a row of small type, logical pixels."""
_EVENT_WORDS = {
    "exhaust_opens": "exhaust opens",
    "exhaust_closes": "exhaust closes",
    "intake_opens": "intake opens",
    "intake_closes": "intake closes",
}
_STROKES = ("power", "exhaust", "intake", "compression")
Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Peak:
    """Of a cylinder's pressure: the median over the cycles, the least and the greatest, in the fold's unit above the
    exhaust stroke, and where the median trace peaks, degrees after firing TDC. No interval is claimed."""

    value: float
    least: float
    most: float
    cycles: int
    at_deg: float


def peak_of(folded: Folded) -> Peak | None:
    """None where the pressure around TDC is not known."""
    near = np.abs(folded.deg) <= _PEAK_WITHIN_DEG
    around = folded.rows[:, near]
    around = around[np.isfinite(around).all(axis=1)]
    if not len(around):
        return None
    peaks = around.max(axis=1)
    at = float(folded.deg[near][int(np.argmax(np.median(around, axis=0)))])
    return Peak(float(np.median(peaks)), float(peaks.min()), float(peaks.max()), len(peaks), at)


def event_within(event: ValveEvent, window: tuple[float, float]) -> float | None:
    """Where the event lies in a window of degrees, None: outside."""
    at = (event.deg - window[0]) % CYCLE_DEG + window[0]
    return at if at <= window[1] else None


def event_words(event: ValveEvent) -> str:
    """ "exhaust opens 128° (118 to 138)"."""
    return f"{_EVENT_WORDS[event.event]} {event.deg:.0f}{_DEG} ({event.low:.0f} to {event.high:.0f})"


@dataclass(frozen=True, slots=True)
class _Axes:
    """From degrees and values to the picture."""

    box: Box
    window: tuple[float, float]
    ends: tuple[float, float]

    def across(self, deg: Points) -> Points:
        low, high = self.window
        return np.asarray(self.box.x + (deg - low) / (high - low) * self.box.wide)

    def down(self, values: Points) -> Points:
        low, high = self.ends
        ys = self.box.y + self.box.high - (values - low) / (high - low) * self.box.high
        return np.asarray(np.clip(ys, self.box.y, self.box.y + self.box.high))


class FoldedPulses:
    """Draws the view; keeps what was folded from picture to picture."""

    def __init__(self) -> None:
        self._folder = Folder()

    def picture(
        self, model: ViewModel, probe: int, only: int | None, width: float, height: float, look: Look
    ) -> Picture:
        """probe: which of `probes_of`, counted round; only: one cylinder alone, counted round; None: all."""
        names = probes_of(model)
        fold = self._folder.fold(model, names[probe % len(names)]) if names else None
        if fold is None or not any(c.cycles for c in fold.cylinders):
            words = (
                "Nothing is folded yet: pulses lie over each other from the first complete cycle on. "
                "What to do now stands in the first view (key 1)."
            )
            text = Text(
                *(0.1 * width, 0, 0.8 * width, height, words, look.px(34, width, height), look.theme.ink),
                align="centre",
                upright="middle",
            )
            return Picture(width, height, look.theme.ground, (text,), words)
        pressures = []
        if fold.role != "cylinder_pressure":
            folds = [self._folder.fold(model, name) for name in names if name != fold.probe]
            pressures = [f for f in folds if f is not None and f.role == "cylinder_pressure"]
        return _Page(model, fold, pressures, len(names), width, height, look).picture(only)


class _Page:
    """One picture in the making."""

    def __init__(
        self,
        model: ViewModel,
        fold: Fold,
        pressures: list[Fold],
        probes: int,
        width: float,
        height: float,
        look: Look,
    ) -> None:
        self.model, self.fold, self.pressures, self.probes = model, fold, pressures, probes
        self.width, self.height, self.theme = width, height, look.theme
        self.px: Callable[[float], float] = lambda nominal: look.px(nominal, width, height * 1.18)
        self.valves = model.finding.valve_events if model.finding is not None else ()
        self.comparison = next(
            (
                c
                for c in model.comparisons
                if (c.probe, c.feature, c.stretch) == (fold.probe, fold.feature, model.cycles[-1].stretch)
            ),
            None,
        )

    def picture(self, only: int | None) -> Picture:
        width, height, fold = self.width, self.height, self.fold
        pad = 0.014 * width
        head, foot = 0.085 * height, 0.115 * height
        items: list[Item] = self._head(pad, head)
        top, floor = head, height - foot
        right = 0.27 * width if self.pressures else 0.0
        places = range(len(fold.cylinders)) if only is None else (only % len(fold.cylinders),)
        columns, rows = _grid(len(places))
        wide, high = (width - pad - right) / columns, (floor - top) / rows
        spots = []
        for number, k in enumerate(places):
            box = Box(
                pad + number % columns * wide, top + number // columns * high, wide - pad, high - 0.6 * pad
            )
            items += self._cylinder(k, box)
            spots.append(
                Spot(box.x, box.y, box.wide, box.high, str(k), f"cylinder {fold.cylinders[k].seat.label}")
            )
        for number, pressure in enumerate(self.pressures):
            tall = (floor - top) / len(self.pressures)
            items += self._pressure(
                pressure, Box(width - right, top + number * tall, right - pad, tall - 0.6 * pad)
            )
        items.append(
            Text(
                *(pad, floor, width - 2 * pad, foot, self._legend(), self.px(16), self.theme.quiet),
                upright="middle",
                least=6,
            )
        )
        return Picture(width, height, self.theme.ground, tuple(items), self._spoken(), tuple(spots))

    def _head(self, pad: float, high: float) -> list[Item]:
        fold = self.fold
        cycles = max(c.cycles for c in fold.cylinders)
        counted = f"{cycles} cycle{'s' if cycles != 1 else ''} over each other"
        out = max(c.left_out for c in fold.cylinders)
        if out:
            counted += f", {out} left out"
        hint = "P: one cylinder alone."
        if self.probes > 1:
            hint = f"C: another of {self.probes} probes. {hint}"
        inner = self.width - 2 * pad
        title = f"{called(self.model, fold.probe, fold.feature)}, {counted}"
        return [
            Text(
                pad,
                0,
                0.66 * inner,
                high,
                title,
                self.px(30),
                self.theme.ink,
                True,
                upright="middle",
                least=7,
            ),
            Text(
                *(
                    pad + 0.67 * inner,
                    0.1 * high,
                    0.33 * inner,
                    0.8 * high,
                    hint,
                    min(self.px(17), 0.36 * high),
                    self.theme.quiet,
                ),
                align="right",
                upright="middle",
                least=7,
            ),
        ]

    def _cylinder(self, place: int, box: Box) -> list[Item]:
        fold, theme = self.fold, self.theme
        folded = fold.cylinders[place]
        balance = balance_at(self.comparison, folded.seat)
        head = min(self.px(32), 0.22 * box.high)
        items: list[Item] = [Line(rectangle(box.x, box.y, box.wide, box.high), theme.rule, closed=True)]
        label = min(2.4 * head, 0.24 * box.wide)
        items.append(
            Text(
                *(box.x + 3, box.y, label, head, folded.seat.label, 0.86 * head, theme.ink, True),
                upright="middle",
                align="centre",
                least=6,
            )
        )
        odd = balance.verdict if balance is not None and balance.verdict in ("smaller", "larger") else None
        colour = theme.ink
        if odd is not None:
            colour = theme.larger if odd == "larger" else theme.smaller
            mark = triangle(box.x + 3 + label + 0.3 * head, box.y + head / 2, 0.26 * head, up=odd == "larger")
            items.append(Shape(mark, colour))
        left = box.x + 3 + label + 0.7 * head
        items.append(
            Text(
                *(left, box.y, box.x + box.wide - 4 - left, head),
                *(self._deviation(balance), 0.62 * head, theme.ink),
                align="right",
                upright="middle",
                least=6,
            )
        )
        seen = self._events(folded, fold.window)
        words = "; ".join(event_words(event) for event, _ in seen)
        below = max(_LEAST_ROW, min(self.px(15), 0.10 * box.high))
        inside = Box(box.x + 4, box.y + head, box.wide - 8, box.high - head - below * (2.2 if words else 1.1))
        ends = scale(*fold.ends)
        axes = _Axes(inside, fold.window, ends)
        if folded.own is not None:
            a, b = axes.across(np.clip(np.array(folded.own), *fold.window)).tolist()
            own = rectangle(a, inside.y, b - a, inside.high)
            items.append(Shape(own, blend(theme.ground, theme.even, 0.16)))
        items += self._strokes(axes, below, box)
        others = fold.others(place)
        items += self._pulses(folded, axes, colour, others)
        items += self._marks(seen, axes)
        if words:
            y = inside.y + inside.high + 1.1 * below
            items.append(
                Text(
                    *(box.x + 3, y, box.wide - 6, 1.05 * below, words, 0.9 * below, theme.ink),
                    align="centre",
                    upright="middle",
                    least=6,
                )
            )
        if not folded.cycles:
            items.append(
                Text(
                    *(inside.x, inside.y, inside.wide, inside.high, "no pulse that counts yet"),
                    *(0.6 * head, theme.quiet),
                    align="centre",
                    upright="middle",
                    least=6,
                )
            )
        return items

    def _deviation(self, balance: CylinderBalance | None) -> str:
        if balance is None or self.comparison is None or balance.deviation is None:
            return ""
        return interval_words(self.comparison, balance)

    def _events(self, folded: Folded, window: tuple[float, float]) -> list[tuple[ValveEvent, float]]:
        own = [e for e in self.valves if e.cylinder == folded.seat.cylinder]
        placed = [(event, event_within(event, window)) for event in own]
        return [(event, at) for event, at in placed if at is not None]

    def _strokes(self, axes: _Axes, below: float, box: Box) -> list[Item]:
        """Dead centres as lines, their degrees beneath, strokes by name where there is room."""
        if self.fold.angle_doubt_deg is None:
            return []  # which stroke is where is not known
        theme, inside = self.theme, axes.box
        low, high = axes.window
        items: list[Item] = []
        pale = blend(theme.ground, theme.rule, 0.6)
        for deg in range(math.ceil(low / 180.0) * 180, math.floor(high / 180.0) * 180 + 1, 180):
            x = float(axes.across(np.array([float(deg)]))[0])
            items.append(Line(((x, inside.y), (x, inside.y + inside.high)), pale, dashed=True))
            half = min(2.0 * below, x - box.x, box.x + box.wide - x)
            words = f"{deg}{_DEG}".replace("-", _MINUS)
            if 2 * half > 0.7 * len(words) * below:
                items.append(
                    Text(
                        *(
                            x - half,
                            inside.y + inside.high,
                            2 * half,
                            1.1 * below,
                            words,
                            0.9 * below,
                            theme.quiet,
                        ),
                        align="centre",
                        upright="middle",
                        least=5,
                    )
                )
            a, b = (float(axes.across(np.array([min(max(d, low), high)]))[0]) for d in (deg, deg + 180.0))
            if b - a > 5.5 * below:
                words = _STROKES[int(deg % CYCLE_DEG // 180)]
                items.append(
                    Text(
                        *(a + 1, inside.y + 1, b - a - 2, 1.1 * below, words, 0.8 * below, theme.quiet),
                        align="centre",
                        least=5,
                    )
                )
        return items

    def _pulses(self, folded: Folded, axes: _Axes, colour: str, others: Points | None) -> list[Item]:
        theme = self.theme
        items: list[Item] = []
        xs = axes.across(folded.deg)
        known = np.isfinite(folded.low) & np.isfinite(folded.high)
        if known.sum() > 1:
            upper = list(zip(xs[known].tolist(), axes.down(folded.high[known]).tolist(), strict=True))
            lower = list(zip(xs[known].tolist(), axes.down(folded.low[known]).tolist(), strict=True))
            items.append(Shape((*upper, *reversed(lower)), blend(theme.ground, theme.even, 0.35)))
        rows = folded.rows[-_MOST_DRAWN:]
        if len(rows):
            broken = np.concatenate([rows, np.full((len(rows), 1), np.nan)], axis=1).ravel()
            items.append(
                Curve(
                    np.tile(np.append(xs, np.nan), len(rows)),
                    axes.down(broken),
                    blend(theme.ground, theme.even, 0.6),
                )
            )
        if others is not None and np.isfinite(others).sum() > 1:
            known = np.isfinite(others)
            points = tuple(zip(xs[known].tolist(), axes.down(others[known]).tolist(), strict=True))
            items.append(Line(points, theme.ink, 1.0, dashed=True))
        if np.isfinite(folded.median).any():
            ys = axes.down(folded.median)
            items += [Curve(xs, ys + d, colour) for d in (-0.5, 0.5, 1.5)]
        return items

    def _marks(self, seen: list[tuple[ValveEvent, float]], axes: _Axes) -> list[Item]:
        """Each valve event with its interval, on the panel's floor."""
        theme, inside = self.theme, axes.box
        floor = inside.y + inside.high
        items: list[Item] = []
        for event, at in seen:
            shift = at - event.deg
            ends = np.clip(np.array([event.low, event.high]) + shift, *axes.window)
            (a, b), x = axes.across(ends).tolist(), float(axes.across(np.array([at]))[0])
            items.append(Line(((x, inside.y), (x, floor)), theme.fitted, 1.0))
            items.append(Line(((a, floor - 2), (b, floor - 2)), theme.fitted, 4.0))
            items.append(Shape(triangle(x, floor - 8, 5.0, up=event.event.endswith("opens")), theme.fitted))
        return items

    def _pressure(self, pressure: Fold, box: Box) -> list[Item]:
        """A cylinder's own pressure beside the pulses."""
        theme = self.theme
        folded = pressure.cylinders[0]
        title = f"{pressure.probe}: pressure in {folded.seat.label}"
        head, below = 0.09 * box.high, max(_LEAST_ROW, min(self.px(15), 0.06 * box.high))
        seen = self._events(folded, pressure.window)
        words = [self._peak_words(pressure, folded), *(event_words(event) for event, _ in seen)]
        said = (0.10 + 0.055 * len(words)) * box.high
        inside = Box(box.x + 4, box.y + head, box.wide - 8, box.high - head - said - 1.2 * below)
        ends = scale(*pressure.ends)
        axes = _Axes(inside, pressure.window, ends)
        return [
            Line(rectangle(box.x, box.y, box.wide, box.high), theme.rule, closed=True),
            Text(
                *(box.x + 4, box.y, box.wide - 8, head, title, self.px(22), theme.ink, True),
                upright="middle",
                least=6,
            ),
            *self._strokes(axes, below, box),
            *self._pulses(folded, axes, theme.ink, None),
            *self._marks(seen, axes),
            Text(
                *(
                    box.x + 4,
                    inside.y + inside.high + 1.15 * below,
                    box.wide - 8,
                    said,
                    ". ".join(words) + ".",
                ),
                *(self.px(17), theme.ink),
                least=6,
            ),
        ]

    def _peak_words(self, fold: Fold, folded: Folded) -> str:
        peak = peak_of(folded)
        if peak is None:
            return "No peak is known yet: crank on"
        by, sign = factor(fold.unit, self.model.pressure_unit)
        least, most = rounded(peak.least * by), rounded(peak.most * by)
        where = "after" if peak.at_deg > 0 else "before"
        doubt = f" ± {fold.angle_doubt_deg:.1f}" if fold.angle_doubt_deg is not None else ""
        return (
            f"Peak {rounded(peak.value * by)}{NARROW_SPACE}{sign} above the exhaust stroke (least {least}, most {most} in "
            f"{peak.cycles} cycles; no interval), {abs(peak.at_deg):.0f}{_DEG}{doubt} {where} TDC"
        ).replace("-", _MINUS)

    def _legend(self) -> str:
        fold = self.fold
        by, sign = factor(fold.unit, self.model.pressure_unit)
        low, high = scale(*fold.ends)
        levels = {
            "own mean": "each pulse from its own mean",
            "exhaust stroke": "from the exhaust stroke's level",
            "none": "as measured",
        }
        parts = [
            "Thick: the median. Band: the middle half of the cycles. Thin: each cycle. Shaded: where the pulse is measured.",
            "Dashed: the median of the other cylinders." if len(fold.cylinders) > 1 else "",
            f"Each panel is {rounded(low * by)} to {rounded(high * by)}{NARROW_SPACE}{sign} high, {levels[fold.level]}.".replace(
                "-", _MINUS
            ),
            self._across(),
        ]
        if fold.travel_s:
            parts.append(f"Gas travel of {1000 * fold.travel_s:.1f}{NARROW_SPACE}ms is taken off.")
        if not self.valves:
            parts.append(
                "No valve event is known: one is stated once the engine rests after three cycles, where an exhaust probe or a "
                "transducer shows it and the crank angle is known within 8 degrees."
            )
        else:
            parts.append("Bars: valve events with their 95 % intervals, as of the last rest.")
        return " ".join(filter(None, parts))

    def _across(self) -> str:
        low, high = self.fold.window
        if self.fold.angle_doubt_deg is None:
            return (
                f"Across: {high - low:.0f} crank degrees; which stroke is where cannot be told while no cylinder can be named: "
                "add a sync of a known cylinder."
            )
        doubt = f"known within {self.fold.angle_doubt_deg:.1f}{_DEG} either way (95 %)"
        return f"Across: crank degrees after the cylinder's own firing TDC, {doubt}."

    def _spoken(self) -> str:
        words = [f"{self.fold.probe} {self.fold.feature}, folded by crank angle."]
        for folded in self.fold.cylinders:
            balance = balance_at(self.comparison, folded.seat)
            said = self._deviation(balance) or "no deviation known"
            events = "; ".join(event_words(e) for e, _ in self._events(folded, self.fold.window))
            words.append(
                f"Cylinder {folded.seat.label}: {folded.cycles} pulses, {said}.{' ' + events + '.' if events else ''}"
            )
        words += [self._peak_words(p, p.cylinders[0]) + "." for p in self.pressures]
        return " ".join(words)


def _grid(count: int) -> tuple[int, int]:
    """Columns and rows for so many panels."""
    columns = (
        count
        if count <= 3
        else 2
        if count == 4
        else 3
        if count <= 6
        else 4
        if count <= 8
        else 5
        if count <= 10
        else 4
    )
    return columns, -(-count // columns)
