"""`evenstroke setup`: what a set-up allows, before anyone cranks."""

from __future__ import annotations

import click
from evenstroke_dsp.setup_check import check_text
from evenstroke_replay.setup_files import load_setup

from .physics_option import prediction_unless, quick_option


@click.group("setup", epilog="Example:  evenstroke setup check my-engine.toml")
def command() -> None:
    """Check the file that says what engine it is and what is fitted where."""


@command.command("check", epilog="Example:  evenstroke setup check demo")
@click.argument("file", metavar="FILE|NAME")
@quick_option
def check(file: str, quick: bool) -> None:
    """Say what this set-up can compare, what disturbs what and how much, and what to beware of.

    Every set-up that is valid passes, a dangerous one too: its dangers are stated.
    """
    setup, _ = load_setup(file)
    click.echo(check_text(setup, prediction_unless(quick, setup)), nl=False)
