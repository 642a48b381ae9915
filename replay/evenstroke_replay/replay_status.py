"""What the daemon says of itself beside the pipeline's messages, said of a replay: state and health.

Reads no clock: seconds since the replay began are handed in.
"""

from __future__ import annotations

from collections.abc import Callable

from evenstroke_dsp.cautions import cautions_for, dangers
from evenstroke_dsp.engine import firing_intervals
from evenstroke_dsp.messages import EngineInfo, Health, LinkState, SetupNote, State
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import fitted_parts

from .pacing import AS_FAST_AS_IT_GOES, Pace
from .playback import Playback
from .recording import Recording

PUBLISH_EVERY_S = 1.0


class ReplayStatus:
    """Makes them, and hands them to `publish`: at each change of words, and once a second.

    at_s: seconds since the replay began.
    """

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        playback: Playback,
        notes: tuple[SetupNote, ...],
        publish: Callable[[State | Health], None],
        at_s: Callable[[], float],
    ) -> None:
        self._recording = recording
        self._setup = setup
        self._playback = playback
        self._publish = publish
        self._at_s = at_s
        self._last_s = at_s()
        self._sequences = {"state": 0, "health": 0}
        self._said = ""
        self._setup_notes = notes
        self._cautions = tuple(
            [danger.text for danger in dangers(setup)] + [caution.text for caution in cautions_for(setup)]
        )

    def every_second(self, pace: Pace) -> None:
        """Called often; says what is due."""
        now_s = self._at_s()
        words = pace_words(self._recording, pace)
        due = now_s - self._last_s >= PUBLISH_EVERY_S
        if due or words != self._said:
            self.state("streaming", words)
        if due:
            self._last_s = now_s
            self.health()

    def _next(self, topic: str) -> int:
        self._sequences[topic] += 1
        return self._sequences[topic] - 1

    def state(self, link: LinkState, reason: str) -> None:
        self._said = reason
        hello, engine = self._playback.feed.hello, self._setup.engine
        self._publish(
            State(
                sequence=self._next("state"),
                at_s=self._at_s(),
                link=link,
                reason=reason,
                port=str(self._recording.path),
                board=hello.board if hello else None,
                firmware=hello.firmware if hello else None,
                recording=None,
                recording_problem=self._recording.cut,
                setup_title=self._setup.title,
                engine=EngineInfo(cylinders=engine.cylinders, firing_order=engine.firing_order),
                cautions=self._cautions,
                setup_notes=self._setup_notes,
                firing_intervals_deg=firing_intervals(engine),
                fitted=fitted_parts(self._setup),
                coach=None,
            )
        )

    def health(self) -> None:
        playback = self._playback
        progress, counters = playback.progress, playback.counters
        clock = playback.feed.clock.rate
        self._publish(
            Health(
                sequence=self._next("health"),
                at_s=self._at_s(),
                probes=playback.health(),
                samples=progress.samples,
                lost_samples=progress.lost_samples,
                losses=playback.feed.losses,
                board_overruns=counters.overruns if counters else 0,
                board_blocks_dropped=counters.blocks_dropped if counters else 0,
                board_edges_missed=counters.edges_missed if counters else 0,
                clock_ppm=clock.ppm if clock is not None else None,
                clock_uncertainty_ppm=clock.uncertainty_ppm if clock is not None else None,
                queues=(),
                bytes_received=progress.bytes_received,
                bytes_recorded=0,
                disk_free_bytes=None,
                processor_share=None,
            )
        )


def pace_words(recording: Recording, pace: Pace) -> str:
    """How the recording is played."""
    how = "as fast as it goes" if pace.speed == AS_FAST_AS_IT_GOES else f"{pace.speed:g} times real time"
    return f"replaying {recording.path.name}, {'paused' if pace.paused else how}"
