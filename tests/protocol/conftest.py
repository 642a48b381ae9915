from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest
from evenstroke_protocol.decoder import CommandDecoder, FrameDecoder
from evenstroke_protocol.events import NEED_DATA

Drain = Callable[[FrameDecoder | CommandDecoder, Iterable[bytes]], list[object]]


@pytest.fixture(scope="session")
def drain() -> Drain:
    """Feeds chunks to a decoder and fetches every event after each chunk."""
    return _drain


def _drain(decoder: FrameDecoder | CommandDecoder, chunks: Iterable[bytes]) -> list[object]:
    events: list[object] = []
    for chunk in chunks:
        decoder.receive(chunk)
        while (event := decoder.next_event()) is not NEED_DATA:
            events.append(event)
    return events
