"""What all tests share: hypothesis picks the same examples, nobody's own known-goods take part, and what runs side by side."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import pytest
from evenstroke_replay.shelf import FOLDER_VARIABLE

# The same examples each time, so that a change is judged by itself; `make fuzz` looks for new ones.
hypothesis.settings.register_profile("steady", derandomize=True)
hypothesis.settings.register_profile("search", max_examples=2000, print_blob=True)
hypothesis.settings.load_profile("steady")

os.environ[FOLDER_VARIABLE] = str(Path(__file__).parent / "no-shelf-here")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where tests run side by side, those of a file stay together, since they share what it cranks, and those of windows too:
    which of them has the focus shows in pictures."""
    if config.pluginmanager.hasplugin("xdist"):
        for item in items:
            windows = item.path.parent.name == "viewer"
            item.add_marker(pytest.mark.xdist_group("viewer" if windows else item.path.stem))
