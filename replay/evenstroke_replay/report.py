"""A judged recording as one page of HTML that stands on its own.

The page loads nothing, runs nothing, prints, and reads on a telephone, light or dark. Every text
from outside (set-up, file name, messages) is escaped. `[job]` stays out unless it is asked for.
"""

from __future__ import annotations

import importlib.resources
import itertools
from collections.abc import Sequence

import msgspec
import numpy as np
from evenstroke_dsp.balance import EVEN_MARGIN_PERCENT
from evenstroke_dsp.cautions import EVIDENCE, PRECEDENCE, STEP_TITLES, Danger, cautions_for, dangers
from evenstroke_dsp.comparing import TwoCranks
from evenstroke_dsp.findings import (
    brief_lines,
    briefly,
    grouped,
    instruction_at_rest,
    only_sync_disturbs,
    probes_of,
)
from evenstroke_dsp.messages import (
    Comparison,
    Cycle,
    CylinderPulse,
    Finding,
    Judgement,
    SetupNote,
    WaveData,
)
from evenstroke_dsp.names import pulse_name
from evenstroke_dsp.naming import names_rest_on
from evenstroke_dsp.pressure_trace import PressureTrace
from evenstroke_dsp.ran_unasked import make_safe_first
from evenstroke_dsp.setup import ROLE_WORDS, Setup
from evenstroke_dsp.setup_effects import blind_lines
from evenstroke_dsp.wording import counted, listed

from .comparing import compare_judged
from .judging import JudgedFile, lost_parts
from .report_markup import definitions, escaped, section, table, with_label, with_own_ids
from .report_pictures import (
    CARPET_CYCLES,
    AngleMark,
    PulseMark,
    Trace,
    balance_picture,
    carpet_picture,
    pressure_picture,
    pulses_picture,
    signed,
)
from .report_words import (
    STRETCH_WORDS,
    angle_known,
    comparison_name,
    counts_contradicted,
    interval,
    plain,
    pulse_label,
    pulse_of,
    short_name,
    size,
    span,
)

_BASIS_WORDS = {
    "cycle": "one event per engine cycle",
    "revolution": "one event per revolution",
    "wheel": "the crank's teeth",
    "wheel+cycle": "the crank's teeth and one event per engine cycle",
    "wheel+revolution": "the crank's teeth and one event per revolution",
    "none": "nothing",
}
_WAVE_CYCLES = 3


def render_report(
    *judged: JudgedFile,
    generated_at: str,
    job_included: bool = False,
    even_margin: float = EVEN_MARGIN_PERCENT,
) -> str:
    """The page for one judged file, or for several one after another.

    generated_at: the wall time to print, which this function does not read itself.
    even_margin: per cent, the margin that the verdicts used.
    """
    css = importlib.resources.files(__package__).joinpath("report.css").read_text(encoding="utf-8")
    title = " and ".join(dict.fromkeys(_title(one) for one in judged))
    parts = [
        f'<header><h1>{escaped(title)}</h1><p class="quiet">Report by evenstroke, {escaped(generated_at)}</p></header>',
    ]
    two = compare_judged(*judged) if len(judged) == 2 else None
    if two is not None:
        parts.append(_to_do("What to do", two.next_step))
    elif len(judged) == 1:
        parts.append(_to_do("What to do", *_what_to_do(judged[0])))
    parts.append(f"<p><strong>{escaped(EVIDENCE)}</strong> {escaped(PRECEDENCE)}</p>")
    if two is not None:
        parts.append(_comparison(two))
    for number, one in enumerate(judged, 1):
        heading = ""
        if len(judged) > 1:
            heading = f"<h2>Recording {number}: {escaped(_file_name(one.judgement))}</h2>"
            heading += _to_do("What to do after this crank alone", *_what_to_do(one))
        parts.append(f"<main>{heading}{_one_recording(one, job_included, even_margin)}</main>")
    parts.append(_about())
    body = with_own_ids("\n".join(parts))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'; img-src data:\">"
        f"<title>{escaped(title)}</title><style>{css}</style></head>\n<body>\n{body}\n</body></html>\n"
    )


def _comparison(two: TwoCranks) -> str:
    """The two cranks beside each other: alike or not, what the set-up made, what is left."""
    unlike = [
        f"<li>{escaped(f'{u.probe}, {u.what}' if u.probe else u.what)}: {escaped(u.first)}, then {escaped(u.second)}. "
        f"{escaped(u.text)}</li>"
        for u in two.unlike
    ]
    alike = "".join(unlike) or "<li>Nothing differs that the set-ups and the recordings tell of.</li>"
    parts = ["<h3>Like for like?</h3>", f"<ul>{alike}</ul>", "<h3>What differs</h3><ul>"]
    parts += [f"<li>{escaped(text)}</li>" for text in two.texts]
    parts.append("</ul>")
    for change in two.changes:
        if not any(x.verdict for x in change.cylinders):
            continue
        rows = [
            (
                f"cylinder {x.cylinder}",
                signed(x.first),
                signed(x.second),
                f"{signed(x.change)} ({span(x.low, x.high)})",
                x.verdict or "",
                span(x.predicted.low, x.predicted.high) if x.predicted else "nothing stated",
            )
            for x in change.cylinders
        ]
        heads = (
            "Pulse of",
            "First, %",
            "Second, %",
            "First less second, % (95 %)",
            "Verdict",
            "Set-up by physics, %",
        )
        reference = listed(map(str, change.reference))
        parts.append(
            f"<h3>{escaped(f'{change.probe} {change.feature}')}: {escaped(pulse_name(change.role, change.feature))}</h3>"
            f'<p class="quiet">Both in per cent of the mean of {escaped(reference)}.</p>'
            + table(heads, tuple(rows), "")
        )
    for because in dict.fromkeys(n.because for n in two.not_compared):
        names = listed(
            f"{n.probe} {n.feature or ''}".strip() for n in two.not_compared if n.because == because
        )
        parts.append(f"<p>Not subtracted: {escaped(f'{names}: {because}')}</p>")
    return "<main><h2>The two cranks compared</h2>" + "".join(parts) + "</main>"


def _one_recording(judged: JudgedFile, job_included: bool, even_margin: float) -> str:
    judgement, setup = judged.judgement, judged.setup
    cycles = [message for message in judged.messages if isinstance(message, Cycle)]
    waves = [m for m in judged.messages if isinstance(m, WaveData) and m.header.kind == "conditioned"]
    sections = [
        _the_test(judged),
        _dangers(setup),
        _findings(judgement, _what_to_do(judged)[-1]),
        _balances(judged, cycles, even_margin),
        _waveforms(judgement, cycles, waves),
        _other_features(judgement),
        _causes(judgement),
        *(_pressure(trace, judgement) for trace in judged.pressure),
        _valve_events(judgement),
        _cannot_be_told(judgement, setup),
        _warnings(judgement),
        _source(judgement),
        _setup(setup, job_included),
        _cautions(setup),
    ]
    return "\n".join(section for section in sections if section)


# --- what to do, and what was found ------------------------------------------------------------


def _to_do(title: str, *lines: str) -> str:
    said = "".join(f"<p>{escaped(line)}</p>" for line in lines)
    return section(title, f'<div class="say">{said}</div>')


def _what_to_do(judged: JudgedFile) -> tuple[str, ...]:
    """By the judgement, and not by what was last said while it was recorded, which knew less."""
    judgement = judged.judgement
    safe = make_safe_first(judgement.warnings)
    if judgement.refused is not None:
        return (safe, judgement.refused) if safe else (judgement.refused,)
    words, _ = instruction_at_rest(
        comparisons=judgement.comparisons,
        findings=judgement.findings,
        refused=None,
        setup=judged.setup,
        mode=judged.setup.conditions.mode,
        warnings=judgement.warnings,
    )
    return (_plain_result(judgement), words) if not judgement.findings and not safe else (words,)


def _plain_result(judgement: Judgement) -> str:
    verdicts = [b.verdict for c in judgement.comparisons for b in c.cylinders if b.verdict is not None]
    if verdicts and all(verdict == "even" for verdict in verdicts):
        return "Every compared pulse is even within the margin. Nothing here asks for a closer look."
    return "Nothing odd has been settled. See below what is undecided, and what would settle it."


def _the_test(judged: JudgedFile) -> str:
    """What was cranked, how, and with what fitted, in a few lines; and what was noted on the way."""
    setup = judged.setup
    engine, conditions = setup.engine, setup.conditions
    order = "-".join(map(str, engine.firing_order))
    what = [counted(engine.cylinders, "cylinder"), f"firing order {order}"]
    what += [engine.family] if engine.family else []
    what += [f"{engine.displacement_cc:g} cc"] if engine.displacement_cc is not None else []
    what += (
        [f"compression ratio {engine.compression_ratio:g}"] if engine.compression_ratio is not None else []
    )
    how = [conditions.mode]
    how += [
        "engine temperature not said"
        if conditions.engine_temperature_c is None
        else f"engine at {conditions.engine_temperature_c:g} \N{DEGREE SIGN}C"
    ]
    for name in ("throttle", "fuel", "ignition"):
        how.append(f"{name} {(getattr(conditions, name) or 'not said').replace('_', ' ')}")
    how += [f"start prevented by: {conditions.start_prevented_by}"] if conditions.start_prevented_by else []
    if conditions.battery_support is not None:
        how.append(f"battery {'supported' if conditions.battery_support else 'by itself'}")
    fitted = [
        f"{words}{f' ({volume:g} cc)' if volume else ''}"
        for words, volume in (
            *(
                (f"{p.name} in cylinder {p.cylinder}", p.added_volume_cc)
                for p in setup.probe
                if p.role == "cylinder_pressure"
            ),
            *(
                (
                    f"{f.what} in cylinder {f.cylinder}{', plug out' if f.plug_removed else ''}",
                    f.added_volume_cc,
                )
                for f in setup.fitted
            ),
        )
    ]
    probes = [f"{p.name} ({ROLE_WORDS[p.role]}{f', {p.place}' if p.place else ''})" for p in setup.probe]
    rest_on = names_rest_on(setup, judged.judgement).removeprefix("Names rest on: ")
    lines = [
        ("Engine", ", ".join(what)),
        ("How", ", ".join(how)),
        ("In plug holes", listed(fitted) if fitted else "the plugs, and nothing else"),
        ("Probes", "; ".join(probes)),
        *([("Names rest on", rest_on)] if rest_on else []),
        *((f"Noted at {mark.at_s:.1f} s", mark.text) for mark in judged.marks),
    ]
    return section("The test", definitions(lines))


def _dangers(setup: Setup) -> str:
    items = [
        f"<li>{escaped(danger.text)}{escaped(f' Remedy: {danger.todo}.') if _is_open(danger) else ''}</li>"
        for danger in dangers(setup)
    ]
    if not items:
        return ""
    return f'<section class="danger"><h3>Danger in this set-up</h3><ul>{"".join(items)}</ul></section>'


def _is_open(danger: Danger) -> bool:
    return danger.blocks or danger.acknowledgement is None


def _findings(judgement: Judgement, todo: str) -> str:
    if judgement.refused is not None:
        return ""
    if not judgement.findings:
        return section("What was found", "<p>No odd pulse repeats beyond the margin.</p>")
    said = {todo}
    parts = []
    for heading, findings in grouped(judgement.findings):
        items = []
        if briefly(heading):
            items = [f"<li>{escaped(line)}</li>" for line in brief_lines(findings, judgement.comparisons)]
            parts += [f"<h3>{escaped(heading)} (the figures stand below)</h3>", f"<ul>{''.join(items)}</ul>"]
            continue
        for finding in findings:
            step = "" if finding.next_step in said else finding.next_step
            items.append(_finding(finding, probes_of(finding, judgement.comparisons), next_step=step))
            said.add(finding.next_step)
        parts += [f"<h3>{escaped(heading)}</h3>", f"<ul>{''.join(items)}</ul>"]
    nobody = all(f.suspect_cylinder is None for f in judgement.findings)
    words = "No cylinder is named as suspect: the odd pulse's own cylinder is no stand-in for it."
    return section("What was found", *parts, f'<p class="quiet">{words}</p>' if nobody else "")


def _finding(finding: Finding, probes: Sequence[str], *, next_step: str) -> str:
    facts = f"({listed(probes)}: {finding.feature})"
    if finding.suspect_cylinder is not None:
        facts += f" Suspect: cylinder {finding.suspect_cylinder}."
    step = f"<p>Next: {escaped(next_step)}</p>" if next_step else ""
    return f'<li><p>{escaped(finding.text)} <span class="quiet">{escaped(facts)}</span></p>{step}</li>'


# --- balance -----------------------------------------------------------------------------------


def _balances(judged_file: JudgedFile, cycles: Sequence[Cycle], even_margin: float) -> str:
    judgement = judged_file.judgement
    notes = {(n.probe, n.feature): n for n in judged_file.setup_notes}
    # Where something is odd or open comes first; the order of the judgement holds within each.
    judged = sorted((c for c in judgement.comparisons if _has_verdict(c)), key=_all_even)
    if not judged:
        return ""
    parts = [_balance(c, judgement, notes.get((c.probe, c.feature)), cycles, even_margin) for c in judged]
    key = (
        "Mark: each cylinder's deviation; bar: its 95 % interval, valid however often one looked while "
        "cycles came in, and for all cylinders at once. Triangle down: smaller; up: larger; dot: even; "
        f"open diamond: undecided. Ground: the margin of \N{PLUS-MINUS SIGN}{even_margin:g} % that counts "
        "as even. Dotted frame: what healthy engines show. Hatched: what the fitted set-up is predicted "
        "to do. Broken bar: not a clean comparison."
    )
    return section("How even the cylinders are", f'<p class="quiet">{escaped(key)}</p>', *parts)


def _has_verdict(comparison: Comparison) -> bool:
    return any(balance.verdict is not None for balance in comparison.cylinders)


def _all_even(comparison: Comparison) -> bool:
    return all(balance.verdict in ("even", None) for balance in comparison.cylinders)


def _balance(
    comparison: Comparison,
    judgement: Judgement,
    note: SetupNote | None,
    cycles: Sequence[Cycle],
    even_margin: float,
) -> str:
    balances = comparison.cylinders
    name = comparison_name(comparison)
    drawn = balance_picture(comparison, [short_name(b) for b in balances], even_margin)
    picture = with_label(drawn, f"Deviation of each cylinder: {name}")
    columns: dict[str, list[str]] = {
        "Pulse of": [pulse_of(b) for b in balances],
        "Verdict": [b.verdict or "none given" for b in balances],
        "Deviation, 95 % interval": [interval(b, comparison.unit) for b in balances],
    }
    words = [
        f"Deviations in per cent of the mean of {listed(map(str, comparison.reference))}.",
        _trust_words(comparison),
    ]
    if any(b.predicted for b in balances):
        columns["This set-up, %"] = [
            span(b.predicted.low, b.predicted.high) if b.predicted else "not computed" for b in balances
        ]
    if any(b.normal for b in balances):
        columns["Healthy engines, %"] = [
            span(b.normal.low, b.normal.high) if b.normal else "not known" for b in balances
        ]
        sources = dict.fromkeys(b.normal.from_ for b in balances if b.normal)
        words.append(f"What healthy engines show is from: {', '.join(sources)}.")
    if any(b.trust != "clean" for b in balances):
        columns["Trust"] = [b.trust for b in balances]
    columns["Cycles"] = [str(b.cycles) for b in balances]
    if any(b.one_off_cycles for b in balances):
        columns["Odd once, in cycle"] = [
            listed(map(str, b.one_off_cycles)) if b.one_off_cycles else "none" for b in balances
        ]
    columns["Mean size"] = [size(b) for b in balances]
    words.append("For mean sizes no interval is stated.")
    if note is not None and note.disturbed and comparison.stretch == "cranking":
        words.append(f"The set-up check, before the crank: {note.text}")
    table_of_all = table(tuple(columns), tuple(zip(*columns.values(), strict=True)), "")
    carpet = "" if _all_even(comparison) else _carpet(comparison, judgement, cycles, even_margin)
    return (
        f'<h3>{escaped(name)}</h3><p class="quiet">{escaped(" ".join(words))}</p>'
        f'<div class="pair"><figure class="small">{picture}</figure>{table_of_all}</div>{carpet}'
    )


def _trust_words(comparison: Comparison) -> str:
    because = ", ".join(code.replace("_", " ") for code in comparison.because)
    words = {
        "clean": "A clean comparison",
        "limited": "A limited comparison",
        "disturbed": "Disturbed: the set-up may have altered it",
    }[comparison.trust]
    return f"{words} ({because})." if because else f"{words}."


def _carpet(comparison: Comparison, judgement: Judgement, cycles: Sequence[Cycle], even_margin: float) -> str:
    shown: list[tuple[int, dict[str, CylinderPulse]]] = []
    columns: list[str] = []
    for cycle in cycles:
        if cycle.stretch != comparison.stretch:
            continue
        for probe in cycle.probes:
            if probe.probe == comparison.probe and probe.feature == comparison.feature:
                pulses = {pulse_label(pulse): pulse for pulse in probe.pulses}
                columns += [label for label in pulses if label not in columns]
                left_out = cycle.left_out is not None
                shown.append((cycle.index, {} if left_out else pulses))
    if len(shown) < 2 or len(columns) < 2:
        return ""
    order = [str(cylinder) for cylinder in judgement.engine.firing_order]
    columns.sort(key=lambda label: (order.index(label) if label in order else len(order), label))
    shown = shown[-CARPET_CYCLES:]
    values = np.full((len(shown), len(columns)), np.nan)
    for row, (_, pulses) in enumerate(shown):
        for label, pulse in pulses.items():
            if pulse.value is not None and pulse.left_out is None:
                values[row, columns.index(label)] = pulse.value
    reference = [i for i, label in enumerate(columns) if label.strip("()") in map(str, comparison.reference)]
    counted = np.isfinite(values)
    if reference:
        counted &= np.isin(np.arange(len(columns)), reference)
    means = np.where(counted, values, 0.0).sum(axis=1) / np.maximum(counted.sum(axis=1), 1)
    means[means == 0] = np.nan
    deviations = 100.0 * (values / means[:, None] - 1.0)
    picture = carpet_picture(deviations, columns, shown[0][0], even_margin)
    caption = (
        "Every single pulse, cycles downwards, cylinders in firing order, against the mean of its own cycle. "
        "What repeats is a stripe from top to bottom; a lone cell is a one-off."
    )
    if len(shown) == CARPET_CYCLES:
        caption += f" The last {CARPET_CYCLES} cycles."
    label = f"Every pulse by cycle and cylinder: {comparison_name(comparison)}"
    return f'<figure class="small">{with_label(picture, label)}<figcaption>{escaped(caption)}</figcaption></figure>'


# --- waveforms ---------------------------------------------------------------------------------


def _waveforms(judgement: Judgement, cycles: Sequence[Cycle], waves: Sequence[WaveData]) -> str:
    chosen = _cycles_to_show(cycles)
    if not chosen:
        return ""
    bounds = [cycle.from_s for cycle in chosen] + [chosen[-1].to_s]
    odd = {
        (probe, label)
        for f in judgement.findings
        for probe in probes_of(f, judgement.comparisons)
        for label in map(str, f.odd_pulse_at)
    }
    figures = []
    for probe in dict.fromkeys(p.probe for cycle in chosen for p in cycle.probes):
        trace = _trace(probe, chosen, waves, bounds, odd)
        if trace is not None:
            picture = with_label(pulses_picture(trace, bounds), f"Waveform of {probe}, pulses labelled")
            figures.append(f'<h3>{escaped(probe)}</h3><figure class="wide">{picture}</figure>')
    if not figures:
        return ""
    stretch = STRETCH_WORDS[chosen[0].stretch]
    first, last = chosen[0].index, chosen[-1].index
    words = (
        f"Cycles {first} to {last} {stretch}, filtered as the set-up says. The number above a pulse is the "
        "cylinder whose stroke made it; dots mark its ends. Hatched and bold: an odd pulse. In square "
        "brackets: left out. In round brackets: no cylinder can be named, and pulses are numbered in "
        "order of coming."
    )
    return section("Which pulse is whose", f'<p class="quiet">{escaped(words)}</p>', *figures)


def _cycles_to_show(cycles: Sequence[Cycle]) -> list[Cycle]:
    """Neighbouring cycles from the middle of the first stretch, if possible none that was left out."""
    first = [cycle for cycle in cycles if cycle.stretch == cycles[0].stretch] if cycles else []
    runs = [first[i : i + _WAVE_CYCLES] for i in range(max(1, len(first) - _WAVE_CYCLES + 1))]
    middle = (len(runs) - 1) / 2
    by_goodness = sorted(
        range(len(runs)),
        key=lambda i: (
            sum(cycle.left_out is not None for cycle in runs[i]),
            not _touching(runs[i]),
            abs(i - middle),
        ),
    )
    return runs[by_goodness[0]] if first else []


def _touching(run: Sequence[Cycle]) -> bool:
    return all(b.from_s - a.to_s < 0.05 * (a.to_s - a.from_s) for a, b in itertools.pairwise(run))


def _trace(
    probe: str,
    cycles: Sequence[Cycle],
    waves: Sequence[WaveData],
    bounds: Sequence[float],
    odd: set[tuple[str, str]],
) -> Trace | None:
    times: list[np.ndarray] = []
    values: list[np.ndarray] = []
    unit = ""
    for wave in waves:
        header = wave.header
        end = header.t0_s + header.dt_s * header.shape[1]
        if probe not in header.probes or end < bounds[0] or header.t0_s > bounds[-1]:
            continue
        row = header.probes.index(probe)
        unit = header.units[row]
        if times and header.t0_s - times[-1][-1] > 1.5 * header.dt_s:
            times.append(np.array([header.t0_s - header.dt_s]))
            values.append(np.array([np.nan]))
        times.append(header.t0_s + header.dt_s * np.arange(header.shape[1]))
        values.append(wave.samples[row].astype(np.float64))
    if not times:
        return None
    t, v = np.concatenate(times), np.concatenate(values)
    inside = (t >= bounds[0]) & (t <= bounds[-1])
    if np.count_nonzero(np.isfinite(v[inside])) < 2:
        return None
    marks = tuple(
        PulseMark(
            label=pulse_label(pulse),
            from_s=pulse.from_s,
            to_s=pulse.to_s,
            odd=(probe, pulse_label(pulse).strip("()")) in odd,
            left_out=pulse.left_out is not None or cycle.left_out is not None,
        )
        for cycle in cycles
        for of_probe in cycle.probes
        if of_probe.probe == probe
        for pulse in of_probe.pulses
        if pulse.from_s is not None and pulse.to_s is not None
    )
    return Trace(times=t[inside], values=v[inside], unit=unit, pulses=marks)


# --- tables ------------------------------------------------------------------------------------


def _other_features(judgement: Judgement) -> str:
    others = [comparison for comparison in judgement.comparisons if not _has_verdict(comparison)]
    if not others:
        return ""
    parts = []
    for probe, stretch in dict.fromkeys((c.probe, c.stretch) for c in others):
        group = [c for c in others if (c.probe, c.stretch) == (probe, stretch)]
        names = list(dict.fromkeys(pulse_of(b) for c in group for b in c.cylinders))
        by_cell = {(pulse_of(b), c.feature): (b, c.unit) for c in group for b in c.cylinders}
        rows = []
        for name in names:
            row = [name]
            for comparison in group:
                b, unit = by_cell.get((name, comparison.feature), (None, ""))
                row.append("not heard" if b is None else interval(b, unit))
            rows.append(row)
        heads = ["Pulse of", *(c.feature.replace("_deg", ", degrees") for c in group)]
        where = f"{probe} {STRETCH_WORDS[stretch]}"
        caption = f"{where}: deviations from the mean, with 95 % intervals; no verdict is given."
        parts.append(table(heads, rows, caption))
    return section("Other features of the pulses", *parts)


def _causes(judgement: Judgement) -> str:
    if not judgement.causes:
        return ""
    rows = [
        (
            cause.kind.replace("_", " "),
            listed(map(str, cause.cylinders or (cause.cylinder,)))
            if cause.cylinders or cause.cylinder
            else "",
            f"{cause.size:.3g} {cause.size_unit or ''}" if cause.size is not None else "",
            f"{100 * cause.probability:.0f} %",
        )
        for cause in judgement.causes
    ]
    heads = ("What would explain all of it", "Cylinder", "Size (no interval is stated)", "Probability")
    return section("Causes", table(heads, rows, "Most probable first; together they make 100 %."))


def _pressure(trace: PressureTrace, judgement: Judgement) -> str:
    events = [v for v in judgement.valve_events if v.cylinder == trace.cylinder]
    events.sort(key=lambda v: v.deg)
    marks = [AngleMark(str(k), v.deg, v.low, v.high) for k, v in enumerate(events, 1)]
    picture = with_label(
        pressure_picture(trace, marks), f"Pressure in cylinder {trace.cylinder} by crank angle"
    )
    words = (
        f"Pressure in cylinder {trace.cylinder} over its own cycle, {trace.unit} above the level of its exhaust stroke: "
        f"the mean of {trace.cycles} cycles, and as ground the lowest and highest of all. Above: the whole; below: what "
        "lies near that level, with valve events and their 95 % intervals"
    )
    key = [
        f"{mark.label} {v.event.replace('_', ' ')} ({v.from_})" for mark, v in zip(marks, events, strict=True)
    ]
    words += f": {', '.join(key)}." if key else "; none could be stated."
    rows = [
        (r.name, f"{_figure(r.value)} ({_figure(r.low)} to {_figure(r.high)}) {r.unit}".strip())
        for r in trace.readings
    ]
    caption = (
        "A sealed cylinder that does not fire peaks just before TDC, the more so the more it leaks and the slower it "
        "turns, and loses little; what is normal for this engine is not known here, so that no verdict is given."
    )
    return section(
        f"Pressure by crank angle: {trace.probe}",
        f'<p class="quiet">{escaped(words)}</p><figure class="wide">{picture}</figure>',
        table(("Read off it", "Mean over the cycles, 95 % interval"), rows, caption),
    )


def _figure(number: float) -> str:
    decimals = 0 if abs(number) >= 100 else 1 if abs(number) >= 10 else 2
    return f"{number:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _valve_events(judgement: Judgement) -> str:
    if not judgement.valve_events:
        return ""
    rows = [
        (str(v.cylinder), v.event.replace("_", " "), f"{v.deg:.0f}° ({v.low:.0f} to {v.high:.0f})", v.from_)
        for v in judgement.valve_events
    ]
    heads = ("Cylinder", "Event", "Crank degrees after firing TDC, 95 % interval", "Seen by")
    return section("Valve events", table(heads, rows, ""))


def _cannot_be_told(judgement: Judgement, setup: Setup) -> str:
    lines: list[str] = []
    balances = [b for c in judgement.comparisons for b in c.cylinders]
    codes = {w.code for w in judgement.warnings}
    if any(b.one_of for b in balances) and {"strokes_open", "sync_two_series"} & codes:
        lines.append(
            "Which of the cylinders that are named together made a pulse: what would tell is said with the warnings."
        )
    elif any(b.one_of for b in balances):
        lines.append(
            "Which of two companion cylinders a pulse belongs to: the sync comes every revolution, not "
            "every cycle."
        )
    elif any(b.cylinder is None for b in balances):
        lines.append(
            "Which cylinder a pulse belongs to: nothing names one, so that pulses are numbered in order "
            "of coming."
        )
    several = {c.stretch for c in judgement.comparisons} != {"cranking"}
    effect_of_set_up: dict[str, list[str]] = {}
    without_normal: list[str] = []
    for comparison in judgement.comparisons:
        if not _has_verdict(comparison):
            continue
        name = f"{comparison.probe} {comparison.feature}"
        name += f" {STRETCH_WORDS[comparison.stretch]}" if several else ""
        undecided = [b for b in comparison.cylinders if b.verdict == "undecided"]
        if undecided:
            more = max((b.more_cycles for b in undecided if b.more_cycles is not None), default=None)
            settle = (
                f"about {counted(more, 'more cycle')} would settle it"
                if more
                else "what would settle it is open"
            )
            lines.append(f"{name}: undecided at {listed(map(pulse_of, undecided))}; {settle}.")
        bare = [b for b in comparison.cylinders if b.trust == "disturbed" and b.predicted is None]
        if bare and not only_sync_disturbs(comparison):
            effect_of_set_up.setdefault(listed(map(pulse_of, bare)), []).append(name)
        if all(b.normal is None for b in comparison.cylinders):
            without_normal.append(name)
    for where, names in effect_of_set_up.items():
        lines.append(
            f"{listed(names)}: how much of the deviation at {where} what is fitted makes; that was not "
            "computed. A crank without it would tell."
        )
    if without_normal:
        lines.append(
            f"{listed(without_normal)}: how uneven healthy engines are. That a deviation repeats is a fact; "
            "that it is a fault is not."
        )
    if judgement.refused is None and not judgement.causes:
        lines.append("What the fault is: causes were not computed, so that no cylinder is named as suspect.")
    lines += blind_lines(setup)
    if judgement.sync.angle_uncertainty_deg is None and judgement.sync.basis != "none":
        lines.append("How exact the crank angles are: no uncertainty could be stated for them.")
    if lost := lost_parts(judgement):
        lines.append(f"What is not there ({'; '.join(lost)}).")
    if not lines:
        return ""
    items = [f"<li>{escaped(line)}</li>" for line in lines]
    return section("What cannot be told from this", "<ul>", *items, "</ul>")


def _warnings(judgement: Judgement) -> str:
    if not judgement.warnings:
        return ""
    items = [
        f"<li>{escaped(warning.text)} <code>{escaped(warning.code)}</code></li>"
        for warning in judgement.warnings
    ]
    return section("Warnings", "<ul>", *items, "</ul>")


def _source(judgement: Judgement) -> str:
    source, sync = judgement.source, judgement.sync
    lines = [
        ("File", source.file or "no file"),
        ("SHA-256", source.sha256 or "none"),
        ("Length", f"{source.duration_s:.2f} s"),
        ("Lost", "; ".join(lost_parts(judgement)) or "nothing"),
    ]
    if counts_contradicted(judgement):
        lines += [("Cranked", f"{s.from_s:.2f} to {s.to_s:.2f} s") for s in judgement.cranked]
        lines += [
            ("Sync events", str(sync.events)),
            ("Not known", "how many cycles, how fast, at what angles: the set-up is contradicted"),
        ]
        return section("The recording", definitions(lines))
    lines += [
        (
            "Cranked",
            f"{s.from_s:.2f} to {s.to_s:.2f} s, {s.cycles} cycles, mean speed {s.mean_rpm:.0f} rpm (no interval)",
        )
        for s in judgement.cranked
    ]
    lines += [
        (
            "Running from",
            "not seen" if judgement.running_from_s is None else f"{judgement.running_from_s:.2f} s",
        ),
        ("Cylinders told by", _BASIS_WORDS[sync.basis]),
        ("Sync events", f"{sync.events}, {sync.missed} missed, {sync.extra} extra"),
        ("Angle uncertainty", angle_known(sync)),
    ]
    return section("The recording", definitions(lines))


def _setup(setup: Setup, job_included: bool) -> str:
    conditions = _stated(setup.conditions)
    if not any(key == "mode" for key, _ in conditions):
        conditions.insert(0, ("mode", setup.conditions.mode))
    groups = [
        ("Engine", _stated(setup.engine) + _stated(setup.engine.valve_events_deg)),
        ("Conditions", conditions),
        *([("Acquisition", _stated(setup.acquisition))] if setup.acquisition is not None else []),
        *((f"Probe {probe.name}", _stated(probe)) for probe in setup.probe),
        *((f"Fitted, not recorded: {fitted.what}", _stated(fitted)) for fitted in setup.fitted),
    ]
    if setup.job and job_included:
        groups.append(("Job", [(key, plain(value)) for key, value in setup.job.items()]))
    blocks = [
        f'<div class="block"><h3>{escaped(title)}</h3>{definitions(lines)}</div>' for title, lines in groups
    ]
    left_out = bool(setup.job) and not job_included
    note = '<p class="quiet">The job\'s own notes are left out of this page.</p>' if left_out else ""
    return section("The set-up, as recorded", '<div class="columns">', *blocks, "</div>", note)


def _stated(table: msgspec.Struct) -> list[tuple[str, str]]:
    """Keys that differ from their default, as the set-up file writes them."""
    lines = []
    for field in msgspec.structs.fields(table):
        value = getattr(table, field.name)
        if value != field.default and not isinstance(value, msgspec.Struct):
            lines.append((field.encode_name, plain(value)))
    return lines


def _cautions(setup: Setup) -> str:
    by_step: dict[str, list[str]] = {}
    for caution in cautions_for(setup):
        by_step.setdefault(STEP_TITLES[caution.step], []).append(f"<li>{escaped(caution.text)}</li>")
    blocks = [
        f'<div class="block"><h3>{escaped(step)}</h3><ul>{"".join(items)}</ul></div>'
        for step, items in by_step.items()
    ]
    return section("Cautions", '<div class="columns">', *blocks, "</div>")


def _about() -> str:
    text = (
        "Colours of marks: M. Okabe and K. Ito, Color Universal Design (2008), darkened where they stand "
        "on white; of the carpets: PuOr of C. Brewer's ColorBrewer. Shapes and words say the same without "
        "colour."
    )
    return f'<footer><p class="quiet">{escaped(text)}</p></footer>'


def _title(judged: JudgedFile) -> str:
    return judged.setup.title or _file_name(judged.judgement)


def _file_name(judgement: Judgement) -> str:
    return judgement.source.file or "Engine test"
