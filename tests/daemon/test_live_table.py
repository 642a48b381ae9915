"""What a person sees while the engine cranks: everything fits, nothing is cut, sign and word carry the meaning."""

from __future__ import annotations

import dataclasses
import io
import re

import msgspec
import pytest
from evenstroke_daemon.live_table import LiveTable, PlainLines, picture, view_for_stderr
from evenstroke_daemon.service import Snapshot
from evenstroke_dsp.health import ADVICE
from evenstroke_dsp.messages import (
    Balance,
    Coaching,
    Comparison,
    Cycle,
    CylinderBalance,
    EngineInfo,
    Finding,
    FindingMessage,
    Health,
    ProbeHealth,
    QueueCount,
    State,
)
from rich.console import Console

VERDICTS = ("smaller", "even", "undecided", "larger")
MINUS = {"smaller": -18.6, "even": -0.4, "undecided": -4.9, "larger": 22.3}


def comparison(probe, role, feature, cylinders, trust="clean", because=(), stretch="cranking"):
    return Comparison(
        probe=probe,
        role=role,
        feature=feature,
        stretch=stretch,
        unit="percent",
        trust=trust,
        because=because,
        reference=tuple(range(1, cylinders + 1)),
        cylinders=tuple(
            CylinderBalance(
                cylinder=c,
                value=0.86,
                value_unit="kPa",
                deviation=MINUS[verdict],
                low=MINUS[verdict] - 12.7,
                high=MINUS[verdict] + 12.7,
                cycles=14,
                verdict=verdict,
                normal=None,
                trust=trust,
                predicted=None,
                more_cycles=None,
                one_off_cycles=(),
                position=None,
                one_of=None,
            )
            for c, verdict in ((c, VERDICTS[c % 4]) for c in range(1, cylinders + 1))
        ),
    )


def snapshot(cylinders=6, *, comparisons=None, refused=None):
    order = tuple(range(1, cylinders + 1))
    if comparisons is None:
        comparisons = (
            comparison("intake", "intake_pulse", "drop", cylinders, "disturbed", ("added_volume",)),
            comparison("exhaust", "exhaust_pulse", "rise", cylinders),
            comparison(
                "exhaust", "exhaust_pulse", "suction", cylinders, "limited", ("noisy", "speed_unsteady")
            ),
        )
    return Snapshot(
        state=State(
            sequence=3, at_s=12.0, link="streaming", reason="the board streams at 10000 Hz per input",
            port="/dev/ttyUSB0", board="virtual", firmware="1.0.0",
            recording="recordings/2026-01-31T101500-mobile-library.mcap", recording_problem=None,
            setup_title="Mobile library", engine=EngineInfo(cylinders=cylinders, firing_order=order), cautions=(),
            coach=Coaching(
                words="Enough cycles: stop cranking, let the starter rest two minutes, then crank again.",
                alarm=None, cycles=14, more_cycles=3, crank_s=8.2, starter_used_s=8.2, starter_total_s=8.2,
                rest_left_s=0.0, cranks=0, cranks_wanted=2, battery="10.4 V at the lowest while cranking: enough",
                battery_rest_v=12.6, battery_lowest_v=10.4,
            ),
        ),
        health=Health(
            sequence=9, at_s=12.0, probes=(), samples=120_000, lost_samples=0, losses=(), board_overruns=0,
            board_blocks_dropped=0, board_edges_missed=0,
            clock_ppm=None, clock_uncertainty_ppm=None,
            queues=(QueueCount(queue="received_bytes", capacity=100, depth=0, dropped=0),),
            bytes_received=830_000, bytes_recorded=612_000, disk_free_bytes=10**10, processor_share=0.1,
        ),
        cycle=Cycle(
            sequence=13, stretch="cranking", index=13, from_s=8.1, to_s=8.7, rpm=196.4,
            angle_uncertainty_deg=2.0, left_out=None, probes=(),
        ),
        balance=Balance(sequence=13, at_s=8.7, cycles=14, comparisons=comparisons),
        finding=FindingMessage(
            sequence=13, at_s=8.7, phase="cranking", findings=(), warnings=(), refused=refused, more_cycles=None,
            instruction="Enough cycles: stop cranking, let the starter rest two minutes, then crank again.",
        ),
        log=None,
    )  # fmt: skip


def rendered(snap, width, height=24):
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, color_system=None, highlight=False)
    console.print(picture(snap, width, height))
    return out.getvalue()


def words(text):
    return set(re.sub(r"[─━]+", " ", text).split())


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("cylinders", range(1, 13))
def test_nothing_is_cut(cylinders, width):
    text = rendered(snapshot(cylinders), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    # Every word stands whole in the picture that has all the room it wants.
    left_out = {"not", "shown", "here:", "exhaust", "suction"}
    assert words(text) <= words(rendered(snapshot(cylinders), 500, 200)) | left_out
    for row in range(1, cylinders + 1):
        line = next(line for line in text.splitlines() if re.match(rf"{row} ", line))
        verdict = VERDICTS[row % 4]
        assert line.count(verdict) >= (2 if width == 80 else 3), "two probes side by side, each with its word"


@pytest.mark.parametrize("width", [80, 120])
def test_six_cylinders_and_two_pulse_probes_fit_a_small_terminal(width):
    text = rendered(snapshot(6), width)
    assert len(text.splitlines()) <= 23, "the terminal's last line stays free for the cursor"
    for said in (
        "streaming",
        "612 kB",
        "cycle 14",
        "196 rpm",
        "nothing lost",
        "disturbed: added volume",
        "10.4 V",
    ):
        assert said in text
    assert "> Enough cycles" in text
    assert "-18.6 (-31.3 to -5.9)" in text


def test_pulses_come_before_what_follows_from_them_where_room_is_short():
    comparisons = (
        comparison("wheel", "crank_teeth", "compression", 6),
        comparison("exhaust", "exhaust_pulse", "suction", 6),
        comparison("exhaust", "exhaust_pulse", "rise", 6),
        comparison("intake", "intake_pulse", "drop", 6),
    )
    text = rendered(snapshot(6, comparisons=comparisons), 80)
    assert text.index("intake drop") < text.index("exhaust rise") < text.index("not shown here")
    assert "not shown here: exhaust suction, wheel compression" in text


def test_a_long_path_is_broken_only_at_its_joints():
    snap = snapshot(6)
    path = "recordings/2026-11-25T094211-mobile-library-inline-six-warm-transducer-in-five-and-more.mcap"
    snap = dataclasses.replace(snap, state=msgspec.structs.replace(snap.state, recording=path))
    lines = rendered(snap, 80).splitlines()
    assert lines[1].endswith("-")
    assert "".join(line.rstrip() for line in lines[1:3]) == f"recording 612 kB to {path}"


def test_a_comparison_without_room_is_named():
    text = rendered(snapshot(12), 80)
    assert "not shown here: exhaust suction" in text
    assert len(text.splitlines()) <= 24


def test_sign_and_word_carry_the_meaning_and_no_colour_does():
    out = io.StringIO()
    console = Console(file=out, width=120, force_terminal=True, color_system="truecolor", highlight=False)
    console.print(picture(snapshot(4), 120, 40))
    assert "\x1b[" in out.getvalue(), "bold is allowed"
    assert not re.search(r"\x1b\[[0-9;]*(3[0-7]|38|4[0-7]|48|9[0-7]|10[0-7])[;m]", out.getvalue())
    for sign in ("v smaller", "= even", "? undecided", "^ larger"):
        assert sign in out.getvalue()


def test_unnamed_cylinders_are_called_by_their_place():
    cells = comparison("intake", "intake_pulse", "drop", 3).cylinders
    open_ones = tuple(
        msgspec.structs.replace(c, cylinder=None, position=i, one_of=(1, 6) if i == 2 else None)
        for i, c in enumerate(cells, 1)
    )
    unnamed = msgspec.structs.replace(comparison("intake", "intake_pulse", "drop", 3), cylinders=open_ones)
    text = rendered(snapshot(3, comparisons=(unnamed,)), 80)
    assert "place 1" in text
    assert "1 or 6" in text


def test_before_the_engine_turns():
    snap = snapshot(6)
    state = msgspec.structs.replace(snap.state, coach=None)
    text = rendered(dataclasses.replace(snap, state=state, balance=None, cycle=None, finding=None), 80)
    assert "waiting for the engine to turn" in text
    assert "no engine cycle yet" in text


def test_losses_and_a_recording_that_stopped_are_said():
    snap = snapshot(6)
    health = msgspec.structs.replace(
        snap.health, lost_samples=40, board_overruns=3,
        queues=(QueueCount(queue="pipeline_batches", capacity=5, depth=5, dropped=2),),
    )  # fmt: skip
    state = msgspec.structs.replace(snap.state, recording_problem="the disk is full")
    text = rendered(dataclasses.replace(snap, health=health, state=state), 120)
    assert "lost: 40 samples, 2 dropped from pipeline batches, 3 overruns on the board" in " ".join(
        text.split()
    )
    assert "recording STOPPED: the disk is full" in text


def test_without_a_terminal_there_is_one_line_per_cycle(capsys):
    snap = snapshot(6)
    view = view_for_stderr()
    assert isinstance(view, PlainLines)
    with view:
        view.show(snap)
        view.show(snap)
        view.show(dataclasses.replace(snap, cycle=msgspec.structs.replace(snap.cycle, index=14)))
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert sum("rpm" in line for line in lines) == 2
    assert sum("Enough cycles" in line for line in lines) == 1
    assert "nothing lost" in next(line for line in lines if "cycle 14" in line)
    assert lines.count("  intake drop, cylinder 4: -18.6 (-31.3 to -5.9) % smaller, disturbed") == 1
    assert max(map(len, lines)) < 120, "no line that a log cuts"


def test_a_verdict_that_is_taken_back_is_said(capsys):
    snap = snapshot(6)
    (first, *others) = snap.balance.comparisons
    taken_back = msgspec.structs.replace(
        first, cylinders=tuple(msgspec.structs.replace(b, verdict="undecided") for b in first.cylinders)
    )
    later = dataclasses.replace(
        snap,
        cycle=msgspec.structs.replace(snap.cycle, index=14),
        balance=msgspec.structs.replace(snap.balance, comparisons=(taken_back, *others)),
    )
    lines = PlainLines()
    lines.show(snap)
    capsys.readouterr()
    lines.show(later)
    assert "  intake drop, cylinder 4: no longer smaller\n" in capsys.readouterr().err


def test_the_table_is_redrawn_in_place():
    out = io.StringIO()
    console = Console(file=out, width=80, height=24, force_terminal=True, color_system=None)
    with LiveTable(console) as view:
        view.show(snapshot(6))
        view.show(snapshot(6))
    assert out.getvalue().count("Enough cycles") >= 2
    assert "\x1b[1A" in out.getvalue(), "the second picture replaces the first"


def test_findings_have_the_same_words_everywhere():
    # One instruction, not a list: what is to be done now stands once, in bold, below the figures.
    finding = Finding(
        odd_pulse_at=(2,), probe="intake", feature="drop", cause="engine", suspect_cylinder=None,
        text="Cylinder 2's pulse is small.", next_step="Crank again.",
    )  # fmt: skip
    snap = snapshot(6)
    snap = dataclasses.replace(snap, finding=msgspec.structs.replace(snap.finding, findings=(finding,)))
    assert rendered(snap, 80).count("> ") == 1


def test_each_probe_has_its_word_and_the_worst_one_what_to_do() -> None:
    def probe(name, *problems):
        state = "bad" if "dead" in problems else "doubtful" if problems else "good"
        return ProbeHealth(
            probe=name, role="intake_pulse", unit="kPa", state=state, problems=problems,
            advice=ADVICE[problems[0]] if problems else "", low=None, high=None, noise_rms=None,
            clipped_share=None, events=None,
        )  # fmt: skip

    snap = snapshot()
    health = msgspec.structs.replace(
        snap.health, probes=(probe("intake", "mains_pickup"), probe("exhaust", "dead"), probe("spark"))
    )
    text = " ".join(rendered(dataclasses.replace(snap, health=health), 80, 40).split())
    assert "probes: intake mains hum, exhaust no signal, spark good" in text
    assert f"exhaust: {ADVICE['dead']}" in text
    assert ADVICE["mains_pickup"] not in text


@pytest.mark.parametrize(("crank_s", "over"), [(0.0, True), (0.4, False)])
def test_a_rest_that_is_cut_short_by_another_crank_is_not_called_over(capsys, crank_s, over):
    snap = snapshot(6)

    def at(rest_left_s, crank_s):
        coach = msgspec.structs.replace(snap.state.coach, rest_left_s=rest_left_s, crank_s=crank_s)
        return dataclasses.replace(snap, state=msgspec.structs.replace(snap.state, coach=coach))

    lines = PlainLines()
    out = io.StringIO()
    table = LiveTable(
        Console(file=out, width=80, height=24, force_terminal=True, color_system=None), sound=True
    )
    for moment in (at(97.0, 0.0), at(0.0, crank_s)):
        lines.show(moment)
        table.show(moment)
    assert ("rest is over" in capsys.readouterr().err) == over
    assert ("\a" in out.getvalue()) == over


def test_an_instruction_of_before_the_board_went_is_not_given_at_rest(capsys):
    snap = snapshot(6)
    late = dataclasses.replace(
        snap,
        state=msgspec.structs.replace(
            snap.state,
            link="streaming",
            coach=msgspec.structs.replace(
                snap.state.coach,
                crank_s=0.0,
                alarm=None,
                words="Wait: whether the engine turns is not known yet.",
            ),
        ),
        finding=msgspec.structs.replace(snap.finding, phase="cranking", instruction="Enough: stop cranking."),
    )
    lines = PlainLines()
    lines.show(late)
    said = capsys.readouterr().err
    assert "Wait: whether the engine turns" in said
    assert "Enough" not in said
