"""One session of a self-check: listens to a port as `evenstroke listen` does, into a folder, and says how what came arrived."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.board_clock import ClockRate
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.messages import Health, PipelineMessage, State
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_replay.player import BlockMaker
from evenstroke_replay.recording import RecordedBytes, open_recording

from .clock import REAL
from .coach import Coach, Limits
from .command_listen import acquisition_of, links_to, recordings_in, stop_signals
from .outcome import Outcome
from .serial_port import LinkError
from .service import Service, Snapshot

_LATE = 0.95


@dataclass(frozen=True)
class RecordedSession:
    """What a session left. health: the last that was said."""

    path: Path
    outcome: Outcome
    health: Health


def record_session(
    port: str,
    setup: Setup,
    setup_text: str,
    folder: Path,
    seconds: float,
    *,
    prediction: Prediction | None = None,
    publish: Callable[[PipelineMessage | State | Health], None] = lambda _: None,
) -> RecordedSession:
    """Listens for so many seconds of streaming. Raises what ended it, and KeyboardInterrupt where the user did."""
    acquisition = acquisition_of(setup, "the self-check's set-up")
    last: list[Snapshot] = []

    def look(snapshot: Snapshot) -> None:
        last[:] = [snapshot]

    service = Service(
        setup=setup,
        acquisition=acquisition,
        pipeline=Pipeline(setup, prior_prediction=prediction),
        make_link=links_to(port, acquisition.baud, REAL),
        open_recording=recordings_in(folder, setup, setup_text, (), REAL),
        record_at_once=True,
        publish=publish,
        clock=REAL,
        coach=Coach(Limits()),
    )
    with stop_signals() as stop_wanted:
        outcome = service.run(stop_wanted=stop_wanted, seconds=seconds, look=look)
        if stop_wanted():
            raise KeyboardInterrupt
    if service.recorded_path is None:
        raise LinkError(
            "nothing came from the board", where=port, todo="see what the port says: evenstroke ports"
        )
    return RecordedSession(service.recorded_path, outcome, last[-1].health)


@dataclass(frozen=True)
class Arrivals:
    """How what is in a recording arrived, by the host's clock.

    asked_hz: of each input. scans: that came after the first piece, within span_s: from the first piece with samples to the
    last. worst_wait_s: the longest time in which nothing came. late_s: how much later than the quickest all but a twentieth
    of the pieces came, and latest_s the slowest, with the board's clock set to the host's. clock: the board's against the host's;
    None where too little came. gaps: in order. in_all: all scans. ends_s: the board's last second.
    """

    asked_hz: int
    scans: int
    span_s: float
    worst_wait_s: float
    late_s: float
    latest_s: float
    clock: ClockRate | None
    gaps: tuple[Gap, ...]
    in_all: int
    ends_s: float

    @property
    def share(self) -> float:
        """Of the samples that were asked for, how many came."""
        return self.scans / (self.asked_hz * self.span_s) if self.span_s > 0 else 0.0


def arrivals_in(path: Path) -> Arrivals:
    """Raises RecordingError for a recording that cannot be read, or in which no samples came."""
    recording = open_recording(path)
    setup = recording.setup
    feed = BoardFeed(setup)
    maker = BlockMaker(recording, setup, feed)
    any_ns: list[int] = []
    samples_ns: list[int] = []
    ends: list[float] = []
    scans: list[int] = []
    gaps: list[Gap] = []
    for item in recording.items():
        if not isinstance(item, RecordedBytes):
            continue
        came = 0
        for block in maker.blocks(item):
            if isinstance(block, SampleBlock):
                came += block.samples
                end = block.t0 + block.samples * block.dt
            elif isinstance(block, Gap):
                gaps.append(block)
        if came:
            samples_ns.append(item.host_ns)
            ends.append(end)
            scans.append(came)
        if samples_ns:
            any_ns.append(item.host_ns)
    if len(samples_ns) < 2:
        raise LinkError("no samples came", where=str(path), todo="see what the port says: evenstroke ports")
    host_s = (np.array(samples_ns) - samples_ns[0]) / 1e9
    rate = feed.clock.rate
    slower = 1.0 / (1.0 + rate.ppm / 1e6) if rate is not None else 1.0
    delay = host_s - (np.array(ends) - ends[0]) * slower
    delay -= delay.min()
    return Arrivals(
        asked_hz=acquisition_of(setup, str(path)).rate_hz,
        scans=sum(scans[1:]),
        span_s=float(host_s[-1]),
        worst_wait_s=float(np.diff(any_ns).max()) / 1e9,
        late_s=float(np.quantile(delay, _LATE)),
        latest_s=float(delay.max()),
        clock=rate,
        gaps=tuple(gaps),
        in_all=sum(scans),
        ends_s=ends[-1],
    )
