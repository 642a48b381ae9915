"""How far a comparison can be trusted, and what that is due to, in words. No Qt here."""

from __future__ import annotations

from collections.abc import Iterable

from evenstroke_dsp.messages import Trust

_BECAUSE = {
    "clipped_for_a_while": "cycles left out in which it was cut off",
    "halves_differ": "which half is off cannot be told",
    "low_corner_unknown": "the probe's low corner is not known",
    "no_compression": "no rhythm of compression shows",
    "not_measured": "not measured in any cycle",
    "plug_removed": "a plug is out",
    "silent_for_a_while": "cycles left out in which it was silent",
    "verdict_withdrawn": "a verdict was withdrawn",
    "wheel_gap": "hidden by the wheel's gap",
}
"""Those that do not say by themselves what they mean."""
LOUD_WORDS: dict[Trust, str] = {
    "clean": "clean",
    "limited": "LIMITED",
    "disturbed": "DISTURBED by what is fitted",
}


def because_words(codes: Iterable[str]) -> str:
    """ "added volume, a plug is out"; empty for none."""
    return ", ".join(_BECAUSE.get(code, code.replace("_", " ")) for code in codes)


def with_reasons(words: str, codes: Iterable[str]) -> str:
    """ "limited (clipped, noisy)"."""
    because = because_words(codes)
    return f"{words} ({because})" if because else words
