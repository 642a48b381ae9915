"""Which judgements move when recordings are judged again by a changed DSP.

A judgement that was kept is what `evenstroke judge --json` prints, in a file of its own: NAME.judgement.json beside the
recording NAME, or at the same place below another folder.
"""

from __future__ import annotations

import multiprocessing
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import msgspec
from evenstroke_dsp.messages import Comparison, CylinderBalance, Judgement
from evenstroke_dsp.names import cylinder_name
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.wording import decimals
from evenstroke_protocol.errors import EvenstrokeError

from .judging import is_recording, judge_path
from .physics_cache import PhysicsCache
from .recording import open_recording
from .recording_format import RecordingError
from .setup_files import load_setup
from .shelf import Shelf
from .whole_file import written_whole

KEPT_SUFFIX = ".judgement.json"
_SUFFIXES = (".mcap", ".csv")

MoveKind = Literal["recording", "refusal", "verdict", "cause", "deviation", "trust", "warning"]
Status = Literal["moved", "same", "not kept", "failed"]


class Move(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is said otherwise now. where: "intake drop (cranking), cylinder 2"; before, now: in words."""

    kind: MoveKind
    where: str
    before: str
    now: str


class Rejudged(msgspec.Struct, frozen=True, kw_only=True):
    """One recording. file: below its folder. problem: why it could not be judged. lossy: whether something is lost."""

    file: str
    status: Status
    moves: tuple[Move, ...] = ()
    problem: str | None = None
    lossy: bool = False


class RejudgedAll(msgspec.Struct, frozen=True, kw_only=True):
    """The document of `evenstroke rejudge --json`. moved: in how many recordings each kind of thing moved."""

    schema: Literal["evenstroke.rejudged/1"] = "evenstroke.rejudged/1"
    recordings: tuple[Rejudged, ...]
    moved: dict[MoveKind, int]


@dataclass(frozen=True)
class Task:
    """A recording to judge. name: below its folder. kept: where its judgement is, or would be, kept. setup: how to read it;
    None: as it says itself."""

    path: Path
    name: str
    kept: Path
    setup_name: str | None


def tasks_in(folders: Sequence[Path], setup_name: str | None, kept_in: Path | None) -> tuple[Task, ...]:
    """Every recording and capture in the folders and below them, in the order of folders and names, each file once.

    setup_name: for captures as CSV without a set-up of their own, which is a file of the same name that ends in .toml.
    kept_in: the folder of what was kept; None: beside each recording. Raises RecordingError for what is no folder, and
    where there is nothing.
    """
    out: list[Task] = []
    seen: set[Path] = set()
    taken: dict[Path, Path] = {}
    for folder in folders:
        if not folder.is_dir():
            raise RecordingError(
                "this is not a folder",
                where=str(folder),
                expected="a folder of recordings (.mcap) or captures (.csv)",
                found="a file" if folder.exists() else "nothing",
                todo="give the folder that holds them; `evenstroke judge` judges one file",
            )
        for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in _SUFFIXES and p.is_file()):
            if path.resolve() in seen:
                continue
            seen.add(path.resolve())
            below = path.relative_to(folder)
            name = str(folder / below) if len(folders) > 1 else str(below)
            told = _setup_of(path, setup_name) if path.suffix.lower() == ".csv" else None
            kept = (kept_in / folder.name if len(folders) > 1 else kept_in) if kept_in is not None else folder
            where = (kept / below).with_name(below.name + KEPT_SUFFIX)
            if where in taken:
                raise RecordingError(
                    "two recordings' judgements would be kept in one file",
                    where=str(where),
                    found=f"{taken[where]} and {path}",
                    todo="leave --kept out, or give the two folders in two runs with a --kept of their own",
                )
            taken[where] = path
            out.append(Task(path, name, where, told))
    if not out:
        raise RecordingError(
            "there is nothing to judge again",
            where=", ".join(map(str, folders)),
            expected="recordings (.mcap) or captures (.csv), there or in folders below",
            found="none",
            todo="give a folder that holds some",
        )
    return tuple(out)


def _setup_of(capture: Path, otherwise: str | None) -> str | None:
    own = capture.with_suffix(".toml")
    return str(own) if own.is_file() else otherwise


def rejudge(
    tasks: Sequence[Task],
    *,
    physics: PhysicsCache | None,
    shelf: Shelf | None,
    workers: int,
    keep: bool,
    done: Callable[[int], None] = lambda number: None,
) -> tuple[Rejudged, ...]:
    """Judge all again, in processes of their own, and compare with what was kept; in the order of the tasks.

    keep: put the new judgements in the place of those that were kept. done: told how many are done, as they come.
    """
    folder = physics.folder if physics is not None else None
    if physics is not None:
        for setup in _kinds(tasks):
            _work_out(physics, setup)
    asked = [(task, folder, shelf, keep) for task in tasks]
    if workers == 1:
        return tuple(_counting(map(_one, asked), done))
    context = multiprocessing.get_context("spawn")  # threads may run here, which a fork would leave behind
    with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=context) as pool:
        futures: list[Future[Rejudged]] = [pool.submit(_one, each) for each in asked]
        return tuple(_counting((future.result() for future in futures), done))


def all_of(recordings: tuple[Rejudged, ...]) -> RejudgedAll:
    """With the count of what moved, in the order of what weighs most."""
    counts = Counter(kind for r in recordings for kind in {m.kind for m in r.moves})
    order: tuple[MoveKind, ...] = get_args(MoveKind)
    return RejudgedAll(recordings=recordings, moved={k: counts[k] for k in order if counts[k]})


def moves(before: Judgement, now: Judgement) -> tuple[Move, ...]:
    """What two judgements of one recording say otherwise, what weighs most first.

    Texts are not compared, but for a refusal's. Deviations and their intervals count beyond half a unit of the last place that
    is shown of them, warnings by their codes.
    """
    out: list[Move] = []

    def differ(kind: MoveKind, where: str, was: str, is_: str) -> None:
        if was != is_:
            out.append(Move(kind=kind, where=where, before=was, now=is_))

    if None not in (before.source.sha256, now.source.sha256):
        differ("recording", "sha256", before.source.sha256 or "", now.source.sha256 or "")
    differ("refusal", "judgement", before.refused or "judged", now.refused or "judged")
    were, are = _by_place(before.comparisons), _by_place(now.comparisons)
    for place in dict.fromkeys([*were, *are]):
        was, is_ = were.get(place), are.get(place)
        # Where one has no such comparison the refusal, or a probe's, says it: once, not for each cylinder's number.
        differ("verdict", place, _verdict(was), _verdict(is_))
        if was is not None and is_ is not None:
            differ("trust", place, was.trust, is_.trust)
            differ("deviation", place, *_deviations(was, is_))
    causes_were, causes_are = _causes(before), _causes(now)
    for place in dict.fromkeys([*causes_were, *causes_are]):
        differ("cause", place, causes_were.get(place, "no finding"), causes_are.get(place, "no finding"))
    codes_were, codes_are = (Counter(w.code for w in j.warnings) for j in (before, now))
    for code in dict.fromkeys([*codes_were, *codes_are]):
        differ("warning", code, f"{codes_were[code]} times", f"{codes_are[code]} times")
    order = get_args(MoveKind)
    return tuple(sorted(out, key=lambda m: order.index(m.kind)))


def _by_place(comparisons: Iterable[Comparison]) -> dict[str, CylinderBalance]:
    return {
        f"{c.probe} {c.feature} ({c.stretch}), {cylinder_name(x)}": x
        for c in comparisons
        for x in c.cylinders
    }


def _verdict(balance: CylinderBalance | None) -> str:
    return "not compared" if balance is None else balance.verdict or "no verdict"


def _deviations(was: CylinderBalance, is_: CylinderBalance) -> tuple[str, str]:
    """Both in words, alike where nothing moved beyond rounding."""
    ends = [(b.deviation, b.low, b.high) for b in (was, is_)]
    places = max(decimals(low, high) if low is not None and high is not None else 0 for _, low, high in ends)
    half = 0.5 * 10.0**-places
    moved = any(
        (a is None) != (b is None) or (a is not None and b is not None and abs(a - b) > half)
        for a, b in zip(*ends, strict=True)
    )
    if not moved:
        return "", ""
    # One place more than is shown elsewhere: a move of just over half a unit would often look like none.
    was_words, is_words = (_interval(*each, places + 1) for each in ends)
    return was_words, is_words


def _interval(deviation: float | None, low: float | None, high: float | None, places: int) -> str:
    if deviation is None:
        return "none"
    ends = (
        f"({low:+.{places}f} to {high:+.{places}f})"
        if low is not None and high is not None
        else "(no interval)"
    )
    return f"{deviation:+.{places}f} {ends}"


def _causes(judgement: Judgement) -> dict[str, str]:
    """By pulse, what its findings put it down to; several of one pulse (cranking, idling) in order."""
    out: dict[str, str] = {}
    for finding in judgement.findings:
        place = f"{finding.probe} {finding.feature}, odd pulse at {', '.join(map(str, finding.odd_pulse_at))}"
        out[place] = f"{out[place]}, {finding.cause}" if place in out else finding.cause
    return out


def _counting(found: Iterable[Rejudged], done: Callable[[int], None]) -> Iterator[Rejudged]:
    for number, each in enumerate(found, 1):
        done(number)
        yield each


def _one(asked: tuple[Task, Path | None, Shelf | None, bool]) -> Rejudged:
    """Judge one recording; runs in a process of its own."""
    task, physics_folder, shelf, keep = asked
    physics = PhysicsCache(physics_folder) if physics_folder is not None else None
    try:
        before = _kept(task.kept)
        setup, text = load_setup(task.setup_name) if task.setup_name is not None else (None, None)
        judged = judge_path(task.path, setup, setup_text=text, physics=physics, shelf=shelf)
        now = judged.judgement
        found = moves(before, now) if before is not None else ()
        if keep:
            task.kept.parent.mkdir(parents=True, exist_ok=True)
            with written_whole(task.kept, replace=True) as part:
                part.write_bytes(msgspec.json.format(msgspec.json.encode(now), indent=1))
    except EvenstrokeError as error:
        return Rejudged(file=task.name, status="failed", problem=str(error))
    except OSError as error:
        return Rejudged(
            file=task.name, status="failed", problem=f"{error.filename}: {error.strerror or error}"
        )
    status: Status = "not kept" if before is None else "moved" if found else "same"
    return Rejudged(file=task.name, status=status, moves=found, lossy=judged.lossy)


def _kept(path: Path) -> Judgement | None:
    """The judgement of before; None where none was kept. Raises RecordingError for a file that is none."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=Judgement)
    except FileNotFoundError:
        return None
    except msgspec.DecodeError as error:
        raise RecordingError(
            "this is not a judgement",
            where=str(path),
            expected="what `evenstroke judge --json` or `rejudge --keep` wrote",
            found=str(error),
            todo="move it away, and keep the judgement anew with --keep",
        ) from error


def _kinds(tasks: Sequence[Task]) -> Iterator[Setup]:
    """The set-ups, each once: what physics say is worked out before the pool begins, which would do it many times."""
    seen: set[str] = set()
    for task in tasks:
        try:
            if task.setup_name is not None:
                setup = load_setup(task.setup_name)[0]
            elif is_recording(task.path):
                setup = open_recording(task.path, check_all=False).setup
            else:
                continue
        except EvenstrokeError:
            continue  # said when it is judged
        key = repr(setup)
        if key not in seen:
            seen.add(key)
            yield setup


def _work_out(physics: PhysicsCache, setup: Setup) -> None:
    try:
        physics.prediction(setup)
    except EvenstrokeError:
        return  # said when it is judged
