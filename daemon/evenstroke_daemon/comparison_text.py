"""Two cranks compared, in words: what is not alike, what changed, what the set-up made, what to do."""

from __future__ import annotations

import io

from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE
from evenstroke_dsp.comparing import FeatureChange, TwoCranks
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

_MATTERS = {
    "no": "does not matter",
    "somewhat": "matters somewhat",
    "prevents": "not comparable",
    "the point": "is what this comparison is about",
}


def comparison_text(two: TwoCranks, width: int = 100) -> str:
    """Plain text, wrapped at `width` columns (80 at least), ending with a line end."""
    out = io.StringIO()
    console = Console(file=out, width=max(width, 80), highlight=False, color_system=None)

    def say(text: str = "", indent: int = 0) -> None:
        console.print(Padding(Text(text), (0, 0, 0, indent)))

    say(f"First: {two.first.file or 'live stream'}. Second: {two.second.file or 'live stream'}.")
    say()
    say(f"What to do: {two.next_step}")
    say()
    say("Like for like?")
    for unlike in two.unlike:
        about = f"{unlike.probe}, {unlike.what}" if unlike.probe else unlike.what
        say(f"- {about}: {unlike.first} | {unlike.second}: {_MATTERS[unlike.matters]}. {unlike.text}", 2)
    if not two.unlike:
        say("- Nothing differs that the set-ups and the recordings tell of.", 2)
    if two.texts:
        say()
    for text in two.texts:
        say(f"- {text}")
    for change in two.changes:
        if any(x.verdict for x in change.cylinders):
            say()
            reference = ", ".join(map(str, change.reference))
            say(f"{change.probe} {change.feature}, both from the mean of {reference}")
            console.print(Padding(_table(change), (0, 0, 0, 2)))
    others = [f"{c.probe} {c.feature}" for c in two.changes if not any(x.verdict for x in c.cylinders)]
    if others:
        say()
        say(f"Compared too, without a verdict (see --json): {', '.join(others)}.")
    if two.not_compared:
        say()
        say("Not subtracted:")
        for because in dict.fromkeys(n.because for n in two.not_compared):
            names = [f"{n.probe} {n.feature or ''}".strip() for n in two.not_compared if n.because == because]
            say(f"- {', '.join(names)}: {because}", 2)
        if any("whose pulse comes first" in n.because for n in two.not_compared):
            say(
                "Whose pulse comes first is said by --first-position-is, given twice; where cylinders are named it alters "
                "nothing."
            )
    say()
    say(PRECEDENCE)
    say(EVIDENCE)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def _table(change: FeatureChange) -> Table:
    sign = "%" if change.unit == "percent" else "deg"
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for name in (
        "cylinder",
        f"first, {sign}",
        f"second, {sign}",
        f"first less second, {sign} (95 %)",
        "verdict",
        "set-up by physics",
    ):
        table.add_column(name, no_wrap=True)
    for x in change.cylinders:
        table.add_row(
            str(x.cylinder),
            f"{x.first:+.1f}",
            f"{x.second:+.1f}",
            f"{x.change:+.1f} ({x.low:+.1f} to {x.high:+.1f})",
            x.verdict or "",
            f"{x.predicted.low:+.1f} to {x.predicted.high:+.1f}" if x.predicted else "",
        )
    return table
