"""Where the `evenstroke` command begins: a Ctrl-C is an orderly end from here on, also while modules load."""

from __future__ import annotations

import signal
import sys


def main() -> int:
    """Run the process's command line and return its exit code."""
    try:
        from .command_line import main as run

        return run()
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second one would only interrupt the ending
        sys.stderr.write("evenstroke: stopped by the keyboard before it was done\n")
        return 1
