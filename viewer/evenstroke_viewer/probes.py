"""Probes: the health of each, what is wrong with it, and what to do about it. No Qt here.

Which problems there are, and what helps, is the daemon's word (`evenstroke_dsp.health`); here it is put in order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from evenstroke_dsp.health import ADVICE, BAD, MEMORY_S, SHORT_WORDS, WORST_FIRST, advice_for
from evenstroke_dsp.messages import Health, ProbeHealth
from evenstroke_dsp.setup import ROLE_WORDS
from evenstroke_dsp.wording import counted

from .columns import RunningColumns
from .drawing import Curve, Disc, Item, Line, Picture, Shape, Spot, Text, rectangle
from .look import Look, Theme
from .strip import lanes_of, scale
from .units import NARROW_SPACE, shown
from .view_model import ViewModel

_TRACE_S = 3.0
_MINUS = "\N{MINUS SIGN}"
_LOST_EVENTS = (
    "Events are missed or doubled, and the link lost some of what was sent: check the board's cable first. If nothing is "
    "lost any more, move the pick-up, or change its threshold."
)
_MOST_STEPS = 4096
"""A swing over more is never too small, and its steps may be the noise's."""
_LEAST_SHARE = 0.0005
"""Shares below half a tenth of a per cent are shown as none."""
_ROOM = (46.0, 20.0)
"""Height of a card, logical pixels, from which it holds everything, and from which it holds a fact under its name."""
State = Literal["waiting", "good", "doubtful", "bad"]
_STATE_WORDS: dict[State, str] = {"waiting": "waiting", "good": "good", "doubtful": "doubtful", "bad": "bad"}
_REASONS = {
    "not_cobs": "garbled frames",
    "too_short": "frames cut short",
    "too_long": "frames without an end",
    "bad_crc": "frames with a wrong checksum",
    "unknown_kind": "frames of an unknown kind",
    "bad_length": "frames of a wrong length",
    "bad_field": "frames with an impossible value",
    "samples_missing": "blocks of samples that never arrived",
    "edges_missing": "edges that never arrived",
    "repeated": "blocks that came twice",
}


@dataclass(frozen=True, slots=True)
class Card:
    """One probe. troubles: what is wrong, worst first, each with what to do. facts: what is measured, each with its
    unit."""

    probe: str
    role: str
    state: State
    word: str
    troubles: tuple[tuple[str, str], ...]
    note: str
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """All that the view says. sentence: about all probes; now: the one instruction; chosen: the card it concerns, None:
    none. alarm: somebody is needed. losses: what was lost, in words."""

    sentence: str
    now: str
    alarm: bool
    chosen: int | None
    cards: tuple[Card, ...]
    losses: str


def panel_of(model: ViewModel, chosen: int | None = None) -> Panel:
    """chosen: the card that somebody asks about; None: the worst."""
    health = model.health
    if health is None:
        waiting = model.contact == "waiting"
        return Panel(
            "No probe has been heard yet.",
            "Start evenstroke listen with the board's port and the set-up; this window finds it by itself."
            if waiting
            else "Wait: the daemon says how the probes are once a second.",
            *(waiting, None, (), ""),
        )
    cards = tuple(_card(model, probe) for probe in health.probes)
    troubled = sorted((k for k, c in enumerate(cards) if c.troubles), key=lambda k: _rank(health.probes[k]))
    losses = _losses(health)
    if chosen is not None and cards:
        chosen %= len(cards)
        card = cards[chosen]
        advice = " ".join(f"{_capital(what)}: {do}" for what, do in card.troubles) or card.note
        now = (
            f"{advice or 'Nothing is wrong with it.'} Now: {'; '.join(card.facts) or 'nothing measured yet'}."
        )
        return Panel(
            f"{card.probe} ({card.role}): {card.word}.", now, bool(card.troubles), chosen, cards, losses
        )
    stale = _stale(model)
    if stale is not None:
        return Panel(*stale, alarm=True, chosen=None, cards=cards, losses=losses)
    if model.losing:  # it makes the other troubles, or hides them
        lossy = [k for k in troubled if "lost_samples" in health.probes[k].problems]
        sentence = f"Samples are being lost: {counted(model.losing, 'scan')} in the last seconds."
        chosen = lossy[0] if lossy else None
        return Panel(sentence, ADVICE["lost_samples"], alarm=True, chosen=chosen, cards=cards, losses=losses)
    if troubled:
        card = cards[troubled[0]]
        more = len(troubled) - 1
        others = f" {more} more {'needs' if more == 1 else 'need'} you after it." if more else ""
        sentence = f"{card.probe}: {card.word}.{others}"
        return Panel(
            sentence, card.troubles[0][1], alarm=True, chosen=troubled[0], cards=cards, losses=losses
        )
    waits = [c for c in cards if c.state == "waiting"]
    if waits and model.playing is not None:
        return Panel(*_standing_in_replay(model, len(cards)), False, None, cards, losses)
    if waits:
        count = (
            "Every probe waits" if len(waits) == len(cards) else f"{len(waits)} of {len(cards)} probes wait"
        )
        now = "Nothing is wrong so far. What they hear shows once the engine turns."
        if model.cycles:  # it has turned, and their judgement is of the last seconds
            count, now = (
                f"The engine stands: {count[0].lower()}{count[1:]}",
                "Nothing is wrong now. " + _AGAIN,
            )
        return Panel(f"{count} for the engine.", now, alarm=False, chosen=None, cards=cards, losses=losses)
    return Panel(
        f"All {len(cards)} probes are good." if len(cards) != 1 else "The probe is good.",
        *("Nothing to do here.", False, None, cards, losses),
    )


def _standing_in_replay(model: ViewModel, probes: int) -> tuple[str, str]:
    """Nothing will turn by itself in a recording: where in it to look instead."""
    whom = "no probe is judged" if probes > 1 else "the probe is not judged"
    if model.cycles:
        return (
            f"The engine stands at this moment of the recording: {whom}.",
            "Go back to where it turns: B goes ten seconds back, the slider anywhere.",
        )
    return (
        f"The engine does not turn yet at this moment of the recording: {whom}.",
        "Go on to where it turns: Space plays, F goes ten seconds on, the slider anywhere.",
    )


_AGAIN = "Look here while it is cranked again; the first view (key 1) says whether to."


def _stale(model: ViewModel) -> tuple[str, str] | None:
    """Where nothing comes any more, what is shown was."""
    if model.playing is not None:
        return None
    state = model.state
    if model.contact == "silent" and (state is None or state.link != "failed"):
        return (
            f"Nothing is heard for {model.silent_s or 0.0:.0f}{NARROW_SPACE}s: this is how the probes were.",
            "Let go of the starter. See whether evenstroke listen still runs, and start it again.",
        )
    if state is not None and state.link in ("stalled", "failed"):
        return (
            "The board sends nothing: this is how the probes were.",
            "Let go of the starter. Check the board's cable."
            + (" Then start evenstroke listen again." if state.link == "failed" else ""),
        )
    return None


def _rank(probe: ProbeHealth) -> tuple[bool, int]:
    code = probe.problems[0]
    return (code not in BAD, WORST_FIRST.index(code) if code in WORST_FIRST else len(WORST_FIRST))


def _card(model: ViewModel, probe: ProbeHealth) -> Card:
    on_the_way = model.health is not None and any(
        loss.reason in ("edges_missing", "samples_missing") for loss in model.health.losses
    )
    troubles = tuple(
        (
            SHORT_WORDS.get(code, code.replace("_", " ")),
            _LOST_EVENTS
            if code == "sync_irregular" and on_the_way
            else advice_for(probe.role, code) or probe.advice,
        )
        for code in probe.problems
    )
    word = troubles[0][0] if troubles else _STATE_WORDS[probe.state]
    role = ROLE_WORDS.get(probe.role, probe.role.replace("_", " "))
    if probe.role == "other":
        role = "recorded, not judged"
    note = "" if troubles else probe.advice
    return Card(probe.probe, role, probe.state, word, troubles, note, tuple(_facts(model, probe)))


def _facts(model: ViewModel, probe: ProbeHealth) -> list[str]:
    unit = model.pressure_unit

    def value(of: float, figures: int = 2) -> str:
        return shown(of, probe.unit, unit, figures=figures).replace("-", _MINUS)

    facts = []
    if probe.events is not None:
        facts.append(f"{probe.events} {'teeth' if probe.role == 'crank_teeth' else 'events'} so far")
    if probe.low is not None and probe.high is not None:
        facts.append(f"{value(probe.low, 3)} to {value(probe.high, 3)}")
    if probe.noise_rms is not None:
        facts.append(f"noise {value(probe.noise_rms)} rms")
    if probe.signal_to_noise_db is not None:
        facts.append(f"pulse over noise {probe.signal_to_noise_db:.0f}{NARROW_SPACE}dB".replace("-", _MINUS))
    if probe.clipped_share is not None and probe.clipped_share >= _LEAST_SHARE:
        facts.append(f"cut off for {100 * probe.clipped_share:.1f}{NARROW_SPACE}% of the time")
    if probe.lost_share is not None and probe.lost_share >= _LEAST_SHARE:
        facts.append(f"{100 * probe.lost_share:.1f}{NARROW_SPACE}% lost")
    if probe.steps is not None and probe.steps <= _MOST_STEPS:
        facts.append(f"{probe.steps} converter steps")
    if probe.mains_hz is not None and probe.mains_amplitude is not None:
        facts.append(f"{probe.mains_hz:.0f}{NARROW_SPACE}Hz mains {value(probe.mains_amplitude)}")
    return facts


def _losses(health: Health) -> str:
    """What was lost on the way, by reason; what the board and this computer had to leave."""
    parts = []
    for loss in health.losses:
        count = max(loss.frames, loss.blocks)
        amount = f"{count}" if count else f"{loss.bytes}{NARROW_SPACE}bytes:"
        parts.append(f"{amount} {_REASONS.get(loss.reason, loss.reason.replace('_', ' '))}")
    for count, words in (
        (health.board_overruns, "times the board was too slow"),
        (health.board_blocks_dropped, "blocks that the board left out"),
        (health.board_edges_missed, "edges that the board missed"),
    ):
        if count:
            parts.append(f"{count} {words}")
    for queue in health.queues:
        if queue.dropped:
            parts.append(f"{queue.dropped} that this computer left out of its queue '{queue.queue}'")
    if not parts:
        return ""
    return f"Lost since it listens: {'; '.join(parts)}. Losses go on? Lower rate_hz, and check the cable."


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def moved(panel: Panel, by: int) -> int | None:
    """The card so many on from the one that is chosen."""
    if not panel.cards:
        return None
    return ((panel.chosen if panel.chosen is not None else -1 if by > 0 else 0) + by) % len(panel.cards)


# --- the picture ------------------------------------------------------------------------------------------


class Probes:
    """Draws the view; keeps what was worked out of each waveform from picture to picture."""

    def __init__(self) -> None:
        self._columns: dict[str, RunningColumns] = {}

    def picture(self, model: ViewModel, panel: Panel, width: float, height: float, look: Look) -> Picture:
        theme = look.theme

        def px(nominal: float) -> float:
            return look.px(nominal, width, height * 1.18)

        pad = 0.018 * width
        head = (0.44 if not panel.cards else 0.15) * height
        orders = (0.40 if not panel.cards else 0.17) * height
        items: list[Item] = [
            Text(
                pad,
                0,
                width - 2 * pad,
                head,
                panel.sentence,
                px(46),
                theme.ink,
                True,
                upright="middle",
                least=8,
            ),
            Shape(rectangle(0, head, width, orders), theme.alarm if panel.alarm else theme.panel),
            Text(
                *(pad, head + 0.06 * orders, width - 2 * pad, 0.88 * orders, panel.now, px(30)),
                *(theme.on_alarm if panel.alarm else theme.ink, True),
                upright="middle",
                least=8,
            ),
        ]
        spots = []
        foot = (0.10 if panel.losses else 0.05) * height if panel.cards else 0.0
        top = head + orders + 0.012 * height
        columns = 1 if len(panel.cards) <= 2 else 2 if len(panel.cards) <= 8 else 3
        rows = max(1, -(-len(panel.cards) // columns))
        wide = (width - pad) / columns
        high = (height - foot - top) / rows
        for k, card in enumerate(panel.cards):
            x, y = pad + (k // rows) * wide, top + (k % rows) * high
            box = (x, y, wide - pad, high - 0.012 * height)
            items += self._card(model, card, box, px, theme, chosen=panel.chosen == k)
            spots.append(Spot(*box, str(k), f"{card.probe}: {card.word}"))
        if panel.cards:
            words = f"{panel.losses} " if panel.losses else ""
            words += (
                f"Levels are those of the last {MEMORY_S:.0f}{NARROW_SPACE}s, without an interval. "
                f"The running line is the last {_TRACE_S:.0f}{NARROW_SPACE}s. Arrows or a click: one probe; Home: the worst."
            )
            items.append(
                Text(
                    pad,
                    height - foot,
                    width - 2 * pad,
                    foot,
                    words,
                    px(15),
                    theme.quiet,
                    upright="middle",
                    least=7,
                )
            )
        spoken = [panel.sentence, panel.now]
        spoken += [f"{c.probe}, {c.role}: {c.word}. {'; '.join(c.facts)}." for c in panel.cards]
        return Picture(width, height, theme.ground, tuple(items), " ".join(spoken), tuple(spots))

    def _card(
        self,
        model: ViewModel,
        card: Card,
        box: tuple[float, float, float, float],
        px: object,
        theme: Theme,
        *,
        chosen: bool,
    ) -> list[Item]:
        assert callable(px)
        x, y, wide, high = box
        items: list[Item] = [Shape(rectangle(*box), theme.panel)]
        if chosen:
            items.append(Line(rectangle(*box), theme.ink, 3.0, closed=True))
        # Small cards say less: the chosen one says the rest above.
        lines = 3 if high >= _ROOM[0] else 2 if high >= _ROOM[1] else 1
        side = min(0.62 * high, 0.11 * wide)
        inset = 0.02 * wide
        items += _sign(card.state, x + inset + side / 2, y + high / 2, side / 2, theme)
        left = x + 2 * inset + side
        running = lines == 3 and card.probe in lanes_of(model)
        trace = 0.24 * wide if running else 0.0
        inner = x + wide - inset - left - (trace + inset if running else 0.0)
        first = {1: 0.88, 2: 0.46, 3: 0.30}[lines] * high
        place = (left, y + 0.06 * high, 0.5 * inner, first)
        items.append(Text(*place, card.probe, px(36), theme.ink, True, upright="middle", least=6))
        troubled = bool(card.troubles)
        place = (left + 0.52 * inner, y + 0.06 * high, 0.48 * inner, first)
        if troubled:
            items.append(Shape(rectangle(*place), theme.alarm))
        words = card.word + (f"{NARROW_SPACE}(+{len(card.troubles) - 1})" if len(card.troubles) > 1 else "")
        ink = theme.on_alarm if troubled else theme.ink
        items.append(Text(*place, words, px(34), ink, True, align="centre", upright="middle", least=6))
        facts = [fact.replace(" ", NARROW_SPACE) for fact in card.facts] or [card.note]
        if lines == 3:
            place = (left, y + 0.37 * high, inner, 0.2 * high)
            items.append(Text(*place, card.role, px(22), theme.quiet, upright="middle", least=6))
            place = (left, y + 0.57 * high, inner, 0.4 * high)
            size = min(px(21), 0.18 * high)
            items.append(Text(*place, "; ".join(facts), size, theme.ink, upright="middle", least=6))
        elif lines == 2:
            place = (left, y + 0.54 * high, inner, 0.42 * high)
            items.append(Text(*place, facts[0], px(21), theme.ink, upright="middle", least=6))
        if running:
            items += self._trace(
                model, card.probe, (x + wide - inset - trace, y + 0.1 * high, trace, 0.8 * high), theme
            )
        return items

    def _trace(
        self, model: ViewModel, name: str, box: tuple[float, float, float, float], theme: Theme
    ) -> list[Item]:
        x, y, wide, high = box
        keeper = model.raw if name in model.raw.probes else model.conditioned
        width_s = _TRACE_S / max(1, int(wide))
        until = math.floor(model.now_s / width_s) * width_s
        columns = self._columns.setdefault(name, RunningColumns(name)).between(
            keeper, until - _TRACE_S, until, width_s
        )
        times, values = columns.outline()
        known = values[np.isfinite(values)]
        if not known.size:
            return []
        low, top = scale(float(known.min()), float(known.max()))
        xs = x + (times - (until - _TRACE_S)) / _TRACE_S * wide
        ys = y + high - (values - low) / (top - low) * high
        base = Line(((x, y + high), (x + wide, y + high)), theme.rule)
        return [Shape(rectangle(x, y, wide, high), theme.ground), base, Curve(xs, ys, theme.ink)]


def _sign(state: State, x: float, y: float, radius: float, theme: Theme) -> list[Item]:
    """A shape for each state, so that no colour is needed: hook, query, cross, three dots."""
    if state == "waiting":
        return [
            Disc(x, y, radius, None, theme.quiet, 2.0, dashed=True),
            *(Disc(x + d * radius, y, 0.1 * radius, theme.quiet) for d in (-0.4, 0.0, 0.4)),
        ]
    thick = max(2.0, 0.16 * radius)
    if state == "good":
        hook = (
            (x - 0.45 * radius, y),
            (x - 0.1 * radius, y + 0.38 * radius),
            (x + 0.5 * radius, y - 0.4 * radius),
        )
        return [Disc(x, y, radius, theme.ground, theme.ink, 2.0), Line(hook, theme.ink, thick)]
    if state == "doubtful":
        corners = ((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y))
        size = (x - radius, y - radius, 2 * radius, 2 * radius)
        return [
            Shape(corners, theme.alarm),
            Text(*size, "?", 1.1 * radius, theme.on_alarm, True, align="centre", upright="middle", least=6),
        ]
    box = rectangle(x - 0.85 * radius, y - 0.85 * radius, 1.7 * radius, 1.7 * radius)
    arm = 0.42 * radius
    return [
        Shape(box, theme.alarm),
        Line(((x - arm, y - arm), (x + arm, y + arm)), theme.on_alarm, thick),
        Line(((x - arm, y + arm), (x + arm, y - arm)), theme.on_alarm, thick),
    ]
