"""What all tests share: how hypothesis picks its examples, and that nobody's own known-goods take part."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
from evenstroke_replay.shelf import FOLDER_VARIABLE

# The same examples each time, so that a change is judged by itself; `make fuzz` looks for new ones.
hypothesis.settings.register_profile("steady", derandomize=True)
hypothesis.settings.register_profile("search", max_examples=2000, print_blob=True)
hypothesis.settings.load_profile("steady")

os.environ[FOLDER_VARIABLE] = str(Path(__file__).parent / "no-shelf-here")
