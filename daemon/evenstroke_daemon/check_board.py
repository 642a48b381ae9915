"""Does a real board work on this computer: who it is, its clock, what its inputs read at rest, whether anything is lost?

The engine stands still all the while: no figure here depends on one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import SampleBlock
from evenstroke_dsp.wording import counted
from evenstroke_protocol.events import Hello
from evenstroke_replay.new_setup import NewProbe, NewSetup, setup_text
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import open_recording

from .check_outcome import Check, Figure, failed, guarded, holds, measured, not_checked
from .command_ports import asked, board_words
from .recorded_session import Arrivals, RecordedSession, arrivals_in, record_session
from .serial_port import LinkError

CAUTION = (
    "The board's inputs are read for some seconds. The engine must be off, or nobody at the starter: no figure of this check "
    "depends on an engine, and none needs it to turn."
)
_MOST_LEFT_OVER = 100
"""Pieces that a board which was told to stop may still have to send."""
LISTEN_S = 10.0
"""The board's clock is known after seven."""
_UNIFORM = math.sqrt(12.0)
"""The RMS of what a step of the converter hides is the step over this."""
MOST_CLOCK_PPM = 5000.0
"""What a cheap resonator may be off by (common practice, no source)."""


@dataclass
class BoardCheck:
    """The steps in their order; each needs what those before it left, and says so where that is not there.

    folder: for a recording. rate_hz: None: the highest that the board takes of those it offers. say: told what is going on.
    """

    port: str
    baud: int
    rate_hz: int | None
    folder: Path
    say: Callable[[str], None] = lambda _: None
    hello: Hello | None = None
    rate: int = 0
    session: RecordedSession | None = None
    came: Arrivals | None = None

    def checks(self) -> Iterator[Check]:
        self.say(f"asking the board at {self.port}, then listening for {LISTEN_S:g} s")
        for name, step in (
            ("board", self.check_identity),
            ("board_losses", self.check_losses),
            ("board_clock", self.check_clock),
            ("board_noise", self.check_noise),
            ("usb_delay", self.check_delay),
        ):
            yield guarded(name, step)

    def check_identity(self) -> Check:
        """It answers, in this version of the wire format, and starts at a rate."""
        with asked(self.port, self.baud) as (_, hello):
            pass
        rate = self._rate_taken(hello)
        self.hello, self.rate = hello, rate
        return holds(
            "board",
            f"{self.port} at {self.baud} baud: {board_words(hello)}, serial number {hello.serial_number:016x}, wire format "
            f"{hello.protocol_version}, its power-up number {hello.boot_count}; takes {rate} Hz on "
            f"{counted(len(hello.analog_inputs), 'input')}",
            Figure("rate", rate, "Hz per input"),
        )

    def _rate_taken(self, hello: Hello) -> int:
        """The highest rate at which the board starts. Raises LinkError where there is none."""
        rates = (self.rate_hz,) if self.rate_hz is not None else tuple(sorted(hello.rates_hz, reverse=True))
        for rate in rates:
            try:
                with asked(self.port, self.baud) as (link, _):
                    link.start(rate, hello.analog_inputs)
                    link.stop()
                    # What it still sends must not be taken for damage of the run that follows.
                    for _ in range(_MOST_LEFT_OVER):
                        if link.read() is None:
                            break
                return rate
            except LinkError:
                # Its line may be too slow for a rate that it offers: it knows best.
                if rate == rates[-1]:
                    raise
        raise AssertionError("unreachable: a board offers at least one rate")

    def check_losses(self) -> Check:
        """Everything that it samples arrives."""
        hello = self.hello
        if hello is None:
            return not_checked("board_losses", "no board was found")
        text, setup = setup_text(
            NewSetup(
                cylinders=1,
                firing_order=[1],
                probes=[NewProbe("other", i) for i in hello.analog_inputs],
                title="self-check",
                rate_hz=self.rate,
                baud=self.baud,
            ),
            "the self-check's set-up",
        )
        self.session = record_session(self.port, setup, text, self.folder / "board", LISTEN_S)
        self.came = came = arrivals_in(self.session.path)
        return judge_losses(self.session, came)

    def check_clock(self) -> Check:
        """It runs as fast as time goes, within what a cheap resonator may be off by."""
        if self.came is None:
            return not_checked("board_clock", "nothing was recorded from it")
        return judge_clock(self.came)

    def check_noise(self) -> Check:
        """What each input reads while nothing turns."""
        if self.session is None or self.hello is None:
            return not_checked("board_noise", "nothing was recorded from it")
        return describe_inputs(self.session.path, self.hello)

    def check_delay(self) -> Check:
        """How evenly what it sends comes through cable, adapter and system."""
        if self.came is None:
            return not_checked("usb_delay", "nothing was recorded from it")
        came = self.came
        if came.clock is None:
            return not_checked(
                "usb_delay", "without knowing how the board's clock runs, what is late cannot be told"
            )
        return measured(
            "usb_delay",
            f"95 % of what came was at most {came.late_s * 1e3:.0f} ms later than the quickest, the latest "
            f"{came.latest_s * 1e3:.0f} ms; by how much the quickest is late cannot be told from one end",
            Figure("late", came.late_s * 1e3, "ms"),
            Figure("latest", came.latest_s * 1e3, "ms"),
            Figure("worst_wait", came.worst_wait_s * 1e3, "ms"),
        )


def judge_losses(session: RecordedSession, came: Arrivals) -> Check:
    health = session.health
    lost = sum(gap.lost_samples for gap in came.gaps)
    figures = (
        Figure("delivered", came.in_all, "scans"),
        Figure("lost", lost, "scans"),
        Figure("board_overruns", health.board_overruns, "conversions"),
        Figure("board_blocks_dropped", health.board_blocks_dropped, "blocks"),
    )
    # Of frames alone: what a board says while it wakes up is often damaged, and no samples are in it.
    by_reason = [f"{loss.reason.replace('_', ' ')}: {loss.frames + loss.blocks}" for loss in health.losses]
    text = f"{came.in_all} scans came at {came.asked_hz} Hz per input in {came.span_s:.1f} s"
    damaged = f" (frames damaged or missing, by reason: {', '.join(by_reason)})" if by_reason else ""
    if lost or health.board_overruns or health.board_blocks_dropped:
        return failed(
            "board_losses",
            f"{text}, {lost} lost{damaged}; the board itself lost {counted(health.board_blocks_dropped, 'block')} and "
            f"{counted(health.board_overruns, 'conversion')}",
            *figures,
            todo="a lower rate, a shorter cable, another socket, and close other programs",
        )
    return holds("board_losses", f"{text}, none lost on the way or on the board{damaged}", *figures)


def judge_clock(came: Arrivals) -> Check:
    clock = came.clock
    if clock is None:
        return not_checked(
            "board_clock",
            "what came did not come in real time, or not for long enough",
            todo="run this again with nothing else on the computer; a virtual rig at another --speed has no clock to check",
        )
    text = f"{clock.ppm:+.0f} ppm (± {clock.uncertainty_ppm:.0f}, 95 %) against this computer's, over {came.span_s:.1f} s"
    figure = Figure("clock", clock.ppm, "ppm", clock.uncertainty_ppm)
    if abs(clock.ppm) - clock.uncertainty_ppm > MOST_CLOCK_PPM:
        return failed(
            "board_clock",
            f"{text}: more than the {MOST_CLOCK_PPM:g} ppm that a cheap resonator may be off by",
            figure,
            todo="flash the firmware that is for this board's crystal; speeds and times would be off by as much",
        )
    return holds("board_clock", text, figure)


def describe_inputs(path: Path, hello: Hello) -> Check:
    """Mean and noise of each input, volts at the board's pin. Raises what reading the recording raises."""
    recording = open_recording(path)
    blocks = [b for b in blocks_of(recording, recording.setup) if isinstance(b, SampleBlock)]
    volts = np.concatenate([b.volts for b in blocks], axis=1)
    step_mv = hello.adc_reference_mv / (1 << hello.adc_bits)
    said, figures = [], [Figure("step", step_mv, "mV")]
    for key, row in zip(blocks[0].inputs, volts, strict=True):
        name = hello.inputs[int(key)].name
        mean, noise_mv = float(row.mean()), float(row.std()) * 1e3
        at_end = row.min() * 1e3 < step_mv or row.max() * 1e3 > hello.adc_reference_mv - 1.5 * step_mv
        noise = f"{noise_mv:.1f} mV" if noise_mv > step_mv / _UNIFORM else "less than a step shows"
        said.append(f"{name} {mean:.3f} V, noise {noise}{', at the end of its range' if at_end else ''}")
        figures += [
            Figure(f"input_{key}_mean", mean, "V"),
            Figure(f"input_{key}_noise_rms", noise_mv, "mV"),
        ]
    return measured(
        "board_noise",
        f"{'; '.join(said)}. Noise is RMS about the mean over {volts.shape[1]} samples; a step of the converter is "
        f"{step_mv:.2g} mV. What is normal depends on what is connected: with nothing connected an input shows what it picks up",
        *figures,
    )
