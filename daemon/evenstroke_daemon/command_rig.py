"""`evenstroke rig`: a virtual board on a pseudo-terminal or a TCP port."""

from __future__ import annotations

import dataclasses
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import click
from evenstroke_dsp.setup import Setup
from evenstroke_replay.rig_capture import BlockSource, capture_source, recording_source
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from evenstroke_replay.rig_faults import FaultyBoard, parse_fault
from evenstroke_replay.rig_source import Source
from evenstroke_replay.setup_files import load_setup, shipped_setups
from evenstroke_replay.virtual_board import BoardOptions, VirtualBoard

from .outcome import Outcome
from .rig_transport import FlatOut, Pace, PtyEndpoint, RealTime, TcpEndpoint, serve

CAUTION = (
    "This is a simulation: no engine turns, nothing is measured, and nothing about a real engine "
    "follows from it. On a real one, make safe first: see `evenstroke --help`."
)
_USUAL = Cranking(noise_db=40.0, cycle_percent=0.5)


@click.command(
    epilog="""\b
    Examples:
      evenstroke rig
      evenstroke rig --alter intake 3 -15 --seed 7
      evenstroke rig --fault 4:vanish:0:2 --fault 8:reset
      evenstroke rig --tcp 0 --setup my.toml --play capture.csv --time "Time [s]"
    """
)
@click.option(
    "--setup",
    "setup_name",
    metavar="FILE|NAME",
    help=f"Engine and probes to play; a NAME is one of {', '.join(shipped_setups())}.  [default: demo]",
)
@click.option(
    "--tcp",
    type=click.IntRange(0, 65535),
    metavar="PORT",
    help="Serve on 127.0.0.1:PORT (0: any free one) instead of a pseudo-terminal.",
)
@click.option(
    "--seconds", type=click.FloatRange(0, min_open=True), help="End after so long.  [default: at Ctrl-C]"
)
@click.option("--rpm", type=float, default=_USUAL.rpm, show_default=True, help="Mean cranking speed.")
@click.option(
    "--rest", type=float, default=_USUAL.rest_s, show_default=True, help="Seconds at rest before it cranks."
)
@click.option(
    "--cranking", type=float, default=_USUAL.crank_s, show_default=True, help="Seconds of cranking."
)
@click.option(
    "--ripple",
    type=float,
    default=_USUAL.ripple_percent,
    show_default=True,
    help="Highest less lowest speed within a cycle, per cent.",
)
@click.option(
    "--sag",
    type=float,
    default=_USUAL.sag_percent,
    show_default=True,
    help="Fall of the speed over the cranking, per cent.",
)
@click.option(
    "--noise",
    type=float,
    default=_USUAL.noise_db,
    show_default=True,
    help="Pulses over noise, dB of RMS within 0.5 to 50 Hz.",
)
@click.option("--quiet", is_flag=True, help="No noise at all.")
@click.option(
    "--uneven",
    type=float,
    default=_USUAL.uneven_percent,
    show_default=True,
    help="Scatter of the cylinders' sizes, per cent (standard deviation).",
)
@click.option(
    "--cycle-spread",
    type=float,
    default=_USUAL.cycle_percent,
    show_default=True,
    help="Scatter of each pulse from cycle to cycle, per cent (standard deviation).",
)
@click.option("--seed", type=int, default=_USUAL.seed, show_default=True, help="Another seed, another draw.")
@click.option(
    "--alter",
    type=(str, int, float),
    multiple=True,
    metavar="PROBE CYLINDER PERCENT",
    help="One cylinder's pulse off by so much, every cycle. Repeatable.",
)
@click.option(
    "--one-off",
    type=(str, int, float, int),
    multiple=True,
    metavar="PROBE CYLINDER PERCENT CYCLE",
    help="The same in one cycle only, counted from 0. Repeatable.",
)
@click.option(
    "--play",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Play a recording (.mcap) or a capture as CSV instead of an engine.",
)
@click.option("--time", "time_column", metavar="COLUMN", help="A CSV's time column.  [default: time_s]")
@click.option("--counting", is_flag=True, help="Send the counting test signal, whatever the host asks for.")
@click.option(
    "--bits", type=click.Choice(["10", "12", "16"]), default="12", show_default=True, help="Of the converter."
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="AT:KIND[:VALUE[:LASTS]]",
    help="Something goes wrong AT seconds after the first start: drop, duplicate, corrupt (VALUE: probability of a "
    "frame or a bit, for LASTS seconds), stall, vanish (VALUE 0, for LASTS seconds), reset, "
    "clock (VALUE: ppm, reached within LASTS seconds). Repeatable.",
)
@click.option(
    "--speed",
    type=click.FloatRange(0.01, 1000),
    default=1.0,
    show_default=True,
    help="Faster or slower than real time.",
)
@click.option("--flat-out", is_flag=True, help="As fast as the host reads, instead of --speed.")
def command(
    setup_name: str | None,
    tcp: int | None,
    seconds: float | None,
    rpm: float,
    rest: float,
    cranking: float,
    ripple: float,
    sag: float,
    noise: float,
    quiet: bool,
    uneven: float,
    cycle_spread: float,
    seed: int,
    alter: tuple[tuple[str, int, float], ...],
    one_off: tuple[tuple[str, int, float, int], ...],
    play: Path | None,
    time_column: str | None,
    counting: bool,
    bits: str,
    faults: tuple[str, ...],
    speed: float,
    flat_out: bool,
) -> Outcome:
    """Play a board that is not there: a parametric engine, a capture or a recording.

    The first line of stdout is what a host opens; `evenstroke listen --port` takes it. The engine
    rests, cranks and rests again, from the moment when a host says start.

    This is a simulation: no engine turns. Its pulses have the sizes that they are told to have;
    added volume and other set-up effects are not derived, and nothing about a real engine follows
    from it. On a real one, the maker's procedure and local rules come first.
    """
    started = time.monotonic()
    if play is None:
        if time_column is not None:
            raise click.UsageError("--time names a column of a CSV: give that file with --play.")
        setup, _ = load_setup(setup_name if setup_name is not None else "demo")
        alterations = [Alteration(*a) for a in alter] + [Alteration(*a) for a in one_off]
        how = Cranking(
            rpm=rpm,
            rest_s=rest,
            crank_s=cranking,
            ripple_percent=ripple,
            sag_percent=sag,
            noise_db=None if quiet else noise,
            uneven_percent=uneven,
            cycle_percent=cycle_spread,
            seed=seed,
        )
        if setup.conditions.mode != "cranking":
            _say(f"the set-up says {setup.conditions.mode}; the rig only cranks, and nothing fires in it")
        engine = EngineSource(setup, how, tuple(alterations))
        engine.prepare()
        source: Source = engine
        wiring = {p.input: p for p in setup.probe if p.input is not None}
        baud, rate = _acquisition(setup)
    else:
        if alter or one_off:
            raise click.UsageError("--alter and --one-off are for the engine, not for --play.")
        played = _played(play, setup_name, time_column)
        source, wiring, baud, rate = played, played.wiring, None, None
        for i, held in sorted(played.held_s.items()):
            _say(f"{wiring[i].name}: {held:.3f} s hold no value; the last one is held there")
    options = BoardOptions(adc_bits=int(bits), baud=baud, counting=counting)
    if rate is not None and rate not in options.rates_hz and options.clock_hz % rate == 0:
        options = dataclasses.replace(options, rates_hz=tuple(sorted((*options.rates_hz, rate))))
    sound = VirtualBoard(source, options)
    board = FaultyBoard(sound, [parse_fault(text) for text in faults], seed) if faults else sound
    endpoint = PtyEndpoint(keep_name=bool(faults)) if tcp is None else TcpEndpoint(tcp)
    pace: Pace = FlatOut() if flat_out else RealTime(time, speed)
    with _asked_to_end() as asked:
        click.echo(endpoint.address)
        _say(CAUTION)
        for i, probe in sorted(wiring.items()):
            _say(f"input {i}: {probe.name} ({probe.role})")
        _say("waiting for a host; Ctrl-C ends this")
        serve(
            board,
            endpoint,
            pace,
            ended=lambda: asked() or (seconds is not None and time.monotonic() - started >= seconds),
            say=_say,
        )
    for i, samples in sorted(board.clipped.items()):
        name = wiring[i].name if i in wiring else f"input {i}"
        _say(f"{name}: {samples} samples lay outside 0 to 5 V and were clipped, as a real converter does")
    return Outcome.DONE


def _acquisition(setup: Setup) -> tuple[int | None, int | None]:
    """Baud and rate that the set-up asks for."""
    if setup.acquisition is None:
        return None, None
    return setup.acquisition.baud, setup.acquisition.rate_hz


def _played(path: Path, setup_name: str | None, time_column: str | None) -> BlockSource:
    setup = load_setup(setup_name)[0] if setup_name is not None else None
    if path.suffix == ".mcap":
        if time_column is not None:
            raise click.UsageError("--time names a column of a CSV; a recording has none.")
        return recording_source(path, setup)
    if setup is None:
        raise click.UsageError("a capture as CSV needs --setup: it says which column is which probe.")
    return capture_source(path, setup, time_column)


@contextmanager
def _asked_to_end() -> Iterator[Callable[[], bool]]:
    """Whether SIGINT or SIGTERM came: both end the rig in good order."""
    came: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: bool(came)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _say(text: str) -> None:
    click.echo(f"rig: {text}", err=True)
