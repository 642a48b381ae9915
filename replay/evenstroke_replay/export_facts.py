"""What stands beside the data in every exported file that can hold it: where they are from, scales, gaps, notes.

Every value is text; lists are JSON, so that formats which know only text by text can hold them.
"""

from __future__ import annotations

from importlib.metadata import version

import msgspec
from evenstroke_dsp.board_clock import ClockRate
from evenstroke_dsp.setup import Probe

from .measured import Measured

LAYOUT = "evenstroke.export/1"
UNKNOWN = "unknown"


class ProbeFacts(msgspec.Struct, frozen=True, kw_only=True):
    """How a probe's volts are to be read: (volts - volts_at_zero) / volts_per_unit, in `unit`, where a scale is known.

    late_s: how long after its row's time each sample was taken. level_changes: whether only those were reported.
    """

    name: str
    role: str
    unit: str
    volts_per_unit: float | None
    volts_at_zero: float
    late_s: float
    level_changes: bool
    place: str | None


def probe_facts(measured: Measured) -> list[ProbeFacts]:
    """Of each probe that was sampled, then of each whose level changes were reported."""
    sampled = [_of(one.probe, one.late_s, level_changes=False) for one in measured.sampled]
    return sampled + [_of(one.probe, 0.0, level_changes=True) for one in measured.changes]


def _of(probe: Probe, late_s: float, *, level_changes: bool) -> ProbeFacts:
    return ProbeFacts(
        name=probe.name,
        role=probe.role,
        unit=probe.unit,
        volts_per_unit=probe.volts_per_unit,
        volts_at_zero=probe.volts_at_zero,
        late_s=late_s,
        level_changes=level_changes,
        place=probe.place,
    )


def facts(measured: Measured, setup_text: str) -> dict[str, str]:
    """Name by text. setup_text: as it is to be shared."""
    meta = measured.meta
    return {
        "layout": LAYOUT,
        "written_by": f"evenstroke {version('evenstroke')}",
        "title": measured.setup.title,
        "source_file": measured.source,
        "source_sha256": measured.sha256,
        "imported_from": (meta.imported_file if meta is not None else None) or "",
        "second_0_at": measured.recorded_at or UNKNOWN,
        "second_0_note": "by the computer's clock when the first data came; what the link delayed is not taken off, and "
        "no uncertainty is known",
        "board_clock": clock_words(measured.clock),
        "volts": "as sampled, neither filtered nor scaled; the set-up's unit is (volts - volts_at_zero) / volts_per_unit",
        "probes": _json(probe_facts(measured)),
        "gaps": _json(
            [
                {"from_s": g.t_from, "to_s": g.t_to, "lost_samples": g.lost_samples, "reason": g.reason.value}
                for g in measured.gaps
            ]
        ),
        "marks": _json([{"at_s": mark.at_s, "text": mark.text} for mark in measured.marks]),
        "phases": _json([{"from_s": phase.at_s, "phase": phase.text} for phase in measured.phases]),
        "lost": _json(measured.lost),
        "remarks": _json(measured.remarks),
        "setup_toml": setup_text,
    }


def clock_words(clock: ClockRate | None) -> str:
    """How the board's clock, by which all times are, goes by the computer's."""
    if clock is None:
        return UNKNOWN
    fast = "fast" if clock.ppm > 0 else "slow"
    return (
        f"{abs(clock.ppm):.1f} ppm {fast} by the computer's, within {clock.uncertainty_ppm:.1f} ppm either way "
        "(95 % interval); times are the board's"
    )


def _json(value: object) -> str:
    return msgspec.json.encode(value).decode()
