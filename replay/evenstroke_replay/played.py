"""What playing a recording said, and copies of the player's state, in a file that grows as it is played.

One process plays and writes (`PlayedWriter`), another one reads (`Played`): what it needs beside the file are the
entries that the writer hands out. So any second can be shown at once, and memory holds no more than a line for each entry.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np
import zstandard
from evenstroke_dsp.messages import Balance, Cycle, FindingMessage, Wave, WaveData

from .playback import Copy, Moment

_COPY_EVERY_S = 5.0
_MORE_APART = 1 / 64
"""Of the time that was played: further on copies stand further apart, so that an hour needs three times what ten minutes do."""
_LONGEST_WAVE_S = 1.0
_AROUND_S = 3.0
"""Before and behind a cycle: its pulses may begin before it and end after it."""

Kind = Literal["cycle", "balance", "finding", "wave", "note", "copy"]
Known = Cycle | Balance | FindingMessage | WaveData


class Entry(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Where something stands in the file. at_s: the moment that brought it; from_s, to_s: the time that it is about.

    number: cycles said before a copy; place: a copy's in the recording.
    """

    kind: Kind
    at_s: float
    offset: int
    length: int
    from_s: float = 0.0
    to_s: float = 0.0
    number: int = 0
    place: int = 0


class News(msgspec.Struct, frozen=True, array_like=True):
    """What a writer has written since it was last asked. All that moments up to `reached_s` said is in it."""

    reached_s: float
    entries: tuple[Entry, ...]


class PlayedWriter:
    """Takes moments in the order in which they are played; keeps the playback's copies, too.

    Raises OSError where the file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._stream = path.open("wb")
        self._pack = zstandard.ZstdCompressor(level=1).compress
        self._offset = 0
        self._entries: list[Entry] = []
        self._waves: list[WaveData] = []
        self._next_copy_s = _COPY_EVERY_S
        self.reached_s = 0.0

    def close(self) -> None:
        self._stream.close()

    def take(self, moment: Moment) -> None:
        self.reached_s = moment.at_s
        for note in moment.notes:
            self._write("note", moment.at_s, note.encode())
        for message in moment.messages:
            if isinstance(message, WaveData):
                if message.header.kind == "conditioned":
                    self._add_wave(message)
                continue
            self._flush_waves()  # what a cycle is cut from stands before it
            kind: Kind = (
                "cycle"
                if isinstance(message, Cycle)
                else "balance"
                if isinstance(message, Balance)
                else "finding"
            )
            span = (message.from_s, message.to_s) if isinstance(message, Cycle) else (0.0, 0.0)
            self._write(kind, moment.at_s, msgspec.msgpack.encode(message), *span)

    def finish(self) -> None:
        """No more moments come."""
        self._flush_waves()

    def _add_wave(self, wave: WaveData) -> None:
        if self._waves and not _joins(self._waves, wave):
            self._flush_waves()
        self._waves.append(wave)

    def _flush_waves(self) -> None:
        if not self._waves:
            return
        samples = np.concatenate([wave.samples for wave in self._waves], axis=1)
        header = msgspec.structs.replace(self._waves[0].header, shape=samples.shape)
        self._waves.clear()
        packed = msgspec.msgpack.encode((header, np.ascontiguousarray(samples, "<f4").tobytes()))
        to_s = header.t0_s + samples.shape[1] * header.dt_s
        self._write("wave", self.reached_s, packed, header.t0_s, to_s)

    def _write(
        self, kind: Kind, at_s: float, data: bytes, from_s: float = 0.0, to_s: float = 0.0, *more: int
    ) -> None:
        packed = self._pack(data)
        self._stream.write(packed)
        self._entries.append(Entry(kind, at_s, self._offset, len(packed), from_s, to_s, *more))
        self._offset += len(packed)

    def news(self) -> News:
        """Whoever gets it can read all of it."""
        self._stream.flush()
        entries, self._entries = tuple(self._entries), []
        return News(self.reached_s, entries)

    # --- copies of the playback -------------------------------------------------------------------------

    def due(self, at_s: float) -> bool:
        return at_s >= self._next_copy_s

    def keep(self, at_s: float, cycles: int, place: int, state: bytes) -> None:
        self._flush_waves()  # so that a wave lies before a copy or behind it
        self._write("copy", at_s, state, 0.0, 0.0, cycles, place)
        self._next_copy_s = at_s + max(_COPY_EVERY_S, _MORE_APART * at_s)

    def latest(self, before: Callable[[Copy], bool]) -> Copy | None:
        """Who writes only goes on."""
        return None


class Played:
    """Reads what was written so far.

    reached_s: up to where all is known. Raises OSError where the file cannot be read.
    """

    def __init__(self, path: Path) -> None:
        path.touch()
        self._stream = path.open("rb")
        self._unpack = zstandard.ZstdDecompressor().decompress
        self._by_kind: dict[Kind, list[Entry]] = {
            kind: [] for kind in ("cycle", "balance", "finding", "wave", "note", "copy")
        }
        self.reached_s = 0.0

    def close(self) -> None:
        self._stream.close()

    def add(self, news: News) -> None:
        for entry in news.entries:
            self._by_kind[entry.kind].append(entry)
        self.reached_s = news.reached_s

    def _before(self, kind: Kind, at_s: float) -> list[Entry]:
        entries = self._by_kind[kind]
        return entries[: bisect.bisect_left(entries, at_s, key=lambda entry: entry.at_s)]

    def _read(self, entry: Entry) -> bytes:
        self._stream.seek(entry.offset)
        return self._unpack(self._stream.read(entry.length))

    def known_at(self, at_s: float, *, cycles: int, cut: int, waves_s: float) -> list[Known]:
        """What was said before this moment, in the order in which it was said: the last `cycles` cycles, the conditioned
        waveforms around the last `cut` of them and of the last `waves_s` seconds, the last balance and finding."""
        counted = self._before("cycle", at_s)[-cycles:]
        spans = _joined([(c.from_s - _AROUND_S, c.to_s + _AROUND_S) for c in counted[-cut:]])
        begins = [span[0] for span in spans]

        def wanted(wave: Entry) -> bool:
            place = bisect.bisect_right(begins, wave.to_s) - 1
            return wave.to_s > at_s - waves_s or (place >= 0 and wave.from_s <= spans[place][1])

        entries = [wave for wave in self._before("wave", at_s) if wanted(wave)] + counted
        entries += self._before("balance", at_s)[-1:] + self._before("finding", at_s)[-1:]
        return [self._message(entry) for entry in sorted(entries, key=lambda entry: entry.offset)]

    def notes_at(self, at_s: float) -> list[tuple[float, str]]:
        """What somebody had said before this moment, and when."""
        return [(entry.at_s, self._read(entry).decode()) for entry in self._before("note", at_s)]

    def _message(self, entry: Entry) -> Known:
        data = self._read(entry)
        if entry.kind == "wave":
            header, samples = msgspec.msgpack.decode(data, type=tuple[Wave, bytes])
            return WaveData(header, np.frombuffer(samples, "<f4").reshape(header.shape))
        kinds = {"cycle": Cycle, "balance": Balance, "finding": FindingMessage}
        message: Cycle | Balance | FindingMessage = msgspec.msgpack.decode(data, type=kinds[entry.kind])
        return message

    # --- copies of the playback -------------------------------------------------------------------------

    def due(self, _: float) -> bool:
        """Who reads keeps none of its own."""
        return False

    def keep(self, at_s: float, cycles: int, place: int, state: bytes) -> None:
        raise AssertionError("none is due")

    def latest(self, before: Callable[[Copy], bool]) -> Copy | None:
        for entry in reversed(self._by_kind["copy"]):
            copy = Copy(entry.at_s, entry.number, entry.place, lambda e=entry: self._read(e))  # type: ignore[misc]
            if before(copy):
                return copy
        return None


def _joins(waves: list[WaveData], wave: WaveData) -> bool:
    """Whether it goes on where these end, and they are no second long yet."""
    first, last = waves[0].header, waves[-1].header
    same = (first.probes, first.units, first.dt_s) == (
        wave.header.probes,
        wave.header.units,
        wave.header.dt_s,
    )
    end_s = last.t0_s + last.shape[1] * last.dt_s
    short = wave.header.t0_s - first.t0_s < _LONGEST_WAVE_S
    return same and short and abs(end_s - wave.header.t0_s) < 0.5 * last.dt_s


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Ascending spans of time, those that overlap as one."""
    out: list[tuple[float, float]] = []
    for begin, end in sorted(spans):
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((begin, end))
    return out
