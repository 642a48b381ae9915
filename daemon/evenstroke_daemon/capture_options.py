"""The options of the commands that read a recording or a capture as CSV: by which set-up, column and first cylinder."""

from __future__ import annotations

import click

setup_option = click.option(
    "--setup",
    "setup_name",
    metavar="FILE|NAME",
    help="Set-up file, or a shipped one. A CSV needs one; a recording brings its own, which this replaces.",
)

time_option = click.option(
    "--time", "time_column", metavar="NAME", help="Time column of a CSV.  [default: time_s]"
)

first_position_option = click.option(
    "--first-position-is",
    type=int,
    metavar="CYL",
    help="Where no sync names the cylinders: the one whose pulse comes first.",
)

job_option = click.option(
    "--job", is_flag=True, help="Include the set-up's [job]: it may say whose vehicle it is."
)
