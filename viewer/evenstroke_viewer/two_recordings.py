"""Two recordings over each other: are they alike, what differs by cylinder, and what the set-up made. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from evenstroke_dsp.even_margin import EVEN_MARGIN_PERCENT
from evenstroke_dsp.messages import Cycle, WaveData
from evenstroke_dsp.names import pulse_name

from .drawing import Disc, Item, Line, Picture, Shape, Text, rectangle, triangle
from .look import Look, Theme, blend
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
    "the point": "is what this is about",
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


_TO_TELL = "crank longer, or once more"


def sentence(laid: Laid, change: FeatureChange | None) -> str:
    """What differs, in one sentence."""
    if change is None:
        because = (
            laid.compared.not_compared[0].because.rstrip(".")
            if laid.compared.not_compared
            else "they share nothing"
        )
        return f"Nothing is subtracted: {because[:1].lower()}{because[1:]}."
    sign = "%" if change.unit == "percent" else "crank degrees"
    open_ones = [x.cylinder for x in change.cylinders if x.verdict == "undecided"]
    sure = sorted((x for x in change.cylinders if x.verdict == "changed"), key=lambda x: -abs(x.change))
    name = pulse_name(change.role, change.feature)
    if sure:
        most = sure[0]
        rest = [x.cylinder for x in sure[1:]]
        others = f"; cylinder{'s' if len(rest) > 1 else ''} {_listed(rest)} changed too" if rest else ""
        if open_ones:
            others += f". Cannot tell yet for {_listed(open_ones)}: {_TO_TELL}"
        return (
            f"Cylinder {most.cylinder}'s {name} reads {signed(most.first)} in the first and "
            f"{signed(most.second)}{NARROW_SPACE}{sign} in the second: {signed(most.change)}{NARROW_SPACE}{sign} apart "
            f"({_span(most)}){others}."
        )
    if open_ones:
        plural = "s" if len(open_ones) > 1 else ""
        return f"Cannot tell yet whether the {name} of cylinder{plural} {_listed(open_ones)} changed: {_TO_TELL}."
    return (
        f"No cylinder's {name} differs between the two by more than {EVEN_MARGIN_PERCENT:g}{NARROW_SPACE}%."
    )


def _span(x: CylinderChange) -> str:
    return f"{signed(x.low)} to {signed(x.high)}, 95{NARROW_SPACE}% interval"


def _listed(cylinders: Iterable[int]) -> str:
    *most, last = (str(c) for c in cylinders)
    return f"{', '.join(most)} and {last}" if most else last


def _mean_of(change: FeatureChange) -> str:
    others = [x.cylinder for x in change.cylinders if x.cylinder not in change.reference]
    if len(others) < len(change.reference):
        return f"all but {_listed(others)}" if others else "all"
    return _listed(change.reference)


def alike_lines(compared: TwoCranks) -> tuple[str, ...]:
    """What the two recordings differ in, what matters most first."""
    ranked = sorted(compared.unlike, key=lambda u: list(_MATTERS).index(u.matters), reverse=True)
    lines = [
        f"{f'{u.probe}, ' if u.probe else ''}{u.what}: {u.first} | {u.second}: {_MATTERS[u.matters]}."
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
    theme = look.theme
    among = laid.choices
    change = among[place % len(among)] if among else None
    says = sentence(laid, change)
    now, then = split(laid.compared.next_step)
    edge = 0.012 * width
    items: list[Item] = [
        Text(edge, 0.01 * height, width - 2 * edge, 0.15 * height, says, look.px(30, width, 1.25 * height), theme.ink,
             bold=True, upright="middle"),
        Shape(rectangle(edge, 0.17 * height, width - 2 * edge, 0.12 * height), theme.panel),
        Text(2 * edge, 0.17 * height, width - 4 * edge, 0.12 * height, now, look.px(25, width, 1.25 * height), theme.ink,
             upright="middle"),
    ]  # fmt: skip
    top, low = 0.31 * height, 0.99 * height
    left = 0.30 * width if change is not None else width
    size = _size(look, 17, width, height)
    items += _told(laid, change, then, edge, top, left - 2 * edge, low - top, size, theme)
    if change is not None:
        middle = 0.64 * width
        count = (
            f" ({place % len(among) + 1} of {len(among)}: \N{LEFTWARDS ARROW} \N{RIGHTWARDS ARROW})"
            if len(among) > 1
            else ""
        )
        head = f"{change_name(change)}, from the mean of {_mean_of(change)}{count}"
        items.append(
            Text(
                left, top, width - left - edge, 0.055 * height, head, size, theme.ink, bold=True, least=_LEAST
            )
        )
        box = (left, top + 0.065 * height, middle - left - edge, low - top - 0.065 * height)
        items += _waves(laid.waves.get(change.probe), unit, *box, look, width, height)
        box = (middle, top + 0.065 * height, width - middle - edge, low - top - 0.065 * height)
        items += _changes(change, *box, look, width, height)
    names = f"First: {laid.compared.first.file}. Second: {laid.compared.second.file}."
    spoken = " ".join(
        (says, names, laid.compared.next_step, *alike_lines(laid.compared), *laid.compared.texts)
    )
    return Picture(width, height, theme.ground, tuple(items), spoken)


def _told(
    laid: Laid,
    change: FeatureChange | None,
    then: str,
    x: float,
    y: float,
    wide: float,
    high: float,
    size: float,
    theme: Theme,
) -> list[Item]:
    """Are they alike, and what the comparison says in words of what is shown."""
    compared = laid.compared
    small = max(_LEAST, 0.88 * size)
    names = f"First: {_short(compared.first.file)}\nSecond: {_short(compared.second.file)}"
    alike = alike_lines(compared)
    share = min(0.40, max(0.12, (_lines_of(alike, wide, small) + 0.5) * _LINE * small / high))
    rest = high * (1 - 0.20 - 0.07 - share)
    said = tuple(filter(None, (then, *relevant_texts(compared, change))))
    parts = (
        (0.20 * high, names, max(_LEAST, 0.9 * small), theme.quiet, False),
        (0.07 * high, "Like for like?", size, theme.ink, True),
        (share * high, "\n".join(_what_fits(alike, wide, share * high)), small, theme.ink, False),
        (rest, "\n".join(_what_fits(said, wide, rest)), small, theme.ink, False),
    )
    items: list[Item] = []
    for tall, words, at, colour, bold in parts:
        least = _LEAST if words != names else _LEAST_OF_ALL
        items.append(Text(x, y, wide, tall, words, at, colour, bold=bold, least=least))
        y += tall
    return items


def _short(name: str | None) -> str:
    """A file's name, long ones with their middle left out: both ends tell recordings apart, by time and by title."""
    if name is None:
        return "a live stream"
    return name if len(name) <= 44 else f"{name[:20]}\N{HORIZONTAL ELLIPSIS}{name[-23:]}"


def relevant_texts(compared: TwoCranks, change: FeatureChange | None) -> tuple[str, ...]:
    """What the comparison says of this feature, and then of all; where nothing is subtracted, why."""
    if change is None:
        reasons = dict.fromkeys(n.because for n in compared.not_compared)
        return tuple(f"{why[:1].upper()}{why[1:].rstrip('.')}." for why in reasons)
    about = f"{pulse_name(change.role, change.feature)} ({change.probe})"
    own = [text for text in compared.texts if about in text]
    return (*own, *(text for text in compared.texts if text not in own and not text.startswith("Cylinder")))


_VERDICT_SIGNS = {"changed": "\N{NOT EQUAL TO}", "same": "=", "undecided": "?"}
_TWO_LINES = 30.0
"""A row of at least so many pixels has two lines of words."""
_LEAST, _LINE, _LETTER = 8.0, 1.25, 0.58
"""The smallest type, pixels; a line's height and a letter's mean width in its size (DejaVu Sans, measured, rounded up)."""


_LEAST_OF_LEGENDS = 6.5
_LEAST_OF_ALL = 5.0
"""Where there is no way around it: long names of files, twelve rows in the smallest window."""


def _size(look: Look, nominal: float, width: float, height: float) -> float:
    """Type of a nominal size; tabs, names and band leave four fifths of a window's height to this picture."""
    return max(_LEAST, look.px(nominal, width, 1.25 * height))


def _lines_of(texts: Iterable[str], wide: float, size: float) -> int:
    """About how many lines they take."""
    return sum(math.ceil(1.08 * len(text) * _LETTER * size / wide) for text in texts)


def _what_fits(texts: Sequence[str], wide: float, high: float) -> tuple[str, ...]:
    """As many of them as have room in the smallest type, and where the others are."""
    more = "More: evenstroke compare."
    room = int(high / (_LINE * _LEAST))
    if _lines_of(texts, wide, _LEAST) <= room:
        return tuple(texts)
    kept = list(texts)
    while kept and _lines_of((*kept, more), wide, _LEAST) > room:
        kept.pop()
    return (*kept, more)


def _waves(
    pair: tuple[MeanWave, MeanWave] | None,
    unit: PressureUnit,
    x: float,
    y: float,
    wide: float,
    high: float,
    look: Look,
    width: float,
    height: float,
) -> list[Item]:
    """Mean cycles over each other, and under them their difference with what it is known to."""
    theme = look.theme
    small = _size(look, 14, width, height)
    if pair is None:
        words = (
            "No waveforms over each other: that needs two whole cycles in each, cylinders that one event a cycle names, and "
            "the same unit in both."
        )
        return [Text(x, y, wide, high, words, small, theme.quiet)]
    first, second = pair
    by, sign = factor(first.unit, unit)
    difference = (first.mean - second.mean) * by
    # Pointwise: half of a 95 % interval of the difference of two means (normal approximation).
    error = 1.96 * np.hypot(first.error, second.error) * by
    reach = float(max(np.abs(first.mean).max(), np.abs(second.mean).max()) * by) or 1.0
    least = float(max((np.abs(difference) + error).max(), 0.1 * reach))
    line_high = max(0.06 * high, 1.4 * _LEAST)
    plots = high - 4.6 * line_high
    upper = (y, 0.66 * plots)
    lower = (y + upper[1] + 2.1 * line_high, 0.34 * plots)
    steps = np.linspace(x, x + wide, STEPS + 1)

    def line(values: Samples, box: tuple[float, float], most: float) -> tuple[tuple[float, float], ...]:
        heights = box[0] + box[1] * (0.5 - 0.48 * values / most)
        return tuple(zip(steps.tolist(), heights.tolist(), strict=True))

    items: list[Item] = []
    for box in (upper, lower):
        items.append(Line(((x, box[0] + box[1] / 2), (x + wide, box[0] + box[1] / 2)), theme.rule))
        items.append(Line(rectangle(x, box[0], wide, box[1]), theme.rule, closed=True))
    band = (*line(difference + error, lower, least), *reversed(line(difference - error, lower, least)))
    items.append(Shape(band, blend(theme.ground, theme.even, 0.45)))
    items += [
        Line(line(first.mean * by, upper, reach), theme.traces[0], 2.0),
        Line(line(second.mean * by, upper, reach), theme.traces[1], 2.0, dashed=True),
        Line(line(difference, lower, least), theme.ink, 2.0),
    ]
    for cylinder, share in first.pulses:
        items.append(Text(x + share * wide - 0.03 * wide, upper[0] + upper[1], 0.06 * wide, line_high, str(cylinder), small,
                          theme.ink, bold=True, align="centre"))  # fmt: skip
    scale = f"±{rounded(reach / 0.96)}{NARROW_SPACE}{sign}"
    legend = f"full: first, {first.cycles} cycles; dashed: second, {second.cycles}; {scale}"
    items.append(
        Text(
            x,
            upper[0] + upper[1] + line_high,
            wide,
            line_high,
            legend,
            small,
            theme.quiet,
            least=_LEAST_OF_LEGENDS,
        )
    )
    under = (
        f"first less second, frame ±{rounded(least / 0.96)}{NARROW_SPACE}{sign}; band: 95{NARROW_SPACE}% interval, "
        "by points. 720 degrees, even in time; numbers: pulses"
    )
    under_y = lower[0] + lower[1] + 0.005 * high
    items.append(
        Text(x, under_y, wide, y + high - under_y, under, small, theme.quiet, least=_LEAST_OF_LEGENDS)
    )
    return items


def _changes(
    change: FeatureChange,
    x: float,
    y: float,
    wide: float,
    high: float,
    look: Look,
    width: float,
    height: float,
) -> list[Item]:
    """A row for each cylinder: first, second, and the difference with its interval and what physics foresaw."""
    theme = look.theme
    count = len(change.cylinders)
    size, small = _size(look, 17, width, height), _size(look, 14, width, height)
    sign = "%" if change.unit == "percent" else "deg"
    head, foot = max(0.07 * high, 1.4 * _LEAST), max(0.15 * high, 2.8 * _LEAST)
    row = (high - head - foot) / max(1, count)
    # Low rows have one line of words, and more room for it.
    plot, words = x + 0.10 * wide, x + (0.62 if row >= _TWO_LINES else 0.46) * wide
    span = words - plot - 0.02 * wide
    reach = 1.05 * max(
        EVEN_MARGIN_PERCENT,
        *(abs(v) for c in change.cylinders for v in (c.first, c.second, c.low, c.high)),
        *(abs(v) for c in change.cylinders if c.predicted for v in (c.predicted.low, c.predicted.high)),
    )

    def at(value: float) -> float:
        return plot + span * (0.5 + 0.5 * value / reach)

    items: list[Item] = [
        Text(
            plot,
            y,
            span,
            head,
            f"±{rounded(reach, 2)}{NARROW_SPACE}{sign}",
            small,
            theme.quiet,
            align="centre",
        ),
        Text(
            words, y, wide - (words - x), head, f"first less second, {sign}", small, theme.quiet, least=_LEAST
        ),
        Line(((at(0), y + head), (at(0), y + high - foot)), theme.rule),
    ]
    if change.unit == "percent":
        edges = at(-EVEN_MARGIN_PERCENT), at(EVEN_MARGIN_PERCENT)
        band = rectangle(edges[0], y + head, edges[1] - edges[0], high - head - foot)
        items.insert(0, Shape(band, theme.panel))
    for k, c in enumerate(change.cylinders):
        items += _change_row(c, x, y + head + k * row, row, plot, words, wide, at, size, small, theme)
    legend = (
        f"full disc: first; open: second; bar: first less second, 95{NARROW_SPACE}% interval; dashed: foreseen by physics; "
        "shaded: even"
        + (
            ""
            if row >= _TWO_LINES
            else ". " + ", ".join(f"{sign} {word}" for word, sign in _VERDICT_SIGNS.items())
        )
    )
    items.append(Text(x, y + high - foot, wide, foot, legend, small, theme.quiet, least=_LEAST_OF_LEGENDS))
    return items


def _change_row(
    c: CylinderChange,
    x: float,
    y: float,
    row: float,
    plot: float,
    words: float,
    wide: float,
    at: Callable[[float], float],
    size: float,
    small: float,
    theme: Theme,
) -> list[Item]:
    dot = min(0.16 * row, 7.0)
    both, apart = y + 0.30 * row, y + 0.68 * row
    changed = c.verdict == "changed"
    colour = theme.even if not changed else theme.larger if c.change > 0 else theme.smaller
    items: list[Item] = [
        Text(
            x,
            y,
            plot - x,
            row,
            str(c.cylinder),
            size,
            theme.ink,
            bold=True,
            upright="middle",
            align="centre",
            least=_LEAST_OF_ALL,
        )
    ]
    if c.predicted is not None:
        low, high = at(c.predicted.low), at(c.predicted.high)
        items.append(
            Line(
                rectangle(low, apart - dot, high - low, 2 * dot), theme.fitted, 1.5, dashed=True, closed=True
            )
        )
    items += [
        Line(((at(c.first), both), (at(c.second), both)), theme.rule, 1.5),
        Disc(at(c.first), both, dot, theme.traces[0]),
        Disc(at(c.second), both, dot, None, theme.traces[1], 2.0),
        Line(((at(c.low), apart), (at(c.high), apart)), colour, 3.0),
    ]
    if changed:
        items.append(Shape(triangle(at(c.change), apart, dot, up=c.change > 0), colour))
    else:
        items.append(Shape(rectangle(at(c.change) - dot, apart - dot, 2 * dot, 2 * dot), colour))
    said = f"{signed(c.change)} ({signed(c.low)} to {signed(c.high)})"
    if c.verdict is not None:
        said += f"\n{c.verdict}" if row >= _TWO_LINES else f" {_VERDICT_SIGNS[c.verdict]}"
    items.append(
        Text(
            words,
            y,
            wide - (words - x),
            row,
            said,
            small,
            theme.ink,
            upright="middle",
            least=_LEAST_OF_ALL,
        )
    )
    return items
