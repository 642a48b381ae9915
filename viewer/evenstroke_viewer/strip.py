"""Strip: running waveforms, conditioned over raw, each pulse with its cylinder, losses as gaps. No Qt here.

One lane for each sampled probe, named as the set-up names it. All lanes have the same two colours: a probe is told by
its name, raw from conditioned by weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from evenstroke_dsp.health import short_word
from evenstroke_dsp.messages import CylinderPulse, ProbeHealth, VerdictWord

from .columns import Columns, RunningColumns, Values
from .drawing import Curve, Envelope, Item, Line, Picture, Shape, Spot, Text, rectangle, triangle
from .look import Look, Theme, blend
from .minmax import reduce_to_columns
from .units import NARROW_SPACE, factor, rounded
from .view_model import ViewModel, WaveKeeper

SECONDS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
"""How much of the stream may be seen at once."""
_MANY_CYLINDERS = 7
"""From so many on, fewer seconds are shown at first: at 200 rpm their numbers still stand beside each other."""
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_MINUS = "\N{MINUS SIGN}"
Shown = Literal["both", "conditioned", "raw"]


@dataclass(frozen=True, slots=True)
class Sight:
    """What somebody chose to see. seconds: None: by the number of cylinders. until_s: the right end, None: what is
    newest. only: one lane alone, counted from 0. shown: which waveforms."""

    seconds: float | None = None
    until_s: float | None = None
    only: int | None = None
    shown: Shown = "both"

    def of(self, model: ViewModel) -> float:
        """Seconds in sight."""
        if self.seconds is not None:
            return self.seconds
        return 2.0 if model.state is not None and model.state.engine.cylinders >= _MANY_CYLINDERS else 5.0


@dataclass(frozen=True, slots=True)
class Label:
    """One pulse: where, seconds, and whose. verdict: what its cylinder's pulses repeat to be, None: not known.
    left_out: why this one does not count, or None. leads: it is the first of its cycle."""

    from_s: float
    to_s: float
    words: str
    verdict: VerdictWord | None
    left_out: str | None
    leads: bool

    @property
    def at_s(self) -> float:
        return 0.5 * (self.from_s + self.to_s)


def lanes_of(model: ViewModel) -> tuple[str, ...]:
    """Sampled probes by name, in the order in which they are published."""
    names = dict.fromkeys(name for name in (*model.raw.probes, *model.conditioned.probes) if name)
    return tuple(names)


def labels_of(model: ViewModel, probe: str, from_s: float, to_s: float) -> list[Label]:
    """The pulses of one probe that begin in this time, oldest first."""
    verdicts = {
        (c.feature, c.stretch, b.cylinder, b.position if b.cylinder is None else None): b.verdict
        for c in model.comparisons
        if c.probe == probe
        for b in c.cylinders
        if b.verdict is not None
    }
    labels = []
    for cycle in model.cycles:
        if cycle.to_s + (cycle.to_s - cycle.from_s) < from_s or cycle.from_s > to_s:
            continue
        for measured in cycle.probes:
            for pulse in measured.pulses if measured.probe == probe else ():
                if pulse.from_s is None or pulse.to_s is None or not from_s <= pulse.from_s <= to_s:
                    continue
                position = pulse.position if pulse.cylinder is None else None
                key = (measured.feature, cycle.stretch, pulse.cylinder, position)
                out = cycle.left_out or pulse.left_out
                labels.append(
                    Label(
                        *(pulse.from_s, pulse.to_s, _name(pulse), verdicts.get(key), out, pulse.position == 1)
                    )
                )
    return sorted(labels, key=lambda label: label.from_s)


def _name(pulse: CylinderPulse) -> str:
    return str(pulse.cylinder) if pulse.cylinder is not None else f"({pulse.position})"


def scale(low: float, high: float) -> tuple[float, float]:
    """Round ends around a range, so that they do not move with every sample."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    span = max(high - low, 1e-6 * max(abs(low), abs(high)), 1e-9)
    step = _step(span / 10)
    least, most = math.floor(low / step), math.ceil(high / step)
    return least * step, max(most, least + 1) * step


def _step(least: float) -> float:
    """The round number at or above `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(s * power for s in _STEPS if s * power >= least * (1 - 1e-9))


def ticks(from_s: float, to_s: float, most: int) -> list[float]:
    """Round times within a stretch, at most so many."""
    step = _step((to_s - from_s) / max(1, most))
    first = math.ceil(from_s / step - 1e-9)
    return [k * step for k in range(first, math.floor(to_s / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where time is on the picture: from_s at x, to_s at x + wide."""

    x: float
    wide: float
    from_s: float
    to_s: float

    def at(self, t: float) -> float:
        return self.x + (t - self.from_s) / (self.to_s - self.from_s) * self.wide


class Strip:
    """Draws the strip; keeps what was worked out of each waveform from picture to picture."""

    def __init__(self) -> None:
        self._columns: dict[tuple[str, str], RunningColumns] = {}

    def picture(self, model: ViewModel, sight: Sight, width: float, height: float, look: Look) -> Picture:
        """All that is in sight, for a view of this size, logical pixels."""
        theme = look.theme
        lanes = lanes_of(model)
        if not lanes:
            words = "No waveform yet: the strip begins with the first samples. Start evenstroke listen; is the board connected?"
            text = Text(
                *(0.1 * width, 0, 0.8 * width, height, words, look.px(34, width, height), theme.ink),
                align="centre",
                upright="middle",
            )
            return Picture(width, height, theme.ground, (text,), words)
        shown = lanes if sight.only is None else (lanes[sight.only % len(lanes)],)
        small = min(look.px(15, width, height), 0.035 * height)
        left, foot, head = 0.15 * width, 2.4 * small, 2.0 * small
        wide = width - left - 0.012 * width
        seconds = sight.of(model)
        column_s = seconds / max(1, int(wide))
        until = model.now_s if sight.until_s is None else sight.until_s
        until = math.floor(until / column_s) * column_s
        frame = _Frame(left, wide, until - seconds, until)
        high = (height - foot - head) / len(shown)
        items: list[Item] = list(_times(model, frame, head, height - foot, height, small, theme))
        spots, spoken = [], []
        for k, name in enumerate(shown):
            box = (head + k * high, high)
            lane, said = self._lane(model, name, frame, box, column_s, sight, small, look, width)
            items += lane
            spoken.append(said)
            spots.append(Spot(0, box[0], width, high, name, said))
        hint = _hint(sight, seconds, len(lanes))
        items.append(
            Text(
                0.012 * width,
                0,
                width - 0.024 * width,
                head,
                hint,
                0.9 * small,
                theme.quiet,
                upright="middle",
                least=7,
            )
        )
        return Picture(width, height, theme.ground, tuple(items), " ".join(spoken), tuple(spots))

    def _lane(
        self,
        model: ViewModel,
        name: str,
        frame: _Frame,
        box: tuple[float, float],
        column_s: float,
        sight: Sight,
        small: float,
        look: Look,
        width: float,
    ) -> tuple[list[Item], str]:
        theme = look.theme
        y, high = box
        raw = self._read(model.raw, "raw", name, frame, column_s)
        fine = self._read(model.conditioned, "conditioned", name, frame, column_s)
        seen = {"both": (raw, fine), "raw": (raw,), "conditioned": (fine,)}[sight.shown]
        values = np.concatenate([part for c in seen for part in (c.low, c.high)])
        values = values[np.isfinite(values)]
        low, top = scale(float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
        label_size = min(1.35 * small, 0.24 * high)
        inside, floor = y + label_size + 0.08 * high, y + 0.94 * high

        def down(v: Values) -> Values:
            return np.asarray(floor - (v - low) / (top - low) * (floor - inside))

        items: list[Item] = [
            Line(((0, y), (width, y)), theme.rule),
            Line(((frame.x, floor), (frame.x + frame.wide, floor)), blend(theme.ground, theme.rule, 0.5)),
            Line(((frame.x, inside), (frame.x + frame.wide, inside)), blend(theme.ground, theme.rule, 0.5)),
        ]
        gaps = raw.gaps() if model.raw.probes else fine.gaps()
        items += _gaps(gaps, frame, inside, floor, small, theme)
        if sight.shown != "conditioned":
            items.append(_curve(model.raw, raw, name, frame, down, blend(theme.ground, theme.quiet, 0.45)))
        if sight.shown != "raw":
            curve = _curve(model.conditioned, fine, name, frame, down, theme.ink, thick=2.0)
            items.append(curve)
            if isinstance(curve, Curve):
                # Twice, a pixel apart: as thick as two, for a tenth of what a thick line costs.
                items.append(Curve(curve.xs, curve.ys + 1.0, curve.colour))
        labels = labels_of(model, name, frame.from_s, frame.to_s)
        items += _labels(labels, frame, y, label_size, inside, theme)
        unit = _unit(model, name)
        by, sign = factor(unit, model.pressure_unit)
        health = _health(model, name)
        items += _heading(name, health, (low * by, top * by, sign), (frame.x, y, high), small, theme)
        ends = f"{_number(low * by)} to {_number(top * by)}{NARROW_SPACE}{sign}"
        said = f"{name}, {ends}, {len(labels)} pulses"
        said += f", {len(gaps)} gaps" if gaps else ""
        return items, said + "."

    def _read(self, keeper: WaveKeeper, kind: str, name: str, frame: _Frame, column_s: float) -> Columns:
        columns = self._columns.setdefault((kind, name), RunningColumns(name))
        return columns.between(keeper, frame.from_s, frame.to_s, column_s)


def _curve(
    keeper: WaveKeeper,
    columns: Columns,
    name: str,
    frame: _Frame,
    down: Callable[[Values], Values],
    colour: str,
    thick: float = 1.0,
) -> Curve | Envelope:
    scale = frame.wide / (frame.to_s - frame.from_s)
    if keeper.dt_s is not None and columns.width_s < 2.0 * keeper.dt_s:
        times, values = _samples(keeper, name, frame)
        return Curve(frame.at(0.0) + times * scale, down(values), colour)
    low, high = columns.band()
    begins = frame.at(columns.first * columns.width_s)
    return Envelope(begins, columns.width_s * scale, down(high), down(low), colour, thick)


def _samples(keeper: WaveKeeper, name: str, frame: _Frame) -> tuple[Values, Values]:
    """So few that they are drawn as they are, with a break between two pieces."""
    times, values = [np.empty(0)], [np.empty(0)]
    for piece in keeper.between(name, frame.from_s, frame.to_s):
        t, v = reduce_to_columns(
            piece.samples[0], piece.t0_s, piece.dt_s, frame.from_s, frame.to_s, max(1, int(frame.wide))
        )
        inside = (t >= frame.from_s) & (t <= frame.to_s)
        times += [t[inside], np.array([np.nan])]
        values += [v[inside].astype(np.float64), np.array([np.nan])]
    return np.concatenate(times), np.concatenate(values)


def _times(
    model: ViewModel, frame: _Frame, head: float, floor: float, bottom: float, small: float, theme: Theme
) -> list[Item]:
    """Seconds below, where cycles begin, and marks."""
    items: list[Item] = []
    for cycle in model.cycles:
        if frame.from_s <= cycle.from_s <= frame.to_s:
            x = frame.at(cycle.from_s)
            items.append(Line(((x, head), (x, floor)), blend(theme.ground, theme.rule, 0.7), dashed=True))
            room = frame.at(cycle.to_s) - x
            words = f"cycle {cycle.index + 1}" if room > 5.5 * small else str(cycle.index + 1)
            if room > 1.6 * small and x + room <= frame.x + frame.wide + 1:
                items.append(
                    Text(
                        x + 2,
                        floor + 1.35 * small,
                        room - 3,
                        1.05 * small,
                        words,
                        0.8 * small,
                        theme.quiet,
                        least=6,
                    )
                )
    wide = 5.0 * small
    for t in ticks(frame.from_s, frame.to_s, int(frame.wide / (1.6 * wide))):
        if t < model.oldest_s - (frame.to_s - frame.from_s) / frame.wide:
            continue  # nothing was then
        x = frame.at(t)
        items.append(Line(((x, floor), (x, floor + 0.3 * small)), theme.ink))
        if frame.x <= x - wide / 2 and x + wide / 2 <= frame.x + frame.wide:
            words = f"{t:g}{NARROW_SPACE}s" if abs(t) >= 1e-9 else f"0{NARROW_SPACE}s"
            items.append(
                Text(
                    x - wide / 2,
                    floor + 0.3 * small,
                    wide,
                    1.1 * small,
                    words,
                    0.85 * small,
                    theme.ink,
                    align="centre",
                    least=6,
                )
            )
    for mark in model.marks:
        if frame.from_s <= mark.at_s <= frame.to_s:
            x = frame.at(mark.at_s)
            room = min(0.25 * frame.wide, frame.x + frame.wide - x)
            items.append(Line(((x, head), (x, floor)), theme.fitted, 2.0))
            items.append(Shape(((x, head), (x + small, head + 0.5 * small), (x, head + small)), theme.fitted))
            if room > 4 * small:
                items.append(
                    Text(
                        x + small,
                        head,
                        room - small,
                        1.2 * small,
                        mark.words,
                        small,
                        theme.ink,
                        True,
                        least=6,
                    )
                )
    return items


def _gaps(
    gaps: list[tuple[float, float]], frame: _Frame, top: float, floor: float, small: float, theme: Theme
) -> list[Item]:
    items: list[Item] = []
    for from_s, to_s in gaps:
        a, b = frame.at(max(from_s, frame.from_s)), frame.at(min(to_s, frame.to_s))
        items.append(Shape(rectangle(a, top, max(1.0, b - a), floor - top), theme.panel, theme.rule))
        items += _hatching(a, b, top, floor, max(5.0, 0.6 * small), theme)
        if b - a > 3.0 * small:
            plate = (a + 2, 0.5 * (top + floor) - 0.8 * small, b - a - 4, 1.6 * small)
            items.append(Shape(rectangle(*plate), theme.panel))
            items.append(
                Text(*plate, "lost", small, theme.ink, True, align="centre", upright="middle", least=6)
            )
    return items


def _hatching(left: float, right: float, top: float, floor: float, step: float, theme: Theme) -> list[Item]:
    """Lines that rise to the right, one slope for all, within a box."""
    lines: list[Item] = []
    first = left + top  # x + y of the line through the upper left corner
    for k in range(1, int((right - left + floor - top) / step)):
        total = first + k * step
        x0, x1 = max(left, total - floor), min(right, total - top)
        lines.append(Line(((x0, total - x0), (x1, total - x1)), theme.rule))
    return lines


def _labels(
    labels: list[Label], frame: _Frame, y: float, size: float, inside: float, theme: Theme
) -> list[Item]:
    """Each pulse's cylinder above it; where they would not fit beside each other, the first of each cycle and odd ones."""
    at = [frame.at(label.at_s) for label in labels]
    apart = float(np.quantile(np.diff(at), 0.2)) if len(at) > 1 else frame.wide
    longest = max((len(label.words) for label in labels if label.left_out is None), default=1)
    # Smaller type before fewer numbers.
    size = max(0.6 * size, min(size, apart / (0.7 * longest + 0.3)))
    crowded = apart < (0.7 * longest + 0.3) * size * 0.99
    items: list[Item] = []
    free_from = -math.inf
    for label, x in zip(labels, at, strict=True):
        a, b = frame.at(label.from_s), frame.at(label.to_s)
        items.append(Line(((a, inside), (b, inside)), theme.ink, 2.0))
        odd = label.verdict in ("smaller", "larger")
        need = (0.7 * len(label.words) + 0.3) * size
        if crowded and not label.leads and not odd:
            continue
        if x - 0.4 * need < free_from or x - need / 2 < frame.x or x + need / 2 > frame.x + frame.wide:
            continue
        free_from = x + 0.4 * need
        ink = theme.quiet if label.left_out else theme.ink
        items.append(
            Text(
                x - need / 2,
                y + 1,
                need,
                size + 0.05 * size,
                label.words,
                size * 0.92,
                ink,
                bold=not label.left_out,
                align="centre",
                upright="middle",
                least=6,
            )
        )
        if label.left_out:
            items.append(
                Line(((x - 0.4 * size, y + 0.55 * size), (x + 0.4 * size, y + 0.55 * size)), theme.ink)
            )
        elif odd:
            up = label.verdict == "larger"
            colour = theme.larger if up else theme.smaller
            items.append(Shape(triangle(x, inside + 0.35 * size, 0.32 * size, up=up), colour, theme.ground))
    return items


def _heading(
    name: str,
    health: ProbeHealth | None,
    ends: tuple[float, float, str],
    box: tuple[float, float, float],
    small: float,
    theme: Theme,
) -> list[Item]:
    """The probe's name, what is wrong with it, and the ends of its scale."""
    wide, y, high = box
    low, top, sign = ends
    pad = 0.08 * wide
    troubled = health is not None and health.state in ("doubtful", "bad")
    names = 0.42 * high if troubled else 0.55 * high
    inner = 0.60 * wide - pad
    items: list[Item] = [
        Text(
            pad, y + 0.06 * high, inner, names, name, 1.5 * small, theme.ink, True, upright="middle", least=7
        )
    ]
    if troubled:
        assert health is not None
        plate = (pad - 3, y + 0.06 * high + names, inner + 3, min(2.6 * small, 0.44 * high))
        items.append(Shape(rectangle(*plate), theme.alarm))
        inside = (plate[0] + 3, plate[1], plate[2] - 6, plate[3])
        items.append(
            Text(*inside, short_word(health), small, theme.on_alarm, True, upright="middle", least=7)
        )
    x, numbers = 0.60 * wide, 0.38 * wide
    tall = min(1.4 * small, 0.3 * high)
    for value, at in ((top, y + 0.08 * high), (low, y + 0.96 * high - tall)):
        words = f"{_number(value)}{NARROW_SPACE}{sign}"
        items.append(
            Text(
                x,
                at,
                numbers,
                tall,
                words,
                0.85 * small,
                theme.quiet,
                align="right",
                upright="middle",
                least=6,
            )
        )
    return items


def _number(value: float) -> str:
    return rounded(value, 3).replace("-", _MINUS)


def _unit(model: ViewModel, name: str) -> str:
    for keeper in (model.conditioned, model.raw):
        if name in keeper.probes:
            return keeper.units[keeper.probes.index(name)]
    return ""


def _health(model: ViewModel, name: str) -> ProbeHealth | None:
    probes = model.health.probes if model.health is not None else ()
    return next((p for p in probes if p.probe == name), None)


def _hint(sight: Sight, seconds: float, lanes: int) -> str:
    parts = {
        "both": "Dark: conditioned. Pale: as sampled.",
        "conditioned": "Conditioned only.",
        "raw": "As sampled only.",
    }[sight.shown]
    parts += f" {seconds:g}{NARROW_SPACE}s in sight (Up, Down)."
    if sight.until_s is not None:
        parts += " HELD: Home follows what comes."
    if sight.only is not None and lanes > 1:
        parts += " One probe alone (P: the next, then all)."
    return parts + " Numbers above pulses are cylinders; sizes drawn have no interval."
