"""Dangers and cautions on stderr, where they concern what is being done."""

from __future__ import annotations

import click
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE, STEP_TITLES, cautions_for, dangers
from evenstroke_dsp.setup import Setup


def say_dangers(setup: Setup) -> None:
    """The dangerous combinations that the set-up describes or leaves open."""
    for danger in dangers(setup):
        click.echo(f"DANGER: {danger.text}", err=True)


def say_before_cranking(setup: Setup) -> None:
    """Dangers, and the cautions of every step up to the crank."""
    say_dangers(setup)
    for caution in cautions_for(setup):
        if caution.step in ("make_safe", "connect", "crank"):
            click.echo(f"{STEP_TITLES[caution.step]}: {caution.text}", err=True)
    click.echo(f"{PRECEDENCE}\n{EVIDENCE}\n", err=True)


def say_in_short(setup: Setup, setup_name: str) -> None:
    """Dangers, and where the rest is said."""
    say_dangers(setup)
    click.echo(f"{PRECEDENCE}\n{EVIDENCE}", err=True)
    click.echo(f"Every caution for this set-up: evenstroke setup check {setup_name}\n", err=True)
