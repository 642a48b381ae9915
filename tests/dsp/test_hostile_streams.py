"""No stream, however broken, ends in an exception: invented cranks that go wrong in every way that we can think of.

Nothing here looks like an engine more than it must. What is judged is not checked, but that it is said in
numbers that are some, with knots of the crank angle that ascend.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import msgspec
import numpy as np
import pytest
from evenstroke_dsp import sync_tracker
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.blocks import Block, Bools, EdgeBlock, Floats, Gap, GapReason, SampleBlock
from evenstroke_dsp.cycles import CycleSpan, Place
from evenstroke_dsp.engine import CYCLE_DEG, firing_angles
from evenstroke_dsp.history import History
from evenstroke_dsp.measurement import ProbeMeasurer
from evenstroke_dsp.messages import Cycle, SourceInfo, WaveData
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Setup, parse_setup
from hypothesis import given, settings
from hypothesis import strategies as st

Edges = tuple[Floats, Bools]

ENGINES: dict[str, tuple[tuple[int, ...], tuple[float, ...] | None]] = {
    "single": ((1,), None),
    "twin 270/450": ((1, 2), (270, 450)),
    "three": ((1, 3, 2), None),
    "four": ((1, 3, 4, 2), None),
    "five": ((1, 2, 4, 5, 3), None),
    "six": ((1, 5, 3, 6, 2, 4), None),
    "uneven six": ((1, 6, 5, 4, 3, 2), (150, 90) * 3),
    "twelve": ((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9), None),
}
WHEELS: dict[str, tuple[float, ...]] = {
    '"60-2"': tuple(6.0 * k for k in range(58)),
    '"36-1"': tuple(10.0 * k for k in range(35)),
    '"36-2-2-2"': tuple(10.0 * k for k in range(36) if k not in (14, 15, 17, 18, 34, 35)),
    '"4-1"': (0.0, 90.0, 180.0),
    "[0, 30, 60, 90, 120, 150, 180, 210, 240, 270, 300, 330, 345]": (*(30.0 * k for k in range(12)), 345.0),
}
INTAKE, CURRENT, SYNC, WHEEL = 0, 1, 2, 3
FINE_HZ = 4000.0
REST_S = 0.3


@dataclass(frozen=True)
class Hostile:
    """One stream: how the crank turns, what is fitted, and what of it is lost, doubled or made up."""

    seed: int
    engine: str = "four"
    # how it turns
    rpm: float = 200.0
    ripple: float = 0.3
    seconds: float = 5.0
    stops: tuple[float, ...] = ()
    rocks_deg: float = 0.0
    runs_from_s: float | None = None
    # what is fitted
    wheel: str | None = None
    edge: str = "auto"
    first_tooth: bool = False
    sync: str | None = None
    offset: bool = True
    current: bool = False
    analog: bool = False  # sync and wheel are sampled, not reported as level changes
    scaled: bool = True
    # what goes wrong, as shares of all events or seconds
    teeth_lost: float = 0.0
    teeth_extra: float = 0.0
    teeth_bounce: float = 0.0
    syncs_lost: float = 0.0
    syncs_extra: float = 0.0
    strikes: int = 1
    ringing: int = 0
    sync_is_wheel: bool = False
    wheel_dies_s: float | None = None
    not_numbers: float = 0.0
    infinite: float = 0.0
    flat: bool = False
    gap_s: float = 0.0
    ticks_again: bool = False
    edges_alone: bool = False  # a capture of level changes; nothing is sampled
    edges_stop_s: float | None = None
    samples_stop_s: float | None = None
    tick_s: float = 0.0  # edges fall on whole ticks, several perhaps on one
    # how it arrives
    rate_hz: float = 1000.0
    scans: int = 100
    edges_first: bool = False

    def setup(self) -> Setup:
        order, intervals = ENGINES[self.engine]
        text = f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"
        if intervals is not None:
            text += f"firing_intervals_deg = {list(intervals)}\n"
        if not self.edges_alone:
            scale = "volts_per_unit = 1.0\nvolts_at_zero = 2.5\n" if self.scaled else ""
            text += f'[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = {INTAKE}\n{scale}'
        if self.current and not self.edges_alone:
            scale = "volts_per_unit = 0.01\n" if self.scaled else ""
            text += f'[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = {CURRENT}\n{scale}'
        if self.sync is not None:
            text += (
                f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = {SYNC}\ncylinder = {order[0]}\n'
            )
            text += f'every = "{self.sync}"\n' + ("offset_deg = -8\n" if self.offset else "")
        if self.wheel is not None:
            text += (
                f'[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = {WHEEL}\nteeth = {self.wheel}\n'
            )
            edge = "rising" if self.first_tooth else self.edge
            text += f'edge = "{edge}"\n' + ("first_tooth_deg = 84\n" if self.first_tooth else "")
        return parse_setup(text)

    def blocks(self) -> list[Block]:
        rng = np.random.default_rng(self.seed)
        setup = self.setup()
        t = np.arange(round(self.seconds * FINE_HZ)) / FINE_HZ
        deg = self._course(t, setup, rng)
        edges = self._edges(t, deg, rng)
        if self.tick_s:
            edges = {key: (np.floor(t / self.tick_s) * self.tick_s, up) for key, (t, up) in edges.items()}
        samples = self._samples(t, deg, setup, edges, rng)
        reported = edges if self.edges_alone or not self.analog else {}
        return self._arriving(samples, reported, rng)

    def _course(self, t: Floats, setup: Setup, rng: np.random.Generator) -> Floats:
        """Crank degrees at each time: ripple at the firing rhythm, stops where it rocks back, and running."""
        rpm = np.where(t < REST_S, 0.0, self.rpm)
        if self.runs_from_s is not None:
            rpm = np.where(t > self.runs_from_s, 4.0 * self.rpm, rpm)
        for stop in self.stops:
            rpm = np.where(np.abs(t - stop) < rng.uniform(0.05, 0.6), 0.0, rpm)
        lag = round(0.05 * FINE_HZ)
        rpm = np.convolve(rpm, np.full(lag, 1.0 / lag), mode="same")
        steady = np.cumsum(rpm) * 6.0 / FINE_HZ + rng.uniform(0.0, CYCLE_DEG)
        firing = np.array(list(firing_angles(setup.engine).values()))
        waves = math.radians(1.0) * (steady[:, None] - firing[None, :]) / 2.0 * max(2, firing.size)
        rippled = rpm * (
            1.0 - self.ripple * np.cos(waves).mean(axis=1) / max(0.2, abs(np.cos(waves).mean(axis=1)).max())
        )
        deg = steady[0] + np.cumsum(rippled) * 6.0 / FINE_HZ
        for stop in self.stops:
            deg = deg - self.rocks_deg * np.exp(-(((t - stop) / 0.04) ** 2))
        return deg

    def _edges(self, t: Floats, deg: Floats, rng: np.random.Generator) -> dict[int, Edges]:
        edges: dict[int, Edges] = {}
        if self.sync is not None:
            every = CYCLE_DEG if self.sync == "cycle" else CYCLE_DEG / 2
            edges[SYNC] = self._sync_edges(_passages(t, deg, (-8.0,), every), rng)
        if self.wheel is not None:
            edges[WHEEL] = self._wheel_edges(t, deg, rng)
            if self.sync_is_wheel and self.sync is not None:
                edges[SYNC] = edges[WHEEL]
        return edges

    def _sync_edges(self, events: Floats, rng: np.random.Generator) -> Edges:
        events = events[rng.random(events.size) >= self.syncs_lost]
        extra = rng.uniform(0.0, self.seconds, rng.poisson(self.syncs_extra * max(4, events.size)))
        up = np.concatenate([np.append(events, extra) + 0.004 * k for k in range(self.strikes)])
        up = np.concatenate([up, *(up + 0.0003 * k for k in range(1, self.ringing + 1))])
        return _pulses(np.sort(up), 0.0001, self.seconds)

    def _wheel_edges(self, t: Floats, deg: Floats, rng: np.random.Generator) -> Edges:
        assert self.wheel is not None
        places = WHEELS[self.wheel]
        width = 0.4 * float(np.diff([*places, 360.0]).min())
        up, down = _passages(t, deg, places, 360.0), _passages(t, deg, [p + width for p in places], 360.0)
        times = np.concatenate([up, down])
        rising = np.arange(times.size) < up.size
        kept = rng.random(times.size) >= self.teeth_lost
        times, rising = times[kept], rising[kept]
        bounced = times[rng.random(times.size) < self.teeth_bounce] + 0.0002
        extra = rng.uniform(0.0, self.seconds, rng.poisson(self.teeth_extra * times.size))
        made_up = np.concatenate([bounced, bounced, extra])
        times = np.concatenate([times, made_up])
        rising = np.concatenate([rising, rng.random(made_up.size) < 0.5])
        if self.wheel_dies_s is not None:
            kept = times < self.wheel_dies_s
            times, rising = times[kept], rising[kept]
        order = np.argsort(times, kind="stable")
        return times[order], rising[order]

    def _samples(
        self, t: Floats, deg: Floats, setup: Setup, edges: dict[int, Edges], rng: np.random.Generator
    ) -> tuple[tuple[int, ...], Floats]:
        at = np.arange(round(self.seconds * self.rate_hz)) / self.rate_hz
        angle = np.interp(at, t, deg)
        turning = np.gradient(angle, at) > 30.0
        intake, load = np.zeros(at.size), np.zeros(at.size)
        for firing in firing_angles(setup.engine).values():
            intake += np.exp(-((((angle - firing - 450.0 + 360.0) % 720.0 - 360.0) / 40.0) ** 2))
            load += np.exp(-((((angle - firing + 10.0 + 360.0) % 720.0 - 360.0) / 40.0) ** 2))
        rows = [2.5 - np.where(turning, intake, 0.0)]
        inputs = [INTAKE]
        if self.current:
            rows.append(0.1 + np.where(turning, 1.0 + load, 0.0))
            inputs.append(CURRENT)
        if self.analog:
            for key, (times, rising) in edges.items():
                last = np.searchsorted(times, at, side="right") - 1
                rows.append(
                    np.where((last >= 0) & rising[np.maximum(last, 0)], 5.0, 0.0) if times.size else 0 * at
                )
                inputs.append(key)
        volts = np.stack(rows) + 0.005 * rng.standard_normal((len(rows), at.size))
        if self.flat:
            volts[0] = 2.5
        for share, value in ((self.not_numbers, np.nan), (self.infinite, np.inf)):
            if share:
                volts[rng.random(volts.shape) < share] = value
                begin = int(rng.integers(at.size))
                volts[int(rng.integers(len(rows))), begin : begin + round(share * at.size)] = value
        return tuple(inputs), volts

    def _arriving(
        self, samples: tuple[tuple[int, ...], Floats], edges: dict[int, Edges], rng: np.random.Generator
    ) -> list[Block]:
        inputs, volts = samples
        dt = 1.0 / self.rate_hz
        out: list[Block] = []
        gap_from = rng.uniform(0.3, 0.8) * self.seconds if self.gap_s else math.inf
        told: float = -math.inf
        for first in range(0, volts.shape[1], self.scans):
            part = volts[:, first : first + self.scans]
            t0, until = first * dt, first * dt + part.shape[1] * dt
            stopped = self.samples_stop_s is not None and until > self.samples_stop_s
            both: list[Block] = [] if self.edges_alone or stopped else [SampleBlock(inputs, part, t0, dt)]
            if gap_from <= t0 < gap_from + self.gap_s:
                both = [Gap(t0, until, part.shape[1], GapReason.LINK_LOST)]
            for key, (times, rising) in edges.items():
                if self.edges_stop_s is not None and until > self.edges_stop_s:
                    continue
                inside = (times >= told) & (times < until)
                if gap_from <= t0 < gap_from + self.gap_s:
                    inside &= False
                block = EdgeBlock(key, times[inside], rising[inside], until)
                both.insert(0 if self.edges_first else len(both), block)
            told = until
            out += both
        # A board that was reset counts from nought again, and nobody noticed.
        return [*out, *out] if self.ticks_again else out


def _passages(t: Floats, deg: Floats, places: tuple[float, ...] | list[float], every: float) -> Floats:
    """When the crank passes any of the places, whichever way it turns."""
    times = []
    for place in places:
        turns = np.floor((deg - place) / every)
        crossed = np.flatnonzero(np.diff(turns) != 0)
        boundary = np.maximum(turns[crossed], turns[crossed + 1]) * every + place
        part = (boundary - deg[crossed]) / (deg[crossed + 1] - deg[crossed])
        times.append(t[crossed] + part / FINE_HZ)
    return np.sort(np.concatenate(times))


def _pulses(up: Floats, lasts_s: float, until: float) -> Edges:
    up = up[up < until - lasts_s]
    times = np.ravel(np.column_stack([up, up + lasts_s]))
    rising = np.tile([True, False], up.size)
    order = np.argsort(times, kind="stable")
    return times[order], rising[order]


def lived_through(stream: Hostile) -> int:
    """Cycles that came of it; raises what the pipeline raises, and where an outcome is no number."""
    pipeline = Pipeline(stream.setup())
    messages = []
    for block in stream.blocks():
        messages += pipeline.push(block)
        pipeline.health()
    messages += pipeline.flush()
    judged = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=stream.seconds, lost_samples=0))
    for outcome in (*(m for m in messages if not isinstance(m, WaveData)), judged, *pipeline.health()):
        not_a_number(msgspec.to_builtins(outcome), type(outcome).__name__)
    angles = pipeline.engine_angles(np.linspace(-1.0, stream.seconds + 1.0, 500))
    assert ((angles >= 0) & (angles < CYCLE_DEG) | np.isnan(angles)).all()
    for rotation in pipeline._cutter.rotations:
        assert (np.diff(rotation.t) > 0).all() and (np.diff(rotation.deg) > 0).all()
    pipeline.pressure_traces()
    return sum(type(m).__name__ == "Cycle" for m in messages)


def not_a_number(value: object, place: str) -> None:
    """Raises where a float anywhere inside is infinite or no number."""
    if isinstance(value, float):
        assert math.isfinite(value), place
    elif isinstance(value, dict):
        for key, each in value.items():
            not_a_number(each, f"{place}.{key}")
    elif isinstance(value, list | tuple):
        for k, each in enumerate(value):
            not_a_number(each, f"{place}[{k}]")


SHARES = st.sampled_from([*[0.0] * 8, 0.01, 0.05, 0.2, 0.6])
SELDOM = st.sampled_from([False] * 7 + [True])
SECONDS = st.floats(0.5, 5.0)
ALL = st.builds(
    Hostile,
    seed=st.integers(0, 2**32 - 1),
    engine=st.sampled_from(list(ENGINES)),
    rpm=st.sampled_from([200.0, 60.0, 130.0, 280.0, 600.0, 1400.0]),
    ripple=st.sampled_from([0.3, 0.0, 0.6, 0.95, 1.3]),
    stops=st.lists(SECONDS, max_size=3).map(tuple),
    rocks_deg=st.sampled_from([0.0, 5.0, 40.0]),
    runs_from_s=st.none() | SECONDS,
    wheel=st.none() | st.sampled_from(list(WHEELS)),
    edge=st.sampled_from(["auto", "rising", "falling"]),
    first_tooth=st.booleans(),
    sync=st.sampled_from([None, "cycle", "revolution"]),
    offset=st.booleans(),
    current=st.booleans(),
    analog=st.booleans(),
    scaled=st.booleans(),
    teeth_lost=SHARES,
    teeth_extra=SHARES,
    teeth_bounce=SHARES,
    syncs_lost=SHARES,
    syncs_extra=SHARES,
    strikes=st.integers(1, 5),
    ringing=st.integers(0, 3),
    sync_is_wheel=SELDOM,
    wheel_dies_s=st.sampled_from([None] * 7 + [1.0, 3.0]),
    not_numbers=SHARES,
    infinite=SHARES,
    flat=SELDOM,
    gap_s=st.sampled_from([0.0, 0.0, 0.2, 2.5]),
    ticks_again=SELDOM,
    edges_alone=SELDOM,
    edges_stop_s=st.sampled_from([None] * 7 + [1.0, 3.0]),
    samples_stop_s=st.sampled_from([None] * 7 + [1.0, 3.0]),
    tick_s=st.sampled_from([0.0, 0.0, 1e-4, 1e-3]),
    rate_hz=st.sampled_from([1000.0, 2000.0, 300.0]),
    scans=st.sampled_from([100, 1, 7, 1000, 100000]),
    edges_first=st.booleans(),
)
STREAMS = ALL.filter(lambda s: not s.edges_alone or s.sync is not None or s.wheel is not None)


@settings(max_examples=max(12, settings.default.max_examples // 8), deadline=None)
@given(STREAMS)
def test_no_stream_ends_in_an_exception(stream: Hostile) -> None:
    lived_through(stream)


def test_a_mean_cycle_is_measured_wherever_its_turning_begins() -> None:
    """Of begins that a wheel may give, those at which rounding makes begin + 720 more than 360 steps of 2 from it:
    one in three thousand."""
    setup = Hostile(0).setup()
    begins = np.random.default_rng(0).uniform(0.0, 20000.0, 20000)
    steps = (begins + 2.0) - begins
    begins = begins[begins + CYCLE_DEG > begins + 360 * steps]
    assert begins.size >= 3
    t = np.arange(0.0, 4.0, 0.001)
    firing = firing_angles(setup.engine)
    values = np.cos(np.radians(2.0 * 1200.0 * (t - 0.5)))[None, :]
    history = History()
    history.add(0.0, 0.001, values, np.zeros(values.shape, dtype=np.bool_))
    for begin in begins.tolist():
        measurer = ProbeMeasurer(setup, setup.probe[0], 0)
        turning = Rotation(t=[0.0, 4.0], deg=[begin - 600.0, begin + 4200.0])
        places = tuple(Place(c, None, angle) for c, angle in firing.items())
        # A cycle anew each time, at the same place against the steps' rounding.
        for number in range(3):
            measurer.measure(CycleSpan(turning, 0, number, begin, places), history, "cranking")
            measurer.count(number)
        assert measurer.corner_values("cranking") is not None


@pytest.mark.parametrize("stops_s", [0.2, 0.5])
def test_a_sync_that_outlives_the_samples_is_lived_through(stops_s: float) -> None:
    """Its first event is known and the current that would tell the speed's course never comes."""
    lived_through(Hostile(1, engine="three", sync="revolution", current=True, samples_stop_s=stops_s))


def test_events_that_a_run_forgot_before_they_were_taken_are_lived_through(monkeypatch) -> None:
    """Samples stop for minutes while level changes go on, and all of these are followed at once."""
    monkeypatch.setattr(sync_tracker, "KEPT_EVENTS", 30)
    stream = Hostile(1, engine="three", sync="revolution", current=True)
    pipeline = Pipeline(stream.setup())
    for block in stream.blocks():
        pipeline.push(block)
    events = 5.0 + 0.15 * np.arange(1, 150)
    end = float(events[-1])
    pipeline.push(Gap(5.0, end, 0, GapReason.BOARD_DROPPED))
    pipeline.push(EdgeBlock(SYNC, *_pulses(events, 0.001, end), end))
    pipeline.push(SampleBlock((INTAKE, CURRENT), np.zeros((2, 2000)), end, 0.001))
    pipeline.flush()
    for rotation in pipeline._cutter.rotations:
        assert (np.diff(rotation.t) > 0).all() and (np.diff(rotation.deg) > 0).all()


@pytest.mark.parametrize("alone", [False, True])
def test_what_comes_a_second_time_changes_nothing(alone: bool) -> None:
    """A clock that began anew behind the pipeline's back: the same cycles as of one time."""
    once = Hostile(2, sync="revolution", syncs_extra=0.3, edges_alone=alone)
    again = dataclasses.replace(once, ticks_again=True)
    assert cycles_of(once) == cycles_of(again)


def cycles_of(stream: Hostile) -> list[tuple[float, float]]:
    pipeline = Pipeline(stream.setup())
    messages = [m for b in stream.blocks() for m in pipeline.push(b)] + pipeline.flush()
    return [(m.from_s, m.to_s) for m in messages if isinstance(m, Cycle)]
