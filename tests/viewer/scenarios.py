"""Streams for the views to show: an invented engine on the rig, through the real pipeline, beside the daemon's own
state, health and coach, on a clock that counts samples. The same every time.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from evenstroke_daemon.coach import Coach, Limits
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.cautions import cautions_for, dangers
from evenstroke_dsp.engine import firing_intervals
from evenstroke_dsp.messages import (
    Balance,
    EngineInfo,
    FindingMessage,
    Health,
    LinkState,
    LossCount,
    QueueCount,
    State,
    WaveData,
)
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import EDGE_ROLES, Setup, parse_setup
from evenstroke_dsp.setup_effects import fitted_parts, setup_notes
from evenstroke_replay.physics_cache import PhysicsCache, cache_folder
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from evenstroke_replay.setup_files import load_setup
from evenstroke_viewer.feed import Delivery, Handed
from evenstroke_viewer.view_model import ViewModel

RATE_HZ = 2000.0
SCANS = 100
ORDERS = {
    1: (1,),
    2: (1, 2),
    3: (1, 3, 2),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 8, 4, 3, 6, 5, 7, 2),
    10: (1, 6, 5, 10, 2, 7, 3, 8, 4, 9),
    12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}
"""Orders that real engines of so many cylinders have; common practice, no source."""


@dataclass(frozen=True)
class Scene:
    """A stream. until_s: where it is looked at. lost: stretches of the stream that never arrived, seconds.
    link: said last. silent_s: since the last message was heard, None: none ever was."""

    setup: Setup
    cranking: Cranking
    alterations: tuple[Alteration, ...] = ()
    until_s: float = 9.0
    lost: tuple[tuple[float, float], ...] = ()
    link: tuple[LinkState, str] = ("streaming", "the board streams")
    recording: str | None = "recordings/2026-02-03T091500-library.mcap"
    silent_s: float | None = 0.1
    volts: Callable[[int, np.ndarray], np.ndarray] = lambda number, volts: volts
    """What the wiring makes of an input's volts before the board sees them; takes its number."""
    prediction: Prediction | None = field(default=None, repr=False)


def plain_text(order: Sequence[int], *, sync: bool = True) -> str:
    """An intake probe, a clamp around the starter's cable, a tooth wheel and, as a rule, the spark of the first."""
    text = f'schema = 1\ntitle = "{len(order)} cylinders on the bench"\n[engine]\ncylinders = {len(order)}\n'
    text += f"firing_order = {list(order)}\n[acquisition]\nrate_hz = {RATE_HZ:.0f}\n"
    text += '[[probe]]\nname = "intake"\nrole = "intake_pulse"\ninput = 0\nlow_corner_hz = 1.0\n'
    text += "volts_per_unit = 0.5\nvolts_at_zero = 2.5\n"
    text += '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 1\nvolts_per_unit = 0.006\n'
    text += "volts_at_zero = 0.5\n"
    if sync:
        text += f'[[probe]]\nname = "spark"\nrole = "ignition_sync"\ninput = 2\ncylinder = {order[0]}\n'
        text += 'every = "cycle"\noffset_deg = -8\n'
        text += (
            '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 3\nteeth = "60-2"\nedge = "falling"\n'
        )
        text += "first_tooth_deg = 84\n"
    return text


def plain_setup(order: Sequence[int], *, sync: bool = True) -> Setup:
    return parse_setup(plain_text(order, sync=sync))


def _noisy(**how: float) -> Cranking:
    return Cranking(
        rest_s=0.8, crank_s=8.0, noise_db=34.0, uneven_percent=0.8, cycle_percent=1.0, seed=7, **how
    )


def _demo(**how: object) -> Scene:
    setup = load_setup("demo")[0]
    prediction = PhysicsCache(cache_folder()).prediction(setup)  # the shipped one, where it fits the code
    return Scene(
        setup,
        _noisy(),
        (Alteration("intake", 2, -11.5),),
        prediction=prediction,
        **how,
    )


def _odd(order: Sequence[int], percent: float = -16.0, **how: object) -> Scene:
    odd = order[-1] if len(order) > 1 else order[0]
    changes = [Alteration("intake", odd, percent)]
    if len(order) > 2:
        changes.append(Alteration("intake", order[1], -30.0, cycle=6))
    return Scene(plain_setup(order), _noisy(), tuple(changes), **how)


def _badly_wired() -> Scene:
    """The intake probe's gain is too high for the board, and nothing comes from the exhaust probe but 1 mV of noise."""
    text = plain_text(ORDERS[4])
    text += '[[probe]]\nname = "exhaust"\nrole = "exhaust_pulse"\ninput = 4\nlow_corner_hz = 1.0\n'
    noise = np.random.default_rng(5)

    def volts(number: int, volts: np.ndarray) -> np.ndarray:
        if number == 4:
            return 2.5 + 1e-3 * noise.normal(size=volts.shape)
        return np.clip(volts, 2.38, 2.62) if number == 0 else volts

    return Scene(parse_setup(text), _noisy(), until_s=5.0, volts=volts)


SCENES = {
    "waiting": lambda: _odd(ORDERS[6], silent_s=None, until_s=0.0),
    "rest": lambda: _odd(ORDERS[6], until_s=0.7, recording=None),
    "cranking": lambda: _odd(ORDERS[6], until_s=4.0),
    "even": lambda: Scene(plain_setup(ORDERS[4]), _noisy(), until_s=10.5),
    "odd": lambda: _odd(ORDERS[6], until_s=10.5),
    "disturbed": lambda: _demo(until_s=10.5),
    "losing": lambda: _odd(ORDERS[6], until_s=6.0, lost=((2.0, 2.3), (5.0, 5.2), (5.5, 5.7))),
    "stalled": lambda: _odd(
        ORDERS[6], until_s=5.0, link=("stalled", "nothing for 1.2 s; the port is looked for")
    ),
    "silent": lambda: _odd(ORDERS[6], until_s=5.0, silent_s=12.0),
    "failed": lambda: _odd(
        ORDERS[6], until_s=5.0, link=("failed", "the board did not come back within 60 s")
    ),
    "refused": lambda: Scene(
        plain_setup(ORDERS[4]), Cranking(rest_s=0.8, crank_s=1.0, noise_db=30.0, seed=7), until_s=4.0
    ),
    "badly wired": _badly_wired,
    "unnamed": lambda: Scene(
        plain_setup(ORDERS[4], sync=False), _noisy(), (Alteration("intake", 4, -16.0),), until_s=10.5
    ),
    **{f"{n} cylinders": functools.partial(_odd, order, until_s=10.5) for n, order in ORDERS.items()},
}
"""Every state that a view must be able to show, by name."""


def blocks(scene: Scene, source: EngineSource) -> Iterator[Block]:
    """What a board would send: samples, and after them every edge input up to the same moment."""
    setup = scene.setup
    edge_inputs = [p.input for p in setup.probe if p.role in EDGE_ROLES and p.input is not None]
    analog = tuple(sorted(p.input for p in setup.probe if p.role not in EDGE_ROLES and p.input is not None))
    dt = 1.0 / RATE_HZ
    for first in range(0, round(scene.until_s * RATE_HZ), SCANS):
        t0, t1 = first * dt, (first + SCANS) * dt
        if any(a <= t0 < b for a, b in scene.lost):
            yield Gap(t0, t1, SCANS, GapReason.SAMPLES_MISSING)
            continue
        times = np.tile((first + np.arange(SCANS)) * dt, (len(analog), 1))
        volts = [scene.volts(k, row) for k, row in zip(analog, source.volts(analog, times), strict=True)]
        yield SampleBlock(analog, np.array(volts), t0, dt)
        edges = source.edges(t0, t1)
        for number in edge_inputs:
            own = [e for e in edges if e.input == number]
            yield EdgeBlock(
                number,
                np.array([e.t for e in own], dtype=np.float64),
                np.array([e.rising for e in own], dtype=np.bool_),
                t1,
            )


def messages(scene: Scene) -> Iterator[Handed]:
    """The whole stream of a scene in the order in which it would come."""
    if scene.silent_s is None:
        return
    setup = scene.setup
    source = EngineSource(setup, scene.cranking, scene.alterations)
    pipeline = Pipeline(setup, prior_prediction=scene.prediction)
    coach = Coach(Limits())
    coach.begin(setup.conditions.mode)
    saying = _Saying(scene, pipeline, coach)
    at_s, last_s = 0.0, -1.0
    for block in blocks(scene, source):
        if isinstance(block, SampleBlock):
            at_s = block.t0 + block.samples * block.dt
            saying.samples += block.samples
        elif isinstance(block, Gap):
            at_s = block.t_to
            saying.lost += block.lost_samples
            coach.lost(at_s)
        for message in pipeline.push(block):
            _tell(coach, setup, message, at_s)
            yield message
        if at_s - last_s >= 1.0:
            last_s = at_s
            yield from saying.now(at_s, "streaming", "the board streams")
    yield from saying.now(at_s, *scene.link)


def _tell(coach: Coach, setup: Setup, message: Handed, at_s: float) -> None:
    if isinstance(message, FindingMessage):
        coach.heard(message, at_s)
    elif isinstance(message, Balance):
        coach.balance(message)
    elif isinstance(message, WaveData) and message.header.kind == "conditioned":
        name = next((p.name for p in setup.probe if p.role == "battery_voltage"), None)
        if name in message.header.probes:
            coach.battery(float(np.nanmean(message.samples[message.header.probes.index(name)])))


class _Saying:
    """What the daemon says of itself."""

    def __init__(self, scene: Scene, pipeline: Pipeline, coach: Coach) -> None:
        self._scene = scene
        self._pipeline = pipeline
        self._coach = coach
        self._number = 0
        self.samples = self.lost = 0
        self._notes = setup_notes(scene.setup, scene.prediction)
        self._cautions = tuple(
            [d.text for d in dangers(scene.setup)] + [c.text for c in cautions_for(scene.setup)]
        )

    def now(self, at_s: float, link: LinkState, reason: str) -> Iterator[Handed]:
        scene, setup = self._scene, self._scene.setup
        self._coach.link(link == "streaming", at_s)
        scan_bytes = 2 * len([p for p in setup.probe if p.role not in EDGE_ROLES])
        received = self.samples * scan_bytes
        yield State(
            sequence=self._number,
            at_s=at_s,
            link=link,
            reason=reason,
            port="/dev/ttyUSB0",
            board="bench board",
            firmware="1.0.0",
            recording=scene.recording,
            recording_problem=None,
            setup_title=setup.title,
            engine=EngineInfo(cylinders=setup.engine.cylinders, firing_order=setup.engine.firing_order),
            cautions=self._cautions,
            setup_notes=self._notes,
            firing_intervals_deg=firing_intervals(setup.engine),
            fitted=fitted_parts(setup),
            coach=self._coach.say(at_s),
        )
        losses = (
            (LossCount(reason="samples_missing", frames=0, blocks=self.lost // SCANS, bytes=0),)
            if self.lost
            else ()
        )
        yield Health(
            sequence=self._number,
            at_s=at_s,
            probes=self._pipeline.health(),
            samples=self.samples,
            lost_samples=self.lost,
            losses=losses,
            board_overruns=0,
            board_blocks_dropped=0,
            board_edges_missed=0,
            clock_ppm=38.0 if at_s > 2 else None,
            clock_uncertainty_ppm=4.0 if at_s > 2 else None,
            queues=(QueueCount(queue="blocks", capacity=500, depth=0, dropped=0),),
            bytes_received=received,
            bytes_recorded=received if scene.recording is not None else 0,
            disk_free_bytes=212_000_000_000 if scene.recording is not None else None,
            processor_share=0.21,
        )
        self._number += 1


@functools.cache
def stream_of(name: str) -> tuple[Handed, ...]:
    """A scene's stream, made once."""
    return tuple(messages(SCENES[name]()))


def model_of(name: str) -> ViewModel:
    """A fresh model at the end of a scene."""
    scene = SCENES[name]()
    model = ViewModel()
    model.where = "tcp://127.0.0.1:7720"
    model.deliver(Delivery(stream_of(name), scene.silent_s, 0, 0, 0))
    return model
