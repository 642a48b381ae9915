"""What the engine physics predict for a set-up: worked out once for each kind of engine, then kept on disk."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import sys
import tempfile
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.prediction import Key, Prediction, fits
from evenstroke_dsp.setup import PULSE_ROLES, Conditions, Setup
from platformdirs import user_cache_path

from .setup_files import load_setup, shipped_setups

DRAWN_CYLINDERS = 400
FEWEST_DRAWS, MOST_DRAWS = 48, 80
"""Simulated engines for each kind: as many as make so many cylinders, so that the time is much the same, within
these. The fewer there are, the more of the slopes that narrow a range is chance."""
WORKERS = 2
FOLDER_VARIABLE = "EVENSTROKE_CACHE"
"""Environment: another folder for what was worked out."""
SEED = 20_001
_READ_BY = (
    "angle.py",
    "features.py",
    "measurement.py",
    "conditioning.py",
    "simulated_probes.py",
    "simulated_draws.py",
)
"""Modules of the DSP, beside its physics, that the numbers depend on."""


def default_folder() -> Path:
    """The user's cache folder, as the system names it."""
    return user_cache_path("evenstroke", appauthor=False) / "physics"


def cache_folder() -> Path:
    """The folder that the environment names, else the user's."""
    told = os.environ.get(FOLDER_VARIABLE)
    return Path(told) if told else default_folder()


def shipped_folder() -> Path:
    """What ships worked out: the predictions for the set-ups that ship. `python -m evenstroke_replay.physics_cache`
    makes them anew; one that does not fit the code is not used."""
    return Path(__file__).parent / "worked_out"


class PhysicsCache:
    """Predictions by set-up, in memory and in a folder.

    folder: made when first needed; one that cannot be written is done without. draws: simulated engines;
    None: as many as the time allows.
    say: told before a prediction is worked out, which takes up to half a minute.
    """

    def __init__(
        self, folder: Path, *, draws: int | None = None, say: Callable[[str], None] = lambda text: None
    ) -> None:
        self.folder = folder
        self._draws = draws
        self._say = say
        self._known: dict[str, Prediction] = {}

    def prediction(self, setup: Setup) -> Prediction | None:
        """What physics say of this set-up; None where they say nothing (a running test, nothing compared).

        Raises PhysicsError where the set-up describes an engine that cannot be.
        """
        if not fits(setup):
            return None
        kept = self.kept(setup)
        if kept is None:
            key = self._key(setup)
            kept = self._known[key] = self._work_out(setup)
            _save(self.folder / f"{key}.npz", kept)
        return kept

    def kept(self, setup: Setup) -> Prediction | None:
        """What was worked out before; None where nothing was, or physics say nothing of this set-up."""
        if not fits(setup):
            return None
        key = self._key(setup)
        if key not in self._known:
            name = f"{key}.npz"
            found = _load(shipped_folder() / name) or _load(self.folder / name)
            if found is None:
                return None
            self._known[key] = found
        return self._known[key]

    def differs_from_kept(self, setup: Setup, draws: int) -> float | None:
        """By how much so many engines, simulated here and now, differ from the same ones in the kept prediction: the largest
        difference, as a share of its feature's largest size. None where none is kept; infinity where one has a value that the
        other lacks.

        Each engine is drawn from a generator of its own, so that the first of many are those of a few.
        """
        kept = self.kept(setup)
        if kept is None:
            return None
        from evenstroke_dsp.simulated_draws import predict

        made = predict(setup, draws, np.random.default_rng(SEED))
        pairs = [(kept.rpm, made.rpm)]
        for theirs, ours in ((kept.bare, made.bare), (kept.fitted, made.fitted)):
            if theirs.keys() != ours.keys():
                return math.inf
            pairs += [(theirs[key], ours[key]) for key in ours]
        return max(_apart(a[:draws], b) for a, b in pairs)

    def put_into(self, folder: Path, setup: Setup) -> Path | None:
        """Works a prediction out anew and keeps it there; its file, None where physics say nothing."""
        if not fits(setup):
            return None
        path = folder / f"{self._key(setup)}.npz"
        _save(path, self._work_out(setup))
        return path

    def _work_out(self, setup: Setup) -> Prediction:
        # Its numba takes a second to import: only who simulates waits for that.
        from evenstroke_dsp.simulated_draws import predict

        self._say(
            "working out by engine physics what this set-up does to this kind of engine: up to half a minute on two "
            "free cores, once"
        )
        with ThreadPoolExecutor(WORKERS) as pool:
            return predict(setup, self._draws_for(setup), np.random.default_rng(SEED), pool.map)

    def _draws_for(self, setup: Setup) -> int:
        if self._draws is not None:
            return self._draws
        return min(max(DRAWN_CYLINDERS // setup.engine.cylinders, FEWEST_DRAWS), MOST_DRAWS)

    def _key(self, setup: Setup) -> str:
        """The same for every set-up that the same simulations serve."""
        engine = msgspec.structs.replace(setup.engine, family=None)
        conditions = setup.conditions
        conditions = Conditions(
            mode=conditions.mode,
            engine_temperature_c=conditions.engine_temperature_c,
            throttle=conditions.throttle,
            fuel=conditions.fuel,
            battery_support=conditions.battery_support,
        )
        probes = [
            (
                *(p.name, p.role, p.cylinder, p.sees, p.polarity, p.lowpass_hz, p.low_corner_hz),
                *(p.travel_m, p.volts_per_unit is None, p.added_volume_cc, p.check_valve),
            )
            for p in setup.probe
            if p.role in PULSE_ROLES or p.role in _SIMULATED_ROLES
        ]
        what = msgspec.json.encode((self._draws_for(setup), SEED, engine, conditions, probes, setup.fitted))
        return hashlib.sha256(_code() + what).hexdigest()[:32]


def _apart(a: Floats, b: Floats) -> float:
    """The largest difference as a share of the largest size; infinity where one has a value and the other has none."""
    there = ~np.isnan(b)
    if a.shape != b.shape or not np.array_equal(there, ~np.isnan(a)):
        return math.inf
    if not there.any():
        return 0.0
    size = float(np.abs(b[there]).max())
    return float(np.abs(a[there] - b[there]).max()) / size if size > 0 else float(np.abs(a[there]).max())


_SIMULATED_ROLES = frozenset(
    {"cylinder_pressure", "manifold_pressure", "starter_current", "battery_voltage", "crank_teeth"}
)


def _code() -> bytes:
    """A digest of the code that the numbers come from: what an older version worked out is not used."""
    package = resources.files("evenstroke_dsp")
    files: list[Traversable] = [package / name for name in _READ_BY]
    files += sorted(
        (f for f in (package / "physics").iterdir() if f.name.endswith(".py")), key=lambda f: f.name
    )
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.read_bytes())
    return digest.digest()


def _save(path: Path, prediction: Prediction) -> None:
    """Whole or not at all; a folder that cannot be written costs only the time to work it out again."""
    keys, swings = list(prediction.bare), list(prediction.swings)
    about = {
        "keys": keys,
        "swings": swings,
        "cylinders": prediction.cylinders,
        "relative": sorted(prediction.relative),
        "scaled": sorted(prediction.scaled),
    }
    arrays: dict[str, Any] = {"about": np.array(json.dumps(about)), "rpm": prediction.rpm}
    for k, key in enumerate(keys):
        arrays[f"bare{k}"] = prediction.bare[key]
        if key in prediction.fitted:
            arrays[f"fitted{k}"] = prediction.fitted[key]
    for k, name in enumerate(swings):
        arrays[f"swing{k}"] = prediction.swings[name]
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".new", delete=False) as stream:
            np.savez_compressed(stream, **arrays)
        Path(stream.name).replace(path)


def _load(path: Path) -> Prediction | None:
    """None where there is none, or none that can be read."""
    try:
        # Opened here, so that a damaged one is closed all the same.
        with path.open("rb") as stream, np.load(stream) as stored:
            about = json.loads(str(stored["about"]))
            keys: list[Key] = [(probe, feature) for probe, feature in about["keys"]]
            return Prediction(
                cylinders={name: tuple(cylinders) for name, cylinders in about["cylinders"].items()},
                fitted={key: stored[f"fitted{k}"] for k, key in enumerate(keys) if f"fitted{k}" in stored},
                bare={key: stored[f"bare{k}"] for k, key in enumerate(keys)},
                rpm=stored["rpm"],
                swings={name: stored[f"swing{k}"] for k, name in enumerate(about["swings"])},
                relative=frozenset((probe, feature) for probe, feature in about["relative"]),
                scaled=frozenset(about["scaled"]),
            )
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def _ship() -> None:
    """Makes the shipped predictions anew."""
    folder = shipped_folder()
    for old in folder.glob("*.npz"):
        old.unlink()
    cache = PhysicsCache(folder)
    for name in shipped_setups():
        sys.stdout.write(f"{name}: {cache.put_into(folder, load_setup(name)[0])}\n")


if __name__ == "__main__":
    _ship()
