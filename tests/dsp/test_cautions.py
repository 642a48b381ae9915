"""Which dangers a set-up holds, which of them stop a live session, and what is cautioned where.

The rules are safety practice (common practice, no source) except the voltage limit of a
high-voltage vehicle: 60 V DC, ISO 6469-3 (from memory).
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from evenstroke_dsp.cautions import (
    ALL_CAUTIONS,
    STEP_TITLES,
    DangerError,
    blocking_dangers,
    cautions_for,
    dangers,
    plugs_out,
    require_acknowledged,
)
from evenstroke_dsp.setup import Conditions, Engine, Fitted, Probe, Setup

FUEL = ("disabled", "clear_flood", "on", None)
IGNITION = ("disabled", "on", None)
PLUG_OUT = "plug_out_ignition_on"
FUEL_ON = "fuel_on_ignition_disabled"
INTAKE = Probe(name="intake", role="intake_pulse")


def setup(*probes: Probe, fitted: tuple[Fitted, ...] = (), **conditions: object) -> Setup:
    return Setup(
        schema=1,
        engine=Engine(cylinders=4, firing_order=(1, 3, 4, 2)),
        probe=(INTAKE, *probes),
        fitted=fitted,
        conditions=Conditions(**conditions),  # type: ignore[arg-type]
    )


TRANSDUCER = (Probe(name="p3", role="cylinder_pressure", cylinder=3, added_volume_cc=9.0),)
HOLES = {
    "transducer": {"probes": TRANSDUCER, "fitted": ()},
    "hose": {"probes": (), "fitted": (Fitted(what="hose", cylinder=3, added_volume_cc=12.0),)},
    "open": {"probes": (), "fitted": (Fitted(what="open hole", cylinder=3, plug_removed=True),)},
}


def with_hole(kind: str | None, **conditions: object) -> Setup:
    hole = HOLES[kind] if kind else {"probes": (), "fitted": ()}
    return setup(*hole["probes"], fitted=hole["fitted"], **conditions)  # type: ignore[arg-type]


# The whole truth, by plug out, fuel and ignition: what is dangerous, and what stops a session
# when nothing is acknowledged. None is "not said".
CRANKING: dict[tuple[bool, str | None, str | None], tuple[set[str], set[str]]] = {
    (False, "disabled", "disabled"): (set(), set()),
    (False, "disabled", "on"): (set(), set()),
    (False, "disabled", None): (set(), set()),
    (False, "clear_flood", "disabled"): (set(), set()),
    (False, "clear_flood", "on"): (set(), set()),
    (False, "clear_flood", None): (set(), set()),
    (False, "on", "disabled"): ({FUEL_ON}, {FUEL_ON}),
    (False, "on", "on"): (set(), set()),
    (False, "on", None): ({"fuel_on_ignition_unknown"}, set()),
    (False, None, "disabled"): ({"fuel_unknown_ignition_disabled"}, set()),
    (False, None, "on"): (set(), set()),
    (False, None, None): (set(), set()),
    (True, "disabled", "disabled"): (set(), set()),
    (True, "disabled", "on"): ({PLUG_OUT}, {PLUG_OUT}),
    (True, "disabled", None): ({"plug_out_ignition_unknown"}, {"plug_out_ignition_unknown"}),
    (True, "clear_flood", "disabled"): ({"plug_out_clear_flood"}, set()),
    (True, "clear_flood", "on"): ({"plug_out_clear_flood", PLUG_OUT}, {PLUG_OUT}),
    (True, "clear_flood", None): (
        {"plug_out_clear_flood", "plug_out_ignition_unknown"},
        {"plug_out_ignition_unknown"},
    ),
    (True, "on", "disabled"): ({FUEL_ON, "plug_out_fuel_on"}, {FUEL_ON, "plug_out_fuel_on"}),
    (True, "on", "on"): ({"plug_out_fuel_on", PLUG_OUT}, {"plug_out_fuel_on", PLUG_OUT}),
    (True, "on", None): (
        {"fuel_on_ignition_unknown", "plug_out_fuel_on", "plug_out_ignition_unknown"},
        {"plug_out_fuel_on", "plug_out_ignition_unknown"},
    ),
    (True, None, "disabled"): (
        {"fuel_unknown_ignition_disabled", "plug_out_fuel_unknown"},
        {"plug_out_fuel_unknown"},
    ),
    (True, None, "on"): ({"plug_out_fuel_unknown", PLUG_OUT}, {"plug_out_fuel_unknown", PLUG_OUT}),
    (True, None, None): (
        {"plug_out_fuel_unknown", "plug_out_ignition_unknown"},
        {"plug_out_fuel_unknown", "plug_out_ignition_unknown"},
    ),
}


def test_the_table_is_whole() -> None:
    assert set(CRANKING) == set(itertools.product((False, True), FUEL, IGNITION))


@pytest.mark.parametrize("acknowledged", [(), (PLUG_OUT,), (FUEL_ON,), (PLUG_OUT, FUEL_ON)])
@pytest.mark.parametrize(("state", "expected"), CRANKING.items(), ids=map(str, CRANKING))
def test_dangers_and_what_stops_a_session(
    state: tuple[bool, str | None, str | None],
    expected: tuple[set[str], set[str]],
    acknowledged: tuple[str, ...],
) -> None:
    out, fuel, ignition = state
    stated, blocking = expected
    still_blocking = blocking - set(acknowledged)
    for kind in HOLES if out else (None,):
        described = with_hole(kind, fuel=fuel, ignition=ignition, acknowledged=acknowledged)
        assert {danger.code for danger in dangers(described)} == stated
        assert {danger.code for danger in blocking_dangers(described)} == still_blocking
        if still_blocking:
            with pytest.raises(DangerError) as caught:
                require_acknowledged(described)
            assert all(code in str(caught.value) for code in still_blocking)
        else:
            require_acknowledged(described)


def test_nothing_acknowledges_a_plug_out_with_fuel_on_away() -> None:
    described = with_hole("transducer", fuel="on", ignition="on", acknowledged=(PLUG_OUT, FUEL_ON))
    assert [danger.code for danger in blocking_dangers(described)] == ["plug_out_fuel_on"]
    with pytest.raises(DangerError, match="cylinder 3 while fuel is on"):
        require_acknowledged(described)


@pytest.mark.parametrize("fuel", FUEL)
def test_an_engine_that_idles_has_its_fuel_on_whatever_is_said(fuel: str | None) -> None:
    described = with_hole("hose", mode="idle", fuel=fuel, ignition="on", acknowledged=(PLUG_OUT,))
    (danger,) = blocking_dangers(described)
    assert danger.code == "plug_out_fuel_on"
    assert "is to idle" in danger.text
    assert 'mode = "cranking"' in danger.todo
    assert dangers(with_hole(None, mode="idle")) == ()


def test_an_acknowledged_danger_is_still_stated_and_said_to_be_provided_for() -> None:
    (danger,) = dangers(with_hole("transducer", fuel="disabled", ignition="on", acknowledged=(PLUG_OUT,)))
    assert not danger.blocks
    assert "provided for" in danger.text
    assert "grounded spark tester" in danger.text


def test_the_refusal_says_what_to_write() -> None:
    with pytest.raises(DangerError) as caught:
        require_acknowledged(with_hole("open", fuel="disabled", ignition="on"))
    assert 'acknowledged = ["plug_out_ignition_on"]' in str(caught.value)


def test_what_is_unsaid_with_a_plug_out_is_asked_for() -> None:
    with pytest.raises(DangerError) as caught:
        require_acknowledged(with_hole("transducer"))
    assert 'fuel = "disabled" under [conditions]' in str(caught.value)
    assert 'ignition = "disabled" or "on" under [conditions]' in str(caught.value)


def test_plugs_out_are_the_cylinders_of_transducers_hoses_and_open_holes() -> None:
    described = setup(*TRANSDUCER, fitted=(Fitted(what="hole", cylinder=2, plug_removed=True),))
    assert plugs_out(described) == (3, 2)
    assert plugs_out(setup()) == ()


def test_cautions_come_in_the_order_of_the_steps_and_codes_are_unique() -> None:
    steps = list(STEP_TITLES)
    assert [steps.index(c.step) for c in ALL_CAUTIONS] == sorted(steps.index(c.step) for c in ALL_CAUTIONS)
    assert len({c.code for c in ALL_CAUTIONS}) == len(ALL_CAUTIONS)
    assert {c.step for c in ALL_CAUTIONS} == set(STEP_TITLES)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("plan", ["maker", "water", "broken", "slipped", "by hand", "60 V DC"]),
        ("make_safe", ["neutral", "chocked", "start-stop", "remote", "key", "grounded", "pedal"]),
        ("connect", ["air-bag", "high-pressure fuel", "key off", "USB isolator", "charger", "negative post"]),
        ("connect", ["swallow", "count", "divider", "clamp", "hundreds of volts", "tens of thousands"]),
        ("connect", ["pierce", "rated", "brake servo"]),
        ("crank", ["Hair", "fans start by themselves", "exhaust", "plug hole", "carbon-monoxide", "rests"]),
        ("judge", ["evidence, not proof"]),
        ("confirm", ["leak-down", "wrench"]),
        ("after", ["torque", "approval"]),
    ],
)
def test_each_step_holds_its_cautions(step: str, words: list[str]) -> None:
    text = " ".join(caution.text for caution in ALL_CAUTIONS if caution.step == step)
    assert [word for word in words if word not in text] == []


@pytest.mark.parametrize(
    ("probe", "code"),
    [
        (TRANSDUCER[0], "transducer_rating"),
        (TRANSDUCER[0], "plug_hole"),
        (TRANSDUCER[0], "spark_to_ground"),
        (Probe(name="v", role="battery_voltage"), "battery_divider"),
        (Probe(name="s", role="ignition_sync", cylinder=1), "coil_kick"),
        (Probe(name="s", role="ignition_sync", cylinder=1), "high_voltage_cable"),
        (Probe(name="s", role="injector_sync", cylinder=1), "coil_kick"),
    ],
)
def test_a_caution_for_a_probe_is_said_where_it_is_fitted_and_only_there(probe: Probe, code: str) -> None:
    assert code in {caution.code for caution in cautions_for(setup(probe))}
    assert code not in {caution.code for caution in cautions_for(setup())}


def test_clear_flood_is_cautioned_where_it_is_used() -> None:
    assert "clear_flood" in {c.code for c in cautions_for(setup(fuel="clear_flood"))}
    assert "clear_flood" not in {c.code for c in cautions_for(setup(fuel="disabled"))}


def test_the_readme_says_every_caution_and_every_refusal() -> None:
    readme = " ".join((Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").split())
    assert [caution.code for caution in ALL_CAUTIONS if caution.text not in readme] == []
    assert PLUG_OUT in readme
    assert FUEL_ON in readme
