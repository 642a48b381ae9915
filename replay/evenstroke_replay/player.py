"""A recording, turned into the blocks that the live link gave the pipeline."""

from __future__ import annotations

from collections.abc import Iterator

from evenstroke_dsp.blocks import Block, EdgeBlock, InputKey, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import Setup, SetupError
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import Counters, NeedData

from .recording import Item, RecordedBlock, RecordedBytes, Recording
from .recording_format import RecordingError


class BlockMaker:
    """A recording's items to blocks, one by one, through the same decoder and feed as live bytes.

    feed: a fresh feed for this set-up. counters: what the board last said that it lost itself.
    It can be copied in mid-stream (pickle), to go on from there again.
    Raises SetupError where the recording does not hold what the set-up needs.
    """

    def __init__(self, recording: Recording, setup: Setup, feed: BoardFeed) -> None:
        self.feed = feed
        self.counters: Counters | None = None
        self._path = recording.path
        self._decoder = FrameDecoder()
        self._used = {probe.key for probe in setup.probe}
        if recording.meta.source == "import":
            _check_imported(recording, setup)

    def blocks(self, item: Item) -> Iterator[Block]:
        """The blocks that an item completes.

        Raises SetupError, or DeviceProtocolError where the board broke the protocol.
        """
        if isinstance(item, RecordedBytes):
            self._decoder.receive(item.data)
            while not isinstance(event := self._decoder.next_event(), NeedData):
                if isinstance(event, Counters):
                    self.counters = event
                yield from self.feed.feed(event, item.host_ns)
        elif isinstance(item, RecordedBlock):
            yield from _used_part(item.block, self._used)

    def finish(self) -> None:
        """Raises RecordingError where there were a board's data without what the board said of itself."""
        feed = self.feed
        if feed.hello is None and feed.losses:
            raise RecordingError(
                "this recording holds no description of the board",
                where=str(self._path),
                expected="the board's hello among the recorded bytes",
                found=", ".join(f"{loss.reason}: {loss.frames + loss.blocks}" for loss in feed.losses),
                todo="its volts and seconds cannot be told without it; use another recording",
            )


def blocks_of(recording: Recording, setup: Setup, feed: BoardFeed | None = None) -> Iterator[Block]:
    """The recording's blocks in order.

    feed: a fresh feed for this set-up, for a caller who wants to see its counts afterwards.

    Raises SetupError where the recording does not hold what the set-up needs, RecordingError
    where it holds a board's data without what the board said of itself, DeviceProtocolError where
    the board broke the protocol.
    """
    maker = BlockMaker(recording, setup, feed if feed is not None else BoardFeed(setup))
    for item in recording.items():
        yield from maker.blocks(item)
    maker.finish()


def _check_imported(recording: Recording, setup: Setup) -> None:
    """An imported recording holds what its own set-up named, and nothing else of the capture."""
    held = {probe.key for probe in recording.setup.probe}
    for probe in setup.probe:
        if probe.key not in held:
            raise SetupError(
                f"the recording holds no data for the probe {probe.name!r}",
                where=str(recording.path),
                expected=f"one of the columns that were imported: {', '.join(map(repr, sorted(held, key=str)))}",
                found=repr(probe.key),
                todo="import the capture again with this set-up, or take that probe out of it",
            )


def _used_part(block: Block, used: set[InputKey]) -> Iterator[Block]:
    """What this set-up needs of an imported block; it may need less than was imported."""
    if isinstance(block, EdgeBlock):
        if block.input in used:
            yield block
    elif isinstance(block, SampleBlock):
        places = [i for i, key in enumerate(block.inputs) if key in used]
        if len(places) == len(block.inputs):
            yield block
        elif places:
            offsets = block.input_offsets
            yield SampleBlock(
                inputs=tuple(block.inputs[i] for i in places),
                volts=block.volts[places],
                t0=block.t0 + offsets[places[0]],
                dt=block.dt,
                offsets=tuple(offsets[i] - offsets[places[0]] for i in places),
            )
    else:
        yield block
