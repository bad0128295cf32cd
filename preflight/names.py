"""Names of readings and figures with their units: the unit of a name never changes.

`config` reads limits by this table, `figures` and `checks` make readings by it, screens and reports print by
it. A check from outside may add names of its own under its own first word.
"""

from __future__ import annotations

UNITS: dict[str, str] = {
    # serial line
    "link.capacity": "B/s",
    "link.load": "B/s",
    "link.margin": "",
    "link.stall_bytes": "B",
    "link.stall_margin": "",
    "link.clock_error": "%",
    # card
    "card.free": "B",
    "card.need": "B",
    "card.margin": "",
    "card.full_after": "h",
    "card.file_limit_after": "h",
    "card.type": "",
    "card.identity": "",
    "card.label": "",
    "card.size": "B",
    "card.clusters": "",
    "card.cluster_size": "B",
    "card.stall": "ms",
    "card.write_rate": "B/s",
    "card.tested": "B",
    "card.wrong_pages": "",
    # batteries
    "battery.load": "mA",
    "battery.usable": "mA*h",
    "battery.endurance": "h",
    "battery.margin": "",
    "battery.loaded_voltage_min": "V",
    "battery.open_voltage": "V",
    "battery.loaded_voltage": "V",
    # by a meter of the team's own on the battery's terminals
    "meter.open_voltage": "V",
    "meter.loaded_voltage": "V",
    "beacon.load": "mA",
    "beacon.usable": "mA*h",
    "beacon.endurance": "h",
    "beacon.margin": "",
    "beacon.loaded_voltage_min": "V",
    # flight
    "flight.gas_volume": "m^3",
    "flight.release_diameter": "m",
    "flight.cylinder_share": "%",
    "flight.free_lift": "kg",
    "flight.neck_lift_low": "kg",
    "flight.neck_lift_high": "kg",
    "flight.ascent_rate": "m/s",
    "flight.mean_ascent_rate": "m/s",
    "flight.burst_altitude": "m",
    "flight.ascent_time": "min",
    "flight.descent_time": "min",
    "flight.descent_time_fouled": "min",
    "flight.duration": "min",
    "flight.landing_speed": "m/s",
    "flight.landing_speed_fouled": "m/s",
    "flight.speed_after_burst": "m/s",
    "flight.landing_energy": "J",
    "flight.landing_energy_fouled": "J",
    "flight.landing_distance": "km",
    "flight.landing_bearing": "deg",
    "flight.keep_out_clearance": "km",
    # weighed, read off or typed before the flight; each replaces what the flight file declares
    "balloon.neck_lift": "kg",
    "balloon.mass": "kg",
    "payload.mass": "kg",
    "parachute.mass": "kg",
    "cylinder.pressure": "bar",
    "site.qnh": "hPa",
    "site.temperature": "degC",
    # samples and log
    "sample.length": "B",
    "sample.mean_length": "B",
    "sample.rate": "Hz",
    "sample.jitter": "ms",
    "sample.gap": "s",
    "sample.count": "",
    "sample.undecoded": "",
    "log.lost_samples": "",
    "log.longest_gap": "s",
    "log.lost_at_power_cut": "s",
    # what airspace texts are about; of several packages the largest
    "airspace.package_mass": "kg",
    "airspace.area_density": "g/cm^2",
    "airspace.packages": "",
    "airspace.payload_mass": "kg",
    "airspace.suspension_break": "N",
    # logger
    "logger.reply_time": "s",
    "logger.left_at": "",
    "logger.off_voltage": "V",
}
"""Unit of every name this tool gives out; "" is a pure number or a word."""
