"""What all tests share: how hypothesis picks its examples."""

from __future__ import annotations

import hypothesis

# The same examples each time, so that a change is judged by itself; `make fuzz` looks for new ones.
hypothesis.settings.register_profile("steady", derandomize=True)
hypothesis.settings.register_profile("search", max_examples=2000, print_blob=True)
hypothesis.settings.load_profile("steady")
