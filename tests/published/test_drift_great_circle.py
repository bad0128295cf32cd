"""Drift and distances against geographiclib (WGS 84)."""

import math

import pytest
from geographiclib.geodesic import Geodesic

from preflight.figures import atmosphere, drift, winds
from preflight.figures.profile import Profile


@pytest.mark.parametrize(("latitude", "bearing"), [(-43.93, 95.0), (0.0, 270.0), (64.1, 10.0), (89.9, 180.0)])
def test_landing_point_is_the_geodesic(latitude: float, bearing: float) -> None:
    # geographiclib 2: Direct of 120 km at a bearing
    angle = math.radians(bearing)
    found = drift.place(latitude, 171.62, (120e3 * math.sin(angle), 120e3 * math.cos(angle)))
    line = Geodesic.WGS84.Direct(latitude, 171.62, bearing, 120e3)
    assert found.latitude == pytest.approx(line["lat2"], abs=1e-9)
    assert found.longitude == pytest.approx(line["lon2"], abs=1e-9)
    assert found.distance == pytest.approx(120e3)
    assert found.bearing == pytest.approx(bearing)
    back = drift.offset_of(latitude, 171.62, found.latitude, found.longitude)
    assert math.hypot(*back) == pytest.approx(120e3, abs=1e-3)


@pytest.mark.parametrize("comes_from", [0.0, 95.0, 250.0, 359.0])
def test_constant_wind_carries_by_speed_times_time(comes_from: float) -> None:
    # 12 m/s on a rise of 25 km at 5 m/s: 60 km along the great circle, by arithmetic
    east, north = winds.components(comes_from, 12.0)
    profile = Profile(
        atmosphere.standard(),
        reference_density=1.225,
        nodes=(),
        bottom=0.0,
        top=25_000.0,
        wind=lambda _: (east, north),
    )
    sums = profile.upto(25_000.0)
    end = drift.place(-43.93, 171.62, (sums.east / 5.0, sums.north / 5.0))
    line = Geodesic.WGS84.Inverse(-43.93, 171.62, end.latitude, end.longitude)
    assert line["s12"] == pytest.approx(60_000.0, abs=0.1)
    assert line["azi1"] % 360 == pytest.approx((comes_from + 180) % 360, abs=1e-6)


def test_clearance_is_the_geodesic_less_the_radius() -> None:
    # a spread of one point: geographiclib's distance is the distance to the hull
    centre = drift.offset_of(-43.93, 171.62, -43.80, 171.90)
    line = Geodesic.WGS84.Inverse(-43.93, 171.62, -43.80, 171.90)
    assert drift.distance_to_hull(centre, [(0.0, 0.0)]) == pytest.approx(line["s12"], abs=1e-6)


def test_knots_and_feet() -> None:
    # the international nautical mile of 1852 m and foot of 0.3048 m, exact by definition
    table = winds.read(b"height [ft],direction,speed [kn]\n1000,270,10\n2000,270,20\n", name="t")
    assert table.heights == pytest.approx((304.8, 609.6))
    assert table.at(304.8)[0] == pytest.approx(18520 / 3600)
