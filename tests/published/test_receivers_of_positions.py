"""Receivers of positions: ceilings of their models, the limit of 18 km, GPS time, kinds of fix.

Sources are named beside each check; what was not read is marked "from memory".
"""

from __future__ import annotations

import pytest

from preflight.checks import fixes, position, times
from preflight.config.flight import SampleField


@pytest.mark.parametrize(
    ("model", "metres"),
    [
        # A receiver maker's user guide, table of dynamic platform models: highest altitude of each.
        ("portable", 12_000),
        ("stationary", 9_000),
        ("pedestrian", 9_000),
        ("automotive", 6_000),
        ("sea", 500),
        ("airborne", 50_000),
    ],
)
def test_the_ceiling_of_each_dynamic_model(model, metres):
    assert fixes.CEILINGS[model] * 1000 == metres


def test_sixty_thousand_feet_and_the_18_km_of_receiver_manuals():
    """Former 22 CFR 121.16 item 11(c)(1) (quoted): above 515 m/s (1,000 nmi/h) and 18 km (60,000 ft)."""
    assert position.SILENT_ABOVE == 18.0
    assert pytest.approx(position.SILENT_ABOVE, rel=0.02) == 60_000 * 0.3048 / 1000
    assert pytest.approx(515, rel=0.002) == 1000 * 1852 / 3600


def test_gps_time_is_ahead_of_utc_by_the_leap_seconds_since_its_epoch():
    """From memory: UTC-TAI is -37 s since 2017 (IERS Bulletin C 52), GPS time TAI less 19 s (IS-GPS-200)."""
    assert times.LEAP_SECONDS == 37 - 19


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        # NMEA 0183 (from memory): GGA field 6 is 0 for no fix, 6 for dead reckoning; GSA field 2 is 1, 2, 3.
        ("GGA.quality", 0, "none"),
        ("GGA.quality", 1, "satellites"),
        ("GGA.quality", 2, "differential"),
        ("GGA.quality", 6, "estimated"),
        ("GGA.quality", 8, "simulated"),
        ("GSA.navMode", 1, "none"),
        ("GSA.navMode", 2, "2-D"),
        ("GSA.navMode", 3, "3-D"),
    ],
)
def test_kinds_of_fix_in_nmea_sentences(key, value, word):
    assert fixes.fix_word(SampleField(name="fix", role="fix", key=key), float(value)) == word


def test_four_satellites_solve_three_coordinates_and_the_time():
    """Four unknowns take four measured ranges (any textbook)."""
    assert fixes.LEAST_FOR_FIX == 3 + 1
