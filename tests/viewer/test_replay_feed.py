"""A recording in the window's model: what is shown at a second is the same however one came there."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.messages import Balance, Cycle, FindingMessage
from evenstroke_replay.pacing import AS_FAST_AS_IT_GOES, Command, SeekTo
from evenstroke_replay.playback import Playback
from evenstroke_replay.recording import open_recording
from evenstroke_viewer.band import link_part
from evenstroke_viewer.feed import Inbox, Playing
from evenstroke_viewer.played_ahead import PlayedAhead
from evenstroke_viewer.replay_feed import WAVES_BEFORE_S, ReplayFeed
from evenstroke_viewer.view_model import ViewModel
from recordings import record

SECONDS = 16.0
LIMIT_S = 600.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = record(
        tmp_path_factory.mktemp("recordings") / "six.mcap", SECONDS, {4.0: "coughed", 13.0: "door shut"}
    )
    return open_recording(path, check_all=False)


class Watched(Inbox):
    """An inbox that tells each message to whoever waits for one."""

    def __init__(self):
        super().__init__()
        self._changed = threading.Condition()
        self.playing = None
        self.cycles = 0
        self.ways, self.went_on = set(), False  # what was ever so, however short

    def put(self, *messages):
        super().put(*messages)
        with self._changed:
            for message in messages:
                if isinstance(message, Playing):
                    self.playing = message
                    self.ways.add(message.to_s)
                    self.went_on |= not message.paused
                self.cycles += isinstance(message, Cycle)
            self._changed.notify_all()

    def until(self, there):
        with self._changed:
            assert self._changed.wait_for(lambda: there(self), LIMIT_S)


@pytest.fixture
def playing(recording):
    """A feed that plays as fast as it goes, and a model that takes what it delivers."""
    made = []

    def start(**how):
        inbox = Watched()
        feed = ReplayFeed(recording, recording.setup, inbox=inbox, **how)
        made.append(feed)
        feed.start()
        return feed, inbox

    yield start
    for feed in made:
        feed.close()


def there(inbox, to_s):
    """A jump is over."""
    return abs(inbox.playing.at_s - to_s) < 0.2 and inbox.playing.to_s is None


def shown(inbox, model=None):
    model = model or ViewModel()
    model.deliver(inbox.take())
    return model


def known_at(recording, at_s):
    """What a playback from the beginning has said by then."""
    playback, cycles, balance, finding = Playback(recording, recording.setup), [], None, None
    while (moment := playback.next()) is not None and moment.at_s < at_s:
        cycles += [m for m in moment.messages if isinstance(m, Cycle)]
        balance = next((m for m in reversed(moment.messages) if isinstance(m, Balance)), balance)
        finding = next((m for m in reversed(moment.messages) if isinstance(m, FindingMessage)), finding)
    return cycles, balance, finding


def test_played_to_the_end_it_holds_all_and_waits(recording, playing):
    _, inbox = playing(speed=AS_FAST_AS_IT_GOES)
    inbox.until(lambda i: i.playing is not None and i.playing.paused)
    model = shown(inbox)
    cycles, balance, _ = known_at(recording, SECONDS + 1)
    # What the flush behind the last sample says is part of it.
    assert [c.sequence for c in model.cycles][: len(cycles)] == [c.sequence for c in cycles]
    assert model.balance.cycles >= balance.cycles
    assert [(round(m.at_s), m.words) for m in model.marks] == [(4, "coughed"), (13, "door shut")]
    assert model.playing.length_s == pytest.approx(SECONDS, abs=0.2)
    assert model.state is not None and model.health is not None and model.state.coach is None


@pytest.mark.parametrize("to_s", [3.0, 12.5])
def test_a_jump_back_shows_what_was_known_then(recording, playing, to_s):
    feed, inbox = playing(speed=AS_FAST_AS_IT_GOES)
    inbox.until(lambda i: i.playing is not None and i.playing.paused)
    model = shown(inbox)
    feed.do(SeekTo(to_s))
    inbox.until(lambda i: there(i, to_s) and i.playing.paused)
    # One more round of the player's loop: everything before it has been handed over.
    shown(inbox, model)
    cycles, balance, finding = known_at(recording, to_s)
    assert [c.sequence for c in model.cycles] == [c.sequence for c in cycles]
    assert model.balance == balance
    assert model.finding == finding
    (piece,) = model.conditioned.between("intake", 0.0, SECONDS)
    assert to_s - piece.t0_s >= min(to_s, WAVES_BEFORE_S) - 0.2
    assert model.now_s == pytest.approx(to_s, abs=0.3)


def waves_of(keeper, probe, from_s, to_s):
    """Samples by their number."""
    found = {}
    for piece in keeper.between(probe, from_s, to_s):
        for k, value in enumerate(piece.samples[0].tolist()):
            at_s = piece.t0_s + k * piece.dt_s
            if from_s <= at_s < to_s:
                found[round(at_s / piece.dt_s)] = value
    return found


def straight(recording, to_s):
    """A model that was told all that a playback says before this second."""
    model, playback = ViewModel(), Playback(recording, recording.setup)
    while (moment := playback.next()) is not None and moment.at_s < to_s:
        for message in moment.messages:
            model.take(message)
    return model


@pytest.mark.parametrize("to_s", [12.0, 14.9])
def test_a_jump_into_what_was_not_played_shows_what_playing_shows(recording, playing, to_s):
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None)
    feed.do(SeekTo(to_s))
    inbox.until(lambda i: there(i, to_s))
    model, played = shown(inbox), straight(recording, to_s)
    assert list(model.cycles) == list(played.cycles) and len(model.cycles) > 10
    assert (model.balance, model.finding) == (played.balance, played.finding)
    assert [m.words for m in model.marks] == (["coughed"] if to_s < 13.0 else ["coughed", "door shut"])
    assert model.now_s == played.now_s
    for keeper, other in ((model.raw, played.raw), (model.conditioned, played.conditioned)):
        assert keeper.probes == other.probes and keeper.until_s == pytest.approx(other.until_s)
        for probe in keeper.probes:
            wanted = waves_of(other, probe, to_s - WAVES_BEFORE_S + 0.1, to_s)
            have = waves_of(keeper, probe, to_s - WAVES_BEFORE_S + 0.1, to_s)
            assert have == wanted and len(have) > 1000
            assert len(keeper.between(probe, to_s - WAVES_BEFORE_S + 0.1, to_s)) == 1  # no hole
    for cut, other in zip(model.cuts, played.cuts, strict=True):
        assert (cut.sequence, cut.units) == (other.sequence, other.units)
        for probe, pieces in other.pieces.items():
            ((mine,), (its,)) = cut.pieces[probe], pieces
            assert mine.t0_s == pytest.approx(its.t0_s, abs=1e-6)
            np.testing.assert_array_equal(mine.samples, its.samples)


def test_a_jump_that_waits_can_be_given_up(recording, playing, monkeypatch):
    """The other process is held up, as by a long recording."""
    held = threading.Event()
    look = PlayedAhead.look
    monkeypatch.setattr(
        PlayedAhead, "look", lambda self, wait_s=0.0: look(self) if held.is_set() else held.wait(wait_s)
    )
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None)
    feed.do(SeekTo(12.0))
    inbox.until(lambda i: i.playing.to_s == 12.0)
    assert inbox.playing.at_s < 1.0 and inbox.playing.share < 1.0  # and says where it still is
    words = link_part(shown(inbox)).words
    assert "going to 12" in words and "worked through (Esc: stay)" in words
    feed.stay()
    inbox.until(lambda i: i.playing.to_s is None)
    assert inbox.playing.at_s < 1.0
    held.set()
    feed.do(Command.CYCLE)  # it goes on from where it was
    inbox.until(lambda i: i.went_on and i.cycles and i.playing.paused)
    model = shown(inbox)
    # The player stops as soon as the first has come, which was a cycle after the second it is drawn at.
    played = list(straight(recording, model.now_s + 2.0).cycles)
    assert list(model.cycles) == played[:1]
    assert model.cycles[0].sequence == 0


def test_where_the_other_process_dies_a_jump_plays_what_it_did_not(recording, playing, monkeypatch):
    made = []
    init = PlayedAhead.__init__

    def dies(self, *given):
        init(self, *given)
        self._process.terminate()
        made.append(self)

    monkeypatch.setattr(PlayedAhead, "__init__", dies)
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None)
    feed.do(SeekTo(12.0))
    inbox.until(lambda i: there(i, 12.0))
    assert "ended with code" in made[0].problem
    inbox.until(lambda i: i.playing.trouble == made[0].problem)
    model, played = shown(inbox), straight(recording, 12.0)
    assert "jumps are slow" in link_part(model).words
    assert list(model.cycles) == list(played.cycles) and model.balance == played.balance
    folder = Path(made[0]._folder.name)
    assert folder.exists()
    feed.close()
    assert not folder.exists()


def test_there_and_back_nothing_is_shown_twice(recording, playing):
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None)
    model = ViewModel()
    for to_s in (12.0, 3.0, 12.4):
        feed.do(SeekTo(to_s))
        inbox.until(lambda i, to_s=to_s: there(i, to_s))
        shown(inbox, model)
    feed.do(SeekTo(14.0))
    inbox.until(lambda i: there(i, 14.0))
    shown(inbox, model)
    cycles, balance, _ = known_at(recording, 14.0)
    assert [c.sequence for c in model.cycles] == [c.sequence for c in cycles]
    assert model.balance == balance
    assert len(model.marks) == 2


def test_single_cycles_and_going_on(playing):
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None and i.playing.paused)
    feed.do(Command.CYCLE)
    inbox.until(lambda i: i.went_on and i.cycles and i.playing.paused)
    first, inbox.went_on = (
        inbox.cycles,
        False,
    )  # the first moment that knows a cycle may know the one before it too
    feed.do(Command.CYCLE)
    inbox.until(lambda i: i.went_on and i.cycles > first and i.playing.paused)
    assert len(shown(inbox).cycles) == inbox.cycles == first + 1


def test_at_the_end_space_begins_anew(playing):
    feed, inbox = playing(speed=AS_FAST_AS_IT_GOES)
    inbox.until(lambda i: i.playing is not None and i.playing.paused)
    inbox.went_on = False
    feed.do(Command.PAUSE)
    inbox.until(lambda i: i.went_on)
    inbox.until(lambda i: i.playing.paused and i.playing.at_s > SECONDS - 0.3)


def test_what_ends_the_reading_is_said(recording, playing):
    from evenstroke_protocol.errors import EvenstrokeError

    def no_physics():
        raise EvenstrokeError("an engine of no size", where="engine")

    inbox = Watched()
    feed = ReplayFeed(recording, recording.setup, no_physics, inbox)
    feed.start()
    feed._thread.join(LIMIT_S)
    model = shown(inbox)
    assert model.state.link == "failed"
    assert "an engine of no size" in model.state.reason


def test_a_jump_says_how_far_it_has_come_and_gives_way_to_another(recording, playing):
    feed, inbox = playing(paused=True)
    inbox.until(lambda i: i.playing is not None)
    feed.do(SeekTo(15.0))
    inbox.until(lambda i: 15.0 in i.ways)
    feed.do(SeekTo(2.0))
    inbox.until(lambda i: there(i, 2.0))
    model = shown(inbox)
    cycles, balance, _ = known_at(recording, 2.0)
    assert [c.sequence for c in model.cycles] == [c.sequence for c in cycles]
    assert model.balance == balance
