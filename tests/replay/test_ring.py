"""The ring of the last seconds: bounded, and a recording that begins with it reads without a false loss."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import parse_setup
from evenstroke_protocol.encoder import encode_hello, encode_samples
from evenstroke_protocol.events import Hello, InputInfo, InputKind, ResetCause, Samples
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recorder import Recorder
from evenstroke_replay.recording import RecordedBytes, open_recording
from evenstroke_replay.ring import RecentBytes
from hypothesis import given, settings
from hypothesis import strategies as st

SETUP_TEXT = (
    "schema = 1\n[engine]\ncylinders = 2\nfiring_order = [1, 2]\n"
    '[[probe]]\nname = "i"\nrole = "intake_pulse"\ninput = 0\n'
)
HELLO = Hello(
    protocol_version=1,
    board="test board",
    firmware="1.0.0",
    serial_number=5,
    boot_count=1,
    reset_cause=ResetCause.POWER_ON,
    clock_hz=1_000_000,
    adc_bits=12,
    adc_reference_mv=3300,
    block_scans=20,
    rates_hz=(1000,),
    inputs=(InputInfo(InputKind.ANALOG, "A0"),),
    run=0,
    tick=0,
)


def frame(number: int) -> bytes:
    counts = np.arange(number * 20, number * 20 + 20, dtype=np.uint16).reshape(20, 1)
    return encode_samples(Samples(1, number, number * 20_000, 1000, 0, 12, False, (0,), counts))


@settings(deadline=None)
@given(
    pieces=st.lists(st.tuples(st.binary(max_size=50), st.integers(0, 10**9)), max_size=40),
    seconds=st.floats(0.0, 3.0),
    most_bytes=st.integers(1, 200),
)
def test_it_is_bounded_in_time_and_in_bytes(
    pieces: list[tuple[bytes, int]], seconds: float, most_bytes: int
) -> None:
    ring = RecentBytes(seconds, most_bytes)
    now_ns = 0
    whole = b""
    for data, later_ns in pieces:
        now_ns += later_ns
        ring.add(data, now_ns)
        whole += data
        kept = ring.pieces()
        assert ring.size <= most_bytes
        assert sum(len(piece.data) for piece in kept) <= ring.size
        if data:
            assert all(now_ns - piece.host_ns <= round(seconds * 1e9) for piece in kept)
        # What is kept is the end of what came, without a hole.
        assert whole.endswith(b"".join(piece.data for piece in kept))


def test_nothing_is_cut_off_as_long_as_all_of_it_is_there() -> None:
    ring = RecentBytes()
    ring.add(b"half a frame, without a delimiter", 5)
    assert ring.pieces() == (RecordedBytes(5, b"half a frame, without a delimiter"),)


@pytest.mark.parametrize("cut", [1, 17, 40])
def test_a_recording_begins_with_the_hello_and_a_whole_frame(tmp_path: Path, cut: int) -> None:
    ring = RecentBytes(seconds=1.0)
    stream = encode_hello(HELLO) + b"".join(frame(number) for number in range(200))
    ring.met(encode_hello(HELLO), 0)
    for piece, at in enumerate(range(0, len(stream), cut)):
        ring.add(stream[at : at + cut], round(piece * cut / len(stream) * 4e9))  # 4 s in all
    pieces = ring.pieces()
    assert pieces[0].data == encode_hello(HELLO)
    path = tmp_path / "late.mcap"
    with Recorder(
        path, SETUP_TEXT, started_at=datetime(2026, 11, 25, tzinfo=UTC), started_host_ns=pieces[0].host_ns
    ) as recorder:
        for piece in pieces:
            recorder.received(piece.data, piece.host_ns)
    feed = BoardFeed(parse_setup(SETUP_TEXT))
    blocks = list(blocks_of(open_recording(path), parse_setup(SETUP_TEXT), feed))
    assert not any(isinstance(block, Gap) for block in blocks)
    assert feed.losses == ()
    samples = [block for block in blocks if isinstance(block, SampleBlock)]
    assert 45 <= len(samples) <= 50  # the last of its four seconds: 50 of 200 blocks
    assert samples[0].t0 == 0.0
    last = np.arange(199 * 20, 200 * 20) % 4096 * 3.3 / 4096
    np.testing.assert_allclose(samples[-1].volts[0], last)


def test_the_hello_is_the_one_of_the_oldest_bytes() -> None:
    ring = RecentBytes(seconds=1.0)
    ring.met(b"first\0", 0)
    ring.add(b"a\0", 100)
    ring.met(b"second\0", 500_000_000)
    ring.add(b"b\0", 500_000_000)
    assert ring.pieces()[0].data == b"first\0"
    ring.add(b"c\0", 1_200_000_000)  # now `a` is too old
    assert [piece.data for piece in ring.pieces()] == [b"second\0", b"c\0"]
    ring.clear()
    assert ring.pieces() == ()
