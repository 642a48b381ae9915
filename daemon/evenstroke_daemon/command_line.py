"""The `evenstroke` command: finds its subcommands, and turns every outcome into an exit code.

A subcommand NAME is a module `evenstroke_daemon.command_NAME` with a click command called `command`,
or an entry point of the group `evenstroke.commands`. It returns an `Outcome` (None means DONE) or
raises an `EvenstrokeError`; it never exits. stdout carries results, stderr everything else.

Exit codes, here and nowhere else:
0 done; 1 could not be done; 2 wrong command line; 3 done, with something lost.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import pkgutil
import sys
from collections.abc import Sequence
from importlib.metadata import entry_points, version

import click
from evenstroke_protocol.errors import EvenstrokeError

import evenstroke_daemon

from .outcome import Outcome

DONE = 0
COULD_NOT = 1
WRONG_COMMAND_LINE = 2
DONE_WITH_LOSS = 3

ENTRY_POINTS = "evenstroke.commands"
_PREFIX = "command_"
_NO_ROOM = frozenset({errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)})
"""What a disk, or whatever stdout is redirected to, says when it takes no more. Other OSErrors are bugs of ours."""


class _Commands(click.Group):
    """Imports a subcommand only when it is asked for, so that each one starts quickly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_own_commands() | {entry.name for entry in entry_points(group=ENTRY_POINTS)})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        found: object = None
        if cmd_name in _own_commands():
            module = importlib.import_module(f"{evenstroke_daemon.__name__}.{_PREFIX}{cmd_name}")
            found = module.command
        else:
            for entry in entry_points(group=ENTRY_POINTS):
                if entry.name == cmd_name:
                    found = entry.load()
        return found if isinstance(found, click.Command) else None


def _own_commands() -> set[str]:
    names = {module.name for module in pkgutil.iter_modules(evenstroke_daemon.__path__)}
    return {name.removeprefix(_PREFIX) for name in names if name.startswith(_PREFIX)} - {"line"}


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example:  evenstroke demo",
)
@click.version_option(version("evenstroke"), prog_name="evenstroke")
def commands() -> None:
    """Say which cylinder's pulse is odd in every cycle, from home-built sensors while an engine cranks.

    evenstroke also says when the test set-up made the oddity itself. What it says is evidence, not
    proof. The maker's procedure, local rules and licensed practice come first.

    \b
    Before anyone cranks: neutral or park, handbrake, chocks; auto start-stop and remote start off;
    the person at the engine holds the key; hair, sleeves and tools clear of belts and fans; starting
    prevented in a way that suits this engine; short cranks, two minutes' rest. Suspected water in a
    cylinder or a broken belt: do not crank, turn by hand first.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line (default: the process's own) and return its exit code."""
    try:
        result = commands.main(
            args=list(arguments) if arguments is not None else None,
            prog_name="evenstroke",
            standalone_mode=False,
        )
        sys.stdout.flush()
    except EvenstrokeError as error:
        for text in (str(error), *getattr(error, "__notes__", ())):
            _say(f"evenstroke: {text}")
        return COULD_NOT
    except click.UsageError as error:
        error.show()
        return WRONG_COMMAND_LINE
    except click.ClickException as error:
        _say(f"evenstroke: {error.format_message()}")
        return COULD_NOT
    except (KeyboardInterrupt, click.Abort):
        _say("evenstroke: stopped by the keyboard before it was done")
        return COULD_NOT
    except BrokenPipeError:
        _discard_stdout()  # whoever read our output went away
        return COULD_NOT
    except OSError as error:
        if error.errno not in _NO_ROOM:
            raise
        _discard_stdout()
        _say(
            f"evenstroke: {error.filename or 'where the output goes'}: nothing more can be written\n"
            f"  found:    {error.strerror}\n"
            "  do this:  make room there, or send the output elsewhere"
        )
        return COULD_NOT
    return DONE_WITH_LOSS if result is Outcome.DONE_WITH_LOSS else result if isinstance(result, int) else DONE


def _discard_stdout() -> None:
    """What is still buffered goes nowhere: Python would flush it once more as it ends, and complain."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # there is nobody left to tell
        click.echo(text, err=True)
