"""Default limits of figures, and by how much a measured value may differ from the declared one.

Every limit can be set in the flight file's [limits]; a side that is not set there keeps its default.
"""

from __future__ import annotations

from preflight.config.flight import Flight

Bounds = tuple[float | None, float | None]

DEFAULTS: dict[str, Bounds] = {
    # Common practice, no source, unless said otherwise. Units as in `preflight.names`.
    "link.margin": (2.0, None),
    # 1 is exactly enough; the stall itself is the worst one, 500 ms at least
    # (SD physical layer specification, 4.6.2.2, application note).
    "link.stall_margin": (1.0, None),
    "card.margin": (2.0, None),
    "battery.margin": (1.5, None),
    "beacon.margin": (1.5, None),
    "flight.free_lift": (0.0, None),
    # A US Navy manual aims at 4.57 to 5.08 m/s (NAVEDTRA 14270, p. 1-20); these are wider, as the drag
    # coefficient alone moves the rate by a third. Slower, a balloon may float away without a burst.
    "flight.ascent_rate": (3.0, 6.0),
    "flight.burst_altitude": (5000.0, None),
    "flight.landing_speed": (None, 6.0),
    "flight.landing_speed_fouled": (None, 9.0),
    "flight.keep_out_clearance": (0.0, None),
}

DISAGREEMENT: dict[str, float] = {
    # Share by which measured and declared may differ before a remark is made. Common practice, no source.
    "sample.length": 0.10,
    "sample.rate": 0.05,
    "card.stall": 0.25,
    "battery.load": 0.10,
    "balloon.neck_lift": 0.05,
    "balloon.mass": 0.05,
    "payload.mass": 0.05,
    "parachute.mass": 0.05,
    "cylinder.pressure": 0.05,
}


def limit_for(flight: Flight, name: str, computed: Bounds = (None, None)) -> Bounds:
    """(at_least, at_most) of a figure in its own unit: the flight file's, else `computed`, else the default.

    `computed` is a default that depends on the flight, such as rail + dropout for a voltage.
    """
    at_least, at_most = DEFAULTS.get(name, (None, None))
    at_least = at_least if computed[0] is None else computed[0]
    at_most = at_most if computed[1] is None else computed[1]
    own = flight.limits.get(name)
    if own is not None:
        at_least = at_least if own.at_least is None else own.at_least
        at_most = at_most if own.at_most is None else own.at_most
    return at_least, at_most
