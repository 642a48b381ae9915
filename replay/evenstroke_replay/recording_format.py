"""What a recording holds, as FORMAT.md describes it: names, versions and encodings in one place.

The recorder encodes with these functions and the reader decodes with their counterparts.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, InputKey, SampleBlock
from evenstroke_dsp.messages import CodedWarning, PhaseName, SetupNote
from evenstroke_protocol.errors import EvenstrokeError

PROFILE = "evenstroke"
FORMAT_VERSION = 1
META_NAME = "evenstroke.recording"
_META_CHECKSUM = "crc32"
SETUP_NAME = "setup.toml"
SETUP_MEDIA_TYPE = "application/toml"

Source = Literal["board", "import"]
Missing = Literal["here", "behind"]


class RecordingError(EvenstrokeError):
    """A recording cannot be written, or not be read as it is."""


class RecordingMeta(msgspec.Struct, frozen=True, kw_only=True):
    """Where a recording comes from.

    started_at: wall time of its beginning, ISO 8601; a monotonic clock then read started_host_ns.
    setup_notes: what the set-up check said of each comparison before it began.
    For an imported capture: its file, the SHA-256 of its bytes, its duration and what was noticed
    while it was read.
    """

    format_version: int
    evenstroke_version: str
    started_at: str
    started_host_ns: int
    source: Source
    imported_file: str | None = None
    imported_sha256: str | None = None
    imported_duration_s: float | None = None
    imported_warnings: tuple[CodedWarning, ...] = ()
    setup_notes: tuple[SetupNote, ...] = ()


class Note(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Something the user said, or what evenstroke must say of the recording itself, at the message's log time.

    missing: data are missing here, or all that came behind this place; null: none are.
    """

    text: str
    missing: Missing | None = None


class Phase(msgspec.Struct, frozen=True, kw_only=True):
    """What is being done to the engine from the message's log time on."""

    phase: PhaseName


class _SamplesHeader(msgspec.Struct, frozen=True, kw_only=True):
    inputs: tuple[InputKey, ...]
    samples: int
    t0_s: float
    dt_s: float
    skew_s: float
    offsets_s: tuple[float, ...] = ()


class _EdgesHeader(msgspec.Struct, frozen=True, kw_only=True):
    input: InputKey
    edges: int
    until_s: float


class _GapMessage(msgspec.Struct, frozen=True, kw_only=True):
    from_s: float
    to_s: float
    lost_samples: int
    reason: GapReason


@dataclass(frozen=True)
class ChannelKind:
    """A channel of the format: its topic, the encoding of its messages and their schema."""

    topic: str
    message_encoding: str
    schema_name: str | None
    schema_of: type[msgspec.Struct] | None

    def schema_text(self) -> bytes:
        return msgspec.json.encode(msgspec.json.schema(self.schema_of)) if self.schema_of else b""


BOARD_BYTES = ChannelKind("board/bytes", "x-evenstroke-frames", None, None)
NOTES = ChannelKind("notes", "json", "evenstroke.Note", Note)
PHASES = ChannelKind("phases", "json", "evenstroke.Phase", Phase)
IMPORT_SAMPLES = ChannelKind(
    "import/samples", "x-evenstroke-header-array", "evenstroke.SamplesHeader", _SamplesHeader
)
IMPORT_EDGES = ChannelKind(
    "import/edges", "x-evenstroke-header-array", "evenstroke.EdgesHeader", _EdgesHeader
)
IMPORT_GAPS = ChannelKind("import/gaps", "json", "evenstroke.Gap", _GapMessage)
CHANNELS = (BOARD_BYTES, NOTES, PHASES, IMPORT_SAMPLES, IMPORT_EDGES, IMPORT_GAPS)


def encode_meta(meta: RecordingMeta) -> dict[str, str]:
    """MCAP metadata are text by text: every field as its JSON, and the checksum that MCAP has none for."""
    fields = {name: msgspec.json.encode(getattr(meta, name)).decode() for name in meta.__struct_fields__}
    return fields | {_META_CHECKSUM: str(_checksum(fields))}


def decode_meta(fields: dict[str, str]) -> RecordingMeta:
    """Raises msgspec.DecodeError (ValidationError included) where a field is missing or does not fit."""
    known = {name: msgspec.Raw(text.encode()) for name, text in fields.items()}
    return msgspec.json.decode(msgspec.json.encode(known), type=RecordingMeta)


def check_meta(fields: dict[str, str]) -> None:
    """Raises msgspec.ValidationError where they are not what their checksum says."""
    others = {name: text for name, text in fields.items() if name != _META_CHECKSUM}
    if fields.get(_META_CHECKSUM) != str(_checksum(others)):
        raise msgspec.ValidationError("its checksum does not match")


def _checksum(fields: dict[str, str]) -> int:
    return zlib.crc32("".join(f"{name}={fields[name]}\n" for name in sorted(fields)).encode())


def _with_header(header: msgspec.Struct, *arrays: bytes) -> bytes:
    text = msgspec.json.encode(header)
    # Blanks up to a multiple of 8, so that the numbers behind it can be used where they lie.
    text += b" " * (-(4 + len(text)) % 8)
    return b"".join((struct.pack("<I", len(text)), text, *arrays))


def _split_header(data: bytes) -> tuple[bytes, memoryview]:
    (length,) = struct.unpack_from("<I", data)
    if 4 + length > len(data):
        raise ValueError(f"a header of {length} bytes in a message of {len(data)}")
    return data[4 : 4 + length], memoryview(data)[4 + length :]


def encode_samples(block: SampleBlock) -> bytes:
    header = _SamplesHeader(
        inputs=block.inputs,
        samples=block.samples,
        t0_s=block.t0,
        dt_s=block.dt,
        skew_s=block.skew,
        offsets_s=block.offsets,
    )
    return _with_header(header, block.volts.astype("<f8").tobytes())


def decode_samples(data: bytes) -> SampleBlock:
    """Raises ValueError or msgspec.DecodeError for anything that `encode_samples` does not write."""
    text, body = _split_header(data)
    header = msgspec.json.decode(text, type=_SamplesHeader)
    volts = np.frombuffer(body, dtype="<f8").reshape(len(header.inputs), header.samples)
    return SampleBlock(
        inputs=header.inputs,
        volts=volts.astype(np.float64),
        t0=header.t0_s,
        dt=header.dt_s,
        skew=header.skew_s,
        offsets=header.offsets_s,
    )


def encode_edges(block: EdgeBlock) -> bytes:
    header = _EdgesHeader(input=block.input, edges=int(block.times.size), until_s=block.until)
    return _with_header(header, block.times.astype("<f8").tobytes(), block.rising.astype(np.uint8).tobytes())


def decode_edges(data: bytes) -> EdgeBlock:
    """Raises ValueError or msgspec.DecodeError for anything that `encode_edges` does not write."""
    text, body = _split_header(data)
    header = msgspec.json.decode(text, type=_EdgesHeader)
    if len(body) != 9 * header.edges:
        raise ValueError(f"{len(body)} bytes for {header.edges} edges")
    times = np.frombuffer(body[: 8 * header.edges], dtype="<f8").astype(np.float64)
    rising = np.frombuffer(body[8 * header.edges :], dtype=np.uint8).astype(np.bool_)
    return EdgeBlock(header.input, times, rising, header.until_s)


def encode_gap(gap: Gap) -> bytes:
    message = _GapMessage(from_s=gap.t_from, to_s=gap.t_to, lost_samples=gap.lost_samples, reason=gap.reason)
    return msgspec.json.encode(message)


def decode_gap(data: bytes) -> Gap:
    """Raises msgspec.DecodeError for anything that `encode_gap` does not write."""
    gap = msgspec.json.decode(data, type=_GapMessage)
    return Gap(gap.from_s, gap.to_s, gap.lost_samples, gap.reason)
