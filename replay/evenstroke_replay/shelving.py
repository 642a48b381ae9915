"""Whether a judged recording is a known-good, what of it goes on the shelf, and what is left off and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenstroke_dsp.comparisons import CLIPPED_FOR_A_WHILE, HALVES_DIFFER, SILENT_FOR_A_WHILE
from evenstroke_dsp.messages import Comparison
from evenstroke_dsp.wording import counted, listed

from .judging import JudgedFile, is_recording
from .recording import open_recording
from .shelf import KnownGood, Shelf, ShelfError, family_name, known_good

MOST_LOST = 0.01
"""Of the scans. What lies within 12 ms of each loss is lost too, so that more would leave few whole cycles."""
FEWEST_CYCLES = 6
"""A comparison of fewer is mostly noise, which the range of healthy engines would then be made of."""
_OF_THE_ENGINE = frozenset({"uneven_spacing", "unmodelled", "low_corner_unknown"})
"""Limits that every recording of such an engine and such a probe has: they keep nothing off the shelf."""
_LIMITS_NOTHING = frozenset({SILENT_FOR_A_WHILE, CLIPPED_FOR_A_WHILE, HALVES_DIFFER})


@dataclass(frozen=True)
class Shelved:
    """What came of it. already: the entry that the file had before, when nothing was done. left_off: "intake drop
    (cranking): why", for each comparison that was not kept. engines: so many engines of this family, cylinder count and firing
    order are on the shelf now."""

    entry: KnownGood
    already: bool
    left_off: tuple[str, ...] = ()
    engines: int = 0


def shelve(
    shelf: Shelf,
    path: Path,
    judged: JudgedFile,
    *,
    added_at: str,
    evenstroke_version: str,
    engine: str | None = None,
    added_by: str | None = None,
    known_by: str | None = None,
) -> Shelved:
    """Put a recording on the shelf, where it is a known-good.

    judged: without the shelf, since a shelf that admits only what resembles it would narrow by itself. engine: which
    one it is; None: one of its own, which no other recording is of. known_by: how it is known to be good; without it
    none goes on the shelf of which the judgement finds something the engine's.

    Raises ShelfError where it is none, and where it cannot be kept.
    """
    judgement = judged.judgement
    meta = open_recording(path).meta if is_recording(path) else None
    imported = meta.imported_sha256 if meta is not None else None
    sha256 = judgement.source.sha256 or ""
    before = shelf.same_file(sha256, imported)
    if before is not None:
        return Shelved(before, already=True, engines=_engines(shelf, before))
    _require_known_good(path, judged, known_by)
    kept, left_off = _sorted_out(judgement.comparisons)
    if not kept:
        raise ShelfError(
            "nothing of this recording can stand for a healthy engine",
            where=str(path),
            expected=f"a comparison that nothing disturbs or limits, of named cylinders and {FEWEST_CYCLES} cycles or more",
            found="; ".join(left_off) or "no comparison",
            todo="crank again with nothing fitted in a plug hole, with a sync that names the cylinders, for ten seconds",
        )
    entry = known_good(
        judged.setup,
        kept,
        file=path.name,
        sha256=sha256,
        imported_sha256=imported,
        engine=engine if engine is not None else f"of {sha256[:12]}",
        recorded_at=meta.started_at if meta is not None and meta.source == "board" else None,
        added_at=added_at,
        added_by=added_by,
        known_by=known_by,
        evenstroke_version=evenstroke_version,
    )
    shelf.put(entry)
    return Shelved(entry, already=False, left_off=left_off, engines=_engines(shelf, entry))


def _require_known_good(path: Path, judged: JudgedFile, known_by: str | None) -> None:
    judgement = judged.judgement
    if judged.setup.engine.family is None:
        raise ShelfError(
            "the set-up does not say which family this engine is of, under which it would be found again",
            where=f"{path}, engine.family of its set-up",
            expected="a line under [engine], in whatever words you use for such engines",
            found="none",
            todo='write  family = "3.0 inline six"  (yours) there, and give the file with --setup',
        )
    if judgement.refused is not None:
        raise ShelfError(
            "this is no known-good: it cannot be judged",
            where=str(path),
            found=judgement.refused,
            todo="add a recording that `evenstroke judge` judges",
        )
    lost = judgement.source.lost_samples
    share = lost / (lost + judged.scans) if lost else 0.0
    if share > MOST_LOST:
        raise ShelfError(
            "too much of this recording is lost for a known-good",
            where=str(path),
            expected=f"at most {MOST_LOST * 100:.0f} % of the samples lost",
            found=f"{counted(lost, 'sample')} lost, {share * 100:.1f} %",
            todo="mend the cable or take a slower rate, and record it again",
        )
    if "cranks_differ" in {w.code for w in judgement.warnings}:
        raise ShelfError(
            "this is no known-good: its cranks are not alike, so that something was changed in between",
            where=str(path),
            found=next(w.text for w in judgement.warnings if w.code == "cranks_differ"),
            todo="add the crank that was sound alone, with --crank N",
        )
    odd = [f for f in judgement.findings if f.cause == "engine"]
    if odd and known_by is None:
        raise ShelfError(
            "the judgement finds something of this engine odd, so that it is not known to be good by this alone",
            where=str(path),
            expected="no pulse that is the engine's own doing",
            found=" ".join(f.text for f in odd),
            todo="where other tests showed that it is sound all the same, say which: "
            '--known-by "compression and leak-down test, all cylinders alike"',
        )


def _sorted_out(comparisons: tuple[Comparison, ...]) -> tuple[list[Comparison], tuple[str, ...]]:
    """What can be kept, and why the others cannot."""
    kept, left_off = [], []
    for comparison in comparisons:
        why = _why_left_off(comparison)
        if why is None:
            kept.append(comparison)
        else:
            left_off.append(f"{comparison.probe} {comparison.feature} ({comparison.stretch}): {why}")
    return kept, tuple(left_off)


def _why_left_off(comparison: Comparison) -> str | None:
    cylinders = comparison.cylinders
    limits = [code for code in comparison.because if code not in _OF_THE_ENGINE | _LIMITS_NOTHING]
    if comparison.trust != "clean" and limits:
        return f"{'disturbed' if comparison.trust == 'disturbed' else 'limited'} by {listed(limits)}"
    if any(c.cylinder is None for c in cylinders):
        return "no sync names its cylinders"
    if any(c.value is None for c in cylinders):
        return "not every cylinder was measured"
    if min(c.cycles for c in cylinders) < FEWEST_CYCLES:
        return f"fewer than {FEWEST_CYCLES} cycles"
    return None


def _engines(shelf: Shelf, like: KnownGood) -> int:
    return len({e.engine for e in shelf.entries() if same_kind(e, like)})


def same_kind(one: KnownGood, other: KnownGood) -> bool:
    """Whether two known-goods are of engines that are measured by each other."""
    return (family_name(one.family), one.firing_order, one.firing_intervals_deg) == (
        family_name(other.family),
        other.firing_order,
        other.firing_intervals_deg,
    )
