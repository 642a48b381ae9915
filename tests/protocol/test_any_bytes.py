"""Whatever comes in gives events or losses, the same in any chunks, and every byte is accounted for."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
import pytest
from cobs import cobs
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.commands import BadCommand, Identify, Ping, Start, Stop
from evenstroke_protocol.decoder import CommandDecoder, FrameDecoder
from evenstroke_protocol.events import (
    NEED_DATA,
    Ack,
    AckStatus,
    Counters,
    Edge,
    Edges,
    Hello,
    InputInfo,
    InputKind,
    Log,
    LogLevel,
    Loss,
    LossReason,
    ResetCause,
    Samples,
)
from evenstroke_protocol.framing import BATCH
from hypothesis import given
from hypothesis import strategies as st

Drain = Callable[[FrameDecoder | CommandDecoder, Iterable[bytes]], list[object]]

DECODERS = [FrameDecoder, CommandDecoder]

u8 = st.integers(0, 255)
u16 = st.integers(0, 2**16 - 1)
u32 = st.integers(0, 2**32 - 1)
runs = st.integers(1, 255)
input_sets = st.sets(st.integers(0, 15), min_size=1).map(lambda s: tuple(sorted(s)))


def ascii_text(shortest: int, longest: int) -> st.SearchStrategy[str]:
    printable = st.characters(min_codepoint=0x20, max_codepoint=0x7E)
    return st.text(printable, min_size=shortest, max_size=longest)


@st.composite
def hellos(draw: st.DrawFn) -> Hello:
    kinds = st.sampled_from(InputKind)
    others = draw(st.lists(st.builds(InputInfo, kinds, ascii_text(1, 5)), max_size=15))
    return Hello(
        protocol_version=wire.PROTOCOL_VERSION,
        board=draw(ascii_text(1, 32)),
        firmware=draw(ascii_text(1, 16)),
        serial_number=draw(st.integers(0, 2**64 - 1)),
        boot_count=draw(u32),
        reset_cause=draw(st.sampled_from(ResetCause)),
        clock_hz=draw(st.integers(1, 2**32 - 1)),
        adc_bits=draw(st.integers(1, 16)),
        adc_reference_mv=draw(st.integers(1, 65535)),
        block_scans=draw(st.integers(1, 255)),
        rates_hz=tuple(sorted(draw(st.sets(st.integers(1, 2**32 - 1), min_size=1, max_size=15)))),
        inputs=(*others, InputInfo(InputKind.ANALOG, draw(ascii_text(1, 5)))),
        run=draw(u8),
        tick=draw(u32),
    )


@st.composite
def samples(draw: st.DrawFn) -> Samples:
    bits = draw(st.sampled_from(sorted(wire.GROUPS)))
    inputs = draw(input_sets)
    scans = draw(st.integers(1, wire.most_scans(len(inputs), bits)))
    skew_ticks = draw(u16)
    seed = draw(u32)
    return Samples(
        run=draw(runs),
        sequence=draw(u32),
        tick=draw(u32),
        scan_ticks=draw(st.integers((len(inputs) - 1) * skew_ticks + 1, 2**32 - 1)),
        skew_ticks=skew_ticks,
        bits=bits,
        counting=draw(st.booleans()),
        inputs=inputs,
        counts=np.random.default_rng(seed).integers(0, 2**bits, (scans, len(inputs))).astype(np.uint16),
    )


@st.composite
def edge_blocks(draw: st.DrawFn) -> Edges:
    until = draw(u32)
    before = sorted(draw(st.lists(st.integers(1, 2**31), max_size=wire.MOST_EDGES)), reverse=True)
    edges = tuple(Edge(until - ticks, draw(st.integers(0, 15)), draw(st.booleans())) for ticks in before)
    return Edges(draw(runs), draw(u32), until, edges)


counter_readings = st.builds(Counters, runs, u32, u32, u32, u32, u32)
logs = st.builds(Log, st.sampled_from(LogLevel), ascii_text(0, wire.LONGEST_LOG))
acks = st.builds(Ack, u8, u16, st.sampled_from(AckStatus), u32)

framed_by_kind = {
    "hello": hellos().map(lambda e: (e, encoder.encode_hello(e))),
    "samples": samples().map(lambda e: (e, encoder.encode_samples(e))),
    "edges": edge_blocks().map(lambda e: (e, encoder.encode_edges(e))),
    "counters": counter_readings.map(lambda e: (e, encoder.encode_counters(e))),
    "log": logs.map(lambda e: (e, encoder.encode_log(e))),
    "ack": acks.map(lambda e: (e, encoder.encode_ack(e))),
}
framed_by_command = {
    "identify": u16.map(lambda t: (Identify(t), encoder.encode_identify(t))),
    "start": st.builds(Start, u16, runs, st.integers(1, 2**32 - 1), input_sets, st.booleans()).map(
        lambda c: (c, encoder.encode_start(c.token, c.run, c.rate_hz, c.inputs, c.counting))
    ),
    "stop": u16.map(lambda t: (Stop(t), encoder.encode_stop(t))),
    "ping": u16.map(lambda t: (Ping(t), encoder.encode_ping(t))),
}
any_frame = st.one_of(*framed_by_kind.values(), *framed_by_command.values()).map(lambda pair: pair[1])

# Real frames, torn frames, delimiters and noise, long stretches without a delimiter among them.
any_piece = st.one_of(
    any_frame,
    any_frame.flatmap(lambda f: st.integers(0, len(f)).map(lambda cut: f[:cut])),
    st.binary(max_size=40),
    st.just(b"\0"),
    st.integers(200, 1100).map(lambda n: b"\x2a" * n),
)
any_stream = st.lists(any_piece, max_size=12).map(b"".join)


@pytest.mark.parametrize("kind", framed_by_kind)
@given(data=st.data())
def test_round_trip_of_every_event(data: st.DataObject, kind: str, drain: Drain) -> None:
    event, framed = data.draw(framed_by_kind[kind])
    assert drain(FrameDecoder(), [framed]) == [event]
    assert len(framed) <= wire.LONGEST_CODED + 1
    assert framed.index(0) == len(framed) - 1


@pytest.mark.parametrize("kind", framed_by_command)
@given(data=st.data())
def test_round_trip_of_every_command(data: st.DataObject, kind: str, drain: Drain) -> None:
    command, framed = data.draw(framed_by_command[kind])
    assert drain(CommandDecoder(), [framed]) == [command]


@pytest.mark.parametrize("make", DECODERS)
@given(stream=any_stream, data=st.data())
def test_chunks_change_nothing(
    make: type[FrameDecoder | CommandDecoder], stream: bytes, data: st.DataObject, drain: Drain
) -> None:
    whole = drain(make(), [stream])
    assert drain(make(), [stream[at : at + 1] for at in range(len(stream))]) == whole
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    chunks = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert drain(make(), chunks) == whole


@pytest.mark.parametrize("make", DECODERS)
@given(stream=any_stream)
def test_once_all_is_fetched_less_than_a_frame_is_kept(
    make: type[FrameDecoder | CommandDecoder], stream: bytes
) -> None:
    decoder = make()
    for at in range(0, len(stream), 7):
        decoder.receive(stream[at : at + 7])
        while decoder.next_event() is not NEED_DATA:
            pass
        assert decoder.buffered <= wire.LONGEST_CODED


@given(stream=any_stream)
def test_every_byte_is_in_an_event_or_in_a_loss(stream: bytes, drain: Drain) -> None:
    """What was delivered, what was lost and the delimiters add up to what was received."""
    stream += b"\0"
    delivered = lost = 0
    for event in drain(FrameDecoder(), [stream]):
        if isinstance(event, Loss):
            lost += event.bytes_lost
        else:
            delivered += len(frame_of(event)) - 1
    assert delivered + lost + stream.count(0) == len(stream)


@pytest.mark.parametrize("size", [BATCH - 1, BATCH, BATCH + 1, 3 * BATCH + 257])
@pytest.mark.parametrize("filler", [0, 1, 0x2A])
def test_more_than_a_batch_of_nothing(size: int, filler: int, drain: Drain) -> None:
    stream = bytes([filler]) * size + b"\0" + encoder.encode_log(Log(LogLevel.INFO, "still here"))
    events = drain(FrameDecoder(), [stream])
    assert events[-1] == Log(LogLevel.INFO, "still here")
    assert all(isinstance(event, Loss) and event.reason is LossReason.TOO_LONG for event in events[:-1])
    assert sum(event.bytes_lost for event in events[:-1]) == (size if filler else 0)
    assert drain(FrameDecoder(), [stream[at : at + 999] for at in range(0, len(stream), 999)]) == events


def test_more_than_a_batch_of_blocks_keeps_its_order(drain: Drain) -> None:
    sent = blocks(random.Random(4), 1200)
    stream = b"".join(map(frame_of, sent))
    assert len(stream) > 2 * BATCH
    assert drain(FrameDecoder(), [stream]) == sent


def frame_of(event: object) -> bytes:
    match event:
        case Hello():
            return encoder.encode_hello(event)
        case Samples():
            return encoder.encode_samples(event)
        case Edges():
            return encoder.encode_edges(event)
        case Counters():
            return encoder.encode_counters(event)
        case Log():
            return encoder.encode_log(event)
        case Ack():
            return encoder.encode_ack(event)
    raise AssertionError(event)


def blocks(rng: random.Random, count: int) -> list[Ack | Samples | Edges]:
    """A run from its ack on: samples blocks of varied sizes and packings, an edges block now and then."""
    sent: list[Ack | Samples | Edges] = [Ack(wire.Kind.START, 1, AckStatus.DONE, 200)]
    sequences = {"samples": 0, "edges": 0}
    tick = until = 1000
    while len(sent) <= count:
        if rng.random() < 0.2:
            ticks = (
                sorted(rng.randrange(until, tick) for _ in range(rng.randrange(6))) if tick > until else []
            )
            edges = tuple(Edge(t, rng.randrange(16), rng.random() < 0.5) for t in ticks)
            sent.append(Edges(7, sequences["edges"], tick, edges))
            sequences["edges"] += 1
            until = tick
        else:
            bits = rng.choice([10, 10, 10, 12, 16])
            scans = rng.randint(1, wire.most_scans(3, bits))
            counts = np.array([[rng.randrange(2**bits) for _ in range(3)] for _ in range(scans)], np.uint16)
            sent.append(Samples(7, sequences["samples"], tick, 200, 26, bits, False, (0, 1, 4), counts))
            sequences["samples"] += 1
            tick += scans * 200
    return sent


damages = st.sampled_from(["drop byte", "flip bit", "add byte", "drop frame", "repeat frame", "swap halves"])


@given(seed=st.integers(0, 2**32), damaged=st.dictionaries(st.integers(0, 40), damages, max_size=15))
def test_damage_loses_blocks_and_says_how_many(seed: int, damaged: dict[int, str], drain: Drain) -> None:
    rng = random.Random(seed)
    start, *sent = blocks(rng, 40)
    frames = [frame_of(event) for event in sent]
    stream = [frame_of(start)]
    for place, framed in enumerate(frames):
        at = rng.randrange(len(framed))
        match damaged.get(place):
            case "drop byte":
                stream.append(framed[:at] + framed[at + 1 :])
            case "flip bit":
                stream.append(framed[:at] + bytes([framed[at] ^ 1 << rng.randrange(8)]) + framed[at + 1 :])
            case "add byte":
                stream.append(framed[:at] + bytes([rng.randrange(256)]) + framed[at:])
            case "drop frame":
                pass
            case "repeat frame":
                stream.append(framed * 2)
            case "swap halves":
                stream.append(framed[at:] + framed[:at])
            case None:
                stream.append(framed)
    received = b"".join(stream)
    events = drain(FrameDecoder(), [received])

    delivered = [event for event in events if isinstance(event, Samples | Edges)]
    places = [next(i for i, block in enumerate(sent) if block == event) for event in delivered]
    assert places == sorted(set(places)), "every delivered block was sent, comes once, and in order"

    for kind, missing in ((Samples, LossReason.SAMPLES_MISSING), (Edges, LossReason.EDGES_MISSING)):
        sequences = [event.sequence for event in delivered if isinstance(event, kind)]
        said = sum(e.blocks_lost for e in events if isinstance(e, Loss) and e.reason is missing)
        assert said + len(sequences) == (sequences[-1] + 1 if sequences else 0)

    whole = received.rfind(b"\0") + 1
    accounted = sum(
        event.bytes_lost if isinstance(event, Loss) else len(frame_of(event)) - 1 for event in events
    )
    # What follows the last delimiter may still become a frame, or is overlong and already said so.
    assert whole - received.count(0) <= accounted <= len(received) - received.count(0)


def test_undamaged_frames_around_a_damaged_one_all_arrive(drain: Drain) -> None:
    start, *sent = blocks(random.Random(8), 30)
    for place in range(len(sent)):
        frames = [frame_of(event) for event in sent]
        frames[place] = frames[place][:-3] + b"\0"
        events = drain(FrameDecoder(), [frame_of(start), *frames])
        assert [e for e in events if isinstance(e, Samples | Edges)] == sent[:place] + sent[place + 1 :]


@given(event=hellos(), version=st.integers(2, 255), appended=st.binary(max_size=8))
def test_a_later_version_may_append_to_its_hello(
    event: Hello, version: int, appended: bytes, drain: Drain
) -> None:
    later = replace(event, protocol_version=version)
    body_and_delimiter = encoder.encode_hello(later)
    payload = encoder_payload(body_and_delimiter) + appended
    if len(payload) + 2 <= wire.LONGEST_BODY:
        assert drain(FrameDecoder(), [encoder.frame(payload)]) == [later]


def encoder_payload(framed: bytes) -> bytes:
    return cobs.decode(framed[:-1])[:-2]


@given(payload=st.binary(min_size=1, max_size=252))
def test_any_payload_with_a_right_crc_is_an_event_a_loss_or_a_refusal(payload: bytes, drain: Drain) -> None:
    if payload[0] in wire.CRC32_KINDS:
        payload = payload[:250]
    framed = encoder.frame(payload)
    (event,) = drain(FrameDecoder(), [framed])
    assert isinstance(event, Loss) or payload[0] == 1 or frame_of(event) == framed
    (command,) = drain(CommandDecoder(), [framed])
    assert isinstance(command, Identify | Start | Stop | Ping | BadCommand)


def test_decoded_counts_cannot_be_written_to(drain: Drain) -> None:
    (_, *decoded) = drain(FrameDecoder(), [b"".join(map(frame_of, blocks(random.Random(1), 9)))])
    for event in decoded:
        if isinstance(event, Samples):
            assert not event.counts.flags.writeable
            with pytest.raises(ValueError, match="read-only"):
                event.counts[0, 0] = 1
