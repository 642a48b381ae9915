"""`evenstroke ports`: what serial devices there are, and which of them is a board."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass

import click
import msgspec
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_protocol.events import Hello, InputKind
from evenstroke_replay.new_setup import DEFAULT_BAUD

from .counting_test import count
from .link import Link, LinkTiming
from .outcome import Outcome
from .serial_port import described_ports

_TIMING = LinkTiming(answer_s=0.5, attempts=5)
"""A board that resets when its port opens needs up to two seconds to wake."""


@dataclass(frozen=True)
class FoundPort:
    """One serial device: what the system calls it, and what answered there."""

    port: str
    described_as: str
    is_board: bool
    says: str
    counted: str | None = None  # what the counting test found, where it was asked for
    whole: bool | None = None  # whether that was everything


@click.command(
    "ports",
    epilog="""\b
    Examples:
      evenstroke ports --baud 500000
      evenstroke ports /dev/ttyUSB0 --count 10000
    """,
)
@click.argument("port", nargs=-1)
@click.option("--baud", type=int, default=DEFAULT_BAUD, show_default=True, help="Speed at which to ask.")
@click.option(
    "--count",
    "count_hz",
    type=click.IntRange(min=1),
    metavar="RATE",
    help="Let each board count at so many Hz per input for five seconds, and say whether every number arrived.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(port: tuple[str, ...], baud: int, count_hz: int | None, as_json: bool) -> Outcome:
    """Say of each serial device (or of each PORT given) whether a board is there.

    Every device is opened and asked what it is, which makes some boards reset. A device that is in use,
    or that you may not open, is said so and left alone. With --count the exit code is 3 where numbers were lost
    or a board did not come to the end of its test.
    """
    known = described_ports()
    found = [_ask(name, known.get(name, ""), baud, count_hz) for name in port or sorted(known)]
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode([asdict(f) for f in found]), indent=1))
    elif not found:
        click.echo("This computer shows no serial device. Plug the board in; try another cable or socket.")
    else:
        for f in found:
            mark = "board " if f.is_board else "      "
            click.echo(f"{mark} {f.port}  {f.described_as}\n        {f.says}")
            if f.counted is not None:
                click.echo(f"        {f.counted}")
    return Outcome.DONE_WITH_LOSS if any(f.whole is False for f in found) else Outcome.DONE


def _ask(port: str, described_as: str, baud: int, count_hz: int | None) -> FoundPort:
    try:
        with asked(port, baud) as (link, hello):
            counted, whole = _count(link, hello, count_hz) if count_hz is not None else (None, None)
    except EvenstrokeError as error:
        return FoundPort(port, described_as, False, _in_short(error))
    return FoundPort(port, described_as, True, board_words(hello), counted, whole)


@contextmanager
def asked(port: str, baud: int) -> Iterator[tuple[Link, Hello]]:
    """An open link to the board behind a port, and what it says of itself. Raises LinkError where there is none."""
    link = Link(
        port,
        baud,
        on_change=lambda _: None,
        stop_wanted=lambda: False,
        monotonic_ns=time.monotonic_ns,
        timing=_TIMING,
    )
    try:
        link.open()
        yield link, link.identify()
    finally:
        link.close("asked")


def board_words(hello: Hello) -> str:
    """What a board is, in one line."""
    analog = sum(info.kind is InputKind.ANALOG for info in hello.inputs)
    return (
        f"{hello.board}, firmware {hello.firmware}, {analog} analog and {len(hello.inputs) - analog} edge inputs, "
        f"{hello.adc_bits} bits, up to {max(hello.rates_hz)} Hz per input"
    )


def _count(link: Link, hello: Hello, rate_hz: int) -> tuple[str, bool]:
    """What the counting test found, and whether that was everything; a board that declines is still a board."""
    try:
        counted = count(link, hello, rate_hz)
    except EvenstrokeError as error:
        return f"the counting test did not come to its end: {_in_short(error)}", False
    return str(counted), counted.whole


def _in_short(error: EvenstrokeError) -> str:
    return "; ".join(part for part in (error.problem, error.found, error.todo) if part)
