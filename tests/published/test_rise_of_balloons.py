"""Rising rate, burst and fill against manuals and tables of sounding balloons."""

import pytest

from preflight.figures import ascent, atmosphere, gas

FEET_PER_MINUTE = 0.3048 / 60


def rate_band(balloon: float, payload: float, free: float, kind: str) -> tuple[float, float, float]:
    """Slowest and fastest rate over the drag band at sea level, and the diameter."""
    lift = gas.lift_per_volume(kind, 101_325.0, 288.15, air_density=1.225)
    diameter = gas.sphere_diameter(gas.fill_volume(balloon + payload + free, lift))
    low, high = ascent.DRAG_BAND
    return (
        ascent.rate_at_release(free, diameter, 1.225, high),
        ascent.rate_at_release(free, diameter, 1.225, low),
        diameter,
    )


@pytest.mark.parametrize(("balloon", "free"), [(0.100, 0.700), (0.300, 0.900)])
def test_naval_manual(balloon: float, free: float) -> None:
    # NAVEDTRA 14270, p. 1-20: 900 to 1,000 ft/min with about 700 g of free lift on a 100 g balloon, 900 g
    # on a 300 g one. Its free lift is set at the nozzle; what hangs below is not told and taken as nothing.
    slow, fast, _ = rate_band(balloon, 0.0, free, "helium")
    assert slow <= 1000 * FEET_PER_MINUTE
    assert fast >= 900 * FEET_PER_MINUTE


def test_naval_rates_in_metres() -> None:
    rates = [feet * FEET_PER_MINUTE for feet in (900, 1000)]
    assert rates == pytest.approx([4.57, 5.08], abs=0.005)


# WMO-No. 8, "Balloon techniques", typical table, from memory: g of balloon, cm at release, g of payload, g of
# free lift, m/min, hydrogen.
WMO = [
    (200, 120, 250, 500, 300),
    (350, 130, 250, 600, 300),
    (600, 140, 250, 900, 300),
    (1000, 160, 250, 1100, 300),
    (1500, 180, 1000, 1300, 300),
    (3000, 210, 1000, 1700, 300),
]


@pytest.mark.parametrize(("balloon", "diameter", "payload", "free", "rate"), WMO)
def test_wmo_table_from_memory(
    balloon: float, diameter: float, payload: float, free: float, rate: float
) -> None:
    slow, fast, found = rate_band(balloon / 1e3, payload / 1e3, free / 1e3, "hydrogen")
    assert slow <= rate / 60 <= fast
    # volumes close within about 10 %
    assert found**3 == pytest.approx((diameter / 100) ** 3, rel=0.13)


def test_rate_follows_the_classical_law() -> None:
    # WMO-No. 8, from memory: V = q L^(1/2) / (L + W)^(1/3) with L free lift and W all that is carried
    def law(free: float, carried: float) -> float:
        return free**0.5 / (free + carried) ** (1 / 3)

    def rate(free: float, carried: float) -> float:
        diameter = gas.sphere_diameter((free + carried) / 1.0558)
        return ascent.rate_at_release(free, diameter, 1.225, 0.33)

    one, other = (0.5, 1.2), (1.4, 2.9)
    assert rate(*one) / rate(*other) == pytest.approx(law(*one) / law(*other), rel=1e-12)


def test_drag_band_moves_the_rate_by_a_third() -> None:
    # rate ~ Cd^(-1/2): 0.25 to 0.45 changes it by 34 %
    low, high = ascent.DRAG_BAND
    assert (high / low) ** 0.5 - 1 == pytest.approx(0.34, abs=0.002)


@pytest.mark.parametrize(("km", "diameter"), [(30, 6.5), (35, 8.4)])
def test_growth_with_height(km: int, diameter: float) -> None:
    # d = d0 (rho0 / rho)^(1/3) with the 1976 densities: 1.6 m grows to 6.5 m at 30 km, 8.4 m at 35 km
    column = atmosphere.standard()
    burst = ascent.density_at_burst(1.225, 1.6, diameter)
    assert column.height_of_density(burst) == pytest.approx(km * 1000, abs=130)


def test_constant_drag_doubles_the_rate_at_30_km() -> None:
    # (rho0 / rho)^(1/6) with the printed densities of the 1976 standard
    column = atmosphere.standard()
    assert (1.225 / column.density(30_000.0)) ** (1 / 6) == pytest.approx(2.0, abs=0.02)
