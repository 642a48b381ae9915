"""The shelf of one's own known-good recordings: what is kept of each, and which of them fit a set-up.

One JSON file for each recording, named by its SHA-256; what is kept is what the judgement measured, not the recording.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.engine import firing_intervals
from evenstroke_dsp.features import ROLE_PULSES
from evenstroke_dsp.known_goods import FEWEST_ENGINES, HealthyPulses, Key, KnownGoods
from evenstroke_dsp.messages import Comparison, StretchKind
from evenstroke_dsp.setup import DEFAULT_LOWPASS_HZ, Conditions, Engine, Probe, Setup
from evenstroke_dsp.wording import counted, listed
from evenstroke_protocol.errors import EvenstrokeError
from platformdirs import user_data_path

from .whole_file import remedy_for, written_whole

FOLDER_VARIABLE = "EVENSTROKE_SHELF"
"""Environment: another folder for the shelf."""
_SUFFIX = ".json"
_JUDGED = frozenset(f.name for pulse in ROLE_PULSES.values() for f in pulse.features if f.verdict)
"""Features that get a verdict, for which what is normal decides about the cause."""


class ShelfError(EvenstrokeError):
    """A recording is no known-good, or the shelf cannot be read or written."""


class KeptPulses(msgspec.Struct, frozen=True, kw_only=True):
    """One comparison of a known-good. values: of the cylinders in `sees`, mean over its cycles, in the probe's unit;
    standard_errors: of their deviations, per cent (degrees), null where none was stated."""

    probe: str
    role: str
    feature: str
    stretch: StretchKind
    lowpass_hz: float | None
    cycles: int
    sees: tuple[int, ...]
    values: tuple[float, ...]
    standard_errors: tuple[float | None, ...]


class KnownGood(msgspec.Struct, frozen=True, kw_only=True):
    """What the shelf keeps of one recording.

    sha256: of the file; imported_sha256: of the capture that a recording was imported from. engine: which engine it was,
    so that one that was recorded several times counts once. conditions: as the set-up told them.
    added_at, recorded_at: ISO 8601; recorded_at null for a CSV, which does not say. known_by: how it is known to be good.
    """

    schema: Literal["evenstroke.known_good/1"] = "evenstroke.known_good/1"
    file: str
    sha256: str
    imported_sha256: str | None
    family: str
    engine: str
    cylinders: int
    firing_order: tuple[int, ...]
    firing_intervals_deg: tuple[float, ...]
    mode: str
    engine_temperature_c: float | None
    throttle: Literal["closed", "open"] | None
    recorded_at: str | None
    added_at: str
    added_by: str | None
    known_by: str | None
    evenstroke_version: str
    pulses: tuple[KeptPulses, ...]


def shelf_folder() -> Path:
    """The folder that the environment names, else the user's own, as the system names it."""
    told = os.environ.get(FOLDER_VARIABLE)
    return Path(told) if told else user_data_path("evenstroke", appauthor=False) / "shelf"


class Shelf:
    """Known-goods in a folder, which is made when the first one comes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def entries(self) -> tuple[KnownGood, ...]:
        """All of them, by family, engine and file; none where the folder is not there yet. Raises ShelfError for one that
        cannot be read."""
        if self.folder.exists() and not self.folder.is_dir():
            raise ShelfError(
                "the shelf is not a folder",
                where=str(self.folder),
                expected="a folder, or a name that is not taken",
                found="a file",
                todo=f"mend {FOLDER_VARIABLE}, or name another folder with --folder",
            )
        files = sorted(self.folder.glob(f"*{_SUFFIX}")) if self.folder.is_dir() else []
        found = [_read(file) for file in files]
        return tuple(sorted(found, key=lambda e: (family_name(e.family), e.engine, e.file, e.sha256)))

    def same_file(self, *sha256: str | None) -> KnownGood | None:
        """The entry of one of these files, or of a recording that was imported from one."""
        asked = {each for each in sha256 if each is not None}
        return next((e for e in self.entries() if asked & {e.sha256, e.imported_sha256}), None)

    def put(self, entry: KnownGood) -> Path:
        """Keep it; its file. Raises ShelfError where that cannot be done."""
        path = self.folder / f"{entry.sha256}{_SUFFIX}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ShelfError(
                "the shelf's folder cannot be made",
                where=str(self.folder),
                found=error.strerror or str(error),
                todo=f"{remedy_for(error)}, or name another folder with --folder",
            ) from error
        with written_whole(path, replace=True) as part:
            part.write_bytes(msgspec.json.format(msgspec.json.encode(entry), indent=1))
        return path

    def remove(self, beginning: str) -> KnownGood:
        """Take the entry away whose SHA-256 begins so. Raises ShelfError unless there is exactly one."""
        found = [e for e in self.entries() if beginning and e.sha256.startswith(beginning.lower())]
        if len(found) != 1:
            raise ShelfError(
                "this does not name one known-good",
                where=str(self.folder),
                expected="the beginning of one SHA-256 on the shelf",
                found=f"{beginning!r}, with which {counted(len(found), 'of them begins', 'of them begin')}",
                todo="see `evenstroke shelf list`, and give more of its letters",
            )
        path = self.folder / f"{found[0].sha256}{_SUFFIX}"
        try:
            path.unlink()
        except OSError as error:
            raise ShelfError(
                "the known-good cannot be taken off the shelf",
                where=str(path),
                found=error.strerror or str(error),
                todo=remedy_for(error),
            ) from error
        return found[0]

    def known_goods_for(self, setup: Setup, recording: Path | None) -> KnownGoods | None:
        """As `known_goods`, for a recording that is played, or for what comes from a board (None)."""
        measured = recording is not None and setup.engine.family is not None and self.folder.is_dir()
        return self.known_goods(setup, but_not=sha256_of(recording) if measured and recording else None)

    def known_goods(self, setup: Setup, *, but_not: str | None = None) -> KnownGoods | None:
        """Those that a set-up's recordings can be measured by; None where there is none.

        Family, cylinders, firing order and intervals are the same; so are each probe's role, the cylinders that it hears
        and its low-pass, and the throttle where both say it. but_not: the SHA-256 of a recording that is not
        measured by itself, nor by others of its engine. Raises ShelfError for an entry that cannot be read.
        """
        if setup.engine.family is None:
            return None
        entries = self.entries()
        itself = but_not is not None
        own = {
            (family_name(e.family), e.engine)
            for e in entries
            if itself and but_not in (e.sha256, e.imported_sha256)
        }
        family = [
            e
            for e in entries
            if family_name(e.family) == family_name(setup.engine.family)
            and (e.firing_order, e.firing_intervals_deg) == _turned(setup.engine)
            and (family_name(e.family), e.engine) not in own
        ]
        if not family:
            return None
        throttle = _throttle(setup.conditions)
        fitting = [e for e in family if None in (e.throttle, throttle) or e.throttle == throttle]
        pulses: dict[Key, HealthyPulses] = {}
        for probe in setup.probe:
            pulses |= _pulses_like(probe, setup.sees(probe), fitting)
        return KnownGoods(
            cylinders={p.name: setup.sees(p) for p in setup.probe},
            pulses=pulses,
            note=_note(setup.engine.family, family, fitting, pulses),
        )


def sha256_of(path: Path) -> str:
    """Of a file's bytes, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def known_good(
    setup: Setup,
    comparisons: Sequence[Comparison],
    *,
    file: str,
    sha256: str,
    imported_sha256: str | None,
    engine: str,
    recorded_at: str | None,
    added_at: str,
    added_by: str | None,
    known_by: str | None,
    evenstroke_version: str,
) -> KnownGood:
    """The entry of a judged recording with the comparisons that are to be kept. Raises ValueError without a family."""
    if setup.engine.family is None:
        raise ValueError("a known-good is shelved under its engine's family")
    order, intervals = _turned(setup.engine)
    probes = {p.name: p for p in setup.probe}
    return KnownGood(
        file=file,
        sha256=sha256,
        imported_sha256=imported_sha256,
        family=setup.engine.family,
        engine=engine,
        cylinders=setup.engine.cylinders,
        firing_order=order,
        firing_intervals_deg=intervals,
        mode=setup.conditions.mode,
        engine_temperature_c=setup.conditions.engine_temperature_c,
        throttle=_throttle(setup.conditions),
        recorded_at=recorded_at,
        added_at=added_at,
        added_by=added_by,
        known_by=known_by,
        evenstroke_version=evenstroke_version,
        pulses=tuple(
            KeptPulses(
                probe=c.probe,
                role=c.role,
                feature=c.feature,
                stretch=c.stretch,
                lowpass_hz=_lowpass_hz(probes[c.probe]),
                cycles=min(x.cycles for x in c.cylinders),
                sees=tuple(x.cylinder for x in c.cylinders if x.cylinder is not None),
                values=tuple(x.value for x in c.cylinders if x.value is not None),
                standard_errors=tuple(x.standard_error for x in c.cylinders),
            )
            for c in comparisons
        ),
    )


def family_name(family: str) -> str:
    """As families are compared: without regard to capitals and to how many blanks there are."""
    return " ".join(family.casefold().split())


def _turned(engine: Engine) -> tuple[tuple[int, ...], tuple[float, ...]]:
    """Firing order and intervals from the lowest cylinder on: where an order begins is the writer's choice."""
    order, intervals = engine.firing_order, firing_intervals(engine)
    first = order.index(min(order))
    rounded = [round(i, 3) for i in intervals]
    return (*order[first:], *order[:first]), (*rounded[first:], *rounded[:first])


def _throttle(conditions: Conditions) -> Literal["closed", "open"] | None:
    return "open" if conditions.fuel == "clear_flood" else conditions.throttle


def _lowpass_hz(probe: Probe) -> float | None:
    return probe.lowpass_hz if probe.lowpass_hz is not None else DEFAULT_LOWPASS_HZ.get(probe.role)


def _pulses_like(
    probe: Probe, sees: tuple[int, ...], entries: Sequence[KnownGood]
) -> dict[Key, HealthyPulses]:
    """What known-goods' probes of this one's kind measured, by engine. Of several in one recording, the one of its name."""
    rows: dict[Key, dict[str, list[tuple[Floats, Floats]]]] = {}
    for entry in entries:
        of_entry: dict[Key, KeptPulses] = {}
        for pulses in entry.pulses:
            alike = (pulses.role, frozenset(pulses.sees), pulses.lowpass_hz)
            if alike != (probe.role, frozenset(sees), _lowpass_hz(probe)):
                continue
            key: Key = (probe.name, pulses.feature, pulses.stretch)
            if key not in of_entry or pulses.probe == probe.name:
                of_entry[key] = pulses
        for key, pulses in of_entry.items():
            columns = [pulses.sees.index(cylinder) for cylinder in sees]
            values = np.array([pulses.values[c] for c in columns])
            errors = np.array([pulses.standard_errors[c] for c in columns], dtype=np.float64)
            rows.setdefault(key, {}).setdefault(entry.engine, []).append((values, errors))
    return {
        key: HealthyPulses(
            tuple(np.stack([values for values, _ in each]) for each in engines.values()),
            tuple(np.stack([errors for _, errors in each]) for each in engines.values()),
        )
        for key, engines in rows.items()
    }


def _note(
    family: str, entries: Sequence[KnownGood], fitting: Sequence[KnownGood], pulses: dict[Key, HealthyPulses]
) -> str:
    """What the reader is to know: which known-goods do not fit, and that there are too few."""
    words = []
    if len(fitting) < len(entries):
        others = counted(len(entries) - len(fitting), "known-good")
        words.append(f"{others} of the family {family!r} had the throttle elsewhere and are left out.")
    few = {
        k: len(p.engines) for k, p in pulses.items() if len(p.engines) < FEWEST_ENGINES and k[1] in _JUDGED
    }
    if fitting and (few or not pulses):
        engines = counted(len({e.engine for e in fitting}), "known-good engine")
        of_which = [f"{n} with {probe} {feature} ({stretch})" for (probe, feature, stretch), n in few.items()]
        words.append(
            f"{engines} of the family {family!r} on the shelf, {listed(of_which or ['none with probes like these'])}: from "
            f"{FEWEST_ENGINES} on they say what healthy engines show. Until then simulated engines do, or the generic table."
        )
    return " ".join(words)


def _read(path: Path) -> KnownGood:
    try:
        return msgspec.json.decode(path.read_bytes(), type=KnownGood)
    except (OSError, msgspec.DecodeError) as error:
        raise ShelfError(
            "a known-good on the shelf cannot be read",
            where=str(path),
            expected="a file that `evenstroke shelf add` wrote",
            found=str(error),
            todo="move it away and add its recording again; --no-shelf judges without the shelf",
        ) from error
