"""The window on a real X server, with keys and mouse: some of the tests without a screen, run by themselves."""

from __future__ import annotations

from pathlib import Path

from x_server import needs_xvfb, passes_on_an_x_server

_EVENTS = "number_keys or marks_the_moment or click or keys_are_shown or state_is_kept"


@needs_xvfb
def test_the_window_s_tests_pass_on_an_x_server():
    passes_on_an_x_server(Path(__file__).with_name("test_window_main.py"), _EVENTS)
