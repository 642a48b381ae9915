"""A first set-up file: valid as it is, and so is every line in it that is only a comment yet."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from evenstroke_dsp.setup import PULSE_ROLES, ROLE_WORDS, ROLES_OF_KEY, SYNC_ROLES, SetupError, parse_setup
from evenstroke_dsp.setup_check import check_text
from evenstroke_replay.new_setup import NewProbe, NewSetup, parse_probe, setup_text, write_setup
from evenstroke_replay.whole_file import OutputError

EXAMPLE = re.compile(r"# (([a-z_]+) = [^#]*)")


def needed(role: str) -> dict[str, str]:
    keys = {"cylinder": "1"} if role in SYNC_ROLES or role == "cylinder_pressure" else {}
    return keys | ({"teeth": "60-2"} if role == "crank_teeth" else {})


def one(role: str, number: int | None = 0, **more: str) -> NewSetup:
    return NewSetup(
        cylinders=4, firing_order=(1, 3, 4, 2), probes=[NewProbe(role, number, needed(role) | more)]
    )


@pytest.mark.parametrize("number", [0, None])
@pytest.mark.parametrize("role", ROLE_WORDS)
def test_every_role_gives_a_file_that_passes(role: str, number: int | None) -> None:
    text, setup = setup_text(one(role, number), "new.toml")
    assert setup.probe[0].role == role
    assert (setup.acquisition is None) == (number is None)
    assert "Dangers" not in check_text(setup) or role == "cylinder_pressure"
    assert parse_setup(text) == setup


@pytest.mark.parametrize("role", ROLE_WORDS)
def test_every_key_in_a_comment_may_be_used_as_it_stands(role: str) -> None:
    lines = setup_text(one(role), "new.toml")[0].splitlines()
    tried = set()
    fitted = lines.index("# [[fitted]]")
    for at, line in enumerate(lines):
        example = EXAMPLE.fullmatch(line.split("  #")[0].rstrip())
        if example is None or at > fitted or example[2] in ("key", "firing_intervals_deg"):
            continue
        used = [*lines]
        used[at] = example[1]
        if example[2] == "first_tooth_deg":
            used[at] += '\nedge = "falling"'
        parse_setup("\n".join(used))
        tried.add(example[2])
    assert {"title", "family", "fuel", "ignition", "throttle"} <= tried
    # Every key that means something for this role and is often known is in the file, as a comment or not.
    known_elsewhere = (
        {"lowpass_hz"} if role in PULSE_ROLES else {"lowpass_hz", "sees", "low_corner_hz", "travel_m"}
    )
    meant = {key for key, roles in ROLES_OF_KEY.items() if role in roles}
    assert meant - known_elsewhere <= tried | set(needed(role))


def test_what_is_fitted_may_be_used_as_it_stands_too() -> None:
    lines = setup_text(one("starter_current"), "new.toml")[0].splitlines()
    at = lines.index("# [[fitted]]")
    used = [*lines[:at], *(line.removeprefix("# ") for line in lines[at : at + 4])]
    (fitted,) = parse_setup("\n".join(used)).fitted
    assert (fitted.cylinder, fitted.added_volume_cc) == (1, 12.0)


def test_what_was_said_stands_in_it() -> None:
    new = NewSetup(
        cylinders=3,
        firing_order=(1, 3, 2),
        title='A "barge", slow',
        rate_hz=2500,
        baud=250000,
        fuel="disabled",
        ignition="on",
        probes=[parse_probe("ignition_sync:1,cylinder=2,offset_deg=-8.5"), parse_probe("exhaust_pulse:0")],
    )
    _, setup = setup_text(new, "new.toml")
    assert (setup.title, setup.engine.firing_order) == ('A "barge", slow', (1, 3, 2))
    assert (setup.acquisition.rate_hz, setup.acquisition.baud) == (2500, 250000)  # type: ignore[union-attr]
    assert (setup.conditions.fuel, setup.conditions.ignition) == ("disabled", "on")
    assert setup.conditions.acknowledged == ()  # nobody acknowledges a danger by default
    spark, exhaust = setup.probe
    assert (spark.name, spark.input, spark.cylinder, spark.offset_deg) == ("spark", 1, 2, -8.5)
    assert (exhaust.name, exhaust.input) == ("exhaust", 0)


def test_probes_of_one_role_get_names_of_their_own() -> None:
    new = NewSetup(cylinders=2, firing_order=(1, 2), probes=[NewProbe("exhaust_pulse", k) for k in range(3)])
    assert [p.name for p in setup_text(new, "new.toml")[1].probe] == ["exhaust", "exhaust-2", "exhaust-3"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("exhaust", "no role"),
        ("exhaust_pulse:a", "no input"),
        ("exhaust_pulse:0,travel", "KEY=VALUE"),
        ("exhaust_pulse:0,travel_m=", "KEY=VALUE"),
        ("exhaust_pulse:0,travel_m=1,travel_m=2", "twice"),
        ("exhaust_pulse:0,input=2", "twice"),
        ("exhaust_pulse:0,a b=2", "KEY=VALUE"),
    ],
)
def test_a_probe_that_cannot_be_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_probe(text)


def test_what_is_no_valid_set_up_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="needs its cylinder"):
        write_setup(
            NewSetup(cylinders=2, firing_order=(1, 2), probes=[NewProbe("ignition_sync", 0)]),
            tmp_path / "n.toml",
        )
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays(tmp_path: Path) -> None:
    (tmp_path / "n.toml").write_text("mine")
    with pytest.raises(OutputError, match="written over"):
        write_setup(one("starter_current"), tmp_path / "n.toml")
    assert (tmp_path / "n.toml").read_text() == "mine"
