"""The counting test: does every count that a board takes arrive, through its firmware, cable and driver?

The board sends numbers in place of its converter's (SPEC.md, "Counting test signal"), so that what is lost or altered
anywhere on the way is arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import NEED_DATA, Counters, Hello, Loss, Samples
from evenstroke_replay.rig_counting import counting_signal

from .link import Chunk, Link

COUNT_S = 5.0
"""Of the board's own time."""


@dataclass(slots=True)
class Counted:
    """scans: of so many inputs, what arrived. missing: scans that did not. wrong: counts that are not what they had to be.
    damaged: frames or pieces of them. overruns, blocks_dropped: what the board says that it lost itself."""

    rate_hz: int
    inputs: int
    scans: int = 0
    missing: int = 0
    wrong: int = 0
    damaged: int = 0
    overruns: int = 0
    blocks_dropped: int = 0

    @property
    def whole(self) -> bool:
        return not (self.missing or self.wrong or self.damaged or self.overruns or self.blocks_dropped)

    def __str__(self) -> str:
        sent = f"counting test, {self.scans / self.rate_hz:.1f} s at {self.rate_hz} Hz: {self.scans * self.inputs} counts"
        if self.whole:
            return f"{sent}, none lost, none wrong"
        return (
            f"{sent}; {self.missing} scans lost, {self.wrong} counts wrong, {self.damaged} frames damaged "
            f"(the board itself lost {self.blocks_dropped} blocks and {self.overruns} conversions): try a lower rate, "
            "a shorter cable, another socket"
        )


def count(link: Link, hello: Hello, rate_hz: int) -> Counted:
    """Run the test on an identified board, on all of its analog inputs, and stop it.

    Raises LinkError where the board declines the rate, falls silent or goes away.
    """
    inputs = hello.analog_inputs
    counted = Counted(rate_hz, len(inputs))
    decoder = FrameDecoder()
    begins: int | None = None
    expected = 0  # the scan that comes next
    waiting: list[Chunk] = link.start(rate_hz, inputs, counting=True)
    while expected < COUNT_S * rate_hz:
        for chunk in waiting:
            valid = False
            decoder.receive(chunk.data)
            while (event := decoder.next_event()) is not NEED_DATA:
                valid = valid or not isinstance(event, Loss)
                match event:
                    case Loss() if begins is not None:
                        counted.damaged += 1
                    case Samples() if event.counting:
                        if begins is None:
                            # Of a run that begins under our eyes the first block is number 0. What is lost before the
                            # first that arrives is a whole number of blocks like it.
                            begins = event.tick - event.sequence * len(event.counts) * event.scan_ticks
                        first = (event.tick - begins) % (1 << 32) // event.scan_ticks
                        counted.missing += first - expected
                        counted.wrong += _wrong(event, first)
                        counted.scans += len(event.counts)
                        expected = first + len(event.counts)
                    case Counters():
                        counted.overruns = event.overruns
                        counted.blocks_dropped = event.blocks_dropped
                    case _:
                        pass
            link.decoded(chunk.host_ns, valid)
        read = link.read()
        waiting = [read] if read is not None else []
    link.stop()
    return counted


def _wrong(block: Samples, first_scan: int) -> int:
    right = counting_signal(first_scan, len(block.counts), len(block.inputs), block.bits)
    return int(np.count_nonzero(block.counts != right))
