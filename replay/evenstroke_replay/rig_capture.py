"""A capture or a recording, played as if the virtual board had sampled it.

Between its samples the volts are a cubic spline (not-a-knot), whose error is of fourth order in the
capture's step; levels in edge roles are piecewise cubic Hermite (Fritsch and Carlson 1980), which
never overshoots. Where the capture has a gap or empty cells a board has none: the last value is held,
and `held_s` says for how long.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Block, EdgeBlock, Floats, SampleBlock
from evenstroke_dsp.setup import EDGE_ROLES, Probe, Setup
from evenstroke_protocol.events import InputInfo, InputKind
from scipy.interpolate import CubicSpline, PchipInterpolator

from .capture_csv import read_capture
from .player import blocks_of
from .recording import open_recording
from .rig_source import MOST_INPUTS, EdgeTimeline, RigError, SourceEdge

_SAME_STEP = 1e-6


def capture_source(path: Path, setup: Setup, time_column: str | None = None) -> BlockSource:
    """A capture as CSV. Raises CaptureError where it cannot be read, RigError where it cannot be wired."""
    return BlockSource(setup, read_capture(path, setup, time_column).blocks())


def recording_source(path: Path, setup: Setup | None = None) -> BlockSource:
    """A recording, with the set-up that it was made with unless another one is given.

    Raises RecordingError or SetupError where it cannot be read, RigError where it cannot be wired.
    """
    recording = open_recording(path)
    setup = setup if setup is not None else recording.setup
    return BlockSource(setup, blocks_of(recording, setup))


class BlockSource:
    """Blocks of volts and edges, played from the first one's time on; a `Source`.

    A probe's data are on the input that the set-up gives it; those of a set-up for a CSV file take
    the inputs from 0 on, in their order. wiring: probe by input. held_s: seconds of volts that were
    not there, per input. Raises RigError where there is nothing to play or too few inputs.
    """

    def __init__(self, setup: Setup, blocks: Iterable[Block]) -> None:
        self.wiring: dict[int, Probe] = _wire(setup)
        input_of = {probe.key: i for i, probe in self.wiring.items()}
        sampled: dict[int, list[_Stretch]] = {}
        changed: dict[int, list[EdgeBlock]] = {}
        begins, ends = np.inf, -np.inf
        for block in blocks:
            if isinstance(block, SampleBlock):
                begins = min(begins, block.t0)
                ends = max(ends, block.t0 + block.samples * block.dt)
                for row, key in enumerate(block.inputs):
                    stretches = sampled.setdefault(input_of[key], [])
                    t0 = block.t0 + row * block.skew
                    if not stretches or not stretches[-1].goes_on(t0, block.dt):
                        stretches.append(_Stretch(t0, block.dt))
                    stretches[-1].add(block.volts[row])
            elif isinstance(block, EdgeBlock):
                begins = min(begins, float(block.times[0]) if len(block.times) else block.until)
                ends = max(ends, block.until)
                changed.setdefault(input_of[block.input], []).append(block)
        if not begins < ends:
            raise RigError(
                "there is nothing to play",
                where="capture",
                expected="samples or level changes",
                found="none",
                todo="give a capture or a recording with data",
            )
        self._begins = begins
        self.ends_at_s: float | None = ends - begins
        self.held_s: dict[int, float] = {}
        self._pieces: dict[int, list[_Piece]] = {}
        for i, stretches in sampled.items():
            levels = self.wiring[i].role in EDGE_ROLES
            self._pieces[i] = [piece for stretch in stretches for piece in _pieces(stretch, levels)]
            held = ends - begins - sum(piece.lasts for piece in self._pieces[i])
            if held > 1.5 * stretches[0].dt:
                self.held_s[i] = held
        self._timeline = EdgeTimeline(
            {
                i: (
                    np.concatenate([b.times for b in parts]) - begins,
                    np.concatenate([b.rising for b in parts]),
                )
                for i, parts in sorted(changed.items())
            }
        )
        self._edge_inputs = frozenset(changed)

    @property
    def inputs(self) -> tuple[InputInfo, ...]:
        return tuple(
            InputInfo(InputKind.EDGE, f"edge {i}")
            if i in self._edge_inputs
            else InputInfo(InputKind.ANALOG, f"analog {i}")
            for i in range(max(self.wiring) + 1)
        )

    def volts(self, inputs: tuple[int, ...], times: Floats) -> Floats:
        out = np.zeros_like(times)
        for row, i in enumerate(inputs):
            if self._pieces.get(i):
                out[row] = _at(self._pieces[i], times[row] + self._begins)
        return out

    def edges(self, t_from: float, t_to: float) -> list[SourceEdge]:
        return self._timeline.between(t_from, t_to)


class _Stretch:
    """One input's samples as long as they follow each other at one period."""

    def __init__(self, t0: float, dt: float) -> None:
        self.t0 = t0
        self.dt = dt
        self._parts: list[Floats] = []
        self._samples = 0

    def goes_on(self, t0: float, dt: float) -> bool:
        expected = self.t0 + self._samples * self.dt
        return abs(dt / self.dt - 1.0) < _SAME_STEP and abs(t0 - expected) < 0.5 * dt

    def add(self, volts: Floats) -> None:
        self._parts.append(volts)
        self._samples += len(volts)

    @property
    def volts(self) -> Floats:
        return np.concatenate(self._parts)


class _Piece:
    """An unbroken stretch of one input's volts, as a function of the capture's own time."""

    def __init__(self, t0: float, dt: float, volts: Floats, levels: bool) -> None:
        self.begins = t0
        self.last = t0 + (len(volts) - 1) * dt
        self.lasts = len(volts) * dt
        times = t0 + np.arange(len(volts)) * dt
        self._between: Callable[[Floats], Floats] | None = None
        if len(volts) > 1:
            self._between = PchipInterpolator(times, volts) if levels else CubicSpline(times, volts)
        self._only = float(volts[0])

    def __call__(self, times: Floats) -> Floats:
        """Volts at any times: before its first sample the first, after its last the last."""
        if self._between is None:
            return np.full(len(times), self._only)
        return np.asarray(self._between(np.clip(times, self.begins, self.last)))


def _pieces(stretch: _Stretch, levels: bool) -> list[_Piece]:
    """A stretch without its empty cells."""
    volts = stretch.volts
    known = np.concatenate(([False], ~np.isnan(volts), [False]))
    bounds = np.flatnonzero(known[1:] != known[:-1])
    return [
        _Piece(stretch.t0 + begin * stretch.dt, stretch.dt, volts[begin:end], levels)
        for begin, end in zip(bounds[::2], bounds[1::2], strict=True)
    ]


def _at(pieces: list[_Piece], times: Floats) -> Floats:
    number = np.searchsorted([piece.begins for piece in pieces], times, side="right") - 1
    number = np.maximum(number, 0)
    out = np.empty_like(times)
    for k in np.unique(number):
        mine = number == k
        out[mine] = pieces[k](times[mine])
    return out


def _wire(setup: Setup) -> dict[int, Probe]:
    """A set-up has inputs for all of its probes (a board) or for none (a CSV file)."""
    wired = {index if p.input is None else p.input: p for index, p in enumerate(setup.probe)}
    if max(wired) >= MOST_INPUTS:
        raise RigError(
            "the virtual board has too few inputs",
            where="set-up",
            expected=f"inputs 0 to {MOST_INPUTS - 1}",
            found=f"input {max(wired)}",
            todo="number the inputs from 0, and leave out probes that are not needed",
        )
    return wired
