"""The option `--no-shelf`, and where commands look for known-goods."""

from __future__ import annotations

from pathlib import Path

import click
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.setup import Setup
from evenstroke_replay.shelf import Shelf, shelf_folder

no_shelf_option = click.option(
    "--no-shelf",
    is_flag=True,
    help="Leave your own known-goods out of what is normal (see `evenstroke shelf`).",
)


def shelf_unless(no_shelf: bool) -> Shelf | None:
    """The user's shelf; None with --no-shelf."""
    return None if no_shelf else Shelf(shelf_folder())


def known_goods_unless(no_shelf: bool, setup: Setup, recording: Path | None = None) -> KnownGoods | None:
    """What a session is measured by; None with --no-shelf, and where nothing on the shelf fits. What the shelf cannot
    say is said on stderr. recording: what is played, which is not measured by itself."""
    shelf = shelf_unless(no_shelf)
    known_goods = shelf.known_goods_for(setup, recording) if shelf is not None else None
    if known_goods is not None and known_goods.note:
        click.echo(known_goods.note, err=True)
    return known_goods
