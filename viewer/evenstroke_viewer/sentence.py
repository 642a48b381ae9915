"""Words: what is found, in one sentence, how sure that is, and the one thing to do now. No Qt here."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from evenstroke_dsp.messages import (
    CauseOfFinding,
    Coaching,
    Comparison,
    CylinderBalance,
    Finding,
    PhaseName,
)
from evenstroke_dsp.names import cylinder_name, pulse_name
from evenstroke_dsp.wording import counted, listed

from .drawing import Item, Picture, Shape, Text, rectangle
from .look import Look
from .trust import LOUD_WORDS, with_reasons
from .units import NARROW_SPACE, PressureUnit, shown
from .view_model import ViewModel

_MINUS = "\N{MINUS SIGN}"
_CAUSE_WORDS: dict[CauseOfFinding, str] = {
    "spread": "healthy engines show as much",
    "set-up": "what is fitted accounts for it",
    "engine": "the engine: healthy ones do not show as much",
    "unclear": "cannot tell: engine or set-up",
}
_PHASE_WORDS: dict[PhaseName, str] = {
    "rest": "the engine stands",
    "cranking": "the starter turns it",
    "running": "the engine RUNS",
    "coasting": "it runs out",
}
_MOST_NOW = 150
"""Letters of an instruction that are shown large; what is left follows smaller."""


_MOST_ALSO = 2
"""Cylinders beside the first finding's that are named."""


@dataclass(frozen=True, slots=True)
class Saying:
    """All that the view says. now: the one instruction; then: what follows on it. alarm: it must be obeyed now.
    facts, coach: headings with words."""

    sentence: str
    now: str
    then: str
    alarm: bool
    facts: tuple[tuple[str, str], ...]
    coach: tuple[tuple[str, str], ...]


def say(model: ViewModel) -> Saying:
    """What to say of the stream as it is now."""
    troubled = _link(model)
    sentence, instruction = troubled or _engine(model)
    coach = model.state.coach if model.state is not None and model.contact == "heard" else None
    alarm = coach is not None and coach.alarm is not None
    if alarm:
        assert coach is not None
        # What it is due to is mended once the starter is let go.
        instruction = f"{coach.words}\n{instruction}" if troubled is not None else coach.words
    now, then = split(instruction)
    if model.losing and troubled is None and model.playing is None:
        then = (
            f"{then} Samples are being lost: why, and what to do, stands in the fifth view (key 5).".strip()
        )
    facts = _facts(model)
    if troubled is not None and model.finding is not None and model.finding.findings:
        facts = (("Found until then", _engine(model)[0]), *facts[:1])
    return Saying(sentence, now, then, alarm, facts, _coach(model, coach))


def _link(model: ViewModel) -> tuple[str, str] | None:
    """What is wrong with the way from the board to here, and what to do about it; None: nothing."""
    if model.contact == "waiting" and model.playing is None:
        return (
            f"Waiting: nothing is published at {model.where} yet.",
            "Start evenstroke listen with the board's port and the set-up; this window finds it by itself.",
        )
    state = model.state
    # Who gave the board up has said so, and ends: that is no news of its own.
    given_up = state is not None and state.link == "failed"
    if model.contact == "silent" and model.playing is None and not given_up:
        return (
            "Nothing is heard of evenstroke any more.",
            "Let go of the starter. See whether evenstroke listen still runs, and start it again; this window "
            "finds it by itself.",
        )
    if state is None or (model.playing is not None and state.link != "failed"):
        return None
    match state.link:
        case "stalled":
            return (
                f"The board sends nothing: {state.reason}.",
                "Let go of the starter. Check the board's cable; it is looked for by itself.",
            )
        case "failed" if model.playing is not None:
            return ("This recording cannot be played on.", state.reason)
        case "failed":
            return (
                f"The board is lost: {state.reason}.",
                "Check cable and board, and start evenstroke listen again.",
            )
        case "opening" | "syncing":
            return (
                f"Not listening yet: {state.reason}.",
                "Do not crank yet: wait until the board streams.",
            )
        case "closed":
            found = _engine(model)
            return (found[0], found[1] if model.finding is not None else state.reason)
    return None


def _engine(model: ViewModel) -> tuple[str, str]:
    """What is found in the engine, and the instruction that goes with it."""
    finding, state = model.finding, model.state
    if finding is None and model.playing is not None:
        return ("Nothing has turned yet in this recording.", "Play on: Space; F goes ten seconds on.")
    coach = state.coach if state is not None else None
    if (
        finding is None
    ):  # nothing came yet, or what the set-up does is still being worked out beside the crank
        words = coach.words if coach is not None else ""
        if model.cycles:
            said = f"{counted(len(model.cycles), 'cycle')} so far; nothing is compared yet."
            return (said, words or "Wait: the balance follows.")
        return ("Listening: nothing has turned yet.", words or "Wait for the first samples.")
    if (
        finding.refused is not None
        and model.playing is not None
        and finding.phase == "rest"
        and not model.cycles
    ):
        return ("Nothing has turned yet in this recording.", "Play on: Space; F goes ten seconds on.")
    instruction = coach.words if coach is not None and coach.words else finding.instruction
    if finding.refused is not None:
        if coach is not None and finding.phase == "rest" and not (model.cycles or coach.starter_total_s):
            # Before the first crank this is no news; whoever did crank learns what the signals lack.
            lacking = split(finding.refused, most=110)[1]
            instruction += f"\nIf the engine did turn: {lacking[:1].lower()}{lacking[1:]}" if lacking else ""
            return ("Nothing has turned yet, as far as the signals tell.", instruction)
        first, rest = split(finding.refused, most=110)
        return (first, rest or instruction)
    if finding.findings:
        return (_found(model, finding.findings[0]), instruction)
    judged = judged_cylinders(model.comparisons)
    undecided = [b for _, b in judged if b.verdict == "undecided"]
    if model.comparisons and state is not None and state.engine.cylinders == 1:
        if finding.phase == "rest":
            left_s = coach.rest_left_s if coach is not None else 0.0
            resting = f"Rest the starter: {left_s:.0f} s to go (the maker's figure rules). " if left_s else ""
            # What the coach asks for is a second crank for a verdict, which one cylinder never has.
            instruction = f"{resting}See its pulses over each other in the sixth view (key 6)."
        return ("One cylinder: there is no other to compare it with.", instruction)
    if not judged:
        turning = finding.phase in ("cranking", "running")
        return (
            "Counting cycles: too few to compare yet."
            if turning
            else "Ready: nothing has been compared yet.",
            instruction,
        )
    if undecided:
        return (
            f"Cannot tell yet: {len(undecided)} of {len(judged)} comparisons are undecided; nothing odd repeats so far.",
            instruction,
        )
    if all(b.trust == "disturbed" for _, b in judged):
        return ("Cannot tell: what is fitted disturbs every comparison; none of them is odd.", instruction)
    return ("Nothing odd repeats: every cylinder compares even.", instruction)


def judged_cylinders(comparisons: tuple[Comparison, ...]) -> list[tuple[Comparison, CylinderBalance]]:
    """All that has a verdict."""
    return [(c, b) for c in comparisons for b in c.cylinders if b.verdict is not None]


def balance_of(model: ViewModel, finding: Finding) -> tuple[Comparison, CylinderBalance] | None:
    """The comparison and cylinder that a finding speaks of, as last published."""
    for comparison, balance in judged_cylinders(model.comparisons):
        label = balance.cylinder if balance.cylinder is not None else balance.position
        if (comparison.probe, comparison.feature) == (
            finding.probe,
            finding.feature,
        ) and label in finding.odd_pulse_at:
            return comparison, balance
    return None


def _found(model: ViewModel, finding: Finding) -> str:
    pair = balance_of(model, finding)
    if pair is None:
        return split(finding.text, most=110)[0]
    comparison, balance = pair
    name = cylinder_name(balance)
    return (
        f"{name[0].upper()}{name[1:]}'s {pulse_name(comparison.role, comparison.feature)} is "
        f"{abs(balance.deviation or 0.0):.0f}{NARROW_SPACE}% {balance.verdict}, cycle after cycle."
    )


def _facts(model: ViewModel) -> tuple[tuple[str, str], ...]:
    finding = model.finding
    if finding is None:
        return ()
    if not finding.findings:
        judged = judged_cylinders(model.comparisons)
        if not judged or finding.refused is not None:
            return ()
        return (
            ("Compared", f"{len(judged)} comparisons over {max(b.cycles for _, b in judged)} cycles"),
            ("Trust", _trusts(model.comparisons)),
        )
    first = finding.findings[0]
    pair = balance_of(model, first)
    if pair is None:
        return ()
    comparison, balance = pair
    # A comparison's reasons are those of all its cylinders: a verdict that was withdrawn is not the one that stands here.
    because = [code for code in comparison.because if code != "verdict_withdrawn"]
    trust = with_reasons(LOUD_WORDS[balance.trust], because if balance.trust != "clean" else ())
    facts = [
        ("Deviation, 95 % interval", interval_words(comparison, balance)),
        ("Size, without an interval", size_words(balance, model.pressure_unit)),
        ("Seen in", f"{balance.cycles} cycles, probe {comparison.probe}"),
        ("Trust", trust),
        ("Made by", _made_by(model, first.cause)),
    ]
    if len(finding.findings) > 1:
        facts.append(("Also odd; by how much: key 2", _also(model, finding.findings[1:])))
    return tuple(facts)


def _made_by(model: ViewModel, cause: CauseOfFinding) -> str:
    fitted = model.state.fitted if model.state is not None else ()
    if cause == "engine" and fitted:
        where = sorted({part.cylinder for part in fitted})
        return f"the engine: neither what is fitted in {listed(map(str, where))} nor a healthy spread accounts for it"
    return _CAUSE_WORDS[cause]


def _also(model: ViewModel, findings: tuple[Finding, ...]) -> str:
    """Which pulses of which cylinders; few enough to be read from afar."""
    by_cylinder: dict[str, list[str]] = {}
    for finding in findings:
        pair = balance_of(model, finding)
        where = cylinder_name(pair[1]) if pair is not None else ", ".join(map(str, finding.odd_pulse_at))
        name = pulse_name(pair[0].role, finding.feature) if pair is not None else finding.feature
        by_cylinder.setdefault(where, []).append(name)
    parts = [
        f"{where}: {names[0]}" + (f" and {len(names) - 1} more" if len(names) > 1 else "")
        for where, found in by_cylinder.items()
        for names in [list(dict.fromkeys(found))]
    ]
    left = len(parts) - _MOST_ALSO
    more = f"; and {counted(left, 'more cylinder')}" if left > 0 else ""
    return "; ".join(parts[:_MOST_ALSO]) + more


def interval_words(comparison: Comparison, balance: CylinderBalance) -> str:
    """ "−8.6 % (−11.3 to −5.9)"."""
    sign = f"{NARROW_SPACE}°" if comparison.unit == "degrees" else f"{NARROW_SPACE}%"
    if balance.deviation is None:
        return "not known yet"
    ends = (
        "no interval yet"
        if balance.low is None or balance.high is None
        else f"{signed(balance.low)} to {signed(balance.high)}"
    )
    return f"{signed(balance.deviation)}{sign} ({ends})"


def size_words(balance: CylinderBalance, unit: PressureUnit) -> str:
    """The mean size of a pulse, with its unit."""
    return (
        "not measured"
        if balance.value is None
        else f"{shown(balance.value, balance.value_unit, unit)} on average"
    )


def signed(value: float) -> str:
    """ "−8.6", "+0.4", "0.0"."""
    text = f"{value:+.1f}".replace("-", _MINUS)
    return "0.0" if text[1:] == "0.0" else text


def _trusts(comparisons: tuple[Comparison, ...]) -> str:
    main = [c for c in comparisons if any(b.verdict is not None for b in c.cylinders)]
    return ", ".join(f"{c.probe} {c.feature}: {LOUD_WORDS[c.trust]}" for c in main)


def _coach(model: ViewModel, coach: Coaching | None) -> tuple[tuple[str, str], ...]:
    if model.contact == "waiting":
        return ()
    phase = model.finding.phase if model.finding is not None else None
    streams = model.contact == "heard" and model.state is not None and model.state.link == "streaming"
    seen = model.playing is not None or streams
    unseen = "not judged yet" if seen and phase is None else "not seen now"
    engine = ("Engine", _PHASE_WORDS[phase] if phase is not None and seen else unseen)
    cycles = f"{len(model.cycles)}"
    if coach is None:
        return (engine, ("Cycles", cycles))
    more = coach.more_cycles
    need = "" if more is None else " are enough" if more == 0 else f", about {more} more"
    cells = [
        engine,
        ("Cycles", f"{coach.cycles}{need}"),
        ("This crank", f"{coach.crank_s:.0f}{NARROW_SPACE}s"),
        ("Starter since its rest", f"{coach.starter_used_s:.0f}{NARROW_SPACE}s"),
    ]
    if coach.rest_left_s > 0:
        cells.append(("Rest, still", f"{coach.rest_left_s:.0f}{NARROW_SPACE}s"))
    if coach.cranks_wanted:
        cells.append(("Cranks done", f"{coach.cranks} of {coach.cranks_wanted}"))
    if coach.battery is not None:
        cells.append(("Battery by its probe, no interval", coach.battery))
    return tuple(cells)


def split(text: str, most: int = _MOST_NOW) -> tuple[str, str]:
    """An instruction's first part, at most so many letters where a sentence ends early enough, and what is left; a line's
    end parts them wherever it stands."""
    if "\n" in text:
        first, _, rest = text.partition("\n")
        return first.strip(), rest.strip()
    ends = [match.end() for match in re.finditer(r"[.;](?=\s)", text)]
    ends = [end for end in ends if text.count("(", 0, end) == text.count(")", 0, end)]  # not within brackets
    fitting = [end for end in ends if end <= most]
    if len(text) <= most or not ends:
        return text.strip(), ""
    end = fitting[-1] if fitting else ends[0]
    first = text[:end].strip()
    if first.endswith(";"):
        first = first[:-1] + "."
    rest = text[end:].strip()
    return first, rest[:1].upper() + rest[1:]


# --- the picture ------------------------------------------------------------------------------------------


def words_picture(model: ViewModel, width: float, height: float, look: Look) -> Picture:
    """The saying as a picture: sentence, facts, instruction and coach, from above."""
    said = say(model)
    theme = look.theme

    def px(nominal: float) -> float:
        return look.px(nominal, width, height * 1.18)  # the window is higher than this view by tabs and band

    pad = 0.022 * width
    items: list[Item] = []
    coach_high = 0.19 * height if said.coach else 0.0
    facts_high = (0.22 if len(said.facts) > 4 else 0.14) * height if said.facts else 0.0
    left = height - coach_high - facts_high - 3 * pad
    sentence_high = (0.38 if said.then else 0.44) * left
    instruction_high = left - sentence_high
    y = pad
    items.append(
        Text(pad, y, width - 2 * pad, sentence_high, said.sentence, px(54), theme.ink, True, upright="middle")
    )
    y += sentence_high
    if said.facts:
        items += _cells(said.facts, pad, y, width - 2 * pad, facts_high, px(17), px(25), look)
        y += facts_high
    y += 0.3 * pad
    items.append(Shape(rectangle(0, y, width, instruction_high), theme.alarm if said.alarm else theme.panel))
    ink = theme.on_alarm if said.alarm else theme.ink
    now_share = _share(said.now, said.then)
    inner = width - 2 * pad
    place = (pad, y + 0.03 * instruction_high, inner, now_share * instruction_high)
    items.append(Text(*place, said.now, px(46), ink, bold=True, upright="middle"))
    if said.then:
        place = (pad, y + (0.04 + now_share) * instruction_high, inner, (0.94 - now_share) * instruction_high)
        items.append(Text(*place, said.then, px(30), ink, upright="middle"))
    y += instruction_high + 0.4 * pad
    if said.coach:
        items += _cells(said.coach, pad, y, width - 2 * pad, coach_high, px(17), px(30), look)
    spoken = [said.sentence, said.now, said.then]
    spoken += [f"{heading}: {words}." for heading, words in (*said.facts, *said.coach)]
    return Picture(width, height, theme.ground, tuple(items), " ".join(filter(None, spoken)))


def _share(now: str, then: str) -> float:
    """Of the height of both: by the lines that each takes in its own type."""
    if not then:
        return 0.94
    first, rest = 46 * math.ceil(len(now) / 45), 30 * math.ceil(len(then) / 70)
    return max(0.3, min(0.6, 0.94 * first / (first + rest)))


def _cells(
    cells: tuple[tuple[str, str], ...],
    x: float,
    y: float,
    width: float,
    height: float,
    small: float,
    large: float,
    look: Look,
) -> list[Item]:
    """Headings with words side by side, in rows of at most four, wide ones where there is much to say."""
    rows = [cells] if len(cells) <= 4 else [cells[: (len(cells) + 1) // 2], cells[(len(cells) + 1) // 2 :]]
    items: list[Item] = []
    high = height / len(rows)
    for row in rows:
        weights = [max(12.0, min(60.0, float(max(len(h), len(w))))) for h, w in row]
        at = x
        for (heading, words), weight in zip(row, weights, strict=True):
            wide = width * weight / sum(weights)
            inner = wide - 0.012 * width
            items.append(Text(at, y, inner, 0.36 * high, heading, small, look.theme.quiet, least=6))
            items.append(
                Text(at, y + 0.36 * high, inner, 0.62 * high, words, large, look.theme.ink, True, least=7)
            )
            at += wide
        y += high
    return items
