"""What is painted of an envelope: its very columns, at whatever ratio of pixels, and as lines where there are no pixels."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_viewer.drawing import Envelope, Picture
from evenstroke_viewer.windows.painting import paint, save_svg
from PySide6.QtGui import QColor, QImage, QPainter

WIDE, HIGH = 60, 40
INK, GROUND = "#203040", "#ffffff"


@pytest.fixture
def envelope():
    rng = np.random.default_rng(5)
    tops = rng.uniform(2.0, 20.0, 50)
    bottoms = tops + rng.uniform(0.0, 15.0, 50)
    tops[20:24] = bottoms[20:24] = np.nan
    return Envelope(5.0, 1.0, tops, bottoms, INK, thick=2.0)


def painted(envelope, ratio):
    image = QImage(round(WIDE * ratio), round(HIGH * ratio), QImage.Format.Format_ARGB32_Premultiplied)
    image.setDevicePixelRatio(ratio)
    painter = QPainter(image)
    paint(painter, Picture(WIDE, HIGH, GROUND, (envelope,)))
    painter.end()
    ink = QColor(INK).rgba()
    return np.array([[image.pixel(x, y) == ink for x in range(image.width())] for y in range(image.height())])


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0])
def test_each_column_is_filled_from_its_top_to_its_bottom(qapp, envelope, ratio):
    seen = painted(envelope, ratio)
    columns = np.minimum((np.arange(round(50 * ratio)) / ratio).astype(int), 49)
    left = round(5 * ratio)
    assert not seen[:, :left].any() and not seen[:, left + len(columns) :].any()
    for x, k in enumerate(columns):
        rows = np.flatnonzero(seen[:, left + x])
        if np.isnan(envelope.tops[k]):
            assert not rows.size
            continue
        assert rows[0] == pytest.approx(envelope.tops[k] * ratio, abs=1.0)
        assert rows[-1] + 1 == pytest.approx((envelope.bottoms[k] + envelope.thick) * ratio, abs=1.0)
        assert rows.size == rows[-1] - rows[0] + 1


def test_a_level_line_is_as_thick_as_it_should_be(qapp):
    level = Envelope(0.0, 1.0, np.full(60, 10.2), np.full(60, 10.2), INK, thick=2.0)
    assert (painted(level, 1.0).sum(axis=0) == 2).all()


def test_without_anything_known_nothing_is_painted(qapp):
    nothing = np.full(30, np.nan)
    assert not painted(Envelope(0.0, 1.0, nothing, nothing, INK), 1.0).any()


def test_an_svg_has_it_as_lines_broken_where_nothing_is_known(qapp, envelope, tmp_path):
    save_svg(Picture(WIDE, HIGH, GROUND, (envelope,)), tmp_path / "e.svg", "envelope")
    svg = (tmp_path / "e.svg").read_text()
    assert svg.count("<polyline") == 4  # two parts, twice for the thickness
    assert "<image" not in svg
