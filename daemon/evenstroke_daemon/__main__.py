"""`python -m evenstroke_daemon` is the `evenstroke` command."""

import sys

from .command_line import main

sys.exit(main())
