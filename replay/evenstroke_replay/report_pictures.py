"""The report's pictures, as SVG that takes its colours from the page around it.

No picture contains a user's text: names stand in the page, where they are escaped. A shape or
a number carries every meaning; colour only repeats it. Colours of marks are of M. Okabe and
K. Ito, "Color Universal Design" (2008); the carpet's are ColorBrewer's PuOr (C. Brewer).
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
import numpy.typing as npt
from evenstroke_dsp.messages import Comparison, CylinderBalance
from evenstroke_dsp.pressure_trace import PressureTrace
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

# Drawn in colours that nothing else uses, then replaced by what the page's style sheet says, so
# that one picture serves light, dark and paper.
INK, MARK, ODD, BAND, FAINT, PAPER = "#010101", "#010102", "#010103", "#010104", "#010105", "#010106"
_CSS_COLOUR = {
    INK: "currentColor",
    MARK: "var(--mark)",
    ODD: "var(--odd)",
    BAND: "var(--band)",
    FAINT: "var(--faint)",
    PAPER: "var(--paper)",
}

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "evenstroke",
    "text.parse_math": False,
    "font.size": 9,
    "axes.unicode_minus": True,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.7,
}

MARKER_OF_VERDICT: dict[str | None, str] = {
    "smaller": "v",
    "larger": "^",
    "even": "o",
    "undecided": "D",
    None: "s",
}
"""Triangle down: smaller; up: larger; dot: even; open diamond: undecided; square: no verdict is given."""

PHONE_WIDTH_IN = 4.0
"""Small pictures are drawn this wide, so that 9 point letters stay readable on a telephone."""

CARPET_CYCLES = 60
"""The most cycles that one carpet shows; longer recordings show their last ones."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PulseMark:
    """One pulse in a waveform: its label, its two ends in seconds, and whether it is an odd one."""

    label: str
    from_s: float
    to_s: float
    odd: bool
    left_out: bool


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A stretch of one probe's conditioned waveform. times and values: shape (samples,); NaN where lost."""

    times: Floats
    values: Floats
    unit: str
    pulses: tuple[PulseMark, ...]


_ROOM_FOR_A_MARK = 1.12
"""Of the farthest deviation to the picture's edge: half a mark is as wide as 6 % of that."""


def balance_picture(comparison: Comparison, labels: Sequence[str], even_margin: float) -> str:
    """Each cylinder's deviation as a mark with its 95 % interval, one row each.

    labels: a row's name, in the order of comparison.cylinders. even_margin: half width of the
    band that counts as even, in the comparison's unit; 0 draws none.
    """
    rows = comparison.cylinders
    unit = "%" if comparison.unit == "percent" else "crank degrees"
    height = 0.55 + 0.36 * len(rows)
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(PHONE_WIDTH_IN, height))
        axes = figure.add_axes((0.15, 0.45 / height, 0.43, 0.36 * len(rows) / height))
        if even_margin:
            axes.axvspan(-even_margin, even_margin, color=BAND, linewidth=0)
        axes.axvline(0, color=FAINT, linewidth=0.8)
        for row, balance in enumerate(rows):
            _draw_row(axes, row, balance)
            axes.text(1.03, row, _row_words(balance, unit), transform=axes.get_yaxis_transform(), va="center")
        reach = max([even_margin * 1.25, 1e-9, *(_reach(balance) for balance in rows)])
        axes.set_xlim(-reach * _ROOM_FOR_A_MARK, reach * _ROOM_FOR_A_MARK)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_yticks(range(len(rows)), labels)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("% of the mean" if comparison.unit == "percent" else unit)
        return _svg(figure)


def _draw_row(axes: matplotlib.axes.Axes, row: int, balance: CylinderBalance) -> None:
    if balance.normal is not None:
        width = balance.normal.high - balance.normal.low
        axes.add_patch(
            Rectangle(
                (balance.normal.low, row - 0.3),
                width,
                0.6,
                fill=False,
                edgecolor=INK,
                linestyle=":",
                linewidth=0.9,
            )
        )
    if balance.predicted is not None:
        width = balance.predicted.high - balance.predicted.low
        axes.add_patch(
            Rectangle(
                (balance.predicted.low, row - 0.2),
                width,
                0.4,
                fill=False,
                edgecolor=INK,
                hatch="////",
                linewidth=0.7,
            )
        )
    if balance.deviation is None:
        return
    colour = ODD if balance.verdict in ("smaller", "larger") else MARK
    if balance.low is not None and balance.high is not None:
        dashes = "-" if balance.trust == "clean" else (0, (3, 1.5))
        axes.plot(
            [balance.low, balance.high],
            [row, row],
            color=colour,
            linewidth=2,
            linestyle=dashes,
            solid_capstyle="butt",
        )
        axes.plot(
            [balance.low, balance.high], [row, row], color=colour, linestyle="", marker="|", markersize=13
        )
    filled = balance.verdict != "undecided"
    axes.plot(
        [balance.deviation],
        [row],
        marker=MARKER_OF_VERDICT[balance.verdict],
        markersize=7.5,
        markeredgewidth=0.7 if filled else 1.2,
        markerfacecolor=colour if filled else PAPER,
        markeredgecolor=PAPER if filled else colour,
        linestyle="",
    )


def _row_words(balance: CylinderBalance, unit: str) -> str:
    if balance.deviation is None:
        return "not measured"
    number = signed(balance.deviation)
    sign = "%" if unit == "%" else "°"
    return f"{number} {sign}  {balance.verdict or ''}".rstrip()


def signed(number: float) -> str:
    """One decimal with its sign, except for nothing: "+1.2", "−0.3", "0.0"."""
    text = f"{number:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text.replace("-", "\N{MINUS SIGN}")


def _reach(balance: CylinderBalance) -> float:
    ends = [balance.deviation, balance.low, balance.high]
    if balance.normal is not None:
        ends += [balance.normal.low, balance.normal.high]
    if balance.predicted is not None:
        ends += [balance.predicted.low, balance.predicted.high]
    return max((abs(end) for end in ends if end is not None), default=0.0)


def pulses_picture(trace: Trace, cycle_bounds_s: Sequence[float]) -> str:
    """A few cycles of one probe's waveform, each pulse labelled; odd ones framed and labelled bold."""
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(8.2, 2.2))
        axes = figure.add_axes((0.075, 0.2, 0.9, 0.62))
        for bound in cycle_bounds_s:
            axes.axvline(bound, color=FAINT, linewidth=0.8, linestyle="--")
        axes.plot(trace.times, trace.values, color=MARK, linewidth=1.2)
        for pulse in trace.pulses:
            if pulse.odd:
                axes.axvspan(
                    pulse.from_s, pulse.to_s, facecolor="none", edgecolor=ODD, hatch="///", linewidth=1.0
                )
            ends = np.array([pulse.from_s, pulse.to_s])
            axes.plot(
                ends,
                np.interp(ends, trace.times, trace.values),
                color=INK,
                linestyle="",
                marker=".",
                markersize=5,
            )
            axes.text(
                (pulse.from_s + pulse.to_s) / 2,
                1.03,
                f"[{pulse.label}]" if pulse.left_out else pulse.label,
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                color=ODD if pulse.odd else INK,
                fontweight="bold" if pulse.odd else "normal",
            )
        axes.set_xlim(cycle_bounds_s[0], cycle_bounds_s[-1])
        axes.margins(y=0.08)
        axes.set_xlabel("seconds of the recording")
        axes.set_ylabel(trace.unit)
        return _svg(figure)


@dataclass(frozen=True, slots=True)
class AngleMark:
    """A valve event on a trace by crank angle: its place and 95 % interval, degrees, and a number in the picture."""

    label: str
    deg: float
    low: float
    high: float


def pressure_picture(trace: PressureTrace, marks: Sequence[AngleMark]) -> str:
    """A cylinder's pressure over its own 720 degrees: the whole of it above, what lies near the atmosphere below.

    The line is the mean cycle, the ground the lowest and highest of all; events are numbered bars under their
    intervals.
    """
    # From 180 degrees before the firing TDC on, so that the peak stands inside the picture.
    order = np.roll(np.arange(trace.deg.size), 180)
    deg = np.where(trace.deg[order] >= 540, trace.deg[order] - 720.0, trace.deg[order])
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(8.2, 4.4))
        whole = figure.add_axes((0.09, 0.6, 0.88, 0.37))
        near = figure.add_axes((0.09, 0.11, 0.88, 0.36))
        for axes in (whole, near):
            axes.fill_between(deg, trace.lowest[order], trace.highest[order], color=BAND, linewidth=0)
            axes.plot(deg, trace.mean[order], color=MARK, linewidth=1.3)
            axes.axvline(0, color=FAINT, linewidth=0.8, linestyle="--")
            axes.axhline(0, color=FAINT, linewidth=0.8)
            axes.set_xlim(-180, 540)
            axes.set_xticks(range(-180, 541, 60))
            axes.set_ylabel(trace.unit)
        reach = 1.25 * max(1e-9, -float(trace.lowest.min()))
        near.set_ylim(-reach, 1.3 * reach)
        for k, mark in enumerate(marks):
            height = (0.2 + 0.33 * (k % 3)) * reach  # two sources of one event lie on top of each other else
            at = mark.deg - 720.0 if mark.deg >= 540 else mark.deg
            low, high = at - (mark.deg - mark.low), at + (mark.high - mark.deg)
            near.plot([low, high], [height] * 2, color=INK, linewidth=2, solid_capstyle="butt")
            near.plot([at, at], [-reach, height], color=INK, linewidth=0.9, linestyle=":")
            near.text(at, height + 0.03 * reach, mark.label, ha="center", va="bottom", fontweight="bold")
        near.set_xlabel("crank degrees after the cylinder's own firing TDC")
        return _svg(figure)


def carpet_picture(deviations: Floats, columns: Sequence[str], first_cycle: int, even_margin: float) -> str:
    """Every pulse as one cell, cycles downwards: what repeats is a stripe, a one-off is a single cell.

    deviations: per cent of the same cycle's mean, shape (cycles, columns); NaN where a pulse was
    left out, drawn as a cross. Cells beyond the even margin carry a triangle.
    """
    cycles, count = deviations.shape
    height = 0.3 + 0.15 * cycles + 0.12
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(PHONE_WIDTH_IN, height))
        axes = figure.add_axes((0.13, 0.1 / height, 0.56, 0.15 * cycles / height))
        finite = np.abs(deviations[np.isfinite(deviations)])
        limit = max(2.0 * even_margin, float(np.percentile(finite, 98)) if finite.size else 0.0)
        axes.pcolormesh(
            np.arange(count + 1) + 0.5,
            np.arange(first_cycle, first_cycle + cycles + 1) - 0.5,
            np.ma.masked_invalid(np.clip(deviations, -limit, limit)),
            cmap="PuOr_r",
            norm=Normalize(-limit * 1.7, limit * 1.7),  # the palest part, on which black shows
            edgecolors=FAINT,
            linewidth=0.4,
        )
        for marker, where in (
            ("v", deviations < -even_margin),
            ("^", deviations > even_margin),
            ("x", ~np.isfinite(deviations)),
        ):
            cycle, column = np.nonzero(where)
            # black on the carpet's own pale cells in either theme, but a left-out cell has no ground
            colour = INK if marker == "x" else "#000000"
            axes.plot(column + 1, cycle + first_cycle, marker, color=colour, markersize=4, linestyle="")
        axes.set_xlim(0.5, count + 0.5)
        axes.set_ylim(first_cycle + cycles - 0.5, first_cycle - 0.5)
        axes.xaxis.tick_top()
        axes.set_xticks(range(1, count + 1), columns)
        axes.tick_params(length=0)
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_ylabel("cycle")
        axes.text(1.05, 1.0, f"▲ over +{even_margin:g} %", transform=axes.transAxes, va="top")
        axes.text(1.05, 1.0, f"\n▼ under \N{MINUS SIGN}{even_margin:g} %", transform=axes.transAxes, va="top")
        axes.text(1.05, 1.0, "\n\n× left out", transform=axes.transAxes, va="top")
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        return _svg(figure)


def _svg(figure: Figure) -> str:
    FigureCanvasSVG(figure)
    buffer = io.StringIO()
    no_metadata = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    figure.savefig(buffer, format="svg", transparent=True, metadata=no_metadata)
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    for drawn, css in _CSS_COLOUR.items():
        svg = svg.replace(drawn, css)
    # Group names repeat from picture to picture; only what is referred to may keep its id.
    referred = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", svg))
    svg = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in referred else "", svg)
    svg = re.sub(r"\s*<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\n?", "", svg, flags=re.DOTALL)
    # without a size of its own it takes the width that the page gives it
    return re.sub(r'(?<=[" ])(?:width|height)="[^"]*pt" ?', "", svg, count=2)
