"""`evenstroke ports`: what serial devices there are, and which of them is a board."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass

import click
import msgspec
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_protocol.events import InputKind

from .link import Link, LinkTiming
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


@click.command("ports", epilog="Example:  evenstroke ports --baud 500000")
@click.argument("port", nargs=-1)
@click.option("--baud", type=int, default=1_000_000, show_default=True, help="Speed at which to ask.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(port: tuple[str, ...], baud: int, as_json: bool) -> None:
    """Say of each serial device (or of each PORT given) whether a board is there.

    Every device is opened and asked what it is, which makes some boards reset. A device that is in use,
    or that you may not open, is said so and left alone.
    """
    known = described_ports()
    found = [_ask(name, known.get(name, ""), baud) for name in port or sorted(known)]
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode([asdict(f) for f in found]), indent=1))
        return
    if not found:
        click.echo("This computer shows no serial device. Plug the board in; try another cable or socket.")
    for f in found:
        mark = "board " if f.is_board else "      "
        click.echo(f"{mark} {f.port}  {f.described_as}\n        {f.says}")


def _ask(port: str, described_as: str, baud: int) -> FoundPort:
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
        hello = link.identify()
    except EvenstrokeError as error:
        says = "; ".join(part for part in (error.problem, error.found, error.todo) if part)
        return FoundPort(port, described_as, False, says)
    finally:
        link.close("asked")
    analog = sum(info.kind is InputKind.ANALOG for info in hello.inputs)
    return FoundPort(
        port,
        described_as,
        True,
        f"{hello.board}, firmware {hello.firmware}, {analog} analog and {len(hello.inputs) - analog} edge inputs, "
        f"{hello.adc_bits} bits, up to {max(hello.rates_hz)} Hz per input",
    )
