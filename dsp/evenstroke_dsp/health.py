"""Signal health of each probe, before anything is judged from it.

What is measured here needs no crank angle: extremes, noise, what the mains or the starter's
brushes bring in, the steps of the converter, losses. What needs cycles is told by `measurement` and the
trackers, and joined by `with_problems`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from .blocks import Floats
from .clipping import ClippingFinder
from .messages import ProbeHealth
from .setup import EDGE_ROLES, Probe
from .silent_cycles import SignalSeen

MEMORY_S = 2.0
_CYCLES_S = 6.0
"""So long a single cycle can still be asked about: at 40 rpm it lasts three seconds, and is measured a while after its end."""
_MAD_TO_SIGMA = 1.4826
_DEAD_OVER_NOISE = 8.0
"""Extremes of white noise alone lie within 8 sigma of each other over some thousand samples."""
_NOISE_STEPS = 0.5
"""Steps of the converter below which no noise is believed: one that flickers between two or three of them is still in more
than half of its samples, and their median says that there is no noise, so that nothing would ever be dead."""
_PULSE_HZ = 100.0
"""Means over so short a time keep a pulse and leave out noise above 50 Hz: a pulse 18 dB over the noise in its own band
may drown in that of a fast converter, and is judged as well as any."""
_FEWEST_STEPS = 16
"""A pulse over 16 steps has 26 dB of signal over its quantisation noise (arithmetic: 0.35 * 16 / 0.289), which
cycles and filtering better; below that the steps begin to show in single pulses."""
_LOST_SHARE = 0.005
_THINNED_HZ = 1000.0
_LEAST_SPECTRUM_S = 1.0
MAINS_HZ = (50.0, 60.0)
_MAINS_HARMONICS = 3
_LINE_OVER_FLOOR = 6.0
_PICKUP_SHARE = 0.03
"""Amplitude of the mains, as a share of the signal's swing, from which it is said."""
_BRUSH_OVER_REST = 4.0
_BRUSH_SHARE = 0.03
_REST_MEMORIES = 5
"""The starter's brushes spark and fill every frequency: noise while it turns against noise at rest."""
_SLOPES_SHOW_HZ = 2000.0
"""Up to this rate a pulse's own slope moves it from one sample to the next by as much as brushes may: third differences, which
leave it out, are the measure then. Above it they would see only what an amplifier's low-pass has taken away."""

NOISY_DB = 11.0
"""What comes in every cycle over what does not, from which on a pulse is judged: the one limit for noise, of a probe's health and
of verdicts. Below it what noise adds to a pulse is as large as what faults take from it, however long one listens. A signal
10 dB over its noise (RMS, 0.5 to 50 Hz) was measured at 10.5 dB and less from the sixth cycle on, one of 15 dB at 12.3 and more
(simulated threes to eights, tests/bench/accuracy.py --only hopeless --only power-15)."""

WORST_FIRST = (
    "dead", "no_events", "sync_rate", "clipped", "polarity", "not_heard", "noisy", "mains_pickup", "brush_pickup",
    "few_bits", "unfiltered", "sync_irregular", "lost_samples", "polarity_untold", "flat",
)  # fmt: skip
BAD = frozenset({"dead", "no_events", "sync_rate"})
LIMITING = frozenset(
    {"dead", "clipped", "noisy", "mains_pickup", "brush_pickup", "few_bits", "unfiltered", "not_heard"}
)
"""Problems of a probe that its comparisons say they are limited by."""

SHORT_WORDS = {
    "dead": "no signal",
    "no_events": "no events",
    "sync_rate": "wrong pace",
    "clipped": "cut off",
    "polarity": "upside down",
    "not_heard": "cylinder unheard",
    "noisy": "noisy",
    "mains_pickup": "mains hum",
    "brush_pickup": "starter noise",
    "few_bits": "too small",
    "unfiltered": "too slow",
    "sync_irregular": "irregular",
    "lost_samples": "samples lost",
    "polarity_untold": "which way up?",
    "flat": "nothing moves",
}
ADVICE = {
    "dead": "No signal stands out of the noise: check the plug, the cable, the hose and the probe's supply.",
    "no_events": "The engine turns but no event comes: check the pick-up's place and its threshold.",
    "sync_rate": "It does not come as often as the set-up says: mend `every`, or move the pick-up to one cylinder.",
    "clipped": "The signal is cut off at its end: turn the gain down, fit a divider or a restrictor, or put the probe farther "
    "away, then record again.",
    "polarity": "The pulse is upside down and is turned over: mend `positive_is`, or swap the probe's wires.",
    "not_heard": "A cylinder's pulse hardly arrives: mend `sees`, or put the probe where all of them are heard.",
    "noisy": "Noise hides the pulse, so that no verdict is given: move the probe closer, shorten and screen its cable, then "
    "crank again.",
    "mains_pickup": "It picks up the mains: run the computer from its battery, keep lamps and chargers away, screen "
    "the cable.",
    "brush_pickup": "It picks up the starter: lead its cable away from the starter's, and earth it at one place.",
    "few_bits": "The signal fills few steps of the converter: turn the gain up.",
    "unfiltered": "It is sampled too seldom for its low-pass, so that noise and what lies between samples pass for a pulse's "
    "size, and no verdict is given: sample it at five times `lowpass_hz` at least (50 Hz: 250), better at twenty "
    "times, or lower a `lowpass_hz` that the set-up raises.",
    "sync_irregular": "Events are missed or doubled: move the pick-up, or change its threshold.",
    "lost_samples": "Samples are lost: lower rate_hz, and check the cable and the computer's load.",
    "polarity_untold": "Which way up it is cannot be told: blow gently into it, and see that positive_is fits.",
    "flat": "Not even noise moves: see that it is plugged in, and that touching or blowing moves it.",
}
_CLAMP = {
    "polarity": "The clamp lies the wrong way round and is turned over: turn it round with the starter at rest.",
    "polarity_untold": "The current is below zero: see that it reads 0 A at rest, or turn the clamp round.",
    "dead": "No signal stands out of the noise: see that the clamp is switched on, closed, and round one of the starter's "
    "cables alone.",
    "clipped": "The signal is cut off at its end: set the clamp to its larger range (its volts_per_unit with it), then record "
    "again. A cable that was led through it more than once goes through once.",
    "noisy": "Noise hides the pulse: see that the clamp is closed, lead its cable away from the starter's, and crank longer.",
    "few_bits": "The signal fills few steps of the converter: set the clamp to its smaller range (its volts_per_unit with "
    "it), if the inrush still fits.",
    "flat": "Not even noise moves: see that the clamp is switched on and plugged in, and that current moves it.",
}
_DIVIDER = {
    "dead": "No signal stands out of the noise: check the divider, its cable, and where it is tapped.",
    "clipped": "The signal is cut off at its end: a divider of a larger ratio (its volts_per_unit with it), then record again.",
    "noisy": "Noise hides the pulse: tap at the battery's own posts, lead the cable away from the starter's, and crank longer.",
    "few_bits": "The signal fills few steps of the converter: a divider of a smaller ratio (its volts_per_unit with it), if "
    "a charged battery still fits.",
    "flat": "Not even noise moves: see that it is plugged in, and that the battery's voltage arrives.",
}
_TRANSDUCER = {
    "clipped": "The signal is cut off at its end: a transducer of a higher range (its volts_per_unit with it), then record "
    "again.",
    "few_bits": "The signal fills few steps of the converter: a transducer of a lower range (its volts_per_unit with it), if "
    "what it must stand still fits: an engine that starts by accident too.",
}
_OF_ROLE = {
    "starter_current": _CLAMP,
    "battery_voltage": _DIVIDER,
    "cylinder_pressure": _TRANSDUCER,
    "manifold_pressure": _TRANSDUCER,
}
"""Where what picks the signal up is no pulse probe with a gain (common practice, no source)."""


def advice_for(role: str, code: str) -> str:
    """What to do about this problem of a probe of this role; empty for a code that is not known."""
    return _OF_ROLE.get(role, {}).get(code) or ADVICE.get(code, "")


@dataclass(frozen=True, slots=True)
class _Frame:
    t0: float
    low: float
    high: float
    noise: float
    rough: float
    step: float
    lost: int
    samples: int


class ProbeWatch:
    """Follows one sampled probe's extremes, noise and steps over the last two seconds, and where it is cut off."""

    def __init__(self, probe: Probe, rate_hz: float, frame: int) -> None:
        self.probe = probe
        keep = self._keep = max(1, round(MEMORY_S * rate_hz / frame))
        longest = max(keep, round(_CYCLES_S * rate_hz / frame))
        self._frames: deque[_Frame] = deque(maxlen=longest)
        self._every = max(1, round(rate_hz / _THINNED_HZ))
        self._thinned_hz = rate_hz / self._every
        self._slopes_show = rate_hz <= _SLOPES_SHOW_HZ
        self._thinned: deque[Floats] = deque(maxlen=longest)
        self._rest_noise: deque[float] = deque(maxlen=_REST_MEMORIES * keep)
        self.clipping = ClippingFinder(rate_hz)

    def push(self, values: Floats, t0: float, *, turning: bool = True) -> None:
        """One frame in the probe's unit, shape (samples,); NaN = lost. t0: of its first sample, seconds. turning: the engine
        turns, as far as known."""
        if self.probe.role not in EDGE_ROLES:
            self.clipping.push(values, t0)
        lost = np.isnan(values)
        good = values[~lost] if lost.any() else values
        if good.size < 8:
            return
        low, high = float(good.min()), float(good.max())
        moves = np.abs(good[1:] - good[:-1])
        noise = _median(moves) * _MAD_TO_SIGMA / float(np.sqrt(2.0))
        steps = moves[moves > 0]
        rough = _noise_beside_slopes(good) if self._slopes_show else noise
        self._frames.append(
            _Frame(
                t0,
                low,
                high,
                noise,
                rough,
                float(steps.min()) if steps.size else np.inf,
                values.size - good.size,
                values.size,
            )
        )
        whole = good[: good.size // self._every * self._every]
        self._thinned.append(whole.reshape(-1, self._every).mean(axis=1))
        if not turning:
            self._rest_noise.append(rough)

    def seen_between(self, t_from: float, t_to: float) -> SignalSeen | None:
        """What moved between two times, seconds; None where that is not remembered, or too short to tell."""
        which = [k for k, f in enumerate(self._frames) if t_from <= f.t0 < t_to]
        if len(which) < 2 or self._frames[0].t0 > t_from:
            return None
        frames, thinned = [self._frames[k] for k in which], [self._thinned[k] for k in which]
        x = np.concatenate(thinned)
        slow = self._slow(x)
        if slow.size < 2:
            return None
        dead = self._is_dead(frames, x, self._step(frames))
        return SignalSeen(swing=float(np.ptp(slow)), stands_out=not dead)

    def report(self, *, turning: bool) -> ProbeHealth:
        """What can be said now; of a still engine's pulse probe only what rest shows."""
        if not self._frames:
            return probe_health(self.probe, "waiting", (), "No samples yet.")
        frames = list(self._frames)[-self._keep :]
        x = np.concatenate(list(self._thinned)[-self._keep :])
        low, high = min(f.low for f in frames), max(f.high for f in frames)
        swing = high - low
        noise = _noise(frames)
        clipped = self.clipping.share_since(self.clipping.until - MEMORY_S)
        step = min(f.step for f in frames)
        lost = sum(f.lost for f in frames) / sum(f.samples for f in frames)
        analog = self.probe.role not in EDGE_ROLES
        line = self._mains(x, swing, noise, turning=turning) if analog else None
        rest = self._noise_at_rest()
        rough = float(np.median([f.rough for f in frames]))
        with np.errstate(over="ignore"):
            steps = float(np.float64(swing) / step) if np.isfinite(step) else 0.0
        problems = {
            "dead": turning and self._is_dead(frames, x, self._step(frames)),
            "clipped": turning and clipped > 0.0,
            "mains_pickup": line is not None,
            "brush_pickup": turning
            and analog
            and rest is not None
            and rough > max(_BRUSH_OVER_REST * rest, _BRUSH_SHARE * swing, step),
            "few_bits": turning and analog and 0.0 < steps < _FEWEST_STEPS,
            "lost_samples": lost > _LOST_SHARE,
            "flat": not turning and swing == 0.0,
        }
        found = tuple(code for code in WORST_FIRST if problems.get(code, False))
        if "dead" in found:
            found = tuple(code for code in found if code not in ("clipped", "few_bits", "brush_pickup"))
        health = probe_health(self.probe, _state(found, turning=turning), found, "")
        return msgspec.structs.replace(
            health,
            advice=health.advice or ("" if turning else "The engine is at rest."),
            low=low,
            high=high,
            noise_rms=noise,
            clipped_share=clipped,
            # A signal that no converter made may differ by so little that no count of steps is a number.
            steps=round(steps) if np.isfinite(step) and np.isfinite(steps) else None,
            lost_share=lost,
            mains_hz=line[0] if line is not None else None,
            mains_amplitude=line[1] if line is not None else None,
        )

    def _step(self, frames: Sequence[_Frame]) -> float:
        """Of the converter; 0 for a probe whose two levels are its signal, and where nothing moved."""
        step = min(f.step for f in frames)
        return step if self.probe.role not in EDGE_ROLES and np.isfinite(step) else 0.0

    def _noise_at_rest(self) -> float | None:
        """None where no rest was seen."""
        if not self._rest_noise:
            return None
        # That the engine turns is known a cycle or two late, so that the last of the rest may be no rest: the plenum is drawn
        # empty meanwhile, and a probe that is driven against its end by that stands still there without any noise.
        moving = [rough for rough in self._rest_noise if rough > 0.0]
        return float(np.quantile(moving, 0.1)) if moving else 0.0

    def _is_dead(self, frames: Sequence[_Frame], x: Floats, step: float) -> bool:
        """x: the same frames, thinned."""
        least = _NOISE_STEPS * step
        swing = max(f.high for f in frames) - min(f.low for f in frames)
        if swing > max(_DEAD_OVER_NOISE * max(_noise(frames), least), 1e-9):
            return False
        return self.probe.role in EDGE_ROLES or not self._pulse_stands_out(x, least)

    def _slow(self, x: Floats) -> Floats:
        """Means of what is thinned, over so short a time that they keep a pulse."""
        many = max(1, round(self._thinned_hz / _PULSE_HZ))
        slow: Floats = x[: x.size // many * many].reshape(-1, many).mean(axis=1)
        return slow

    def _pulse_stands_out(self, x: Floats, least: float) -> bool:
        """Whether what is slow enough for a pulse exceeds what white noise would leave of itself there, which is that much in
        a sample at the least."""
        many = max(1, round(self._thinned_hz / _PULSE_HZ))
        slow = self._slow(x)
        if slow.size < 2:
            return False
        noise = float(np.median(np.abs(np.diff(x)))) * _MAD_TO_SIGMA / float(np.sqrt(2.0 * many))
        noise = max(noise, least / float(np.sqrt(self._every * many)))
        return float(np.ptp(slow)) > max(_DEAD_OVER_NOISE * noise, 1e-9)

    def _mains(self, x: Floats, swing: float, noise: float, *, turning: bool) -> tuple[float, float] | None:
        """The mains' frequency and amplitude where its lines stand out of the spectrum; None where they do not. x: thinned."""
        if x.size < _LEAST_SPECTRUM_S * self._thinned_hz or swing <= 0:
            return None
        window = np.hanning(x.size)
        spectrum = np.abs(np.fft.rfft((x - x.mean()) * window)) * 2.0 / window.sum()
        hz = np.fft.rfftfreq(x.size, 1.0 / self._thinned_hz)
        least = max(_PICKUP_SHARE * swing, 0.0) if turning else 2.0 * noise
        for mains in MAINS_HZ:
            amplitude, stands_out = 0.0, False
            for k in range(1, _MAINS_HARMONICS + 1):
                near = np.abs(hz - k * mains)
                line, beside = near <= 1.0, (near > 2.0) & (near <= 12.0)
                if not line.any() or not beside.any():
                    continue
                height, floor = float(spectrum[line].max()), float(np.median(spectrum[beside]))
                loudest = float(spectrum[beside].max())
                if height > _LINE_OVER_FLOOR * floor and height > 1.5 * loudest:
                    stands_out = True
                    amplitude = float(np.hypot(amplitude, height))
            if stands_out and amplitude > least:
                return mains, amplitude
        return None


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
        advice=advice or (advice_for(probe.role, problems[0]) if problems else ""),
        low=None,
        high=None,
        noise_rms=None,
        clipped_share=None,
        events=events,
    )


def with_problems(health: ProbeHealth, codes: tuple[str, ...], *, turning: bool) -> ProbeHealth:
    """The same, with further problems, worst first."""
    if not codes:
        return health
    together = set(health.problems) | set(codes)
    found = tuple(code for code in WORST_FIRST if code in together)
    return msgspec.structs.replace(
        health,
        problems=found,
        state=_state(found, turning=turning),
        advice=advice_for(health.role, found[0]),
    )


def short_word(health: ProbeHealth) -> str:
    """One or two words for a table: what is worst, else the state."""
    if health.problems:
        return SHORT_WORDS.get(health.problems[0], health.problems[0].replace("_", " "))
    return {"good": "good", "waiting": "waiting"}.get(health.state, health.state)


def _state(problems: tuple[str, ...], *, turning: bool) -> str:
    if BAD & set(problems):
        return "bad"
    if problems:
        return "doubtful"
    return "good" if turning else "waiting"


def _noise(frames: Sequence[_Frame]) -> float:
    return float(np.median([f.noise for f in frames]))


def _noise_beside_slopes(good: Floats) -> float:
    """RMS of white noise by third differences, which parabolas leave at zero (their variance is 20 times its own)."""
    return _median(np.abs(np.diff(good, n=3))) * _MAD_TO_SIGMA / float(np.sqrt(20.0))


def _median(values: Floats) -> float:
    """As numpy's, of values none of which is NaN; it runs for every frame of every probe, and costs a quarter."""
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    parted = np.partition(values, (middle - 1, middle))
    return float(parted[middle - 1] + parted[middle]) / 2.0
