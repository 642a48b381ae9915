"""Puts a `Picture` on anything that Qt paints on: a widget, a PNG, an SVG."""

from __future__ import annotations

import functools
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontDatabase,
    QFontMetricsF,
    QImage,
    QPaintEngine,
    QPainter,
    QPen,
    QPolygonF,
    QTextOption,
)
from PySide6.QtSvg import QSvgGenerator
from shiboken6 import VoidPtr

from evenstroke_viewer.drawing import BREAK, Curve, Disc, Envelope, Line, Picture, Shape, Text
from evenstroke_viewer.look import FONT, font_files

_ALIGN = {
    "left": Qt.AlignmentFlag.AlignLeft,
    "centre": Qt.AlignmentFlag.AlignHCenter,
    "right": Qt.AlignmentFlag.AlignRight,
}
_UPRIGHT = {
    "top": Qt.AlignmentFlag.AlignTop,
    "middle": Qt.AlignmentFlag.AlignVCenter,
    "bottom": Qt.AlignmentFlag.AlignBottom,
}
_JOINER = "\N{WORD JOINER}"
_UNIT = re.compile(r"(\d) (%|s|ms|V|A|Hz|rpm|ppm|dB|cc|m|mm|kPa|bar|psi|inHg|°C)(?=$|[\s.,;:)])")
_SMALLER = 0.94
"""How much a text shrinks at each try to fit its box."""


@functools.cache
def load_fonts() -> None:
    """Make the fonts known to Qt, once. Raises OSError where one is missing."""
    for path in font_files():
        if QFontDatabase.addApplicationFont(str(path)) < 0:
            raise OSError(f"this font cannot be loaded: {path}")


def font(size_px: float, *, bold: bool = False) -> QFont:
    """The one font that all windows use, at a size in logical pixels."""
    made = QFont(FONT)
    made.setPixelSize(max(1, round(size_px)))
    made.setBold(bold)
    return made


def fitting_size(text: Text) -> tuple[int, bool]:
    """The largest size, pixels, at which a text fits its box, not above what it asks for; whether it fits at all."""
    return _fitting(text.words, text.bold, text.width, text.height, text.size, text.least)


@functools.lru_cache(maxsize=4096)
def _fitting(
    words: str, bold: bool, width: float, height: float, size: float, least: float
) -> tuple[int, bool]:
    while True:
        whole = max(1, math.floor(size))
        if _fits(words, QFontMetricsF(font(whole, bold=bold)), width, height):
            return whole, True
        if whole <= least:
            return whole, False
        size = max(least, size * _SMALLER)


def _fits(words: str, metrics: QFontMetricsF, width: float, height: float) -> bool:
    words = _joined(words)
    longest = max((metrics.horizontalAdvance(word) for word in _unbreakable(words)), default=0.0)
    if longest > width:
        return False
    needs = metrics.boundingRect(QRectF(0, 0, width, 1e6), Qt.TextFlag.TextWordWrap, words)
    return bool(needs.height() <= height + 0.5 and needs.width() <= width + 0.5)


@functools.lru_cache(maxsize=4096)
def _joined(words: str) -> str:
    """What no line breaks within, joined: Qt would break an address behind each slash, and a number from its unit."""
    return _UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", words.replace("/", f"/{_JOINER}"))


def _unbreakable(words: str) -> list[str]:
    """What no line may break within; a no-break space is no break, a zero-width one is."""
    return words.replace("\n", " ").replace(BREAK, " ").split(" ")


def paint(painter: QPainter, picture: Picture) -> list[Text]:
    """Paint it all; returns the texts that did not fit their boxes even at their least size, for tests."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillRect(QRectF(0, 0, picture.width, picture.height), QColor(picture.ground))
    unfit = []
    for item in picture.items:
        match item:
            case Line():
                painter.setPen(_pen(item.colour, item.width, dashed=item.dashed))
                painter.setBrush(Qt.BrushStyle.NoBrush)
                polygon = QPolygonF([QPointF(*point) for point in item.points])
                if item.closed:
                    painter.drawPolygon(polygon)
                else:
                    painter.drawPolyline(polygon)
            case Curve():
                _draw_curve(painter, item)
            case Envelope():
                _draw_envelope(painter, item)
            case Shape():
                painter.setPen(_pen(item.outline, 1.0))
                painter.setBrush(QBrush(QColor(item.fill)))
                painter.drawPolygon(QPolygonF([QPointF(*point) for point in item.points]))
            case Disc():
                painter.setPen(_pen(item.outline, item.width, dashed=item.dashed))
                painter.setBrush(QBrush(QColor(item.fill)) if item.fill else Qt.BrushStyle.NoBrush)
                painter.drawEllipse(QPointF(item.x, item.y), item.radius, item.radius)
            case Text():
                if not _write(painter, item):
                    unfit.append(item)
    return unfit


def _draw_curve(painter: QPainter, curve: Curve) -> None:
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)
    painter.setPen(_pen(curve.colour, 1.0))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for polygon in unbroken(curve):
        painter.drawPolyline(polygon)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)


def _draw_envelope(painter: QPainter, envelope: Envelope) -> None:
    """As an image that numpy fills, which costs a quarter of drawing as many lines; as lines where there are no pixels."""
    if painter.paintEngine().type() == QPaintEngine.Type.SVG:
        curve = envelope.as_curve()
        for k in range(round(envelope.thick)):
            _draw_curve(painter, Curve(curve.xs, curve.ys + k, curve.colour))
        return
    ratio = painter.device().devicePixelRatioF()
    left, filled = envelope_pixels(envelope, ratio)
    if filled is None:
        return
    top, pixels = filled
    high, wide = pixels.shape
    image = QImage(pixels.data, wide, high, 4 * wide, QImage.Format.Format_ARGB32_Premultiplied)
    image.setDevicePixelRatio(ratio)
    painter.drawImage(QPointF(left / ratio, top / ratio), image)


def envelope_pixels(
    envelope: Envelope, ratio: float
) -> tuple[int, tuple[int, npt.NDArray[np.uint32]] | None]:
    """Device pixels, ratio to each logical one: where they begin from the left, and from above with their colours, shape
    (high, wide), 0 where nothing is drawn; None: nothing is."""
    left = round(envelope.x * ratio)
    step = envelope.step * ratio
    columns = (np.arange(round(envelope.tops.size * step)) / step).astype(np.intp)
    columns = np.minimum(columns, envelope.tops.size - 1)
    known = np.isfinite(envelope.tops)
    if not columns.size or not known.any():
        return left, None
    tops = np.floor(np.where(known, envelope.tops, 0.0) * ratio + 0.5).astype(np.int32)
    ends = tops + max(1, round(envelope.thick * ratio))
    ends = np.maximum(
        ends, np.floor((np.where(known, envelope.bottoms, 0.0) + envelope.thick) * ratio).astype(np.int32)
    )
    first, last = int(tops[known].min()), int(ends[known].max())
    ends[~known] = tops[~known] = first
    rows = np.arange(first, last, dtype=np.int32)[:, None]
    inside = (rows >= tops[columns]) & (rows < ends[columns])
    return left, (first, inside * np.uint32(QColor(envelope.colour).rgba()))


def unbroken(curve: Curve) -> list[QPolygonF]:
    """A curve's parts between the points that are NaN."""
    points = np.stack([curve.xs, curve.ys], axis=1).astype(np.float64)
    known = np.isfinite(points).all(axis=1)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [_polygon(points[a:b]) for a, b in ends.reshape(-1, 2).tolist()]


def _polygon(points: npt.NDArray[np.float64]) -> QPolygonF:
    """points: shape (n, 2). Copied as a block: Qt's points are pairs of doubles, and one by one they cost ten times more."""
    polygon = QPolygonF()
    polygon.resize(len(points))
    memory: Any = VoidPtr(polygon.data(), points.nbytes, True)  # type: ignore[call-arg, arg-type]  # as shiboken documents it
    np.frombuffer(memory, dtype=np.float64).reshape(-1, 2)[:] = points
    return polygon


def _pen(colour: str | None, width: float, *, dashed: bool = False) -> QPen:
    if colour is None:
        return QPen(Qt.PenStyle.NoPen)
    pen = QPen(QColor(colour), width)
    if dashed:
        pen.setStyle(Qt.PenStyle.DashLine)
    return pen


def _write(painter: QPainter, text: Text) -> bool:
    if not text.words:
        return True
    size, fits = fitting_size(text)
    painter.setFont(font(size, bold=text.bold))
    painter.setPen(QColor(text.colour))
    option = QTextOption(_ALIGN[text.align] | _UPRIGHT[text.upright])
    option.setWrapMode(QTextOption.WrapMode.WordWrap)
    painter.drawText(QRectF(text.x, text.y, text.width, text.height), _joined(text.words), option)
    return fits


def save_png(picture: Picture, path: Path, *, ratio: float = 2.0) -> None:
    """ratio: pixels for each logical pixel. Raises OSError where it cannot be written."""
    image = QImage(
        round(picture.width * ratio), round(picture.height * ratio), QImage.Format.Format_ARGB32_Premultiplied
    )
    image.setDevicePixelRatio(ratio)
    painter = QPainter(image)
    paint(painter, picture)
    painter.end()
    if not image.save(str(path)):
        raise OSError(f"this picture cannot be written: {path}")


def save_svg(picture: Picture, path: Path, title: str) -> None:
    """Raises OSError where it cannot be written."""
    generator = QSvgGenerator()
    generator.setFileName(str(path))
    generator.setSize(QSize(round(picture.width), round(picture.height)))
    generator.setViewBox(QRectF(0, 0, picture.width, picture.height))
    generator.setTitle(title)
    generator.setDescription(picture.words)
    painter = QPainter()
    if not painter.begin(generator):
        raise OSError(f"this picture cannot be written: {path}")
    paint(painter, picture)
    painter.end()
