"""Where each cylinder's strokes lie in the engine's 720-degree cycle.

Engine angle: crank degrees, 0 at the firing TDC of the first cylinder in the firing
order, modulo 720. Cylinder angle: crank degrees after that cylinder's own firing TDC
(0-180 power, 180-360 exhaust, 360-540 intake, 540-720 compression).
"""

from __future__ import annotations

from .setup import Engine

CYCLE_DEG = 720.0
COMPANION_TOLERANCE_DEG = 1.0
"""Two pistons count as moving together when their firing TDCs are 360 degrees apart within this."""


def firing_intervals(engine: Engine) -> tuple[float, ...]:
    """Degrees from each cylinder's firing to the next one's, in firing order; they sum to 720."""
    if engine.firing_intervals_deg is not None:
        return engine.firing_intervals_deg
    return (CYCLE_DEG / engine.cylinders,) * engine.cylinders


def firing_angles(engine: Engine) -> dict[int, float]:
    """Engine angle of each cylinder's firing TDC, degrees in [0, 720), in firing order."""
    angles: dict[int, float] = {}
    at = 0.0
    for cylinder, interval in zip(engine.firing_order, firing_intervals(engine), strict=True):
        angles[cylinder] = at
        at += interval
    return angles


def stroke_angle(engine: Engine, cylinder: int, cylinder_deg: float) -> float:
    """Engine angle, in [0, 720), at which `cylinder` is `cylinder_deg` past its own firing TDC."""
    return (firing_angles(engine)[cylinder] + cylinder_deg) % CYCLE_DEG


def companion(engine: Engine, cylinder: int) -> int | None:
    """The cylinder whose piston moves with this one's, 360 degrees apart; None where there is none."""
    angles = firing_angles(engine)
    opposite = (angles[cylinder] + CYCLE_DEG / 2) % CYCLE_DEG
    for other, angle in angles.items():
        apart = abs((angle - opposite + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2)
        if other != cylinder and apart <= COMPANION_TOLERANCE_DEG:
            return other
    return None


def companions(engine: Engine) -> tuple[tuple[int, int], ...]:
    """All pairs of companion cylinders, in firing order of the first of each."""
    pairs: list[tuple[int, int]] = []
    for cylinder in engine.firing_order:
        other = companion(engine, cylinder)
        if other is not None and (other, cylinder) not in pairs:
            pairs.append((cylinder, other))
    return tuple(pairs)


def order_of_strokes(engine: Engine, cylinder_deg: float) -> tuple[int, ...]:
    """Cylinders in the order in which they come to that cylinder angle, from engine angle 0 on.

    With 360 that is the order of the intake strokes, with 180 of the exhaust strokes.
    """
    return tuple(sorted(engine.firing_order, key=lambda c: stroke_angle(engine, c, cylinder_deg)))
