"""Exported as WAV: for programs that show and filter sound. One channel for each sampled probe, 32-bit floats.

A WAV file has no seconds, no gaps and no units: those are filled, rounded and left out here, and each is said.
The comment is an INFO list (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991).
"""

from __future__ import annotations

import struct
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.wording import counted, listed
from scipy.io import wavfile

from .export_csv import write_csv
from .export_facts import UNKNOWN, clock_words
from .export_plan import ExportError, ExportPlan, beside
from .measured import Measured
from .tables import level_table

_MOST_BYTES = (1 << 32) - (1 << 20)
"""Sizes inside the file are 32 bits; the rest is for its heads and the comment."""


def plan_wav(measured: Measured, setup_text: str, out: Path) -> ExportPlan:
    """The sound, and level changes as CSV beside it, which are no samples.

    Raises ExportError where nothing was sampled, or more than such a file can hold.
    """
    if not measured.sampled or measured.period_s is None:
        raise ExportError(
            "a WAV file holds samples, and there are none",
            where=str(out),
            expected="a probe that was sampled",
            found="level changes only",
            todo="export it as .csv, .mat, .parquet or .mf4",
        )
    rate = 1.0 / measured.period_s
    whole_rate = max(1, round(rate))
    place = np.round((measured.times - measured.times[0]) / measured.period_s).astype(np.int64)
    frames = int(place[-1]) + 1
    size = 4 * frames * len(measured.sampled)
    if size > _MOST_BYTES:
        raise ExportError(
            "this is more than a WAV file can hold",
            where=str(out),
            expected="up to 4 GB",
            found=f"{size / 1e9:.1f} GB, from {measured.times[0]:.1f} to {measured.times[-1]:.1f} s",
            todo="export it as .parquet or .mf4",
        )
    largest = max(float(np.nanmax(np.abs(one.volts), initial=0.0)) for one in measured.sampled)
    full_scale_v = float(2.0 ** np.ceil(np.log2(largest))) if largest > 0 else 1.0
    words = [
        f"1.0 in the file is {full_scale_v:g} V; a float has 24 bits, so that volts are rounded by at most "
        f"{full_scale_v * 2.0**-25 * 1e6:.2g} uV",
        "channels: " + ", ".join(f"{k} {one.probe.name}" for k, one in enumerate(measured.sampled, 1)),
    ]
    off_ppm = 1e6 * (whole_rate / rate - 1.0)
    if abs(off_ppm) > 1e-3:
        words.append(
            f"the rate of {rate:.6f} Hz is rounded to {whole_rate} Hz, which a WAV file holds as a whole number: times read "
            f"from it are {abs(off_ppm):.3g} ppm too {'short' if off_ppm > 0 else 'long'}"
        )
    latest = max(measured.sampled, key=lambda one: abs(one.late_s))
    if latest.late_s:
        words.append(
            "channels were sampled one behind the other, which a WAV file cannot say: "
            f"{latest.probe.name} last, {latest.late_s * 1e6:.4g} us after {measured.sampled[0].probe.name}"
        )
    moved_s = float(np.abs(measured.times - measured.times[0] - place * measured.period_s).max())
    if moved_s > 1e-3 * measured.period_s:
        words.append(
            f"samples behind a gap were moved onto the file's even steps, by up to {moved_s * 1e6:.3g} us"
        )
    filled = [_on_grid(one.volts, place, frames) for one in measured.sampled]
    for held in sorted({held for _, held in filled if held}):
        names = listed(
            one.probe.name for one, (_, n) in zip(measured.sampled, filled, strict=True) if n == held
        )
        words.append(
            f"{names}: {counted(held, 'sample')} ({held * measured.period_s:.4f} s) did not arrive, or were empty; the value "
            "before is held there"
        )
    sound = np.stack([(volts / full_scale_v).astype(np.float32) for volts, _ in filled], axis=1)
    levels = level_table(measured)
    said = list(words)
    files = [
        (
            out,
            partial(_write_wav, rate=whole_rate, sound=sound, comment=_comment(measured, words, setup_text)),
        )
    ]
    if levels:
        level_file = beside(out, "wav.edges", ".csv")  # a CSV of the same name may have its own
        files.append((level_file, partial(write_csv, columns=levels)))
        names = listed(column.name for column in levels[1:])
        said.append(f"{level_file.name} has the level changes of {names}, which are no samples")
    said.append(
        f"seconds count from the first sample, which was second {measured.times[0]:.6g} of {measured.source}"
    )
    return ExportPlan(tuple(files), tuple(said))


def _on_grid(volts: Floats, place: npt.NDArray[np.int64], frames: int) -> tuple[Floats, int]:
    """Every sample at its place, the value before where there is none, and how many are so."""
    even = np.full(frames, np.nan)
    even[place] = volts
    known = np.flatnonzero(~np.isnan(even))
    held = frames - known.size
    if not known.size:
        return np.zeros(frames), held
    before = np.searchsorted(known, np.arange(frames), side="right") - 1
    return even[known[np.maximum(before, 0)]], held


def _comment(measured: Measured, words: list[str], setup_text: str) -> str:
    scales = [
        f"{one.probe.name} ({one.probe.role}): {one.probe.volts_per_unit:g} V per {one.probe.unit}, 0 at "
        f"{one.probe.volts_at_zero:g} V"
        if one.probe.volts_per_unit is not None
        else f"{one.probe.name} ({one.probe.role}): no scale known, volts"
        for one in measured.sampled
    ]
    marks = [f"at {mark.at_s:.3f} s: {mark.text}" for mark in measured.marks]
    said = [
        f"From {measured.source}, by evenstroke; second 0 of that at {measured.recorded_at or UNKNOWN}",
        f"Board's clock: {clock_words(measured.clock)}",
        *words,
        *scales,
        *measured.lost,
        *measured.remarks,
        *marks,
        "Set-up:",
    ]
    return "\n".join(said) + "\n" + setup_text


def _write_wav(path: Path, rate: int, sound: npt.NDArray[np.float32], comment: str) -> None:
    with path.open("w+b") as stream:
        wavfile.write(stream, rate, sound)
        text = comment.encode() + b"\0"
        text += b"\0" * (len(text) % 2)
        entry = b"INFO" + b"ICMT" + struct.pack("<I", len(text)) + text
        stream.seek(0, 2)
        stream.write(b"\0" * (stream.tell() % 2) + b"LIST" + struct.pack("<I", len(entry)) + entry)
        size = stream.tell()
        stream.seek(4)
        stream.write(struct.pack("<I", size - 8))
