"""An engine that idles slowly and is written down as cranked: said, not refused, by what speaks for it.

Speeds and volts are chosen; that starters turn engines at 80 to 250 rpm and pull a battery below 12.8 V is common practice, no
source.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from setup_texts import FOUR, intake, probe, spark

RATE_HZ = 1000.0
BATTERY = probe("battery", "battery_voltage", input=4, volts_per_unit=1.0)
CLAMP = probe("starter", "starter_current", input=5, volts_per_unit=1.0)


def judged(
    rpm: float,
    *,
    battery_v: float | None = None,
    loads: bool = False,
    mode: str = "cranking",
    odd: bool = False,
):
    """A four at a steady speed from the first sample on; loads: a clamp shows each compression; odd: one pulse is small."""
    setup = parse_setup(
        FOUR
        + f'[conditions]\nmode = "{mode}"\n'
        + intake(input=0)
        + spark(input=1)
        + (BATTERY if battery_v else "")
        + (CLAMP if loads else "")
    )
    t = np.arange(round(9 * RATE_HZ)) / RATE_HZ
    turned = rpm * 6.0 * t
    beat = np.cos(np.radians(4 * turned / 2.0))
    rng = np.random.default_rng(2)
    small = np.where((turned % 720.0 < 180.0) & odd, 0.6, 1.0)
    signals = {0: 2.5 + 0.4 * small * np.sin(np.radians(2 * turned)) + 0.01 * rng.standard_normal(t.size)}
    if battery_v:
        signals[4] = battery_v + 0.3 * beat + 0.01 * rng.standard_normal(t.size)
    if loads:
        signals[5] = 150.0 + 60.0 * beat + rng.standard_normal(t.size)
    keys = {p.name: p.key for p in setup.probe}
    inputs = {keys["intake"]: signals[0]}
    inputs |= {keys["battery"]: signals[4]} if battery_v else {}
    inputs |= {keys["starter"]: signals[5]} if loads else {}
    events = np.arange(1, turned[-1] // 720.0) * 720.0 / (rpm * 6.0)
    both = np.sort(np.concatenate([events, events + 0.0015]))
    pipeline = Pipeline(setup)
    for first in range(0, t.size, 200):
        end = (first + 200) / RATE_HZ
        pipeline.push(
            SampleBlock(
                tuple(inputs),
                np.stack([x[first : first + 200] for x in inputs.values()]),
                first / RATE_HZ,
                1 / RATE_HZ,
            )
        )
        inside = np.flatnonzero((both >= first / RATE_HZ) & (both < end))
        pipeline.push(EdgeBlock(keys["spark"], both[inside], inside % 2 == 0, end))
    pipeline.flush()
    judgement = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=9.0, lost_samples=0))
    return judgement, " ".join(w.text for w in judgement.warnings if w.code == "may_have_run")


def test_a_fast_crank_without_a_starter_s_load_is_asked_about_and_judged() -> None:
    judgement, said = judged(300.0)
    assert judgement.refused is None and judgement.comparisons
    assert "300 rpm" in said and 'mode = "idle"' in said and "Starter current" in said


@pytest.mark.parametrize(
    ("rpm", "more"), [(190.0, {}), (300.0, {"loads": True}), (300.0, {"battery_v": 10.4})]
)
def test_a_usual_speed_or_a_starter_s_load_says_that_it_was_cranked(rpm, more) -> None:
    assert judged(rpm, **more)[1] == ""


def test_a_battery_that_is_charged_feeds_no_starter_at_any_speed() -> None:
    said = judged(200.0, battery_v=13.95)[1]
    assert said.startswith("battery: 14.0 V while it turned") and "did the engine run by itself?" in said


def test_what_is_said_to_idle_is_not_asked() -> None:
    assert judged(300.0, mode="idle")[1] == ""


def test_no_pulse_is_the_engine_s_fault_by_what_cranked_ones_show_where_it_may_have_run() -> None:
    cranked, _ = judged(190.0, odd=True)
    assert "engine" in {f.cause for f in cranked.findings}
    idled, _ = judged(300.0, odd=True)
    assert idled.findings and {f.cause for f in idled.findings} == {"unclear"}
    assert all("may have run by itself" in f.text for f in idled.findings)
    # What was measured stands.
    assert [x.verdict for x in idled.comparisons[0].cylinders] == [
        x.verdict for x in cranked.comparisons[0].cylinders
    ]
