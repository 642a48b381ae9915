"""How the judgement does on recordings of the second engine model. From the repository's root, with the packages importable:

    nice python tests/bench/second_model/study.py WHAT --recordings 24

WHAT: accuracy     crank angle, whose pulse it is, the balance, verdicts at every look, against the noise-free truth
      attribution  whose pulse is missed when a valve stays shut, by every kind of sync, and upside down
      called       cycles until a repeating change is called
      effects      what a hose makes, faults, healthy engines; with physics, so that each new kind of engine takes a minute
      features     exhaust pulses, valve events, a fitted cylinder's own pressure, and what a leak does to suction and compression
      healthy      healthy engines with nothing fitted: within what their pulses lie, and which are accused; with physics
      size         how large the hose's effect is in this model; nothing is judged

Each prints a line per recording, then the counts with their 95 % (Clopper-Pearson) bounds. Recordings stay in --folder,
each with its set-up file: any line can be looked at again with `evenstroke judge NAME.csv --setup NAME.toml`.
"""

# ruff: noqa: T201 (a bench prints)
from __future__ import annotations

import argparse
import collections
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parent))
from engine_model import ATMOSPHERE, KINDS, Crank, Engine, Fault, Fitted, crank, draw
from evenstroke_dsp.messages import Balance, Cycle
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.physics_cache import PhysicsCache, cache_folder
from evenstroke_replay.setup_files import load_setup
from probes import Choices, record
from truth import Pulses, by_angle, pulses, smooth, trough_centre

NEAR_DEG = {
    "three": 499,
    "four": 489,
    "heavy_four": 489,
    "five": 492,
    "six": 440,
    "v6": 437,
    "v8": 437,
    "twin": 513,
}
"""Trough of the plenum's pressure after the firing TDC of the cylinder whose shut intake valve makes it go."""
MARGIN = 5.0
HOSES = {"four": 10.0, "heavy_four": 10.0, "six": 9.0, "v8": 20.0, "three": 12.0, "v6": 9.0}


def bounds(bad: int, of: int) -> str:
    """A count with its 95 % bounds after Clopper and Pearson."""
    if not of:
        return "0 of 0"
    low = beta.ppf(0.025, bad, of - bad + 1) if bad else 0.0
    high = beta.ppf(0.975, bad + 1, of - bad) if bad < of else 1.0
    return f"{bad} of {of} ({100 * low:.1f} to {100 * high:.1f} %)"


def true_drops(engine: Engine, turned: Crank, kind: str) -> Pulses:
    return pulses(engine, turned, turned.plenum, trough_centre(engine, turned, turned.plenum, NEAR_DEG[kind]))


def judged(csv: Path, toml: Path, physics: PhysicsCache | None = None) -> JudgedFile:
    setup, text = load_setup(str(toml))
    return judge_path(csv, setup, setup_text=text, physics=physics)


def angle_errors(result: JudgedFile, turned: Crank) -> np.ndarray:
    """Degrees by which the stated crank angle is off, at each stated moment of the cycles that count."""
    errors: list[np.ndarray] = []
    for message in result.messages:
        if not isinstance(message, Cycle) or message.left_out is not None or not message.angles_at_s:
            continue
        tdc = next(
            (
                p.firing_tdc_deg
                for pr in message.probes
                for p in pr.pulses
                if p.cylinder == 1 and p.firing_tdc_deg is not None
            ),
            None,
        )
        if tdc is None:
            continue
        told = np.linspace(0, 720, len(message.angles_at_s)) - tdc
        true = np.interp(message.angles_at_s, turned.time, turned.angle_deg)
        errors.append((told - true + 360) % 720 - 360)
    return np.concatenate(errors) if errors else np.array([])


def places(result: JudgedFile, engine: Engine, turned: Crank, probe: str) -> dict[int, np.ndarray]:
    """Where the end of each pulse that was given to a cylinder lies after that cylinder's own firing TDC, true degrees."""
    tdc = engine.firing_tdc_deg()
    out: dict[int, list[float]] = collections.defaultdict(list)
    for message in result.messages:
        if isinstance(message, Cycle) and message.left_out is None:
            for part in message.probes:
                if part.probe != probe:
                    continue
                for pulse in part.pulses:
                    if pulse.cylinder is not None and pulse.to_s is not None:
                        at = np.interp(pulse.to_s - part.travel_s, turned.time, turned.angle_deg)
                        out[pulse.cylinder].append((at - tdc[pulse.cylinder - 1]) % 720)
    return {c: np.array(v) for c, v in sorted(out.items())}


def comparison(result: JudgedFile, feature: str):
    return next(
        (c for c in result.judgement.comparisons if c.feature == feature and c.stretch == "cranking"), None
    )


def contradictions(result: JudgedFile, truth: np.ndarray, feature: str = "drop") -> list[str]:
    """Verdicts at any look that the true deviation (per cent, by cylinder, of the mean of all) contradicts."""
    found = set()
    for message in result.messages:
        if not isinstance(message, Balance):
            continue
        for part in message.comparisons:
            if part.feature != feature or part.stretch != "cranking":
                continue
            shift = np.mean([truth[c - 1] for c in part.reference]) if part.reference else 0.0
            base = 1 + shift / 100
            for row in part.cylinders:
                if row.cylinder is None or row.verdict in (None, "undecided"):
                    continue
                true = (truth[row.cylinder - 1] - shift) / base
                wrong = {"smaller": true > -MARGIN, "larger": true < MARGIN, "even": abs(true) > MARGIN}[
                    row.verdict
                ]
                if wrong:
                    found.add(
                        f"cyl {row.cylinder} {row.verdict} at {message.cycles} cycles, true {true:+.1f}, "
                        f"stated {row.deviation:+.1f}"
                    )
    return sorted(found)


def accuracy(args: argparse.Namespace) -> None:
    kinds = args.kinds or ["three", "four", "five", "six", "v6", "v8", "twin"]
    errors: dict[tuple[str, str], list[float]] = collections.defaultdict(list)
    angles: dict[tuple[str, str], list[float]] = collections.defaultdict(list)
    wrong_place, recordings, contradicted = [], 0, []
    for k in range(args.recordings):
        kind = KINDS[kinds[k % len(kinds)]]
        seed = args.seed + k
        random = np.random.default_rng([seed, 3])
        engine = draw(kind, seed)
        turned = crank(engine, seed)
        truth = true_drops(engine, turned, kind.name)
        snr = float(random.choice([18.0, 22.0, 30.0])) if args.snr is None else args.snr
        angle = ["sync", "wheel"][int(random.random() < 0.35)]
        choices = Choices(
            snr_db=snr,
            angle=angle,
            current=bool(random.random() < 0.8),
            corner_hz=float(random.choice([0.4, 0.8, 1.5, 2.5])),
            travel_m=float(random.uniform(0.2, 0.8)),
            seed=seed,
        )
        name = f"acc_{kind.name}_{seed}"
        csv, toml = record(
            args.folder, name, kind, engine, turned, choices, known=["bare", "plain", "full"][seed % 3]
        )
        result = judged(csv, toml)
        recordings += 1
        drop = comparison(result, "drop")
        off = angle_errors(result, turned)
        rms = float(np.sqrt(np.mean(off**2))) if len(off) else np.nan
        angles[kind.name, angle + ("+current" if choices.current and angle == "sync" else "")].append(rms)
        at = places(result, engine, turned, "intake")
        centre = trough_centre(engine, turned, turned.plenum, NEAR_DEG[kind.name])
        where = {c: float(np.median(v)) for c, v in at.items()}
        half = 360 / engine.cylinders
        astray = {c: round(v) for c, v in where.items() if abs(v - centre) > half}
        line = f"{name} {snr:.0f} dB {angle}{' I' if choices.current else ''} cold={engine.wall_k < 320}: angle {rms:.1f} "
        line += f"(said {result.judgement.sync.angle_uncertainty_deg})"
        if drop is None or result.judgement.refused:
            print(line, "REFUSED", result.judgement.refused, flush=True)
            continue
        true = truth.deviation(list(drop.reference))
        told = {
            r.cylinder: r.deviation
            for r in drop.cylinders
            if r.cylinder is not None and r.deviation is not None
        }
        diff = np.array([told[c] - true[c - 1] for c in told])
        if len(diff) and not astray:
            errors[kind.name, f"{snr:.0f}"].append(float(np.sqrt(np.mean(diff**2))))
        bad = contradictions(result, truth.deviation()) if not astray else ["(astray)"]
        inside = sum(
            r.low <= true[r.cylinder - 1] <= r.high
            for r in drop.cylinders
            if r.cylinder is not None and r.low is not None
        )
        verdicts = "".join(
            {"even": "e", "smaller": "S", "larger": "L", "undecided": "?", None: "-"}[r.verdict]
            for r in drop.cylinders
        )
        if astray:
            wrong_place.append(f"{name}: {astray} centre {centre:.0f}")
        if bad:
            contradicted.append(f"{name}: {bad}")
        rmsd = float(np.sqrt(np.mean(diff**2))) if len(diff) else np.nan
        print(
            line,
            f"balance RMS {rmsd:.2f} worst {diff[np.argmax(abs(diff))] if len(diff) else np.nan:+.1f}",
            f"in interval {inside}/{len(told)}",
            f"trust {drop.trust} {list(drop.because)} {verdicts} true {np.round(true, 1).tolist()}",
            f"ASTRAY {astray}" if astray else "",
            bad or "",
            flush=True,
        )
    print("\nangle, RMS degrees, by kind and what tells it:")
    for key, values in sorted(angles.items()):
        print(
            "  ",
            *key,
            f"median {np.nanmedian(values):.2f} worst {np.nanmax(values):.2f} of {len(values)}",
        )
    print("mean balance against the truth, RMS points:")
    for key, values in sorted(errors.items()):
        print(
            "  ",
            *key,
            f"dB: RMS {np.sqrt(np.mean(np.square(values))):.2f} worst recording {max(values):.2f} of {len(values)}",
        )
    print("pulses astray in", bounds(len(wrong_place), recordings), *wrong_place, sep="\n   ")
    print("contradicted at some look in", bounds(len(contradicted), recordings), *contradicted, sep="\n   ")


def attribution(args: argparse.Namespace) -> None:
    """One cylinder's intake or exhaust valve stays shut: whose pulse is then found small?"""
    kinds = args.kinds or ["three", "four", "five", "six", "v6", "v8", "twin"]
    tally: dict[tuple[str, str], list[str]] = collections.defaultdict(list)
    for k in range(args.recordings):
        kind = KINDS[kinds[k % len(kinds)]]
        seed = args.seed + k
        random = np.random.default_rng([seed, 4])
        engine = draw(kind, seed)
        drawn = "intake" if random.random() < 0.6 else "exhaust"
        side = args.side or drawn
        cylinder = int(random.integers(1, engine.cylinders + 1))
        turned = crank(engine, seed, faults=(Fault(f"{side}_shut", cylinder),), step_s=2.5e-5)
        angle = str(random.choice(["sync", "sync", "wheel", "revolution"]))
        upright = bool(random.random() < 0.7)
        choices = Choices(
            snr_db=25.0,
            angle=angle,
            positive=upright,
            polarity_told=False,
            current=bool(random.random() < 0.7),
            seed=seed,
        )
        csv, toml = record(
            args.folder,
            f"att_{kind.name}_{seed}",
            kind,
            engine,
            turned,
            choices,
            known=["bare", "plain", "full"][seed % 3],
        )
        result = judged(csv, toml)
        part = comparison(result, "drop" if side == "intake" else "rise")
        rows = [] if part is None else [r for r in part.cylinders if r.deviation is not None]
        if result.judgement.refused or not rows:
            word = f"refused: {result.judgement.refused}"
        else:
            least = min(rows, key=lambda r: r.deviation)
            unheard = [r.cylinder for r in part.cylinders if r.deviation is None]
            named = [least.cylinder] if least.cylinder is not None else list(least.one_of or ())
            right = cylinder in named or cylinder in unheard
            word = (
                ("right" if right else "WRONG")
                + f" ({named or 'unnamed'} {least.deviation:.0f} % {least.verdict}, trust {part.trust} {list(part.because)}, "
                f"unheard {unheard})"
            )
            if least.verdict != "smaller" and not unheard:
                word = "not called " + word
            if not named:
                word = "unnamed " + word
        codes = [w.code for w in result.judgement.warnings if w.code != "valve_events_unseen"]
        tally[kind.name, angle].append(word.split()[0])
        print(
            f"att_{kind.name}_{seed}",
            angle,
            "upright" if upright else "upside down",
            side,
            "shut in",
            cylinder,
            word,
            codes,
            flush=True,
        )
    for key, words in sorted(tally.items()):
        print("  ", *key, dict(collections.Counter(words)))


def weakened(engine: Engine, kind: str, cylinder: int, percent: float) -> tuple[Engine, Crank, np.ndarray]:
    """The engine with one intake lobe worn until that cylinder's drop, against the mean of all, has changed by so much."""
    healthy = true_drops(engine, crank(engine, 1), kind).deviation()[cylinder - 1]
    low, high = 0.003, 1.0
    for _ in range(11):
        middle = float(np.sqrt(low * high))
        rows = engine.scatter.copy()
        rows[2, cylinder - 1] = middle
        worn = replace(engine, scatter=rows)
        turned = crank(worn, 1)
        dev = true_drops(worn, turned, kind).deviation()
        if dev[cylinder - 1] - healthy < percent:
            low = middle
        else:
            high = middle
        if abs(dev[cylinder - 1] - healthy - percent) < 0.4:
            break
    return worn, turned, dev


def called(args: argparse.Namespace) -> None:
    """Cycles until `smaller` for a repeating change; a few worn engines, many seeds of noise."""
    tasks = [(30.0, -10.0, 6), (25.0, -10.0, 12), (20.0, -15.0, 10), (15.0, -20.0, 12)]
    tally: dict[tuple[str, float, float], list[bool]] = collections.defaultdict(list)
    looked: dict[tuple[str, float, float], list[object]] = collections.defaultdict(list)
    kinds = args.kinds or ["four", "six", "v8"]
    per = max(1, args.recordings // (len(kinds) * len(tasks)))
    for name in kinds:
        kind = KINDS[name]
        for size in (-10.0, -15.0, -20.0):
            engine = draw(kind, args.seed, cold=False, scatter=0.15)
            worn, turned, dev = weakened(engine, name, 2, size)
            print(f"{name}: wanted {size:.0f}, true {np.round(dev, 1).tolist()}", flush=True)
            for snr, wanted, within in tasks:
                if wanted != size:
                    continue
                for s in range(per):
                    file = f"called_{name}_{snr:.0f}_{s}"
                    csv, toml = record(
                        args.folder, file, kind, worn, turned, Choices(snr_db=snr, seed=s), known="plain"
                    )
                    result = judged(csv, toml)
                    first = next(
                        (
                            r.cycles
                            for m in result.messages
                            if isinstance(m, Balance)
                            for c in m.comparisons
                            if c.feature == "drop"
                            for r in c.cylinders
                            if r.cylinder == 2 and r.verdict == "smaller"
                        ),
                        None,
                    )
                    tally[name, snr, wanted].append(first is not None and first <= within)
                    looked[name, snr, wanted].append(first)
                key = (name, snr, wanted)
                print(
                    f"  {name} {wanted:.0f} % at {snr:.0f} dB within {within}: {bounds(sum(tally[key]), len(tally[key]))};",
                    f"first called after {looked[key]} counted cycles",
                    flush=True,
                )


def fault_for(random: np.random.Generator, cylinder: int) -> Fault:
    kind = ("ring_leak", "intake_valve_leak", "exhaust_valve_leak")[int(random.integers(3))]
    return Fault(kind, cylinder, float(np.exp(random.uniform(np.log(0.5e-6), np.log(5e-6)))))


def effects(args: argparse.Namespace) -> None:
    """Each engine as it is, with a hose, and with hose and fault, judged with physics as a user would have it."""
    kinds = args.kinds or ["four", "heavy_four", "six", "v8", "three"]
    physics = PhysicsCache(cache_folder())
    counts: collections.Counter[str] = collections.Counter()
    cover: dict[tuple[str, str], list[tuple[bool, float, float]]] = collections.defaultdict(list)
    notes: list[str] = []
    engines = max(1, args.recordings // 3)
    for k in range(engines):
        kind = KINDS[kinds[k % len(kinds)]]
        seed = args.seed + k
        random = np.random.default_rng([seed, 9])
        engine = draw(kind, seed, cold=False)
        cc = HOSES[kind.name]
        at = 1
        hose = Fitted(
            at, cc * 1e-6, fitting_area=random.uniform(5e-6, 12e-6), heat_w_per_k=random.uniform(0.1, 0.5)
        )
        bad = fault_for(random, int(random.integers(1, engine.cylinders + 1)))
        runs = {
            "healthy": (None, ()),
            "hose": (hose, ()),
            "fault": (None, (bad,)),
            "both": (hose, (bad,)),
        }
        turned = {
            name: crank(engine, seed, fitted=f, faults=w, step_s=2.5e-5) for name, (f, w) in runs.items()
        }
        drops = {name: true_drops(engine, t, kind.name) for name, t in turned.items()}
        for name, (fitted, faults) in runs.items():
            if name == "fault":  # its truth is needed, its judgement is not
                continue
            file = f"fx_{kind.name}_{seed}_{name}"
            csv, toml = record(
                args.folder, file, kind, engine, turned[name], Choices(snr_db=28.0, seed=seed), fitted
            )
            result = judged(csv, toml, physics)
            drop = comparison(result, "drop")
            if drop is None or result.judgement.refused:
                print(file, "REFUSED", result.judgement.refused, flush=True)
                continue
            ref = list(drop.reference)
            base = "healthy" if name in ("healthy", "hose") else "fault"
            true_effect = drops[name].deviation(ref) - drops[base].deviation(ref)
            fault_effect = drops[name].deviation(ref) - drops["hose" if fitted else "healthy"].deviation(ref)
            if fitted is not None:
                for row in drop.cylinders:
                    if row.predicted is not None and not faults:
                        value = float(true_effect[row.cylinder - 1])
                        role = "companion" if row.cylinder == companion(engine, at) else "other"
                        cover[kind.name, role].append(
                            (
                                row.predicted.low <= value <= row.predicted.high,
                                row.predicted.high - row.predicted.low,
                                value,
                            )
                        )
            causes = [(list(f.odd_pulse_at), f.feature, f.probe, f.cause) for f in result.judgement.findings]
            accused = [c for c in causes if c[3] == "engine"]
            counts[f"{name}: recordings"] += 1
            if accused:
                counts[f"{name}: something called engine"] += 1
                if not faults:
                    notes.append(f"{file}: {accused}")
            if faults:
                large = np.flatnonzero(np.abs(fault_effect) > 6.0) + 1
                for cylinder in large.tolist():
                    counts[f"{name}: drops moved over 6 points by the fault"] += 1
                    mine = [c for c in causes if cylinder in c[0] and c[1] == "drop"]
                    word = mine[0][3] if mine else "no finding"
                    counts[f"{name}: of those, cause {word}"] += 1
                    if word == "set-up":
                        notes.append(
                            f"{file}: {bad.kind} {bad.size * 1e6:.1f} mm2 in {bad.cylinder}, drop of {cylinder} moved "
                            f"{fault_effect[cylinder - 1]:+.1f}: excused"
                        )
            shown = {
                r.cylinder: (
                    round(float(true_effect[r.cylinder - 1]), 1),
                    None if r.predicted is None else (round(r.predicted.low, 1), round(r.predicted.high, 1)),
                )
                for r in drop.cylinders
            }
            print(
                file,
                f"{bad.kind} {bad.size * 1e6:.1f} mm2 in {bad.cylinder}" if faults else "",
                "effect true/predicted" if fitted and not faults else "",
                shown
                if fitted and not faults
                else f"fault's true effect {np.round(fault_effect, 1).tolist()}",
                "findings",
                causes,
                flush=True,
            )
    print("\ncounts:", json.dumps(counts, indent=1))
    for key, rows in sorted(cover.items()):
        held = sum(r[0] for r in rows)
        print(
            "predicted, drop,",
            *key,
            "held",
            bounds(held, len(rows)),
            f"median width {np.median([r[1] for r in rows]):.1f}, true effects",
            f"{min(r[2] for r in rows):.1f} to {max(r[2] for r in rows):.1f}, median {np.median([r[2] for r in rows]):.1f}",
        )
    print("to look at:", *notes, sep="\n   ")


def crest_centre(engine: Engine, turned: Crank, seed: int) -> float:
    """Crest of the exhaust's pressure after the firing TDC of the cylinder whose shut exhaust valve makes it go."""
    shut = crank(engine, seed, faults=(Fault("exhaust_shut", 1),), step_s=2.5e-5)
    whole, gone = (np.median(by_angle(c, smooth(c.exhaust), 2.2, 10.6)[0], axis=0) for c in (turned, shut))
    near = float(np.argmax((whole - whole.mean()) - (gone - gone.mean())))
    rows = np.median(by_angle(turned, smooth(turned.exhaust), 2.2, 10.6)[0], axis=0)
    half = round(360 / engine.cylinders)
    around = np.arange(round(near) - half, round(near) + half + 1)
    return float(around[int(np.argmax(rows[around % 720]))] % 720)


def features(args: argparse.Namespace) -> None:
    """One cylinder's rings leak in half of the cranks, another's pressure is recorded in half; no balance is asked of those."""
    kinds = args.kinds or ["three", "four", "five", "six", "v8"]
    tally: dict[str, list[bool]] = collections.defaultdict(list)
    for k in range(args.recordings):
        kind = KINDS[kinds[k % len(kinds)]]
        seed = args.seed + k
        random = np.random.default_rng([seed, 6])
        engine = draw(kind, seed)
        if random.random() < 0.4:
            late = float(random.uniform(25, 45))
            engine = replace(engine, intake_opens_deg=engine.intake_opens_deg + late)
        leaky = int(random.integers(1, engine.cylinders + 1)) if random.random() < 0.5 else None
        fitted = (
            Fitted(int(random.integers(1, engine.cylinders + 1)), 4e-6) if random.random() < 0.5 else None
        )
        faults = () if leaky is None else (Fault("ring_leak", leaky, 1.5e-6),)
        turned = crank(engine, seed, fitted=fitted, faults=faults)
        choices = Choices(
            snr_db=float(random.choice([20.0, 25.0, 30.0])),
            angle="wheel" if random.random() < 0.6 else "sync",
            corner_hz=0.4,
            travel_m=float(random.uniform(0.2, 0.6)),
            seed=seed,
        )
        name = f"feat_{kind.name}_{seed}"
        known = ["bare", "plain"][seed % 2]
        csv, toml = record(args.folder, name, kind, engine, turned, choices, fitted=fitted, known=known)
        judgement = judged(csv, toml).judgement
        said = [
            f"{name} {choices.snr_db:.0f} dB {choices.angle} leak in {leaky} hose in {fitted and fitted.cylinder}"
        ]
        if judgement.refused:
            print(said[0], "REFUSED", judgement.refused, flush=True)
            continue
        true_deg = {
            "exhaust_opens": engine.exhaust_opens_deg,
            "exhaust_closes": engine.exhaust_closes_deg,
            "intake_opens": engine.intake_opens_deg,
            "intake_closes": engine.intake_closes_deg,
        }
        for event in judgement.valve_events:
            held = event.low <= true_deg[event.event] <= event.high
            tally[f"{event.event} from {event.from_}"].append(held)
            if not held:
                said.append(
                    f"{event.event} of {event.cylinder}: {true_deg[event.event]:.0f}, not {event.low:.0f} to {event.high:.0f}"
                )
        features_of = {(c.feature, c.probe): c for c in judgement.comparisons if c.stretch == "cranking"}
        inverted = replace(turned, exhaust=2 * turned.exhaust.mean() - turned.exhaust)
        truth = pulses(engine, turned, inverted.exhaust, crest_centre(engine, turned, seed))
        for (feature, _), part in features_of.items():
            rows = [r for r in part.cylinders if r.deviation is not None and r.cylinder is not None]
            if feature == "rise" and leaky is None and fitted is None and rows:
                true = truth.deviation(list(part.reference))
                off = [r.deviation - true[r.cylinder - 1] for r in rows]
                tally["rise held"].extend(r.low <= true[r.cylinder - 1] <= r.high for r in rows)
                wrong = [
                    r.cylinder
                    for r in rows
                    if {
                        "smaller": true[r.cylinder - 1] > -MARGIN,
                        "larger": true[r.cylinder - 1] < MARGIN,
                        "even": abs(true[r.cylinder - 1]) > MARGIN,
                    }.get(r.verdict, False)
                ]
                tally["rise not contradicted"].append(not wrong)
                said.append(
                    f"rise RMS {np.sqrt(np.mean(np.square(off))):.1f} {part.trust} {list(part.because)}"
                )
                if wrong:
                    said.append(f"CONTRADICTED {wrong} true {np.round(true, 1).tolist()}")
            if feature in ("suction", "compression") and leaky is not None and rows:
                far = max(rows, key=lambda r: abs(r.deviation))
                tally[f"{feature} of the leaky one strays furthest"].append(far.cylinder == leaky)
                told = ", ".join(f"{r.cylinder} {r.deviation:+.0f}" for r in rows)
                said.append(f"{feature} {told} {part.trust}")
            if feature in ("peak", "peak_deg") and fitted is not None and rows:
                hose, at = _peaks(engine, turned, fitted.cylinder)
                true = hose if feature == "peak" else at
                unit = rows[0].value_unit
                said.append(f"{feature} {rows[0].value:.1f} {unit}, true {true:.1f}")
        print(*said, sep="; ", flush=True)
    for key, held in sorted(tally.items()):
        print("  ", key, bounds(sum(held), len(held)))


def _peaks(engine: Engine, turned: Crank, cylinder: int) -> tuple[float, float]:
    """Mean peak of the pressure in the hose after the same 50 Hz as pulses have no part in: kPa above atmosphere, and its angle
    after the cylinder's firing TDC, degrees."""
    rows, _ = by_angle(turned, turned.hose - ATMOSPHERE, 2.2, 10.6)
    tdc = float(engine.firing_tdc_deg()[cylinder - 1])
    at = rows.argmax(axis=1)
    return float(rows.max(axis=1).mean() / 1000), float(np.mean((at - tdc + 360) % 720 - 360))


def healthy(args: argparse.Namespace) -> None:
    """Where the table of healthy spread for eights has its figures from."""
    physics = PhysicsCache(cache_folder())
    for name in args.kinds or ["v8"]:
        kind = KINDS[name]
        farthest: dict[str, list[float]] = collections.defaultdict(list)
        accused, judged_ones = [], 0
        for seed in range(args.seed, args.seed + args.recordings):
            engine = draw(kind, seed, cold=False)
            turned = crank(engine, seed, step_s=2.5e-5)
            choices = Choices(snr_db=28.0, seed=seed)
            csv, toml = record(args.folder, f"healthy_{name}_{seed}", kind, engine, turned, choices)
            result = judged(csv, toml, physics)
            if result.judgement.refused:
                print(csv.stem, "REFUSED", result.judgement.refused, flush=True)
                continue
            judged_ones += 1
            for part in result.judgement.comparisons:
                rows = [r.deviation for r in part.cylinders if r.verdict is not None]
                if rows and None not in rows:
                    farthest[f"{part.probe} {part.feature}"].append(max(abs(d) for d in rows))
            wrong = [
                (f.odd_pulse_at, f.feature, f.probe) for f in result.judgement.findings if f.cause == "engine"
            ]
            if wrong:
                accused.append(f"{csv.stem}: {wrong}")
                print(accused[-1], flush=True)
        print(f"{name}: accused {bounds(len(accused), judged_ones)}; farthest pulse of an engine, per cent:")
        for key, values in sorted(farthest.items()):
            print(
                f"   {key}: median {np.median(values):.1f}, 95 % of engines {np.quantile(values, 0.95):.1f}, largest of "
                f"{len(values)} {max(values):.1f}",
                flush=True,
            )


def companion(engine: Engine, cylinder: int) -> int | None:
    tdc = engine.firing_tdc_deg()
    other = np.flatnonzero(np.isclose((tdc - tdc[cylinder - 1]) % 720, 360))
    return int(other[0]) + 1 if len(other) else None


def size(args: argparse.Namespace) -> None:
    for name in args.kinds or ["heavy_four", "four", "six", "v6", "v8"]:
        kind = KINDS[name]
        cc = HOSES[name]
        found = []
        for seed in range(args.seed, args.seed + max(1, args.recordings // 5)):
            engine = draw(kind, seed)
            bare, hosed = crank(engine, seed), crank(engine, seed, fitted=Fitted(1, cc * 1e-6))
            other = companion(engine, 1)
            ref = [c for c in range(1, engine.cylinders + 1) if c != other]
            effect = true_drops(engine, hosed, name).deviation(ref) - true_drops(
                engine, bare, name
            ).deviation(ref)
            found.append(
                effect[[c - 1 for c in np.roll(kind.firing_order, -(kind.firing_order.index(other)))]]
            )
            healthy = true_drops(engine, bare, name).deviation()
            print(
                name,
                cc,
                "cc",
                seed,
                "companion first, then in firing order:",
                np.round(found[-1], 1).tolist(),
                "healthy scatter",
                np.round(np.ptp(healthy) / 2, 1),
                flush=True,
            )
        print(
            name,
            f"{cc:g} cc, median:",
            np.round(np.median(found, axis=0), 1).tolist(),
            "companion from",
            round(min(f[0] for f in found), 1),
            "to",
            round(max(f[0] for f in found), 1),
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "what", choices=("accuracy", "attribution", "called", "effects", "features", "healthy", "size")
    )
    parser.add_argument("--recordings", type=int, default=24)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--side", choices=("intake", "exhaust"), help="attribution: whose valves; either by default"
    )
    parser.add_argument("--snr", type=float, default=None)
    parser.add_argument("--kinds", nargs="*", choices=list(KINDS))
    parser.add_argument("--folder", type=Path, default=Path("/tmp/second_model"))
    args = parser.parse_args()
    globals()[args.what](args)


if __name__ == "__main__":
    main()
