"""The option `--quick`, and where commands look up what engine physics say of a set-up."""

from __future__ import annotations

import click
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_protocol.errors import EvenstrokeError
from evenstroke_replay.physics_cache import PhysicsCache, cache_folder

quick_option = click.option(
    "--quick",
    is_flag=True,
    help="Leave engine physics out: no prediction of what the set-up does, no half minute for a new engine.",
)


def prediction_unless(quick: bool, setup: Setup) -> Prediction | None:
    """What a session begins with; None with --quick, and, said, where the physics cannot say anything."""
    physics = physics_unless(quick)
    try:
        return physics.prediction(setup) if physics is not None else None
    except EvenstrokeError as error:
        say_not_worked_out(str(error))
        return None


def say_not_worked_out(problem: str) -> None:
    """On stderr; what follows goes on without a prediction."""
    click.echo(f"what the set-up does could not be worked out by engine physics: {problem}", err=True)


def physics_unless(quick: bool) -> PhysicsCache | None:
    """Where predictions are kept; None with --quick."""
    if quick:
        return None
    return PhysicsCache(cache_folder(), say=lambda text: click.echo(text, err=True))
