"""In which cycles was a probe's signal gone, that was there in others?

A cycle is silent where nothing stands out of its noise and what moves is small beside what moved in a cycle in which something
did. Noise alone reaches about a third of that at 12 dB and less above (arithmetic: 4.7 standard deviations of some sixty means
over 10 ms, against a swing of 11 and as much noise), and a signal so weak that it does not stand out is no less than two thirds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from .messages import StretchKind

_SMALL = 0.4
_KEPT = 1000
"""Quiet cycles that are remembered of a stretch: as many as its tables keep."""


@dataclass(frozen=True, slots=True)
class SignalSeen:
    """What moved within one cycle: swing of means over 10 ms, in the probe's unit, and whether it stands out of the noise."""

    swing: float
    stands_out: bool


@dataclass(slots=True)
class SilentCycles:
    """`add` each counted cycle of one probe, in order of time."""

    _largest: float = 0.0
    _quiet: dict[tuple[StretchKind, int], tuple[float, float, float]] = field(default_factory=dict)
    _latest: tuple[StretchKind, int] | None = None

    def add(
        self, kind: StretchKind, number: int, from_s: float, to_s: float, seen: SignalSeen | None
    ) -> bool:
        """Whether this cycle is silent by those so far; number: in its stretch. seen: None where it is not known, which is no
        silence."""
        self._latest = kind, number
        if seen is None:
            return False
        if seen.stands_out:
            self._largest = max(self._largest, seen.swing)
        else:
            self._quiet[kind, number] = (from_s, to_s, seen.swing)
            if len(self._quiet) > _KEPT:
                del self._quiet[next(iter(self._quiet))]
        return self.gone

    @property
    def was_there(self) -> bool:
        """Whether a signal stood out in any cycle."""
        return self._largest > 0.0

    @property
    def gone(self) -> bool:
        """Whether the latest cycle is silent."""
        return self._latest is not None and self._is_silent(self._latest)

    def left_out(self, kind: StretchKind) -> frozenset[int]:
        """Numbers of the silent cycles of a stretch, and of the one on either side, in a part of which it may have been gone."""
        silent = [number for of, number in self._quiet if of == kind and self._is_silent((of, number))]
        return frozenset(number + aside for number in silent for aside in (-1, 0, 1))

    def times(self, kind: StretchKind) -> tuple[tuple[float, float], ...]:
        """When it was gone, seconds, as far as whole cycles of a stretch tell."""
        out: list[tuple[float, float]] = []
        before = None
        for key, (from_s, to_s, _) in self._quiet.items():
            if key[0] == kind and self._is_silent(key):
                if out and before == key[1] - 1:
                    out[-1] = out[-1][0], to_s
                else:
                    out.append((from_s, to_s))
                before = key[1]
        return tuple(out)

    def _is_silent(self, key: tuple[StretchKind, int]) -> bool:
        return key in self._quiet and self._quiet[key][2] < _SMALL * self._largest
