"""Engine physics in a process of its own: what comes back, and what happens when it does not."""

from __future__ import annotations

import pytest
from evenstroke_daemon.command_listen import _informed_by
from evenstroke_daemon.physics_beside import PhysicsBeside
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.setup_effects import setup_notes
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


class Beside:
    """Stands where PhysicsBeside stands, done when it is told so or waited for."""

    def __init__(self, prediction=None, problem=None):
        self.prediction, self.problem, self.done = prediction, problem, False

    def ended(self, *, wait):
        return wait or self.done


def test_the_session_s_pipeline_knows_what_was_worked_out(tmp_path, capsys):
    setup, _ = load_setup("demo")
    prediction = PhysicsCache(tmp_path).prediction(setup)
    beside = Beside(prediction)
    known_goods = KnownGoods({}, {})
    informed = _informed_by(beside, setup, known_goods)
    assert informed(False) is None
    beside.done = True
    got = informed(False)
    assert got.pipeline._prediction is prediction
    assert got.pipeline._known_goods is known_goods
    assert got.setup_notes == setup_notes(setup, prediction)
    assert got.setup_notes != setup_notes(setup, None), "the sizes are said"
    assert "worked out" in capsys.readouterr().err


def test_where_it_could_not_be_worked_out_that_is_said_and_the_rest_goes_on(capsys):
    setup, _ = load_setup("demo")
    got = _informed_by(Beside(problem="no such engine"), setup, None)(True)
    assert got.setup_notes == setup_notes(setup, None)
    assert "could not be worked out by engine physics: no such engine" in capsys.readouterr().err
