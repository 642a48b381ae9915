"""`evenstroke setup check --live` against the real rig: one line for each probe, by the exit codes' contract."""

from __future__ import annotations

import pytest
from evenstroke_replay.setup_files import load_setup

NAMES = [probe.name for probe in load_setup("demo")[0].probe]


def test_at_rest_and_cranking_each_probe_gets_its_line(rig, program) -> None:
    _, port = rig("--rest", 15, "--cranking", 12, "--speed", 3, "--noise", 30)
    check = program("setup", "check", "demo", "--live", "--port", port, "--seconds", 60)
    assert check.ended() == 0, "\n".join(check.err)
    assert [line.split(":")[0] for line in check.out] == NAMES
    assert check.out[NAMES.index("intake")].startswith("intake: good (noise")
    assert "dB over noise" in check.out[NAMES.index("intake")]
    assert "Nothing to do." in check.out[NAMES.index("wheel")]
    assert any(line.startswith("Checked at rest. Now crank") for line in check.err)


def test_where_nobody_cranks_it_says_what_was_not_checked(rig, program) -> None:
    _, port = rig("--rest", 60, "--cranking", 5)
    check = program("setup", "check", "demo", "--live", "--port", port, "--seconds", 5)
    assert check.ended() == 0, "\n".join(check.err)
    assert [line.split(":")[0] for line in check.out[:-1]] == NAMES
    assert check.out[NAMES.index("intake")].startswith("intake: good at rest")
    assert check.out[NAMES.index("spark")].startswith("spark: quiet at rest")
    assert check.out[-1].startswith("Nobody cranked:")


@pytest.mark.parametrize("arguments", [("--live",), ("--port", "/dev/nowhere")])
def test_live_and_port_go_together(program, arguments) -> None:
    check = program("setup", "check", "demo", *arguments)
    assert check.ended() == 2
    assert "--live and --port go together" in "\n".join(check.err)


def test_a_port_that_is_not_there_could_not_be_done(program) -> None:
    check = program("setup", "check", "demo", "--live", "--port", "/dev/not-there-at-all")
    assert check.ended() == 1
    assert check.out == ["No samples came: nothing was checked."]
