"""A judgement in words that a technician can act on: findings first, then the figures, then what to beware of."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE
from evenstroke_dsp.findings import grouped, instruction_at_rest, only_sync_disturbs
from evenstroke_dsp.messages import Comparison, Judgement
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.setup_effects import blind_lines
from evenstroke_dsp.wording import counted
from evenstroke_replay.judging import Mark, lost_parts
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
        say(judgement.refused)
    else:
        todo, _ = instruction_at_rest(
            comparisons=judgement.comparisons,
            findings=judgement.findings,
            refused=None,
            setup=setup,
            mode="cranking" if judgement.cranked else "idle",
        )
        say(f"What to do: {todo}")
        _say_findings(judgement, todo, say)
    mains = [c for c in judgement.comparisons if is_main(c)]
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
    others = [comparison_name(c) for c in judgement.comparisons if not is_main(c)]
    if others:
        say()
        say(f"Measured too, with intervals and without a verdict (see --json): {', '.join(others)}.")
    for cause in judgement.causes:
        where = f" in cylinder {cause.cylinder}" if cause.cylinder is not None else ""
        say(f"possible: {cause.kind.replace('_', ' ')}{where}, probability {cause.probability:.2f}", indent=2)
    say()
    say(_basis(judgement))
    if marks:
        say()
        say("Noted while it was recorded:")
        for mark in marks:
            say(f"- at {mark.at_s:.1f} s: {mark.text}", indent=2)
    if judgement.warnings:
        say()
        say("Beware:")
        for warning in judgement.warnings:
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
            say(
                "No pulse was found odd in these cycles. What is undecided below is not yet known to be even."
            )
        else:
            say("Nothing is settled by these cycles: no pulse is known to be odd, and none to be even.")
    said = {todo}
    for heading, findings in grouped(judgement.findings):
        say()
        say(f"{heading}:")
        for finding in findings:
            say(f"- {finding.text}", 2)
            if finding.next_step not in said:
                say(f"Next: {finding.next_step}", 4)
                said.add(finding.next_step)


def _heading(comparison: Comparison) -> str:
    reference = ", ".join(str(c) for c in comparison.reference)
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
    notes = [
        f"what healthy engines show, which is another matter: each cylinder {normal.low:+.1f} to {normal.high:+.1f} {sign} "
        f"({normal.from_})"
        for normal in dict.fromkeys(b.normal for b in comparison.cylinders if b.normal)
    ]
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


def _listed(cycles: tuple[int, ...]) -> str:
    return ", ".join(str(cycle) for cycle in cycles)


def _basis(judgement: Judgement) -> str:
    parts = [
        f"cranked from {c.from_s:.1f} to {c.to_s:.1f} s: {counted(c.cycles, 'complete cycle')} at {c.mean_rpm:.0f} rpm "
        "(mean, no uncertainty stated)"
        for c in judgement.cranked
    ]
    if judgement.running_from_s is not None:
        parts.append(f"running from {judgement.running_from_s:.1f} s")
    sync = judgement.sync
    angle = (
        f"crank angle known to {sync.angle_uncertainty_deg:.1f} deg"
        if sync.angle_uncertainty_deg is not None
        else "crank angle of no known uncertainty"
    )
    if sync.basis == "none":
        parts.append("nothing tells the cylinders apart")
    else:
        parts.append(
            f"cylinders told apart by {sync.basis} ({counted(sync.events, 'event')}, {sync.missed} missed, {sync.extra} too "
            f"many); {angle}"
        )
    return "Basis: " + "; ".join(parts) + "."
