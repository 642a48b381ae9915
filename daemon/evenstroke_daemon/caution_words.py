"""Dangers and cautions on stderr, where they concern what is being done."""

from __future__ import annotations

import shutil

import click
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE, STEP_TITLES, cautions_for, dangers
from evenstroke_dsp.setup import Setup

from .invocation import command_line


def _say(text: str) -> None:
    """On stderr, broken between words where the terminal ends."""
    width = shutil.get_terminal_size((100, 24)).columns
    click.echo(click.wrap_text(text, width=width, subsequent_indent="    "), err=True)


def say_dangers(setup: Setup) -> None:
    """The dangerous combinations that the set-up describes or leaves open."""
    for danger in dangers(setup):
        _say(f"DANGER: {danger.text}")


def say_before_cranking(setup: Setup) -> None:
    """Dangers, and the cautions of every step up to the crank."""
    say_dangers(setup)
    for caution in cautions_for(setup):
        if caution.step in ("plan", "make_safe", "connect", "crank"):
            _say(f"{STEP_TITLES[caution.step]}: {caution.text}")
    click.echo(f"{PRECEDENCE}\n{EVIDENCE}\n", err=True)


def say_in_short(setup: Setup, setup_name: str) -> None:
    """Dangers, and where the rest is said."""
    say_dangers(setup)
    click.echo(f"{PRECEDENCE}\n{EVIDENCE}", err=True)
    click.echo(f"Every caution for this set-up: {command_line('setup', 'check', setup_name)}\n", err=True)
