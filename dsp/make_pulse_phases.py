"""Writes dsp/evenstroke_dsp/pulse_phases.py: where in the cycle each order of a pulse lies, by simulation.

    .venv/bin/python dsp/make_pulse_phases.py

Cranks engines of seven kinds, each with many draws of all that a set-up leaves open and with production
scatter, and keeps of every order (events a cycle) its mean phase and how far engines differ in it. Takes
some minutes; deterministic.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from evenstroke_dsp.mean_cycle import ORDERS, STEPS, array_factor, harmonics
from evenstroke_dsp.physics import CrankScenario, CrankTrace, parameters_for, scattered, simulate
from evenstroke_dsp.setup import parse_setup

KINDS: dict[str, tuple[list[int], str]] = {
    "odd twin": ([1, 2], "firing_intervals_deg = [270, 450]"),
    "three": ([1, 3, 2], ""),
    "four": ([1, 3, 4, 2], ""),
    "five": ([1, 2, 4, 5, 3], ""),
    "six": ([1, 5, 3, 6, 2, 4], ""),
    "odd six": ([1, 2, 3, 4, 5, 6], "firing_intervals_deg = [150, 90, 150, 90, 150, 90]"),
    "eight": ([1, 8, 4, 3, 6, 5, 7, 2], ""),
}
DRAWS = 24
SMALLEST_SHARE = 0.02
"""Orders smaller than that share of the largest have no phase worth keeping."""
FEWEST = 4
TABLE = Path(__file__).parent / "evenstroke_dsp" / "pulse_phases.py"


def crank(kind: str, seed: int, throttle: str) -> CrankTrace:
    """One engine of that kind, at 1 kHz."""
    order, extra = KINDS[kind]
    setup = parse_setup(
        f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {order}\n{extra}\n"
        '[[probe]]\nname = "i"\nrole = "intake_pulse"\n'
    )
    rng = np.random.default_rng([seed, list(KINDS).index(kind)])
    engine = scattered(parameters_for(setup, rng), rng)
    scenario = CrankScenario(rest_s=0.5, crank_s=7.0, coast_s=0.2, throttle=throttle, output_hz=1000.0)  # type: ignore[arg-type]
    return simulate(engine, scenario)


def spectrum(trace: CrankTrace, signal: np.ndarray, firing_deg: np.ndarray) -> np.ndarray:
    """(ORDERS,) orders of the mean pulse by cylinder angle over the steady cycles."""
    steady = (trace.times_s > 3.0) & (trace.times_s < 7.2)
    angle, signal = trace.theta_deg[steady], signal[steady]
    first, last = int(np.ceil(angle[0] / 720)), int(np.floor(angle[-1] / 720))
    grid = np.linspace(0.0, 720.0, STEPS + 1)
    cycles = [np.interp(grid + 720 * k, angle, signal) for k in range(first, last)]
    return np.mean([harmonics(c, firing_deg) for c in cycles], axis=0)


def main() -> None:
    jobs = [
        (kind, seed, throttle)
        for kind in KINDS
        for seed in range(DRAWS)
        for throttle in ("closed", "open")
        if throttle == "closed" or seed % 2 == 0
    ]
    with ThreadPoolExecutor(2) as pool:
        traces = list(pool.map(lambda job: crank(*job), jobs))
    phases: dict[tuple[str, str], dict[int, list[tuple[float, str]]]] = defaultdict(lambda: defaultdict(list))
    for (kind, _, throttle), trace in zip(jobs, traces, strict=True):
        order, extra = KINDS[kind]
        intervals = [float(x) for x in extra.split("[")[1].rstrip("]").split(",")] if extra else None
        at = np.concatenate([[0.0], np.cumsum(intervals or [720 / len(order)] * len(order))[:-1]])
        tables = {
            ("intake_pulse", throttle): trace.plenum_kpa[0],
            ("exhaust_pulse", "any"): trace.exhaust_kpa[0],
        }
        for key, signal in tables.items():
            found = spectrum(trace, signal, at)
            heard = array_factor(at)
            for m in range(1, ORDERS):
                if heard[m] > 0.3 and abs(found[m]) > SMALLEST_SHARE * np.abs(found[1:]).max():
                    phases[key][m].append((float(np.angle(found[m])), kind))
    lines = [
        '"""Where in the cycle each order of a pulse lies: made by dsp/make_pulse_phases.py, not by hand."""',
        "",
        "# fmt: off",
        "PULSE_PHASES: dict[tuple[str, str], dict[int, tuple[float, float]]] = {",
    ]
    for key in sorted(phases):
        lines.append(f'    ("{key[0]}", "{key[1]}"): {{')
        for m in sorted(phases[key]):
            kinds = [kind for _, kind in phases[key][m]]
            if len(kinds) < FEWEST:
                continue
            # Each kind of engine weighs the same, however many of its draws had this order.
            weights = np.array([1.0 / kinds.count(kind) for kind in kinds])
            mean = np.average(np.exp(1j * np.array([p for p, _ in phases[key][m]])), weights=weights)
            spread = np.degrees(np.sqrt(-2.0 * np.log(np.abs(mean))))
            lines.append(f"        {m}: ({np.degrees(np.angle(mean)):.0f}.0, {spread:.0f}.0),")
        lines.append("    },")
    lines += [
        "}",
        '"""By role and throttle: order -> phase and its spread from engine to engine, degrees of that order.',
        "",
        "The phase is the one of the coefficient of exp(i m x), x the cylinder angle with 720 degrees as one turn.",
        '"""',
        "# fmt: on",
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(f"{TABLE}: from {len(traces)} cranks\n")


if __name__ == "__main__":
    main()
