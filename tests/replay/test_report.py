"""The report: one page that stands on its own, says everything, and escapes what is not ours.

What a page must contain is this project's own contract; that it is well-formed and loads nothing
is checked with the standard library's HTML and XML parsers.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE, cautions_for
from evenstroke_dsp.messages import (
    Cause,
    CodedWarning,
    Comparison,
    CrankedStretch,
    Cycle,
    CycleProbe,
    CylinderBalance,
    CylinderPulse,
    EngineInfo,
    Finding,
    FindingMessage,
    Judgement,
    Normal,
    PipelineMessage,
    Predicted,
    SetupNote,
    SourceInfo,
    SyncInfo,
    ValveEvent,
    Wave,
    WaveData,
)
from evenstroke_dsp.pressure_trace import PressureReading, PressureTrace
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.setup_effects import blind_lines
from evenstroke_replay.judging import JudgedFile, Mark
from evenstroke_replay.report import render_report

ORDER = (1, 5, 3, 6, 2, 4)
SHA = "9f" * 32
WHEN = "2026-11-25 09:30"

SETUP = """
schema = 1
title = "Mobile library, inline six, warm, transducer in 5"
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
displacement_cc = 2988
[engine.valve_events_deg]
intake_opens = 350
[conditions]
fuel = "disabled"
ignition = "on"
acknowledged = ["plug_out_ignition_on"]
[[probe]]
name = "intake"
role = "intake_pulse"
place = "port behind the throttle"
volts_per_unit = 1.0
[[probe]]
name = "spark"
role = "ignition_sync"
cylinder = 1
offset_deg = -8
[[probe]]
name = "p5"
role = "cylinder_pressure"
cylinder = 5
added_volume_cc = 9.0
[[fitted]]
what = "vacuum gauge"
cylinder = 3
added_volume_cc = 0.5
[job]
complaint = "rough at idle when cold"
reader = { card = "17-B" }
"""


def balance(cylinder: int | None, deviation: float | None, **changes: object) -> CylinderBalance:
    fields: dict[str, object] = {
        "cylinder": cylinder,
        "value": 0.941,
        "value_unit": "kPa",
        "deviation": deviation,
        "low": None if deviation is None else deviation - 2.5,
        "high": None if deviation is None else deviation + 2.5,
        "cycles": 14,
        "verdict": "even",
        "normal": Normal(low=-4.0, high=4.0, from_="generic table"),
        "trust": "clean",
        "predicted": None,
        "more_cycles": None,
        "one_off_cycles": (),
        "position": None,
        "one_of": None,
    }
    return CylinderBalance(**(fields | changes))  # type: ignore[arg-type]


def comparison(cylinders: tuple[CylinderBalance, ...], **changes: object) -> Comparison:
    fields: dict[str, object] = {
        "probe": "intake",
        "role": "intake_pulse",
        "feature": "drop",
        "stretch": "cranking",
        "unit": "percent",
        "trust": "clean",
        "because": (),
        "reference": (1, 3, 4, 5, 6),
        "cylinders": cylinders,
    }
    return Comparison(**(fields | changes))  # type: ignore[arg-type]


DROPS = (
    balance(1, 1.2),
    balance(
        2,
        -8.6,
        verdict="smaller",
        trust="disturbed",
        predicted=Predicted(deviation=-5.0, low=-10.0, high=-2.0),
    ),
    balance(3, -14.1, verdict="smaller"),
    balance(4, 0.4, one_off_cycles=(6,)),
    balance(5, 3.4, verdict="undecided", more_cycles=9),
    balance(6, 0.9),
)


def judgement(**changes: object) -> Judgement:
    fields: dict[str, object] = {
        "source": SourceInfo(file="library.mcap", sha256=SHA, duration_s=10.0, lost_samples=0),
        "engine": EngineInfo(cylinders=6, firing_order=ORDER),
        "cranked": (CrankedStretch(from_s=0.8, to_s=9.6, cycles=14, mean_rpm=196.0),),
        "running_from_s": None,
        "sync": SyncInfo(basis="wheel+cycle", events=15, missed=0, extra=0, angle_uncertainty_deg=2.1),
        "comparisons": (
            comparison(DROPS, trust="disturbed", because=("added_volume",)),
            comparison(
                tuple(balance(c, 1.5, verdict=None, normal=None) for c in range(1, 7)), feature="depth"
            ),
            comparison(
                tuple(balance(c, -3.0, verdict=None, normal=None, value_unit="deg") for c in range(1, 7)),
                feature="steepest_deg",
                unit="degrees",
            ),
        ),
        "findings": (
            Finding(
                odd_pulse_at=(3,),
                probe="intake",
                feature="drop",
                cause="engine",
                suspect_cylinder=None,
                text="Cylinder 3's pulse reads 14 % small in 14 of 14 cycles.",
                next_step="Look into the runner of 3 with a mirror and a lamp before anything comes off.",
            ),
            Finding(
                odd_pulse_at=(2,),
                probe="intake",
                feature="drop",
                cause="set-up",
                suspect_cylinder=None,
                text="Cylinder 2's pulse reads 9 % small; the hose in 5 accounts for 2 to 10 %.",
                next_step="Take it out, refit the plug, rest two minutes, crank eight seconds.",
            ),
        ),
        "causes": (),
        "valve_events": (),
        "warnings": (CodedWarning(code="low_corner_unknown", text="The probe's corner is not known."),),
        "refused": None,
    }
    return Judgement(**(fields | changes))  # type: ignore[arg-type]


CYCLE_S = 0.6


def pulses(index: int, named: bool) -> tuple[CylinderPulse, ...]:
    rng = np.random.default_rng(index)
    size = {2: 0.92, 3: 0.86}
    return tuple(
        CylinderPulse(
            cylinder=cylinder if named else None,
            position=place + 1,
            value=size.get(cylinder, 1.0) * (1 + 0.02 * rng.standard_normal()),
            value_unit="kPa",
            from_s=1.0 + CYCLE_S * (index + (place + 0.1) / 6),
            to_s=1.0 + CYCLE_S * (index + (place + 0.6) / 6),
            left_out="one-off" if (index, cylinder) == (6, 4) else None,
        )
        for place, cylinder in enumerate(ORDER)
    )


def messages(cycles: int = 14, named: bool = True) -> tuple[PipelineMessage, ...]:
    made: list[PipelineMessage] = []
    for index in range(cycles):
        start = 1.0 + CYCLE_S * index
        t = start + 0.001 * np.arange(600)
        samples = -np.cos(2 * np.pi * (t - start) / CYCLE_S * 6)[None, :].astype(np.float32)
        header = Wave(
            sequence=index,
            kind="conditioned",
            probes=("intake",),
            units=("kPa",),
            shape=(1, 600),
            t0_s=start,
            dt_s=0.001,
        )
        made.append(WaveData(header, samples))
        made.append(
            Cycle(
                sequence=index,
                stretch="cranking",
                index=index,
                from_s=start,
                to_s=start + CYCLE_S,
                rpm=200.0,
                angle_uncertainty_deg=2.1,
                left_out=None,
                probes=(CycleProbe(probe="intake", feature="drop", pulses=pulses(index, named)),),
            )
        )
    made.append(
        FindingMessage(
            sequence=0,
            phase="cranking",
            at_s=9.6,
            findings=(),
            warnings=(),
            refused=None,
            instruction="Leave the manifold on for now: crank once more without the hose in 5.",
            more_cycles=9,
        )
    )
    return tuple(made)


def page(judged: Judgement | None = None, **changes: object) -> str:
    setup = changes.pop("setup", parse_setup(SETUP))
    said = changes.pop("messages", messages())
    one = JudgedFile(judged or judgement(), said, setup, None)  # type: ignore[arg-type]
    return render_report(one, generated_at=WHEN, **changes)  # type: ignore[arg-type]


class _Reader(HTMLParser):
    """Which tags are open, what is read between them, and what any attribute refers to."""

    VOID = frozenset({"meta", "br", "hr", "img", "link", "input"})
    APART = frozenset({"td", "th", "dt", "dd", "p", "li", "h1", "h2", "h3"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.references: list[str] = []
        self.ids: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "action", "data"):
                self.references.append(value or "")
            if name == "id":
                self.ids.append(value or "")
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes nothing"
        if tag in self.APART:
            self.text += " "

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.text += data


def read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    reader.text = re.sub(r"\s+", " ", reader.text)
    return reader


UNNAMED = judgement(
    comparisons=(
        comparison(
            tuple(
                balance(None, d, position=p, verdict="undecided")
                for p, d in enumerate((1, 2, -3, 0, 0, 0), 1)
            )
        ),
    ),
    findings=(),
    sync=SyncInfo(basis="none", events=0, missed=0, extra=0, angle_uncertainty_deg=None),
)
HALF_NAMED = judgement(
    comparisons=(
        comparison(
            tuple(
                balance(None, 1.0, position=p, one_of=pair)
                for p, pair in enumerate(((1, 6), (2, 5), (3, 4), (1, 6), (2, 5), (3, 4)), 1)
            )
        ),
    ),
    findings=(),
    sync=SyncInfo(basis="revolution", events=30, missed=0, extra=0, angle_uncertainty_deg=4.0),
)
REFUSED = judgement(
    comparisons=(),
    findings=(),
    cranked=(),
    refused="the engine did not turn.",
    sync=SyncInfo(basis="none", events=0, missed=0, extra=0, angle_uncertainty_deg=None),
)
PAGES = {
    "whole": lambda: page(),
    "no messages": lambda: page(messages=()),
    "unnamed": lambda: page(UNNAMED, messages=messages(named=False)),
    "half named": lambda: page(HALF_NAMED),
    "refused": lambda: page(REFUSED, messages=()),
    "one cycle": lambda: page(messages=messages(1)),
    "a long one": lambda: page(messages=messages(70)),
    "not measured": lambda: page(
        judgement(comparisons=(comparison((balance(1, None, value=None), balance(2, 0.0))),))
    ),
}


@pytest.mark.parametrize("make", PAGES.values(), ids=PAGES.keys())
def test_every_kind_of_page_is_well_formed_and_loads_nothing(make) -> None:  # type: ignore[no-untyped-def]
    html = make()
    reader = read(html)
    assert not reader.tags & {"script", "link", "iframe", "object", "embed", "form"}
    assert all(reference.startswith(("#", "data:")) for reference in reader.references)
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)
    assert len(reader.ids) == len(set(reader.ids))
    for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(svg)
    for words in (EVIDENCE, PRECEDENCE, WHEN, "library.mcap", SHA, "What to do", "The recording", "Cautions"):
        assert words in reader.text


def test_the_same_judgement_gives_the_same_page() -> None:
    assert page() == page()


def test_what_to_do_stands_first_then_findings_with_their_causes_and_next_steps() -> None:
    text = read(page()).text
    # By the judgement's own first finding, and not by what was said while it was recorded.
    assert (
        text.index("What to do Look into the runner of 3")
        < text.index(EVIDENCE)
        < text.index("reads 14 % small")
    )
    assert "Leave the manifold on for now" not in text
    assert text.count("Look into the runner of 3") == 1, "what is to be done is not said twice"
    assert "Neither healthy engines nor what is fitted account for this" in text
    assert "What is fitted for the test accounts for this" in text
    assert "No cylinder is named as suspect" in text


def test_numbers_carry_their_units_and_intervals_or_say_that_they_have_none() -> None:
    text = read(page()).text
    assert "\N{MINUS SIGN}8.6 % (\N{MINUS SIGN}11.1 to \N{MINUS SIGN}6.1)" in text
    assert "0.941 kPa" in text
    assert "For mean sizes no interval is stated" in text
    assert "\N{MINUS SIGN}10.0 to \N{MINUS SIGN}2.0" in text
    assert "\N{MINUS SIGN}4.0 to +4.0" in text
    assert "What healthy engines show is from: generic table." in text
    assert "\N{MINUS SIGN}3.0 ° (\N{MINUS SIGN}5.5 to \N{MINUS SIGN}0.5)" in text
    assert "mean speed 196 rpm (no interval)" in text
    assert "\N{PLUS-MINUS SIGN}2.1 crank degrees" in text


def test_verdicts_stand_as_words_and_pictures_are_labelled() -> None:
    html = page()
    for word in ("smaller", "even", "undecided"):
        assert re.search(rf"<td>{word}</td>", html)
    labels = re.findall(r'<svg role="img" aria-label="([^"]+)"', html)
    assert labels == [
        "Deviation of each cylinder: intake drop, while cranking",
        "Every pulse by cycle and cylinder: intake drop, while cranking",
        "Waveform of intake, pulses labelled",
    ]


def test_pulses_in_the_waveform_carry_their_cylinders_in_the_order_of_coming() -> None:
    html = page()
    wave = html[html.index("Waveform of intake") :]
    wave = wave[: wave.index("</svg>")]
    words = re.findall(r">([^<>]+)</text>", wave)
    labels = [word for word in words if word in {"1", "2", "3", "4", "5", "6", "[4]"}]
    # axis numbers of kilopascal and seconds carry a decimal point here
    assert labels[:6] == ["1", "5", "3", "6", "2", "4"]
    assert len(labels) == 18


def test_what_cannot_be_told_is_said() -> None:
    text = read(
        page(judgement(source=SourceInfo(file="a.csv", sha256=SHA, duration_s=1.0, lost_samples=512)))
    ).text
    assert "undecided at cylinder 5; about 9 more cycles would settle it" in text
    assert "causes were not computed" in text
    assert "What is not there (512 samples lost)." in text
    bare = tuple(msgspec.structs.replace(b, predicted=None, normal=None) for b in DROPS)
    text = read(page(judgement(comparisons=(comparison(bare),)))).text
    assert "how much of the deviation at cylinder 2 what is fitted makes" in text
    assert "how uneven healthy engines are" in text


def test_unnamed_pulses_are_numbered_and_said_to_be() -> None:
    text = read(page(UNNAMED, messages=messages(named=False))).text
    assert "place 3" in text
    assert "numbered in order of coming" in text
    half = read(page(HALF_NAMED)).text
    assert "cylinder 2 or 5" in half
    assert "Which of two companion cylinders" in half


def test_a_refused_judgement_says_why_and_shows_no_comparison() -> None:
    text = read(page(REFUSED)).text
    assert "the engine did not turn." in text
    assert "How even the cylinders are" not in text
    assert "What was found" not in text


@pytest.mark.parametrize("changes", [{}, {"findings": ()}, {"refused": "Cannot judge: no rhythm was found."}])
def test_that_an_engine_started_is_the_first_thing_on_the_page(changes: dict[str, object]) -> None:
    started = (CodedWarning(code="engine_started", text="The engine ran by itself from 4.20 s."),)
    box = (
        page(judgement(warnings=started, **changes)).partition('<div class="say">')[2].partition("</div>")[0]
    )
    assert box.startswith("<p>Before anybody cranks again, find out why it could start")
    assert "crank again" not in box and "closer look" not in box


@pytest.mark.parametrize("code", ["counts_contradicted", "sync_rate"])
def test_where_the_set_up_is_contradicted_no_count_stands_as_true(code: str) -> None:
    contradicted = CodedWarning(code=code, text="None of it holds.")
    refused = judgement(
        refused="Cannot judge: `cylinders`.", comparisons=(), findings=(), warnings=(contradicted,)
    )
    text = read(page(refused)).text
    assert "rpm" not in text and "how many cycles, how fast" in text
    assert "Names rest on" not in text


def test_what_the_names_rest_on_stands_with_the_test() -> None:
    text = " ".join(read(page()).text.split())
    assert "Names rest on" in text and "check them before any work on a cylinder" in text


def test_with_no_findings_the_page_says_what_that_means() -> None:
    even = judgement(comparisons=(comparison(tuple(balance(c, 0.1) for c in range(1, 7))),), findings=())
    text = read(page(even, messages=())).text
    assert "Every compared pulse is even within the margin" in text
    undecided = judgement(
        comparisons=(comparison(tuple(balance(c, 0.1, verdict="undecided") for c in range(1, 7))),),
        findings=(),
    )
    assert "Nothing odd has been settled" in read(page(undecided, messages=())).text


def test_what_is_odd_comes_before_what_is_even() -> None:
    even = comparison(tuple(balance(c, 0.1) for c in range(1, 7)), probe="exhaust", feature="rise")
    text = read(page(judgement(comparisons=(even, comparison(DROPS))))).text
    assert text.index("intake drop") < text.index("exhaust rise")


@pytest.mark.parametrize(
    ("value", "shown"), [(0.2004, "0.200 kPa"), (59.96, "60.0 kPa"), (1034.6, "1035 kPa"), (0.0, "0.00 kPa")]
)
def test_sizes_are_shown_to_three_figures(value: float, shown: str) -> None:
    text = read(
        page(judgement(comparisons=(comparison((balance(1, -0.04, value=value), balance(2, 0.0))),)))
    ).text
    assert f" {shown} " in text
    assert "\N{MINUS SIGN}0.0" not in text


def test_causes_and_valve_events_are_shown_where_there_are_any() -> None:
    causes = (
        Cause(kind="intake_restriction", cylinder=3, size=0.4, size_unit="cm2", probability=0.9),
        Cause(
            kind="gasket_leak", cylinder=None, size=None, size_unit=None, probability=0.1, cylinders=(3, 4)
        ),
    )
    events = (ValveEvent(cylinder=1, event="intake_opens", deg=397.0, low=395.0, high=399.0, from_="intake"),)
    text = read(page(judgement(causes=causes, valve_events=events))).text
    assert "intake restriction" in text and "90 %" in text and "0.4 cm2" in text
    assert "3 and 4" in text
    assert "397° (395 to 399)" in text
    assert "causes were not computed" not in text


def test_the_dangers_and_every_caution_of_the_set_up_are_on_the_page() -> None:
    setup = parse_setup(SETUP)
    text = read(page()).text
    for caution in cautions_for(setup):
        assert re.sub(r"\s+", " ", caution.text) in text
    assert "grounded spark tester" in text
    unsafe = parse_setup(SETUP.replace('fuel = "disabled"', 'fuel = "on"'))
    assert "No acknowledgement makes this right" in read(page(setup=unsafe)).text


def test_the_set_up_is_printed_as_its_file_names_it() -> None:
    text = read(page()).text
    for words in (
        "firing_order 1, 5, 3, 6, 2, 4",
        "intake_opens 350",
        "added_volume_cc 9",
        "Fitted, not recorded: vacuum gauge",
        "offset_deg -8",
    ):
        assert words in text


def test_the_test_in_short_what_the_set_up_does_and_what_was_noted_are_printed() -> None:
    said = "intake, drop: disturbed in cylinder 2; clean in 1, 3, 4, 5 and 6. The way: ..."
    note = SetupNote(probe="intake", feature="drop", disturbed=(2,), text=said)
    one = JudgedFile(
        judgement(), messages(), parse_setup(SETUP), None, (), (note,), (Mark(3.21, "the starter <grates>"),)
    )
    text = read(render_report(one, generated_at=WHEN)).text
    assert "6 cylinders, firing order 1-5-3-6-2-4, 2988 cc" in text
    assert "p5 in cylinder 5 (9 cc) and vacuum gauge in cylinder 3 (0.5 cc)" in text
    assert "intake (intake pulses, port behind the throttle)" in text
    assert "Noted at 3.2 s the starter <grates>" in text
    assert f"The set-up check, before the crank: {said}" in text
    assert "throttle not said" in text, "what is left out is unknown, not a default"


def test_what_the_test_cannot_see_is_on_the_page() -> None:
    text = read(page()).text
    for line in blind_lines(parse_setup(SETUP)):
        assert line in text


def test_the_same_next_step_is_printed_once() -> None:
    first, second = judgement().findings
    alike = msgspec.structs.replace(second, next_step=first.next_step)
    text = read(page(judgement(findings=(first, alike)))).text
    assert text.count(first.next_step) == 1
    assert text.count("Next:") == 0


def test_the_job_is_left_out_unless_it_is_asked_for() -> None:
    assert "rough at idle when cold" not in page()
    assert "17-B" not in page()
    assert "left out of this page" in page()
    included = page(job_included=True)
    assert "rough at idle when cold" in included
    assert "17-B" in included


EVIL = '<script>alert("&\'$x_{1}$")</script>'


def test_nothing_from_outside_becomes_markup() -> None:
    evil_setup = parse_setup(SETUP)
    probe = msgspec.structs.replace(evil_setup.probe[0], name=EVIL, place=EVIL)
    evil_setup = msgspec.structs.replace(
        evil_setup,
        title=EVIL,
        probe=(probe, *evil_setup.probe[1:]),
        fitted=(msgspec.structs.replace(evil_setup.fitted[0], what=EVIL),),
        job={EVIL: [EVIL, {EVIL: EVIL}]},
    )
    evil = judgement(
        source=SourceInfo(file=EVIL, sha256=EVIL, duration_s=1.0, lost_samples=0),
        comparisons=(
            comparison(
                tuple(balance(c, 9.0, value_unit=EVIL) for c in range(1, 7)), probe=EVIL, because=(EVIL,)
            ),
            comparison((balance(1, 9.0, verdict=None),), probe=EVIL, feature=EVIL),
        ),
        findings=(
            Finding(
                odd_pulse_at=(1,),
                probe=EVIL,
                feature=EVIL,
                cause="unclear",
                suspect_cylinder=1,
                text=EVIL,
                next_step=EVIL,
            ),
        ),
        warnings=(CodedWarning(code=EVIL, text=EVIL),),
    )
    said: list[PipelineMessage] = []
    for message in messages(4):
        if isinstance(message, WaveData):
            said.append(
                WaveData(
                    msgspec.structs.replace(message.header, probes=(EVIL,), units=(EVIL,)), message.samples
                )
            )
        elif isinstance(message, Cycle):
            of_probe = msgspec.structs.replace(message.probes[0], probe=EVIL)
            said.append(msgspec.structs.replace(message, probes=(of_probe,)))
        elif isinstance(message, FindingMessage):
            said.append(msgspec.structs.replace(message, instruction=EVIL))
    html = page(evil, setup=evil_setup, messages=tuple(said), job_included=True)
    assert "script" not in read(html).tags
    assert "<script" not in html
    assert read(html).text.count("alert(") >= 15


def test_two_recordings_share_one_page() -> None:
    first = JudgedFile(judgement(), messages(), parse_setup(SETUP), None)
    second_judgement = judgement(
        source=SourceInfo(file="second.mcap", sha256=SHA, duration_s=8.0, lost_samples=0)
    )
    second = JudgedFile(second_judgement, messages(8), parse_setup(SETUP), None)
    html = render_report(first, second, generated_at=WHEN)
    text = read(html).text
    assert "Recording 1: library.mcap" in text
    assert text.index("What to do") < text.index("The two cranks compared") < text.index("Recording 1")
    assert text.count("What to do after this crank alone") == 2
    assert "Recording 2: second.mcap" in text
    assert len(read(html).ids) == len(set(read(html).ids))


def test_a_cylinder_s_pressure_stands_by_crank_angle_with_its_valve_events() -> None:
    deg = np.arange(720.0)
    mean = 900.0 * np.exp(-(((deg + 180.0) % 720.0 - 180.0) ** 2) / 1500.0) - 5.0
    trace = PressureTrace(
        "p5",
        5,
        "kPa",
        12,
        deg,
        mean,
        mean - 2.0,
        mean + 2.0,
        (PressureReading("peak", 895.0, 893.0, 897.0, "kPa"),),
    )
    events = (
        ValveEvent(cylinder=5, event="exhaust_opens", deg=140.0, low=134.0, high=146.0, from_="p5"),
        ValveEvent(cylinder=5, event="intake_closes", deg=598.0, low=589.0, high=607.0, from_="p5"),
        ValveEvent(cylinder=1, event="exhaust_opens", deg=141.0, low=131.0, high=151.0, from_="exhaust"),
    )
    judged = msgspec.structs.replace(judgement(), valve_events=events)
    one = JudgedFile(judged, messages(), parse_setup(SETUP), None, (trace,))
    page = render_report(one, generated_at=WHEN)
    assert "Pressure by crank angle: p5" in page
    assert "1 exhaust opens (p5), 2 intake closes (p5)." in page, "the other cylinder's events stay out"
    assert "895 (893 to 897) kPa" in page
    found = re.findall(r'<svg[^>]*aria-label="Pressure in cylinder 5[^"]*".*?</svg>', page, re.DOTALL)
    assert len(found) == 1
    assert "crank degrees after the cylinder" in found[0]
    assert ">kPa<" in found[0]
