"""What `listen` shows while it runs: a table on a terminal, plain lines elsewhere. Both go to stderr."""

from __future__ import annotations

import re
import sys
from typing import Protocol

from evenstroke_dsp.health import WORST_FIRST, short_word
from evenstroke_dsp.messages import Coaching, Comparison, CylinderBalance, Health
from evenstroke_dsp.wording import counted
from evenstroke_protocol.events import LossReason
from rich.box import SIMPLE_HEAD
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from .service import Snapshot
from .words import (
    MAIN_FEATURES,
    SHAPES,
    comparison_name,
    cylinder_name,
    interval,
    is_main,
    size,
    trust,
    unit_sign,
    verdict,
)

_FIRST_COLUMN = 8  # "cylinder"
_BETWEEN = 3  # blanks from one column to the next
_AROUND_A_BLOCK = 3  # two lines of heading and a rule
_AROUND_BLOCKS = 10  # the lines above, and room below for the legend and a long instruction


class View(Protocol):
    def show(self, snapshot: Snapshot) -> None: ...

    def __enter__(self) -> View: ...

    def __exit__(self, *exc: object) -> None: ...


def view_for_stderr(*, sound: bool = False) -> View:
    """The table where stderr is a terminal, plain lines where it is not; sound: the terminal's bell too."""
    console = Console(stderr=True, highlight=False)
    return LiveTable(console, sound=sound) if console.is_terminal else PlainLines()


class LiveTable:
    """Redraws the whole picture in place."""

    def __init__(self, console: Console, *, sound: bool = False) -> None:
        self._console = console
        self._sound = sound
        self._alarmed = self._rested = False
        self._live = Live(console=console, auto_refresh=False, vertical_overflow="crop")

    def show(self, snapshot: Snapshot) -> None:
        self._live.update(picture(snapshot, self._console.width, self._console.height), refresh=True)
        coach = snapshot.state.coach
        if coach is not None:
            self._ring(coach)

    def _ring(self, coach: Coaching) -> None:
        """The terminal's bell, once when the starter must stop and once when its rest is over."""
        alarmed, resting = coach.alarm is not None, coach.rest_left_s > 0
        if self._sound and ((alarmed and not self._alarmed) or _rest_is_over(self._rested, coach)):
            self._console.bell()
        self._alarmed, self._rested = alarmed, resting

    def __enter__(self) -> LiveTable:
        self._live.__enter__()
        return self

    def __exit__(self, *exc: object) -> None:
        self._live.__exit__(None, None, None)


def _rest_is_over(rested: bool, coach: Coaching) -> bool:
    """Whether a rest has just come to its end. One that is cut short by turning the engine again has not."""
    return rested and coach.rest_left_s == 0 and coach.crank_s == 0


class PlainLines:
    """One line per change of the link, per cycle, per verdict that became another one, per new instruction and per alarm:
    for logs and pipes."""

    def __init__(self) -> None:
        self._said: dict[str, object] = {}
        self._odd: dict[str, str | None] = {}  # verdict, by the pulse's name
        self._resting = False

    def show(self, snapshot: Snapshot) -> None:
        state, cycle = snapshot.state, snapshot.cycle
        self._say("link", f"link {state.link}: {state.reason}")
        if state.recording:
            self._say("recording", f"recording to {state.recording}")
        elif state.link == "streaming":
            self._say("recording", "recording: none")
        if state.recording_problem:
            self._say("problem", f"recording stopped: {state.recording_problem}")
        if snapshot.log:
            self._say("log", snapshot.log)
        for line in probe_lines(snapshot.health)[1:]:
            self._say("probe", line.strip())
        if cycle is not None and self._said.get("cycle") != (cycle.stretch, cycle.index):
            self._said["cycle"] = (cycle.stretch, cycle.index)
            self._write(f"{_cycle_words(snapshot)}; {loss_words(snapshot.health)}")
            self._say_verdicts(snapshot)
        if snapshot.finding is not None and state.link in ("streaming", "closed"):
            # What was judged late, of before a board went away, is no word to whoever stands at an engine at rest.
            unknown = (
                snapshot.finding.phase == "cranking" and state.coach is not None and not state.coach.crank_s
            )
            words = state.coach.words if unknown and state.coach is not None else snapshot.finding.instruction
            self._say("instruction", words)
        if state.coach is not None:
            if state.coach.alarm is None:
                self._said.pop("alarm", None)  # the next one is another, though in the same words
            elif self._said.get("instruction") != state.coach.words:
                self._say("alarm", state.coach.words)
            if _rest_is_over(self._resting, state.coach):
                self._write("The starter's rest is over.")
            self._resting = state.coach.rest_left_s > 0

    def _say_verdicts(self, snapshot: Snapshot) -> None:
        """What is odd, once: with each cycle only the figures' decimals change."""
        for comparison in snapshot.balance.comparisons if snapshot.balance is not None else ():
            for b in comparison.cylinders if is_main(comparison) else ():
                name = f"{comparison_name(comparison)}, {_cylinder_words(b)}"
                was, self._odd[name] = self._odd.get(name), b.verdict
                odd = ("smaller", "larger")
                if b.verdict != was and (b.verdict in odd or was in odd):
                    trusted = f"{interval(b)} {unit_sign(comparison)} {b.verdict}, {b.trust}"
                    self._write(f"  {name}: {trusted if b.verdict in odd else f'no longer {was}'}")

    def _say(self, topic: str, text: str) -> None:
        if text and self._said.get(topic) != text:
            self._said[topic] = text
            self._write(text)

    def _write(self, text: str) -> None:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def __enter__(self) -> PlainLines:
        return self

    def __exit__(self, *exc: object) -> None:
        return None


def instruction_words(snapshot: Snapshot) -> str:
    """The one thing to do now: the coach's word where somebody is at the key. Nobody is told to crank
    while the board does not stream."""
    if snapshot.state.link in ("opening", "syncing", "stalled", "failed"):
        return f"Do not crank now: {snapshot.state.reason}"
    if snapshot.state.coach is not None and snapshot.state.coach.words:
        return snapshot.state.coach.words
    return snapshot.finding.instruction if snapshot.finding is not None else ""


def _coach_words(coach: Coaching) -> str:
    """In the order of what matters while the terminal is too narrow or low to show it all."""
    parts = [f"starter {coach.crank_s:.0f} s now, {coach.starter_used_s:.0f} s since its last full rest"]
    if coach.cranks_wanted:
        parts.append(f"undisturbed cranks {coach.cranks} of {coach.cranks_wanted}")
    if coach.more_cycles:
        parts.append(f"about {counted(coach.more_cycles, 'more cycle')}")
    if coach.battery is not None:
        parts.append(f"battery {coach.battery}")
    return "; ".join(parts)


def picture(snapshot: Snapshot, width: int, height: int) -> RenderableType:
    """Everything at a glance, for a terminal of that many columns and lines."""
    state = snapshot.state
    lines: list[RenderableType] = [
        Text.assemble(("link ", ""), (state.link, "bold"), f": {state.reason}"),
        Text(_broken_at_joints(_recording_words(snapshot), width)),
        Text(f"{_cycle_words(snapshot)}; {loss_words(snapshot.health)}"),
    ]
    probes = probe_lines(snapshot.health)
    lines += [Text(line) for line in probes]
    mains = _mains(snapshot)
    if mains:
        blocks = _side_by_side(mains, width)
        rows = max(len(c.cylinders) for c in mains)
        shown = blocks[: max(1, (height - _AROUND_BLOCKS - 2 * len(probes)) // (rows + _AROUND_A_BLOCK))]
        lines += [_block(block) for block in shown]
        rest = [comparison_name(c) for block in blocks[len(shown) :] for c in block]
        if rest:
            lines.append(Text("not shown here: " + ", ".join(rest)))
        lines.append(Text("deviation from the mean of the reference cylinders, (95 % interval)", style="dim"))
        lines += [Text(words, style="dim") for words in _set_up_words(mains)]
    elif state.setup_notes:
        lines += [Text(note.text, style="dim") for note in state.setup_notes if note.disturbed]
    words = instruction_words(snapshot)
    if words:
        lines.append(Text(f"> {words}", style="bold"))
    elif not mains:
        lines.append(Text("waiting for the engine to turn", style="dim"))
    if state.coach is not None:
        lines.append(Text(_coach_words(state.coach), style="dim"))
    if snapshot.log:
        lines.append(Text(snapshot.log))
    return Group(*lines)


def loss_words(health: Health) -> str:
    """ "nothing lost", or what was lost and where."""
    lost = [counted(health.lost_samples, "sample")] if health.lost_samples else []
    for count in health.queues:
        if count.dropped:
            lost.append(f"{count.dropped} dropped from {count.queue.replace('_', ' ')}")
    lost += [
        f"{loss.blocks} edge frames"
        for loss in health.losses
        if loss.reason == LossReason.EDGES_MISSING.value and loss.blocks
    ]
    for number, what in (
        (health.board_overruns, "overruns on the board"),
        (health.board_edges_missed, "edges missed by the board"),
    ):
        if number:
            lost.append(f"{number} {what}")
    return "lost: " + ", ".join(lost) if lost else "nothing lost"


def probe_lines(health: Health) -> list[str]:
    """A short word for each probe, and for the worst one what to do."""
    if not health.probes:
        return []
    lines = ["probes: " + ", ".join(f"{p.probe} {short_word(p)}" for p in health.probes)]
    troubled = [p for p in health.probes if p.problems]
    if troubled:
        worst = min(troubled, key=lambda p: WORST_FIRST.index(p.problems[0]))
        lines.append(f"  {worst.probe}: {worst.advice}")
    return lines


def _recording_words(snapshot: Snapshot) -> str:
    state, health = snapshot.state, snapshot.health
    if state.recording_problem:
        return f"recording STOPPED: {state.recording_problem}"
    if state.recording:
        return f"recording {size(health.bytes_recorded)} to {state.recording}"
    return "recording: none"


def _cycle_words(snapshot: Snapshot) -> str:
    cycle = snapshot.cycle
    if cycle is None:
        return "no engine cycle yet"
    return f"{cycle.stretch}, cycle {cycle.index + 1}, {cycle.rpm:.0f} rpm (its mean; no uncertainty stated)"


def _cylinder_words(balance: CylinderBalance) -> str:
    name = cylinder_name(balance)
    return name if name.startswith("place") else f"cylinder {name}"


def _mains(snapshot: Snapshot) -> list[Comparison]:
    """The comparisons that get verdicts, pulses before what only follows from them."""
    comparisons = snapshot.balance.comparisons if snapshot.balance else ()
    return sorted(filter(is_main, comparisons), key=lambda c: MAIN_FEATURES.index(c.feature))


def _broken_at_joints(text: str, width: int) -> str:
    """A path is one long word: break it behind its slashes and hyphens, where it must be broken."""
    lines = [""]
    for piece in re.split(r"(?<=[-/\\\s])", text):
        if len(lines[-1]) + len(piece.rstrip()) > width:
            lines.append("")
        lines[-1] += piece
    return "\n".join(line.rstrip() for line in lines)


def _side_by_side(comparisons: list[Comparison], width: int) -> list[list[Comparison]]:
    """Comparisons in groups, each narrow enough to stand side by side."""
    blocks: list[list[Comparison]] = []
    room = 0
    for comparison in comparisons:
        takes = _column_width(comparison) + _BETWEEN
        if not blocks or takes > room:
            blocks.append([])
            room = width - _FIRST_COLUMN
        blocks[-1].append(comparison)
        room -= takes
    return blocks


def _block(comparisons: list[Comparison]) -> Table:
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1), header_style="")
    table.add_column("cylinder", no_wrap=True)
    for comparison in comparisons:
        heading = Text.assemble(
            (f"{comparison_name(comparison)}, {unit_sign(comparison)}", "bold"), f"\n{trust(comparison)}"
        )
        table.add_column(heading, width=_column_width(comparison))
    order = max(comparisons, key=lambda c: len(c.cylinders)).cylinders
    for balance in order:
        name = cylinder_name(balance)
        cells = [
            _cell(next((b for b in c.cylinders if cylinder_name(b) == name), None), _interval_width(c))
            for c in comparisons
        ]
        table.add_row(name, *cells)
    return table


def _set_up_words(comparisons: list[Comparison]) -> list[str]:
    """What the set-up alone does to the cylinders shown as disturbed, a line for each comparison."""
    out = []
    for comparison in comparisons:
        parts = [
            f"{cylinder_name(b)} by {b.predicted.low:+.0f} to {b.predicted.high:+.0f} {unit_sign(comparison)}"
            for b in comparison.cylinders
            if b.trust == "disturbed" and b.predicted is not None
        ]
        if parts:
            out.append(f"the set-up alone alters {comparison_name(comparison)} of {', of '.join(parts)}")
    return out


def _interval_width(comparison: Comparison) -> int:
    return max((len(interval(b)) for b in comparison.cylinders), default=0)


def _column_width(comparison: Comparison) -> int:
    return _interval_width(comparison) + 1 + max(len(f"{SHAPES[word]} {word}") for word in SHAPES)


def _cell(balance: CylinderBalance | None, interval_width: int) -> Text:
    if balance is None:
        return Text("not heard by this probe", style="dim")
    style = "bold" if balance.verdict in ("smaller", "larger") else ""
    return Text(f"{interval(balance):<{interval_width}} {verdict(balance)}", style=style)
