"""A set-up that the recording contradicts is what the judgement begins with, and nothing that rests on it is stated as true.

The virtual rig's commands are the truth: what engine it turns, and how often its sync comes.
"""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_daemon.judgement_text import judgement_text
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.setup_check import check_text
from evenstroke_replay.rig_engine import Cranking, EngineSource

SIX, FOUR, EIGHT = (1, 5, 3, 6, 2, 4), (1, 3, 4, 2), (1, 8, 4, 3, 6, 5, 7, 2)
CRANK = Cranking(rpm=200.0, rest_s=0.5, crank_s=6.0, noise_db=40.0)
STARTER = '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 3\nvolts_per_unit = 0.01\nvolts_at_zero = 0.5\n'


def judged(bench, turned, said, *, starter: bool):
    """The judgement of an engine that fires in one order by a set-up that says another."""
    extra = STARTER if starter else ""
    source = EngineSource(bench.setup(turned, wheel=False, extra=extra), CRANK)
    setup = bench.setup(said, wheel=False, extra=extra)
    return bench.crank(setup, source, seconds=7.0).judgement, setup


@pytest.mark.parametrize(("turned", "said"), [(SIX, FOUR), (FOUR, SIX), (SIX, EIGHT), (SIX, (1, 2, 4, 5, 3))])
@pytest.mark.parametrize("starter", [True, False])
def test_a_wrong_count_is_the_headline(bench, turned, said, starter: bool) -> None:
    judgement, setup = judged(bench, turned, said, starter=starter)
    text = judgement_text(judgement, setup)
    assert judgement.refused is not None
    assert f" {len(turned)} times" in judgement.refused and f"has {len(said)} cylinders" in judgement.refused
    assert "`cylinders`" in judgement.refused
    assert "plugs" not in judgement.refused and "rpm" not in text and "complete cycle" not in text
    assert "counts_contradicted" in {w.code for w in judgement.warnings}
    assert not {"not_heard", "polarity", "strokes_open"} & {w.code for w in judgement.warnings}


@pytest.mark.parametrize("order", [FOUR, SIX, EIGHT])
def test_a_right_one_is_not(bench, order) -> None:
    judgement, setup = judged(bench, order, order, starter=True)
    text = judgement_text(judgement, setup)
    assert judgement.refused is None and " rpm (mean" in text
    assert (
        "Names rest on: spark on cylinder 1, once a cycle, 8 degrees before the firing TDC of that cylinder; firing order "
        f"{'-'.join(map(str, order))}."
    ) in " ".join(text.split())


def test_names_rest_on_nothing_where_there_are_none(bench) -> None:
    setup = bench.setup(SIX, sync="", wheel=False)
    judgement = bench.crank(setup, EngineSource(setup, CRANK), seconds=7.0).judgement
    assert "Names rest on" not in judgement_text(judgement, setup)


def test_one_angle_has_one_uncertainty(bench) -> None:
    judgement, setup = judged(bench, FOUR, FOUR, starter=False)
    known = f"\N{PLUS-MINUS SIGN}{judgement.sync.angle_uncertainty_deg:.1f} crank degrees (95 %"
    text = " ".join(judgement_text(judgement, setup).split())
    assert text.count("\N{PLUS-MINUS SIGN}") == text.count(known[:5]) == 2
    assert known in text


def test_what_was_measured_in_no_cycle_is_not_clean(bench) -> None:
    # The rig's wheel has 36-1 teeth: one of 60-2 cannot be followed, and the sync alone judges.
    wheel = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\ninput = 2\nedge = "rising"\nteeth = "{}"\n'
    source = EngineSource(bench.setup(SIX, wheel=False, extra=wheel.format("36-1")), CRANK)
    setup = bench.setup(SIX, wheel=False, extra=wheel.format("60-2"))
    judgement = bench.crank(setup, source, seconds=7.0).judgement
    unmeasured = [x for c in judgement.comparisons if c.probe == "wheel" for x in c.cylinders]
    assert unmeasured and all(x.cycles == 0 and x.trust == "limited" for x in unmeasured)
    assert all(x.trust != "clean" for c in judgement.comparisons for x in c.cylinders if not x.cycles)
    said = "wheel compression: nothing of it was measured in any cycle (limited: not measured)"
    assert said in judgement_text(judgement, setup)


def test_a_twin_without_a_sync_has_both_its_pulses_measured(bench) -> None:
    setup = bench.setup((1, 2), sync="", wheel=False)
    judgement = bench.crank(setup, EngineSource(setup, CRANK), seconds=7.0).judgement
    (drop,) = (c for c in judgement.comparisons if c.feature == "drop")
    one, other = (x.cycles for x in drop.cylinders)
    assert abs(one - other) <= 1 and one >= 5


def test_ranges_that_differ_are_said_with_whose_they_are(bench) -> None:
    judgement, setup = judged(bench, SIX, SIX, starter=False)
    (drop,) = (c for c in judgement.comparisons if c.feature == "drop")
    rows = tuple(
        msgspec.structs.replace(x, normal=msgspec.structs.replace(x.normal, high=8.0 if k < 4 else 9.5))
        for k, x in enumerate(drop.cylinders)
    )
    drop = msgspec.structs.replace(drop, cylinders=rows)
    text = " ".join(judgement_text(msgspec.structs.replace(judgement, comparisons=(drop,)), setup).split())
    assert "1, 5, 3 and 6 -9.5 to +8.0 %; 2 and 4 -9.5 to +9.5 %" in text


def test_what_is_alike_of_several_probes_is_said_once() -> None:
    pipes = "".join(
        f'[[probe]]\nname = "{name}"\nrole = "exhaust_pulse"\nsees = {sees}\n'
        for name, sees in (("port", [1, 3, 5, 7]), ("starboard", [2, 4, 6, 8]))
    )
    text = " ".join(
        check_text(
            parse_setup(f"schema = 1\n[engine]\ncylinders = 8\nfiring_order = {list(EIGHT)}\n{pipes}")
        ).split()
    )
    assert text.count("come at uneven intervals") == 1
    assert "port, rise and suction: compares cylinders 1, 3, 5 and 7;" in text
