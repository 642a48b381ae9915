"""`evenstroke setup check --live`: what each probe's signal says at rest, and, where somebody cranks, while cranking."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from evenstroke_dsp.health import SHORT_WORDS, advice_for, short_word
from evenstroke_dsp.messages import ProbeHealth
from evenstroke_dsp.setup import EDGE_ROLES, PULSE_ROLES, Setup
from evenstroke_dsp.wording import counted

from .service import Snapshot

REST_S = 3.0
"""Two seconds are looked back over, and the first fraction of a second may hold the board's start."""
ENOUGH_CYCLES = 6
_CRANKING = ("cranking", "running")


class LiveCheck:
    """Watches a session's snapshots: keeps each probe's health at rest and while it turned.

    say: for the person at the board, one sentence at a time. may_crank: nothing in the set-up forbids it.
    """

    def __init__(self, setup: Setup, say: Callable[[str], None], *, may_crank: bool) -> None:
        self._setup = setup
        self._say = say
        self._may_crank = may_crank
        self._streaming_from: float | None = None
        self._asked = False
        self._rest: tuple[ProbeHealth, ...] = ()
        self._cranked: tuple[ProbeHealth, ...] = ()
        self._cycles = 0
        self.finished = False
        """Everything that can be checked has been; the session may end."""

    def look(self, snapshot: Snapshot) -> None:
        """Takes one snapshot."""
        state, finding = snapshot.state, snapshot.finding
        if state.link != "streaming":
            return
        if self._streaming_from is None:
            self._streaming_from = state.at_s
        phase = finding.phase if finding is not None else "rest"
        probes = snapshot.health.probes
        if phase in _CRANKING:
            self._cranked = probes
            if snapshot.cycle is not None:
                self._cycles = snapshot.cycle.index + 1
        elif not self._cranked and any(p.low is not None for p in probes):
            self._rest = probes
        if not self._asked and state.at_s - self._streaming_from >= REST_S and not self._cranked:
            self._asked = True
            self._ask()
        elif self._cranked and phase not in _CRANKING and self._cycles >= 1:
            self.finished = True
        elif self._cycles >= ENOUGH_CYCLES and phase == "cranking" and not self.finished:
            self._say("Enough: stop cranking.")
            self.finished = True

    def _ask(self) -> None:
        if self._may_crank:
            self._say(
                "Checked at rest. Now crank for five seconds, when everybody is clear, to check what only turning shows."
            )
        else:
            self._say("Checked at rest. Do not crank: the set-up holds a danger that is not provided for.")
            self.finished = True

    def lines(self) -> tuple[str, ...]:
        """One line for each probe, in the set-up's order, and one on what was not checked."""
        latest = self._cranked or self._rest
        if not latest:
            return ("No samples came: nothing was checked.",)
        rest = {p.probe: p for p in self._rest}
        lines = [self._line(p, rest.get(p.probe)) for p in latest]
        if not self._cranked:
            lines.append(
                "Nobody cranked: whether pulses arrive whole, the right way up and from every cylinder, and whether "
                "syncs come once a cycle, was not checked."
            )
        return tuple(lines)

    def _line(self, now: ProbeHealth, at_rest: ProbeHealth | None) -> str:
        problems = list(now.problems)
        problems += [
            code for code in (at_rest.problems if at_rest is not None else ()) if code not in problems
        ]
        if self._cranked and "flat" in problems:
            problems.remove("flat")  # it moved when the engine did, or it is dead by now
        if problems:
            return f"{now.probe}: {', '.join(_words(problems))}. {advice_for(now.role, problems[0])}"
        if self._cranked:
            return f"{now.probe}: {short_word(now)}{_figures(now)}. Nothing to do."
        if now.role in EDGE_ROLES:
            return f"{now.probe}: quiet at rest, as it should be. Crank to see its events."
        hint = " Blow into it or tap it, and see that it moves." if now.role in PULSE_ROLES else ""
        return f"{now.probe}: good at rest{_figures(now)}.{hint or ' Nothing to do.'}"


def _words(problems: Sequence[str]) -> list[str]:
    return [SHORT_WORDS[code] for code in problems]


def _figures(health: ProbeHealth) -> str:
    """The figures behind the word; none of them has a stated uncertainty."""
    parts = []
    if health.noise_rms is not None and health.role not in EDGE_ROLES:
        parts.append(f"noise {health.noise_rms:.3g} {health.unit} rms")
    if health.signal_to_noise_db is not None:
        parts.append(f"pulse {health.signal_to_noise_db:.0f} dB over noise")
    if health.events is not None:
        parts.append(counted(health.events, "event"))
    return f" ({', '.join(parts)}; no uncertainty stated)" if parts else ""
