"""QNH and the hypsometric equation."""

import math

import pytest

from preflight.figures import atmosphere

# Station pressure hPa, elevation m, QNH hPa with the exact 1976 constants, and by the two steps of
# ICAO Doc 7488/9837 with its rounded constants.
QNH = [
    (1000, 100, 1011.943, 1011.937),
    (950, 500, 1008.414, 1008.408),
    (900, 1000, 1014.632, 1014.627),
    (850, 1500, 1018.390, 1018.385),
]


@pytest.mark.parametrize(("qfe", "elevation", "exact", "icao"), QNH)
def test_qnh(qfe: float, elevation: float, exact: float, icao: float) -> None:
    found = atmosphere.qnh_of(qfe * 100.0, elevation) / 100
    assert found == pytest.approx(exact, abs=0.0011)
    # ICAO Doc 7488/9837: H = 44330.77 - 11880.32 QFE^0.190263 in its own rounded constants
    height = 44330.77 - 11880.32 * qfe**0.190263
    quoted = 1013.25 * (1 - 0.0065 * (height - elevation) / 288.15) ** 5.25588
    assert quoted == pytest.approx(icao, abs=0.0011)
    assert found == pytest.approx(quoted, abs=0.01)


@pytest.mark.parametrize(("qfe", "elevation", "_exact", "_icao"), QNH)
def test_station_pressure_leads_back(qfe: float, elevation: float, _exact: float, _icao: float) -> None:
    qnh = atmosphere.qnh_of(qfe * 100.0, elevation)
    assert atmosphere.pressure_at(qnh, elevation) == pytest.approx(qfe * 100.0, rel=1e-12)


@pytest.mark.parametrize(("qfe", "elevation", "exact", "_icao"), QNH)
def test_weather_station_variant(qfe: float, elevation: float, exact: float, _icao: float) -> None:
    # An automatic weather station manual, appendix B: QNH = QFE exp(T1 / (288.2 + 0.00325 ALT))
    t1 = 0.03416 * elevation * (1 - 0.19025 * (math.log(qfe) - 6.92087))
    assert qfe * math.exp(t1 / (288.2 + 0.00325 * elevation)) == pytest.approx(exact, abs=0.07)


def test_one_hectopascal_at_sea_level() -> None:
    # 8.32 m a hPa at sea level, from the 1976 constants
    assert atmosphere.pressure_altitude(101_225.0) == pytest.approx(8.32, abs=0.01)


def test_hypsometric_textbook_example() -> None:
    # Stull, Practical Meteorology, eq. 1.26 and its sample: 100 to 90 kPa, mean virtual temperature 280 K;
    # 864.4 m with a = 29.3 m/K as printed, a = 29.271 by the 1976 constants.
    found = atmosphere.thickness(100e3, 90e3, 280.0)
    assert found == pytest.approx(864.4 * 29.271 / 29.3, abs=0.1)


def test_hypsometric_500_hpa_thickness() -> None:
    # University notes: 1000 to 500 hPa is k Tv with k = (R/g) ln 2 = 20.29 m/K: 5542 m at 273.15 K
    assert atmosphere.thickness(1e5, 5e4, 1.0) == pytest.approx(20.29, abs=0.005)
    assert atmosphere.thickness(1e5, 5e4, 273.15) == pytest.approx(5542, abs=1)
