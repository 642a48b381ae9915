"""How the judgement does on recordings of two plain models. From the repository's root, with the packages importable:

    nice python tests/bench/plain_models/study.py WHAT --recordings 32

WHAT: faults    one cylinder's intake pulse deviates by 10, 15 or 20 per cent at 30 to 15 dB: cycles until it is called
      exhaust   likewise, its exhaust pulse by 20 per cent at 25 dB
      cold      an engine that hardly turns
      troubled  15 per cent, and a start, a sag, lost samples, missed or doubled syncs, an inverted probe, mains pickup
      one_off   a pulse that is half as large once
      healthy   production scatter alone; with physics, so that each new kind of engine takes a minute

`lumped` is a plain engine of lumped volumes, `kinematic` pulses of a shape and a speed that compression modulates: what somebody
who has not seen `physics/` would write to judge the judgement. Each recording prints a line, with its truth; then come the
counts with their 95 % (Clopper-Pearson) bounds. Recordings stay in --folder.
"""

# ruff: noqa: T201 (a bench prints)
from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "second_model"))
from evenstroke_dsp.messages import Balance
from evenstroke_replay.judging import JudgedFile
from evenstroke_replay.physics_cache import PhysicsCache, cache_folder
from study import angle_errors, bounds, comparison, contradictions, judged, places

from plain_models.engines import KINDS as ENGINES
from plain_models.recordings import Made, make
from plain_models.sensors import Plan

KINDS = ("three", "four", "five", "six", "v6", "v8", "twin")
OTHERS = {
    "four": ("four", "four_b", "flat_four"),
    "v6": ("v6", "v6_b"),
    "v8": ("v8", "v8_b"),
    "twin": ("twin", "twin_b"),
}
MODELS = ("lumped", "kinematic")
LEVELS = ((30.0, 10.0, 6), (25.0, 10.0, 12), (20.0, 15.0, 10), (15.0, 20.0, 12))
"""Signal to noise, the change, and the cycles within which it is to be called."""
TROUBLES = ("start", "sag", "lost", "missed", "doubled", "inverted", "pickup")
SAID = {"start": {"engine_started"}, "sag": {"level_drift", "speed_sags"}, "lost": {"lost_samples"}, "missed": {"sync_missed"},
        "doubled": {"sync_extra"}, "inverted": {"polarity"}, "pickup": {"mains_pickup"}}  # fmt: skip


class _Turned:
    """What `second_model/study.py` asks of a crank."""

    def __init__(self, made: Made) -> None:
        self.time, self.angle_deg = made.time, made.angle_deg


def _drawn(
    what: str, k: int, seed: int, folder: Path
) -> tuple[Made, str, tuple[int, float] | None, str | None]:
    base = KINDS[k % len(KINDS)]
    model = MODELS[k // len(KINDS) % 2]
    turn = k // (2 * len(KINDS))
    names = OTHERS.get(base, (base,))
    kind = names[(k + turn) % len(names)]
    cylinders = ENGINES[kind].cylinders
    random = np.random.default_rng([seed, 11])
    plan = Plan(
        snr_db=25.0,
        rate_hz=float(random.choice([500.0, 1000.0, 2000.0])),
        corner_hz=float(random.choice([0.3, 0.5, 0.8, 1.0])),
        current=base == "twin" or bool(random.random() < 0.6),
        resonance=bool(random.random() < 0.3),
        travel_given=bool(random.random() < 0.7),
    )
    if random.random() < 0.2:
        plan.wheel, plan.rate_hz = "60-2" if random.random() < 0.5 else "36-1", 2000.0
    cylinder = 1 + int(random.integers(cylinders))
    fault: tuple[int, float] | None = (cylinder, -15.0)
    how: dict = {}
    trouble = None
    if what == "faults":
        snr, percent, _ = LEVELS[turn % len(LEVELS)]
        plan.snr_db = snr
        fault = (cylinder, percent if model == "kinematic" and random.random() < 0.25 else -percent)
    elif what == "exhaust":
        plan.intake, plan.exhaust, plan.travel_m, plan.travel_given = False, True, 2.0, True
        fault = (cylinder, -20.0)
        how["side"] = "exhaust"
    elif what == "cold":
        plan.snr_db, plan.current = 27.0, True
        how["cold"] = True
    elif what == "troubled":
        trouble = TROUBLES[k % len(TROUBLES)]
        if trouble == "start":
            how |= {"fires_from_s": 8.0, "seconds": 11.0}
            model = "kinematic"  # the lumped one burns too little to run by itself
        elif trouble == "sag":
            how["sag"] = 0.3
        elif trouble == "inverted":
            plan.inverted = True
        else:
            setattr(plan, trouble, {"lost": 0.01, "missed": 0.1, "doubled": 0.2, "pickup": 0.4}[trouble])
    elif what == "one_off":
        fault = None
        how["one_off"] = (cylinder, 9)
    elif what == "healthy":
        plan.snr_db, plan.current, fault = 28.0, True, None
    name = f"{what}_{kind}_{model}_{seed}" + (f"_{trouble}" if trouble else "")
    made = make(folder / name, kind, model, seed, plan, fault=fault, **how)
    return made, f"{name} {plan.snr_db:.0f} dB {made.rpm:.0f} rpm", fault, trouble


def _called(result: JudgedFile, feature: str, cylinder: int, percent: float) -> int | None:
    """Cycles that the cylinder's verdict took; None where it was never right."""
    wanted = "smaller" if percent < 0 else "larger"
    for message in result.messages:
        if isinstance(message, Balance):
            for part in message.comparisons:
                for row in part.cylinders:
                    if part.feature == feature and row.cylinder == cylinder and row.verdict == wanted:
                        return row.cycles
    return None


def study(args: argparse.Namespace) -> None:
    feature = "rise" if args.what == "exhaust" else "drop"
    probe = "tailpipe" if args.what == "exhaust" else "intake"
    physics = PhysicsCache(cache_folder()) if args.what == "healthy" else None
    refused, astray, contradicted, missed, late, unsaid, unlisted, accused = ([] for _ in range(8))
    outside, intervals, called_of, once_of = [], 0, 0, 0
    off: dict[str, list[float]] = {}
    angles: dict[str, list[float]] = {}
    for k in range(args.recordings):
        made, line, fault, trouble = _drawn(args.what, k, args.seed + k, args.folder)
        result = judged(made.csv, made.toml, physics)
        part = comparison(result, feature)
        if part is None or result.judgement.refused:
            refused.append(line)
            print(line, "REFUSED", result.judgement.refused, flush=True)
            continue
        kind = line.split("_")[len(args.what.split("_"))]
        errors = angle_errors(result, _Turned(made))
        if errors.size:
            angles.setdefault(kind, []).append(float(np.sqrt(np.mean(errors**2))))
        true = made.deviations[probe][0]
        half = 360.0 / made.kind.cylinders
        where = {c: float(np.median(v)) for c, v in places(result, made, _Turned(made), probe).items()}
        gone = {
            c: round(at)
            for c, at in where.items()
            if abs((at - made.trough_deg[probe] + 360) % 720 - 360) > half
        }
        named = [r for r in part.cylinders if r.cylinder is not None and r.deviation is not None]
        against = true - np.mean([true[c - 1] for c in part.reference]) if part.reference and named else true
        difference = np.array([r.deviation - against[r.cylinder - 1] for r in named])
        rms = float(np.sqrt(np.mean(difference**2))) if named else np.nan
        off.setdefault(kind, []).append(rms)
        out = [
            r.cylinder for r in named if r.low is not None and not r.low <= against[r.cylinder - 1] <= r.high
        ]
        intervals += len(named)
        outside += [f"{line}: cylinder {c}" for c in out]
        bad = contradictions(result, true, feature) if not gone else []
        codes = {w.code for w in result.judgement.warnings}
        said = []
        if gone:
            astray.append(f"{line}: {gone}")
        if bad:
            contradicted.append(f"{line}: {bad}")
        if fault is not None:
            called_of += 1
            took = _called(result, feature, *fault)
            said.append(f"cylinder {fault[0]} true {true[fault[0] - 1]:+.1f} called after {took}")
            wanted = {snr: cycles for snr, _, cycles in LEVELS}.get(float(line.split()[1]), np.inf)
            if took is None:
                missed.append(f"{line}: {said[0]}")
            elif args.what == "faults" and took > wanted:
                late.append(f"{line}: {said[0]}")
        if trouble is not None and not codes & SAID[trouble]:
            unsaid.append(f"{line}: {sorted(codes)}")
        if made.one_off is not None:
            once_of += 1
            listed = {r.cylinder for r in part.cylinders if r.one_off_cycles}
            if made.one_off[0] not in listed:
                unlisted.append(f"{line}: {made.one_off}, listed {listed}")
        if args.what == "healthy" and any(f.cause == "engine" for f in result.judgement.findings):
            accused.append(line)
        print(
            line, *said, f"balance RMS {rms:.2f}", f"angle {angles.get(kind, [np.nan])[-1]:.1f}", f"trust {part.trust}",
            list(part.because), f"true {np.round(true, 1).tolist()}", f"ASTRAY {gone}" if gone else "", bad or "",
            f"OUTSIDE {out}" if out else "", flush=True,
        )  # fmt: skip
    print("\nangle and mean balance, RMS degrees and points, by kind: median, worst")
    for kind in sorted(off):
        a, b = angles.get(kind, [np.nan]), off[kind]
        print(
            f"   {kind} {np.nanmedian(a):.2f} {np.nanmax(a):.2f}   {np.nanmedian(b):.2f} {np.nanmax(b):.2f} of {len(b)}"
        )
    for words, found, of in (
        ("refused", refused, args.recordings),
        ("pulses astray in", astray, args.recordings),
        ("contradicted at some look in", contradicted, args.recordings),
        ("intervals without the truth", outside, intervals),
        ("changes never called", missed, called_of),
        ("called later than asked for", late, called_of),
        ("trouble not said", unsaid, args.recordings if args.what == "troubled" else 0),
        ("one-offs not listed", unlisted, once_of),
        ("healthy engines accused", accused, args.recordings if args.what == "healthy" else 0),
    ):
        if of:
            print(words, bounds(len(found), of), *found, sep="\n   ")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=["faults", "exhaust", "cold", "troubled", "one_off", "healthy"])
    parser.add_argument("--recordings", type=int, default=28)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--folder", type=Path, default=Path("/tmp/plain_models"))
    study(parser.parse_args())


if __name__ == "__main__":
    main()
