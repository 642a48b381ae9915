"""The set-up file (TOML): what engine, what is fitted where, and what the user provided for.

`parse_setup(text)` gives a `Setup` or raises `SetupError` with the key path and, where
it can be found, the line. Nothing is guessed; what is left out stays None and what
depends on it says so.
"""

from __future__ import annotations

import re
import tomllib
from typing import Literal

import msgspec
from evenstroke_protocol.errors import EvenstrokeError

from .blocks import InputKey

Mode = Literal["cranking", "idle"]
Role = Literal[
    "intake_pulse",
    "exhaust_pulse",
    "crankcase_pulse",
    "cylinder_pressure",
    "manifold_pressure",
    "starter_current",
    "battery_voltage",
    "crank_teeth",
    "cam_sync",
    "ignition_sync",
    "coil_current_sync",
    "injector_sync",
    "other",
]
PULSE_ROLES: frozenset[str] = frozenset({"intake_pulse", "exhaust_pulse", "crankcase_pulse"})
SYNC_ROLES: frozenset[str] = frozenset({"cam_sync", "ignition_sync", "coil_current_sync", "injector_sync"})
EDGE_ROLES: frozenset[str] = SYNC_ROLES | {"crank_teeth"}
"""Roles that a board's edge input can serve; the others need an analog input."""

UNIT_OF_ROLE: dict[str, str] = {
    "intake_pulse": "kPa",
    "exhaust_pulse": "kPa",
    "crankcase_pulse": "kPa",
    "cylinder_pressure": "kPa",
    "manifold_pressure": "kPa",
    "starter_current": "A",
    "battery_voltage": "V",
}
"""The unit that `volts_per_unit` scales to; a probe without it is reported in volts."""

DEFAULT_LOWPASS_HZ: dict[str, float] = {
    "intake_pulse": 50.0,
    "exhaust_pulse": 50.0,
    "crankcase_pulse": 50.0,
    "cylinder_pressure": 200.0,
    "manifold_pressure": 50.0,
    "starter_current": 50.0,
    "battery_voltage": 50.0,
    "other": 50.0,
}
"""-3 dB corner of a probe's conditioning, Hz. Edge roles are not filtered."""

ACKNOWLEDGEMENTS = ("plug_out_ignition_on", "fuel_on_ignition_disabled")


class SetupError(EvenstrokeError):
    """The set-up file cannot be used as it is."""


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class ValveEvents(_Table, kw_only=True):
    """Zero lift, crank degrees after the cylinder's own firing TDC."""

    exhaust_opens: float | None = None
    exhaust_closes: float | None = None
    intake_opens: float | None = None
    intake_closes: float | None = None


class Engine(_Table, kw_only=True):
    cylinders: int
    firing_order: tuple[int, ...]
    firing_intervals_deg: tuple[float, ...] | None = None
    family: str | None = None
    displacement_cc: float | None = None
    compression_ratio: float | None = None
    bore_mm: float | None = None
    stroke_mm: float | None = None
    rod_mm: float | None = None
    valve_events_deg: ValveEvents = ValveEvents()


class Conditions(_Table, kw_only=True):
    mode: str = "cranking"
    engine_temperature_c: float | None = None
    throttle: Literal["closed", "open"] | None = None
    fuel: Literal["disabled", "clear_flood", "on"] | None = None
    ignition: Literal["disabled", "on"] | None = None
    start_prevented_by: str | None = None
    battery_support: bool | None = None
    acknowledged: tuple[str, ...] = ()


class Acquisition(_Table, kw_only=True):
    rate_hz: int
    baud: int = 1_000_000


class Probe(_Table, kw_only=True):
    name: str
    role: Role
    input: int | None = None
    column: str | None = None
    place: str | None = None
    sees: tuple[int, ...] | None = None
    positive_is: Literal["pressure", "vacuum"] = "pressure"
    lowpass_hz: float | None = None
    low_corner_hz: float | None = None
    travel_m: float | None = None
    volts_per_unit: float | None = None
    volts_at_zero: float = 0.0
    sampling: Literal["steady", "edges"] = "steady"
    cylinder: int | None = None
    every: Literal["cycle", "revolution"] = "cycle"
    offset_deg: float | None = None
    teeth: str | tuple[float, ...] | None = None
    edge: Literal["auto", "rising", "falling"] = "auto"
    first_tooth_deg: float | None = None
    added_volume_cc: float | None = None
    check_valve: bool = False

    @property
    def key(self) -> InputKey:
        """What the probe's data are called in blocks: its input, else its column, else its name."""
        if self.input is not None:
            return self.input
        return self.column if self.column is not None else self.name

    @property
    def unit(self) -> str:
        """Unit of this probe's values: the role's unit where a scale is given, else "V"."""
        if self.volts_per_unit is None:
            return "V"
        return UNIT_OF_ROLE.get(self.role, "V")

    @property
    def is_sync(self) -> bool:
        return self.role in SYNC_ROLES


class Fitted(_Table, kw_only=True):
    """Something fitted that is not recorded but may alter what the probes read."""

    what: str
    cylinder: int
    added_volume_cc: float | None = None
    plug_removed: bool = False
    check_valve: bool = False


class Setup(_Table, kw_only=True):
    schema: int
    engine: Engine
    probe: tuple[Probe, ...]
    title: str = ""
    conditions: Conditions = Conditions()
    acquisition: Acquisition | None = None
    fitted: tuple[Fitted, ...] = ()
    job: dict[str, object] = msgspec.field(default_factory=dict)

    def probe_named(self, name: str) -> Probe:
        """The probe of that name. Raises KeyError where there is none."""
        for probe in self.probe:
            if probe.name == name:
                return probe
        raise KeyError(name)

    def sees(self, probe: Probe) -> tuple[int, ...]:
        """The cylinders that a probe hears, in firing order."""
        heard = set(probe.sees if probe.sees is not None else self.engine.firing_order)
        return tuple(c for c in self.engine.firing_order if c in heard)
