"""The band under every view: link, recording, losses, clock and disk, each in words. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .drawing import BREAK, Item, Picture, Shape, Text, rectangle
from .look import Look
from .units import NARROW_SPACE
from .view_model import ViewModel

_HIGH = 78.0
"""Of the band at nominal type, pixels."""
_LEAST_HIGH, _MOST_SHARE = 44.0, 0.155
"""Of the window's height at the most: larger type must leave the views their room."""
_LITTLE_DISK_BYTES = 1_000_000_000
"""Two hours of the fastest board; below it the band says so aloud. Ours, no source."""

_LINK_WORDS = {
    "closed": "closed",
    "opening": "opening the port",
    "syncing": "finding the board's rhythm",
    "streaming": "streaming",
    "stalled": "STALLED: no data",
    "failed": "FAILED",
}


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that is always visible. aloud: it wants to be seen now."""

    heading: str
    words: str
    aloud: bool = False


def link_part(model: ViewModel) -> Part:
    if model.contact == "waiting":
        return Part("Link", "waiting for evenstroke listen", aloud=True)
    if model.contact == "silent" and model.playing is None:
        return Part("Link", f"NOTHING HEARD for {model.silent_s or 0.0:.0f}{NARROW_SPACE}s", aloud=True)
    state = model.state
    if state is None:
        return Part("Link", "heard; its state comes within a second")
    if model.playing is not None:
        playing = model.playing
        of = f" of {playing.length_s:.0f}" if playing.length_s is not None else ""
        how = "paused" if playing.paused else f"{playing.speed:g} times real time"
        if playing.to_s is not None:
            done = f"{100 * playing.share:.0f}{NARROW_SPACE}%"
            how = f"going to {playing.to_s:.0f}{NARROW_SPACE}s: {done} worked through (Esc: stay)"
        if playing.trouble is not None:
            how += f"; jumps are slow, since playing ahead failed: {playing.trouble}"
        return Part("Replay", f"{playing.at_s:.1f}{of}{NARROW_SPACE}s, {how}")
    return Part("Link", _LINK_WORDS[state.link], aloud=state.link in ("stalled", "failed"))


def recording_part(model: ViewModel) -> Part:
    state = model.state
    if model.playing is not None:
        name = Path(state.port).name.replace("-", f"-{BREAK}") if state is not None else "being opened"
        return Part("Recording", name)
    if state is None or model.contact == "silent":
        return Part("Recording", "not known")
    if state.recording_problem is not None:
        return Part("Recording", f"STOPPED: {state.recording_problem}", aloud=True)
    if state.recording is None:
        return Part("Recording", "NOT recording (R begins one)", aloud=True)
    size = model.health.bytes_recorded if model.health is not None else 0
    return Part("Recording", f"on, {bytes_words(size)}")


def losses_part(model: ViewModel) -> Part:
    health = model.health
    if health is None:
        return Part("Lost", "not known")
    total = health.lost_samples
    words = f"{total} of {health.samples + total} scans" if total else "nothing"
    if model.losing:
        words = f"LOSING DATA: {words}"
    board = health.board_overruns + health.board_blocks_dropped + health.board_edges_missed
    if board:
        words += f"; the board itself missed {board}"
    queued = sum(queue.dropped for queue in health.queues)
    if queued:
        words += f"; {queued} dropped in this computer"
    if model.missed or model.dropped:
        words += f"; not shown here: {model.missed + model.dropped} messages"
    if model.unreadable:
        words += f"; {model.unreadable} messages of another version: update this viewer"
    return Part("Lost", words, aloud=bool(model.losing or model.unreadable))


def clock_part(model: ViewModel) -> Part:
    health = model.health
    if health is None or health.clock_ppm is None:
        return Part("Board's clock", "not known yet")
    width = health.clock_uncertainty_ppm
    unit = f"{NARROW_SPACE}ppm"
    if width is None:
        return Part("Board's clock", f"{_whole(health.clock_ppm)}{unit}, uncertainty unknown")
    return Part(
        "Board's clock",
        f"{_whole(health.clock_ppm)}{NARROW_SPACE}±{NARROW_SPACE}{width:.0f}{unit} (95{NARROW_SPACE}%)",
    )


def _whole(value: float) -> str:
    return f"{value:+.0f}".replace("-", "\N{MINUS SIGN}")


def disk_part(model: ViewModel) -> Part:
    health = model.health
    if model.playing is not None or health is None or health.disk_free_bytes is None:
        return Part("Disk", "not in use")
    free = health.disk_free_bytes
    little = free < _LITTLE_DISK_BYTES
    return Part("Disk", f"{'ONLY ' if little else ''}{bytes_words(free)} free", aloud=little)


def parts(model: ViewModel) -> tuple[Part, ...]:
    """In the order in which they stand in the band."""
    return (
        link_part(model),
        recording_part(model),
        losses_part(model),
        clock_part(model),
        disk_part(model),
    )


def bytes_words(count: int) -> str:
    """Bytes for people: "830 kB", "1.4 GB"."""
    value = float(count)
    for unit in ("bytes", "kB", "MB"):
        if value < 1000:
            return f"{value:.0f}{NARROW_SPACE}{unit}"
        value /= 1000
    return f"{value:.1f}{NARROW_SPACE}GB"


def high_of(width: float, height: float, look: Look) -> float:
    """The band's height in a window of this size, logical pixels."""
    return max(_LEAST_HIGH, min(look.px(_HIGH, width, height), _MOST_SHARE * height))


_SHARES = (0.19, 0.22, 0.27, 0.18, 0.14)


def band(model: ViewModel, width: float, height: float, look: Look) -> Picture:
    """The band as a picture of this size, logical pixels."""
    theme = look.theme
    items: list[Item] = []
    shown = parts(model)
    gap = 0.008 * width
    x = gap
    small, large = 0.22 * height, 0.30 * height
    for part, share in zip(shown, _SHARES, strict=True):
        wide = share * (width - gap) - gap
        if part.aloud:
            items.append(Shape(rectangle(x, 2, wide, height - 4), theme.alarm))
        colour = theme.on_alarm if part.aloud else theme.ink
        quiet = theme.on_alarm if part.aloud else theme.quiet
        inner = wide - 2 * gap
        items.append(Text(x + gap, 0.06 * height, inner, 0.27 * height, part.heading, small, quiet))
        items.append(
            Text(x + gap, 0.33 * height, inner, 0.62 * height, part.words, large, colour, bold=True, least=7)
        )
        x += wide + gap
    words = ". ".join(f"{part.heading}: {part.words.replace(BREAK, '')}" for part in shown)
    return Picture(width, height, theme.panel, tuple(items), words)
