"""What one could add to a set-up: what it would tell, and what it costs; the least invasive first. No Qt here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from evenstroke_dsp.engine import companions
from evenstroke_dsp.features import ROLE_PULSES
from evenstroke_dsp.setup import PULSE_ROLES, Setup


@dataclass(frozen=True, slots=True)
class More:
    """what: is added. tells: what is then known. costs: what it takes. probe: keys of the probe that it is, if one."""

    what: str
    tells: str
    costs: str
    probe: tuple[tuple[str, str | int], ...] | None = None


def more(setup: Setup) -> tuple[More, ...]:
    """Everything that this set-up lacks and that would sharpen its answer."""
    return tuple(_more(setup))


def names_cylinders(setup: Setup) -> bool:
    """Whether a pulse gets its cylinder's number, and not only a place in order of coming."""
    from evenstroke_dsp.setup_check import expected_sync  # it loads SciPy

    return setup.engine.cylinders == 1 or expected_sync(setup).endswith("cycle")


def _more(setup: Setup) -> Iterator[More]:
    roles = {probe.role for probe in setup.probe}
    first = setup.engine.firing_order[0]
    if "starter_current" not in roles and setup.conditions.mode == "cranking":
        yield More(
            "a clamp around the starter's cable",
            f"{_compared(setup, 'starter_current')} by how they load the starter",
            "nothing is opened; a current clamp",
            (("name", "starter"), ("role", "starter_current")),
        )
    if not names_cylinders(setup):
        yield More(
            f"a pick-up on the ignition of cylinder {first}",
            "whose pulse each one is: without it they are only numbered in order of coming",
            "nothing is opened; a pick-up made for that, never a wire into the circuit",
            (("name", "spark"), ("role", "ignition_sync"), ("cylinder", first)),
        )
    if "crank_teeth" not in roles:
        yield More(
            "the crank sensor's signal",
            "crank angle to a degree or two, and the crank's speed at each compression",
            "a tap at the sensor's wire, and counting the wheel's teeth",
            (("name", "wheel"), ("role", "crank_teeth")),
        )
    if "intake_pulse" not in roles:
        yield More(
            "a pulse probe at the intake",
            f"{_compared(setup, 'intake_pulse')} by what they draw",
            "a small hose taken off behind the throttle; if it is the brake servo's, there is no brake assistance",
            (("name", "intake"), ("role", "intake_pulse")),
        )
    if "exhaust_pulse" not in roles:
        yield More(
            "a pulse probe at the tailpipe",
            f"{_compared(setup, 'exhaust_pulse')} by what they push out, and the dip that points at rings and leaks",
            "nothing is opened; a hose held at the tailpipe, and exhaust extraction",
            (("name", "exhaust"), ("role", "exhaust_pulse")),
        )
    for probe in setup.probe:
        if probe.role in PULSE_ROLES and probe.low_corner_hz is None:
            yield More(
                f"low_corner_hz of {probe.name}",
                "the once-per-cycle rhythm as it was before the probe distorted it: narrower intervals",
                "the disc's capacitance and its bias resistor, once for each probe: corner = 1 / (2 pi R C)",
            )
        if probe.role == "exhaust_pulse" and probe.travel_m is None:
            yield More(
                f"travel_m of {probe.name}",
                "the crank angle at which its pulses left the valve",
                "a tape measure along the exhaust",
            )
    if setup.conditions.engine_temperature_c is None:
        yield More("engine_temperature_c", "whether two cranks were equally warm", "a look at a thermometer")
    lacking = [
        key
        for key in ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm")
        if getattr(setup.engine, key) is None
    ]
    if lacking:
        yield More(
            ", ".join(lacking),
            "how much what is fitted alters each pulse, more narrowly than for any engine of so many cylinders",
            "a look into the maker's data",
        )
    if "cylinder_pressure" not in roles:
        pairs = companions(setup.engine)
        spoilt = "its companion's clean comparison" if pairs else "the clean comparison of every cylinder"
        yield More(
            "a pressure transducer in one cylinder",
            "that cylinder's own compression, leakage and valve timing",
            f"a plug out, and {spoilt}: for a crank of its own, after the others",
            (("name", "pressure"), ("role", "cylinder_pressure")),
        )


def _compared(setup: Setup, role: str) -> str:
    """The comparisons that a role brings, by what the pipeline measures of it."""
    verdicts = [feature.name for feature in ROLE_PULSES[role].features if feature.verdict]
    if setup.engine.cylinders < 2:
        return f"{' and '.join(verdicts)} of the one cylinder, with nothing to compare it with,"
    return f"{' and '.join(verdicts)} of all {setup.engine.cylinders} cylinders compared"
