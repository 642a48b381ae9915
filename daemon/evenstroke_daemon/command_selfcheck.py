"""`evenstroke selfcheck`: whether this installation works on this computer, and what to do where it does not."""

from __future__ import annotations

import dataclasses
import json
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import click
from evenstroke_protocol.errors import EvenstrokeError

from .check_installation import EXTRAS, check_extra, check_versions, versions
from .check_outcome import Check, Selfcheck, failed_by, guarded, lines, not_checked

# What does the checking is imported where it is needed: a library that is missing is to be said, not to end this.


class SelfcheckError(EvenstrokeError):
    """Something that was checked does not hold."""


@click.command(
    "selfcheck",
    epilog="""\b
    Examples:
      evenstroke selfcheck
      evenstroke selfcheck --port /dev/ttyUSB0 --record recordings
    """,
)
@click.option(
    "--port",
    metavar="PORT",
    help="Check the board there too: serial device, COMx, or socket://HOST:PORT. Nothing is cranked.",
)
@click.option("--baud", type=int, default=1_000_000, show_default=True, help="Of that port.")
@click.option(
    "--rate",
    "rate_hz",
    type=click.IntRange(min=1),
    metavar="HZ",
    help="Sample its inputs so often.  [default: the most that it takes]",
)
@click.option(
    "--record",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("recordings"),
    show_default=True,
    metavar="FOLDER",
    help="Where recordings are to go: whether there is room. Nothing is left there.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout and nothing else.")
def command(port: str | None, baud: int, rate_hz: int | None, folder: Path, as_json: bool) -> None:
    """Prove, in about a minute and without hardware, that evenstroke works on this computer.

    Before going to an engine, or where the tool is under suspicion. A virtual engine with a known fault is cranked, listened
    to, recorded and judged: that fault must be found and no other, live and from the recording alike. A cable is pulled, a
    recording is cut: what is lost must be counted, and nothing made up. Ports are looked at and not opened, but for PORT.

    With --port the engine must be off, or nobody at the starter: no figure of this check depends on an engine. It says nothing
    about probes, wiring or an engine; `evenstroke setup check --live` does.

    \b
    Each line says one of:
      holds        checked, and as it must be
      measured     a figure that nothing is known to compare with
      FAILED       with what to do; the exit code is then 1
      not checked  with the reason
    """
    if rate_hz is not None and port is None:
        raise click.UsageError("--rate is for the board at --port")
    checks: list[Check] = []
    width = shutil.get_terminal_size((100, 24)).columns
    for check in _checks(port, baud, rate_hz, folder):
        checks.append(check)
        if not as_json:
            for line in lines(check, width):
                click.echo(line)
            sys.stdout.flush()
    count = Counter(check.result for check in checks)
    if as_json:
        document = Selfcheck(
            schema="evenstroke.selfcheck/1",
            versions=_versions(),
            held=count["holds"],
            measured=count["measured"],
            failed=count["failed"],
            not_checked=count["not_checked"],
            checks=tuple(checks),
        )
        # By the standard library, which is there whatever else is missing.
        click.echo(json.dumps(dataclasses.asdict(document), indent=1, ensure_ascii=False).encode())
    else:
        click.echo(
            f"\n{count['holds']} hold, {count['failed']} failed, {count['not_checked']} not checked"
            + (f", {count['measured']} measured" if count["measured"] else "")
            + ". Where no uncertainty stands beside a figure, none is stated.\n"
            + "This says that the tool works; nothing about probes, wiring or an engine follows from it."
        )
    if count["failed"]:
        raise SelfcheckError(
            f"{count['failed']} of {len(checks)} checks failed",
            where="selfcheck",
            found=", ".join(check.name.replace("_", " ") for check in checks if check.result == "failed"),
            todo="do what stands there, and run it again",
        )


def _checks(port: str | None, baud: int, rate_hz: int | None, folder: Path) -> Iterator[Check]:
    """All of them, those first that need nothing else."""
    yield guarded("versions", check_versions)
    for extra in EXTRAS:
        yield guarded(f"extra_{extra}", partial(check_extra, extra))
    try:
        from .check_chain import Chain
        from .check_computer import ClockWatch, check_disk, check_ports
        from .serial_port import described_ports
    except Exception as error:  # a broken library breaks in any way
        yield failed_by("libraries", error)
        for name in _NEEDS_LIBRARIES:
            yield not_checked(name, "evenstroke's own parts cannot be loaded")
        return
    clock = ClockWatch()
    yield guarded("serial_ports", lambda: check_ports(described_ports()))
    yield guarded("disk", partial(check_disk, folder))
    try:
        scratch = tempfile.TemporaryDirectory(prefix="evenstroke-selfcheck-", ignore_cleanup_errors=True)
    except OSError as error:
        yield failed_by("session", error)
        return
    with scratch as name:
        yield from Chain(Path(name), say=_say).checks()
        yield guarded("host_clock", clock.check)
        if port is None:
            yield not_checked(
                "usb_delay",
                "what a cable, an adapter and its driver add can be measured only with a board",
                todo="with the board connected and the engine off: evenstroke selfcheck --port PORT",
            )
            return
        from .check_board import CAUTION, BoardCheck

        click.echo(click.wrap_text(CAUTION, width=shutil.get_terminal_size((100, 24)).columns), err=True)
        yield from BoardCheck(port, baud, rate_hz, Path(name), say=_say).checks()


def _versions() -> dict[str, str | None]:
    try:
        return versions()
    except ImportError:  # that is among the checks
        return {}


_NEEDS_LIBRARIES = ("serial_ports", "disk", "session")


def _say(doing: str) -> None:
    """What takes a while, on a terminal."""
    if sys.stderr.isatty():
        click.echo(f"... {doing}", err=True)
