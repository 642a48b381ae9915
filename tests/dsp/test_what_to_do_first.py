"""What stands under "What to do" before all else: an engine that started, signals and syncs that another crank does not mend.

Speeds, volts and currents are chosen; that a starter turns an engine at some 200 rpm and draws nothing once the engine runs is
common practice, no source.
"""

from __future__ import annotations

from functools import cache

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.findings import (
    brief_lines,
    briefly,
    findings_of,
    grouped,
    instruction,
    instruction_at_rest,
)
from evenstroke_dsp.messages import (
    CodedWarning,
    Comparison,
    CylinderBalance,
    FindingMessage,
    Judgement,
    Normal,
    SourceInfo,
)
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from setup_texts import FOUR, intake, probe, spark

SETUP = parse_setup(FOUR + '[conditions]\nfuel = "disabled"\n' + intake(input=0) + spark(input=1))
SAFE = "Before anybody cranks again, find out why it could start"
ONE = CylinderBalance(
    cylinder=1, value=1.0, value_unit="V", deviation=0.0, low=-1.0, high=1.0, cycles=12, verdict="even",
    normal=Normal(low=-4.0, high=4.0, from_="test"), trust="clean", predicted=None, more_cycles=None, one_off_cycles=(),
    position=None, one_of=None,
)  # fmt: skip


def compared(verdict: str, *because: str, probe: str = "intake", cycles: int = 12) -> Comparison:
    of_four = [msgspec.structs.replace(ONE, cylinder=c, verdict=verdict, cycles=cycles) for c in (1, 3, 4, 2)]
    if verdict == "smaller":
        odd = msgspec.structs.replace(of_four[3], deviation=-20.0, low=-22.0, high=-18.0)
        of_four = [msgspec.structs.replace(c, verdict="even") for c in of_four[:3]] + [odd]
    role, feature = ("intake_pulse", "drop") if probe == "intake" else ("starter_current", "compression")
    return Comparison(
        probe=probe, role=role, feature=feature, stretch="cranking", unit="percent",
        trust="limited" if because else "clean", because=because, reference=(1, 3, 4, 2), cylinders=tuple(of_four),
    )  # fmt: skip


def at_rest(*comparisons: Comparison, said: dict[str, str] | None = None, refused: str | None = None) -> str:
    warnings = tuple(
        CodedWarning(code=code, text=text, probe=text.split(":")[0]) for code, text in (said or {}).items()
    )
    words, _ = instruction_at_rest(
        comparisons=comparisons,
        findings=findings_of(SETUP, comparisons, warnings=warnings),
        refused=refused,
        setup=SETUP,
        mode="cranking",
        warnings=warnings,
    )
    return words


# --- the engine ran --------------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", ["even", "undecided", "smaller"])
@pytest.mark.parametrize("because", [(), ("dead",)])
@pytest.mark.parametrize("refused", [None, "Cannot judge: crank again."])
def test_an_engine_that_started_is_what_everybody_is_told_of_first(verdict, because, refused) -> None:
    words = at_rest(compared(verdict, *because), said={"engine_started": "It ran."}, refused=refused)
    assert words.startswith(SAFE)
    assert "crank again" not in words and "same crank" not in words


def test_one_that_may_have_run_is_found_out_about_before_anybody_cranks() -> None:
    words = at_rest(compared("even"), said={"may_have_run": "It may have run."})
    assert words.startswith("Before anybody cranks again, find out whether it ran by itself")
    assert 'mode = "idle"' in words and "crank again" not in words.lower()


def test_no_finding_beside_it_asks_for_another_crank() -> None:
    started = (CodedWarning(code="engine_started", text="It ran."),)
    (finding,) = findings_of(SETUP, [compared("smaller")], warnings=started)
    assert finding.cause == "engine" and finding.next_step.startswith(SAFE)
    (finding,) = findings_of(SETUP, [compared("smaller")])
    assert finding.next_step.startswith("Repeat the same crank")


def test_while_it_turns_the_key_is_let_go_of() -> None:
    words, more = instruction(
        turning=True, cranked_s=3.0, cycle_s=0.6, comparisons=(compared("undecided"),), findings=(), refused=None,
        setup=SETUP, enough=False, warnings=(CodedWarning(code="engine_started", text="It ran."),),
    )  # fmt: skip
    assert words.startswith("Let go of the key") and SAFE in words and more is None


RATE_HZ = 1000.0
CLAMP = probe("starter", "starter_current", input=5, volts_per_unit=1.0)
BATTERY = probe("starter", "battery_voltage", input=5, volts_per_unit=1.0)


@cache
def started(
    mode: str, load: str = CLAMP
) -> tuple[Judgement, FindingMessage, tuple[str, ...], frozenset[str]]:
    """A four that is cranked for 4 s at 190 rpm and then runs at 850 for 4 more, its starter let go of; to idle: runs at once.
    load: what shows the starter's. The last word, that probe's problems and all that was ever wrong with the sync."""
    setup = parse_setup(
        FOUR + f'[conditions]\nmode = "{mode}"\nfuel = "disabled"\n' + intake(input=0) + spark(input=1) + load
    )
    t = np.arange(round(8 * RATE_HZ)) / RATE_HZ
    runs = (t > 4.0) | (mode == "idle")
    turned = np.cumsum(np.where(runs, 850.0, 190.0) * 6.0) / RATE_HZ
    rng = np.random.default_rng(2)
    pulses = 2.5 + 0.4 * np.sin(np.radians(2 * turned)) + 0.01 * rng.standard_normal(t.size)
    amperes = np.where(runs, 0.0, 150.0 + 60.0 * np.cos(np.radians(2 * turned))) + 0.1 * rng.standard_normal(
        t.size
    )
    if load == BATTERY:
        amperes = np.where(runs, 14.0, 12.6 - 0.01 * amperes) + 0.02 * rng.standard_normal(t.size)
    keys = {p.name: p.key for p in setup.probe}
    events = np.interp(np.arange(1, turned[-1] // 720.0) * 720.0, turned, t)
    both = np.sort(np.concatenate([events, events + 0.0015]))
    pipeline, said, of_sync = Pipeline(setup), [], set()
    for first in range(0, t.size, 200):
        end = (first + 200) / RATE_HZ
        rows = np.stack([x[first : first + 200] for x in (pulses, amperes)])
        said += pipeline.push(
            SampleBlock((keys["intake"], keys["starter"]), rows, first / RATE_HZ, 1 / RATE_HZ)
        )
        inside = np.flatnonzero((both >= first / RATE_HZ) & (both < end))
        said += pipeline.push(EdgeBlock(keys["spark"], both[inside], inside % 2 == 0, end))
        health = {h.probe: h for h in pipeline.health()}
        of_sync |= set(health["spark"].problems)
    said += pipeline.flush()
    judgement = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=8.0, lost_samples=0))
    last = [m for m in said if isinstance(m, FindingMessage)][-1]
    return judgement, last, health["starter"].problems, frozenset(of_sync)


@pytest.mark.parametrize("load", [CLAMP, BATTERY], ids=["clamp", "battery"])
@pytest.mark.parametrize("mode", ["cranking", "idle"])
def test_a_starter_that_draws_nothing_beside_a_running_engine_is_no_dead_signal(mode: str, load: str) -> None:
    judgement, last, problems, of_sync = started(mode, load)
    assert judgement.running_from_s is not None
    assert "dead" not in problems
    of_clamp = [c for c in judgement.comparisons if c.probe == "starter"]
    assert not any("dead" in c.because or c.stretch == "idle" for c in of_clamp)
    assert bool(of_clamp) == (mode == "cranking")
    assert "Mend the signal" not in last.instruction
    assert "sync_irregular" not in of_sync


def test_the_last_word_of_a_session_in_which_it_started_is_to_make_it_safe() -> None:
    assert started("cranking")[1].instruction.startswith(SAFE)


# --- what another crank does not mend --------------------------------------------------------------


@pytest.mark.parametrize("code", ["mains_pickup", "noisy"])
def test_a_signal_that_hides_every_verdict_is_mended_first_and_one_that_hides_none_is_not(code: str) -> None:
    assert at_rest(compared("undecided", code)).startswith("Mend the signal of intake first")
    assert not at_rest(compared("even", code)).startswith("Mend")
    assert at_rest(compared("smaller", code)).startswith("Repeat the same crank")


def test_empty_cells_that_leave_a_probe_undecided_are_the_logger_s() -> None:
    beside, said = compared("even", probe="starter"), {"empty_cells": "intake: 52 of 27500 cells are empty."}
    for cycles in (0, 4):
        words = at_rest(compared("undecided", cycles=cycles), beside, said=said)
        assert words.startswith("See to the logger") and "cells of intake are empty" in words
    # Nearly as many cycles as without them, or verdicts all the same, or nothing empty: not for that.
    assert "logger" not in at_rest(compared("undecided", cycles=11), beside, said=said)
    assert "logger" not in at_rest(compared("even", cycles=4), beside, said=said)
    assert "logger" not in at_rest(compared("undecided", cycles=4), beside)
    elsewhere = {"empty_cells": "exhaust: 52 of 27500 cells are empty."}
    assert "logger" not in at_rest(compared("undecided", cycles=4), beside, said=elsewhere)


def without_names(one_of: bool) -> Comparison:
    """Position 4 is odd; one_of: each of two cylinders, as where a sync comes once a revolution."""
    odd = compared("smaller")
    rows = tuple(
        msgspec.structs.replace(
            c, cylinder=None, position=k + 1, one_of=((1, 4), (3, 2))[k % 2] if one_of else None
        )
        for k, c in enumerate(odd.cylinders)
    )
    return msgspec.structs.replace(odd, cylinders=rows, reference=(1, 2, 3, 4))


def test_a_sync_that_names_nobody_is_mended_before_a_crank_is_to_confirm_anything() -> None:
    nameless, said = without_names(False), {"sync_not_believed": "spark: taken for noise. Bring it closer."}
    words = at_rest(nameless, said=said)
    assert words.startswith("Mend the sync first") and "Bring it closer" in words
    assert "Repeat the same crank" not in words and "position" not in words
    (finding,) = findings_of(SETUP, [nameless])
    assert finding.next_step.startswith("spark did not settle whose this pulse is: mend first")
    bare = parse_setup(FOUR + intake(input=0))
    assert findings_of(bare, [nameless])[0].next_step.startswith("Record a sync on one cylinder first")
    # With a name, a noisy sync's warning changes nothing.
    assert at_rest(compared("smaller"), said=said).startswith("Repeat the same crank")


def test_with_one_sync_a_revolution_it_is_said_what_tells_the_halves_apart() -> None:
    setup = parse_setup(FOUR + intake(input=0) + spark(input=1, every='"revolution"'))
    nameless = without_names(True)
    words, _ = instruction_at_rest(
        comparisons=(nameless,), findings=findings_of(setup, [nameless]), refused=None, setup=setup, mode="cranking",
        warnings=(CodedWarning(code="half_cycle_open", text="One sync a revolution leaves it open."),),
    )  # fmt: skip
    assert words.startswith("Record what tells the two halves of the cycle apart first: a sync once a cycle")
    assert "Repeat the same crank" not in words


def test_cranks_that_differ_are_judged_apart_before_anything_else() -> None:
    said = {"cranks_differ": "Not the same in all cranks; judge them apart: --crank 1, --crank 2."}
    for comparison in (compared("undecided"), compared("smaller"), compared("undecided", "dead")):
        words = at_rest(comparison, said=said)
        assert words.startswith("Several cranks in one file differ: judge them apart")
        assert "--crank 1, --crank 2" in words
    assert at_rest(compared("even"), said=said | {"engine_started": "It ran."}).startswith(SAFE)


# --- how it is said --------------------------------------------------------------------------------


def test_what_another_pulls_is_told_by_position_where_two_cylinders_share_a_name() -> None:
    nameless = without_names(True)
    rows = tuple(
        msgspec.structs.replace(c, verdict="larger", deviation=6.7, low=5.5, high=8.0)
        for c in nameless.cylinders[:3]
    )
    nameless = msgspec.structs.replace(nameless, cylinders=(*rows, nameless.cylinders[3]))
    of = dict(grouped(findings_of(SETUP, [nameless])))
    [heading] = [h for h in of if briefly(h)]
    assert brief_lines(of[heading], [nameless]) == (
        "intake pulse (intake): position 1 (cylinder 1 or 4), position 2 (cylinder 3 or 2) and position 3 (cylinder 1 or 4), "
        "because position 4 (cylinder 3 or 2) pulls the mean",
    )
