"""Can it be read: contrasts by the standard's formula, and the published colours as published."""

from __future__ import annotations

import itertools

import pytest
from evenstroke_viewer import look
from evenstroke_viewer.look import DARK, LIGHT, OKABE_ITO, blend, contrast, font_files


def test_contrast_formula():
    # W3C, WCAG 2.1, "contrast ratio": black on white is 21:1, a colour on itself 1:1.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#336699", "#336699") == pytest.approx(1.0)
    # #767676 on white is the lightest grey that passes 4.5:1 (W3C, Understanding SC 1.4.3; from memory).
    assert contrast("#767676", "#FFFFFF") >= 4.5 > contrast("#777777", "#FFFFFF")


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda t: t.name)
def test_text_and_marks_stand_out(theme):
    # WCAG 2.1, SC 1.4.3 (AA): text at least 4.5:1; SC 1.4.11: parts of a picture that carry meaning at least 3:1.
    for ink, ground in itertools.product((theme.ink, theme.quiet), (theme.ground, theme.panel)):
        assert contrast(ink, ground) >= 4.5
    assert contrast(theme.on_alarm, theme.alarm) >= 4.5
    for mark in (theme.smaller, theme.larger, theme.even, theme.fitted, *theme.traces):
        # The light theme's orange is a trace only, and each trace is named beside it.
        assert contrast(mark, theme.ground) >= 3.0, mark


def test_the_palette_is_the_published_one():
    # M. Okabe and K. Ito, Color Universal Design (2008), figure 16: RGB in 0 to 255.
    assert [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in OKABE_ITO] == [
        (0, 0, 0),
        (230, 159, 0),
        (86, 180, 233),
        (0, 158, 115),
        (240, 228, 66),
        (0, 114, 178),
        (213, 94, 0),
        (204, 121, 167),
    ]


def test_smaller_and_larger_are_of_that_set():
    for theme in (LIGHT, DARK):
        assert {theme.smaller, theme.larger} <= set(OKABE_ITO)


def test_blend_runs_from_one_to_the_other():
    assert blend("#000000", "#FFFFFF", 0.0) == "#000000"
    assert blend("#000000", "#FFFFFF", 1.0) == "#FFFFFF"
    assert blend("#102030", "#304050", 0.5) == "#203040"


def test_fonts_are_there():
    assert all(path.is_file() for path in font_files())
    assert look.FONT.replace(" ", "") in font_files()[0].name
