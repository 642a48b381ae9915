"""Puts the judgement document together, says what it warns of, and when it must refuse."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from .angle_record import AngleRecord
from .cautions import dangers
from .comparisons import CLIPPED_FOR_A_WHILE, SILENT_FOR_A_WHILE, ComparisonKeeper
from .cycles import CycleCutter
from .cylinder_count import other_count_of_pulses
from .findings import MEND_SERIES, findings_of
from .health import LIMITING, advice_for
from .measurement import ProbeMeasurer, no_compression
from .messages import CodedWarning, Comparison, EngineInfo, Judgement, SourceInfo, SyncInfo
from .prediction import seen_of
from .pressure_trace import pressure_traces, pressure_warnings
from .ran_unasked import BEFORE_ANYBODY_CRANKS, MAY_HAVE_RUN, STARTED
from .setup import PULSE_ROLES, Probe, Setup
from .stretches import UNSTEADY_PERCENT, StretchKeeper
from .swapped_probes import ask
from .sync_pace import OtherPace, why_not
from .sync_tracker import SyncTracker
from .valve_agreement import valve_warnings
from .valve_events import seen_events
from .wheel_tracker import WheelTracker
from .wording import counted, listed

_FASTEST_CRANK_RPM = 260.0
"""Starters turn engines at some 80 to 250 rpm (common practice, no source); a light one with a strong starter may turn faster."""
_CHARGED_V = ((12.8, 16.0), (25.6, 32.0))
"""Of a battery whose alternator charges it; while a starter turns the engine it has less (common practice, no source)."""
_DRIFT_PERCENT = 10.0
"""Simulated cranks at a steady level change by 3 % at most down to 20 dB, by 6 % at 12; one that sags by 30 % in ten seconds
by 15 to 19 % from its first counted cycle to its last."""


_FEWEST_TO_COUNT = 4
"""Cycles from which on the mean one tells how often pulses come."""

UNCOUNTED = "counts_contradicted"
"""The code where cycles, speed and angles rest on what the recording contradicts."""
_OF_PLACES = LIMITING | {
    "cylinders_unnamed", "half_cycle_open", "half_cycle_told", "strokes_open", "pipe_rings", "strokes_merge", "polarity",
    "polarity_untold", "travel_estimated", "low_corner_unknown", "speed_unsteady", "positions_set_aside", "level_drift",
    SILENT_FOR_A_WHILE, CLIPPED_FOR_A_WHILE,
}  # fmt: skip
"""Codes of what is said of pulses in their cylinders' places."""

_FOR_A_WHILE = {
    SILENT_FOR_A_WHILE: ("gone, though the engine turned,", " and in the one on either side", "dead"),
    CLIPPED_FOR_A_WHILE: ("cut off at its end", "", "clipped"),
}
"""By code of cycles that are left out: what the signal was then, which others are too, and whose remedy it has."""

_MEND_NOISE = (
    "The pick-up hears something else as well, or instead: bring it closer to its own lead or coil and away from the starter's "
    "cable, check its screen, its ground and its threshold, and crank again."
)


def refusal(
    cutter: CycleCutter,
    stretches: StretchKeeper,
    measurers: Sequence[ProbeMeasurer],
    comparisons: Sequence[Comparison],
    syncs_at_wrong_rate: Sequence[Probe],
    other_pace: OtherPace | None,
) -> str | None:
    """Why no judgement is possible, and what to do; None where one is."""
    if cutter.basis == "none" and not cutter.rotations:
        return _no_cycle(cutter)
    series = cutter.second_series
    if series is not None and series.mixed:
        return (
            f"Cannot judge: {cutter.sync_name}'s events come by turns nearer and farther apart, two for each cycle: it hears "
            f"another cylinder's coil as loud as its own, and cycles cut by both are none. {MEND_SERIES}"
        )
    if other_pace is not None and measurers:
        return f"Cannot judge: {why_not(other_pace, measurers[0].setup.engine.cylinders)}"
    if contradicted := _count_contradicted(cutter, measurers):
        return f"Cannot judge: {contradicted}"
    leading = next((p for p in syncs_at_wrong_rate if p.every == "cycle"), None)
    if leading is not None:
        return (
            f"Cannot judge: {leading.name} does not come once a cycle, as the set-up says, so that pulses cannot be "
            'given to cylinders. If it comes every revolution, write every = "revolution" and judge the same '
            "recording again; else mend the pick-up and crank again."
        )
    if stretches.cranked and no_compression(measurers):
        told = max((m for m in measurers if m.without_compression), key=lambda m: m.rhythm_of_least)
        return (
            f"Cannot judge: by {told.probe.name} the crank turns without the rhythm of compression ({_swing(told)}). Are the "
            f"plugs out, or was the wheel spun on a bench? Fit the plugs and crank again.{_or_the_clamp(told.probe)}"
            f"{_or_it_ran(stretches)}"
        )
    if not any(c.cycles for comparison in comparisons for c in comparison.cylinders):
        return (
            "Cannot judge: no complete, steady cycle with usable signals was recorded. Crank for eight to ten "
            "seconds while it is recorded, and check each probe's signal first."
        )
    return None


def _count_contradicted(cutter: CycleCutter, measurers: Sequence[ProbeMeasurer]) -> str | None:
    """Why the set-up's cylinders cannot be believed, where compression or pulses come as often as theirs cannot; else None.
    Whether the sync that counts the cycles is wrong instead no signal tells."""
    if not measurers:
        return None
    engine = measurers[0].setup.engine
    again = "Mend the set-up and judge the same recording again"
    then = f", then whether {cutter.sync_name} comes once a cycle" if cutter.sync_name else ""
    has = f"and the set-up has {engine.cylinders} cylinders"
    doubt = f"`cylinders` and `firing_order` are what to doubt first{then}"
    other = _surely_others(measurers)
    if other is not None:
        measurer, times = other
        return (
            f"by {measurer.probe.name} compression comes {times} times a cycle, {has}. {doubt}. {again}."
            f"{_if_right(engine.cylinders, times)}"
        )
    for measurer in measurers:
        pulses = _pulses_of_others(measurer)
        if pulses is not None:
            return (
                f"the pulses of {measurer.probe.name} come {pulses} times a cycle, {has}. {doubt}. {again}."
            )
    return None


def _pulses_of_others(measurer: ProbeMeasurer) -> int | None:
    """How often intake pulses come, where those of the set-up's cylinders, of which this probe hears all, cannot; else None."""
    mean, cylinders = measurer.mean_cycle, measurer.setup.engine.cylinders
    hears_all = measurer.pulses_a_cycle == cylinders and measurer.evenly_heard
    if (
        measurer.probe.role != "intake_pulse"
        or not hears_all
        or mean is None
        or mean.cycles < _FEWEST_TO_COUNT
    ):
        return None
    return other_count_of_pulses(mean.whole, cylinders)


def _surely_others(measurers: Sequence[ProbeMeasurer]) -> tuple[ProbeMeasurer, int] | None:
    """By which probe compression comes at a number of times a cycle that these cylinders cannot make, and how often it does.

    Fewer times than there are cylinders may be a fault, as where every second one does not compress, unless the set-up's own
    rhythm shows in nothing. None where any probe shows that.
    """
    if any(m.shows_compression and m.other_count is None for m in measurers):
        return None
    for measurer in measurers:
        count = measurer.other_count
        if count is None:
            continue
        cylinders = measurer.setup.engine.cylinders
        if count.surely and (count.times > cylinders or no_compression(measurers)):
            return measurer, count.times
    return None


def _if_right(cylinders: int, times: int) -> str:
    """What a compression that comes less often may mean where nothing is wrong with the set-up."""
    if times >= cylinders or cylinders % times:
        return ""
    return f" Where all that is right, only {times} of the {cylinders} cylinders compress as they should, evenly spaced."


def _mean_rpm(stretches: StretchKeeper) -> float | None:
    """Of all that was cranked; None where nothing was."""
    turned_s = sum(c.to_s - c.from_s for c in stretches.cranked)
    return 120.0 * sum(c.cycles for c in stretches.cranked) / turned_s if turned_s > 0 else None


def _or_it_ran(stretches: StretchKeeper) -> str:
    """A starter that does not turn the engine has no load."""
    rpm = _mean_rpm(stretches)
    if rpm is None or rpm <= _FASTEST_CRANK_RPM:
        return ""
    return f' Or did it run by itself, at {rpm:.0f} rpm? Then write mode = "idle" and judge the same recording again.'


def may_have_run(stretches: StretchKeeper, measurers: Sequence[ProbeMeasurer]) -> str:
    """Why what is said to be a crank may be an engine that ran by itself, slowly; empty where nothing speaks for that."""
    rpm = _mean_rpm(stretches)
    if rpm is None:
        return ""
    ask = (
        'If it idled, write mode = "idle", with `fuel` and `ignition` as they were, and judge the same recording again: what '
        "healthy engines show that are cranked says nothing of one that fires."
    )
    for m in measurers:
        scaled = m.probe.role == "battery_voltage" and m.probe.volts_per_unit is not None
        level = m.mean_level if scaled else None
        if level is not None and any(low < level < high for low, high in _CHARGED_V):
            return (
                f"{m.probe.name}: {level:.1f} V while it turned (mean, no uncertainty stated), as of a battery that is charged, "
                f"and not one that feeds a starter: did the engine run by itself? {ask}"
            )
    loads = any(m.shows_compression and m.probe.role != "crank_teeth" for m in measurers)
    if rpm <= _FASTEST_CRANK_RPM or loads:
        return ""
    return (
        f"It turned at {rpm:.0f} rpm (mean, no uncertainty stated), faster than most starters turn an engine, and nothing "
        f"that was recorded shows a starter's load: did it run by itself? {ask} Starter current recorded beside it would tell."
    )


def _why_unheard(measurer: ProbeMeasurer) -> str:
    """What else may keep a pulse from showing. One that follows closely on another is drawn into it."""
    if measurer.evenly_heard:
        return "that cylinder may hardly breathe: crank once more before that is believed."
    return (
        "the pulse just before may hide it, since those that this probe hears come at uneven intervals: that is no sign "
        "of a fault. A probe that hears all cylinders would show it."
    )


def _swing(measurer: ProbeMeasurer) -> str:
    """How much it swings with compression, and how much it should."""
    least = 100.0 * measurer.least_rhythm
    swing = least * measurer.rhythm_of_least
    return f"swing {swing:.1f} % of the mean at the firing rhythm, at least {least:.{1 if least < 1 else 0}f} % expected"


def _or_the_clamp(probe: Probe) -> str:
    """A clamp that is off the cable, or whose zero is not 0 V, shows no rhythm either; a wheel that is followed turns."""
    if probe.role == "battery_voltage":
        return (
            f" If they are in, see that {probe.name} is tapped at the battery's own posts and that no charger feeds it; starter "
            f"current shows compression more clearly. Without {probe.name} in the set-up the same recording is judged by "
            "what else it holds."
        )
    if probe.role != "starter_current":
        return ""
    zero = "" if probe.volts_at_zero else ", give its volts_at_zero where no current is not 0 V"
    return (
        f" If they are in, see that {probe.name}'s clamp is round the cable and alive{zero}; without {probe.name} in the "
        "set-up the same recording is judged by what else it holds."
    )


def _or_pick_up(probe: Probe) -> str:
    """What to look at where compression is there and this probe does not show it."""
    if probe.role == "crank_teeth":
        return " See that `teeth` and `edge` are those of the wheel and that it sits tight on the crank."
    if probe.role == "battery_voltage":
        return " See that it is tapped at the battery's own posts and that no charger feeds it."
    zero = "" if probe.volts_at_zero else ", and give its volts_at_zero where no current is not 0 V"
    return f" See that its clamp is closed round the starter's cable alone{zero}."


def _no_cycle(cutter: CycleCutter) -> str:
    """Nothing to cut cycles by."""
    came = "; ".join(cutter.came) or "no sync and no wheel is in the set-up"
    mend = (
        " Check its pick-up, its distance and its wires"
        if len(cutter.came) == 1
        else " Check the pick-ups and their wires"
    )
    check = f"{mend}, and see that the set-up describes what is fitted." if cutter.came else ""
    if cutter.listens_unevenly:
        return (
            "Cannot judge: this engine fires unevenly, and its pulses alone do not tell where in the cycle they lie "
            f"({came}).{check} Record a sync once a cycle (`ignition_sync` or `cam_sync`) beside them and crank again; if the "
            "engine did not turn, or its plugs were out, mend that first."
        )
    if cutter.listens:
        return (
            f"Cannot judge: no rhythm was found ({came}), and the pulses do not come evenly enough to be counted. Are the plugs "
            f"out? Did the engine turn?{check} Record a sync, or starter current, and crank again."
        )
    return (
        f"Cannot judge: no cycle was found ({came}).{check} Did the engine turn? Record the crank again; with a pulse probe or "
        "starter current beside it, cycles could be counted by their rhythm."
    )


def warnings_of(
    setup: Setup,
    cutter: CycleCutter,
    sync: SyncTracker | None,
    wheel: WheelTracker | None,
    stretches: StretchKeeper,
    measurers: Sequence[ProbeMeasurer],
    keeper: ComparisonKeeper,
    other_pace: OtherPace | None,
) -> tuple[CodedWarning, ...]:
    """Everything that the reader must know before using the numbers, each once."""
    out = [CodedWarning(code=danger.code, text=danger.text) for danger in dangers(setup)]

    def warn(code: str, text: str, probe: str | None = None) -> None:
        out.append(CodedWarning(code=code, text=text, probe=probe))

    if other_pace is not None:
        warn(
            "sync_rate",
            f"{cutter.sync_name}: by {other_pace.source.name} it comes otherwise than the set-up says: whose pulse is whose, "
            "how fast the engine turned, at what angle, and whether it ran by itself, is not known until that is mended.",
            probe=cutter.sync_name,
        )
        return tuple(out)
    if cutter.offset_assumed and sync is not None and sync.events:
        warn(
            "offset_assumed", "The sync's offset is not given: 0 to 30 degrees before firing TDC is assumed."
        )
    rotations = cutter.rotations
    unnamed = [r for r in rotations if not r.places_known]
    if unnamed and len(unnamed) == len(rotations):
        warn("cylinders_unnamed", "Cylinders cannot be named: positions 1, 2, ... count in order of coming.")
    elif unnamed:
        when = " and ".join(f"from {r.t[0]:.1f} to {r.t[-1]:.1f} s" for r in unnamed if r.t)
        warn(
            "cylinders_unnamed",
            f"Cylinders cannot be named {when}: there positions 1, 2, ... count in order of coming.",
        )
    elif rotations and any(r.half_cycle_open for r in rotations):
        told = "One sync a revolution" if cutter.basis.endswith("revolution") else "The wheel alone"
        warn(
            "half_cycle_open",
            f"{told} leaves the half-cycle open: each pulse belongs to one of two cylinders.",
        )
    if cutter.half_cycle.told_by:
        warn(
            "half_cycle_told",
            f"Which half of the cycle it is was told by the place of the pulses of {', '.join(cutter.half_cycle.told_by)}, "
            "at odds of 200 to 1 or better for pulses of the usual shape, one dead cylinder among them or none. A sync once a "
            "cycle would make it certain.",
        )
    alike = [r for r in rotations if r.places_known and r.modulo_deg < 720.0 and not r.half_cycle_open]
    if alike:
        warn(
            "cylinders_alike",
            f"The firing intervals repeat every {alike[0].modulo_deg:.0f} degrees: each pulse belongs to one of "
            f"{round(720.0 / alike[0].modulo_deg)} cylinders.",
        )
    if cutter.by_rhythm and rotations:
        unheard = (
            "No sync and no wheel is recorded"
            if sync is None and wheel is None
            else "Nothing else came evenly"
        )
        warn(
            "rhythm_alone",
            f"{unheard}: cycles are counted by the pulses' own rhythm. Where that is lost, positions begin anew.",
        )
    out += _lost(setup, cutter, sync, wheel)
    out += _silences(cutter)
    missed, extra = cutter.sync_counts
    if cutter.sync_is_noise:
        extra = 0  # said as what they are
    if missed and cutter.second_series is None:
        warn(
            "sync_missed",
            f"{counted(missed, 'sync event')} did not come. A single one is put in by time; where more in a row are "
            "missing, those cycles are left out.",
        )
    series = cutter.second_series
    if series is not None:
        one_of = series.may_be(setup.engine)
        whose = "; ".join(
            f"what is {c}'s by the one may be {' or '.join(str(other) for other in of if other != c)}'s by the other"
            for c, of in one_of.items()
            if len(of) > 1
        )
        apart = " or ".join(f"{deg:.0f}" for deg in series.apart_deg)
        nothing = "no cycle is told" if series.mixed else f"of the cylinders' pulses {whose}"
        warn(
            "sync_two_series",
            f"{cutter.sync_name}: its events come in two series, each once a cycle, about {apart} degrees apart (by time, no "
            f"uncertainty stated) and equally regular. Nothing tells which is its own cylinder's, so that {nothing}. "
            f"{MEND_SERIES}",
            probe=cutter.sync_name,
        )
    if cutter.sifted and sync is not None and series is None:
        name = cutter.sync_name
        warn(
            "sync_sifted",
            f"{name}: {extra} of {counted(sync.events, 'event')} came beside the true ones. Those that keep step with the "
            "pulses' rhythm at one place of the cycle name the cylinders; the others, and cycles without one that is sure, "
            f"are left out. {_MEND_NOISE}",
            probe=name,
        )
    elif extra and series is None:
        warn(
            "sync_extra",
            f"{counted(extra, 'event')} came too early to be a sync: left out.",
        )
    follower = wheel.follower if wheel is not None else None
    if wheel is not None and follower is not None and wheel.probe.edge == "auto":
        warn("edge_chosen", f"The wheel's {wheel.edge} edges fit its teeth best and are used.")
    if follower is not None and (follower.rejected or follower.missed):
        warn(
            "teeth_mended",
            f"{counted(follower.rejected, 'edge')} fitted no tooth, and {counted(follower.missed, 'tooth', 'teeth')} did not "
            "come.",
        )
    if keeper.positions_set_aside:
        warn(
            "positions_set_aside",
            f"Positions of another turning are another matter: {counted(keeper.positions_set_aside, 'cycle')} set aside.",
        )
    if stretches.declined_cycles:
        warn(
            "running_declined",
            f"{counted(stretches.declined_cycles, 'cycle')} went faster than idle: running tests other than idle are not judged.",
        )
    mixed = series is not None and series.mixed  # no speed is known then
    if stretches.running_from_s is not None and setup.conditions.mode == "cranking" and not mixed:
        said = [what for what in ("fuel", "ignition") if getattr(setup.conditions, what) == "disabled"]
        beside = (
            f" The set-up says {' and '.join(said)} disabled: by this recording that is not so, or something else feeds and "
            "fires it."
            if said
            else ""
        )
        warn(
            STARTED,
            f"The engine ran by itself from {stretches.running_from_s:.2f} s.{beside} {BEFORE_ANYBODY_CRANKS}",
        )
    cranked = not mixed and setup.conditions.mode == "cranking"
    if cranked and (words := may_have_run(stretches, measurers)):
        warn(MAY_HAVE_RUN, words)
    if stretches.unsteady:
        warn(
            "speed_unsteady",
            f"The cranking speed changed by {stretches.unsteady_percent:.1f} % from cycle to cycle (standard deviation about an "
            f"even course, stated without an interval; up to {UNSTEADY_PERCENT:.0f} % is steady). Pulses follow the speed, so "
            "that the intervals are wide, and a cylinder whose turn comes when the engine hesitates may seem odd. Charge the "
            "battery, check its terminals, the engine's earth and whether the starter stays engaged, hold the key through, and "
            "crank again. If it hesitates still, record starter current, which shows at whose compression.",
        )
    if stretches.sag is not None and not mixed:
        first, last = stretches.sag
        warn(
            "speed_sags",
            f"The cranking speed fell by {100 * (1 - last / first):.0f} % in one crank, from {first:.0f} to {last:.0f} rpm "
            "(means of the first and the last three cycles that count, stated without an interval). Each cycle is compared with "
            "its own mean, so that no cylinder is blamed for it. Charge the battery, check its terminals and the engine's earth, "
            "and rest the starter before another crank.",
        )
    for measurer in measurers:
        count = measurer.other_count
        if count is not None:
            warn(
                "cylinder_count",
                f"{measurer.probe.name}: compression comes {count.times} times a cycle, not as often as the set-up's "
                f"{setup.engine.cylinders} cylinders compress. Are `cylinders` and `firing_intervals_deg` those of this "
                "engine, and is the sync once a cycle? If not, mend the set-up and judge the same recording again."
                + _if_right(setup.engine.cylinders, count.times),
                probe=measurer.probe.name,
            )
    for measurer in measurers:
        # Where none shows it at all, the refusal says so.
        if measurer.without_compression and not no_compression(measurers):
            shown = listed(m.probe.name for m in measurers if m.shows_compression or m.hears_pulses)
            warn(
                "no_compression",
                f"{measurer.probe.name}: it hardly swings with compression ({_swing(measurer)}), though by {shown} the engine "
                f"compresses, so that no verdict is taken from it.{_or_pick_up(measurer.probe)} Then crank again.",
                probe=measurer.probe.name,
            )
    # Of a signal that is gone nothing else is worth saying.
    measurers = [m for m in measurers if not keeper.is_dead(m.probe.name)]
    swapped = keeper.swapped
    if swapped is not None:
        fit = (
            "their pulses fit each other's strokes better: no verdict is given, and all cylinders that fit are named"
            if swapped.likely
            else "both would be upside down, as two that are swapped seem to be: no cause is named"
        )
        if swapped.names_open and not swapped.likely:
            fit += ", and all cylinders that fit are"
        warn("roles_doubtful", f"{swapped.intake} and {swapped.exhaust}: {fit}. {ask(swapped)}")
    for measurer in measurers:
        probe, stated = measurer.probe, measurer.probe.polarity
        other = "vacuum" if stated == "pressure" else "pressure"
        if measurer.inverted:
            mend = "Mend the set-up file, or swap the probe's two wires."
            if swapped is not None and probe.name in swapped.both:
                mend = "See first whether it is swapped with the other one."
            warn(
                "polarity",
                f'{probe.name}: its pulse is upside down for positive_is = "{stated}"; it was turned over and '
                f'judged as "{other}". {mend}',
                probe=probe.name,
            )
        elif measurer.polarity_doubtful:
            warn(
                "polarity_untold",
                f'{probe.name}: whether positive_is = "{stated}" is right cannot be told from this recording. Blow '
                "gently into the probe: if its signal rises, positive is pressure.",
                probe=probe.name,
            )
        elif measurer.clamp_reversed:
            warn(
                "polarity",
                f"{probe.name}: the clamp lies the wrong way round: the current goes below its level at rest as the starter "
                "turns. It was turned over and judged so. Turn the clamp round (the starter at rest), or swap its two wires.",
                probe=probe.name,
            )
        elif measurer.clamp_doubtful:
            warn(
                "polarity_untold",
                f"{probe.name}: the current is below zero from the recording's first moment on, which no starter's is: the clamp "
                "lies the wrong way round, or `volts_at_zero` is wrong. No verdict rests on it. With the starter at rest see "
                "that it reads 0 A and turn the clamp round; begin to record half a second before the crank, and crank again.",
                probe=probe.name,
            )
    for measurer in measurers:
        left_open = measurer.strokes_open("cranking")
        if measurer.maybe_swapped:
            continue  # said of both
        if left_open or measurer.rings:
            warn("strokes_open" if left_open else "pipe_rings", _strokes(measurer), measurer.probe.name)
    for name, (change, error) in keeper.level_changes().items():
        if abs(change) - error > _DRIFT_PERCENT and not keeper.is_dead(name):
            became = "smaller" if change < 0 else "larger"
            warn(
                "level_drift",
                f"{name}: its pulses became {abs(change):.0f} % {became} from the first cycle to the last (give or take "
                f"{error:.0f} %, 95 %). Each cycle is compared with its own mean, so that no cylinder is blamed for it. "
                "If the battery sags, charge it; if the gain or the throttle was moved, crank again without that.",
                probe=name,
            )
    for measurer in measurers:
        if measurer.unheard:
            named = sorted({p.cylinder for p in measurer.unheard if p.cylinder is not None})
            whose = (
                f"cylinder {' and '.join(map(str, named))}"
                if named
                else f"{len(measurer.unheard)} of the places"
            )
            warn(
                "not_heard",
                f"{measurer.probe.name}: hardly any pulse of {whose} arrives. If it stands in another pipe or bank, "
                f"mend `sees`; if not, {_why_unheard(measurer)}",
                probe=measurer.probe.name,
            )
    for measurer in measurers:
        travel = measurer.travel
        if travel is not None and measurer.probe.role == "exhaust_pulse":
            warn(
                "travel_estimated",
                f"{measurer.probe.name}: travel_m is not given; by its pulses the gas takes about "
                f"{travel.delay_s * 1000:.0f} ms to the probe ({travel.low_s * 1000:.0f} to "
                f"{travel.high_s * 1000:.0f} ms, 95 %).",
                probe=measurer.probe.name,
            )
    for probe in setup.probe:
        if probe.role in PULSE_ROLES and probe.low_corner_hz is None:
            warn(
                "low_corner_unknown",
                f"{probe.name}: the probe's own low corner is not given and is not undone; its intervals "
                "are wider by what the corners that fit the recording would change.",
                probe=probe.name,
            )
    return tuple(out)


def _strokes(measurer: ProbeMeasurer) -> str:
    """Why more than one stroke fits each pulse, or may, which do, and what would settle it."""
    name, left_open = measurer.probe.name, measurer.strokes_open("cranking")
    why, settles = [], []
    if measurer.between_places:
        why.append(
            "as far as the crank angle is known, its pulses may lie in either of two cylinders' places"
        )
        settles.append(
            "A toothed wheel, or starter current recorded beside the sync, tells the angle inside the cycle: record one; give "
            "the probe's `travel_m` where it is missing, charge the battery, and crank again."
        )
    if measurer.may_be_upside_down:
        why.append(
            "upside down, what looks like a pulse is the end of an earlier stroke, and it is not known which way up it is"
        )
        settles.append(
            "Blow gently into the probe: if its signal rises, positive is pressure; write that as `positive_is`, and judge the "
            "same recording again."
        )
    if measurer.travel_open("cranking"):
        why.append(
            "what the gas takes to the probe is known so little that it may carry a pulse into another one's place"
        )
        settles.append(
            "Measure the way from the valves to the probe, write it as `travel_m`, and judge the same recording again."
        )
    if measurer.small_before:
        why.append(
            "its smallest pulse comes after one that is small too, and a stroke that is missing is missed by the pulses after "
            "it as well, so that the first may be where it is"
        )
    if measurer.rings:
        why.append(
            "two rises, nearly as steep, come in each firing interval, as in a pipe that rings: what one stroke leaves in it "
            "alters the pulses of the next half cycle, so that an odd one need not be its own cylinder's"
        )
    if measurer.rings or measurer.small_before:
        settles.append(
            "Put the probe into one bank's own pipe, closer to the engine (`sees`), or compare with the intake pulses, and crank "
            "again."
        )
    fit = (measurer.strokes_that_fit(c, "cranking") for c in measurer.heard)
    pairs = ", ".join(" or ".join(map(str, of)) for of in fit)
    named = (
        f"All cylinders that fit a pulse are named ({pairs})"
        if left_open
        else "It may be an earlier cylinder's doing"
    )
    return f"{name}: {'; '.join(why)}. {named}. {' '.join(settles)}"


def _anchor_unused(cylinder: int, measurers: Sequence[ProbeMeasurer]) -> CodedWarning:
    """Why a cylinder that somebody named for the first position names nothing."""
    left_open = [m.probe.name for m in measurers if m.strokes_open("cranking")]
    text = f"That the first position is cylinder {cylinder} was not used: which cylinder fires when is told by what is recorded."
    if left_open:
        text += (
            f" What is open is which of several strokes made each pulse of {listed(left_open)} (`strokes_open`), which the name "
            "of one place does not tell: do what is said there."
        )
    return CodedWarning(code="first_position_unused", text=text)


def _lost(
    setup: Setup, cutter: CycleCutter, sync: SyncTracker | None, wheel: WheelTracker | None
) -> Iterator[CodedWarning]:
    """What the set-up has and the recording could not use, though the engine turned."""
    if not cutter.rotations:
        return
    if wheel is not None and (cutter.by_rhythm or cutter.wheel_lost_s is not None):
        came = f"{wheel.edges} of its edges came" if wheel.edges else "no edge of it came"
        since = f"from {cutter.wheel_lost_s:.2f} s on " if cutter.wheel_lost_s is not None else ""
        instead = "the pulses' rhythm" if cutter.by_rhythm else "the sync"
        yield CodedWarning(
            code="wheel_not_followed",
            text=f"{wheel.probe.name}: {came}, and they fit `teeth` at no one place, or not any longer: {since}the crank "
            f"angle rests on {instead} alone. Check `teeth`, the pick-up's distance and its wires.",
            probe=wheel.probe.name,
        )
    if sync is not None and cutter.sync_is_noise:
        teeth = wheel is not None and cutter.wheel_lost_s is None and not cutter.by_rhythm
        angle = "the wheel's teeth" if teeth else "the pulses' rhythm"
        every = "revolution" if cutter.sync_every == "revolution" else "cycle"
        yield CodedWarning(
            code="sync_not_believed",
            text=f"{cutter.sync_name}: {counted(sync.events, 'event')} came, at times that do not fit one a {every}, neither by "
            f"their evenness nor by {angle}: taken for noise, so that no cylinder is named by them. {_MEND_NOISE}",
            probe=cutter.sync_name,
        )
    elif sync is not None and (cutter.by_rhythm or not sync.events):
        names = " and ".join(p.name for p in setup.probe if p.is_sync)
        yield CodedWarning(
            code="sync_silent",
            text=f"{names}: no event came evenly although the engine turned, so that no cylinder is named by it. Check the "
            "pick-up and its place.",
        )


def _silences(cutter: CycleCutter) -> Iterator[CodedWarning]:
    """When the sync was silent while the engine turned."""
    silences = cutter.sync_silences
    if silences:
        when = listed(f"from {begin:.1f} to {end:.1f} s" for begin, end in silences)
        by, then = (
            ("the wheel's teeth", "cylinders are named then by the teeth and its other events alone")
            if cutter.told_by_teeth
            else ("the pulses", "what was cranked then is not compared by cylinder")
        )
        yield CodedWarning(
            code="sync_interrupted",
            text=f"{cutter.sync_name}: no event of its own came {when}, though by {by} the engine turned on: {then}. See that "
            "the pick-up sits tight, check its plug, its cable and its threshold, and crank again.",
            probe=cutter.sync_name,
        )


def _signal_warnings(comparisons: Sequence[Comparison], keeper: ComparisonKeeper) -> Iterator[CodedWarning]:
    """What is wrong with the signal of a probe whose comparisons are limited by it, or lack cycles for it, and what to do."""
    limits = dict.fromkeys(
        (c.probe, c.role, code)
        for c in comparisons
        for code in c.because
        if code in LIMITING | _FOR_A_WHILE.keys()
    )
    for probe, role, code in limits:
        if code in _FOR_A_WHILE:
            what, beside, problem = _FOR_A_WHILE[code]
            when = listed(f"from {begin:.1f} to {end:.1f} s" for begin, end in keeper.left_out_s(code, probe))
            _, _, do = advice_for(role, problem).partition(": ")
            yield CodedWarning(
                code=code,
                text=f"{probe}: its signal was {what} {when}. What it read in those cycles{beside} is left out, and what is "
                f"stated of it rests on its other cycles alone. Before it is recorded again: {do}",
                probe=probe,
            )
        elif code != "not_heard":  # said with the cylinders' names
            cut = (
                " Pulses that are cut off are larger than they read, and so is the mean: a verdict that this could falsify is "
                "not given."
                if code == "clipped"
                else ""
            )
            from_s = keeper.dead_from_s(probe) if code == "dead" else None
            gone = (
                f"its signal is gone from {from_s:.1f} s on at the latest. What it read then is left out, no cylinder is blamed "
                "for it, and what is stated of it rests on the cycles before."
                if from_s is not None
                else f"what is compared rests on a bad signal.{cut}"
            )
            yield CodedWarning(code=code, text=f"{probe}: {gone} {advice_for(role, code)}", probe=probe)


def _merging(measurers: Sequence[ProbeMeasurer], comparisons: Sequence[Comparison]) -> Iterator[CodedWarning]:
    """Which cylinders' pulses merge, where how large each is depends on where one of them is said to end."""
    merged = {c.probe for c in comparisons if "strokes_merge" in c.because}
    for measurer in measurers:
        if measurer.probe.name in merged:
            pairs = listed(f"{a} with {b}" for a, b in measurer.close_pairs)
            yield CodedWarning(
                code="strokes_merge",
                text=f"{measurer.probe.name}: strokes that follow closely merge into one pulse ({pairs}), and how large each of "
                "the two is depends on where one is said to end and the other to begin. The intervals hold what that changes: "
                "what one of them shows may be the other's. A probe that hears one bank alone (`sees`) hears them apart where "
                "they are of different banks; starter current compares their compression.",
                probe=measurer.probe.name,
            )


def judgement(
    setup: Setup,
    source: SourceInfo,
    cutter: CycleCutter,
    sync: SyncTracker | None,
    wheel: WheelTracker | None,
    stretches: StretchKeeper,
    measurers: Sequence[ProbeMeasurer],
    comparisons: tuple[Comparison, ...],
    keeper: ComparisonKeeper,
    syncs_at_wrong_rate: Sequence[Probe],
    other_pace: OtherPace | None,
    angle_records: Sequence[AngleRecord],
    infinite: Mapping[str, int],
) -> Judgement:
    """The document of contract 3, from the state of the pipeline's parts after flush.

    infinite: how many samples of a probe were infinite, by its name.
    """
    refused = refusal(cutter, stretches, measurers, comparisons, syncs_at_wrong_rate, other_pace)
    series = cutter.second_series
    no_cycles = (series is not None and series.mixed) or other_pace is not None
    warnings = list(warnings_of(setup, cutter, sync, wheel, stretches, measurers, keeper, other_pace))
    if source.lost_samples:
        warnings.append(
            CodedWarning(
                code="lost_samples",
                text=f"{counted(source.lost_samples, 'sample was', 'samples were')} lost; pulses touched by that are left out.",
            )
        )
    for name, count in infinite.items():
        warnings.append(
            CodedWarning(
                code="infinite_samples",
                text=f"{name}: {counted(count, 'sample is', 'samples are')} infinite, which no voltage is; taken for lost. "
                "See how the file was written.",
                probe=name,
            )
        )
    if cutter.anchor_unused is not None:
        warnings.append(_anchor_unused(cutter.anchor_unused.cylinder, measurers))
    if other_pace is None:
        warnings += _signal_warnings(comparisons, keeper)
        warnings += _merging(measurers, comparisons)
    cranked = stretches.cranked
    rpm = _mean_rpm(stretches)
    swings = {
        m.probe.name: m.rhythm for m in measurers if m.rhythm is not None and m.probe.role not in PULSE_ROLES
    }
    named = any(
        c.cylinder is not None or c.one_of for comparison in comparisons for c in comparison.cylinders
    )
    angle_uncertainty_deg = stretches.angle_uncertainty_deg(named=named)
    narrowed = keeper.state(seen_of(comparisons, rpm, swings, angle_uncertainty_deg))
    named_surely = not refused and series is None and not keeper.valve_events_untold
    seen = seen_events(setup, angle_records) if named_surely else ()
    if named_surely:
        warnings += pressure_warnings(pressure_traces(setup, angle_records))
        warnings += valve_warnings(setup, angle_records, seen, cutter.basis, angle_uncertainty_deg)
    if refused is not None and _count_contradicted(cutter, measurers) is not None:
        # What rests on cylinders' places is no more to be believed than they are.
        warnings = [w for w in warnings if w.code not in _OF_PLACES]
        warnings.append(
            CodedWarning(
                code=UNCOUNTED,
                text="How many cycles there were, how fast the engine turned and at what angles is counted by what contradicts "
                "the set-up: none of it holds as long as that is not mended.",
            )
        )
    return Judgement(
        source=source,
        engine=EngineInfo(cylinders=setup.engine.cylinders, firing_order=setup.engine.firing_order),
        cranked=() if no_cycles else cranked,
        running_from_s=None if no_cycles else stretches.running_from_s,
        sync=SyncInfo(
            basis=cutter.basis,
            events=sync.events if sync is not None else 0,
            missed=cutter.sync_counts[0],
            extra=cutter.sync_counts[1],
            angle_uncertainty_deg=angle_uncertainty_deg,
        ),
        comparisons=() if refused else narrowed,
        findings=() if refused else findings_of(setup, narrowed, comparisons, warnings),
        causes=(),
        valve_events=tuple(event.message() for event in seen),
        warnings=tuple(warnings),
        refused=refused,
    )
