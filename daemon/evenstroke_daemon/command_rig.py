"""`evenstroke rig`: a virtual board on a pseudo-terminal or a TCP port."""

from __future__ import annotations

import dataclasses
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import get_args

import click
from evenstroke_dsp.messages import FaultKind
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
_ENGINE_FAULTS = get_args(FaultKind)
_SHAPES = "Shapes instead of physics"


@click.command(
    epilog="""\b
    Examples:
      evenstroke rig
      evenstroke rig --engine-fault intake_restriction:3:0.9 --seed 7
      evenstroke rig --alter intake 3 -15
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
@click.option(
    "--engine-fault",
    "engine_faults",
    multiple=True,
    metavar="KIND[:CYLINDERS[:SIZE]]",
    help="Something is wrong with the engine: "
    + ", ".join(_ENGINE_FAULTS)
    + ". CYLINDERS with commas; SIZE: leaks "
    "the added mm2, restrictions and worn_lobe the share lost (0 to 1), cam_timing degrees late. Repeatable.",
)
@click.option("--rpm", type=float, help=f"{_SHAPES}: mean cranking speed.  [default: {_USUAL.rpm:g}]")
@click.option(
    "--rest", type=float, default=_USUAL.rest_s, show_default=True, help="Seconds at rest before it cranks."
)
@click.option(
    "--cranking", type=float, default=_USUAL.crank_s, show_default=True, help="Seconds of cranking."
)
@click.option(
    "--ripple",
    type=float,
    help=f"{_SHAPES}: highest less lowest speed within a cycle, per cent.  [default: {_USUAL.ripple_percent:g}]",
)
@click.option(
    "--sag",
    type=float,
    help=f"{_SHAPES}: fall of the speed over the cranking, per cent.  [default: {_USUAL.sag_percent:g}]",
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
    help=f"{_SHAPES}: scatter of the cylinders' sizes, per cent (standard deviation).  [default: 0]",
)
@click.option(
    "--cycle-spread",
    type=float,
    help=f"{_SHAPES}: scatter of each pulse from cycle to cycle, per cent (standard deviation).  "
    f"[default: {_USUAL.cycle_percent:g}]",
)
@click.option(
    "--seed",
    type=int,
    default=_USUAL.seed,
    show_default=True,
    help="Another seed, another engine of the kind.",
)
@click.option(
    "--alter",
    type=(str, int, float),
    multiple=True,
    metavar="PROBE CYLINDER PERCENT",
    help=f"{_SHAPES}: one cylinder's pulse off by so much, every cycle. Repeatable.",
)
@click.option(
    "--one-off",
    type=(str, int, float, int),
    multiple=True,
    metavar="PROBE CYLINDER PERCENT CYCLE",
    help=f"{_SHAPES}: the same in one cycle only, counted from 0. Repeatable.",
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
    engine_faults: tuple[str, ...],
    rpm: float | None,
    rest: float,
    cranking: float,
    ripple: float | None,
    sag: float | None,
    noise: float,
    quiet: bool,
    uneven: float | None,
    cycle_spread: float | None,
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
    """Play a board that is not there: a simulated engine, a capture or a recording.

    The first line of stdout is what a host opens; `evenstroke listen --port` takes it. The engine
    rests, cranks and rests again, from the moment when a host says start.

    The engine is simulated from first principles: what the set-up fits, and what --engine-fault says
    is wrong, act as gas, crank, starter and battery have it. With any of --alter, --one-off, --rpm, --ripple,
    --sag, --uneven and --cycle-spread it is not: then every pulse has the shape and the size that it is
    told to have, and what is fitted alters nothing.

    Either is a simulation: no engine turns, and nothing about a real one follows from it. On a
    real one, the maker's procedure and local rules come first.
    """
    started = time.monotonic()
    if play is None:
        if time_column is not None:
            raise click.UsageError("--time names a column of a CSV: give that file with --play.")
        setup, _ = load_setup(setup_name if setup_name is not None else "demo")
        if setup.conditions.mode != "cranking":
            _say(f"the set-up says {setup.conditions.mode}; the rig only cranks, and nothing fires in it")
        told = {
            "rpm": rpm,
            "ripple_percent": ripple,
            "sag_percent": sag,
            "uneven_percent": uneven,
            "cycle_percent": cycle_spread,
        }
        given = {name: value for name, value in told.items() if value is not None}
        noise_db = None if quiet else noise
        if given or alter or one_off:
            if engine_faults:
                raise click.UsageError(
                    "--engine-fault is for the engine by physics; --alter, --one-off, --rpm, --ripple, --sag, --uneven and "
                    "--cycle-spread are for shapes."
                )
            alterations = [Alteration(*a) for a in alter] + [Alteration(*a) for a in one_off]
            how = dataclasses.replace(
                _USUAL, rest_s=rest, crank_s=cranking, noise_db=noise_db, seed=seed, **given
            )
            shapes = EngineSource(setup, how, tuple(alterations))
            shapes.prepare()
            source: Source = shapes
        else:
            source = _by_physics(
                setup, engine_faults, seed=seed, rest_s=rest, crank_s=cranking, noise_db=noise_db
            )
        wiring = {p.input: p for p in setup.probe if p.input is not None}
        baud, rate = _acquisition(setup)
    else:
        if alter or one_off or engine_faults:
            raise click.UsageError("--alter, --one-off and --engine-fault are for an engine, not for --play.")
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


def _by_physics(
    setup: Setup, faults: tuple[str, ...], *, seed: int, rest_s: float, crank_s: float, noise_db: float | None
) -> Source:
    # Its numba takes a second to import: only who simulates waits for that.
    from evenstroke_replay.rig_physics import PhysicsSource, crank, parse_engine_fault

    parsed = tuple(parse_engine_fault(text) for text in faults)
    trace = crank(setup, seed=seed, rest_s=rest_s, crank_s=crank_s, faults=parsed)
    source = PhysicsSource(
        setup, trace, rest_s=rest_s, release_s=rest_s + crank_s, noise_db=noise_db, seed=seed
    )
    source.prepare()
    return source


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
