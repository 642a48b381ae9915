"""`python -m evenstroke_daemon` is the `evenstroke` command."""

import sys

from .start import main

sys.exit(main())
