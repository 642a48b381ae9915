"""SPEC.md's tables and arithmetic, against the code: who builds from the words must meet the same bytes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.events import AckStatus, Counters, Edge, Edges, LogLevel, ResetCause
from evenstroke_protocol.wire import Kind

SPEC = (Path(__file__).parents[2] / "firmware_protocol" / "SPEC.md").read_text(encoding="utf-8")
SIZES = {"u8": 1, "u16": 2, "u32": 4, "u64": 8}

LAYOUTS = {
    "0x01 hello": wire.HELLO,
    "0x02 samples": wire.SAMPLES,
    "0x03 edges": wire.EDGES,
    "0x04 counters": wire.COUNTERS,
    "0x05 log": wire.LOG,
    "0x06 ack": wire.ACK,
    "0x81 identify, 0x83 stop, 0x84 ping": wire.COMMAND,
    "0x82 start": wire.START,
}
CODES = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q"}


def section(title: str) -> str:
    return SPEC.split(f"### {title}\n", 1)[1].split("\n#", 1)[0]


def table_rows(text: str) -> list[list[str]]:
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in text.splitlines()
        if re.match(r"\| ?(\d|0x)", line)
    ]


@pytest.mark.parametrize("title", LAYOUTS)
def test_offsets_and_types(title: str) -> None:
    at = 0
    codes = "<"
    for offset, kind, *_ in table_rows(section(title)):
        assert int(offset) == at
        at += SIZES[kind]
        codes += CODES[kind]
    assert (codes, at) == (LAYOUTS[title].format, LAYOUTS[title].size)


def test_kinds() -> None:
    rows = table_rows(SPEC.split("## Kinds\n", 1)[1].split("\n###", 1)[0])
    assert {row[1]: int(row[0], 16) for row in rows} == {kind.name.lower(): int(kind) for kind in Kind}


@pytest.mark.parametrize(
    ("title", "field", "names"),
    [
        ("0x01 hello", "reset_cause", ResetCause),
        ("0x05 log", "level", LogLevel),
        ("0x06 ack", "status", AckStatus),
    ],
)
def test_enumerations_have_the_numbers_that_the_tables_give(title: str, field: str, names: type) -> None:
    (text,) = [row[3] for row in table_rows(section(title)) if row[2] == field]
    numbered = {int(n): words for n, words in re.findall(r"(\d) ([a-z -]+)", text)}
    assert sorted(numbered) == sorted(int(member) for member in names)
    for member in names:
        spoken = member.name.lower().replace("_", "")
        assert re.sub("[ -]", "", numbered[int(member)]).startswith(spoken[:4])


def test_line_load_table() -> None:
    assert wire.most_scans(4, 10) == 46
    frame_bytes = wire.SAMPLES.size + wire.packed_bytes(46 * 4, 10) + wire.CRC32_BYTES + 2
    empty = len(encoder.encode_edges(Edges(1, 0, 1000, ())))
    one = len(encoder.encode_edges(Edges(1, 0, 1000, (Edge(1, 0, True),))))
    counters = len(encoder.encode_counters(Counters(1, 0, 0, 0, 0, 0)))
    beside = 20 * empty + 400 * (one - empty) + counters
    assert (frame_bytes, beside) == (256, 2366)
    rows = [row for row in table_rows(SPEC.split("## Is the line", 1)[1]) if "Hz" in row[0]]
    assert len(rows) == 5
    for rate_text, samples, total, *loads in rows:
        rate = int(rate_text.split()[0])
        bytes_of_samples = rate / 46 * frame_bytes
        assert int(samples) == round(bytes_of_samples)
        assert int(total) == round(bytes_of_samples + beside)
        for load, baud in zip(loads, (115_200, 500_000, 1_000_000, 2_000_000), strict=True):
            assert load == f"{(bytes_of_samples + beside) * 10 / baud:.0%}".replace("%", " %")
