"""Colours, sizes and the fonts' files: the same on every machine, in dark and in light. No Qt here.

Colours are those of Okabe and Ito, "Color Universal Design: How to make figures and presentations that are
friendly to colorblind people" (2002, revised 2008), the set of eight. No meaning rests on a colour alone: a shape or a
word stands beside it.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from pathlib import Path

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"
OKABE_ITO = (BLACK, ORANGE, SKY_BLUE, BLUISH_GREEN, YELLOW, BLUE, VERMILLION, REDDISH_PURPLE)

FONT = "DejaVu Sans"
_FONT_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")

_HIGH, _WIDE = 720.0, 1280.0
"""Logical pixels of the smallest window in which type has its nominal size."""
TYPE_SCALES = (1.0, 1.25, 1.5, 2.0)
"""Nominal, and larger for who stands farther away."""


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours by what they are for.

    ground: behind everything; panel: behind a part. ink: text; quiet: text of less weight; rule: thin lines.
    smaller, larger, even: deviations. fitted: what is fitted, and what it disturbs. alarm: behind a word that must
    be obeyed now, on_alarm: that word. traces: lines of probes, told apart by their names beside them.
    """

    name: str
    ground: str
    panel: str
    ink: str
    quiet: str
    rule: str
    smaller: str
    larger: str
    even: str
    fitted: str
    alarm: str
    on_alarm: str
    traces: tuple[str, ...]


LIGHT = Theme(
    name="light",
    ground="#FFFFFF",
    panel="#EFEFEA",
    ink=BLACK,
    quiet="#4A4A4A",
    rule="#9A9A96",
    smaller=BLUE,
    larger=VERMILLION,
    even="#6E6E6A",
    fitted="#A8528A",  # REDDISH_PURPLE, darkened: its own contrast with white is under 3
    alarm=BLACK,
    on_alarm=YELLOW,
    traces=(BLUE, VERMILLION, "#00795A", "#A8528A", BLACK, "#9A6A00"),
)
DARK = Theme(
    name="dark",
    ground="#14161A",
    panel="#23262C",
    ink="#F4F4F0",
    quiet="#C0C2C4",
    rule="#6F747A",
    smaller=SKY_BLUE,
    larger=ORANGE,
    even="#A9ADB2",
    fitted=REDDISH_PURPLE,
    alarm=YELLOW,
    on_alarm=BLACK,
    traces=(SKY_BLUE, ORANGE, "#2FC39B", REDDISH_PURPLE, "#F4F4F0", YELLOW),
)
THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


@dataclass(frozen=True, slots=True)
class Look:
    """A theme, and how large type is against its nominal size."""

    theme: Theme = LIGHT
    type_scale: float = 1.0

    def px(self, nominal: float, width: float, height: float) -> float:
        """Type of a nominal size, pixels at 1280 x 720, in a window of this size, logical pixels."""
        return nominal * self.type_scale * min(width / _WIDE, height / _HIGH)


def font_files() -> tuple[Path, ...]:
    """The fonts that every window uses, shipped with matplotlib; found without importing it."""
    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None, "matplotlib is required by evenstroke itself"
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return tuple(folder / name for name in _FONT_FILES)


def blend(colour: str, other: str, share: float) -> str:
    """A colour between two, "#RRGGBB": `share` 0 gives the first, 1 the second. Linear in the coded values."""
    pairs = zip(_rgb(colour), _rgb(other), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * share):02X}" for a, b in pairs)


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def contrast(colour: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21: W3C, WCAG 2.1, "contrast ratio" and "relative luminance"."""
    light, dark = sorted((_luminance(colour), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = [c / 255.0 for c in _rgb(colour)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b
