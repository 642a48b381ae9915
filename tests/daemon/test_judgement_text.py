"""A judgement in words: findings first, every number with unit and interval, evidence and not proof."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_daemon.judgement_text import judgement_text
from evenstroke_dsp.messages import (
    CodedWarning,
    Comparison,
    CrankedStretch,
    CylinderBalance,
    EngineInfo,
    Finding,
    Judgement,
    Normal,
    Predicted,
    SourceInfo,
    SyncInfo,
)
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.setup_effects import blind_lines
from evenstroke_replay.judging import Mark

SETUP = parse_setup(
    'schema = 1\n[engine]\ncylinders = 3\nfiring_order = [1, 2, 3]\n[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
    '[[fitted]]\nwhat = "the hose"\ncylinder = 3\nadded_volume_cc = 9.0\n'
)


def balance(cylinder, deviation, verdict, **more):
    fields = {
        "cylinder": cylinder,
        "value": 0.86,
        "value_unit": "kPa",
        "deviation": deviation,
        "low": deviation - 2.7,
        "high": deviation + 2.7,
        "cycles": 14,
        "verdict": verdict,
        "normal": Normal(low=-4.0, high=4.0, from_="3 known-goods of this family"),
        "trust": "clean",
        "predicted": None,
        "more_cycles": None,
        "one_off_cycles": (),
        "position": None,
        "one_of": None,
    }
    return CylinderBalance(**{**fields, **more})


JUDGEMENT = Judgement(
    source=SourceInfo(file="crank.mcap", sha256="ab", duration_s=10.0, lost_samples=0),
    engine=EngineInfo(cylinders=3, firing_order=(1, 2, 3)),
    cranked=(CrankedStretch(from_s=0.8, to_s=9.6, cycles=14, mean_rpm=196.0),),
    running_from_s=None,
    sync=SyncInfo(basis="wheel+cycle", events=15, missed=0, extra=0, angle_uncertainty_deg=2.1),
    comparisons=(
        Comparison(
            probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent",
            trust="disturbed", because=("added_volume",), reference=(1, 3),
            cylinders=(
                balance(1, 0.4, "even"),
                balance(2, -8.6, "smaller", trust="disturbed", predicted=Predicted(deviation=-5, low=-10, high=-2)),
                balance(3, -4.4, "undecided", more_cycles=6, one_off_cycles=(4, 9)),
            ),
        ),
        Comparison(
            probe="intake", role="intake_pulse", feature="width_deg", stretch="cranking", unit="degrees",
            trust="clean", because=(), reference=(1, 2, 3), cylinders=(balance(1, 0.4, None),),
        ),
    ),
    findings=(
        Finding(
            odd_pulse_at=(2,), probe="intake", feature="drop", cause="set-up", suspect_cylinder=None,
            text="Cylinder 2's pulse reads 9 % small.", next_step="Take the hose out and crank again.",
        ),
    ),
    causes=(), valve_events=(),
    warnings=(CodedWarning(code="clipped", text="The intake probe was clipped."),),
    refused=None,
)  # fmt: skip


def test_what_was_noted_stands_with_its_second():
    text = judgement_text(
        JUDGEMENT, SETUP, marks=[Mark(3.24, "choke pulled"), Mark(8.0, "battery clip slipped")]
    )
    assert "Noted while it was recorded:\n  - at 3.2 s: choke pulled\n  - at 8.0 s: battery" in text
    assert "Noted" not in judgement_text(JUDGEMENT, SETUP)


def flat(text):
    return " ".join(text.split())


def test_what_to_do_comes_before_the_figures_and_what_it_is_worth_last():
    text = judgement_text(JUDGEMENT, SETUP)
    order = [
        text.index(words)
        for words in (
            "What to do: Take the hose out",
            "What is fitted for the test accounts for this:",
            "Cylinder 2's pulse reads 9 % small.",
            "intake drop",
            "Basis:",
            "The intake probe was clipped.",
            "evidence, not proof",
        )
    ]
    assert order == sorted(order)
    assert text.rstrip().splitlines()[-1].endswith("one crank.")


@pytest.mark.parametrize("width", [80, 100, 160])
def test_figures_have_units_intervals_trust_and_reasons_at_every_width(width):
    text = judgement_text(JUDGEMENT, SETUP, width)
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    for words in (
        "disturbed: added volume",
        "from the mean of 1, 3",
        "deviation, % (95 %)",
        "-8.6 (-11.3 to -5.9)",
        "v smaller",
        "0.86 kPa",
        "cylinder 2: the set-up alone does -10.0 to -2.0 %",
        "each cylinder -4.0 to +4.0 % (3 known-goods of this family)",
        "cylinder 3: about 6 more cycles would settle it",
        "cylinder 3: a one-off in cycle 4, 9",
        "14 complete cycles at 196 rpm",
        "crank angle known to \N{PLUS-MINUS SIGN}2.1 crank degrees (95 %, in the worst cycle that counts)",
        "intake width_deg",
    ):
        assert words in flat(text), words


def test_a_crank_angle_of_no_known_uncertainty_is_said_to_be_that():
    sync = msgspec.structs.replace(JUDGEMENT.sync, angle_uncertainty_deg=None)
    text = flat(judgement_text(msgspec.structs.replace(JUDGEMENT, sync=sync), SETUP))
    assert "crank angle of no known uncertainty" in text and "known to not" not in text


def test_a_refusal_says_why_and_what_comes_first_stays_said():
    refused = msgspec.structs.replace(
        JUDGEMENT, comparisons=(), findings=(), refused="The engine did not turn. Record before you crank."
    )
    text = judgement_text(refused, SETUP)
    assert "\n\nThe engine did not turn." in text
    assert "No pulse was found odd" not in text
    assert "evidence, not proof" in text


def test_nothing_odd_is_not_called_proof_of_health():
    text = flat(judgement_text(msgspec.structs.replace(JUDGEMENT, findings=()), SETUP))
    assert "No pulse was found odd" in text
    assert "not yet known to be even" in text
    open_ones = tuple(
        msgspec.structs.replace(
            c, cylinders=tuple(msgspec.structs.replace(x, verdict="undecided") for x in c.cylinders)
        )
        for c in JUDGEMENT.comparisons
    )
    unsettled = msgspec.structs.replace(JUDGEMENT, findings=(), comparisons=open_ones)
    text = flat(judgement_text(unsettled, SETUP))
    assert "No pulse was found odd" not in text
    assert "Nothing is settled by these cycles" in text


def test_lost_samples_are_said():
    source = msgspec.structs.replace(JUDGEMENT.source, lost_samples=12)
    assert "12 samples lost" in judgement_text(msgspec.structs.replace(JUDGEMENT, source=source), SETUP)


def test_what_the_test_cannot_see_is_said_and_the_same_next_step_once() -> None:
    (first, *_) = JUDGEMENT.findings
    text = flat(judgement_text(msgspec.structs.replace(JUDGEMENT, findings=(first, first)), SETUP, 400))
    for line in blind_lines(SETUP):
        assert line in text
    assert text.count(first.next_step) == 1
    usual = msgspec.structs.replace(first, cause="spread", text="Healthy.", next_step="Nothing needs doing.")
    text = flat(judgement_text(msgspec.structs.replace(JUDGEMENT, findings=(first, usual)), SETUP, 400))
    # What asks for nothing is named, and no more.
    assert "Odd, but as healthy engines show it (the figures stand below): - intake pulse (intake): 2" in text
    assert "Healthy." not in text
    assert "Next:" not in text


def test_what_healthy_engines_show_is_not_the_thing_to_do_first() -> None:
    (first, *_) = JUDGEMENT.findings
    usual = msgspec.structs.replace(first, cause="spread", next_step="Nothing needs doing.")
    text = flat(judgement_text(msgspec.structs.replace(JUDGEMENT, findings=(usual,)), SETUP))
    assert "What to do: Cannot tell for 1 of 3 pulses." in text
    decided = tuple(
        msgspec.structs.replace(
            c, cylinders=tuple(msgspec.structs.replace(x, verdict=x.verdict and "even") for x in c.cylinders)
        )
        for c in JUDGEMENT.comparisons
    )
    settled = msgspec.structs.replace(JUDGEMENT, findings=(usual,), comparisons=decided)
    text = flat(judgement_text(settled, SETUP))
    assert "What to do: Nothing repeats that healthy engines do not show, as it is. But the hose" in text


def test_what_is_undecided_is_spoken_of_where_something_is() -> None:
    [comparison] = JUDGEMENT.comparisons[:1]
    for verdict, said in (("even", False), ("undecided", True)):
        rows = (balance(1, 0.0, "even"), balance(2, 0.0, "even"), balance(3, 0.0, verdict))
        settled = msgspec.structs.replace(
            JUDGEMENT, comparisons=(msgspec.structs.replace(comparison, cylinders=rows),), findings=()
        )
        text = judgement_text(settled, SETUP)
        assert "No pulse was found odd" in text and ("What is undecided below" in text) == said


def test_a_cylinder_alone_is_compared_with_no_mean() -> None:
    [comparison] = JUDGEMENT.comparisons[:1]
    one = msgspec.structs.replace(balance(1, 0.0, None), deviation=None, low=None, high=None)
    alone = msgspec.structs.replace(comparison, reference=(), cylinders=(one,))
    text = judgement_text(msgspec.structs.replace(JUDGEMENT, comparisons=(alone,), findings=()), SETUP)
    assert "from the mean of" not in text and "intake drop, with nothing to compare it with" in text


def test_that_an_engine_started_stands_before_why_nothing_is_judged() -> None:
    started = (CodedWarning(code="engine_started", text="The engine ran by itself from 4.2 s."),)
    for refused in (None, "Cannot judge: no rhythm was found."):
        judgement = msgspec.structs.replace(JUDGEMENT, warnings=started, refused=refused)
        text = judgement_text(judgement, SETUP, width=1000)
        assert text.splitlines()[2].startswith("What to do: Before anybody cranks again, find out why")
        assert refused is None or refused in text
