"""Predictions are worked out once for each kind of engine, and kept."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.physics_cache import FEWEST_DRAWS, MOST_DRAWS, PhysicsCache, shipped_folder
from evenstroke_replay.setup_files import load_setup, shipped_setups

TWIN = """
schema = 1
title = "{title}"
[engine]
cylinders = 2
firing_order = [1, 2]
displacement_cc = 800
[[probe]]
name = "intake"
role = "intake_pulse"
low_corner_hz = {corner}
[[fitted]]
what = "hose"
cylinder = 1
added_volume_cc = {volume}
"""


def twin(title: str = "a", corner: float = 1.0, volume: float = 6.0):
    return parse_setup(TWIN.format(title=title, corner=corner, volume=volume))


def test_what_was_worked_out_is_read_again_and_nothing_else_is_worked_out(tmp_path) -> None:
    said: list[str] = []
    first = PhysicsCache(tmp_path, draws=3, say=said.append).prediction(twin())
    again = PhysicsCache(tmp_path, draws=3, say=said.append).prediction(twin(title="another title"))
    assert len(said) == 1
    assert first.cylinders == again.cylinders and first.relative == again.relative
    assert all(np.array_equal(first.fitted[key], again.fitted[key], equal_nan=True) for key in first.fitted)
    for other in (twin(corner=2.0), twin(volume=7.0)):
        PhysicsCache(tmp_path, draws=3, say=said.append).prediction(other)
    assert len(said) == 3


def test_a_damaged_file_is_worked_out_anew_and_a_folder_that_cannot_be_is_done_without(tmp_path) -> None:
    said: list[str] = []
    PhysicsCache(tmp_path, draws=2, say=said.append).prediction(twin())
    (file,) = tmp_path.glob("*.npz")
    file.write_bytes(file.read_bytes()[:100])
    assert PhysicsCache(tmp_path, draws=2, say=said.append).prediction(twin()) is not None
    nowhere = tmp_path / "a file"
    nowhere.write_text("")
    assert PhysicsCache(nowhere / "below", draws=2, say=said.append).prediction(twin()) is not None
    assert len(said) == 3


def test_an_idling_test_has_no_prediction(tmp_path) -> None:
    idle = parse_setup(TWIN.format(title="", corner=1.0, volume=6.0) + '[conditions]\nmode = "idle"\n')
    assert PhysicsCache(tmp_path).prediction(idle) is None


@pytest.mark.parametrize("name", shipped_setups())
def test_what_ships_fits_the_code(name: str, tmp_path) -> None:
    # `python -m evenstroke_replay.physics_cache` makes it anew.
    def not_worked_out(text: str) -> None:
        raise AssertionError(f"{name}: {text}; the shipped file in {shipped_folder()} does not fit the code")

    prediction = PhysicsCache(tmp_path, say=not_worked_out).prediction(load_setup(name)[0])
    assert prediction is not None
    assert FEWEST_DRAWS <= prediction.rpm.size <= MOST_DRAWS
