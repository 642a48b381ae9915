"""Wheel of the cycle: 720 crank degrees as one circle, each cylinder's deviation a mark along its radius. No Qt here.

The middle ring is no deviation; outwards is larger, inwards smaller. Companion cylinders are 360 degrees apart and so
stand opposite each other. What is fitted stands at its cylinder, and a chord leads from there to each cylinder that it
disturbs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from evenstroke_dsp.even_margin import EVEN_MARGIN_PERCENT
from evenstroke_dsp.messages import CylinderBalance, FittedPart, SetupNote
from evenstroke_dsp.wording import NOT_WORKED_OUT, counted

from .choosing import Choice, Seat, balance_at, choices, first_choice, seats
from .drawing import (
    Disc,
    Item,
    Line,
    Picture,
    Point,
    Shape,
    Spot,
    Text,
    around,
    rectangle,
    triangle,
)
from .look import Look, Theme, blend
from .sentence import signed
from .trust import with_reasons
from .units import NARROW_SPACE
from .view_model import ViewModel

_EXTENTS = (10.0, 15.0, 20.0, 30.0, 50.0, 100.0)
"""How far the outer ring may be from the middle one, per cent."""
_RING = 0.66
"""Radius of the middle ring, of the outer one's."""
_INNER = 2 * _RING - 1.0
_LETTER = 0.54
"""A letter's mean width in the size of its type, of DejaVu Sans; measured on the legend, rounded up."""
_ROW = 1.35
"""Height of a row of the legend, in the size of its type."""
_LEAST_SIZE = 7.0
NEXT = "next"
"""Name of the spot that shows the next comparison."""


class Wheel:
    """The circle's geometry: where an angle and a deviation lie. extent: per cent from the middle ring to the outer."""

    def __init__(self, x: float, y: float, radius: float, extent: float) -> None:
        self.x, self.y, self.outer, self.extent = x, y, radius, extent

    def radius(self, percent: float) -> float:
        """Pixels from the centre; what lies beyond the rings stays on them."""
        share = max(-1.0, min(1.0, percent / self.extent))
        return self.outer * (_RING + (1.0 - _RING) * share)

    def at(self, cycle_deg: float, radius: float, aside: float = 0.0) -> Point:
        """The point at an angle of the cycle's 720 degrees and a radius; aside: pixels to its right, seen outwards."""
        x, y = around(self.x, self.y, radius, cycle_deg / 2.0)
        turn = math.radians(cycle_deg / 2.0)
        return x + aside * math.cos(turn), y + aside * math.sin(turn)


def circle_picture(
    model: ViewModel, width: float, height: float, look: Look, chosen: int | None = None
) -> Picture:
    """chosen: which of `choices` is shown; None: what the first finding speaks of."""
    theme = look.theme
    among, places = choices(model), seats(model)
    if not places:
        words = (
            "The wheel of the cycle is drawn when the stream has said which engine this is. "
            "What to do now stands in the first view (key 1)."
        )
        text = Text(
            *(0.1 * width, 0, 0.8 * width, height, words, look.px(34, width, height), theme.ink),
            align="centre",
            upright="middle",
        )
        return Picture(width, height, theme.ground, (text,), words)
    number = (first_choice(model, among) if chosen is None else chosen) % max(1, len(among))
    choice = among[number] if among else None
    fitted = model.state.fitted if model.state is not None else ()
    label = min(look.px(30, width, height), 0.058 * height)  # larger type must not squeeze the circle
    radius = min(0.5 * height - 3.2 * label, 0.31 * width - 5.9 * label)
    wheel = Wheel(0.31 * width, 0.5 * height, radius, _extent(choice, places))
    items: list[Item] = [Disc(wheel.x, wheel.y, wheel.outer, outline=theme.rule)]
    if choice is not None:
        items += _grounds(wheel, theme, places, choice)
        items += _rings(wheel, theme, places, 0.5 * label)
    items += _chords(wheel, theme, places, choice, fitted)
    for seat in places:
        items += _spoke(wheel, theme, seat, choice, fitted, label, len(places))
    side, spots = _side(model, 0.64 * width, width, height, look, among, number, choice)
    items += side
    return Picture(width, height, theme.ground, tuple(items), spoken(places, choice, fitted), tuple(spots))


def _extent(choice: Choice | None, places: Sequence[Seat]) -> float:
    reach = [2 * EVEN_MARGIN_PERCENT]
    for seat in places:
        balance = balance_at(choice.comparison if choice is not None else None, seat)
        if balance is not None:
            ends = (balance.deviation, balance.low, balance.high)
            reach += [abs(v) for v in ends if v is not None]
            if balance.predicted is not None:
                reach += [abs(balance.predicted.low), abs(balance.predicted.high)]
    return next((e for e in _EXTENTS if e >= max(reach)), _EXTENTS[-1])


def _grounds(wheel: Wheel, theme: Theme, places: Sequence[Seat], choice: Choice | None) -> list[Item]:
    """The even ring, and at each cylinder what healthy engines show."""
    items: list[Item] = [
        Disc(wheel.x, wheel.y, wheel.radius(EVEN_MARGIN_PERCENT), fill=blend(theme.ground, theme.even, 0.2)),
        Disc(wheel.x, wheel.y, wheel.radius(-EVEN_MARGIN_PERCENT), fill=theme.ground),
    ]
    half = min(12.0, 90.0 / len(places))
    for seat in places:
        balance = balance_at(choice.comparison if choice is not None else None, seat)
        if balance is None or balance.normal is None:
            continue
        low, high = wheel.radius(balance.normal.low), wheel.radius(balance.normal.high)
        across = _degrees(seat.at_deg / 2.0, half)
        band = [around(wheel.x, wheel.y, high, a) for a in across]
        band += [around(wheel.x, wheel.y, low, a) for a in reversed(across)]
        items.append(Shape(tuple(band), blend(theme.ground, theme.even, 0.45)))
    return items


def _rings(wheel: Wheel, theme: Theme, places: Sequence[Seat], size: float) -> list[Item]:
    margin = EVEN_MARGIN_PERCENT
    items: list[Item] = [
        Disc(wheel.x, wheel.y, wheel.radius(margin), outline=theme.rule, dashed=True),
        Disc(wheel.x, wheel.y, wheel.radius(-margin), outline=theme.rule, dashed=True),
        Disc(wheel.x, wheel.y, wheel.radius(0.0), outline=theme.ink, width=2.0),
        Disc(wheel.x, wheel.y, wheel.outer * _INNER, outline=theme.rule),
    ]
    return items + _scale(wheel, theme, places, size)


def _scale(wheel: Wheel, theme: Theme, places: Sequence[Seat], size: float) -> list[Item]:
    """What the rings stand for, half way between the first cylinder and the next; where marks of cylinders or another
    ring's number leave no room, none: the legend says the margin, and the thick ring is 0."""
    second = places[1].at_deg if len(places) > 1 else 720.0
    at = 0.5 * (places[0].at_deg + second)
    apart = math.radians(0.5 * (at - places[0].at_deg))
    mark = _mark(wheel, len(places))
    items: list[Item] = []
    taken: list[tuple[float, float]] = []
    for percent in (wheel.extent, -wheel.extent, 0.0, EVEN_MARGIN_PERCENT, -EVEN_MARGIN_PERCENT):
        words = f"{percent:+.0f}{NARROW_SPACE}%".replace("-", "\N{MINUS SIGN}") if percent else "0"
        wide, high = 0.72 * size * max(2, len(words)), 1.3 * size
        on_ring = abs(percent) < wheel.extent
        radius = wheel.radius(percent) if percent > -wheel.extent else wheel.outer * _INNER - 0.8 * size
        x, y = wheel.at(at, radius)
        beside_marks = radius * math.sin(apart) - mark if len(places) > 1 else radius
        crowded = any(abs(x - u) < wide and abs(y - v) < high for u, v in taken)
        if on_ring and (crowded or beside_marks < 0.5 * wide):
            continue
        taken.append((x, y))
        items.append(Shape(rectangle(x - 0.5 * wide, y - 0.4 * high, wide, 0.8 * high), theme.ground))
        items.append(
            Text(
                *(x - wide, y - high / 2, 2 * wide, high, words, size, theme.quiet),
                align="centre",
                upright="middle",
                least=7,
            )
        )
    return items


def _chords(
    wheel: Wheel,
    theme: Theme,
    places: Sequence[Seat],
    choice: Choice | None,
    fitted: Sequence[FittedPart],
) -> list[Item]:
    """From each fitted part to what it disturbs: what moves with it, its own cylinder apart."""
    items: list[Item] = []
    disturbed = disturbed_cylinders(choice)
    by_cylinder = {seat.cylinder: seat for seat in places if seat.cylinder is not None}
    inner = wheel.outer * _INNER
    for part in fitted:
        start = by_cylinder.get(part.cylinder)
        if start is None:
            continue
        for cylinder in disturbed:
            end = by_cylinder.get(cylinder)
            if end is None or end is start:
                continue
            a, b = wheel.at(start.at_deg, inner), wheel.at(end.at_deg, inner)
            items.append(Line((a, b), theme.fitted, 3.0, dashed=True))
            items.append(Shape(_arrow_head(a, b, 0.06 * wheel.outer), theme.fitted))
    return items


def disturbed_cylinders(choice: Choice | None) -> tuple[int, ...]:
    """Whose pulse what is fitted may alter: as judged, else as the set-up says beforehand."""
    if choice is None:
        return ()
    if choice.comparison is not None:
        return tuple(
            b.cylinder
            for b in choice.comparison.cylinders
            if b.trust == "disturbed" and b.cylinder is not None
        )
    return choice.note.disturbed if choice.note is not None else ()


def _arrow_head(start: Point, end: Point, size: float) -> tuple[Point, ...]:
    length = math.hypot(end[0] - start[0], end[1] - start[1]) or 1.0
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    back = (end[0] - 2 * size * ux, end[1] - 2 * size * uy)
    return (end, (back[0] - size * uy, back[1] + size * ux), (back[0] + size * uy, back[1] - size * ux))


def _spoke(
    wheel: Wheel,
    theme: Theme,
    seat: Seat,
    choice: Choice | None,
    fitted: Sequence[FittedPart],
    label: float,
    cylinders: int,
) -> list[Item]:
    at, items = seat.at_deg, list[Item]()
    balance = balance_at(choice.comparison if choice is not None else None, seat)
    mark = _mark(wheel, cylinders)
    items.append(Line((wheel.at(at, wheel.outer * _INNER), wheel.at(at, wheel.outer)), theme.rule))
    if balance is not None and balance.predicted is not None:
        low, high = wheel.radius(balance.predicted.low), wheel.radius(balance.predicted.high)
        aside = 1.9 * mark
        side = (
            wheel.at(at, low, aside - 0.35 * mark),
            wheel.at(at, high, aside - 0.35 * mark),
            wheel.at(at, high, aside + 0.35 * mark),
            wheel.at(at, low, aside + 0.35 * mark),
        )
        items.append(Shape(side, theme.fitted))
    if balance is not None:
        items += _deviation(wheel, theme, at, balance, mark)
    parts = [p for p in fitted if seat.cylinder is not None and p.cylinder == seat.cylinder]
    disturbed = seat.cylinder is not None and seat.cylinder in disturbed_cylinders(choice)
    items += _label(wheel, theme, seat, balance, disturbed, parts, label, cylinders)
    return items


def _mark(wheel: Wheel, cylinders: int) -> float:
    """Half of the width of a cylinder's mark, pixels."""
    return min(0.045 * wheel.outer, 1.1 * wheel.outer / max(6, cylinders))


def _degrees(middle: float, half: float) -> list[float]:
    return [middle - half + 2 * half * k / 8 for k in range(9)]


def colour_of(balance: CylinderBalance, theme: Theme) -> str:
    """By verdict; a feature without one, or one that is undecided, has the colour of even."""
    return {"smaller": theme.smaller, "larger": theme.larger}.get(balance.verdict or "", theme.even)


def _deviation(wheel: Wheel, theme: Theme, at: float, balance: CylinderBalance, mark: float) -> list[Item]:
    if balance.deviation is None:
        return []
    colour = colour_of(balance, theme)
    items: list[Item] = []
    if balance.low is not None and balance.high is not None:
        low, high = wheel.radius(balance.low), wheel.radius(balance.high)
        items.append(Line((wheel.at(at, low), wheel.at(at, high)), colour, 5.0))
        for end, value in ((low, balance.low), (high, balance.high)):
            if abs(value) <= wheel.extent:  # an interval without its end bar goes on beyond the rings
                items.append(Line((wheel.at(at, end, -mark), wheel.at(at, end, mark)), colour, 3.0))
    x, y = wheel.at(at, wheel.radius(balance.deviation))
    match balance.verdict:
        case "smaller" | "larger":
            items.append(
                Shape(triangle(x, y, 1.35 * mark, up=balance.verdict == "larger"), colour, theme.ground)
            )
        case "even":
            items.append(Shape(rectangle(x - mark, y - mark, 2 * mark, 2 * mark), colour, theme.ground))
        case _:
            items.append(Disc(x, y, mark, theme.ground, colour, 3.0))
    return items


def _label(
    wheel: Wheel,
    theme: Theme,
    seat: Seat,
    balance: CylinderBalance | None,
    disturbed: bool,
    parts: Sequence[FittedPart],
    label: float,
    cylinders: int,
) -> list[Item]:
    """Number, deviation with its interval, and what is fitted there. In a box: fitted; in a dashed one: disturbed."""
    room = 2.0 * math.pi * (wheel.outer + 1.5 * label) / cylinders
    wide, high = min(5.4 * label, 0.97 * room), 3.1 * label if parts else 2.5 * label
    # To the sides a label needs its own width beside the ring, above and below only its height.
    beside = abs(math.sin(math.radians(seat.at_deg / 2.0)))
    x, y = wheel.at(seat.at_deg, wheel.outer + (1.75 + 1.25 * beside) * label)
    x, y = x - wide / 2, y - 1.3 * label
    items: list[Item] = []
    if parts:
        items.append(Shape(rectangle(x, y, wide, high), theme.ground, theme.fitted))
    elif disturbed:
        items.append(Line(rectangle(x, y, wide, high), theme.fitted, 1.0, dashed=True, closed=True))
    top = 1.2 * label
    items.append(
        Text(x, y, wide, top, seat.label, label, theme.ink, True, align="centre", upright="middle", least=8)
    )
    words = [_part_words(p) for p in parts]
    if balance is not None and balance.deviation is not None:
        words.insert(0, f"{signed(balance.deviation)}{NARROW_SPACE}%")
        ends = "no interval yet"
        if balance.low is not None and balance.high is not None:
            ends = f"({signed(balance.low)} to {signed(balance.high)})"
        words.insert(1, ends)
    items.append(
        Text(
            *(x, y + top, wide, high - top, "\n".join(words), 0.52 * label, theme.ink),
            align="centre",
            least=6,
        )
    )
    return items


def _part_words(part: FittedPart) -> str:
    if part.plug_removed:
        return f"{part.what}: plug out"
    if part.added_volume_cc is None:
        return part.what
    return f"{part.what}: +{part.added_volume_cc:g}{NARROW_SPACE}cc"


def _side(
    model: ViewModel,
    x: float,
    width: float,
    height: float,
    look: Look,
    among: Sequence[Choice],
    number: int,
    choice: Choice | None,
) -> tuple[list[Item], list[Spot]]:
    """What is shown, how far it can be trusted, what the marks mean, and why a chord is drawn."""
    theme = look.theme
    wide = width - x - 0.02 * width

    def px(nominal: float) -> float:
        return look.px(nominal, width, height * 1.18)

    y, items, spots = 0.03 * height, list[Item](), list[Spot]()
    if choice is None:
        if len(seats(model)) > 1:
            words = "Nothing is compared: no probe of this set-up hears two cylinders. "
            words += "Add one that does, such as a pulse probe in the intake (key 7)."
        else:
            words = "One cylinder: there is no other to compare it with. "
            words += "Its pulses by themselves are in the sixth view (key 6)."
        return [Text(x, y, wide, 0.3 * height, words, px(26), theme.ink)], []
    items.append(Text(x, y, wide, 0.13 * height, choice.name, px(32), theme.ink, True, upright="middle"))
    if len(among) > 1:
        more = f"{number + 1} of {len(among)} comparisons: Left and Right show another"
        items.append(Text(x, y + 0.14 * height, wide, 0.05 * height, more, px(17), theme.quiet, least=7))
        spots.append(Spot(x, y, wide, 0.19 * height, NEXT, "show the next comparison"))
    y += 0.21 * height
    items.append(
        Text(x, y, wide, 0.12 * height, _trust_line(choice), px(23), theme.ink, True, upright="middle")
    )
    y += 0.14 * height
    rows = _legend(model, choice)
    note = _note_words(choice.note) if choice.note is not None else ""
    size = _fitting_size(px(19), [words for _, words in rows], note, wide, 0.97 * height - y)
    high = _ROW * size
    for shape, words in rows:
        items += _sample(shape, x + 0.7 * size, y + 0.5 * high, 0.42 * size, theme)
        place = (x + 2.2 * size, y, wide - 2.2 * size, high)
        items.append(Text(*place, words, size, theme.ink, upright="middle", least=7))
        y += high
    if note:
        y += 0.4 * high
        items.append(Text(x, y, wide, 0.98 * height - y, note, size, theme.ink, least=7))
    return items, spots


def _fitting_size(most: float, rows: Sequence[str], note: str, wide: float, high: float) -> float:
    """One size for the legend's rows, each on its line, and the note below them, in a room of this size, pixels."""
    size = min(most, wide / (_LETTER * max(map(len, rows)) + 2.2))
    while size > _LEAST_SIZE:
        lines = math.ceil(1.1 * _LETTER * size * len(note) / wide)
        if (_ROW * (len(rows) + 0.4) + 1.2 * lines) * size <= high:
            break
        size -= 0.5
    return size


def _note_words(note: SetupNote) -> str:
    """Where the size was left out, whoever has the set-up can have it worked out."""
    return note.text.replace(
        NOT_WORKED_OUT, f"{NOT_WORKED_OUT} With this set-up in the seventh view (key 7), Ctrl+P works it out."
    )


def _trust_line(choice: Choice) -> str:
    comparison = choice.comparison
    if comparison is None:
        return "No cycle yet. What to do now stands in the first view (key 1)."
    cycles = max((b.cycles for b in comparison.cylinders), default=0)
    return f"{counted(cycles, 'cycle')}. Trust: {with_reasons(comparison.trust, comparison.because)}"


def _legend(model: ViewModel, choice: Choice) -> tuple[tuple[str, str], ...]:
    """What each mark means that is drawn."""
    verdicts = {b.verdict for b in choice.comparison.cylinders} if choice.comparison is not None else set()
    rows: list[tuple[str, str]] = [
        (verdict, f"{verdict}, cycle after cycle") for verdict in ("smaller", "larger") if verdict in verdicts
    ]
    rows += [
        ("even", f"even: within ±{EVEN_MARGIN_PERCENT:.0f}{NARROW_SPACE}% (pale)"),
        ("undecided", "undecided: needs cycles"),
        ("interval", f"95{NARROW_SPACE}% interval"),
        ("normal", "what healthy engines show"),
    ]
    if model.state is not None and model.state.fitted:
        rows += [("fitted", "foreseen of what is fitted"), ("chord", "whom it disturbs")]
    if any(seat.cylinder is None for seat in seats(model)):
        rows.append(("place", "unnamed, as they come"))
    return tuple(rows)


def _sample(shape: str, x: float, y: float, size: float, theme: Theme) -> list[Item]:
    match shape:
        case "smaller":
            return [Shape(triangle(x, y, size, up=False), theme.smaller)]
        case "larger":
            return [Shape(triangle(x, y, size, up=True), theme.larger)]
        case "even":
            return [Shape(rectangle(x - size, y - size, 2 * size, 2 * size), theme.even)]
        case "undecided":
            return [Disc(x, y, size, theme.ground, theme.even, 3.0)]
        case "interval":
            ends = (((x + d, y - 0.8 * size), (x + d, y + 0.8 * size)) for d in (-size, size))
            bars = [Line(end, theme.even, 0.3 * size) for end in ends]
            return [Line(((x - size, y), (x + size, y)), theme.even, 0.5 * size), *bars]
        case "normal":
            band = rectangle(x - 1.4 * size, y - size, 2.8 * size, 2 * size)
            return [Shape(band, blend(theme.ground, theme.even, 0.45))]
        case "fitted":
            return [Shape(rectangle(x - 1.4 * size, y - 0.4 * size, 2.8 * size, 0.8 * size), theme.fitted)]
        case "chord":
            return [
                Line(((x - 1.4 * size, y), (x + 1.4 * size, y)), theme.fitted, 3.0, dashed=True),
                Shape(_arrow_head((x - 1.4 * size, y), (x + 1.4 * size, y), 0.5 * size), theme.fitted),
            ]
        case _:
            place = (x - 1.6 * size, y - 1.2 * size, 3.2 * size, 2.4 * size)
            return [
                Text(*place, "(1)", 1.7 * size, theme.ink, True, align="centre", upright="middle", least=6)
            ]


def spoken(places: Sequence[Seat], choice: Choice | None, fitted: Sequence[FittedPart]) -> str:
    """The same in words."""
    parts = [choice.name + "." if choice is not None else "Nothing is compared yet."]
    for seat in places:
        balance = balance_at(choice.comparison if choice is not None else None, seat)
        if balance is not None and balance.deviation is not None:
            verdict = f", {balance.verdict}" if balance.verdict else ""
            parts.append(f"Cylinder {seat.label}: {signed(balance.deviation)} per cent{verdict}.")
    parts += [f"Fitted in cylinder {p.cylinder}: {_part_words(p)}." for p in fitted]
    disturbed = disturbed_cylinders(choice)
    if disturbed:
        parts.append(f"Disturbed: {', '.join(map(str, disturbed))}.")
    return " ".join(parts)
