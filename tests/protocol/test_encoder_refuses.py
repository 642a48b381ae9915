"""The encoder makes no frame that the specification forbids, and says which field is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from evenstroke_protocol import encoder
from evenstroke_protocol.errors import ProtocolUseError
from evenstroke_protocol.events import (
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
    ResetCause,
    Samples,
)

SAMPLES = Samples(1, 0, 0, 200, 26, 10, False, (0, 1, 2, 3), np.zeros((46, 4), dtype=np.uint16))
EDGES = Edges(1, 0, 1000, (Edge(900, 2, True),))
COUNTERS = Counters(1, 0, 0, 0, 0, 0)
ACK = Ack(0x82, 1, AckStatus.DONE, 200)
HELLO = Hello(
    protocol_version=1,
    board="bench",
    firmware="0.1.0",
    serial_number=0,
    boot_count=0,
    reset_cause=ResetCause.UNKNOWN,
    clock_hz=2_000_000,
    adc_bits=10,
    adc_reference_mv=5000,
    block_scans=46,
    rates_hz=(2500, 5000),
    inputs=(InputInfo(InputKind.ANALOG, "A0"),),
    run=0,
    tick=0,
)


def changed_samples(**fields: object) -> Callable[[], bytes]:
    return lambda: encoder.encode_samples(replace(SAMPLES, **fields))  # type: ignore[arg-type]


def changed_edges(**fields: object) -> Callable[[], bytes]:
    return lambda: encoder.encode_edges(replace(EDGES, **fields))  # type: ignore[arg-type]


def changed_hello(**fields: object) -> Callable[[], bytes]:
    return lambda: encoder.encode_hello(replace(HELLO, **fields))  # type: ignore[arg-type]


def zeros(scans: int, inputs: int) -> np.ndarray:
    return np.zeros((scans, inputs), dtype=np.uint16)


REFUSED = {
    "samples.run": changed_samples(run=0),
    "samples.run ": changed_samples(run=256),
    "samples.sequence": changed_samples(sequence=2**32),
    "samples.bits": changed_samples(bits=11),
    "samples.inputs": changed_samples(inputs=()),
    "samples.inputs ": changed_samples(inputs=(0, 1, 3, 2)),
    "samples.inputs  ": changed_samples(inputs=(0, 1, 2, 16)),
    "samples.counts": changed_samples(counts=zeros(47, 4)),
    "samples.counts ": changed_samples(counts=zeros(0, 4)),
    "samples.counts  ": changed_samples(counts=zeros(46, 3)),
    "samples.counts   ": changed_samples(counts=zeros(46, 4) + 1024),
    "samples.counts    ": changed_samples(counts=np.zeros((46, 4))),
    "samples.scan_ticks": changed_samples(scan_ticks=0),
    "samples.skew_ticks": changed_samples(skew_ticks=67),
    "samples.skew_ticks ": changed_samples(skew_ticks=-1),
    "edges.run": changed_edges(run=0),
    "edges.edges": changed_edges(edges=tuple(Edge(k, 0, True) for k in range(48))),
    "edges.edges ": changed_edges(edges=(Edge(1000, 0, True),)),
    "edges.edges  ": changed_edges(edges=(Edge(900, 0, True), Edge(899, 0, True))),
    "edge.input": changed_edges(edges=(Edge(900, 16, True),)),
    "counters.run": lambda: encoder.encode_counters(replace(COUNTERS, run=0)),
    "counters": lambda: encoder.encode_counters(replace(COUNTERS, overruns=-1)),
    "log.text": lambda: encoder.encode_log(Log(LogLevel.INFO, "x" * 250)),
    "log.text ": lambda: encoder.encode_log(Log(LogLevel.INFO, "10 µs")),
    "log.text  ": lambda: encoder.encode_log(Log(LogLevel.INFO, "two\nlines")),
    "ack.token": lambda: encoder.encode_ack(replace(ACK, token=65536)),
    "ack.value": lambda: encoder.encode_ack(replace(ACK, value=-1)),
    "ack.command": lambda: encoder.encode_ack(replace(ACK, command=256)),
    "hello.protocol_version": changed_hello(protocol_version=0),
    "hello.board": changed_hello(board=""),
    "hello.firmware": changed_hello(firmware="x" * 17),
    "hello.rates_hz": changed_hello(rates_hz=(5000, 2500)),
    "hello.rates_hz ": changed_hello(rates_hz=()),
    "hello.inputs": changed_hello(inputs=(InputInfo(InputKind.EDGE, "D8"),)),
    "hello.inputs name": changed_hello(inputs=(InputInfo(InputKind.ANALOG, ""),)),
    "hello.adc_bits": changed_hello(adc_bits=17),
    "payload": changed_hello(inputs=tuple(InputInfo(InputKind.ANALOG, "x" * 16) for _ in range(16))),
    "start.run": lambda: encoder.encode_start(1, 0, 10000, (0,), False),
    "start.rate_hz": lambda: encoder.encode_start(1, 1, 0, (0,), False),
    "start.inputs": lambda: encoder.encode_start(1, 1, 10000, (), False),
    "start.token": lambda: encoder.encode_start(-1, 1, 10000, (0,), False),
    "identify.token": lambda: encoder.encode_identify(65536),
    "stop.token": lambda: encoder.encode_stop(-1),
    "ping.token": lambda: encoder.encode_ping(2**20),
}


@pytest.mark.parametrize("where", REFUSED)
def test_refuses(where: str) -> None:
    with pytest.raises(ProtocolUseError) as refusal:
        REFUSED[where]()
    assert refusal.value.where == where.strip()
    assert refusal.value.expected
    assert refusal.value.found


def test_the_unchanged_ones_pass() -> None:
    for framed in (
        encoder.encode_samples(SAMPLES),
        encoder.encode_edges(EDGES),
        encoder.encode_counters(COUNTERS),
        encoder.encode_ack(ACK),
        encoder.encode_hello(HELLO),
    ):
        assert framed.endswith(b"\0")
