"""Two judged files beside each other."""

from __future__ import annotations

from evenstroke_dsp.comparing import TwoCranks, compare

from .judging import JudgedFile


def compare_judged(first: JudgedFile, second: JudgedFile) -> TwoCranks:
    """Like for like first, then the differences."""
    return compare(first.judgement, first.setup, second.judgement, second.setup)
