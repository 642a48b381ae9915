"""Engine physics in a process of its own: what comes back, and what happens when it does not."""

from __future__ import annotations

import pytest
from evenstroke_daemon.physics_beside import PhysicsBeside
from evenstroke_replay.physics_cache import PhysicsCache
from evenstroke_replay.setup_files import load_setup


@pytest.fixture
def beside(tmp_path):
    """Begins to work out what a shipped set-up does: that is kept, so that only the way there and back is tried."""
    begun = PhysicsBeside(load_setup("demo")[0], tmp_path)
    yield begun
    begun.close()


def test_what_comes_back_is_what_the_session_would_have_worked_out_itself(beside, tmp_path):
    assert beside.ended(wait=True)
    assert beside.problem is None
    here = PhysicsCache(tmp_path).prediction(load_setup("demo")[0])
    assert beside.prediction is not None
    assert list(beside.prediction.bare) == list(here.bare)
    for key, values in here.bare.items():
        assert (beside.prediction.bare[key] == values).all()


def test_a_process_that_dies_is_a_problem_in_words_and_not_a_wait(beside):
    beside._process.kill()
    assert beside.ended(wait=True), "nobody waits for ever"
    # It takes the process a second to import what it needs: the kill is far quicker.
    assert beside.prediction is None
    assert "ended with code" in beside.problem


def test_what_is_not_done_can_be_given_up(tmp_path):
    begun = PhysicsBeside(load_setup("demo")[0], tmp_path)
    begun.close()
