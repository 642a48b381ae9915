"""A judgement in words that a technician can act on: findings first, then the figures, then what to beware of."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE
from evenstroke_dsp.findings import brief_lines, briefly, grouped, instruction_at_rest, only_sync_disturbs
from evenstroke_dsp.messages import Comparison, Judgement, Normal
from evenstroke_dsp.naming import names_rest_on
from evenstroke_dsp.ran_unasked import make_safe_first
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import blind_lines
from evenstroke_dsp.wording import counted, listed
from evenstroke_replay.judging import Mark, lost_parts
from evenstroke_replay.report_words import angle_known, counts_contradicted
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from .words import comparison_name, cylinder_name, interval, is_main, trust, unit_sign, verdict


def judgement_text(judgement: Judgement, setup: Setup, width: int = 100, marks: Sequence[Mark] = ()) -> str:
    """The whole judgement as plain text, with what its test cannot see, ending with a line end.

    width: columns to wrap at, 80 at least. marks: what was noted while it was recorded.
    """
    out = io.StringIO()
    console = Console(file=out, width=max(width, 80), highlight=False, color_system=None)

    def say(text: str = "", indent: int = 0) -> None:
        console.print(Padding(Text(text), (0, 0, 0, indent)))

    source = judgement.source
    lost = ", ".join(lost_parts(judgement)) or "nothing lost"
    say(f"{source.file or 'live stream'}: {source.duration_s:.1f} s, {lost}")
    say()
    if judgement.refused is not None:
        if safe := make_safe_first(judgement.warnings):
            say(f"What to do: {safe}")
            say()
        say(judgement.refused)
    else:
        todo, _ = instruction_at_rest(
            comparisons=judgement.comparisons,
            findings=judgement.findings,
            refused=None,
            setup=setup,
            mode="cranking" if judgement.cranked else "idle",
            warnings=judgement.warnings,
        )
        say(f"What to do: {todo}")
        _say_findings(judgement, todo, say)
    unmeasured = [c for c in judgement.comparisons if is_main(c) and not any(b.cycles for b in c.cylinders)]
    mains = [c for c in judgement.comparisons if is_main(c) and c not in unmeasured]
    for comparison in mains:
        say()
        say(_heading(comparison))
        console.print(Padding(_table(comparison), (0, 0, 0, 2)))
        for note in _notes(comparison):
            say(note, indent=2)
    if mains:
        say()
        say(
            f"The verdict is alike for every engine: even when the whole interval is within {EVEN_MARGIN_PERCENT:g} % of the "
            "mean, smaller or larger when all of it is beyond; an odd cylinder moves the mean too. A size is the mean over "
            "the cycles used; no interval is stated for it."
        )
    for comparison in unmeasured:
        say()
        say(f"{comparison_name(comparison)}: nothing of it was measured in any cycle ({trust(comparison)}).")
    others = [comparison_name(c) for c in judgement.comparisons if not is_main(c)]
    if others:
        say()
        say(f"Measured too, with intervals and without a verdict (see --json): {', '.join(others)}.")
    for cause in judgement.causes:
        where = f" in cylinder {cause.cylinder}" if cause.cylinder is not None else ""
        say(f"possible: {cause.kind.replace('_', ' ')}{where}, probability {cause.probability:.2f}", indent=2)
    say()
    say(_basis(judgement))
    if rest_on := names_rest_on(setup, judgement):
        say(rest_on)
    if marks:
        say()
        say("Noted while it was recorded:")
        for mark in marks:
            say(f"- at {mark.at_s:.1f} s: {mark.text}", indent=2)
    if judgement.warnings:
        say()
        say("Beware:")
        for warning in judgement.warnings:
            # Where that is why nothing is judged, it stands at the top.
            if not (warning.code == "cylinder_count" and counts_contradicted(judgement)):
                say(f"- {warning.text}", indent=2)
    blind = blind_lines(setup)
    if blind:
        say()
        say("What this test cannot see:")
        for line in blind:
            say(f"- {line}", indent=2)
    say()
    say(PRECEDENCE)
    say(EVIDENCE)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def _say_findings(judgement: Judgement, todo: str, say: Callable[..., None]) -> None:
    """Each cause's findings under its heading, and what to do about them where that has not been said yet."""
    if not judgement.findings:
        say()
        verdicts = {c.verdict for comparison in judgement.comparisons for c in comparison.cylinders}
        if verdicts & {"even", "smaller", "larger"}:
            open_ = " What is undecided below is not yet known to be even." if "undecided" in verdicts else ""
            say(f"No pulse was found odd in these cycles.{open_}")
        else:
            say("Nothing is settled by these cycles: no pulse is known to be odd, and none to be even.")
    said = {todo}
    for heading, findings in grouped(judgement.findings):
        say()
        if briefly(heading):
            say(f"{heading} (the figures stand below):")
            for line in brief_lines(findings, judgement.comparisons):
                say(f"- {line}", 2)
            continue
        say(f"{heading}:")
        for finding in findings:
            say(f"- {finding.text}", 2)
            if finding.next_step not in said:
                say(f"Next: {finding.next_step}", 4)
                said.add(finding.next_step)


def _heading(comparison: Comparison) -> str:
    reference = ", ".join(str(c) for c in comparison.reference)
    if not reference:
        return f"{comparison_name(comparison)}, with nothing to compare it with ({trust(comparison)})"
    return f"{comparison_name(comparison)}, from the mean of {reference} ({trust(comparison)})"


def _table(comparison: Comparison) -> Table:
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("cylinder", no_wrap=True)
    table.add_column("size", no_wrap=True, justify="right")
    table.add_column(f"deviation, {unit_sign(comparison)} (95 %)", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("cycles", no_wrap=True, justify="right")
    table.add_column("trust", no_wrap=True)
    for balance in comparison.cylinders:
        table.add_row(
            cylinder_name(balance),
            f"{balance.value:.3g} {balance.value_unit}" if balance.value is not None else "-",
            interval(balance),
            verdict(balance),
            str(balance.cycles),
            balance.trust,
        )
    return table


def _notes(comparison: Comparison) -> list[str]:
    """What stands under a table: what healthy engines show, what would settle it, what happened once."""
    sign = unit_sign(comparison)
    notes = _normals(comparison)
    for balance in comparison.cylinders:
        name = cylinder_name(balance)
        effect = balance.predicted
        if effect and (
            balance.trust == "disturbed" or max(-effect.low, effect.high) > EVEN_MARGIN_PERCENT / 2
        ):
            notes.append(
                f"cylinder {name}: the set-up alone does {effect.low:+.1f} to {effect.high:+.1f} {sign}"
            )
        if balance.more_cycles and balance.trust == "disturbed":
            disturbs = (
                "its sync comes in two series"
                if only_sync_disturbs(comparison)
                else "what disturbs it is fitted"
            )
            notes.append(f"cylinder {name}: more cycles settle nothing while {disturbs}")
        elif balance.more_cycles:
            notes.append(
                f"cylinder {name}: about {counted(balance.more_cycles, 'more cycle')} would settle it"
            )
        if balance.one_off_cycles:
            notes.append(f"cylinder {name}: a one-off in cycle {_listed(balance.one_off_cycles)}, left out")
    return notes


def _normals(comparison: Comparison) -> list[str]:
    """What healthy engines show, once for all cylinders of which the same is known."""
    sign = unit_sign(comparison)
    of: dict[str, dict[Normal, list[str]]] = {}
    for balance in comparison.cylinders:
        if balance.normal is not None:
            of.setdefault(balance.normal.from_, {}).setdefault(balance.normal, []).append(
                cylinder_name(balance)
            )
    notes = []
    for source, ranges in of.items():
        alike = len(ranges) == 1 and sum(map(len, ranges.values())) == len(comparison.cylinders)
        said = (
            f"{'each cylinder' if alike else listed(names)} {normal.low:+.1f} to {normal.high:+.1f} {sign}"
            for normal, names in ranges.items()
        )
        notes.append(f"what healthy engines show, which is another matter: {'; '.join(said)} ({source})")
    return notes


def _listed(cycles: tuple[int, ...]) -> str:
    return ", ".join(str(cycle) for cycle in cycles)


def _basis(judgement: Judgement) -> str:
    uncounted = counts_contradicted(judgement)
    parts = [
        f"cranked from {c.from_s:.1f} to {c.to_s:.1f} s"
        + (
            ""
            if uncounted
            else f": {counted(c.cycles, 'complete cycle')} at {c.mean_rpm:.0f} rpm (mean, no uncertainty stated)"
        )
        for c in judgement.cranked
    ]
    if judgement.running_from_s is not None and not uncounted:
        parts.append(f"running from {judgement.running_from_s:.1f} s")
    sync = judgement.sync
    angle = (
        f"crank angle known to {angle_known(sync)}"
        if sync.angle_uncertainty_deg is not None
        else "crank angle of no known uncertainty"
    )
    if uncounted:
        parts.append(f"{counted(sync.events, 'sync event')}; cycles, speed and crank angle are not known")
    elif sync.basis == "none":
        parts.append("nothing tells the cylinders apart")
    else:
        parts.append(
            f"cylinders told apart by {sync.basis} ({counted(sync.events, 'event')}, {sync.missed} missed, {sync.extra} too "
            f"many); {angle}"
        )
    return "Basis: " + "; ".join(parts) + "."
