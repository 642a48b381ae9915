"""What the person at the key should do now: battery, starter seconds, rest, and how many cranks.

Pure: it is told what happens and when. It outlives a change of the set-up, since the starter stays as warm
as it is. The limits are common practice, no source; the maker's figures rule and can be set.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import median

from evenstroke_dsp.messages import Balance, Coaching, FindingMessage, PhaseName
from evenstroke_dsp.ran_unasked import make_safe_first

MAKER = "the maker's figure rules"


@dataclass(frozen=True, slots=True)
class Limits:
    """Starter: 10 s at most, then 2 minutes' rest; 30 s is an absolute limit. Battery at rest 12.6 V +/- 0.1
    at 25 C, well under that it is low; while cranking at least 9.6 V at 20 C, the inrush of the first moments
    apart. Common practice, no source; the maker's figure rules."""

    starter_s: float = 10.0
    starter_absolute_s: float = 30.0
    rest_s: float = 120.0
    battery_good_v: float = 12.5
    battery_rest_v: float = 12.2
    battery_cranking_v: float = 9.6


CRANKS_WANTED = 2
"""Nothing is dismantled on one crank's word."""
LEAST_CRANK_S = 3.0
"""A shorter turn of the starter is no test, and does not warm it much."""
AGAIN_S = 8.0
"""How long the crank that confirms another goes on, though nothing is left to be settled: as long as that one."""
_SEEN_LATE_S = 2.0
"""A crank has gone on for about so long, at most, when it is seen: what was lost then is missing in it."""
_SAME_CRANK_S = 5.0
"""A turning that begins so soon after another goes on with its crank: events did not come, or the key slipped."""
_JUDGED_LATE_S = 1.0
"""After the board has come back, what is said of a turning engine may be of the last cycle before it went."""
_REST_READINGS = 50
"""Two seconds of readings; their median does not move with the starter's inrush."""


class Coach:
    """`say` what to do at a time; everything else tells it what happened. Times are seconds of one clock."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._used_s = 0.0  # by cranks since the last full rest, the one in progress apart
        self._total_s = 0.0
        self._stopped_at: float | None = None
        self.awaiting = False
        """What the set-up does is still being worked out: nothing is said of the balance yet."""
        self.begin("cranking")

    def begin(self, mode: str) -> None:
        """A session begins, with a set-up of its own: its cranks count from none. mode: `conditions.mode`."""
        self._mode = mode
        self._phase: PhaseName = "rest"
        self._crank_began: float | None = None
        self._enough: str | None = None  # said of the crank that goes on, or was the last
        self._blind = False  # the board went away while the starter turned
        self._back_s = -math.inf  # when it came back from that
        self._disturbed_s: float | None = None  # when the stream last lacked something, or the engine ran
        self._cranks = 0
        self._finding: FindingMessage | None = None
        self._cycles = 0
        self._fitted = False  # something that is fitted disturbs a comparison
        self._resting: deque[float] = deque(maxlen=_REST_READINGS)
        self._lowest: float | None = None
        self._just_now: deque[float] = deque()
        self._rest_doubted = 0  # readings to come that may be of an engine that turns unseen
        self._lost_s: float | None = None  # when the stream last lacked something
        self._left_out = False  # the last crank does not count, since it did

    def heard(self, finding: FindingMessage, now_s: float) -> None:
        """The pipeline's latest word."""
        self._finding = finding
        self._phase = finding.phase
        if finding.phase == "cranking":
            if not self._blind and now_s - self._back_s >= _JUDGED_LATE_S:
                self._turns(now_s)
        else:
            if finding.phase == "running":
                self._disturbed_s = now_s
            self._stands(now_s)

    def balance(self, balance: Balance) -> None:
        """What has been compared so far."""
        self._cycles = balance.cycles
        self._fitted = any(
            cylinder.trust == "disturbed" for c in balance.comparisons for cylinder in c.cylinders
        )

    def battery(self, volts: float) -> None:
        """The battery's voltage in the last moment, some dozen times a second.

        The phase follows the stream by half a second, more where an engine turns slowly: what was read in the two seconds
        before it was seen to turn counts as neither.
        """
        if self._rest_doubted and self._phase == "rest":
            self._rest_doubted -= 1
        elif self._phase == "rest":
            self._just_now.append(volts)
            if len(self._just_now) > _REST_READINGS:
                self._resting.append(self._just_now.popleft())
        elif self._phase == "cranking":
            self._lowest = volts if self._lowest is None else min(volts, self._lowest)

    def lost(self, now_s: float) -> None:
        """Something of the stream went missing: an engine that turns may seem to stand for a while."""
        self._disturbed_s = self._lost_s = now_s
        self._rest_doubted = _REST_READINGS

    def link(self, streaming: bool, now_s: float) -> None:
        """Whether the board's data come. Nobody can be told anything of a crank that is not seen."""
        if streaming:
            if self._blind:
                self._back_s = now_s
            self._blind = False
        elif self._crank_began is not None:
            self._blind, self._disturbed_s, self._lost_s = True, now_s, now_s
            self._stands(now_s)

    def _turns(self, now_s: float) -> None:
        if self._crank_began is not None:
            return
        if self._rest_left(now_s) <= 0:
            self._used_s = 0.0
        if self._stopped_at is None or now_s - self._stopped_at > _SAME_CRANK_S:
            self._enough = None
        self._crank_began, self._lowest = now_s, None
        self._just_now.clear()

    def _stands(self, now_s: float) -> None:
        if self._crank_began is None:
            return
        began_s, seconds = self._crank_began, now_s - self._crank_began
        self._crank_began, self._stopped_at = None, now_s
        self._used_s += seconds
        self._total_s += seconds
        undisturbed = self._disturbed_s is None or self._disturbed_s < began_s - _SEEN_LATE_S
        lost = self._lost_s is not None and self._lost_s >= began_s - _SEEN_LATE_S
        self._left_out = seconds >= LEAST_CRANK_S and lost
        self._cranks += seconds >= LEAST_CRANK_S and undisturbed and not self._fitted

    def _rest_left(self, now_s: float) -> float:
        if self._stopped_at is None:
            return 0.0
        return max(0.0, self._limits.rest_s - (now_s - self._stopped_at))

    @property
    def _rest_v(self) -> float | None:
        return median(self._resting) if self._resting else None

    def say(self, now_s: float) -> Coaching:
        """What to do at this moment."""
        crank_s = now_s - self._crank_began if self._crank_began is not None else 0.0
        rest_left = self._rest_left(now_s)
        used_s = self._used_s + crank_s if crank_s or rest_left else 0.0
        # What the starter took before it could rest counts against the next turn, and needs no rest of its own.
        resting = self._crank_began is None and used_s >= LEAST_CRANK_S
        stop = self._why_stop(used_s, crank_s)
        return Coaching(
            words=stop if stop is not None else self._unhurried(self._next(rest_left if resting else 0.0)),
            alarm="stop" if stop is not None else None,
            cycles=self._cycles,
            more_cycles=self._finding.more_cycles if self._finding is not None else None,
            crank_s=crank_s,
            starter_used_s=used_s,
            starter_total_s=self._total_s + crank_s,
            rest_left_s=rest_left if resting else 0.0,
            cranks=self._cranks,
            cranks_wanted=self._wanted,
            battery=self._battery_words(),
            battery_rest_v=self._rest_v,
            battery_lowest_v=self._lowest,
        )

    def _unhurried(self, words: str) -> str:
        if not self.awaiting:
            return words
        return f"{words} What this set-up does to the pulses is still being worked out: the balance follows.".lstrip()

    @property
    def _wanted(self) -> int:
        return CRANKS_WANTED if self._mode == "cranking" else 0

    def _why_stop(self, used_s: float, crank_s: float) -> str | None:
        """Why the starter is to be let go now; None when it is not, or when nobody has it turning."""
        limits = self._limits
        if self._blind:
            return "Stop cranking: nothing comes from the board. Crank again when it streams."
        if self._phase == "running" and self._mode == "cranking":
            return (
                "The engine runs: let go of the key and switch it off. Starting was to be prevented; find out why "
                "it was not before anyone cranks again."
            )
        if self._crank_began is None:
            return None
        if used_s >= limits.starter_absolute_s:
            return (
                f"Stop cranking NOW: {limits.starter_absolute_s:.0f} s without a full rest are the absolute limit "
                f"of a starter ({MAKER})."
            )
        if used_s >= limits.starter_s:
            return (
                f"Stop cranking: the starter's {limits.starter_s:.0f} s are over ({MAKER}). Rest it "
                f"{limits.rest_s:.0f} s."
            )
        # Once said it stays said, for whatever comes later of this crank: the key is being let go of.
        if (
            self._finding is not None
            and self._settled
            and crank_s >= (AGAIN_S if self._cranks else LEAST_CRANK_S)
        ):
            self._enough = self._finding.instruction
        return self._enough

    @property
    def _settled(self) -> bool:
        return self._mode == "cranking" and self._finding is not None and self._finding.more_cycles == 0

    def _next(self, rest_left: float) -> str:
        instruction = self._finding.instruction if self._finding is not None else ""
        if self._finding is not None and make_safe_first(self._finding.warnings):
            return instruction
        if self._crank_began is not None:
            if self._settled:
                return "Keep cranking" + (
                    ": this crank is to confirm the one before." if self._cranks else "."
                )
            more = self._finding.more_cycles if self._finding is not None else None
            # Without a number the pipeline may speak of a limit, of which it knows no maker's figure.
            return instruction if more is not None or self._mode == "idle" else "Keep cranking."
        if self._phase == "cranking":
            return "Wait: whether the engine turns is not known yet."  # the board has only just come back
        if self._phase != "rest":
            return instruction
        words = self._low_battery() or self._after_rest(instruction)
        if rest_left > 0:
            return f"Rest the starter: {rest_left:.0f} s to go ({MAKER}). {words}"
        # The pipeline knows no clock: the rest that a finding's next step asks for is over by now.
        found = self._finding is not None and self._finding.findings
        return f"The starter has rested. {words}" if found and self._stopped_at is not None else words

    def _after_rest(self, instruction: str) -> str:
        finding = self._finding
        if self._wanted == 0:
            return instruction
        if self._stopped_at is None or finding is None or not (self._cycles or self._cranks):
            return instruction or "Crank eight seconds when everybody is clear."
        done = f"{self._cranks} of {CRANKS_WANTED} undisturbed cranks done."
        if self._fitted:
            done += " What is fitted disturbs a comparison: cranks with it do not count."
        elif self._left_out:
            done += " Something of the last one was lost, so that it does not count: see to the cable first."
        if finding.refused is not None or finding.findings:
            return instruction if self._cranks >= CRANKS_WANTED else f"{instruction} {done}"
        settled = finding.more_cycles == 0
        if self._cranks < CRANKS_WANTED:
            so_far = "Nothing odd repeats so far" if settled else "Cannot tell yet"
            if self._fitted:  # the same again would not count either
                return f"{so_far}: take out what is fitted, refit the plugs, and crank again. {done}"
            return f"{so_far}: crank again, everything as before. {done}"
        if settled:
            return f"Nothing odd repeats, in {self._cranks} cranks: enough."
        return "Cannot tell yet for all of them: crank eight to ten seconds again."

    def _low_battery(self) -> str | None:
        """What to do about a battery that is too low to go on with."""
        limits, rest = self._limits, self._rest_v
        if rest is not None and rest < limits.battery_rest_v:
            return (
                f"The battery is low ({rest:.1f} V at rest; {limits.battery_rest_v:.1f} V or more is wanted, "
                f"{MAKER}): charge it before cranking."
            )
        if self._lowest is not None and self._lowest < limits.battery_cranking_v:
            return (
                f"The battery fell to {self._lowest:.1f} V while cranking ({limits.battery_cranking_v:.1f} V or "
                f"more is wanted, {MAKER}): charge it before cranking again."
            )
        return None

    def _battery_words(self) -> str | None:
        limits, rest, words = self._limits, self._rest_v, []
        if rest is not None and self._phase != "cranking":
            if rest < limits.battery_rest_v:
                verdict = "low, charge it first"
            else:
                verdict = "good" if rest >= limits.battery_good_v else "not full, enough to crank"
            words.append(f"{rest:.1f} V at rest: {verdict}")
        if self._lowest is not None:
            verdict = "enough" if self._lowest >= limits.battery_cranking_v else "too low, charge it first"
            words.append(f"{self._lowest:.1f} V at the lowest while cranking: {verdict}")
        return ", ".join(words) or None
