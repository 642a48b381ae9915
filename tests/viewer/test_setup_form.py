"""The form without a window: what it asks for, what it makes of what is typed, and what it says."""

from __future__ import annotations

from typing import get_args

import msgspec
import pytest
from evenstroke_dsp.cautions import ALL_CAUTIONS, cautions_for
from evenstroke_dsp.engine import companions
from evenstroke_dsp.features import ROLE_PULSES
from evenstroke_dsp.setup import TABLES, Role, parse_setup
from evenstroke_dsp.setup_check import check_setup
from evenstroke_replay.physics_cache import PhysicsCache, shipped_folder
from evenstroke_replay.setup_files import load_setup
from evenstroke_viewer.firing_orders import OFFERS, offers_for
from evenstroke_viewer.knowing_more import more
from evenstroke_viewer.setup_document import SetupDocument
from evenstroke_viewer.setup_form import (
    NEW_TEXT,
    Field,
    UnreadableError,
    choose,
    chosen_offer,
    standing,
    steps,
    typed,
)


def begun(order=(1, 3, 4, 2)):
    document = SetupDocument(NEW_TEXT)
    document.put(("engine", "cylinders"), len(order))
    document.put(("engine", "firing_order"), list(order))
    return document


def paths(form):
    return {(*g.path, f.key) for s in form for g in s.groups for f in g.fields}


# --- what is asked for ------------------------------------------------------------------------------


def test_a_new_form_asks_for_two_things_only():
    document = SetupDocument(NEW_TEXT)
    assert paths(steps(document, None)) == {("engine", "cylinders"), ("engine", "firing_order")}
    assert "cylinders" in standing(document).now


def test_cylinders_and_order_make_a_set_up():
    stands = standing(begun())
    assert stands.setup is not None and stands.wrong is None
    assert stands.sentence == "This set-up allows 1 comparison of 4 cylinders, clean."


def test_every_key_of_the_file_has_its_field():
    """Whatever a set-up may say can be said in the form."""
    document = SetupDocument(load_setup("demo")[1])
    document.add("fitted", {"what": "compression hose", "cylinder": 2, "plug_removed": True})
    asked = set()
    for role in get_args(Role):
        document.put(("probe", 0, "role"), role)
        asked |= paths(steps(document, None))
    named = {tuple(step for step in path if isinstance(step, str)) for path in asked}
    keys = {
        (*table, field.encode_name)
        for table, kind in TABLES.items()
        for field in msgspec.structs.fields(kind)
    }
    tables = {table for table in TABLES if table} | {("schema",), ("job",), ("conditions", "acknowledged")}
    assert keys - tables - named == set()


def test_a_field_that_means_nothing_for_a_role_is_not_asked_for_unless_it_is_there():
    document = begun()
    assert ("probe", 0, "teeth") not in paths(steps(document, None))
    document.put(("probe", 0, "teeth"), "60-2")  # a mistake in a file: it can be taken out here
    assert ("probe", 0, "teeth") in paths(steps(document, None))


def test_cautions_stand_at_their_steps_and_none_is_left_out():
    for document, setup in ((begun(), None), (SetupDocument(load_setup("demo")[1]), load_setup("demo")[0])):
        form = steps(document, setup)
        told = [caution for step in form for caution in step.cautions]
        assert told == list(cautions_for(setup) if setup is not None else ALL_CAUTIONS)
        assert all(caution.step == step.step for step in form for caution in step.cautions)


# --- what is typed ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "words", "value"),
    [
        ("whole", " 6 ", 6),
        ("number", "9.4", 9.4),
        ("number", "-8", -8),
        ("cylinders", "1-5-3-6-2-4", [1, 5, 3, 6, 2, 4]),
        ("cylinders", "1, 5 3", [1, 5, 3]),
        ("numbers", "150, 90.5", [150, 90.5]),
        ("wheel", "60-2", "60-2"),
        ("wheel", "0 90 200", [0, 90, 200]),
        ("yes or no", "no", False),
        ("text", " port ", "port"),
        ("text", "  ", None),
    ],
)
def test_what_is_typed_becomes_the_files_value(kind, words, value):
    got = typed(Field("key", "label", kind), words)
    assert got == value and type(got) is type(value)


@pytest.mark.parametrize(
    ("kind", "words"),
    [("whole", "six"), ("whole", "6.5"), ("number", "9,4"), ("number", "nan"), ("number", "1e999"), ("cylinders", "1-x"),
     ("numbers", "a"), ("number", "-"), ("whole", "9" * 30)],
)  # fmt: skip
def test_what_cannot_be_read_is_said_and_never_guessed(kind, words):
    with pytest.raises(UnreadableError, match="such as"):
        typed(Field("key", "label", kind), words)


# --- what it says -------------------------------------------------------------------------------------


def test_an_error_names_its_field_and_what_to_do():
    document = begun((1, 3, 4, 4))
    stands = standing(document)
    assert (stands.setup, stands.wrong) == (None, ("engine", "firing_order"))
    assert stands.now
    document = begun()
    document.put(("probe", 0, "role"), "crank_teeth")
    assert standing(document).wrong == ("probe", 0, "teeth")


def test_the_check_is_the_one_of_the_command_line():
    setup, text = load_setup("demo")
    prediction = PhysicsCache(shipped_folder()).prediction(setup)
    told = {section.title: section.lines for section in standing(SetupDocument(text), prediction).sections}
    for section in check_setup(setup, prediction):
        if section.title != "Cautions":  # they stand at their steps
            assert told[section.title] == section.lines


def test_a_danger_asks_for_what_it_needs_and_comes_before_anything_else():
    document = SetupDocument(load_setup("demo")[1])
    assert not standing(document).alarm
    document.put(("conditions", "acknowledged"), None)
    stands = standing(document)
    assert stands.alarm and "will not listen" in stands.sentence
    assert [word for word, _ in stands.answers] == ["plug_out_ignition_on"]
    document.put(("conditions", "fuel"), "on")  # with the plug out nothing makes this right
    document.put(("conditions", "acknowledged"), ["plug_out_ignition_on"])
    stands = standing(document)
    assert stands.alarm and stands.now == "Disable the fuel."


def test_what_is_not_said_of_a_danger_is_asked_for_first():
    document = begun()
    document.put(("probe", 0, "name"), "pressure")
    document.put(("probe", 0, "role"), "cylinder_pressure")
    document.put(("probe", 0, "cylinder"), 2)
    assert "fuel" in standing(document).now.lower()


def test_something_typed_that_cannot_be_read_is_no_set_up():
    stands = standing(begun(), unread={("engine", "bore_mm"): "a number"})
    assert (stands.setup, stands.wrong, stands.now) == (None, ("engine", "bore_mm"), "Type a number.")


# --- knowing more -------------------------------------------------------------------------------------


def test_what_is_offered_as_a_probe_brings_the_comparisons_that_it_names():
    document = begun()
    for _ in range(10):
        offered = next((m for m in more(document.parsed()) if m.probe is not None), None)
        if offered is None:
            break
        values = dict(offered.probe)
        place = document.add("probe", values)
        if values["role"] == "crank_teeth":
            document.put(("probe", place, "teeth"), "60-2")
        if values["role"] == "cylinder_pressure":
            document.put(("probe", place, "cylinder"), 2)
        names = (
            [f.name for f in ROLE_PULSES[values["role"]].features if f.verdict]
            if values["role"] in ROLE_PULSES
            else []
        )
        if "compared" in offered.tells:
            assert all(name in offered.tells for name in names) and names
    else:
        pytest.fail("something is offered again that was taken")


def test_the_least_invasive_is_offered_first_and_a_plug_out_last():
    setup = parse_setup(
        'schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n[[probe]]\nname = "a"\nrole = "other"\n'
    )
    offered = more(setup)
    assert "starter" in offered[0].what and "nothing is opened" in offered[0].costs
    assert "plug out" in offered[-1].costs


# --- firing orders --------------------------------------------------------------------------------------


def test_every_offered_order_is_one_of_such_an_engine():
    for offer in OFFERS:
        document = begun(range(1, len(offer.order) + 1))
        choose(document, offer)
        assert document.parsed().engine.firing_order == offer.order
        assert chosen_offer(document) == offer


def test_an_even_order_after_an_uneven_one_takes_its_intervals_out():
    document = begun()
    document.put(("engine", "cylinders"), 2)
    even, uneven, *_ = offers_for(2)
    choose(document, uneven)
    assert document.value(("engine", "firing_intervals_deg")) == [270.0, 450.0]
    choose(document, even)
    assert document.value(("engine", "firing_intervals_deg")) is None


def test_orders_from_the_encyclopedia_are_in_copies_of_its_list():
    """Wikipedia, "Firing order": the usual orders for 3, 4, 6, 8 and 12 cylinders of an older revision's table, and for
    straight engines of 3, 4, 5 and 6 of a newer one's list, as copied on two other sites."""
    told = {"1-3-2", "1-2-3", "1-3-4-2", "1-2-4-3", "1-2-4-5-3", "1-5-3-6-2-4", "1-8-4-3-6-5-7-2"}
    told |= {"1-7-5-11-3-9-6-12-2-8-4-10"}
    cited = {"-".join(map(str, offer.order)) for offer in OFFERS if "Wikipedia" in offer.source}
    assert cited == told


@pytest.mark.parametrize("offer", [o for o in OFFERS if o.layout in ("inline four", "inline six")])
def test_companions_of_inline_engines_mirror_each_other(offer):
    """Crankshafts of even inline engines are mirror-symmetric about their middle, so that cylinders k and n + 1 - k move
    together: C. F. Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 2, on balance (from memory)."""
    document = begun(offer.order)
    pairs = companions(document.parsed().engine)
    assert len(pairs) == len(offer.order) // 2
    assert all(a + b == len(offer.order) + 1 for a, b in pairs)
