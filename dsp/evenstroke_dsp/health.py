"""Signal health of each probe, before anything is judged from it."""

from __future__ import annotations

from collections import deque

import numpy as np

from .blocks import Floats
from .messages import ProbeHealth
from .setup import EDGE_ROLES, Probe

MEMORY_S = 2.0
_MAD_TO_SIGMA = 1.4826
_DEAD_OVER_NOISE = 8.0
"""Extremes of white noise alone lie within 8 sigma of each other over some thousand samples."""
_FLAT_SAMPLES = 4
_CLIPPED_SHARE = 0.002


class ProbeWatch:
    """Follows one sampled probe's extremes, noise and flat tops over the last two seconds."""

    def __init__(self, probe: Probe, rate_hz: float, frame: int) -> None:
        self.probe = probe
        keep = max(1, round(MEMORY_S * rate_hz / frame))
        self._lows: deque[float] = deque(maxlen=keep)
        self._highs: deque[float] = deque(maxlen=keep)
        self._noises: deque[float] = deque(maxlen=keep)
        self._flat: deque[tuple[float, float, int, int]] = deque(maxlen=keep)

    def push(self, values: Floats) -> None:
        """One frame in the probe's unit, shape (samples,); NaN = lost."""
        good = values[~np.isnan(values)]
        if good.size < 8:
            return
        low, high = float(good.min()), float(good.max())
        self._lows.append(low)
        self._highs.append(high)
        self._noises.append(float(np.median(np.abs(np.diff(good)))) * _MAD_TO_SIGMA / float(np.sqrt(2.0)))
        self._flat.append((low, high, _longest_run(good == low), _longest_run(good == high)))

    def report(self, *, turning: bool) -> ProbeHealth:
        """What can be said now; a still engine says nothing of a pulse probe."""
        if not self._lows:
            return probe_health(self.probe, "waiting", (), "No samples yet.")
        low, high = min(self._lows), max(self._highs)
        noise = float(np.median(self._noises))
        clipped = self._clipped_share(low, high)
        problems: list[str] = []
        if turning and high - low <= max(_DEAD_OVER_NOISE * noise, 1e-9):
            problems.append("dead")
        if turning and self.probe.role not in EDGE_ROLES and clipped > _CLIPPED_SHARE:
            problems.append("clipped")
        state = "bad" if "dead" in problems else "doubtful" if problems else "good" if turning else "waiting"
        return ProbeHealth(
            probe=self.probe.name,
            role=self.probe.role,
            unit=self.probe.unit,
            state=state,  # type: ignore[arg-type]  # one of the words above
            problems=tuple(problems),
            advice=_ADVICE.get(problems[0], "")
            if problems
            else ("" if turning else "The engine is at rest."),
            low=low,
            high=high,
            noise_rms=noise,
            clipped_share=clipped,
            events=None,
        )

    def _clipped_share(self, low: float, high: float) -> float:
        """Share of frames with a flat top or bottom at the very extreme; real extremes are single samples."""
        swing = high - low
        if swing <= 0:
            return 0.0
        flat = sum(
            1
            for frame_low, frame_high, at_low, at_high in self._flat
            if frame_high - frame_low > swing / 10
            and (
                (frame_low == low and at_low >= _FLAT_SAMPLES)
                or (frame_high == high and at_high >= _FLAT_SAMPLES)
            )
        )
        return flat / len(self._flat)


_ADVICE = {
    "dead": "No signal stands out of the noise: check the plug, the cable, the hose and the probe's supply.",
    "clipped": "The signal is cut off at its end: turn the gain down or fit a restrictor, then record again.",
    "no_events": "The engine turns but no event comes: check the pick-up's place and its threshold.",
}


def probe_health(
    probe: Probe, state: str, problems: tuple[str, ...], advice: str, events: int | None = None
) -> ProbeHealth:
    """Health of a probe of which only events, or nothing yet, is known."""
    return ProbeHealth(
        probe=probe.name,
        role=probe.role,
        unit=probe.unit,
        state=state,  # type: ignore[arg-type]  # checked by the callers' tests
        problems=problems,
        advice=advice or (_ADVICE.get(problems[0], "") if problems else ""),
        low=None,
        high=None,
        noise_rms=None,
        clipped_share=None,
        events=events,
    )


def _longest_run(flags: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    edges = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    return int((ends - starts).max()) if starts.size else 0
