"""The set-up file as it is edited: what was not touched stays as it was written, and what was is what the file says."""

from __future__ import annotations

import tomllib

import pytest
from evenstroke_dsp.setup import SetupError
from evenstroke_replay.setup_files import load_setup, shipped_setups
from evenstroke_viewer.setup_document import SetupDocument


@pytest.fixture
def demo():
    return SetupDocument(load_setup("demo")[1], "demo.toml")


@pytest.mark.parametrize("name", shipped_setups())
def test_a_file_that_is_not_changed_is_written_as_it_was(name):
    setup, text = load_setup(name)
    document = SetupDocument(text)
    assert document.text == text
    assert document.parsed() == setup


def changed_lines(before, after):
    return set(before.splitlines()) ^ set(after.splitlines())


def test_a_change_touches_its_own_line_only_and_keeps_its_comment(demo):
    before = demo.text
    demo.put(("probe", 0, "low_corner_hz"), 1.5)
    changed = changed_lines(before, demo.text)
    assert len(changed) == 2
    assert any("1.5" in line and "the probe's own high-pass corner" in line for line in changed)


def test_values_come_and_go(demo):
    before = demo.text
    demo.put(("probe", 0, "sees"), [1, 2, 3])
    assert demo.parsed().probe[0].sees == (1, 2, 3)
    demo.put(("probe", 0, "sees"), None)
    assert demo.text == before


def test_a_table_is_made_when_needed_and_goes_when_empty():
    document = SetupDocument("schema = 1\n")
    document.put(("engine", "valve_events_deg", "intake_opens"), 350)
    assert tomllib.loads(document.text)["engine"] == {"valve_events_deg": {"intake_opens": 350}}
    document.put(("engine", "valve_events_deg", "intake_opens"), None)
    assert tomllib.loads(document.text) == {"schema": 1}


def test_a_key_above_the_tables_stays_above_them(demo):
    demo.put(("title",), None)
    demo.put(("title",), "another")
    assert demo.parsed().title == "another"


def test_a_probe_goes_with_its_own_comment_and_leaves_the_next_ones(demo):
    before = tomllib.loads(demo.text)
    demo.take_out("probe", 2)
    del before["probe"][2]
    assert tomllib.loads(demo.text) == before
    assert "60 places, two teeth missing" not in demo.text
    assert "# The pressure transducer in cylinder 5." in demo.text


def test_a_probe_whose_text_looks_like_a_table_can_be_taken_out():
    text = 'schema = 1\n[[probe]]\nname = "a"\nplace = """\n[[probe]]\n"""\n[[probe]]\nname = "b"\n'
    document = SetupDocument(text)
    document.take_out("probe", 0)
    assert tomllib.loads(document.text) == {"schema": 1, "probe": [{"name": "b"}]}


def test_the_last_one_takes_its_list_along(demo):
    place = demo.add("fitted", {"what": "compression hose", "cylinder": 2, "added_volume_cc": 12.0})
    assert (place, demo.count("fitted"), demo.parsed().fitted[0].cylinder) == (0, 1, 2)
    demo.take_out("fitted", 0)
    assert demo.count("fitted") == 0
    assert demo.parsed() == load_setup("demo")[0]


def test_what_is_no_toml_is_said_with_its_place():
    with pytest.raises(SetupError, match="not valid TOML") as caught:
        SetupDocument('schema = 1\ntitle = "open\n', "mine.toml")
    assert "line 2" in str(caught.value) and caught.value.where == "mine.toml"
