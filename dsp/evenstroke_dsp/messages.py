"""Everything that leaves evenstroke as data: published messages and the judgement document.

One file, because outside programs read it: JSON Schemas are generated from these types.
Conventions: a field's unit is the end of its name (`_s` seconds, `_deg` crank degrees, `_hz`,
`_rpm`, `_ppm`), or stands in a `unit` field beside it; a field that has no value is there and null;
numbers are Python floats, never NaN. `sequence` counts per topic from 0 where the message
is made, so that a subscriber sees each one it missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt


class _Message(msgspec.Struct, frozen=True):
    pass


# --- parts of the judgement (contract 3); the wire reuses them ---------------------------------

Trust = Literal["clean", "limited", "disturbed"]
VerdictWord = Literal["smaller", "larger", "even", "undecided"]
StretchKind = Literal["cranking", "idle"]
CauseOfFinding = Literal["spread", "set-up", "engine", "unclear"]
SyncBasis = Literal["cycle", "revolution", "wheel", "wheel+cycle", "wheel+revolution", "none"]
FaultKind = Literal[
    "intake_valve_leak",
    "exhaust_valve_leak",
    "ring_leak",
    "gasket_leak",
    "intake_restriction",
    "exhaust_restriction",
    "worn_lobe",
    "intake_valve_not_opening",
    "exhaust_valve_not_opening",
    "cam_timing",
    "intake_air_leak",
]
"""What can be wrong with an engine; the physics simulate each."""
CauseKind = Literal[FaultKind, "added_volume", "plug_removed", "even", "none_of_these"]

TRUST_ORDER: tuple[Trust, ...] = ("clean", "limited", "disturbed")
"""From best to worst; a comparison's trust is the worst of its cylinders'."""


class SourceInfo(_Message, kw_only=True, frozen=True):
    file: str | None
    sha256: str | None
    duration_s: float
    lost_samples: int


class EngineInfo(_Message, kw_only=True, frozen=True):
    cylinders: int
    firing_order: tuple[int, ...]


class CrankedStretch(_Message, kw_only=True, frozen=True):
    from_s: float
    to_s: float
    cycles: int
    mean_rpm: float


class SyncInfo(_Message, kw_only=True, frozen=True):
    basis: SyncBasis
    events: int
    missed: int
    extra: int
    angle_uncertainty_deg: float | None


class Normal(_Message, kw_only=True, frozen=True):
    """What healthy engines of this kind show, per cent (degrees for `_deg` features)."""

    low: float
    high: float
    from_: str = msgspec.field(name="from")


class Predicted(_Message, kw_only=True, frozen=True):
    """What the fitted set-up does to this cylinder by the engine physics."""

    deviation: float
    low: float
    high: float


class CylinderBalance(_Message, kw_only=True, frozen=True):
    cylinder: int | None
    value: float | None
    value_unit: str
    deviation: float | None
    low: float | None
    high: float | None
    cycles: int
    verdict: VerdictWord | None
    normal: Normal | None
    trust: Trust
    predicted: Predicted | None
    more_cycles: int | None
    one_off_cycles: tuple[int, ...]
    position: int | None
    one_of: tuple[int, ...] | None
    standard_error: float | None = None  # of the deviation, at this look alone


class Comparison(_Message, kw_only=True, frozen=True):
    probe: str
    role: str
    feature: str
    stretch: StretchKind
    unit: Literal["percent", "degrees"]
    trust: Trust
    because: tuple[str, ...]
    reference: tuple[int, ...]
    cylinders: tuple[CylinderBalance, ...]


class Finding(_Message, kw_only=True, frozen=True):
    odd_pulse_at: tuple[int, ...]
    probe: str
    feature: str
    cause: CauseOfFinding
    suspect_cylinder: int | None
    text: str
    next_step: str


class Cause(_Message, kw_only=True, frozen=True):
    kind: CauseKind
    cylinder: int | None
    size: float | None
    size_unit: str | None
    probability: float
    cylinders: tuple[int, ...] | None = None


class ValveEvent(_Message, kw_only=True, frozen=True):
    cylinder: int
    event: Literal["exhaust_opens", "exhaust_closes", "intake_opens", "intake_closes"]
    deg: float
    low: float
    high: float
    from_: str = msgspec.field(name="from")


class CodedWarning(_Message, kw_only=True, frozen=True):
    code: str
    text: str
    probe: str | None = None  # that it is about, where it is about one; null in recordings of before


class Judgement(_Message, kw_only=True, frozen=True):
    """The document that `evenstroke judge --json` prints (contract 3)."""

    schema: Literal["evenstroke.judgement/1"] = "evenstroke.judgement/1"
    source: SourceInfo
    engine: EngineInfo
    cranked: tuple[CrankedStretch, ...]
    running_from_s: float | None
    sync: SyncInfo
    comparisons: tuple[Comparison, ...]
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    valve_events: tuple[ValveEvent, ...]
    warnings: tuple[CodedWarning, ...]
    refused: str | None


# --- what the pipeline publishes ------------------------------------------------------------------


class Wave(_Message, kw_only=True, frozen=True):
    """Header of a waveform; the array travels beside it, C order, little-endian.

    kind "conditioned": filtered and thinned; its times refer to the unfiltered signal.
    kind "raw": as sampled, scaled to each probe's unit. NaN marks samples that were lost.
    """

    schema: Literal["evenstroke.wave/1"] = "evenstroke.wave/1"
    sequence: int
    kind: Literal["conditioned", "raw"]
    probes: tuple[str, ...]
    units: tuple[str, ...]
    dtype: Literal["<f4"] = "<f4"
    shape: tuple[int, int]
    t0_s: float
    dt_s: float


@dataclass(frozen=True, slots=True)
class WaveData:
    """A waveform as it travels inside the process: header and samples, shape (probes, samples)."""

    header: Wave
    samples: npt.NDArray[np.float32]


ANGLE_STEP_DEG = 30.0
"""Between two of a cycle's `angles_at_s`: speed changes little within it, and straight lines between them do."""


class CylinderPulse(_Message, kw_only=True, frozen=True):
    """One cylinder's pulse in one cycle. Positions count from 1 in order of coming."""

    cylinder: int | None
    position: int
    value: float | None  # the probe's leading feature: drop, rise, peak or compression
    value_unit: str
    from_s: float | None  # crest of a drop, trough of a rise; null where nothing was found
    to_s: float | None  # trough of a drop, crest of a rise
    left_out: str | None  # why this pulse does not count, or null
    firing_tdc_deg: float | None = None  # of that cylinder, crank degrees after the cycle's beginning


class CycleProbe(_Message, kw_only=True, frozen=True):
    probe: str
    feature: str
    pulses: tuple[CylinderPulse, ...]
    travel_s: float = 0.0  # what the gas takes from valve to probe by the set-up; 0 where it does not say


class Cycle(_Message, kw_only=True, frozen=True):
    """One complete engine cycle (720 crank degrees), as soon as it is measured."""

    schema: Literal["evenstroke.cycle/1"] = "evenstroke.cycle/1"
    sequence: int
    stretch: StretchKind
    index: int  # from 0 at the first complete cycle of its stretch
    from_s: float
    to_s: float
    rpm: float
    angle_uncertainty_deg: float | None
    left_out: str | None  # why the whole cycle does not count, or null
    probes: tuple[CycleProbe, ...]
    angles_at_s: tuple[float, ...] = ()  # when the engine had turned 0, 30, ... 720 degrees of the cycle


class Balance(_Message, kw_only=True, frozen=True):
    """All comparisons so far, after each cycle; the last one equals the judgement's."""

    schema: Literal["evenstroke.balance/1"] = "evenstroke.balance/1"
    sequence: int
    at_s: float
    cycles: int
    comparisons: tuple[Comparison, ...]


PhaseName = Literal["rest", "cranking", "running", "coasting"]


class FindingMessage(_Message, kw_only=True, frozen=True):
    """What to say now: findings so far, warnings, and one instruction."""

    schema: Literal["evenstroke.finding/1"] = "evenstroke.finding/1"
    sequence: int
    at_s: float
    phase: PhaseName  # what the engine is doing now, as far as syncs and teeth tell
    findings: tuple[Finding, ...]
    warnings: tuple[CodedWarning, ...]
    refused: str | None
    instruction: str
    more_cycles: int | None  # until every verdict would be settled, as far as can be told
    valve_events: tuple[ValveEvent, ...] = ()  # as they were known when the engine last came to rest


PipelineMessage = WaveData | Cycle | Balance | FindingMessage


# --- what the service publishes -------------------------------------------------------------------

LinkState = Literal["closed", "opening", "syncing", "streaming", "stalled", "failed"]


class Coaching(_Message, kw_only=True, frozen=True):
    """What the person at the key should do now; seconds are those of the service's clock.

    A crank counts from when it is seen: with one sync a cycle alone, up to two engine cycles late.
    """

    words: str
    alarm: Literal["stop"] | None  # the starter is to be let go now: enough, its limit, started, or no data
    cycles: int  # complete engine cycles so far
    more_cycles: int | None  # until every verdict would be settled, as far as can be told
    crank_s: float  # of the crank in progress; 0 when there is none
    starter_used_s: float  # since the starter's last full rest
    starter_total_s: float  # since the service began
    rest_left_s: float
    cranks: int  # done with this set-up: long enough to be a test, and undisturbed
    cranks_wanted: int  # 0 where the engine runs by itself
    battery: str | None  # in words with its volts; null where no probe tells
    battery_rest_v: float | None  # as the probe reads, like the next one; no uncertainty is claimed
    battery_lowest_v: float | None  # during the latest crank


class SetupNote(_Message, kw_only=True, frozen=True):
    """What the set-up does to a comparison, known before anyone cranks."""

    probe: str
    feature: str
    disturbed: tuple[int, ...]  # cylinders; empty: a clean comparison
    text: str


class FittedPart(_Message, kw_only=True, frozen=True):
    """What sits in a cylinder's plug hole, or is missing from it."""

    what: str
    cylinder: int
    added_volume_cc: float | None  # null where it is not known
    plug_removed: bool  # the hole is open


class State(_Message, kw_only=True, frozen=True):
    """Link, recording and set-up; published at each change and once a second."""

    schema: Literal["evenstroke.state/1"] = "evenstroke.state/1"
    sequence: int
    at_s: float
    link: LinkState
    reason: str
    port: str
    board: str | None
    firmware: str | None
    recording: str | None  # path of the open recording
    recording_problem: str | None
    setup_title: str
    engine: EngineInfo
    cautions: tuple[str, ...]
    setup_notes: tuple[SetupNote, ...] = ()
    firing_intervals_deg: tuple[float, ...] = ()  # from each cylinder in firing order to the next
    fitted: tuple[FittedPart, ...] = ()
    coach: Coaching | None  # null in a replay: nobody is at the key


class ProbeHealth(_Message, kw_only=True, frozen=True):
    """Signal health of one probe over the last seconds, before any judgement."""

    probe: str
    role: str
    unit: str
    state: Literal["waiting", "good", "doubtful", "bad"]
    problems: tuple[str, ...]  # codes, worst first
    advice: str
    low: float | None  # extremes over the last seconds, in `unit`; no uncertainty is claimed
    high: float | None
    noise_rms: float | None
    clipped_share: float | None
    events: int | None  # sync events or teeth so far
    signal_to_noise_db: float | None = (
        None  # pulse over what changes from cycle to cycle; no uncertainty is claimed
    )
    steps: int | None = None  # of the converter that the signal's swing fills
    lost_share: float | None = None
    mains_hz: float | None = None  # 50 or 60 where the mains stand out
    mains_amplitude: float | None = None  # of it with its harmonics, in `unit`


class LossCount(_Message, kw_only=True, frozen=True):
    reason: str
    frames: int
    blocks: int
    bytes: int


class QueueCount(_Message, kw_only=True, frozen=True):
    queue: str
    capacity: int
    depth: int
    dropped: int


class Health(_Message, kw_only=True, frozen=True):
    """Probes, losses and resources; once a second."""

    schema: Literal["evenstroke.health/1"] = "evenstroke.health/1"
    sequence: int
    at_s: float
    probes: tuple[ProbeHealth, ...]
    samples: int  # scans received
    lost_samples: int
    losses: tuple[LossCount, ...]
    board_overruns: int
    board_blocks_dropped: int
    board_edges_missed: int
    clock_ppm: float | None  # how much faster the board's clock runs than the host's
    clock_uncertainty_ppm: float | None  # 95 %, either side
    queues: tuple[QueueCount, ...]
    bytes_received: int
    bytes_recorded: int
    disk_free_bytes: int | None
    processor_share: float | None


PublishedMessage = Wave | Cycle | Balance | FindingMessage | State | Health

TOPIC_OF: dict[type, str] = {
    State: "state",
    Health: "health",
    Wave: "wave",
    Cycle: "cycle",
    Balance: "balance",
    FindingMessage: "finding",
}
"""ZeroMQ topic of each published type."""


def encode_header(message: PublishedMessage) -> bytes:
    """JSON bytes of a message, as in the second part of its ZeroMQ multipart."""
    return msgspec.json.encode(message)


def decode_header(topic: str, data: bytes) -> PublishedMessage:
    """The message of that topic.

    Raises KeyError for an unknown topic and msgspec.ValidationError, with the path, for a
    message that does not fit its type.
    """
    kind = {name: type_ for type_, name in TOPIC_OF.items()}[topic]
    message: PublishedMessage = msgspec.json.decode(data, type=kind)
    return message


# --- control: what others ask of the service ------------------------------------------------------


class _Request(msgspec.Struct, frozen=True, kw_only=True, tag_field="do", forbid_unknown_fields=True):
    id: str  # whatever the asker likes; the reply carries it
    schema: Literal["evenstroke.request/1"] = "evenstroke.request/1"


class GetState(_Request, frozen=True, kw_only=True, tag="get_state"):
    """What the link, the recording and the set-up are now."""


class StartRecording(_Request, frozen=True, kw_only=True, tag="start_recording"):
    """Begin a recording, with the last seconds in it."""

    folder: str | None = None  # null: the folder that `listen --record` named
    title: str | None = None  # null: the set-up's title


class StopRecording(_Request, frozen=True, kw_only=True, tag="stop_recording"):
    """Close the open recording."""


class Mark(_Request, frozen=True, kw_only=True, tag="mark"):
    """Put a note at this moment into the open recording."""

    text: str


class UseSetup(_Request, frozen=True, kw_only=True, tag="use_setup"):
    """Close the recording, and listen anew with another set-up."""

    toml: str


class StopListening(_Request, frozen=True, kw_only=True, tag="stop_listening"):
    """End the service in good order."""


Request = GetState | StartRecording | StopRecording | Mark | UseSetup | StopListening


class RequestError(_Message, kw_only=True, frozen=True):
    """Why a request was not done, as every error of evenstroke says it."""

    problem: str
    where: str
    expected: str
    found: str
    todo: str


class Reply(_Message, kw_only=True, frozen=True):
    """Answer to one request, to the one who asked."""

    schema: Literal["evenstroke.reply/1"] = "evenstroke.reply/1"
    id: str | None  # of the request; null where it could not be read
    done: bool
    error: RequestError | None
    recording: str | None  # path of the recording that was begun or closed
    state: State | None
