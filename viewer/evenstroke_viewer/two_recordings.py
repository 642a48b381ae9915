"""Two recordings over each other: are they alike, what differs by cylinder, and what the set-up made. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from evenstroke_dsp.even_margin import EVEN_MARGIN_PERCENT
from evenstroke_dsp.messages import Cycle, WaveData
from evenstroke_dsp.names import pulse_name
from evenstroke_dsp.wording import counted, listed

from .drawing import Box, Disc, Item, Line, Picture, Shape, Text, rectangle, triangle
from .look import Look, blend
from .sentence import signed, split
from .units import NARROW_SPACE, PressureUnit, factor, rounded
from .view_model import WaveKeeper

if TYPE_CHECKING:
    from evenstroke_dsp.comparing import CylinderChange, FeatureChange, TwoCranks
    from evenstroke_replay.judging import JudgedFile

Samples = npt.NDArray[np.float64]
STEPS = 360
"""Places at which a cycle is read: two crank degrees apart where the crank turns evenly."""
_MATTERS = {
    "no": "does not matter",
    "somewhat": "matters somewhat",
    "prevents": "NOT COMPARABLE",
    "the point": "what this is about",
}
_STRETCHES = {"cranking": "while cranking", "idle": "at idle"}


@dataclass(frozen=True, slots=True, eq=False)
class MeanWave:
    """One probe's waveform over one cycle, mean of `cycles` cycles, each about its own mean.

    mean, error: shape (STEPS + 1,), at places even in time; error is the mean's standard error. pulses: where each
    cylinder's pulse is, as a share of the cycle's time.
    """

    unit: str
    cycles: int
    mean: Samples
    error: Samples
    pulses: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """All that the view shows. waves: by probe, of both recordings; only where both name their cylinders."""

    compared: TwoCranks
    waves: dict[str, tuple[MeanWave, MeanWave]]

    @property
    def choices(self) -> tuple[FeatureChange, ...]:
        """The comparisons that have verdicts; what has changed most comes first."""
        judged = [c for c in self.compared.changes if any(x.verdict is not None for x in c.cylinders)]
        return tuple(sorted(judged, key=lambda change: -_weight(change)))


def lay(first: JudgedFile, second: JudgedFile) -> Laid:
    """Compare two judged recordings, and lay their waveforms over each other."""
    from evenstroke_replay.comparing import compare_judged  # it loads SciPy: only who compares waits for that

    compared = compare_judged(first, second)
    waves: dict[str, tuple[MeanWave, MeanWave]] = {}
    if all(one.judgement.sync.basis.endswith("cycle") for one in (first, second)):
        for name in dict.fromkeys(change.probe for change in compared.changes):
            pair = (_mean_wave(first, name), _mean_wave(second, name))
            if pair[0] is not None and pair[1] is not None and pair[0].unit == pair[1].unit:
                waves[name] = (pair[0], pair[1])
    return Laid(compared, waves)


def _mean_wave(judged: JudgedFile, probe: str) -> MeanWave | None:
    keeper = WaveKeeper(math.inf)
    for message in judged.messages:
        if isinstance(message, WaveData) and message.header.kind == "conditioned":
            keeper.take(message)
    if probe not in keeper.probes:
        return None
    rows, places = [], dict[int, list[float]]()
    for cycle in judged.messages:
        if not isinstance(cycle, Cycle) or cycle.left_out is not None or cycle.stretch != "cranking":
            continue
        row = _one_cycle(keeper, probe, cycle)
        if row is None:
            continue
        rows.append(row)
        for cylinder, share in _pulse_places(cycle, probe):
            places.setdefault(cylinder, []).append(share)
    if len(rows) < 2:
        return None
    stack = np.stack(rows)
    return MeanWave(
        unit=keeper.units[keeper.probes.index(probe)],
        cycles=len(rows),
        mean=stack.mean(axis=0),
        error=stack.std(axis=0, ddof=1) / math.sqrt(len(rows)),
        pulses=tuple((cylinder, _middle(shares)) for cylinder, shares in sorted(places.items())),
    )


def _one_cycle(keeper: WaveKeeper, probe: str, cycle: Cycle) -> Samples | None:
    """A cycle about its own mean; None where something of it is lost."""
    pieces = keeper.between(probe, cycle.from_s, cycle.to_s)
    if len(pieces) != 1:
        return None
    piece = pieces[0]
    times = piece.t0_s + piece.dt_s * np.arange(piece.samples.shape[1])
    wanted = np.linspace(cycle.from_s, cycle.to_s, STEPS + 1)
    if wanted[0] < times[0] - piece.dt_s or wanted[-1] > times[-1] + piece.dt_s:
        return None
    values = np.interp(wanted, times, piece.samples[0].astype(np.float64))
    return None if np.isnan(values).any() else np.asarray(values - values.mean())


def _pulse_places(cycle: Cycle, probe: str) -> Iterable[tuple[int, float]]:
    for found in cycle.probes:
        for pulse in found.pulses if found.probe == probe else ():
            if pulse.cylinder is not None and pulse.from_s is not None and pulse.to_s is not None:
                middle = (pulse.from_s + pulse.to_s) / 2
                yield pulse.cylinder, (middle - cycle.from_s) / (cycle.to_s - cycle.from_s) % 1.0


def _middle(shares: Sequence[float]) -> float:
    """The mean of places on a circle."""
    turned = np.exp(2j * math.pi * np.array(shares)).mean()
    return float(np.angle(turned) / (2 * math.pi) % 1.0)


# --- what is said ---------------------------------------------------------------------------------------


def _weight(change: FeatureChange) -> float:
    """How much there is to see: changes that are sure go before all others."""
    return max(abs(x.change) + (1000.0 if x.verdict == "changed" else 0.0) for x in change.cylinders)


def change_name(change: FeatureChange) -> str:
    """ "intake: intake pulse, while cranking"."""
    return f"{change.probe}: {pulse_name(change.role, change.feature)}, {_STRETCHES[change.stretch]}"


def _why_nothing(compared: TwoCranks) -> str:
    """What keeps the first that is not compared from it, without what to do about that; empty where it shares nothing."""
    if not compared.not_compared:
        return ""
    return compared.not_compared[0].because.partition(": ")[0].rstrip(".")


def _to_do(compared: TwoCranks, change: FeatureChange | None) -> str:
    """The next step, without what the sentence above it says already."""
    if change is not None:
        return compared.next_step
    words = compared.next_step.removeprefix("Nothing could be subtracted").lstrip(":. ")
    why = _why_nothing(compared)
    if why and words.lower().startswith(why.lower()):
        words = words[len(why) :].lstrip(":. ") or words
    return f"{words[:1].upper()}{words[1:]}"


_TO_TELL = "crank longer, or once more"


def sentence(laid: Laid, change: FeatureChange | None) -> str:
    """What differs, in one sentence."""
    if change is None:
        because = _why_nothing(laid.compared) or "they share nothing"
        return f"Nothing is subtracted: {because[:1].lower()}{because[1:]}."
    sign = "%" if change.unit == "percent" else "crank degrees"
    open_ones = [x.cylinder for x in change.cylinders if x.verdict == "undecided"]
    sure = sorted((x for x in change.cylinders if x.verdict == "changed"), key=lambda x: -abs(x.change))
    name = pulse_name(change.role, change.feature)
    if sure:
        most = sure[0]
        rest = [x.cylinder for x in sure[1:]]
        others = f"; {_named(rest)} changed too" if rest else ""
        if open_ones:
            others += f". Cannot tell yet for {_named(open_ones)}: {_TO_TELL}"
        return (
            f"Cylinder {most.cylinder}'s {name} reads {signed(most.first)}{NARROW_SPACE}{sign} in the first and "
            f"{signed(most.second)}{NARROW_SPACE}{sign} in the second: {signed(most.change)}{NARROW_SPACE}{sign} apart "
            f"({_span(most)}){others}."
        )
    if open_ones:
        return f"Cannot tell yet whether the {name} of {_named(open_ones)} changed: {_TO_TELL}."
    return (
        f"No cylinder's {name} differs between the two by more than {EVEN_MARGIN_PERCENT:g}{NARROW_SPACE}%."
    )


def _span(x: CylinderChange) -> str:
    return f"{signed(x.low)} to {signed(x.high)}, 95{NARROW_SPACE}% interval"


_FEW = 4


def _named(cylinders: Sequence[int]) -> str:
    """ "cylinders 1, 3 and 4"; many are only counted, since the rows show which they are."""
    if len(cylinders) > _FEW:
        return f"{len(cylinders)} cylinders"
    return f"cylinder{'s' if len(cylinders) > 1 else ''} {listed(map(str, cylinders))}"


def _mean_of(change: FeatureChange) -> str:
    others = [x.cylinder for x in change.cylinders if x.cylinder not in change.reference]
    if len(others) < len(change.reference):
        return f"all but {listed(map(str, others))}" if others else "all"
    return listed(map(str, change.reference))


def alike_lines(compared: TwoCranks) -> tuple[str, ...]:
    """What the two recordings differ in, what matters most first."""
    ranked = sorted(compared.unlike, key=lambda u: list(_MATTERS).index(u.matters), reverse=True)
    lines = [
        f"{f'{u.probe}, ' if u.probe else ''}{u.what}: {u.first} | {u.second} ({_MATTERS[u.matters]})."
        for u in ranked
    ]
    return tuple(lines) or ("Nothing differs that the set-ups and the recordings tell of.",)


# --- what is drawn ----------------------------------------------------------------------------------------


def waiting_picture(words: str, now: str, width: float, height: float, look: Look) -> Picture:
    """Nothing is compared yet: why, and what to do."""
    theme = look.theme
    edge = 0.02 * width
    items: tuple[Item, ...] = (
        Text(edge, 0.08 * height, width - 2 * edge, 0.42 * height, words, look.px(40, width, 1.4 * height), theme.ink,
             bold=True, upright="middle"),
        Shape(rectangle(edge, 0.55 * height, width - 2 * edge, 0.32 * height), theme.panel),
        Text(2 * edge, 0.55 * height, width - 4 * edge, 0.32 * height, now, look.px(34, width, 1.4 * height), theme.ink,
             upright="middle"),
    )  # fmt: skip
    return Picture(width, height, theme.ground, items, f"{words} {now}")


def laid_picture(
    laid: Laid, place: int, unit: PressureUnit, width: float, height: float, look: Look
) -> Picture:
    """Both recordings. place: which of `choices`, counted round; unit: for pressures."""
    return _Page(laid, place, unit, width, height, look).picture()


_VERDICT_SIGNS = {"changed": "\N{NOT EQUAL TO}", "same": "=", "undecided": "?"}
_TWO_LINES = 30.0
"""A row of at least so many pixels has two lines of words."""
_LEAST, _LINE, _LETTER = 8.0, 1.25, 0.58
"""The smallest type, pixels; a line's height and a letter's mean width in its size (DejaVu Sans, measured, rounded up)."""
_LARGE = 0.6
"""The smallest of the running text, in the size of the rest: larger type says less of it, and where the others stand."""
_LEAST_OF_LEGENDS = 6.5
_LEAST_OF_ALL = 5.0
"""Where there is no way around it: long names of files, twelve rows in the smallest window."""


class _Page:
    """One picture in the making."""

    def __init__(
        self, laid: Laid, place: int, unit: PressureUnit, width: float, height: float, look: Look
    ) -> None:
        among = laid.choices
        self.laid, self.unit = laid, unit
        self.change = among[place % len(among)] if among else None
        self.number, self.count = place % max(1, len(among)) + 1, len(among)
        self.width, self.height, self.theme = width, height, look.theme
        # Tabs, names and band leave four fifths of a window's height to this picture.
        self.px: Callable[[float], float] = lambda nominal: look.px(nominal, width, 1.25 * height)
        self.size, self.small = max(_LEAST, self.px(17)), max(_LEAST, self.px(14))

    def picture(self) -> Picture:
        width, height, theme, compared = self.width, self.height, self.theme, self.laid.compared
        says = sentence(self.laid, self.change)
        next_step = _to_do(compared, self.change)
        now, then = split(next_step)
        edge = 0.012 * width
        inner = width - 2 * edge
        head, order = (
            Box(edge, 0.01 * height, inner, 0.15 * height),
            Box(edge, 0.17 * height, inner, 0.12 * height),
        )
        items: list[Item] = [
            self._text(head, says, self.px(30), bold=True, upright="middle"),
            Shape(rectangle(*order.edges), theme.panel),
            self._text(order.inside(edge, 0.0), now, self.px(25), upright="middle"),
        ]
        top, low = 0.31 * height, 0.99 * height
        left = 0.30 * width if self.change is not None else width
        items += self._told(Box(edge, top, left - 2 * edge, low - top), then)
        if self.change is not None:
            items += self._compared(Box(left, top, width - left - edge, low - top), self.change, edge)
        names = f"First: {compared.first.file}. Second: {compared.second.file}."
        spoken = " ".join((says, names, next_step, *alike_lines(compared), *compared.texts))
        return Picture(width, height, theme.ground, tuple(items), spoken)

    def _text(
        self,
        box: Box,
        words: str,
        size: float,
        colour: str | None = None,
        *,
        bold: bool = False,
        align: Literal["left", "centre"] = "left",
        upright: Literal["top", "middle"] = "top",
        least: float = _LEAST,
    ) -> Text:
        colour = colour if colour is not None else self.theme.ink
        return Text(*box.edges, words, size, colour, bold=bold, align=align, upright=upright, least=least)

    def _told(self, box: Box, then: str) -> list[Item]:
        """Are they alike, and what the comparison says in words of what is shown: all of it in one size."""
        compared = self.laid.compared
        names = f"First: {_short(compared.first.file)}\nSecond: {_short(compared.second.file)}"
        named, asks, told = box.rows(0.17, 0.07, 0.76)
        alike = alike_lines(compared)
        said = tuple(filter(None, (then, *relevant_texts(compared, self.change))))
        size, least = 0.88 * self.size, max(_LEAST, _LARGE * self.size)
        while size > least and _lines_of((*alike, *said), told.wide, size) + 0.5 > told.high / (_LINE * size):
            size -= 0.5
        size = max(least, size)
        share = min(0.52, _LINE * size * max(1, _lines_of(alike, told.wide, size)) / told.high)
        above, below = told.rows(share, 1.0 - share)
        return [
            self._text(named, names, size, self.theme.quiet, least=_LEAST_OF_ALL),
            self._text(asks, "Like for like?", min(self.size, 1.2 * size), bold=True),
            self._text(above, "\n".join(_what_fits(alike, above, size)), size),
            self._text(below, "\n".join(_what_fits(said, below, size)), size),
        ]

    def _compared(self, box: Box, change: FeatureChange, edge: float) -> list[Item]:
        """Both waveforms, and beside them what differs by cylinder."""
        count = (
            f" ({self.number} of {self.count}: \N{LEFTWARDS ARROW} \N{RIGHTWARDS ARROW})"
            if self.count > 1
            else ""
        )
        title = f"{change_name(change)}, from the mean of {_mean_of(change)}{count}"
        above = 0.065 * self.height
        below = Box(box.x, box.y + above, box.wide, box.high - above)
        middle = 0.64 * self.width
        waves = Box(below.x, below.y, middle - edge - below.x, below.high)
        rows = Box(middle, below.y, below.x + below.wide - middle, below.high)
        return [
            self._text(Box(box.x, box.y, box.wide, 0.055 * self.height), title, self.size, bold=True),
            *self._waves(waves, self.laid.waves.get(change.probe)),
            *self._changes(rows, change),
        ]

    def _waves(self, box: Box, pair: tuple[MeanWave, MeanWave] | None) -> list[Item]:
        """Mean cycles over each other, and under them their difference with what it is known to."""
        theme = self.theme
        if pair is None:
            words = (
                "No waveforms over each other: that needs two whole cycles in each, cylinders that one event a cycle "
                "names, and the same unit in both."
            )
            return [self._text(box, words, self.small, theme.quiet)]
        first, second = pair
        by, sign = factor(first.unit, self.unit)
        difference = (first.mean - second.mean) * by
        # Pointwise: half of a 95 % interval of the difference of two means (normal approximation).
        error = 1.96 * np.hypot(first.error, second.error) * by
        reach = float(max(np.abs(first.mean).max(), np.abs(second.mean).max()) * by) or 1.0
        least = float(max((np.abs(difference) + error).max(), 0.1 * reach))
        line_high = max(0.06 * box.high, 1.4 * _LEAST)
        plots = box.high - 4.6 * line_high
        upper = Box(box.x, box.y, box.wide, 0.66 * plots)
        lower = Box(box.x, box.y + upper.high + 2.1 * line_high, box.wide, 0.34 * plots)
        steps = np.linspace(box.x, box.x + box.wide, STEPS + 1)

        def line(values: Samples, frame: Box, most: float) -> tuple[tuple[float, float], ...]:
            heights = frame.y + frame.high * (0.5 - 0.48 * values / most)
            return tuple(zip(steps.tolist(), heights.tolist(), strict=True))

        items: list[Item] = []
        for frame in (upper, lower):
            middle = frame.y + frame.high / 2
            items.append(Line(((box.x, middle), (box.x + box.wide, middle)), theme.rule))
            items.append(Line(rectangle(*frame.edges), theme.rule, closed=True))
        band = (*line(difference + error, lower, least), *reversed(line(difference - error, lower, least)))
        items += [
            Shape(band, blend(theme.ground, theme.even, 0.45)),
            Line(line(first.mean * by, upper, reach), theme.traces[0], 2.0),
            Line(line(second.mean * by, upper, reach), theme.traces[1], 2.0, dashed=True),
            Line(line(difference, lower, least), theme.ink, 2.0),
        ]
        floor = upper.y + upper.high
        for cylinder, share in first.pulses:
            place = Box(box.x + (share - 0.03) * box.wide, floor, 0.06 * box.wide, line_high)
            items.append(self._text(place, str(cylinder), self.small, bold=True, align="centre"))
        scale = f"±{rounded(reach / 0.96)}{NARROW_SPACE}{sign}"
        legend = f"full: first, {counted(first.cycles, 'cycle')}; dashed: second, {second.cycles}; {scale}"
        under = (
            f"first less second, frame ±{rounded(least / 0.96)}{NARROW_SPACE}{sign}; band: 95{NARROW_SPACE}% interval, "
            "by points. 720 degrees, even in time; numbers: pulses"
        )
        foot = lower.y + lower.high + 0.005 * box.high
        for place, words in (
            (Box(box.x, floor + line_high, box.wide, line_high), legend),
            (Box(box.x, foot, box.wide, box.y + box.high - foot), under),
        ):
            items.append(self._text(place, words, self.small, theme.quiet, least=_LEAST_OF_LEGENDS))
        return items

    def _changes(self, box: Box, change: FeatureChange) -> list[Item]:
        """A row for each cylinder: first, second, and the difference with its interval and what physics foresaw."""
        theme, quiet = self.theme, self.theme.quiet
        sign = "%" if change.unit == "percent" else "deg"
        head, foot = max(0.07 * box.high, 1.4 * _LEAST), max(0.15 * box.high, 2.8 * _LEAST)
        rows = Box(box.x, box.y + head, box.wide, box.high - head - foot)
        row = rows.high / max(1, len(change.cylinders))
        # Low rows have one line of words, and more room for it.
        words = box.x + (0.62 if row >= _TWO_LINES else 0.46) * box.wide
        axis = _Axis(box.x + 0.10 * box.wide, words - 0.02 * box.wide, _reach(change))
        top = Box(axis.from_x, box.y, axis.to_x - axis.from_x, head)
        beside = Box(words, box.y, box.x + box.wide - words, head)
        items: list[Item] = [
            self._text(
                top, f"±{rounded(axis.reach, 2)}{NARROW_SPACE}{sign}", self.small, quiet, align="centre"
            ),
            self._text(beside, f"first less second, {sign}", self.small, quiet),
            Line(((axis.at(0), rows.y), (axis.at(0), rows.y + rows.high)), theme.rule),
        ]
        if change.unit == "percent":
            edges = axis.at(-EVEN_MARGIN_PERCENT), axis.at(EVEN_MARGIN_PERCENT)
            items.insert(0, Shape(rectangle(edges[0], rows.y, edges[1] - edges[0], rows.high), theme.panel))
        for k, cylinder in enumerate(change.cylinders):
            items += self._row(Box(box.x, rows.y + k * row, box.wide, row), cylinder, axis, words)
        signs = (
            "" if row >= _TWO_LINES else ". " + ", ".join(f"{s} {word}" for word, s in _VERDICT_SIGNS.items())
        )
        legend = (
            f"full disc: first; open: second; bar: first less second, 95{NARROW_SPACE}% interval; dashed: foreseen by "
            f"physics; shaded: even{signs}"
        )
        below = Box(box.x, rows.y + rows.high, box.wide, foot)
        return [*items, self._text(below, legend, self.small, quiet, least=_LEAST_OF_LEGENDS)]

    def _row(self, box: Box, c: CylinderChange, axis: _Axis, words: float) -> list[Item]:
        theme = self.theme
        dot = min(0.16 * box.high, 7.0)
        both, apart = box.y + 0.30 * box.high, box.y + 0.68 * box.high
        changed = c.verdict == "changed"
        colour = theme.even if not changed else theme.larger if c.change > 0 else theme.smaller
        number = Box(box.x, box.y, axis.from_x - box.x, box.high)
        items: list[Item] = [
            self._text(
                *(number, str(c.cylinder), self.size),
                bold=True,
                upright="middle",
                align="centre",
                least=_LEAST_OF_ALL,
            )
        ]
        if c.predicted is not None:
            low, high = axis.at(c.predicted.low), axis.at(c.predicted.high)
            frame = rectangle(low, apart - dot, high - low, 2 * dot)
            items.append(Line(frame, theme.fitted, 1.5, dashed=True, closed=True))
        at = axis.at(c.change)
        items += [
            Line(((axis.at(c.first), both), (axis.at(c.second), both)), theme.rule, 1.5),
            Disc(axis.at(c.first), both, dot, theme.traces[0]),
            Disc(axis.at(c.second), both, dot, None, theme.traces[1], 2.0),
            Line(((axis.at(c.low), apart), (axis.at(c.high), apart)), colour, 3.0),
            Shape(triangle(at, apart, dot, up=c.change > 0), colour)
            if changed
            else Shape(rectangle(at - dot, apart - dot, 2 * dot, 2 * dot), colour),
        ]
        said = f"{signed(c.change)} ({signed(c.low)} to {signed(c.high)})"
        if c.verdict is not None:
            said += f"\n{c.verdict}" if box.high >= _TWO_LINES else f" {_VERDICT_SIGNS[c.verdict]}"
        place = Box(words, box.y, box.x + box.wide - words, box.high)
        return [*items, self._text(place, said, self.small, upright="middle", least=_LEAST_OF_ALL)]


@dataclass(frozen=True, slots=True)
class _Axis:
    """Values from -reach to reach, laid from one x to another."""

    from_x: float
    to_x: float
    reach: float

    def at(self, value: float) -> float:
        return self.from_x + (self.to_x - self.from_x) * (0.5 + 0.5 * value / self.reach)


def _reach(change: FeatureChange) -> float:
    foreseen = [v for c in change.cylinders if c.predicted for v in (c.predicted.low, c.predicted.high)]
    seen = [v for c in change.cylinders for v in (c.first, c.second, c.low, c.high)]
    return 1.05 * max(EVEN_MARGIN_PERCENT, *map(abs, (*seen, *foreseen)))


def _short(name: str | None) -> str:
    """A file's name, long ones with their middle left out: both ends tell recordings apart, by time and by title."""
    if name is None:
        return "a live stream"
    return name if len(name) <= 44 else f"{name[:20]}\N{HORIZONTAL ELLIPSIS}{name[-23:]}"


def relevant_texts(compared: TwoCranks, change: FeatureChange | None) -> tuple[str, ...]:
    """What the comparison says of this feature, and then of all; where nothing is subtracted, why."""
    if change is None:
        first = compared.not_compared[0].because if compared.not_compared else ""
        reasons = dict.fromkeys(n.because for n in compared.not_compared if n.because != first)
        return tuple(f"{why[:1].upper()}{why[1:].rstrip('.')}." for why in reasons)
    about = f"{pulse_name(change.role, change.feature)} ({change.probe})"
    own = [text for text in compared.texts if about in text]
    return (*own, *(text for text in compared.texts if text not in own and not text.startswith("Cylinder")))


def _lines_of(texts: Iterable[str], wide: float, size: float) -> int:
    """About how many lines they take."""
    return sum(math.ceil(1.08 * len(text) * _LETTER * size / wide) for text in texts)


def _what_fits(texts: Sequence[str], box: Box, size: float) -> tuple[str, ...]:
    """As many of them as have room in this size, and where the others are."""
    more = "More: evenstroke compare."
    room = int(box.high / (_LINE * size))
    if _lines_of(texts, box.wide, size) <= room:
        return tuple(texts)
    kept = list(texts)
    while kept and _lines_of((*kept, more), box.wide, size) > room:
        kept.pop()
    return (*kept, more)
