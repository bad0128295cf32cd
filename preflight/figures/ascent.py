"""Ascent and burst: free lift, rise at release, burst altitude, time to burst, neck lift for a wanted rate.

SI throughout; lifts are forces expressed as masses, in kg. The balloon is a sphere whose gas has the
temperature and pressure of the air around it, so that its volume goes as 1 / density and its free lift stays
what it was. It rises at the speed at which drag balances the free lift.
"""

from __future__ import annotations

import math

from preflight.figures.atmosphere import G0

DRAG_BAND = (0.25, 0.45)
"""Drag coefficients that fit sounding balloons in flight: those implied by balloon tables (0.28 to 0.37) and
some to either side. Smooth-sphere values (0.09 or 0.47 about the drag crisis) fit no balloon."""

BURST_BAND = (0.85, 1.05)
"""Burst diameter as a share of the declared one. Common practice, no source."""

CEILING = 47_350.0
"""m. Balloons of rubber do not go higher; a burst that comes out above is a mistyped burst diameter."""


def free_lift(neck_lift: float, train_mass: float) -> float:
    """kg: what lifts once balloon and train (all below the neck) are carried; WMO's use of the word."""
    return neck_lift - train_mass


def rate_at_release(free_lift: float, diameter: float, air_density: float, drag_coefficient: float) -> float:
    """m/s: sqrt(8 F g0 / (pi rho Cd d^2)), drag = weight of the free lift; 0 where nothing is lifted."""
    if free_lift <= 0:
        return 0.0
    drag_area = drag_coefficient * math.pi * air_density * diameter**2
    return math.sqrt(8.0 * free_lift * G0 / drag_area)


def neck_lift_for_rate(
    rate: float,
    *,
    balloon_mass: float,
    train_mass: float,
    lift_per_volume: float,
    air_density: float,
    drag_coefficient: float,
) -> float:
    """kg at the neck for `rate` m/s at release.

    The inverse of `rate_at_release` with the diameter that follows from the lift: F = c (m + F)^(2/3), one
    positive root, found by Newton's method from above, where the function is convex.
    """
    carried = balloon_mass + train_mass
    area_factor = math.pi / 8.0 * (6.0 / (math.pi * lift_per_volume)) ** (2.0 / 3.0)
    c: float = area_factor * air_density * drag_coefficient * rate**2 / G0
    # Above the root: F >= c (m + F)^(2/3) holds for F = max(m, 4 c^3), as (m + F)^(2/3) <= (2 F)^(2/3).
    lift: float = max(carried, 4.0 * c**3)
    for _ in range(60):
        total = carried + lift
        step = (lift - c * total ** (2.0 / 3.0)) / (1.0 - 2.0 / 3.0 * c * total ** (-1.0 / 3.0))
        lift -= step
        if abs(step) < 1e-12 * total:
            break
    return train_mass + max(0.0, lift)


def density_at_burst(air_density: float, diameter: float, burst_diameter: float) -> float:
    """kg/m^3 of the air where a balloon of `diameter` m at release has grown to `burst_diameter` m.

    V = V0 rho0 / rho, no overpressure.
    """
    return air_density * (diameter / burst_diameter) ** 3
