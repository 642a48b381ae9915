"""Writes dsp/evenstroke_dsp/pulses_in_time.py: where pulses lie in time between two syncs, engine by engine, by simulation.

    .venv/bin/python dsp/make_pulses_in_time.py

Cranks evenly firing engines of two to six cylinders, each with many draws of all that a set-up leaves open and
with production scatter, half of them at freezing point, where a starter that hardly carries a compression lets the crank all
but stall. Takes some minutes; deterministic.
"""

from __future__ import annotations

import math
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from evenstroke_dsp.features import exhaust_middle
from evenstroke_dsp.physics import CrankScenario, CrankTrace, parameters_for, scattered, simulate
from evenstroke_dsp.setup import Setup, parse_setup

ORDERS_OF_FIRING = {
    2: [1, 2],
    3: [1, 3, 2],
    4: [1, 3, 4, 2],
    5: [1, 2, 4, 5, 3],
    6: [1, 5, 3, 6, 2, 4],
}
"""Eights are left out: their strokes come so close that the intake of one that nearly stalls, upside down, was named after a
wrong cylinder (tests/bench/bench_whose_pulse_in_time.py, seed 105, with eights in the table),
and the steeper one of an exhaust's two rises in a firing interval is now the first and now the second."""
DRAWS, THROTTLES = 24, ("closed", "open")
TEMPERATURES_C = (85.0, 0.0)
RATE_HZ, FROM_S, SECONDS = 1000.0, 2.0, 7.0
STEPS, LEADS, ORDERS = 720, 8, 6
HIGHEST = 24
INTAKE_DEG, EXHAUST_LATER_DEG = 410.0, -45.0
"""Cylinder angle about which its own steepest fall is counted, and what is added to `exhaust_middle` for its own steepest rise:
medians of simulated engines, which lie within 90 and 45 degrees of them."""
MEANING = """By role, cylinders and throttle, for each simulated engine: its speed (rpm); where its pulse is steepest, degrees
after its own cylinder's firing TDC; by how much the crank is ahead of an even speed from one firing TDC to the next, at eight
even crank angles after a firing TDC; and the phases of the coefficients of exp(i m x), degrees, m the cylinders and multiples
of them. Where the pulse is steepest and x (one turn in 720 degrees) are degrees of even speed, so that they measure time."""
TABLE = Path(__file__).parent / "evenstroke_dsp" / "pulses_in_time.py"


def setup_of(cylinders: int, temperature_c: float) -> Setup:
    return parse_setup(
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {ORDERS_OF_FIRING[cylinders]}\n"
        f"[conditions]\nengine_temperature_c = {temperature_c}\n"
        '[[probe]]\nname = "i"\nrole = "intake_pulse"\n'
    )


def crank(setup: Setup, seed: int, throttle: str) -> tuple[CrankTrace, float]:
    """One engine of that kind, and its first cylinder's firing TDC, degrees."""
    rng = np.random.default_rng([seed, setup.engine.cylinders, THROTTLES.index(throttle)])
    engine = scattered(parameters_for(setup, rng), rng)
    scenario = CrankScenario(
        rest_s=0.3,
        crank_s=SECONDS - 0.3,
        coast_s=0.2,
        throttle=throttle,
        output_hz=RATE_HZ,  # type: ignore[arg-type]
    )
    return simulate(engine, scenario), engine.firing_deg[0]


def row(trace: CrankTrace, first_deg: float, role: str, cylinders: int) -> str | None:
    """One engine's line of the table; None where it turned through less than two cycles."""
    interval = 720.0 / cylinders
    angle = np.maximum.accumulate(trace.theta_deg) + 1e-9 * np.arange(trace.theta_deg.size)
    begin, end = np.interp([FROM_S, SECONDS], trace.times_s, angle)
    turns = first_deg + 720.0 * np.arange(
        np.ceil((begin - first_deg) / 720), np.floor((end - first_deg) / 720) + 1
    )
    if turns.size < 3:
        return None
    at = np.interp(turns, angle, trace.times_s)
    signal = (trace.plenum_kpa if role == "intake_pulse" else trace.exhaust_kpa)[0]
    even = np.arange(STEPS) * (720.0 / STEPS)
    times = at[:-1, None] + np.diff(at)[:, None] * even / 720.0
    cycle = np.interp(times, trace.times_s, signal).mean(axis=0)
    ahead = (np.interp(times, trace.times_s, angle) - turns[:-1, None] - even).mean(axis=0)
    places = (even[None, :] + interval * np.arange(cylinders)[:, None]) % 720.0
    pulse = np.interp(places, even, cycle, period=720.0).mean(axis=0)
    ahead = np.interp(places, even, ahead, period=720.0).mean(axis=0)
    steepness = np.roll(pulse, -2) - np.roll(pulse, 2)
    if role == "intake_pulse":
        steepness, own = -steepness, INTAKE_DEG
    else:
        own = exhaust_middle(130.0, interval) + EXHAUST_LATER_DEG
    k = int(np.argmax(steepness[: round(interval)]))
    true = even[k] + ahead[k]
    place = even[k] + interval * round((own - true) / interval)
    leads = np.interp(interval / LEADS * np.arange(LEADS), even + ahead, ahead, period=interval)
    orders = np.arange(cylinders, HIGHEST + 1, cylinders)[:ORDERS]
    phases = np.degrees(np.angle(np.fft.rfft(pulse)[orders]))
    rpm = 120.0 / float(np.diff(at).mean())
    numbers = [
        f"{rpm:.0f}",
        f"{place:.0f}",
        tuple(map(round, leads.tolist())),
        tuple(map(round, phases.tolist())),
    ]
    return f"({', '.join(map(str, numbers))})"


def main() -> None:
    jobs = [
        (setup_of(cylinders, TEMPERATURES_C[seed % 2]), seed, throttle)
        for cylinders in ORDERS_OF_FIRING
        for throttle in THROTTLES
        for seed in range(DRAWS)
    ]
    with ThreadPoolExecutor(2) as pool:
        cranks = list(pool.map(lambda job: crank(*job), jobs))
    rows: dict[tuple[str, int, str], list[str]] = {}
    for (setup, _, throttle), (trace, first_deg) in zip(jobs, cranks, strict=True):
        cylinders = setup.engine.cylinders
        for key in (("intake_pulse", cylinders, throttle), ("exhaust_pulse", cylinders, "any")):
            found = row(trace, first_deg, key[0], cylinders)
            if found is not None:
                rows.setdefault(key, []).append(found)
    text = '"""Where pulses lie in time between two syncs: made by dsp/make_pulses_in_time.py, not by hand."""\n\n'
    text += "Draw = tuple[float, float, tuple[float, ...], tuple[float, ...]]\n\n"
    text += "# fmt: off\nPULSES_IN_TIME: dict[tuple[str, int, str], tuple[Draw, ...]] = {\n"
    for key in sorted(rows):
        text += f'    ("{key[0]}", {key[1]}, "{key[2]}"): (\n'
        text += "".join(f"        {line},\n" for line in rows[key]) + "    ),\n"
    text += '}\n"""' + MEANING + '\n"""\n# fmt: on\n'
    TABLE.write_text(text, encoding="utf-8")
    sys.stdout.write(f"{TABLE}: {sum(map(len, rows.values()))} pulses, {math.ceil(len(text) / 1024)} kB\n")


if __name__ == "__main__":
    main()
