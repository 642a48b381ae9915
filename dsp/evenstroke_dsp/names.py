"""What a technician calls a feature, and a cylinder as far as it is known."""

from __future__ import annotations

from .messages import CylinderBalance

_NAMES = {
    ("intake_pulse", "drop"): "intake pulse",
    ("manifold_pressure", "drop"): "manifold pressure pulse",
    ("exhaust_pulse", "rise"): "exhaust pulse",
    ("exhaust_pulse", "suction"): "dip at exhaust opening",
    ("starter_current", "compression"): "load on the starter",
    ("battery_voltage", "compression"): "pull on the battery",
    ("crank_teeth", "compression"): "slowing of the crank",
}


def pulse_name(role: str, feature: str) -> str:
    """The feature in a technician's words."""
    return _NAMES.get((role, feature), feature)


def cylinder_name(cylinder: CylinderBalance) -> str:
    """The cylinder as far as it is known."""
    if cylinder.cylinder is not None:
        return f"cylinder {cylinder.cylinder}"
    if cylinder.one_of is not None:
        *most, last = cylinder.one_of
        return f"cylinder {', '.join(map(str, most))} or {last}"
    return f"the cylinder in position {cylinder.position}"
