"""What a view draws, as data: lines, shapes and texts in logical pixels. No Qt here.

A view's own module works a `Picture` out; one painter of windows/ puts any of them on a screen, into a PNG or an SVG. So what
is shown, and where, is tested without a screen, and drawn anew only when it has changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Point = tuple[float, float]
BREAK = "\N{ZERO WIDTH SPACE}"
"""In a text: a line may end here, as between two words."""


@dataclass(frozen=True, slots=True)
class Box:
    """A part of a picture."""

    x: float
    y: float
    wide: float
    high: float

    @property
    def edges(self) -> tuple[float, float, float, float]:
        """As texts and rectangles take it."""
        return self.x, self.y, self.wide, self.high

    def inside(self, sides: float, ends: float) -> Box:
        """What is left of it, so far from its sides and from its upper and lower end."""
        return Box(self.x + sides, self.y + ends, self.wide - 2 * sides, self.high - 2 * ends)

    def rows(self, *shares: float) -> tuple[Box, ...]:
        """Parts of its height, one below the other."""
        tops = [sum(shares[:k]) for k in range(len(shares))]
        return tuple(
            Box(self.x, self.y + top * self.high, self.wide, share * self.high)
            for top, share in zip(tops, shares, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points; closed: back to the first one."""

    points: tuple[Point, ...]
    colour: str
    width: float = 1.0
    dashed: bool = False
    closed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A line through many points, xs and ys of shape (n,); NaN breaks it. One pixel wide and not smoothed, since anything
    else costs most of the frame rate. Of a waveform with several samples to a pixel see `Envelope`."""

    xs: npt.NDArray[np.float64]
    ys: npt.NDArray[np.float64]
    colour: str


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """A waveform of many samples, column by column: each filled from `tops` to `bottoms`, ys of shape (n,), NaN where there is
    nothing. x: where the first column begins; step: how wide one is; thick: how high a level line is."""

    x: float
    step: float
    tops: npt.NDArray[np.float64]
    bottoms: npt.NDArray[np.float64]
    colour: str
    thick: float = 1.0

    def as_curve(self) -> Curve:
        """A line that touches both ends of each column, for what is drawn with lines only."""
        k = np.arange(self.tops.size)
        up = k % 2 == 0
        ys = np.stack([np.where(up, self.tops, self.bottoms), np.where(up, self.bottoms, self.tops)], axis=1)
        xs = self.x + self.step * (np.repeat(k, 2) + np.tile([0.25, 0.75], k.size))
        return Curve(xs, ys.ravel(), self.colour)


@dataclass(frozen=True, slots=True)
class Shape:
    """A filled polygon."""

    points: tuple[Point, ...]
    fill: str
    outline: str | None = None


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle around (x, y)."""

    x: float
    y: float
    radius: float
    fill: str | None = None
    outline: str | None = None
    width: float = 1.0
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """Words in a box. They wrap, and shrink from `size` to `least` pixels until they fit; they are never cut."""

    x: float
    y: float
    width: float
    height: float
    words: str
    size: float
    colour: str
    bold: bool = False
    align: Literal["left", "centre", "right"] = "left"
    upright: Literal["top", "middle", "bottom"] = "top"
    least: float = 9.0


@dataclass(frozen=True, slots=True)
class Spot:
    """A place that answers a click or a key: `name` says to the view what is there, `words` to the reader."""

    x: float
    y: float
    width: float
    height: float
    name: str
    words: str


Item = Line | Curve | Envelope | Shape | Disc | Text


@dataclass(frozen=True, slots=True)
class Picture:
    """All that a view shows. words: the same for who cannot see it (read out by a screen reader)."""

    width: float
    height: float
    ground: str
    items: tuple[Item, ...]
    words: str = ""
    spots: tuple[Spot, ...] = ()

    @property
    def texts(self) -> tuple[str, ...]:
        return tuple(item.words for item in self.items if isinstance(item, Text))


def rectangle(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def around(x: float, y: float, radius: float, degrees: float) -> Point:
    """The point at an angle on a circle; 0 is up, angles grow clockwise."""
    angle = math.radians(degrees)
    return x + radius * math.sin(angle), y - radius * math.cos(angle)


def arc(x: float, y: float, radius: float, from_deg: float, to_deg: float) -> tuple[Point, ...]:
    """Points along a part of a circle, a step every few degrees; angles as in `around`."""
    steps = max(2, math.ceil(abs(to_deg - from_deg) / 3.0) + 1)
    return tuple(around(x, y, radius, from_deg + (to_deg - from_deg) * k / (steps - 1)) for k in range(steps))


def triangle(x: float, y: float, size: float, *, up: bool) -> tuple[Point, ...]:
    """The mark of larger (pointing up) and smaller (pointing down), centred on (x, y)."""
    tip = -size if up else size
    return ((x, y + tip), (x - size, y - tip * 0.8), (x + size, y - tip * 0.8))
