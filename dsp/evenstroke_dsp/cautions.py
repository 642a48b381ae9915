"""What can hurt people, engines and electronics, each at the step of the job that it concerns.

A caution is good practice that is said aloud. A danger is a combination that this set-up
itself describes or leaves open; some dangers stop a live session until the user has acknowledged that
they are provided for, some until the user has said how it is, and one (a plug out while fuel is on) stops
it in any case.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from evenstroke_protocol.errors import EvenstrokeError

from .setup import Setup

Step = Literal["plan", "make_safe", "connect", "crank", "judge", "confirm", "after"]

STEP_TITLES: dict[Step, str] = {
    "plan": "Before you begin",
    "make_safe": "Make safe",
    "connect": "Connect",
    "crank": "Crank",
    "judge": "Judge",
    "confirm": "Confirm",
    "after": "Afterwards",
}
"""The steps in the order of the job, each with a heading."""

PRECEDENCE = "The maker's procedure, local rules and licensed practice come first."
EVIDENCE = "What evenstroke says is evidence, not proof: dismantle nothing on the word of one crank."


class DangerError(EvenstrokeError):
    """A dangerous set-up that has not been acknowledged, or that cannot be."""


@dataclass(frozen=True, slots=True)
class Caution:
    step: Step
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Danger:
    """acknowledgement: the word under [conditions] that answers it; None where none does.
    blocks: a live session is refused as things stand."""

    code: str
    text: str
    todo: str
    acknowledgement: str | None
    blocks: bool


def plugs_out(setup: Setup) -> tuple[int, ...]:
    """Cylinders without their spark plug: left open, or with a transducer or a hose in its place."""
    cylinders = {probe.cylinder for probe in setup.probe if probe.role == "cylinder_pressure"}
    cylinders |= {fitted.cylinder for fitted in setup.fitted}
    return tuple(c for c in setup.engine.firing_order if c in cylinders)


def _hears(*roles: str) -> Callable[[Setup], bool]:
    return lambda setup: any(probe.role in roles for probe in setup.probe)


def _always(_: Setup) -> bool:
    return True


def _plug_is_out(setup: Setup) -> bool:
    return bool(plugs_out(setup))


_CAUTIONS: tuple[tuple[Step, str, Callable[[Setup], bool], str], ...] = (
    ("plan", "precedence", _always, PRECEDENCE),
    (
        "plan",
        "do_not_crank",
        _always,
        "If there may be water or fuel standing in a cylinder, or the timing belt or chain may have broken "
        "or slipped, do not crank: turn the engine by hand first, two full turns, and stop where it will "
        "not go on freely.",
    ),
    (
        "plan",
        "high_voltage_vehicle",
        _always,
        "Hybrids, and anything that carries more than 60 V DC, are for people trained and equipped for them.",
    ),
    (
        "make_safe",
        "cannot_move",
        _always,
        "Gearbox in neutral or park, parking brake on, wheels chocked.",
    ),
    (
        "make_safe",
        "cannot_start_itself",
        _always,
        "Switch automatic start-stop off, and keep remote starting out of reach.",
    ),
    (
        "make_safe",
        "key",
        _always,
        "Whoever has their hands at the engine holds the key.",
    ),
    (
        "make_safe",
        "spark_to_ground",
        _plug_is_out,
        "With a plug out, fuel must be off; a coil that still fires must fire into a grounded spark "
        "tester, well away from the open hole.",
    ),
    (
        "make_safe",
        "clear_flood",
        lambda setup: setup.conditions.fuel == "clear_flood",
        "Holding the pedal down to stop the injectors opens the throttle and so changes every pulse; not "
        "every engine does it; and fuel returns the moment the pedal lifts.",
    ),
    (
        "connect",
        "air_bags",
        _always,
        "Leave air-bag modules and their wiring alone.",
    ),
    (
        "connect",
        "fuel_lines",
        _always,
        "Never open a high-pressure fuel line.",
    ),
    (
        "connect",
        "module_connectors",
        _always,
        "Unplug or plug a control module's connector only with the key off.",
    ),
    (
        "connect",
        "isolate_usb",
        _always,
        "A bad engine earth sends the starter's current through the computer's cable shield: put a USB "
        "isolator between, run the computer from its battery with the charger unplugged, and earth the "
        "probes once, at the battery's negative post.",
    ),
    (
        "connect",
        "loose_parts",
        _always,
        "Leave nothing loose that the intake can swallow; count parts in, and count them back out.",
    ),
    (
        "connect",
        "battery_divider",
        _hears("battery_voltage"),
        "Battery voltage reaches an input only through a divider and a clamp.",
    ),
    (
        "connect",
        "coil_kick",
        _hears("ignition_sync", "coil_current_sync", "injector_sync"),
        "A coil's primary kicks to hundreds of volts and its secondary to tens of thousands, injectors to "
        "tens of volts and more: never connect one straight to an input.",
    ),
    (
        "connect",
        "high_voltage_cable",
        _hears("ignition_sync"),
        "Never pierce an ignition cable, and clamp nothing on it but a pick-up made for that.",
    ),
    (
        "connect",
        "transducer_rating",
        _hears("cylinder_pressure"),
        "If the engine starts by accident, the transducer sees combustion pressure: use one rated for it, "
        "with every part between it and the cylinder.",
    ),
    (
        "connect",
        "brake_servo",
        _hears("intake_pulse", "manifold_pressure"),
        "With the brake servo's hose off the intake there is no brake assistance: the vehicle must not move.",
    ),
    (
        "crank",
        "moving_parts",
        _always,
        "Hair, sleeves, cables and tools clear of belts and fans; electric fans start by themselves, even "
        "with the key off.",
    ),
    (
        "crank",
        "hot_exhaust",
        _always,
        "The exhaust and what is near it may be hot.",
    ),
    (
        "crank",
        "plug_hole",
        _plug_is_out,
        "Stand clear of an open plug hole, and of a fitting that could leave it.",
    ),
    (
        "crank",
        "carbon_monoxide",
        _always,
        "When an engine runs indoors: exhaust extraction at the tailpipe and a carbon-monoxide alarm in "
        "the room.",
    ),
    (
        "crank",
        "starter_rest",
        _always,
        "Short cranks, long rests: ten seconds at most, then two minutes, unless the starter's maker "
        "allows less.",
    ),
    ("judge", "evidence", _always, EVIDENCE),
    (
        "confirm",
        "leak_down_turns",
        _always,
        "Air for a leak-down test can turn the engine: leave no wrench on the crank, and keep hands off it.",
    ),
    (
        "after",
        "refit",
        _always,
        "Refit everything that was taken off, to the maker's torque.",
    ),
    (
        "after",
        "codes",
        _always,
        "Clear fault codes only with the owner's approval, and note them first.",
    ),
)

ALL_CAUTIONS: tuple[Caution, ...] = tuple(Caution(step, code, text) for step, code, _, text in _CAUTIONS)
"""Every caution, whatever the set-up, in the order of the steps."""


def cautions_for(setup: Setup) -> tuple[Caution, ...]:
    """The cautions that concern this set-up, in the order of the steps."""
    return tuple(Caution(step, code, text) for step, code, concerns, text in _CAUTIONS if concerns(setup))


def dangers(setup: Setup) -> tuple[Danger, ...]:
    """Every dangerous combination that the set-up describes, or leaves open.

    An engine that idles has its fuel on, whatever is said of it. What is left unsaid is never taken as
    safe. With a plug out a live session asks for it: people stand at the hole. Without one it is stated
    and stops nothing: cylinders and firing order are enough to begin with.
    """
    conditions = setup.conditions
    fuel = "on" if conditions.mode == "idle" else conditions.fuel
    ignition = conditions.ignition
    out = plugs_out(setup)
    found: list[Danger] = []
    if fuel == "on" and ignition == "disabled":
        found.append(
            _acknowledgeable(
                setup,
                "fuel_on_ignition_disabled",
                "Fuel is on while ignition is disabled: unburnt fuel washes the bores and thins the oil, "
                "and what reaches the exhaust can go off there.",
                "disable the fuel",
            )
        )
    elif fuel == "on" and ignition is None and conditions.mode != "idle":
        found.append(
            _unsaid(
                "fuel_on_ignition_unknown",
                "Fuel is on and the set-up does not say whether ignition is: with it disabled, unburnt "
                "fuel washes the bores, thins the oil and can go off in the exhaust; with it on, the "
                "engine may start.",
                'disable the fuel, or say ignition = "disabled" or "on" under [conditions]',
            )
        )
    elif fuel is None and ignition == "disabled":
        found.append(
            _unsaid(
                "fuel_unknown_ignition_disabled",
                "Ignition is disabled and the set-up does not say whether fuel is on: unburnt fuel would "
                "wash the bores, thin the oil, and could go off in the exhaust.",
                'disable the fuel, then say fuel = "disabled" under [conditions]',
            )
        )
    if not out:
        return tuple(found)
    holes = f"The spark plug is out of {_listed(out)}"
    if conditions.mode == "idle":
        found.append(
            Danger(
                "plug_out_fuel_on",
                f"{holes} of an engine that is to idle, and so has its fuel on: the open hole can throw burning "
                "mixture, and whatever is fitted there takes combustion pressure. No acknowledgement makes this "
                "right.",
                'fit the plug and leave it out of the set-up, or crank with the fuel off: mode = "cranking"',
                None,
                True,
            )
        )
    elif fuel == "on":
        found.append(
            Danger(
                "plug_out_fuel_on",
                f"{holes} while fuel is on: the open hole can throw burning mixture, and a start puts "
                "combustion pressure on whatever is fitted there. No acknowledgement makes this right.",
                "disable the fuel",
                None,
                True,
            )
        )
    elif fuel is None:
        found.append(
            _unsaid(
                "plug_out_fuel_unknown",
                f"{holes} and the set-up does not say that fuel is off, as it must be.",
                'disable the fuel, then say fuel = "disabled" under [conditions]',
                blocks=True,
            )
        )
    elif fuel == "clear_flood":
        found.append(
            _unsaid(
                "plug_out_clear_flood",
                f"{holes} and only the pedal keeps the fuel off: it returns the moment the pedal lifts.",
                "disable the fuel at its pump or its injectors instead",
            )
        )
    if ignition == "on":
        found.append(
            _acknowledgeable(
                setup,
                "plug_out_ignition_on",
                f"{holes} while ignition is on: its coil must fire into a grounded spark tester, away from "
                "the hole, and fuel must be off.",
                "disable ignition, or provide the tester",
            )
        )
    elif ignition is None:
        found.append(
            _unsaid(
                "plug_out_ignition_unknown",
                f"{holes} and the set-up does not say whether ignition is on: a coil that fires must fire "
                "into a grounded spark tester, away from the hole.",
                'disable ignition or provide the tester, then say ignition = "disabled" or "on" under [conditions]',
                blocks=True,
            )
        )
    return tuple(found)


def blocking_dangers(setup: Setup) -> tuple[Danger, ...]:
    """The dangers for which a live session must be refused as the set-up stands."""
    return tuple(danger for danger in dangers(setup) if danger.blocks)


def require_acknowledged(setup: Setup, name: str = "the set-up") -> None:
    """Raise DangerError, naming every blocking danger, unless there is none. name: what errors call the set-up."""
    blocking = blocking_dangers(setup)
    if not blocking:
        return
    raise DangerError(
        "this set-up is dangerous, or does not say that it is safe:\n"
        + "\n".join(f"  - {danger.text}" for danger in blocking),
        where=f"{name}: conditions",
        expected="each danger removed, what is unsaid said, or acknowledged where that is possible",
        found=", ".join(danger.code for danger in blocking),
        todo="; ".join(danger.todo for danger in blocking),
    )


def _acknowledgeable(setup: Setup, code: str, text: str, todo: str) -> Danger:
    acknowledged = code in setup.conditions.acknowledged
    return Danger(
        code,
        text + (" The set-up says that this is provided for." if acknowledged else ""),
        f'{todo}; once it is provided for, write acknowledged = ["{code}"] under [conditions]',
        code,
        not acknowledged,
    )


def _unsaid(code: str, text: str, todo: str, *, blocks: bool = False) -> Danger:
    return Danger(code, text, todo, None, blocks)


def _listed(cylinders: tuple[int, ...]) -> str:
    words = "cylinders" if len(cylinders) > 1 else "cylinder"
    return f"{words} {' and '.join(str(c) for c in sorted(cylinders))}"
