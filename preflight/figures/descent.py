"""Descent under a parachute: speed, energy. SI throughout."""

from __future__ import annotations

import math

from preflight.figures.atmosphere import G0


def drag_area(area: float, drag_coefficient: float) -> float:
    """m^2: CD0 S0, on the nominal (constructed) area, as tables of canopies give it."""
    return area * drag_coefficient


def speed(mass: float, air_density: float, drag_area: float) -> float:
    """m/s at which drag balances the weight of `mass` kg: sqrt(2 m g0 / (rho CD0 S0)).

    Knacke, Parachute Recovery Systems Design Manual (NWC TP 6575, 1991). Down at this speed all the way:
    the seconds it takes to reach it after the burst are left out.
    """
    return math.sqrt(2.0 * mass * G0 / (air_density * drag_area))


def energy(mass: float, speed: float) -> float:
    """J of motion of `mass` kg at `speed` m/s."""
    return 0.5 * mass * speed**2
